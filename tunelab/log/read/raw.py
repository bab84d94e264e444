"""What reading a file gives: the table and every row set aside; cells made numbers, signals put on common rows."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from math import isfinite
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


_LEAST_NUMBERS = 0.02  # of the filled cells, for a column to be one of numbers
_WORDS_KEPT = 20  # different error words listed for one column
_SUFFIX = re.compile(r"[+-]?\d+(?:[.,]\d+)?\s?([^\d\s.,;:+-][^\d\s,;]{0,7})")


@dataclass(frozen=True)
class Cells:
    """One column after reading. `values` is Float64 (null: empty, NaN: error word) or String."""

    values: pl.Series
    words: dict[str, int]
    empty: int
    unit: str  # where every number carries it, such as "rpm" in "850 rpm"
    marks: str = ""  # "?" where the mark in 2,500 may group thousands or be the decimal one: read as thousands
    text: pl.Series | None = None  # the cells as written, where `words` is not empty


def read_cells(text: pl.Series, decimal: str, *, is_said: bool = True) -> Cells:
    """Read one column of text as numbers, or leave it as text where hardly any filled cell is a number.

    Parameters
    ----------
    text : polars String series
        Cells as written; null or blank is empty.
    decimal : str
        Decimal mark; the other marks may group thousands.
    is_said : bool
        Whether the decimal mark is certain. Where it is not, a column whose every mark stands before three digits, as
        in 2,500, is read as thousands, and `marks` says that they may be decimals.
    """
    values = text.cast(pl.Float64, strict=False) if decimal == "." else None
    if values is not None and values.null_count() == text.null_count() and isfinite(values.sum()):
        return Cells(values, {}, text.null_count(), "")
    text = text.str.strip_chars()
    text = text.set(text == "", None)
    empty = text.null_count()
    filled = len(text) - empty
    bare, unit = text, ""
    values = _numbers(bare, decimal)
    failed = _failed(text, values)
    if filled and failed.sum() > (1 - _LEAST_NUMBERS) * filled:
        bare, unit = _without_suffix(text)
        values = _numbers(bare, decimal) if unit else values
        failed = _failed(text, values)
    if filled and failed.sum() > (1 - _LEAST_NUMBERS) * filled:
        return Cells(text, {}, empty, "")
    marks = "" if is_said else _open_marks(bare, decimal)
    if marks == "decimal":
        values, marks = _numbers(bare, "," if decimal == "." else "."), ""
        failed = _failed(text, values)
    if not failed.any():
        return Cells(values, {}, empty, unit, marks)
    return Cells(values.set(failed, float("nan")), count_words(text.filter(failed)), empty, unit, marks, text)


def _open_marks(text: pl.Series, decimal: str) -> str:
    """Say whether the mark that groups thousands may be decimal in a column: "", "?", or "decimal" where it is.

    It is where whole thousands stand in the same column without a mark; it is not where the decimal mark itself does.
    """
    mark = "," if decimal == "." else "."
    marked = text.filter(text.str.contains(mark, literal=True).fill_null(False))
    if not len(marked) or not marked.str.contains(rf"^[+-]?[1-9]\d{{0,2}}{re.escape(mark)}\d{{3}}$").all():
        return ""
    if text.str.contains(decimal, literal=True).any():
        return ""
    return "decimal" if text.str.contains(r"^[+-]?\d{4,}$").any() else "?"


def count_words(text: pl.Series) -> dict[str, int]:
    """Count each different text, the most frequent first; beyond 20 the rest stand together as "other words"."""
    counts = sorted(text.value_counts(name="n").iter_rows(), key=lambda row: (-row[1], row[0]))
    kept = dict(counts[:_WORDS_KEPT])
    rest = sum(count for _, count in counts[_WORDS_KEPT:])
    return kept | ({"other words": rest} if rest else {})


def _numbers(text: pl.Series, decimal: str) -> pl.Series:
    """Cast to Float64; null where a cell is no finite number."""
    if decimal == "," and _has_points(text):
        values = text.cast(pl.Float64, strict=False)
    elif decimal == ",":
        text = _regroup(text, r"[. '\u00a0\u202f’]").str.replace(",", ".", literal=True)
        values = text.str.replace(r"^.*\..*\..*$", "").cast(pl.Float64, strict=False)
    else:
        values = text.cast(pl.Float64, strict=False)
        if values.null_count() > text.null_count():
            values = _regroup(text, r"[, '\u00a0\u202f’]").cast(pl.Float64, strict=False)
    return values.set(~values.is_finite(), None)


def _has_points(text: pl.Series) -> bool:
    """Whether a column keeps to the decimal point in a file of decimal commas, as some loggers write their clock.

    A point before other than three digits, or behind a lone zero, groups no thousands; a comma anywhere, or two points,
    is for the comma.
    """
    if text.str.contains(r",|\..*\.").any():
        return False
    return bool(text.str.contains(r"^[+-]?(0\d*\.\d+|\d+\.(\d{1,2}|\d{4,})|\d{4,}\.\d+)$").any())


def _regroup(text: pl.Series, marks: str) -> pl.Series:
    """Take thousands separators out of cells that are grouped all through: 1,234,567.8 but not 1,23."""
    decimal = "," if "." in marks else r"\."
    grouped = text.str.contains(rf"^[+-]?[1-9]\d{{0,2}}({marks}\d{{3}})+({decimal}\d*)?$").fill_null(False)
    if not grouped.any():
        bad = text.str.contains(r"\.").fill_null(False) if decimal == "," else None
        return text if bad is None else text.set(bad, "")
    plain = text.str.replace_all(marks, "")
    rest = text.set(text.str.contains(r"\.").fill_null(False), "") if decimal == "," else text
    return plain.zip_with(grouped, rest)


def _failed(text: pl.Series, values: pl.Series) -> pl.Series:
    return text.is_not_null() & values.is_null()


def _without_suffix(text: pl.Series) -> tuple[pl.Series, str]:
    """Take off a unit that follows the numbers, where nine in ten filled cells carry the same."""
    sample = text.drop_nulls().head(500).to_list()
    found = Counter(match[1] for cell in sample if (match := _SUFFIX.fullmatch(cell)))
    if not found:
        return text, ""
    suffix, count = found.most_common(1)[0]
    if count < 0.5 * len(sample):
        return text, ""
    return text.str.strip_suffix(suffix).str.strip_chars(), suffix


@dataclass(frozen=True)
class Signal:
    """One channel on its own clock."""

    name: str
    unit: str
    timestamps: np.ndarray  # shape (n,) [s]
    samples: np.ndarray  # shape (n,), float64, NaN where unreadable, or text
    invalid: np.ndarray | None  # shape (n,), bool


def table_of_signals(signals: Sequence[Signal], start: float, source: Source, format_name: str) -> RawTable:
    """Make a table whose rows are the time stamps of all signals together.

    A signal has a value in the rows of its own stamps and an empty cell in the others; nothing is interpolated. Of
    readings of one signal with the same stamp the last is kept, with a note.

    Parameters
    ----------
    signals : sequence of Signal
        At least one.
    start : float
        Added to every time stamp. [s]
    source : Source
        Where they come from.
    format_name : str
        As `Dialect.format` has it.
    """
    stamps = np.unique(np.concatenate([signal.timestamps for signal in signals]))
    columns = [RawColumn("time", "time", "s")]
    series = [pl.Series("time", stamps + start)]
    for key, signal in zip(unique_keys(["time", *(s.name for s in signals)])[1:], signals, strict=True):
        column, cells = _column(key, signal, stamps)
        columns.append(column)
        series.append(cells.alias(key))
    return RawTable(
        path=source.path,
        dialect=Dialect(format_name, source.compression),
        frame=pl.DataFrame(series),
        columns=tuple(columns),
        rows_in=stamps.size,
        set_aside=(),
        line=np.arange(1, stamps.size + 1),
        restarts=np.zeros(0, dtype=np.int64),
        notes=(*source.notes, *_repeats(signals)),
    )


def _repeats(signals: Sequence[Signal]) -> Iterator[str]:
    for signal in signals:
        lost = signal.timestamps.size - np.unique(signal.timestamps).size
        if lost:
            yield f"channel {signal.name!r}: {lost} readings share their time stamp with a later one and were left out"


def _column(key: str, signal: Signal, stamps: np.ndarray) -> tuple[RawColumn, pl.Series]:
    at = np.searchsorted(stamps, signal.timestamps)
    if signal.samples.dtype.kind == "U":
        text: list[str | None] = [None] * stamps.size
        for row, value in zip(at, signal.samples.tolist(), strict=True):
            text[row] = value
        read = read_cells(pl.Series(key, text, dtype=pl.String), ".")
        return RawColumn(key, signal.name, signal.unit or read.unit, read.words, read.empty), read.values
    values = np.where(np.isfinite(signal.samples), signal.samples, np.nan)
    invalid = 0 if signal.invalid is None else int(signal.invalid.sum())
    if signal.invalid is not None:
        values[signal.invalid] = np.nan
    numbers = np.zeros(stamps.size)
    numbers[at] = values
    has_value = np.zeros(stamps.size, dtype=bool)
    has_value[at] = True
    cells = pl.Series(key, numbers).set(pl.Series(~has_value), None)
    words = {"marked invalid in the file": invalid} if invalid else {}
    return RawColumn(key, signal.name, signal.unit, words, cells.null_count()), cells
