"""`tunelab compare`: two sessions or revisions, and what is more than noise."""

from __future__ import annotations

import argparse
from pathlib import Path

from tunelab.cli.terminal import say, say_folded

DESCRIPTION = """\
Compare two sessions or two revisions: what changed in the ECU, and which differences in the
logs and findings are more than noise. The chance of any false alarm is at most 5 %.
"""
EPILOG = """\
exit status: 0 compared; 2 bad arguments or files that cannot be used
example: tunelab compare r01 r02 my-car
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "compare",
        help="show what changed between two drives or revisions, beyond noise",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("before", metavar="A", help="name of a session, or of a revision for all its sessions")
    parser.add_argument("after", metavar="B", help="the other one")
    parser.add_argument("workspace", metavar="PATH", nargs="?", default=".", help="the workspace (default: here)")
    parser.add_argument("--csv", metavar="FILE", help="write the table of differences as well")
    parser.add_argument("--page", metavar="FILE", help="write a page of it as well, such as compared.html")
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Print what is more than noise; the exit code."""
    from tunelab.record.comparing import compare, comparison_page, shown_changes
    from tunelab.record.place import write_whole
    from tunelab.record.table import table_text
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
