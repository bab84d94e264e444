"""netCDF, the kit's own cleaned logs among them: the variables along the one dimension that the log has."""

from __future__ import annotations

import io
from collections import Counter
from dataclasses import replace

import numpy as np
import polars as pl
import xarray as xr

from tunelab.channels import name_key, time_names
from tunelab.log.read.cells import read_cells
from tunelab.log.read.hdf5 import require_safe_hdf5
from tunelab.log.read.packed import require_plausible_size
from tunelab.log.read.raw import Dialect, RawColumn, RawTable, ReadError, Source
from tunelab.log.read.signals import Signal, table_of_signals
from tunelab.units import convert, is_convertible

_DATED_S = 1e8  # seconds since 1970: later stamps have a date, earlier ones count from some start


def read_netcdf(data: bytes, source: Source) -> RawTable:
    """Read a netCDF file (classic or netCDF-4).

    Variables along the commonest single dimension become columns with their `units`; others are left out, with a note.
    Where several dimensions have a clock each, the rows are the time stamps of all of them, as with MDF.
    Fill values are empty cells. Time "seconds since ..." keeps its date, except in the kit's own logs, whose date
    means nothing.

    Raises
    ------
    ReadError
        The file is damaged, or holds no variable along one dimension.
    """
    stored = _load(data)
    lengths = Counter(variable.dims[0] for variable in stored.variables.values() if variable.ndim == 1)
    if not lengths:
        raise ReadError("no variable runs along a single dimension, so the file is no log.")
    signals = [] if _is_own(stored) else _signals(stored)
    if signals:
        return _table_on_all_clocks(stored, signals, source)
    dim = max(lengths, key=lambda name: (lengths[name], stored.sizes[name]))
    columns, series, notes = [], [], list(source.notes)
    for name, variable in stored.variables.items():
        if _is_own(stored) and str(name).endswith("_flag"):
            continue  # set anew by whoever reads it
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
        dialect=Dialect("netCDF", source.compression),
        frame=pl.DataFrame(series),
        columns=tuple(columns),
        rows_in=size,
        set_aside=(),
        line=np.arange(1, size + 1),
        restarts=_restarts(stored, str(dim)),
        notes=tuple(notes),
    )


def _load(data: bytes) -> xr.Dataset:
    engine = "scipy" if data.startswith(b"CDF") else "h5netcdf"
    try:
        if engine == "h5netcdf":
            require_safe_hdf5(io.BytesIO(data), len(data))
        with xr.open_dataset(_Counted(data), engine=engine, decode_times=False) as opened:
            require_plausible_size(opened.nbytes, len(data), "netCDF")
            return opened.load()
    except ReadError:
        raise
    except Exception as error:  # what the libraries below raise on damaged content is not theirs to promise
        raise ReadError(f"the netCDF content is damaged ({error}); was it cut off while being written?") from error


class _Counted(io.BytesIO):
    """A file's bytes, handed out no more often than a log of its size needs: variables may all lie on the same ones."""

    def __init__(self, data: bytes) -> None:
        super().__init__(data)
        self._size, self._given = len(data), 0

    def read(self, size: int | None = -1, /) -> bytes:
        piece = super().read(size)
        self._given += len(piece)
        require_plausible_size(self._given, self._size, "netCDF")
        return piece


def _table_on_all_clocks(stored: xr.Dataset, signals: list[Signal], source: Source) -> RawTable:
    taken = {signal.name for signal in signals}
    clocks = {str(name) for name in _clocks(stored).values()}
    left = [str(name) for name in stored.variables if str(name) not in taken | clocks]
    notes = tuple(f"variable {name!r} has no clock of its own and was left out" for name in left)
    return table_of_signals(signals, 0.0, replace(source, notes=(*source.notes, *notes)), "netCDF")


def _signals(stored: xr.Dataset) -> list[Signal]:
    """Variables of a file in which several dimensions have a clock of their own; none for any other file."""
    clocks = {dim: _seconds(stored.variables[name]) for dim, name in _clocks(stored).items()}
    clocks = {dim: seconds for dim, seconds in clocks.items() if seconds.size > 1 and (np.diff(seconds) > 0).all()}
    names = [name for name, v in stored.variables.items() if v.ndim == 1 and v.dims[0] in clocks]
    names = [name for name in names if name not in _clocks(stored).values()]
    dated = {bool(clocks[stored.variables[name].dims[0]][0] > _DATED_S) for name in names}
    if len({stored.variables[name].dims[0] for name in names}) < 2 or len(dated) > 1:
        return []
    signals = []
    for name in names:
        column, cells = _column(str(name), stored.variables[name], is_own=False)
        text = cells.dtype == pl.String
        samples = cells.fill_null("").to_numpy().astype(str) if text else cells.fill_null(np.nan).to_numpy()
        signals.append(Signal(str(name), column.unit, clocks[stored.variables[name].dims[0]], samples, None))
    return signals


def _clocks(stored: xr.Dataset) -> dict[object, object]:
    """The variable that is each dimension's clock: its own coordinate first, else the first one in a unit of time."""
    found: dict[object, object] = {}
    for name, variable in sorted(stored.variables.items(), key=lambda item: (item[0],) != item[1].dims):
        unit = str(variable.attrs.get("units", ""))
        if variable.ndim == 1 and variable.dtype.kind in "fiu" and (" since " in unit or is_convertible(unit, "s")):
            is_clock = (name,) == variable.dims or " since " in unit or name_key(str(name)) in time_names()
            if is_clock:
                found.setdefault(variable.dims[0], name)
    return found


def _seconds(variable: xr.Variable) -> np.ndarray:
    """A clock in seconds, shape (rows,); NaN where there is none."""
    column, cells = _column("", variable, is_own=False)
    numbers = cells.fill_null(np.nan).to_numpy()
    return convert(numbers, column.unit, "s") if is_convertible(column.unit, "s") else np.full(numbers.size, np.nan)


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
    """Turn "days since 2026-05-03 10:00 +2:00" into seconds since 1970, in whatever unit and zone CF allows."""
    step = unit.split(" since ", 1)[0].strip()
    if is_own:
        return numbers, step
    try:
        bare = xr.Dataset({"t": ("row", np.nan_to_num(numbers), {"units": unit})})
        stamps = xr.decode_cf(bare, decode_times=xr.coders.CFDatetimeCoder(use_cftime=False))["t"].to_numpy()
    except (ValueError, OverflowError):  # a start that is no date: the time runs from somewhere
        return numbers, step
    seconds = (stamps - np.datetime64(0, "s")) / np.timedelta64(1, "s")
    return np.where(np.isfinite(numbers), seconds, np.nan), "s"


def _restarts(stored: xr.Dataset, dim: str) -> np.ndarray:
    if not _is_own(stored) or stored["episode"].dims != (dim,):
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(np.diff(stored["episode"].to_numpy()) != 0) + 1
