"""`tunelab plan`: which holds are still to drive."""

from __future__ import annotations

import argparse
from pathlib import Path

from tunelab.cli.terminal import say

DESCRIPTION = """\
Name the holds that are still to drive: gear, engine speed, airflow, about what throttle or brake,
seconds. The owner's limits are the authority; nothing goes past them.
"""
EPILOG = """\
exit status: 0 done; 2 bad arguments or files that cannot be used
example: tunelab plan my-car --top-speed 90 --html plan.html
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
        "path", metavar="PATH", help="a session's folder, or a workspace for all steady sessions together"
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
    from tunelab.record.plan import plan_sentence, plan_table
    from tunelab.record.planning import plan_for

    planned = plan_for(Path(arguments.path), arguments.top_speed)
    if arguments.html:
        Path(arguments.html).write_text(planned.html(), encoding="utf-8")
        say(f"open {arguments.html}")
        return 0
    say(f"{planned.title}\n\n{plan_sentence(planned.plan)}\n")
    if planned.plan.holds:
        say(plan_table(planned.plan).to_string(index=False, na_rep="-") + "\n")
    for sentence in (*planned.plan.notes, *planned.plan.cautions):
        say(f"- {sentence}")
    return 0
