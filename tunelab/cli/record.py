"""`tunelab record`: analyse one session and write its record."""

from __future__ import annotations

import argparse
from pathlib import Path

from tunelab.cli.terminal import complain, say, say_folded

DESCRIPTION = "Analyse one drive session and write its record: executed notebooks, HTML, results.json."
EPILOG = """\
exit status: 0 record written; 1 an analysis failed (its record, with the failure on its first page, never takes
             the place of one without a failure: it then goes to records/<session>.failed);
             2 bad arguments or a log that cannot be read (nothing written)
example: tunelab record my-car/sessions/2026-05-03-steady
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
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Check everything, run the notebooks, say where the record is; the exit code."""
    from tunelab.record.notebook import choose_notebooks, notebooks_folder
    from tunelab.record.opened import open_session
    from tunelab.record.session import record_session
    from tunelab.record.setting import require_sessions, settings_for
    from tunelab.record.short import LABEL_WIDTH

    opened = open_session(Path(arguments.session))
    steps = tuple(opened.folder.session.steps)
    notebooks = choose_notebooks(notebooks_folder(), steps, tuple(arguments.notebook))
    settings = settings_for(notebooks, arguments.assignments)
    require_sessions(opened, settings)
    record = record_session(opened, notebooks, settings, place=Path(arguments.out) if arguments.out else None)
    for sentence in opened.workspace.left_out():
        complain(sentence)
    if record.good:
        complain(f"an analysis failed, so the record of before stays in force: {record.good}")
    if record.kept:
        say(f"the earlier record is kept in {record.kept}")
    for failed in (run for run in record.runs if run.failed):
        complain(f"{failed.notebook.name} failed: {failed.failure}")
    for check in record.stopped:
        say(f"nothing is proposed. {check}")
    for line in record.short:
        say_folded(line, hang=LABEL_WIDTH)
    say(f"open {record.index}")
    return 1 if record.failed else 0
