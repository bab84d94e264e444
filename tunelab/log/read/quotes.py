"""Take quotes out of delimited text without losing what they protect."""

from __future__ import annotations

import numpy as np

UNIT_SEPARATOR = "\x1f"  # stands for a delimiter outside quotes; no logger writes it
_QUOTE, _LINE_END = 34, 10


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
