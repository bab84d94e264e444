"""`tunelab inspect`: what a log holds, before anything is set up."""

from __future__ import annotations

import argparse
import math
import unicodedata
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from tunelab.cli import complain, plain, say, spread

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tunelab.log.inspect import ColumnView, Inspection
    from tunelab.workspace import ChannelMap, Workspace

INSPECT_DESCRIPTION = """\
Show what log files hold: how they are written, which column is which channel and how sure that is,
rates, gaps, ranges, rows set aside, and what is missing for which step. Files are only read.
Inside a workspace its car and channels.toml are used; none is needed.
"""
INSPECT_EPILOG = """\
how sure: said (by channels.toml), stated (by the file), likely (from the numbers: only one fits),
          open (say which in channels.toml), none (no channel)
an open column stops a session where one of its steps needs it; elsewhere it is left out, and the record says so
exit status: 0 all files shown; 1 a file could not be read; 2 bad arguments
example: tunelab inspect drive.csv --write channels.toml
"""
_NAME_WIDTH = 28


def add_inspect(subparsers: argparse._SubParsersAction) -> None:
    """Add the command to the main parser."""
    parser = subparsers.add_parser(
        "inspect", help="show what log files hold", description=INSPECT_DESCRIPTION, epilog=INSPECT_EPILOG
    )
    parser.add_argument("files", metavar="FILE", nargs="+", help="a log: delimited text, Parquet, netCDF or MDF 4")
    parser.add_argument(
        "--write",
        metavar="TOML",
        help="also write a starting channels.toml; to one that holds rules only what it has no answer for is added",
    )
    parser.add_argument(
        "--answers",
        metavar="TOML",
        help="a channels.toml from before, such as another car's with the same logger: its rules hold here too",
    )


def run_inspect(arguments: argparse.Namespace) -> int:
    """Show each file; the exit code."""
    from tunelab.log.inspect import inspect_file
    from tunelab.log.load import recall_from
    from tunelab.log.read import ReadError
    from tunelab.workspace import ChannelMap
    from tunelab.workspace.channel_map import read_channel_map
    from tunelab.workspace.disk import say_error

    try:
        written = _headings_in(Path(arguments.write)) if arguments.write else ()
        answers = read_channel_map(Path(arguments.answers)) if arguments.answers else ChannelMap()
    except (OSError, ValueError) as error:
        complain(say_error(error))
        return 2
    inspections, failed = [], False
    for name in spread(arguments.files):
        workspace = _find_workspace(Path(name))
        car = workspace.car if workspace else None
        try:
            own = workspace.channel_map if workspace else _map_beside(Path(name))
            channel_map = _with_answers(own, answers)
            recall = recall_from(workspace, Path(name)) if workspace else None
            inspection = inspect_file(Path(name), car, channel_map, recall=recall)
        except ReadError as error:
            complain(str(error))
            failed = True
            continue
        inspections.append(inspection)
        say("\n".join(show(inspection)))
        say()
    if arguments.answers and inspections:
        say(_answers_used(inspections, answers, arguments.answers))
    if arguments.write and inspections:
        _write(Path(arguments.write), inspections, written)
    return 1 if failed else 0


def _find_workspace(path: Path) -> Workspace | None:
    """Give the workspace that a file lies in; a workspace that is not yet filled in is named and left out."""
    from tunelab.workspace import WorkspaceError, find_workspace, open_usable

    try:
        root = find_workspace(path)
    except WorkspaceError:
        return None
    try:
        return open_usable(root)
    except WorkspaceError as error:
        first = plain(str(error).splitlines()[0])
        complain(f"the workspace cannot be used yet, so the log is read without the car: {first}")
        complain(f"tunelab plan {root} lists what is left to put right.")
        return None


def _map_beside(path: Path) -> ChannelMap:
    """Give the answers of a workspace that cannot be used yet: what was said of a column is not asked for again."""
    from tunelab.workspace import ChannelMap, WorkspaceError, find_workspace
    from tunelab.workspace.channel_map import read_channel_map

    try:
        return read_channel_map(find_workspace(path) / "channels.toml")
    except (OSError, WorkspaceError):
        return ChannelMap()


def _headings_in(path: Path) -> tuple[str, ...]:
    """Give the columns that a channels.toml speaks of, answered or still to fill in; none where there is no file."""
    import tomllib

    if not path.exists():
        return ()
    try:
        text = path.read_text(encoding="utf-8-sig")
        columns = tomllib.loads(text).get("column", [])
    except ValueError as error:
        raise ValueError(f"{path} is not TOML and is left as it is ({error}); name another file.") from None
    told = [line.removeprefix("# ") for line in text.splitlines() if line.startswith('# name = "')]
    columns = [*columns, *tomllib.loads("".join(f"[[column]]\n{line}\n" for line in told)).get("column", [])]
    return tuple(str(rule["name"]) for rule in columns if isinstance(rule, dict) and "name" in rule)


def _with_answers(own: ChannelMap, answers: ChannelMap) -> ChannelMap:
    """Give the rules of both; where both speak of a column the workspace's own hold."""
    return own.model_copy(update={"column": [*own.column, *answers.column]}) if answers.column else own


def _answers_used(inspections: Sequence[Inspection], answers: ChannelMap, name: str) -> str:
    from tunelab.workspace.channel_map import plain_heading

    asked = {plain_heading(rule.name).casefold() for rule in answers.column}
    here = {plain_heading(view.column.heading).casefold() for one in inspections for view in one.columns}
    text = f"{_count(len(asked & here), 'answer')} of {name} used"
    other = f"; {len(asked - here)} more speak of columns that are not here: another logger's, perhaps"
    return text + (other if asked - here else "")


def _write(path: Path, inspections: Sequence[Inspection], known: Sequence[str]) -> None:
    from tunelab.log.inspect import write_starting_map
    from tunelab.record.place import write_whole

    text = write_starting_map(inspections, known).rstrip("\n")
    if not text:
        say(f"{path} has an answer for every column already; nothing was added")
        return
    before = path.read_bytes().decode("utf-8") if path.exists() else ""
    write_whole(path.resolve(), before + ("\n" if before else "") + text + "\n")
    say(f"{'added to' if known else 'wrote'} {path}: go through it, and fill in what it asks for")


def fit(text: str, width: int) -> str:
    """Cut or pad one line of text to a width on screen; wide characters count as two."""
    text = plain(text).replace("\n", " ")
    shown, used = "", 0
    for character in text:
        size = _screen_width(character)
        if used + size > width:
            while shown and used > width - 1:
                used -= _screen_width(shown[-1])
                shown = shown[:-1]
            return shown + "…" + " " * (width - 1 - used)
        shown, used = shown + character, used + size
    return shown + " " * (width - used)


def _screen_width(character: str) -> int:
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def show(inspection: Inspection) -> Iterator[str]:
    """Lines that show one file, safe for a terminal."""
    yield plain(inspection.raw.path.name)
    yield from (f"  {line}" for line in _show_file(inspection))
    yield ""
    yield from (f"  {line}" for line in _show_columns(inspection.columns))
    for title, lines in (
        ("Not clean", list(_show_dirt(inspection))),
        ("To settle in channels.toml", list(inspection.to_settle)),
        ("What the steps need", list(_show_needs(inspection))),
    ):
        if lines:
            yield ""
            yield f"  {title}"
            yield from (f"    {plain(line.strip())}".replace("\n", "\n  ") for line in lines)


def _show_file(inspection: Inspection) -> Iterator[str]:
    raw, dialect = inspection.raw, inspection.raw.dialect
    words = [dialect.format]
    if dialect.format == "delimited text":
        marks = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
        words += [f"{marks[dialect.delimiter]} between fields", f"decimal {marks.get(dialect.decimal, 'point')}"]
        words += [
            dialect.encoding,
            f"names in line {dialect.header_line}" if dialect.header_line else "no heading line",
        ]
        words += [f"units in line {dialect.unit_line}"] if dialect.unit_line else []
    words += ["gzip"] if dialect.compression != "none" else []
    yield ", ".join(words)
    dropped = raw.rows_in - inspection.rows_kept
    yield f"{raw.rows_in} rows: {inspection.rows_kept} kept, {dropped} set aside; SHA-256 {raw.sha256[:16]}…"
    if inspection.clock is None:
        yield "no clock: see below"
        return
    gaps, episodes = inspection.gaps, inspection.episodes
    yield f"clock: {plain(inspection.clock.how)}"
    yield f"{_duration(inspection.span_s)} at {_rate(inspection.rate_hz)} in {_count(episodes, 'episode')}; " + (
        f"{_count(gaps.count, 'gap')} over {gaps.limit_s:.2g} s, the longest {gaps.longest_s:.3g} s"
        if gaps.count
        else "no gaps"
    )


def _show_columns(views: Sequence[ColumnView]) -> Iterator[str]:
    yield f"{fit('column', _NAME_WIDTH)}  {fit('channel', 19)} {fit('rate', 9)} {fit('range', 30)} {'sure':7} why"
    for view in sorted(views, key=lambda view: view.sure == "none"):
        rate = "" if math.isnan(view.rate_hz) else _rate(view.rate_hz)
        extent = "" if math.isnan(view.low) else f"{view.low:.5g} to {view.high:.5g} {_shown_unit(view.unit)}"
        channel = view.channel or ("?" if view.sure == "open" else "-")
        name = fit(view.column.key, _NAME_WIDTH)
        line = f"{name}  {fit(channel, 19)} {fit(rate, 9)} {fit(extent, 30)} {view.sure:7} "
        yield line + plain(view.why).replace("\n", " ")


def _shown_unit(unit: str) -> str:
    from tunelab.channels import DISPLAY_UNITS

    return "" if unit == "1" else DISPLAY_UNITS.get(unit, unit)


def _show_dirt(inspection: Inspection) -> Iterator[str]:
    if inspection.clock is None:
        yield inspection.clock_problem
    yield from (f"{_count(rows, 'row')} set aside: {reason}" for reason, rows in inspection.aside)
    yield from (*inspection.raw.notes, *inspection.clock_notes)
    rows = inspection.raw.frame.height
    for view in inspection.columns:
        column = view.column
        name = fit(column.key, _NAME_WIDTH).rstrip()
        if column.words:
            counts = ", ".join(f"{word!r} {count}" for word, count in column.words.items())
            yield f"{name}: words among the numbers: {counts}"
        if view.unread:
            counts = ", ".join(f"{word!r} {count}" for word, count in view.unread.items())
            yield f"{name}: without a meaning, and not read: {counts}; give them one with words in channels.toml"
        if column.empty == rows:
            yield f"{name}: empty"
        elif column.empty:
            yield f"{name}: {100 * column.empty / rows:.1f} % of the cells empty"
    yield from _show_repeated(inspection.columns)


def _show_repeated(views: Sequence[ColumnView]) -> Iterator[str]:
    counts = Counter(view.column.heading for view in views)
    for heading in sorted(heading for heading, count in counts.items() if count > 1):
        yield f"{fit(heading, _NAME_WIDTH).rstrip() or 'a blank name'}: {counts[heading]} columns have this name"


def _show_needs(inspection: Inspection) -> Iterator[str]:
    for need in inspection.needs:
        missing = ", ".join(" or ".join(group) for group in need.missing)
        helpful = ", ".join(" or ".join(group) for group in need.would_help)
        text = f"missing {missing}" if missing else "all there"
        yield f"{need.step:14} {text}" + (f"; would help: {helpful}" if helpful else "")


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s"


def _rate(hertz: float) -> str:
    return f"{hertz:.3g}/s"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
