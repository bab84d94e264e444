"""Take quotes out of delimited text without losing what they protect."""

from __future__ import annotations

import re

import numpy as np

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
