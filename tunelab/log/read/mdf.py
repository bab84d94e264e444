"""ASAM MDF 4, by the optional extra `tunelab[mdf]`: groups of channels, each on its own rate."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import polars as pl

from tunelab.log.read.cells import read_cells
from tunelab.log.read.raw import Dialect, RawColumn, RawTable, ReadError, Source, unique_keys


def read_mdf(data: bytes, source: Source) -> RawTable:
    """Read an MDF file.

    The rows are the time stamps of all groups together. A channel has a value in the rows of its own group and an
    empty cell in the others, so its rate stays visible; nothing is interpolated. Readings that the file marks invalid
    are NaN. The clock is absolute: the file's start time plus the time stamps.

    Raises
    ------
    ReadError
        The extra is not installed, or the file is damaged or empty.
    """
    try:
        from asammdf import MDF
    except ImportError as error:
        raise ReadError("this is an MDF file; install the optional extra that reads it: tunelab[mdf].") from error
    if data[64:68] != b"##HD" and data[64:66] != b"HD":
        raise ReadError("the MDF content is damaged: its header block is missing; copy the file from the logger again.")
    try:
        with MDF(io.BytesIO(data)) as mdf:
            signals, notes = _signals(mdf)
            start = mdf.header.start_time.timestamp()
    except Exception as error:
        raise ReadError(f"the MDF content cannot be read ({type(error).__name__}: {error}).") from error
    if not signals:
        raise ReadError("the MDF file holds no channel with samples.")
    return _table(signals, start, source, notes)


def _signals(mdf: Any) -> tuple[list[Any], list[str]]:
    """Fetch every one-dimensional channel that is not a group's clock."""
    signals, notes = [], []
    for group in range(len(mdf.groups)):
        for index, channel in enumerate(mdf.groups[group].channels):
            if channel.channel_type in (2, 3):  # master and virtual master: the clock itself (ASAM MDF 4.1)
                continue
            signal = mdf.get(group=group, index=index)
            if not len(signal.timestamps):
                notes.append(f"channel {channel.name!r} is empty and was left out")
            elif np.ndim(signal.samples) != 1 or signal.samples.dtype.names:
                notes.append(f"channel {channel.name!r} holds more than one number a sample and was left out")
            else:
                signals.append(signal)
    return signals, notes


def _table(signals: list[Any], start: float, source: Source, notes: list[str]) -> RawTable:
    stamps = np.unique(np.concatenate([signal.timestamps for signal in signals]))
    columns = [RawColumn("time", "time", "s")]
    series = [pl.Series("time", stamps + start)]
    for key, signal in zip(unique_keys(["time", *(s.name for s in signals)])[1:], signals, strict=True):
        column, cells = _column(key, signal, stamps)
        columns.append(column)
        series.append(cells.alias(key))
    return RawTable(
        path=source.path,
        sha256=source.sha256,
        dialect=Dialect("MDF", source.compression),
        frame=pl.DataFrame(series),
        columns=tuple(columns),
        rows_in=stamps.size,
        set_aside=(),
        line=np.arange(1, stamps.size + 1),
        restarts=np.zeros(0, dtype=np.int64),
        notes=(*source.notes, *notes),
    )


def _column(key: str, signal: Any, stamps: np.ndarray) -> tuple[RawColumn, pl.Series]:
    at = np.searchsorted(stamps, signal.timestamps)
    samples = signal.samples
    if samples.dtype.kind in "SUO":
        text: list[str | None] = [None] * stamps.size
        for row, value in zip(at, samples, strict=True):
            text[row] = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
        read = read_cells(pl.Series(key, text, dtype=pl.String), ".")
        return RawColumn(key, signal.name, signal.unit or read.unit, read.words, read.empty), read.values
    values = samples.astype(float)
    values[~np.isfinite(values)] = np.nan
    bits = signal.invalidation_bits
    invalid = 0
    if bits is not None:
        marked = np.asarray(bits, dtype=bool)
        values[marked] = np.nan
        invalid = int(marked.sum())
    numbers = np.zeros(stamps.size)
    numbers[at] = values
    has_value = np.zeros(stamps.size, dtype=bool)
    has_value[at] = True
    cells = pl.Series(key, numbers).set(pl.Series(~has_value), None)
    words = {"marked invalid in the file": invalid} if invalid else {}
    return RawColumn(key, signal.name, signal.unit or "", words, cells.null_count()), cells
