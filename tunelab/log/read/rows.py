"""Look at every line of a delimited text: which are whole, and why the others are set aside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.log.read.raw import SetAside, merge_rows

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
        delimiters += np.count_nonzero(chunk == ord(delimiter))
        control += np.count_nonzero(chunk < 32)
    rows = control - (delimiters if ord(delimiter) < 32 else 0)
    return rows if delimiters == rows * (width - 1) else None


def count_control_bytes(data: bytes, start: int, stop: int) -> int:
    """Count the bytes below 32 from one place up to another: line ends, and whatever else no field should hold."""
    view = np.frombuffer(data, dtype=np.uint8)[start:stop]
    pieces = (view[first : first + _PIECE] for first in range(0, len(view), _PIECE))
    return sum(np.count_nonzero(piece < 32) for piece in pieces)


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
