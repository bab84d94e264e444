"""A file in which another heading stands further down: each part is read by its own, and all become one table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from tunelab.log.read.dialect import is_value, share_of_names, share_of_units, split_line
from tunelab.log.read.raw import RawColumn, RawTable, SetAside, count_words, unique_keys
from tunelab.log.read.rows import Lines

_PIECE = 1 << 18
_MOST_DIGITS = 0.35  # of a line's bytes, for it to be one of names
_LEAST_LETTERS = 0.3
_LEAST_NAMES = 0.5  # of the filled cells, known to the kit or written in the heading line already
HEADING_AGAIN = "another heading line: the rows below are read by it"
_NOTE = "another heading line follows further down: the rows below it are read by it"
_MOST_RUN_ON = 100  # rows with too many fields that are looked at for a heading that they run into
_FEWEST_ROWS = 2  # of data below a line of names, for that to be a heading above the one that was found


@dataclass(frozen=True)
class Part:
    """Lines of a file that stand under one heading, counted from 0; `stop` is the line behind the last."""

    start: int
    stop: int


def find_headings(
    data: bytes, lines: Lines, delimiter: str, heading: Sequence[str], repeats: Sequence[bytes]
) -> list[int]:
    """Find the data lines that are headings, other than the first one again with its own units; rising positions.

    A heading has two names or more and no value: most of its names are known, or stand in the first heading too, or it
    names every column and none twice. A unit line right below belongs to it. `heading` holds the first one's cells,
    `repeats` how it and its unit line are written.
    """
    known = {cell.casefold() for cell in heading if cell}
    same = {line.strip() for line in repeats}
    wordy = _wordy_lines(data, lines).tolist()
    cells = {row: _cells(data, lines, row, delimiter) for row in wordy}
    units = {row for row in wordy if share_of_units(cells[row]) >= _LEAST_NAMES and row - 1 in cells}
    again = {row for row in wordy if data[lines.start[row] : lines.end[row]].strip() in same}
    found: list[int] = []
    for row in wordy:
        if (row in units and row - 1 in (found or again)) or not _is_heading(cells[row], known, len(heading)):
            continue
        has_other_units = row + 1 in units and row + 1 not in again
        if row not in again or has_other_units:
            found.append(row)
    return found


def find_above(lines: list[list[str]], header: int) -> list[int]:
    """Find the headings of rows that stand above the one heading that was found: positions of their lines."""
    found, rows = [], 0
    for position in range(header - 1, -1, -1):
        cells = lines[position]
        filled = [cell for cell in cells if cell]
        if len(cells) >= 3 and len(filled) >= 2 and sum(map(is_value, filled)) >= _LEAST_NAMES * len(filled):
            rows += 1
        elif rows >= _FEWEST_ROWS and _is_heading(cells, set(), len(cells)):
            found.append(position)
            rows = 0
    return found[::-1]


def find_run_on(data: bytes, lines: Lines, delimiter: str, width: int) -> int | None:
    """Find a row that runs on into another log's heading, as where files without a last line end were put together."""
    for row in np.flatnonzero(lines.fields > width)[:_MOST_RUN_ON].tolist():
        cells = _cells(data, lines, row, delimiter)
        behind = next((place for place, cell in enumerate(cells) if cell and not is_value(cell)), len(cells)) + 1
        filled = [cell for cell in cells[behind:] if cell]
        if behind > 1 and filled and not any(map(is_value, filled)) and share_of_names(filled) >= _LEAST_NAMES:
            return row
    return None


def _is_heading(cells: list[str], known: set[str], width: int) -> bool:
    filled = [cell for cell in cells if cell]
    if len(filled) < 2 or any(map(is_value, filled)):
        return False
    if sum(cell.casefold() in known for cell in filled) >= _LEAST_NAMES * len(filled):
        return len(set(filled)) == len(filled)
    if share_of_names(cells) >= _LEAST_NAMES:
        return len(set(filled)) == len(filled)
    return len(filled) == width >= 3 and len(set(filled)) == width and share_of_units(cells) < _LEAST_NAMES


def _cells(data: bytes, lines: Lines, row: int, delimiter: str) -> list[str]:
    return split_line(data[lines.start[row] : lines.end[row]].decode("utf-8", "replace"), delimiter)


def _wordy_lines(data: bytes, lines: Lines) -> np.ndarray:
    """Lines of letters rather than digits, rising positions."""
    view = np.frombuffer(data, dtype=np.uint8)
    digit = np.zeros(256, dtype=bool)
    digit[48:58] = True
    letter = np.zeros(256, dtype=bool)
    letter[[*range(65, 91), *range(97, 123), *range(128, 256)]] = True
    length = np.maximum(lines.end - lines.start, 1)
    few_digits = np.flatnonzero(_share(view, digit, lines) <= _MOST_DIGITS * length)
    texts = (view[lines.start[row] : lines.end[row]] for row in few_digits)
    letters = np.fromiter((np.count_nonzero(letter[text]) for text in texts), dtype=np.int64, count=few_digits.size)
    return few_digits[letters >= _LEAST_LETTERS * length[few_digits]]


def _share(view: np.ndarray, table: np.ndarray, lines: Lines) -> np.ndarray:
    """Count the bytes of a table in each line."""
    total = np.zeros(len(lines.end), dtype=np.int64)
    low = 0
    while low < len(lines.end):
        high = max(int(np.searchsorted(lines.end, lines.start[low] + _PIECE)), low + 1)
        block = table[view[lines.start[low] : lines.end[high - 1] + 1]].view(np.uint8)
        offsets = np.minimum(lines.start[low:high] - lines.start[low], max(len(block) - 1, 0))
        total[low:high] = np.add.reduceat(block, offsets, dtype=np.int32) if len(block) else 0
        low = high
    return total


def stack_parts(tables: Sequence[tuple[Part, RawTable | str]]) -> RawTable:
    """Make one table of the parts of a file; one that could not be read comes with the reason and is set aside.

    Columns of one name and unit go on in one column, whatever their place; a part without a unit line has the units of
    those before it. Every other column is one of its own, empty in the parts that have it not.
    """
    read = [(part, table) for part, table in tables if isinstance(table, RawTable)]
    first = read[0][1]
    columns: list[RawColumn] = []
    pieces: list[dict[int, RawColumn]] = []  # of each table: place in `columns` -> its column there
    for _, table in read:
        places: dict[int, RawColumn] = {}
        for column in table.columns:
            place = _place(columns, column, set(places))
            if place == len(columns):
                columns.append(column)
            places[place] = column
        pieces.append(places)
    keys = unique_keys([column.heading for column in columns])
    made = [_column(keys[place], column, place, read, pieces) for place, column in enumerate(columns)]
    heights = np.cumsum([table.frame.height for _, table in read])
    begins = np.r_[0, heights[:-1]].astype(np.int64)
    restarts = [table.restarts + start for (_, table), start in zip(read, begins, strict=True)]
    inner = [table.parts + start for (_, table), start in zip(read, begins, strict=True)]
    aside = [item for _, table in read for item in table.set_aside]
    aside += [SetAside(part.start + 1, why, part.stop) for part, why in tables if isinstance(why, str)]
    aside += [SetAside(p.start + 1, HEADING_AGAIN, p.start + t.dialect.data_line - 1) for p, t in read if p.start]
    return replace(
        first,
        frame=pl.DataFrame([series for _, series, _ in made]),
        columns=tuple(column for column, _, _ in made),
        rows_in=sum(table.frame.height for _, table in read) + sum(item.rows for item in aside),
        set_aside=tuple(sorted(aside, key=lambda item: item.row)),
        line=np.concatenate([table.line for _, table in read]),
        restarts=np.unique(np.concatenate([*restarts, begins[1:]])),
        parts=np.unique(np.concatenate([*inner, begins[1:]])),
        notes=tuple(dict.fromkeys([*(note for _, table in read for note in table.notes), _NOTE])),
        texts={column.key: text for column, _, text in made if text is not None},
        places=tuple(
            (line, tuple(_key_of(field, places, keys) for field in fields))
            for (_, table), places in zip(read, pieces, strict=True)
            for line, fields in table.places
        ),
    )


def _key_of(field: str, places: dict[int, RawColumn], keys: list[str]) -> str:
    """Key in the whole table of what a part calls a column; empty for a field that makes none."""
    return next((keys[place] for place, column in places.items() if column.key == field), "")


def _place(columns: list[RawColumn], column: RawColumn, taken: set[int]) -> int:
    """Where a column goes on, or behind the last where it is new."""
    for place, other in enumerate(columns):
        same_unit = column.unit == other.unit or not column.unit or not other.unit
        if place not in taken and column.heading == other.heading and same_unit:
            return place
    return len(columns)


def _column(
    key: str,
    column: RawColumn,
    place: int,
    read: Sequence[tuple[Part, RawTable]],
    pieces: Sequence[dict[int, RawColumn]],
) -> tuple[RawColumn, pl.Series, pl.Series | None]:
    """One column over all parts: itself, its cells, and its cells as written where words stand among numbers."""
    found = [places.get(place) for places in pieces]
    cells = [None if own is None else table.frame[own.key] for own, (_, table) in zip(found, read, strict=True)]
    is_text = all(series is None or series.dtype == pl.String for series in cells)
    words: Counter[str] = Counter()
    series, texts, has_words = [], [], False
    for own, one, (_, table) in zip(found, cells, read, strict=True):
        if one is None:
            one = pl.Series([None], dtype=pl.String if is_text else pl.Float64).new_from_index(0, table.frame.height)
        text = table.texts.get(own.key) if own is not None else None
        if one.dtype == pl.String and not is_text:
            text, words = one, words + Counter(count_words(one.drop_nulls()))
            one = pl.Series(np.full(len(one), np.nan)).set(one.is_null(), None)
        has_words = has_words or text is not None
        series.append(one)
        texts.append(one.cast(pl.String) if text is None else text)
        words += Counter(own.words if own is not None else {})
    whole = pl.concat(series, rechunk=True).alias(key)
    unit = next((own.unit for own in found if own is not None and own.unit), column.unit)
    made = replace(column, key=key, unit=unit, words=dict(words), empty=whole.null_count())
    return made, whole, pl.concat(texts) if has_words else None
