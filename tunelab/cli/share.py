"""`tunelab share`, `open` and `archive`: records given away, opened again, and of many cars."""

from __future__ import annotations

import argparse
from contextlib import AbstractContextManager
from pathlib import Path

from tunelab.cli import complain, say, spread

SHARE_DESCRIPTION = """\
Put records into one zip: pages, notebooks, results, tables, the cleaned log, the car and its revisions,
and answers given to them. Position, place, chassis numbers, number plates, e-mail addresses, telephone
numbers, addresses of computers and paths of this one are taken out of everything, names of files included,
and a list of what was taken out goes along. What may have been something else goes too, and is named.
"""
SHARE_EPILOG = """\
exit status: 0 zip written; 2 bad arguments, or something private that could not be taken out (nothing written)
example: tunelab share my-car/records/2026-05-03-steady --out for-the-helper.zip
"""


def add_share(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "share",
        help="put records into one zip, what is private taken out",
        description=SHARE_DESCRIPTION,
        epilog=SHARE_EPILOG,
    )
    parser.add_argument("records", metavar="RECORD", nargs="+", help="folder of a record, such as my-car/records/NAME")
    parser.add_argument("--out", metavar="ZIP", help="where the zip goes (default: <first record>.zip)")
    parser.add_argument("--raw", action="store_true", help="the raw logs go along too, cleaned copies of them")
    parser.add_argument("--keep-place", action="store_true", help="leave place and position in")
    parser.add_argument("--hide-names", action="store_true", help="take drivers' and authors' names out as well")


def run_share(arguments: argparse.Namespace) -> int:
    """Write the zip and say what was taken out; the exit code."""
    from tunelab.record.share import Wanted, share_records

    records = [Path(record) for record in spread(arguments.records)]
    target = Path(arguments.out or f"{records[0].resolve().name}.zip")
    if target.suffix.casefold() != ".zip":
        target = target.with_name(f"{target.name}.zip")
    wanted = Wanted(keep_place=arguments.keep_place, hide_names=arguments.hide_names, raw=arguments.raw)
    shared = share_records(records, target, wanted)
    size = shared.path.stat().st_size / 1e6
    count = "1 record" if len(shared.records) == 1 else f"{len(shared.records)} records"
    say(f"{shared.path}: {count}, {size:.1f} MB; begin with index.html at its top")
    if shared.removed.empty:
        say("nothing private was found in it")
    else:
        say(f"taken out, {int(shared.removed['times'].sum())} times in all:")
        counts = shared.removed.groupby(["kind", "instead"])["times"].sum()
        for (kind, word), times in counts.items():
            original = shared.originals.get(word, "")
            doubt = f" ({shared.doubts[word]}: may have been something else)" if word in shared.doubts else ""
            say(f"  {kind}: {original + ' → ' if original else ''}{word}, {times} times{doubt}")
    say("look through it before you send it: only you know what else is private")
    return 0


OPEN_DESCRIPTION = """\
Open a zip that `tunelab share` wrote: check every name, size and hash, put it into a workspace, and run
its records again from the cleaned logs, by the kit's own notebooks, to see whether the same numbers come
out. Nothing in the zip is ever run, its pages are shown without script, and nothing of yours is
overwritten. Answers that came along join the history.
"""
OPEN_EPILOG = """\
exit status: 0 opened, and the same numbers came out; 1 opened, and some numbers differ (listed);
               or a record could not be run again (said);
             2 not opened: bad arguments or a zip that cannot be trusted (nothing written)
example: tunelab open 2026-05-03-steady.zip their-car
"""


def add_open(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "open", help="open a shared zip, check it and run it again", description=OPEN_DESCRIPTION, epilog=OPEN_EPILOG
    )
    parser.add_argument("zip", metavar="ZIP", help="a zip that `tunelab share` wrote")
    parser.add_argument(
        "workspace",
        metavar="DIR",
        nargs="?",
        help="a workspace of the same car, or a folder to make (default: named like the zip, beside it)",
    )
    parser.add_argument("--no-run", action="store_true", help="put it in place without running the records again")


def run_open(arguments: argparse.Namespace) -> int:
    """Open, run again, say what differs; the exit code."""
    from tunelab.record.share import ANSWER_FILE, ANSWERS, is_blank, open_shared, run_again
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


ARCHIVE_DESCRIPTION = """\
Analyse every session of every car below a folder, again only where a log, a setting, a parameter or
a version has changed, and gather what was found into Parquet data sets that can be asked across cars.
A session that fails does not stop the rest. Stopped half-way, the next run goes on from there. The
cars' own folders are not changed.
"""
ARCHIVE_EPILOG = """\
findings.parquet has one row per finding with car, session, date, revision, status, value and interval;
sessions.parquet one row per session; tables/NAME.parquet the tables of all records, such as meter_curve.
exit status: 0 all analysed that have a log and a step served; 1 some sessions or cars failed (listed);
2 bad arguments
example: tunelab archive cars
         tunelab archive cars --scheduler tcp://10.0.0.5:8786   (a Dask cluster of your own: it runs what it is sent)
"""
SHOWN = 20  # failures that are listed


def add_archive(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "archive",
        help="analyse all sessions of many cars, only what changed",
        description=ARCHIVE_DESCRIPTION,
        epilog=ARCHIVE_EPILOG,
    )
    parser.add_argument("folder", metavar="FOLDER", help="folder with workspaces of cars in it, at any depth")
    parser.add_argument("--out", metavar="DIR", help="the archive's own folder (default: FOLDER/archive)")
    parser.add_argument(
        "--notebook",
        metavar="NAME",
        action="append",
        default=[],
        help="only this analysis; may be repeated (default: all that serve a session's steps)",
    )
    parser.add_argument(
        "--set",
        metavar="NAME=VALUE",
        action="append",
        default=[],
        dest="assignments",
        help="override one notebook parameter; may be repeated",
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--workers", metavar="N", type=_count, help="processes (default: one for each processor)")
    where.add_argument("--scheduler", metavar="ADDRESS", help="use the Dask cluster at this address instead")
    parser.add_argument("--pages", action="store_true", help="make each record with its pages too; much slower")


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}: wanted a whole number, 1 or more")
    return int(text)


def run_archive(arguments: argparse.Namespace) -> int:
    """Analyse what is due, say what came out; the exit code."""
    from tunelab.record.archive import Wanted, run_archive, standard_notebooks
    from tunelab.record.opened import settings_for

    notebooks = standard_notebooks(tuple(arguments.notebook))
    wanted = Wanted(notebooks, settings_for(notebooks, arguments.assignments), arguments.pages)
    folder = Path(arguments.folder).resolve()
    out = Path(arguments.out).resolve() if arguments.out else folder / "archive"
    done = run_archive(folder, out, wanted, _client(arguments, folder, out))
    say(f"cars: {done.cars}; sessions: {done.sessions}, {done.run} analysed now, {done.sessions - done.run} as before")
    if done.not_driven:
        say(f"sessions without a log yet: {done.not_driven}")
    if done.not_served:
        say(f"sessions with no step that these analyses serve, left alone: {done.not_served}")
    for place, because in list(done.failures.items())[:SHOWN]:
        complain(f"{place} failed: {because}")
    if len(done.failures) > SHOWN:
        complain(f"and {len(done.failures) - SHOWN} more; see failure in {done.out / 'sessions.parquet'}")
    for name, rows in done.rows.items():
        say(f"{done.out / name}: {rows} rows")
    return 1 if done.failures else 0


def _client(arguments: argparse.Namespace, folder: Path, out: Path) -> AbstractContextManager:
    import os

    from tunelab.record.archive import client_of, local_client

    if arguments.scheduler:
        return client_of(arguments.scheduler, folders=[folder, out])
    return local_client(arguments.workers or os.cpu_count() or 1)
