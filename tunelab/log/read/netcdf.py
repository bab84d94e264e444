"""netCDF, the kit's own cleaned logs among them: the variables along the one dimension that the log has."""

from __future__ import annotations

import io
from collections import Counter

import numpy as np
import polars as pl
import xarray as xr

from tunelab.log.read.cells import read_cells
from tunelab.log.read.packed import require_plausible_hdf5, require_plausible_size
from tunelab.log.read.raw import Dialect, RawColumn, RawTable, ReadError, Source


def read_netcdf(data: bytes, source: Source) -> RawTable:
    """Read a netCDF file (classic or netCDF-4).

    Variables along the commonest single dimension become columns with their `units`; others are left out, with a note.
    Fill values are empty cells. Time "seconds since ..." keeps its date, except in the kit's own logs, whose date
    means nothing.

    Raises
    ------
    ReadError
        The file is damaged, or holds no variable along one dimension.
    """
    engine = "scipy" if data.startswith(b"CDF") else "h5netcdf"
    try:
        if engine == "h5netcdf":
            require_plausible_hdf5(io.BytesIO(data), len(data))
        with xr.open_dataset(io.BytesIO(data), engine=engine, decode_times=False) as opened:
            require_plausible_size(opened.nbytes, len(data), "netCDF")
            stored = opened.load()
    except ReadError:
        raise
    except Exception as error:  # what the libraries below raise on damaged content is not theirs to promise
        raise ReadError(f"the netCDF content is damaged ({error}); was it cut off while being written?") from error
    lengths = Counter(variable.dims[0] for variable in stored.variables.values() if variable.ndim == 1)
    if not lengths:
        raise ReadError("no variable runs along a single dimension, so the file is no log.")
    dim = max(lengths, key=lambda name: (lengths[name], stored.sizes[name]))
    columns, series, notes = [], [], list(source.notes)
    for name, variable in stored.variables.items():
        if variable.dims != (dim,):
            notes.append(f"variable {name!r} does not run along {dim!r} and was left out")
            continue
        column, cells = _column(str(name), variable, is_own=_is_own(stored))
        columns.append(column)
        series.append(cells.alias(column.key))
    size = stored.sizes[dim]
    if not size:
        raise ReadError("the file holds no rows.")
    return RawTable(
        path=source.path,
        sha256=source.sha256,
        dialect=Dialect("netCDF", source.compression),
        frame=pl.DataFrame(series),
        columns=tuple(columns),
        rows_in=size,
        set_aside=(),
        line=np.arange(1, size + 1),
        restarts=_restarts(stored, str(dim)),
        notes=tuple(notes),
    )


def _is_own(stored: xr.Dataset) -> bool:
    return "episode" in stored and "columns" in stored.attrs and "set_aside" in stored.attrs


def _column(name: str, variable: xr.Variable, *, is_own: bool) -> tuple[RawColumn, pl.Series]:
    values = variable.values
    if values.dtype.kind not in "fiub":
        read = read_cells(pl.Series(name, [_as_text(value) for value in values], dtype=pl.String), ".")
        return RawColumn(name, name, read.unit, read.words, read.empty), read.values
    unit = str(variable.attrs.get("units", ""))
    numbers = values.astype(float)
    if " since " in unit:
        numbers, unit = _since(numbers, unit, is_own=is_own)
    cells = pl.Series(name, numbers, nan_to_null=True)
    cells = cells.set(cells.is_infinite().fill_null(False), None)
    return RawColumn(name, name, unit, {}, cells.null_count()), cells


def _as_text(value: object) -> str | None:
    text = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
    return text if text and text != "nan" else None


def _since(numbers: np.ndarray, unit: str, *, is_own: bool) -> tuple[np.ndarray, str]:
    """Turn "seconds since 2026-05-03 10:00" into seconds since 1970."""
    step, origin = unit.split(" since ", 1)
    seconds = {"second": 1.0, "sec": 1.0, "s": 1.0, "millisecond": 1e-3, "ms": 1e-3, "minute": 60.0, "hour": 3600.0}
    factor = seconds.get(step.strip().casefold().rstrip("s") or "s")
    if is_own or factor is None:
        return numbers, step.strip()
    text = origin.strip().replace("Z", "").replace(" UTC", "").replace(" ", "T", 1).split("+")[0]
    try:
        start = np.datetime64(text, "ns").astype(np.int64) * 1e-9
    except ValueError:  # a start that is no date: the time runs from somewhere
        start = 0.0
    return numbers * factor + start, "s"


def _restarts(stored: xr.Dataset, dim: str) -> np.ndarray:
    if not _is_own(stored) or stored["episode"].dims != (dim,):
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(np.diff(stored["episode"].to_numpy()) != 0) + 1
