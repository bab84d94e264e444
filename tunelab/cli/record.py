"""`tunelab record`: analyse one session and write its record."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tunelab.cli.terminal import complain, say, say_folded

if TYPE_CHECKING:
    from tunelab.record.execute import Run
    from tunelab.record.notebook import Notebook, Value
    from tunelab.record.opened import OpenedSession
    from tunelab.record.quick import Ran

DESCRIPTION = "Analyse one drive session and write its record: executed notebooks, HTML, results.json."
EPILOG = """\
exit status: 0 record written; 1 an analysis failed (its record, with the failure on its first page, never takes
             the place of one without a failure: it then goes to records/<session>.failed);
             2 bad arguments or a log that cannot be read (nothing written)
examples: tunelab record my-car/sessions/2026-05-03-steady
          tunelab record --quick my-car/sessions/2026-05-03-steady
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "record",
        help="analyse one session and write its record",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("session", metavar="SESSION", help="session folder: session.toml and its raw logs")
    parser.add_argument(
        "--out",
        metavar="FOLDER",
        help="where the record goes (default: records/<session>); an existing record is kept beside it",
    )
    parser.add_argument(
        "--notebook",
        metavar="NAME",
        action="append",
        default=[],
        help="run only this analysis; may be repeated (default: all that serve its steps; see `tunelab list`)",
    )
    parser.add_argument(
        "--set",
        metavar="NAME=VALUE",
        action="append",
        default=[],
        dest="assignments",
        help="override one notebook parameter; may be repeated",
    )
    parser.add_argument(
        "--quick",
        action="store_true",
        help="give the short answer only, in seconds, and write no record: what decides the next drive",
    )
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Check everything, run the notebooks, say where the record is; the exit code."""
    from tunelab.record.notebook import choose_notebooks, notebooks_folder
    from tunelab.record.opened import open_session, require_sessions, settings_for

    opened = open_session(Path(arguments.session))
    steps = tuple(opened.folder.session.steps)
    names, kind = tuple(arguments.notebook), opened.car.load_from
    notebooks = choose_notebooks(notebooks_folder(), steps, names, load_from=kind)
    settings = settings_for(notebooks, arguments.assignments)
    require_sessions(opened, settings)
    if arguments.quick:
        return _answer_quickly(opened, notebooks, settings, arguments)
    return _record(opened, notebooks, settings, arguments)


def _answer_quickly(
    opened: OpenedSession,
    notebooks: Sequence[Notebook],
    settings: Mapping[str, Mapping[str, Value]],
    arguments: argparse.Namespace,
) -> int:
    from tunelab.record.quick import answer_quickly

    if arguments.out:
        raise ValueError("--quick writes no record, so --out has no use; leave one of them out.")
    answer = answer_quickly(opened, notebooks, settings)
    for sentence in opened.workspace.left_out():
        complain(sentence)
    failed = _say_answer(answer.runs, answer.stopped, answer.short)
    say(
        "this is the short answer only, and no record was written; without --quick it comes with one. "
        "What was fitted is kept in records/.driven where it can be, so asking again takes less time"
    )
    return 1 if failed else 0


def _record(
    opened: OpenedSession,
    notebooks: Sequence[Notebook],
    settings: Mapping[str, Mapping[str, Value]],
    arguments: argparse.Namespace,
) -> int:
    from tunelab.record.session import record_session

    record = record_session(opened, notebooks, settings, place=Path(arguments.out) if arguments.out else None)
    for sentence in opened.workspace.left_out():
        complain(sentence)
    if record.good:
        complain(f"an analysis failed, so the earlier record stays: {record.good}")
    if record.kept:
        say(f"the earlier record is kept in {record.kept}")
    failed = _say_answer(record.runs, record.stopped, record.short)
    say(f"open {record.index}")
    return 1 if failed else 0


def _say_answer(runs: Sequence[Run | Ran], stopped: Sequence[str], short: Sequence[str]) -> bool:
    """Say what failed, what withheld a proposal, and the short answer; whether anything failed."""
    from tunelab.record.short import LABEL_WIDTH

    failed = [run for run in runs if run.failed]
    for run in failed:
        complain(f"{run.notebook.name} failed: {run.failure}")
    for check in stopped:
        say(f"nothing is proposed. {check}")
    for line in short:
        say_folded(line, hang=LABEL_WIDTH)
    return bool(failed)
