"""`tunelab ready`: whether the logs show that the car may run."""

from __future__ import annotations

import argparse
from pathlib import Path

from tunelab.cli.terminal import complain, say, say_folded

DESCRIPTION = """\
Judge from all records whether the car may run with the revision that is in it: each gate met, watch,
stop or not shown, with its record. This is evidence about the logs, no certificate. With the day of an
event: what is left to show, how many drives that took so far, and when the old parts must go back in.
"""
EPILOG = """\
exit status: 0 may run, within bounds where it says so; 1 may not run, or not shown; 2 bad arguments or files
example: tunelab ready my-car --event 2026-06-10 --until 2026-06-08 --swap-days 2
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "ready",
        help="say whether the logs show that the car may run",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
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
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Print the verdict with its bounds, the gates, what is left before the event; the exit code."""
    from tunelab.record.deciding import decide
    from tunelab.record.decisions import gate_lines, plan_for_event, write_decisions
    from tunelab.record.shelf import write_shelf
    from tunelab.record.stored import RECORDS
    from tunelab.study.cautions import cautions_for
    from tunelab.workspace import find_workspace

    root = find_workspace(Path(arguments.workspace))
    decided = decide(root, arguments.revision)
    plan = plan_for_event(decided, arguments.event, arguments.until, today="", swap_days=arguments.swap_days)
    readiness = decided.readiness
    say_folded(f"With {readiness.revision} in the car: {readiness.verdict}. {readiness.because}", hang=2)
    for bound in readiness.bounds if readiness.verdict == "may run within bounds" else ():
        say_folded(f"- {bound}", hang=2)
    say_folded(readiness.caution, hang=0)
    say("\nGates, the worst first:")
    for line in gate_lines(readiness):
        say_folded(line, hang=11)
    for question in readiness.asked:
        say_folded(f"Asked of you: {question}", hang=2)
    if decided.unrecorded:
        say_folded(f"Not recorded yet, so not counted: {', '.join(decided.unrecorded)}.", hang=2)
    for sentence in decided.left_out:
        say_folded(f"Not counted: {sentence}", hang=2)
    if decided.read:
        complain(decided.read)
    for sentence in decided.changed:
        say_folded(f"In doubt: {sentence}", hang=2)
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
