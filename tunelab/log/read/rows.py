"""Look at every line of a delimited text: quotes, which rows are whole, and which lack a cell in the middle."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from tunelab.log.read.raw import RawColumn, RawTable, SetAside, count_words, merge_rows

UNIT_SEPARATOR = "\x1f"  # stands for a delimiter outside quotes; no logger writes it
_QUOTE, _LINE_END = 34, 10
_NUMBER = re.compile(rb"(?:^|[,;\t|\"])\s*[+-]?\d+(?:[.,]\d+)?\s*(?:$|[,;\t|\"])")
_HEAD_BYTES = 1 << 16  # no heading stands further down
_MOST_LINES = 200  # of one row of headings


def join_quoted_lines(data: bytes) -> tuple[bytes, int]:
    """Write line ends inside the quotes of headings as blanks, as spreadsheets break them; give how many.

    Only lines without a number of their own are joined, so that a stray quote in the data joins nothing.
    """
    head = data[:_HEAD_BYTES]
    if b'"' not in head:
        return data, 0
    lines = head.split(b"\n")
    joined, position = 0, 0
    while position < min(len(lines), _MOST_LINES):
        count = _lines_of_one_row(lines[position : position + _MOST_LINES])
        if count > 1:
            lines[position : position + count] = [b" ".join(lines[position : position + count])]
            joined += count - 1
        position += 1
    return (b"\n".join(lines) + data[_HEAD_BYTES:], joined) if joined else (data, 0)


def _lines_of_one_row(lines: list[bytes]) -> int:
    """Lines that a quoted row of headings runs over: 1 where they are closed, never are, or numbers stand in it."""
    open_quote = False
    for count, line in enumerate(lines, 1):
        if _NUMBER.search(line):
            return 1
        open_quote ^= line.count(b'"') % 2 == 1
        if not open_quote:
            return count
    return 1


def strip_quotes(data: bytes, offset: int, delimiter: str) -> bytes:
    """Drop the quotes from byte `offset` on and write every delimiter outside them as `UNIT_SEPARATOR`.

    Each line is taken by itself: a line with an odd number of quotes keeps its delimiters as they are, so that its
    field count gives it away and the lines after it are read as they should be.
    """
    view = np.frombuffer(data, dtype=np.uint8)[offset:].copy()
    quote = view == _QUOTE
    before = np.cumsum(quote, dtype=np.int64)  # quotes up to and with each byte
    end = np.flatnonzero(view == _LINE_END)
    if not len(end) or end[-1] != len(view) - 1:
        end = np.append(end, len(view) - 1)
    at_start = np.r_[0, before[end[:-1]]]
    is_odd = ((before[end] - at_start) % 2).astype(bool)
    length = np.diff(np.r_[-1, end])
    inside = (before - np.repeat(at_start, length)) % 2 == 1
    view[(view == ord(delimiter)) & ~inside & ~np.repeat(is_odd, length)] = ord(UNIT_SEPARATOR)
    return data[:offset] + view[~quote].tobytes()


_PIECE = 1 << 18  # stays in the processor's cache
_BLANKS = np.frombuffer(b" \t\r\x0b\x0c", dtype=np.uint8)


@dataclass(frozen=True)
class Lines:
    """The data lines of a text. Positions are byte offsets into it."""

    start: np.ndarray  # shape (lines,)
    end: np.ndarray  # shape (lines,), of the line end
    fields: np.ndarray  # shape (lines,), delimiters + 1
    has_control: np.ndarray  # shape (lines,), bool: NUL or another control byte stands in it
    has_quote: np.ndarray  # shape (lines,), bool
    is_cut: bool  # the last line has no line end


@dataclass(frozen=True)
class RowCheck:
    """Which lines are kept."""

    keep: np.ndarray  # shape (lines,), bool
    restart: np.ndarray  # positions among kept lines before which the header stands again
    set_aside: tuple[SetAside, ...]


def count_clean_rows(data: bytes, offset: int, delimiter: str, width: int) -> int | None:
    """Count the data rows of a text in which nothing is wrong; None where any line needs a closer look.

    Only totals are taken: as many delimiters as whole rows have, no quote, a line end at the end. A blank line shows as
    missing delimiters; a control byte counts as a line end, and the reader then gives fewer rows than counted. A short
    and a long row that make up for each other are left to the reader, which refuses long ones.
    """
    if not data.endswith(b"\n") or data.find(b'"', offset) >= 0:
        return None
    view = np.frombuffer(data, dtype=np.uint8)
    delimiters = control = 0
    for start in range(offset, len(view), _PIECE):
        chunk = view[start : start + _PIECE]
        delimiters += int(np.count_nonzero(chunk == ord(delimiter)))
        control += int(np.count_nonzero(chunk < 32))
    rows = control - (delimiters if ord(delimiter) < 32 else 0)
    return rows if delimiters == rows * (width - 1) else None


def count_control_bytes(data: bytes, start: int, stop: int) -> int:
    """Count the bytes below 32 from one place up to another: line ends, and whatever else no field should hold."""
    view = np.frombuffer(data, dtype=np.uint8)[start:stop]
    pieces = (view[first : first + _PIECE] for first in range(0, len(view), _PIECE))
    return sum(int(np.count_nonzero(piece < 32)) for piece in pieces)


def scan_lines(data: bytes, offset: int, delimiter: str) -> Lines:
    """Find line ends and count delimiters from byte `offset` on, in one pass over the bytes."""
    view = np.frombuffer(data, dtype=np.uint8)
    ends = [np.flatnonzero(view[a : a + _PIECE] == 10) + a for a in range(offset, len(view), _PIECE)]
    end = np.concatenate(ends) if ends else np.zeros(0, dtype=np.int64)
    is_cut = len(view) > offset and view[-1] != 10
    if is_cut:
        end = np.append(end, len(view))
    start = np.r_[offset, end[:-1] + 1] if len(end) else end
    fields = _count(view, ord(delimiter), start, end) + 1
    control = _control_bytes(view, offset, delimiter)
    has_quote = np.zeros(len(end), dtype=bool)
    if data.find(b'"', offset) >= 0:
        has_quote = _count(view, 34, start, end) > 0
    has_control = np.zeros(len(end), dtype=bool)
    if len(control):
        has_control[np.minimum(np.searchsorted(end, control), len(end) - 1)] = True
    return Lines(start, end, fields, has_control, has_quote, is_cut)


def check_rows(data: bytes, lines: Lines, *, width: int, first_line: int, repeats: tuple[bytes, ...]) -> RowCheck:
    """Set aside the lines that are not whole rows.

    Parameters
    ----------
    data : bytes
        The text that `lines` was made from.
    lines : Lines
        Its data lines.
    width : int
        Fields that a row has.
    first_line : int
        Line number of the first data line, from 1.
    repeats : tuple of bytes
        Heading and unit line: where they stand again, the logger has started again.

    Returns
    -------
    RowCheck
        Every line is kept or set aside.
    """
    why = np.zeros(len(lines.end), dtype=np.int8)
    length = lines.end - lines.start
    why[lines.fields < width] = 1
    why[lines.fields > width] = 2
    why[lines.has_control] = 3
    why[length == 0] = 4
    short = np.flatnonzero((why == 1) & (length < 200))
    for row in short:
        if not data[lines.start[row] : lines.end[row]].strip():
            why[row] = 4
    header = _find_repeats(data, lines, repeats)
    why[header] = 5
    if lines.is_cut:
        why[-1] = 6
    keep = why == 0
    restart = np.unique(np.cumsum(keep)[header]) if len(header) else np.zeros(0, dtype=np.int64)
    return RowCheck(keep, restart, tuple(_reasons(why, lines, width, first_line)))


def _reasons(why: np.ndarray, lines: Lines, width: int, first_line: int) -> list[SetAside]:
    texts = {
        3: "NUL or control bytes in the line",
        4: "blank line",
        5: "heading or unit line again: the logger started anew",
        6: "cut off: the last line has no line end",
    }
    found = []
    for code, text in texts.items():
        found += merge_rows(np.flatnonzero(why == code) + first_line, text)
    for code, word in ((1, "too few"), (2, "too many")):
        rows = np.flatnonzero(why == code)
        for count in np.unique(lines.fields[rows]):
            reason = f"{word} fields: {count} instead of {width}"
            found += merge_rows(rows[lines.fields[rows] == count] + first_line, reason)
    return sorted(found, key=lambda item: item.row)


def _find_repeats(data: bytes, lines: Lines, repeats: tuple[bytes, ...]) -> np.ndarray:
    """Rows that hold one of the texts and blanks round it at most, rising, int."""
    view = np.frombuffer(data, dtype=np.uint8)
    length = lines.end - lines.start
    first = view[np.minimum(lines.start, len(view) - 1)]
    found = []
    for text in {text.strip() for text in repeats if text.strip()}:
        alike = (length >= len(text)) & ((first == text[0]) | np.isin(first, _BLANKS))
        found += [row for row in np.flatnonzero(alike) if data[lines.start[row] : lines.end[row]].strip() == text]
    return np.unique(np.asarray(found, dtype=np.int64))


def _count(view: np.ndarray, byte: int, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Count a byte in each line."""
    if not len(end):
        return np.zeros(0, dtype=np.int64)
    total = np.zeros(len(end), dtype=np.int64)
    low = 0
    while low < len(end):
        high = max(int(np.searchsorted(end, start[low] + _PIECE)), low + 1)
        block = (view[start[low] : end[high - 1] + 1] == byte).view(np.uint8)
        total[low:high] = np.add.reduceat(block, start[low:high] - start[low], dtype=np.int32)
        low = high
    return total


def _control_bytes(view: np.ndarray, offset: int, delimiter: str) -> np.ndarray:
    """Offsets of control bytes other than tab, line end and the delimiter."""
    found = []
    for a in range(offset, len(view), _PIECE):
        low = np.flatnonzero(view[a : a + _PIECE] < 32)
        value = view[a : a + _PIECE][low]
        found.append(low[(value != 10) & (value != 9) & (value != ord(delimiter))] + a)
    return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)


_LOOKED_AT = 5000  # whole rows, for the spread of a column
_HARDLY_EVER = 0.95  # of the whole rows lie nearer to the row before
_FAR = 2.0  # times that is no chance, however few the rows
_RARE = 0.05  # of the rows: where the last column is empty in more, it may be one that is logged less often
_CLEARLY = 1.0  # so many spreads nearer to the neighbour's columns is no chance
_FARTHEST = 10.0  # spreads; what lies farther counts no more
_ONE_MISSING = 3.0  # spreads that count where a number stands against none
_REASON = "the readings fit the columns beside theirs: a cell is missing before the last one"


def leave_out_shifted(table: RawTable) -> RawTable:
    """Set aside rows whose readings stand one column too far left.

    They end in an empty field or a word, as the row beside them does not, or stand beside rows with too few fields; and
    from some column on their readings lie nearer to what the next column held in a whole row than to what their own
    held. In doubt those with an empty field are set aside where they are rare.
    """
    if table.frame.width < 3 or table.frame.height < 3:
        return table
    last = table.frame[:, -1]
    empty = last.is_null()
    if last.dtype == pl.Float64:
        empty |= last.is_nan().fill_null(False)
    shifted = np.zeros(table.frame.height, dtype=bool)
    count = int(empty.sum())
    if 0 < count < table.frame.height:
        shifted |= _ending_empty(table.frame, empty.to_numpy(), is_rare=count <= _RARE * table.frame.height)
    if any(item.reason.startswith("too few") for item in table.set_aside):
        shifted |= _beside_short(table, ~empty.to_numpy())
    return _without(table, shifted) if shifted.any() else table


def _ending_empty(frame: pl.DataFrame, empty: np.ndarray, *, is_rare: bool) -> np.ndarray:
    """Runs of rows with an empty last field, known by the one right beside a full row, their first where it can be."""
    edges = np.flatnonzero(np.diff(np.r_[False, empty, False].astype(np.int8)))
    first, stop = edges[::2], edges[1::2]
    rows = np.where(first > 0, first, stop - 1)
    beside = np.where(first > 0, first - 1, np.minimum(stop, empty.size - 1))
    gain, is_odd = _gain(frame, rows, beside, ~empty, has_last=False)
    found = gain >= 0 if is_rare else (gain > _CLEARLY) & is_odd
    shifted = np.zeros(empty.size, dtype=bool)
    for begin, end in zip(first[found], stop[found], strict=True):
        shifted[begin:end] = True
    return shifted


def _beside_short(table: RawTable, full: np.ndarray) -> np.ndarray:
    """Rows beside one with too few fields that have the right number by something else at their end."""
    short = np.concatenate(
        [np.arange(s.row, s.last_row + 1) for s in table.set_aside if s.reason.startswith("too few")]
    )
    wanted: np.ndarray = np.r_[short - 1, short + 1]
    places = np.searchsorted(table.line, wanted)
    places = np.clip(places, 0, table.line.size - 1)
    beside_short = np.zeros(full.size, dtype=bool)
    beside_short[places[table.line[places] == wanted]] = True
    rows, whole = np.flatnonzero(beside_short & full), np.flatnonzero(~beside_short & full)
    shifted = np.zeros(full.size, dtype=bool)
    if rows.size and whole.size > 1:
        beside = whole[np.clip(np.searchsorted(whole, rows) - 1, 0, whole.size - 1)]
        gain, is_odd = _gain(table.frame, rows, beside, full, has_last=True)
        shifted[rows[(gain > _CLEARLY) & is_odd]] = True
    return shifted


def _gain(
    frame: pl.DataFrame, rows: np.ndarray, beside: np.ndarray, full: np.ndarray, *, has_last: bool
) -> tuple[np.ndarray, np.ndarray]:
    """By how many spreads some rows lie nearer to the columns beside theirs, in the whole rows given for each.

    Second, whether they lie farther from their own columns than whole rows hardly ever do from one to the next: where
    readings are as good as random, nothing shows.
    """
    values = np.column_stack([_numbers(series)[np.r_[rows, beside]] for series in frame])
    row, whole = values[: rows.size], values[rows.size :]
    some = np.flatnonzero(full)
    some = some[:: max(some.size // _LOOKED_AT, 1)]
    spread = np.array([_spread(_numbers(series)[some]) for series in frame])
    own = _distance(row, whole, spread)
    next_one = _distance(row[:, :-1], whole[:, 1:], spread[1:])
    before = np.cumsum(np.column_stack([np.zeros(rows.size), own[:, :-2]]), axis=1)
    behind = np.cumsum(next_one[:, ::-1], axis=1)[:, ::-1]
    judged = slice(None) if has_last else slice(-1)
    total = own[:, judged].sum(axis=1)
    some = some[some > 0]
    pairs = np.column_stack([_numbers(series)[np.r_[some, some - 1]] for series in frame])
    usual = _distance(pairs[: some.size], pairs[some.size :], spread)[:, judged].sum(axis=1)
    is_odd = total > _FAR * (np.quantile(usual, _HARDLY_EVER) if usual.size else np.inf)
    return total - (before + behind).min(axis=1), is_odd


def _numbers(series: pl.Series) -> np.ndarray:
    if not series.dtype.is_numeric():
        return np.full(len(series), np.nan)
    return series.fill_null(float("nan")).to_numpy()


def _spread(values: np.ndarray) -> float:
    values = values[np.isfinite(values)]
    if not values.size:
        return 1.0
    return max(float(np.std(values)), 0.01 * abs(float(np.mean(values))), 1e-9)


def _distance(one: np.ndarray, other: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Distance in spreads, shape (rows, columns)."""
    both = np.isfinite(one) & np.isfinite(other)
    far = np.minimum(np.abs(np.where(both, one - other, 0.0)) / spread, _FARTHEST)
    return np.where(both, far, np.where(np.isfinite(one) ^ np.isfinite(other), _ONE_MISSING, 0.0))


def _without(table: RawTable, shifted: np.ndarray) -> RawTable:
    keep = pl.Series(~shifted)
    texts = {key: text.filter(keep) for key, text in table.texts.items()}
    frame = table.frame.filter(keep)
    kept_before = np.cumsum(np.r_[0, ~shifted])
    return replace(
        table,
        frame=frame,
        columns=tuple(_counted(column, frame[column.key], texts.get(column.key)) for column in table.columns),
        set_aside=tuple(
            sorted((*table.set_aside, *merge_rows(table.line[shifted], _REASON)), key=lambda item: item.row)
        ),
        line=table.line[~shifted],
        restarts=np.unique(kept_before[table.restarts]),
        texts=texts,
    )


def _counted(column: RawColumn, values: pl.Series, text: pl.Series | None) -> RawColumn:
    words = count_words(text.filter(values.is_nan().fill_null(False))) if text is not None else {}
    return replace(column, words=words, empty=values.null_count())
