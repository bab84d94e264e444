"""`tunelab open`: a shared zip into a workspace, checked, and run again."""

from __future__ import annotations

import argparse
from pathlib import Path

from tunelab.cli.terminal import complain, say

DESCRIPTION = """\
Open a zip that `tunelab share` wrote: check every name, size and hash, put it into a workspace, and run
its records again from the cleaned logs, by the kit's own notebooks, to see whether the same numbers come
out. Nothing in the zip is ever run, its pages are shown without script, and nothing of yours is
overwritten. Answers that came along join the history.
"""
EPILOG = """\
exit status: 0 opened, and the same numbers came out; 1 opened, and some numbers differ (listed);
               or a record could not be run again (said);
             2 not opened: bad arguments or a zip that cannot be trusted (nothing written)
example: tunelab open 2026-05-03-steady.zip their-car
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "open",
        help="open a shared zip, check it and run it again",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("zip", metavar="ZIP", help="a zip that `tunelab share` wrote")
    parser.add_argument(
        "workspace",
        metavar="DIR",
        nargs="?",
        help="a workspace of the same car, or a folder to make (default: named like the zip, beside it)",
    )
    parser.add_argument("--no-run", action="store_true", help="put it in place without running the records again")
    return parser


def run(arguments: argparse.Namespace) -> int:
    """Open, run again, say what differs; the exit code."""
    from tunelab.record.share import open_shared, run_again
    from tunelab.record.share.answer import ANSWER_FILE, ANSWERS, is_blank
    from tunelab.workspace.disk import say_error

    path = Path(arguments.zip)
    root = Path(arguments.workspace) if arguments.workspace else path.with_suffix("")
    opened = open_shared(path, root)
    say(f"opened into {opened.root}")
    for kept in opened.kept:
        say(f"the earlier record is kept in {kept}")
    for answer in opened.answers:
        say(f"an answer: {answer}")
    for record in opened.here_before:
        say(f"{record} was there already, with the same findings; it stays as it is")
    differ, failed = False, []
    for record in opened.records if not arguments.no_run else ():
        try:
            again = run_again(record, opened.session_of(record))
        except (ValueError, OSError) as error:
            complain(f"{record.name}: could not be run again: {say_error(error)}")
            differ = True
            failed.append(record)
            continue
        differ |= not again.is_same
        if again.is_same:
            say(f"{record.name}: run again, the same numbers ({again.compared} compared)")
        else:
            complain(f"{record.name}: run again, {len(again.differences)} of {again.compared} differ")
            complain(again.differences.head(20).to_string(index=False))
    for record in (*opened.records, *opened.here_before):
        _say_page(record, is_run=not arguments.no_run or record in opened.here_before, is_failed=record in failed)
        form = opened.root / ANSWERS / opened.session_of(record).name / ANSWER_FILE
        if form.is_file() and is_blank(form):
            say(f"to answer: fill in {form}, then send back what this makes: tunelab share {record}")
    return 1 if differ else 0


def _say_page(record: Path, *, is_run: bool, is_failed: bool) -> None:
    """Point at a page that was made here; the sender's is named as such, and after a failed run not offered."""
    if is_failed:
        say(f"{record.name}: no page was made here; what lies in {record} is the sender's, shown without script")
    elif is_run:
        say(f"open {record / 'index.html'}")
    else:
        say(f"the sender's page, shown without script: {record / 'index.html'}")
