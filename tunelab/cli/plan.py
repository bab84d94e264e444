"""`tunelab plan`: which holds are still to drive."""

from __future__ import annotations

import argparse
import difflib
from pathlib import Path
from typing import Any

from tunelab.cli.terminal import complain, say, say_folded

STEPS = ("steady", "part-throttle", "full-throttle", "road", "coast-down", "launch", "link")
DESCRIPTION = """\
With STEP: one sheet to print and take along: what to drive, in which gear and how fast, what to log,
when to stop and what the passenger watches, from the car's own numbers. Without STEP: name the holds
that are still to drive: gear, engine speed, airflow, about what throttle or brake, seconds. The owner's
limits are the authority; nothing goes past them.
"""
EPILOG = """\
exit status: 0 done; 2 bad arguments or files that cannot be used
examples: tunelab plan full-throttle my-car --html sheet.html
          tunelab plan my-car --top-speed 90
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "plan",
        help="name the holds that are still to drive",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument(
        "what",
        metavar="[STEP] [PATH]",
        nargs="*",
        help=f"a step ({', '.join(STEPS)}), then a workspace (default: here); without a step also a session's folder",
    )
    parser.add_argument(
        "--top-speed",
        metavar="KM_H",
        type=float,
        help="highest road speed that may be driven there, in km/h (default: the owner's limit)",
    )
    parser.add_argument("--html", metavar="FILE", help="write the plan as a page to print, in place of text")
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Print the plan or write its page; the exit code."""
    step, path = _step_and_path(arguments.what)
    if step:
        return _print_sheet(step, path, arguments)
    from tunelab.record.plan import plan_for, plan_sentence, plan_table
    from tunelab.workspace import find_workspace, open_usable

    if path.exists() and open_usable(find_workspace(path)).car.has_table:
        return _plan_table(path, arguments)
    planned = plan_for(path, arguments.top_speed)
    if _is_page(planned, arguments):
        return 0
    say(planned.title + "\n")
    if planned.first:
        say(planned.first + "\n")
    say(plan_sentence(planned.plan) + "\n")
    if planned.plan.holds:
        table = plan_table(planned.plan)
        say(table.drop(columns="why").to_string(index=False, na_rep="-") + "\n")
        for why, rows in table.groupby("why", sort=False):
            say_folded(f"{', '.join(rows['no.'])}: {why}", hang=2)
        say()
    for sentence in (*planned.plan.notes, *planned.plan.cautions):
        say_folded(f"- {sentence}", hang=2)
    return 0


def _plan_table(path: Path, arguments: argparse.Namespace) -> int:
    """Plan in the cells of the table that the car's ECU takes the air from."""
    from tunelab.record.filling import plan_table_drive

    planned = plan_table_drive(path, arguments.top_speed)
    if _is_page(planned, arguments):
        return 0
    for line in planned.lines():
        say_folded(line, hang=2) if line.startswith("- ") else say(line)
    return 0


def _step_and_path(what: list[str]) -> tuple[str, Path]:
    """Tell a step from a path; a path named like a step is reached as ./steady."""
    step = what[0] if what and what[0] in STEPS else ""
    rest = what[1:] if step else what
    if len(rest) > 1:
        hint = difflib.get_close_matches(rest[0], STEPS, n=1)
        near = f"; the nearest is {hint[0]}" if hint else ""
        raise ValueError(f"{rest[0]!r} is no step (there are {', '.join(STEPS)}){near}; wanted STEP PATH, or PATH.")
    return step, Path(rest[0] if rest else ".")


def _print_sheet(step: str, path: Path, arguments: argparse.Namespace) -> int:
    from tunelab.record.step_sheet import print_sheet

    sheet = print_sheet(step, path, arguments.top_speed)
    if _is_page(sheet, arguments):
        return 0
    say(sheet.text())
    return 0


def _is_page(planned: Any, arguments: argparse.Namespace) -> bool:
    """Say what stands beside a plan; write it as a page where one is asked for, and say whether it was."""
    from tunelab.record.place import write_whole

    for sentence in planned.asides:
        complain(sentence)
    if arguments.html:
        write_whole(Path(arguments.html), planned.html())
        say(f"open {arguments.html}")
    return bool(arguments.html)
