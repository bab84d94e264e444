"""What reading a file gives: the table, its dialect, every row that was set aside, and how much a file may unpack
to.

What reading a file gives: the table, its dialect, and every row that was set aside.

How much a file may unpack to: content that would fill the memory is refused before any of it is unpacked.
"""

from __future__ import annotations

import hashlib
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

THIS_FILE = "<this file's name>"  # stands in a message until the file is known


class ReadError(ValueError):
    """A file that cannot be read as a log; the message says where, what was wanted and the way out."""


@dataclass(frozen=True)
class Source:
    """A file's identity while it is being read."""

    path: Path
    compression: str  # "none" or "gzip"
    notes: tuple[str, ...]


@dataclass(frozen=True)
class SetAside:
    """Rows that were left out, for one reason; `row` to `last_row` are line numbers of the file, counted from 1."""

    row: int
    reason: str
    last_row: int  # equal to `row` for a single one

    @property
    def rows(self) -> int:
        """How many rows."""
        return self.last_row - self.row + 1


@dataclass(frozen=True)
class Dialect:
    """How a file is written. The last seven fields say something of delimited text only."""

    format: str  # "delimited text", "Parquet", "netCDF" or "MDF"
    compression: str = "none"
    encoding: str = ""
    delimiter: str = ""
    decimal: str = "."
    header_line: int = 0  # counted from 1; 0 is none
    unit_line: int = 0
    data_line: int = 1
    preamble: tuple[str, ...] = ()


@dataclass(frozen=True)
class RawColumn:
    """One column as the file has it."""

    key: str  # name in the frame: `heading`, made unique
    heading: str  # as written in the file
    unit: str = ""  # from a unit row, a value suffix or the file's own metadata; "" where none
    words: dict[str, int] = field(default_factory=dict)  # text in a number column -> how often; those cells are NaN
    empty: int = 0  # cells without anything; null in the frame
    marks: str = ""  # "?": marks, as in 2,500, were read as thousands and may be decimals; "thousands?": hardly so


@dataclass(frozen=True)
class RawTable:
    """A file read as it stands.

    `frame` has one column per entry of `columns`: Float64 where the file holds numbers (null: empty cell, NaN: an
    error word), String elsewhere. `rows_in` = `frame.height` + rows set aside.
    """

    path: Path
    dialect: Dialect
    frame: pl.DataFrame
    columns: tuple[RawColumn, ...]
    rows_in: int
    set_aside: tuple[SetAside, ...]
    line: np.ndarray  # shape (frame.height,): line or row number in the file of each kept row
    restarts: np.ndarray  # positions in `frame` before which the logger wrote its header again
    notes: tuple[str, ...] = ()  # what was noticed and dealt with, in plain words
    texts: dict[str, pl.Series] = field(default_factory=dict)  # number columns with words in them, as written
    parts: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))  # rows at which other columns begin
    places: tuple[tuple[int, tuple[str, ...]], ...] = ()  # of text: a line, and whose cell each field is from there on
    digest: Future[str] | None = None  # of the file's bytes

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes, as hexadecimal digits; waits until it is calculated. Empty for no file."""
        return self.digest.result() if self.digest else ""


def start_digest(content: bytes) -> Future[str]:
    """Begin to calculate the SHA-256 of a file's bytes, beside whatever is done with the file meanwhile."""
    worker = ThreadPoolExecutor(1)
    digest = worker.submit(lambda: hashlib.sha256(content).hexdigest())
    worker.shutdown(wait=False)
    return digest


def merge_rows(rows: np.ndarray, reason: str) -> list[SetAside]:
    """Join neighbouring rows, rising, into runs with one reason."""
    if not len(rows):
        return []
    breaks = np.flatnonzero(np.diff(rows) != 1)
    first = rows[np.r_[0, breaks + 1]]
    last = rows[np.r_[breaks, len(rows) - 1]]
    return [SetAside(int(a), reason, int(b)) for a, b in zip(first, last, strict=True)]


def unique_keys(headings: list[str]) -> list[str]:
    """Make column keys: blank headings get their position, repeated ones a number."""
    counts: dict[str, int] = {}
    taken: set[str] = set()
    keys = []
    for position, heading in enumerate(headings):
        base = " ".join(heading.split()) or f"column {position + 1}"
        key = base
        while key in taken:
            counts[base] = counts.get(base, 1) + 1
            key = f"{base} ({counts[base]})"
        taken.add(key)
        keys.append(key)
    return keys


MOST_PACKED = 200  # a log packs 5 to 60 times; what unpacks to more than this is no log but would fill the memory
ALWAYS_UNPACKED = 1 << 26


def most_unpacked(packed: int) -> int:
    """Most bytes that a file of so many bytes may unpack to."""
    return max(MOST_PACKED * packed, ALWAYS_UNPACKED)


def require_plausible_size(unpacked: int, packed: int, what: str) -> None:
    """Refuse content by the size that it says it has.

    Raises
    ------
    ReadError
        It says that it unpacks to more than 64 MB and 200 times its size.
    """
    if unpacked > most_unpacked(packed):
        raise ReadError(
            f"the {what} content says that it unpacks to {unpacked / 1e6:.0f} MB, more than {MOST_PACKED} times its "
            "size, as no log does; look at it by hand before it is read."
        )
