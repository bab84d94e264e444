"""`tunelab archive`: the standard analysis over the sessions of many cars."""

from __future__ import annotations

import argparse
from contextlib import AbstractContextManager
from pathlib import Path

from tunelab.cli.terminal import complain, say

DESCRIPTION = """\
Analyse every session of every car below a folder, again only where a log, a setting, a parameter or
a version has changed, and gather what was found into Parquet data sets that can be asked across cars.
A session that fails does not stop the rest. Stopped half-way, the next run goes on from there. The
cars' own folders are not changed.
"""
EPILOG = """\
findings.parquet has one row per finding with car, session, date, revision, status, value and interval;
sessions.parquet one row per session; tables/NAME.parquet the tables of all records, such as meter_curve.
exit status: 0 all analysed that have a log and a step served; 1 some sessions or cars failed (listed);
2 bad arguments
example: tunelab archive cars
         tunelab archive cars --scheduler tcp://10.0.0.5:8786   (a Dask cluster of your own: it runs what it is sent)
"""
SHOWN = 20  # failures that are listed


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "archive",
        help="analyse all sessions of many cars, only what changed",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
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
    return parser


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}: wanted a whole number, 1 or more")
    return int(text)


def run(arguments: argparse.Namespace) -> int:
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
