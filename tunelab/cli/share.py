"""`tunelab share`: one zip for the helper, what is private taken out."""

from __future__ import annotations

import argparse
from pathlib import Path

from tunelab.cli.terminal import say, spread

DESCRIPTION = """\
Put records into one zip: pages, notebooks, results, tables, the cleaned log, the car and its revisions,
and answers given to them. Position, place, chassis numbers, number plates, e-mail addresses, telephone
numbers, addresses of computers and paths of this one are taken out of everything, names of files included,
and a list of what was taken out goes along. What may have been something else goes too, and is named.
"""
EPILOG = """\
exit status: 0 zip written; 2 bad arguments, or something private that could not be taken out (nothing written)
example: tunelab share my-car/records/2026-05-03-steady --out for-the-helper.zip
"""


def add_parser(subparsers: argparse._SubParsersAction) -> argparse.ArgumentParser:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "share",
        help="put records into one zip, what is private taken out",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("records", metavar="RECORD", nargs="+", help="folder of a record, such as my-car/records/NAME")
    parser.add_argument("--out", metavar="ZIP", help="where the zip goes (default: <first record>.zip)")
    parser.add_argument("--raw", action="store_true", help="the raw logs go along too, cleaned copies of them")
    parser.add_argument("--keep-place", action="store_true", help="leave place and position in")
    parser.add_argument("--hide-names", action="store_true", help="take drivers' and authors' names out as well")
    return parser


def run(arguments: argparse.Namespace) -> int:
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
