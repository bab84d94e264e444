"""Delimited text of any dialect: floats first, text where that fails, every line accounted for."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass, replace
from math import isfinite

import numpy as np
import polars as pl

from tunelab.channels import is_time_name
from tunelab.log.read.content import Text, to_text
from tunelab.log.read.dialect import Layout, find_delimiter, find_layout, head_lines, split_line
from tunelab.log.read.parts import Part, find_above, find_headings, find_run_on, stack_parts
from tunelab.log.read.raw import Cells, Dialect, RawColumn, RawTable, ReadError, Source, read_cells, unique_keys
from tunelab.log.read.rows import (
    UNIT_SEPARATOR,
    RowCheck,
    check_rows,
    count_clean_rows,
    count_control_bytes,
    join_quoted_lines,
    leave_out_shifted,
    scan_lines,
    strip_quotes,
)
from tunelab.workspace.channel_map import FileRule

_SLIPS = 0.05  # of the lines: what fewer have is no habit of the logger


def read_delimited(data: bytes, source: Source, rule: FileRule | None, *, layout: Layout | None = None) -> RawTable:
    """Read delimited text.

    Parameters
    ----------
    data : bytes
        Content of the file, unpacked.
    source : Source
        Where it comes from.
    rule : FileRule or None
        What the owner says of the file.
    layout : Layout, optional
        Of the same file, found from its beginning; None: it is found from `data`.

    Raises
    ------
    ReadError
        No table can be made of it; the message says why and what to do.
    """
    return _read_text(even_text(data), source, rule, layout)


def even_text(data: bytes) -> Text:
    """Decode a file's content, even out its line ends, and join headings that run over several lines."""
    text = to_text(data)
    whole, joined = join_quoted_lines(text.data)
    return replace(text, data=whole, joined=joined, control=None if joined else text.control)


def _read_text(text: Text, source: Source, rule: FileRule | None, layout: Layout | None = None) -> RawTable:
    """Read text of one heading, or of several one below the other."""
    try:
        layout = layout or find_layout(
            text.data, headings=rule.headings if rule else (), decimal=rule.decimal if rule else None
        )
    except ReadError:
        headings = [] if rule and rule.headings else _all_headings(text.data)
        if len(headings) < 2:
            raise
        return _read_parts(text, source, rule, headings)
    above = find_above(_lines_above(text.data, layout), layout.header)
    if above:
        return _read_parts(text, source, rule, [*above, layout.header])
    names, rows = unique_keys(list(layout.names)), _Rows(text.data, layout.delimiter, layout.data)
    first = None if layout.is_padded else _try(rows, layout, names)
    if first is not None and _is_whole(text, layout, first):
        check = RowCheck(np.ones(first.frame.height, dtype=bool), np.zeros(0, dtype=np.int64), ())
        return _table(source, text, layout, names, _finish(first, rows, layout, names), check)
    body, offset, delimiter = _body(text.data, layout)
    repeats = _repeats(text.data, layout, delimiter)
    body, layout, repeats = _with_even_ends(body, offset, delimiter, layout, repeats)
    names = names[: layout.width]
    lines = scan_lines(body, offset, delimiter)
    has_numbers = first is not None and first.plain  # throughout a column: so no line of names is among its rows
    is_asked = not (has_numbers or (rule and rule.headings))
    below = find_headings(body, lines, delimiter, layout.names, repeats) if is_asked else []
    if below:
        return _read_parts(text, source, rule, [layout.header, *(layout.data + row for row in below)])
    first_line = layout.data + 1 + text.joined
    _refuse_run_on(find_run_on(body, lines, delimiter, layout.width), first_line)
    check = check_rows(body, lines, width=layout.width, first_line=first_line, repeats=repeats)
    if not check.keep.any():
        raise ReadError("there is no whole data row below the heading line.")
    if first is not None and body is text.data and first.frame.height == len(lines.end):
        cells = _finish(_keep(first, check.keep), rows, layout, names, keep=check.keep)
    else:
        kept = _Rows(_kept_bytes(body, lines.start, lines.end, check), delimiter, 0)
        cells = _finish(_first_reading(kept, layout, names), kept, layout, names)
    return _table(source, text, layout, names, cells, check)


def _refuse_run_on(row: int | None, first_line: int) -> None:
    if row is not None:
        raise ReadError(
            f"line {first_line + row} holds readings and behind them the heading of another log: "
            "two files were put together without a line end between them. Read each by itself, or part them there."
        )


def _all_headings(data: bytes) -> list[int]:
    """Lines of all headings in a text whose lines as a whole make no table; none where nothing cuts them."""
    delimiter, _ = find_delimiter(head_lines(data))
    return find_headings(data, scan_lines(data, 0, delimiter), delimiter, (), ())


def _lines_above(data: bytes, layout: Layout) -> list[list[str]]:
    lines = data[: _offset(data, max(layout.header, 0))].decode("utf-8", "replace").split("\n")
    return [split_line(line, layout.delimiter) for line in lines]


def _read_parts(text: Text, source: Source, rule: FileRule | None, headings: list[int]) -> RawTable:
    """Read each part of a text by the heading that it begins with; `headings` holds their lines, counted from 0.

    Raises
    ------
    ReadError
        None of the parts can be read.
    """
    starts = [0, *headings[1:]]
    stops = [*headings[1:], text.data.count(b"\n") + (not text.data.endswith(b"\n"))]
    found: list[tuple[Part, RawTable | str]] = []
    for start, stop in zip(starts, stops, strict=True):
        first = _offset(text.data, start)
        part = replace(text, data=text.data[first : _offset(text.data, stop)], control=None, joined=0)
        shift = start + (text.joined if start else 0)
        table: RawTable | str
        try:
            table = _shifted(_read_text(replace(part, joined=0 if start else text.joined), source, rule), shift)
        except ReadError as error:
            table = f"not read by the heading above it: {error}"
        found.append((Part(shift, stop + text.joined), table))
    if all(isinstance(table, str) for _, table in found):
        raise ReadError(str(found[0][1]))
    return stack_parts(found)


def _shifted(table: RawTable, lines: int) -> RawTable:
    """Count a part's lines from the beginning of its file."""
    aside = tuple(replace(item, row=item.row + lines, last_row=item.last_row + lines) for item in table.set_aside)
    places = tuple((line + lines, keys) for line, keys in table.places)
    return replace(table, line=table.line + lines, set_aside=aside, places=places)


@dataclass(frozen=True)
class _Rows:
    """Whole rows, ready for the reader."""

    data: bytes
    delimiter: str
    skip: int  # lines above the first


def _is_whole(text: Text, layout: Layout, read: _Reading) -> bool:
    """Whether every line is a whole row, without a look at each."""
    data, height = text.data, read.frame.height
    if not height or not data.endswith(b"\n"):
        return False
    offset = _offset(data, layout.data)
    if read.names[-1] in read.plain and (not any(read.as_text) or data.find(b'"', offset) < 0):
        # A number at the end of each line: none is short, blank or a heading, and the reader refuses long ones.
        return _control_below(text, offset) == height * (layout.width if layout.delimiter == "\t" else 1)
    # Without a column of numbers throughout, a heading may stand again further down.
    return bool(read.plain) and count_clean_rows(data, offset, layout.delimiter, layout.width) == height


def _control_below(text: Text, offset: int) -> int:
    """Count the control bytes from byte `offset` on."""
    if text.control is None:
        return count_control_bytes(text.data, offset, len(text.data))
    return text.control - count_control_bytes(text.data, 0, offset)


def _repeats(data: bytes, layout: Layout, delimiter: str) -> tuple[bytes, ...]:
    """Heading and unit line, as they would stand again after a restart, with and without quotes."""
    lines = tuple(_line(data, position) for position in (layout.header, layout.unit_row) if position >= 0)
    bare = (line.replace(b'"', b"").replace(layout.delimiter.encode(), delimiter.encode()) for line in lines)
    return tuple(dict.fromkeys((*lines, *bare)))


def _body(data: bytes, layout: Layout) -> tuple[bytes, int, str]:
    """Give bytes, offset of the first data line, and delimiter, quotes and padding taken out."""
    offset = _offset(data, layout.data)
    delimiter = layout.delimiter
    if data.find(b'"', offset) >= 0:
        data, delimiter = strip_quotes(data, offset, delimiter), UNIT_SEPARATOR
    if layout.is_padded:
        mark = re.escape(delimiter.encode())
        blank = b" " if delimiter == "\t" else rb"[ \t]"
        rest = re.sub(rb"(?m)^%s+|%s+$|%s*(%s)%s*" % (blank, blank, blank, mark, blank), rb"\1", data[offset:])
        data = data[:offset] + rest
    return data, offset, delimiter


def _with_even_ends(
    body: bytes, offset: int, delimiter: str, layout: Layout, repeats: tuple[bytes, ...]
) -> tuple[bytes, Layout, tuple[bytes, ...]]:
    """Take a delimiter off the ends of rows, behind which nothing stands: some rows may end in one and others not.

    Where the heading ends in one it comes off every row: one that lacks a cell is then short by it. Where the heading
    does not, it comes off the rows that have a field too many by it, unless they are so few that it is a slip.
    """
    lines = scan_lines(body, offset, delimiter)
    view = np.frombuffer(body, dtype=np.uint8)
    ends = (lines.end > lines.start) & (view[lines.end - 1] == ord(delimiter))
    is_open = layout.width > 1 and not layout.names[-1] and not layout.units[-1]
    if not is_open:
        ends &= lines.fields == layout.width + 1
    if np.count_nonzero(ends) <= (0 if is_open else _SLIPS * ends.size):
        return body, layout, repeats
    body = np.delete(view, lines.end[ends] - 1).tobytes()
    if is_open:
        width = layout.width - 1
        names, units, is_plain = layout.names[:width], layout.units[:width], layout.is_plain[:width]
        layout = replace(layout, width=width, names=names, units=units, is_plain=is_plain)
        repeats = tuple(text.removesuffix(delimiter.encode()) for text in repeats)
    return body, layout, repeats


def _offset(data: bytes, position: int) -> int:
    at = 0
    for _ in range(position):
        at = data.find(b"\n", at) + 1
        if not at:
            return len(data)
    return at


def _line(data: bytes, position: int) -> bytes:
    start = _offset(data, position)
    end = data.find(b"\n", start)
    return data[start : end if end >= 0 else len(data)]


def _kept_bytes(data: bytes, start: np.ndarray, end: np.ndarray, check: RowCheck) -> bytes:
    """Join the kept lines; runs of them are copied whole."""
    view = memoryview(data)
    edges = np.flatnonzero(np.diff(np.r_[0, check.keep.view(np.int8), 0]))
    runs = [view[start[a] : end[b - 1]] for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return b"\n".join(runs)


@dataclass(frozen=True)
class _Reading:
    """What comes of reading all columns at once, as floats but for those known to hold more than plain numbers."""

    frame: pl.DataFrame
    names: list[str]
    as_text: set[str]
    plain: set[str]  # columns that came out as finite floats throughout


def _try(rows: _Rows, layout: Layout, names: list[str]) -> _Reading | None:
    """Read all columns; None where a row has too many fields, or the first one too few."""
    try:
        return _first_reading(rows, layout, names)
    except (pl.exceptions.ComputeError, pl.exceptions.SchemaError):
        return None


def _first_reading(rows: _Rows, layout: Layout, names: list[str]) -> _Reading:
    all_text = layout.decimal == "," and b"." in rows.data
    as_text = {name for name, plain in zip(names, layout.is_plain, strict=True) if all_text or not plain}
    frame = _polars(rows, layout, names, {name: name in as_text for name in names})
    return _Reading(frame, names, as_text, _plain(frame, as_text))


def _plain(frame: pl.DataFrame, as_text: set[str]) -> set[str]:
    """Columns of floats without a null, a NaN or an infinity, by their sum."""
    floats = (series for series in frame if series.name not in as_text)
    return {series.name for series in floats if not series.null_count() and isfinite(series.sum())}


def _keep(read: _Reading, keep: np.ndarray) -> _Reading:
    """Leave out the rows that are set aside."""
    frame = read.frame.filter(pl.Series(keep))
    return replace(read, frame=frame, plain=_plain(frame, read.as_text))


def _finish(
    read: _Reading, rows: _Rows, layout: Layout, names: list[str], *, keep: np.ndarray | None = None
) -> list[Cells]:
    """Make the columns; those that did not come out as plain floats throughout are read again as text."""
    doubtful = [name for name in names if name not in read.as_text and name not in read.plain]
    again = _polars(rows, layout, names, dict.fromkeys(doubtful, True)) if doubtful else pl.DataFrame()
    again = again if keep is None or not doubtful else again.filter(pl.Series(keep))
    cells = []
    for name in names:
        if name in read.plain:
            cells.append(Cells(read.frame[name], {}, 0, ""))
        else:
            text = (read.frame if name in read.as_text else again)[name]
            cells.append(read_cells(text, layout.decimal, is_said=layout.is_said))
    return cells


def _polars(rows: _Rows, layout: Layout, names: list[str], is_text: dict[str, bool]) -> pl.DataFrame:
    """Read with a given schema; columns not in `is_text` are left out."""
    schema = {name: pl.String if is_text.get(name) else pl.Float64 for name in names}
    return pl.read_csv(
        io.BytesIO(rows.data),
        columns=[position for position, name in enumerate(names) if name in is_text],
        has_header=False,
        separator=rows.delimiter,
        skip_lines=rows.skip,
        quote_char=None,
        schema=schema,
        ignore_errors=True,
        raise_if_empty=False,  # known not to be; asking makes a copy
        decimal_comma=layout.decimal == "," and rows.delimiter != ",",
    )


def _table(
    source: Source, text: Text, layout: Layout, names: list[str], cells: list[Cells], check: RowCheck
) -> RawTable:
    rows = len(check.keep)
    if cells and len(cells[0].values) != check.keep.sum():
        raise ReadError(f"{check.keep.sum()} rows were counted and {len(cells[0].values)} came out of the reader.")
    columns, series, texts = [], [], {}
    likely = "thousands?" if any(cell.marks for cell in cells) and _has_decimals(layout, cells) else "?"
    for name, heading, unit, cell in zip(names, layout.names, layout.units, cells, strict=True):
        if not heading and cell.empty == len(cell.values):
            continue  # a delimiter at the line ends makes no column
        columns.append(RawColumn(name, heading, unit or cell.unit, cell.words, cell.empty, cell.marks and likely))
        series.append(cell.values.alias(name))
        if cell.text is not None:
            texts[name] = cell.text
    table = RawTable(
        path=source.path,
        dialect=_dialect(source, text, layout),
        frame=pl.DataFrame(series),
        columns=tuple(columns),
        rows_in=rows,
        set_aside=check.set_aside,
        line=np.flatnonzero(check.keep) + layout.data + 1 + text.joined,
        restarts=check.restart,
        notes=source.notes + text.notes,
        texts=texts,
        places=((layout.data + 1 + text.joined, tuple(names)),),
    )
    return leave_out_shifted(table)


def _dialect(source: Source, text: Text, layout: Layout) -> Dialect:
    return Dialect(
        "delimited text",
        source.compression,
        text.encoding,
        layout.delimiter,
        layout.decimal,
        layout.header + 1,
        layout.unit_row + 1 + (text.joined if layout.unit_row >= 0 else 0),
        layout.data + 1 + text.joined,
        tuple(_line(text.data, i).decode("utf-8", "replace") for i in range(max(layout.header, 0))),
    )


def _has_decimals(layout: Layout, cells: list[Cells]) -> bool:
    """Whether a column other than the clock, whose marks may be its own, has decimals."""
    columns = (
        cell.values.drop_nulls()
        for heading, cell in zip(layout.names, cells, strict=True)
        if not cell.marks and cell.values.dtype == pl.Float64 and not is_time_name(heading)
    )
    return any((values % 1 != 0).any() for values in columns)
