"""`tunelab record`, `compare` and `ready`: what drives show."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tunelab.cli import complain, say, say_folded
from tunelab.lazy import without_dask

if TYPE_CHECKING:
    from tunelab.record.driven import Decided
    from tunelab.record.execute import Run
    from tunelab.record.notebook import Notebook, Value
    from tunelab.record.opened import OpenedSession
    from tunelab.record.quick import Ran

RECORD_DESCRIPTION = "Analyse one drive session and write its record: executed notebooks, HTML, results.json."
RECORD_EPILOG = """\
exit status: 0 record written; 1 an analysis failed (its record, with the failure on its first page, never takes
             the place of one without a failure: it then goes to records/<session>.failed);
             2 bad arguments or a log that cannot be read (nothing written)
examples: tunelab record my-car/sessions/2026-05-03-steady
          tunelab record --quick my-car/sessions/2026-05-03-steady
"""


def add_record(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "record", help="analyse one session and write its record", description=RECORD_DESCRIPTION, epilog=RECORD_EPILOG
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


def run_record(arguments: argparse.Namespace) -> int:
    """Check everything, run the notebooks, say where the record is; the exit code."""
    with without_dask():
        return _run_record(arguments)


def _run_record(arguments: argparse.Namespace) -> int:
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
    from tunelab.record.kernels import kernels_copied

    with kernels_copied(notebook.path for notebook in notebooks):  # which load while this process loads
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
    from tunelab.record.answer import LABEL_WIDTH

    failed = [run for run in runs if run.failed]
    for run in failed:
        complain(f"{run.notebook.name} failed: {run.failure}")
    for check in stopped:
        say(f"nothing is proposed. {check}")
    for line in short:
        say_folded(line, hang=LABEL_WIDTH)
    return bool(failed)


COMPARE_DESCRIPTION = """\
Compare two sessions or two revisions: what changed in the ECU, and which differences in the
logs and findings are more than noise. The chance of any false alarm is at most 5 %.
"""
COMPARE_EPILOG = """\
exit status: 0 compared; 2 bad arguments or files that cannot be used
example: tunelab compare r01 r02 my-car
"""


def add_compare(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "compare",
        help="show what changed between two drives or revisions, beyond noise",
        description=COMPARE_DESCRIPTION,
        epilog=COMPARE_EPILOG,
    )
    parser.add_argument("before", metavar="A", help="name of a session, or of a revision for all its sessions")
    parser.add_argument("after", metavar="B", help="the other one")
    parser.add_argument("workspace", metavar="PATH", nargs="?", default=".", help="the workspace (default: here)")
    parser.add_argument("--csv", metavar="FILE", help="write the table of differences as well")
    parser.add_argument("--page", metavar="FILE", help="write a page of it as well, such as compared.html")


def run_compare(arguments: argparse.Namespace) -> int:
    """Print what is more than noise; the exit code."""
    from tunelab.record.chapter import table_text
    from tunelab.record.comparing import compare, comparison_page, shown_changes
    from tunelab.record.place import write_whole
    from tunelab.workspace import find_workspace

    names = [Path(name).name for name in (arguments.before, arguments.after)]
    found = compare(find_workspace(Path(arguments.workspace)), *names)
    for side, word in ((found.before, "before"), (found.after, "after")):
        say_folded(f"{word}: {side.name} ({', '.join(side.sessions)}; {', '.join(side.revisions)})", hang=2)
    told = (("In the ECU:", shown_changes(found)), ("In logs and findings:", found.sentences()))
    for heading, lines in told:
        say(f"\n{heading}")
        for line in lines:
            say_folded(f"- {line}", hang=2)
    if arguments.csv:
        write_whole(Path(arguments.csv), table_text(found.table()))
        say(f"open {arguments.csv}")
    if arguments.page:
        write_whole(Path(arguments.page), comparison_page(found))
        say(f"open {arguments.page}")
    return 0


READY_DESCRIPTION = """\
Judge from all records whether the car may run with the revision that is in it: each gate met, watch,
stop or not shown, with its record. This is evidence about the logs, no certificate. With the day of an
event: what is left to show, how many drives that took so far, and when the old parts must go back in.
"""
READY_EPILOG = """\
exit status: 0 may run, within bounds where it says so; 1 may not run, or not shown; 2 bad arguments or files
example: tunelab ready my-car --event 2026-06-10 --until 2026-06-08 --swap-days 2
"""


def add_ready(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "ready",
        help="say whether the logs show that the car may run",
        description=READY_DESCRIPTION,
        epilog=READY_EPILOG,
    )
    parser.add_argument("workspace", metavar="PATH", nargs="?", default=".", help="the workspace (default: here)")
    parser.add_argument("--revision", metavar="NAME", help="the one in the car (default: the newest by date)")
    parser.add_argument("--event", metavar="DATE", default="", help="day of the event, such as 2026-06-10")
    parser.add_argument(
        "--until", metavar="DATE", default="", help="last day to work and drive (default: the day before the event)"
    )
    parser.add_argument(
        "--swap-days", metavar="DAYS", type=int, default=1, help="days to put the old parts back and try them (1)"
    )
    parser.add_argument("--page", action="store_true", help="write the pages records/decisions as well")


def run_ready(arguments: argparse.Namespace) -> int:
    """Print the verdict with its bounds, the gates, what is left before the event; the exit code."""
    from tunelab.record.decisions import plan_for_event, write_decisions
    from tunelab.record.driven import decide
    from tunelab.record.history import write_shelf
    from tunelab.record.stored import RECORDS
    from tunelab.study.drive_plan import cautions_for
    from tunelab.workspace import find_workspace

    root = find_workspace(Path(arguments.workspace))
    decided = decide(root, arguments.revision)
    plan = plan_for_event(decided, arguments.event, arguments.until, today="", swap_days=arguments.swap_days)
    _say_readiness(decided)
    if plan:
        say(f"\nUntil the event on {plan.calendar.event}:")
    for sentence in plan.sentences if plan else ():
        say_folded(f"- {sentence}", hang=2)
    say("\nBefore you drive:")
    for sentence in cautions_for(decided.workspace.car):
        say_folded(f"- {sentence}", hang=2)
    if arguments.page:
        parameters = {"revision": arguments.revision or "", "event": arguments.event, "until": arguments.until}
        written = write_decisions(root, {"readiness": {**parameters, "swap_days": arguments.swap_days}})
        for failure in written.failures:
            complain(failure)
        say(f"open {written.index}")
    elif (root / RECORDS).is_dir():
        try:
            write_shelf(root)  # which says the verdict above all records
        except OSError as error:
            complain(f"{RECORDS}/index.html stays as it was: {error}")
    return 0 if decided.readiness.verdict.startswith("may run") else 1


def _say_readiness(decided: Decided) -> None:
    """Say the verdict with its bounds, the gates, and what does not count toward them."""
    from tunelab.record.decisions import gate_lines, to_settle
    from tunelab.record.driven import readiness_answer

    readiness = decided.readiness
    say_folded(readiness_answer(readiness), hang=2)
    for sentence in to_settle(readiness):
        say_folded(f"- {sentence}", hang=2)
    say_folded(readiness.caution, hang=0)
    say("\nChecks, the worst first:")
    for line in gate_lines(readiness):
        say_folded(line, hang=11)
    if decided.unrecorded:
        say_folded(f"Not recorded yet, so not counted: {', '.join(decided.unrecorded)}.", hang=2)
    for sentence in decided.left_out:
        say_folded(f"Not counted: {sentence}", hang=2)
    if decided.read:
        complain(decided.read)
    for sentence in decided.changed:
        say_folded(f"In doubt: {sentence}", hang=2)
