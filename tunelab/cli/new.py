"""`tunelab new`: a commented workspace to fill in."""

from __future__ import annotations

import argparse

from tunelab.cli.terminal import say

DESCRIPTION = """\
Write a commented workspace to fill in: car.toml, channels.toml, a first revision and a first session.

It holds no number that you have not entered: until every "fill in" is replaced, each command that
reads the workspace lists what is left.
"""
EPILOG = """\
exit status: 0 written; 2 something is already there, and nothing was written
example: tunelab new my-car
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "new",
        help="write a commented workspace to fill in",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("dir", metavar="DIR", help="folder of the new workspace; made if it is not there")
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Write the workspace and say what to do next; the exit code."""
    from tunelab.workspace import create_workspace

    for path in create_workspace(arguments.dir):
        say(f"wrote {path}")
    say('Replace every "fill in", rename the session folder to its date, and put the raw logs into it.')
    return 0
