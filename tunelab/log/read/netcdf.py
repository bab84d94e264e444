"""netCDF, the kit's own cleaned logs among them, and what an HDF5 file may hold before any value of it is read.

The format can do more than a log needs. A variable can keep its values in any file of the computer that reads it
(external storage, external links, virtual data), can want a filter that is loaded as a program (plugins), and can
hold memory addresses (opaque types that are tagged as objects of Python). All of that is refused here, before the
library below gets to it. By the HDF5 file format specification 3.0, from memory.
"""

from __future__ import annotations

import io
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import polars as pl
import xarray as xr

from tunelab.channels import name_key, time_names
from tunelab.log.read.raw import (
    Dialect,
    RawColumn,
    RawTable,
    ReadError,
    Signal,
    Source,
    most_unpacked,
    read_cells,
    require_plausible_size,
    table_of_signals,
)
from tunelab.units import convert, is_convertible

HDF5 = b"\x89HDF\r\n\x1a\n"  # a file begins with it
_FILTERS = frozenset({1, 2, 3, 4, 5, 6, 32000})  # deflate, shuffle, fletcher32, szip, nbit, scale-offset, lzf
_OBJECTS = 20_000
_TEXTS = 200  # in one attribute
_WAY_OUT = "write the log out again as plain netCDF or CSV"


def require_safe_hdf5(content: Path | BinaryIO, packed: int) -> None:
    """Refuse a netCDF-4 file that reaches beyond itself, or that says that it unpacks to more than a log does.

    Parameters
    ----------
    content : path or binary file
        The file.
    packed : int
        Its size. [bytes]

    Raises
    ------
    ReadError
        Values outside the file, links, a filter or a type that no log needs, one piece of data under two names; sizes
        as `require_plausible_size`.
    OSError
        Not an HDF5 file.
    """
    import h5py

    with h5py.File(content, "r") as file:
        held = list(_held(file))
        for name, item in held:
            _refuse_types(name, item)
            if isinstance(item, h5py.Dataset):
                _refuse_outside(name, item)
        sets = [item for _, item in held if isinstance(item, h5py.Dataset)]
        require_plausible_size(sum(map(_size, sets)), packed, "netCDF")
        require_plausible_size(max(map(_chunk_size, sets), default=0), packed, "netCDF")
        _refuse_long_texts(held, packed)


def _held(file: Any) -> Iterator[tuple[str, Any]]:
    """Every group, data set and type of a file with its name, the root first; each must have one name only."""
    import h5py

    seen, waiting = {_address(file["/"])}, [("/", file["/"])]
    while waiting:
        where, group = waiting.pop()
        yield where, group
        for name in group:
            path = f"{where.rstrip('/')}/{name}"
            if group.get(name, getclass=True, getlink=True) is not h5py.HardLink:
                raise ReadError(f"{path[1:]!r} is a link to something else, which is not followed; {_WAY_OUT}.")
            item = group[name]
            if _address(item) in seen:
                raise ReadError(f"{path[1:]!r} is the same data as another name; {_WAY_OUT}.")
            seen.add(_address(item))
            if len(seen) > _OBJECTS:
                raise ReadError(f"the file holds more than {_OBJECTS} variables and groups, as no log does.")
            if isinstance(item, h5py.Group):
                waiting.append((path, item))
            else:
                yield path, item


def _address(item: Any) -> int:
    from h5py import h5o

    return h5o.get_info(item.id).addr


def _refuse_outside(name: str, item: Any) -> None:
    from h5py import h5d

    how = item.id.get_create_plist()
    if how.get_layout() not in (h5d.COMPACT, h5d.CONTIGUOUS, h5d.CHUNKED):
        raise ReadError(
            f"the variable {name[1:]!r} takes its values from elsewhere, which is not followed; {_WAY_OUT}."
        )
    if how.get_layout() == h5d.CONTIGUOUS and how.get_external_count():
        raise ReadError(f"the variable {name[1:]!r} keeps its values in another file, which is not read; {_WAY_OUT}.")
    wanted = {how.get_filter(i)[0] for i in range(how.get_nfilters())} - _FILTERS
    if wanted:
        raise ReadError(
            f"the variable {name[1:]!r} is packed by a filter that would be loaded as a program of its own (number "
            f"{min(wanted)}), which is not done; write it out again packed by deflate."
        )


def _refuse_types(name: str, item: Any) -> None:
    kinds = [item.id.get_type()] if hasattr(item.id, "get_type") else []
    for kind in (*kinds, *(attribute.get_type() for attribute in _attributes(item))):
        if not _is_plain(kind):
            what = f"{name[1:]!r}" if len(name) > 1 else "the file itself"
            raise ReadError(f"{what} holds, or is described by, a type of data that no log needs; {_WAY_OUT}.")


def _attributes(item: Any) -> Iterator[Any]:
    from h5py import h5a

    for index in range(h5a.get_num_attrs(item.id)) if hasattr(item, "attrs") else ():
        yield h5a.open(item.id, index=index)


def _is_plain(kind: Any) -> bool:
    """Whether a type is of numbers and texts, and of references inside the file, all through."""
    from h5py import h5t

    of = kind.get_class()
    if of in (h5t.INTEGER, h5t.FLOAT, h5t.STRING, h5t.ENUM):
        return True
    if of == h5t.REFERENCE:
        return bool(kind.equal(h5t.STD_REF_OBJ))
    if of in (h5t.VLEN, h5t.ARRAY):
        return _is_plain(kind.get_super())
    return of == h5t.COMPOUND and all(_is_plain(kind.get_member_type(i)) for i in range(kind.get_nmembers()))


def _size(item: Any) -> int:
    return math.prod(item.shape or ()) * item.id.get_type().get_size()


def _chunk_size(item: Any) -> int:
    """Bytes of one chunk, which is unpacked whole even for one value of it."""
    return math.prod(item.chunks or (0,)) * item.id.get_type().get_size()


def _refuse_long_texts(held: list[tuple[str, Any]], packed: int) -> None:
    """Count texts of free length, which the sizes do not tell: many may point at one and the same long text."""
    import h5py

    left = most_unpacked(packed)
    for name, item in held:
        for attribute in _attributes(item):
            if _is_of_free_length(attribute.get_type()):
                many = math.prod(attribute.shape) > _TEXTS
                left = -1 if many else left - _length(item.attrs[attribute.name])
            _refuse_beyond(left, name)
        if isinstance(item, h5py.Dataset) and item.shape and _is_of_free_length(item.id.get_type()):
            for piece in _pieces(item, packed, name):
                left -= sum(map(_length, piece.flat))
                _refuse_beyond(left, name)


def _refuse_beyond(left: int, name: str) -> None:
    if left < 0:
        raise ReadError(f"{name[1:] or 'the file'!r} unpacks to far more text than the file is long, as no log does.")


def _pieces(item: Any, packed: int, name: str) -> Iterator[Any]:
    """A data set of free-length values, in pieces that cannot be longer than a log may be."""
    if len(item.shape) > 1:
        _refuse_beyond(most_unpacked(packed) - math.prod(item.shape) * packed, name)
        yield item[...]
        return
    at, step = 0, 1
    while at < item.shape[0]:
        piece = item[at : at + step]
        yield piece
        at += step
        mean = max(sum(map(_length, piece.flat)) / len(piece), 1)
        step = max(1, min(2 * step, int((1 << 24) / mean), most_unpacked(packed) // packed if mean > 1000 else 1 << 20))


def _is_of_free_length(kind: Any) -> bool:
    from h5py import h5t

    of = kind.get_class()
    if of == h5t.STRING:
        return bool(kind.is_variable_str())
    if of == h5t.COMPOUND:
        return any(_is_of_free_length(kind.get_member_type(i)) for i in range(kind.get_nmembers()))
    return of == h5t.VLEN or (of == h5t.ARRAY and _is_of_free_length(kind.get_super()))


def _length(value: Any) -> int:
    """Bytes of a value that was read, about."""
    if isinstance(value, str | bytes):
        return len(value)
    if getattr(value, "dtype", None) is not None and value.dtype.kind == "O":
        return sum(map(_length, value.flat)) if value.shape else _length(value.item())
    return int(getattr(value, "nbytes", 8))


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
