"""`tunelab demo`: a demo workspace to look at and play with, and its first record."""

from __future__ import annotations

import argparse
from pathlib import Path

from tunelab.cli.terminal import complain, say, say_folded

DESCRIPTION = """\
Copy the demo workspace, record its first steady session, and print where the page is. The car,
its owner and all numbers are invented. Nothing that exists is overwritten.
"""
EPILOG = """\
exit status: 0 record written; 1 an analysis failed; 2 the folder exists already
example: tunelab demo
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "demo",
        help="make a demo workspace and its first record",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "dir", metavar="DIR", nargs="?", default="tunelab-demo", help="where it goes (default: %(default)s)"
    )
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Copy, record, say where; the exit code."""
    from tunelab.record.demo import copy_demo, first_steady_session
    from tunelab.record.notebook import choose_notebooks, notebooks_folder
    from tunelab.record.session import record_session
    from tunelab.record.short import LABEL_WIDTH

    root = copy_demo(Path(arguments.dir))
    say(f"copied the demo workspace to {root}")
    opened = first_steady_session(root)
    notebooks = choose_notebooks(
        notebooks_folder(), tuple(opened.folder.session.steps), (), load_from=opened.car.load_from
    )
    record = record_session(opened, notebooks, {})
    for failed in (run for run in record.runs if run.failed):
        complain(f"{failed.notebook.name} failed: {failed.failure}")
    for line in record.short:
        say_folded(line, hang=LABEL_WIDTH)
    say(f"open {record.index}")
    return 1 if record.failed else 0
