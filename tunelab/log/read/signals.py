"""Signals that each have time stamps of their own, on the rows of all of them together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from tunelab.log.read.cells import read_cells
from tunelab.log.read.raw import Dialect, RawColumn, RawTable, Source, unique_keys


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
