"""ASAM MDF 4, by the optional extra `tunelab[mdf]`: groups of channels, each on its own rate."""

from __future__ import annotations

import importlib.util
import io
import json
import subprocess
import sys
from dataclasses import dataclass

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
    if importlib.util.find_spec("asammdf") is None:
        raise ReadError("this is an MDF file; install the optional extra that reads it: tunelab[mdf].")
    if data[64:68] != b"##HD" and data[64:66] != b"HD":
        raise ReadError("the MDF content is damaged: its header block is missing; copy the file from the logger again.")
    loader = [sys.executable, "-m", "tunelab.log.read.mdf_load"]
    ran = subprocess.run(loader, input=data, capture_output=True, check=False)
    if ran.returncode:
        last = ran.stderr.decode("utf-8", "replace").strip().splitlines()[-1:] or ["the decoder broke down"]
        raise ReadError(f"the MDF content cannot be read ({last[0]}); copy the file from the logger again.")
    signals, start, notes = _unpack(ran.stdout)
    if not signals:
        raise ReadError("the MDF file holds no channel with samples.")
    return _table(signals, start, source, notes)


@dataclass(frozen=True)
class _Signal:
    """One channel as the loader gives it."""

    name: str
    unit: str
    timestamps: np.ndarray  # shape (n,) [s]
    samples: np.ndarray  # shape (n,), float64 or text
    invalid: np.ndarray | None  # shape (n,), bool


def _unpack(packed: bytes) -> tuple[list[_Signal], float, list[str]]:
    with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
        told = json.loads(arrays["told"].tobytes())
        signals = [
            _Signal(
                **known, timestamps=arrays[f"time{i}"], samples=arrays[f"value{i}"], invalid=arrays.get(f"invalid{i}")
            )
            for i, known in enumerate(told["channels"])
        ]
    return signals, told["start"], told["notes"]


def _table(signals: list[_Signal], start: float, source: Source, notes: list[str]) -> RawTable:
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


def _column(key: str, signal: _Signal, stamps: np.ndarray) -> tuple[RawColumn, pl.Series]:
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
