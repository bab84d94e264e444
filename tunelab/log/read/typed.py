"""Files with typed columns: Parquet, and ASAM MDF by the optional extra `tunelab[mdf]`."""

from __future__ import annotations

import importlib.util
import io
import json
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import polars as pl

from tunelab.log.read.raw import (
    Dialect,
    RawColumn,
    RawTable,
    ReadError,
    Signal,
    Source,
    read_cells,
    require_plausible_size,
    table_of_signals,
    unique_keys,
)

_TEXTS = (pl.String, pl.Categorical, pl.Enum)


def read_parquet(data: bytes, source: Source) -> RawTable:
    """Read a Parquet file; columns of lists, structures or types of somebody's own are left out, with a note.

    Raises
    ------
    ReadError
        The file is damaged, or holds no rows.
    """
    try:
        packed = pl.scan_parquet(io.BytesIO(data))
        rows, schema = packed.select(pl.len()).collect().item(), packed.collect_schema()
        require_plausible_size(8 * rows * len(schema), len(data), "Parquet")
        kept = plain_columns(schema)
        frame = packed.select(kept).collect()
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError) as error:
        raise ReadError(f"the Parquet content is damaged ({error}); was it cut off while being written?") from error
    if not rows:
        raise ReadError("the file holds no rows.")
    require_plausible_size(sum(map(_text_bytes, frame)), len(data), "Parquet")
    left = [f"column {name!r} holds {kind} and was left out" for name, kind in schema.items() if name not in kept]
    columns: list[RawColumn] = []
    series, notes = [], [*source.notes, *left]
    for values in frame:
        cells, unit = _plain(values)
        name = "time" if values.dtype.is_temporal() and values.name.startswith("__index_level_") else values.name
        words = {}
        if cells.dtype == pl.String:
            read = read_cells(cells, ".")
            cells, words, unit = read.values, read.words, read.unit
        key = unique_keys([*(column.heading for column in columns), name])[-1]
        columns.append(RawColumn(key, name, unit, words, cells.null_count()))
        series.append(cells.alias(key))
    if not columns:
        raise ReadError("no column holds numbers or text, so the file is no log.")
    return RawTable(
        path=source.path,
        dialect=Dialect("Parquet", source.compression),
        frame=pl.DataFrame(series),
        columns=tuple(columns),
        rows_in=rows,
        set_aside=(),
        line=np.arange(1, rows + 1),
        restarts=np.zeros(0, dtype=np.int64),
        notes=tuple(notes),
    )


def plain_columns(schema: Mapping[str, pl.DataType]) -> list[str]:
    """Names of the columns that hold numbers, times or texts.

    Others are never loaded: a list unpacks to far more than its rows tell, and a type that names itself an object of
    Python's would be taken for an address in memory.
    """
    plain = (pl.Boolean, pl.Datetime, pl.Duration, pl.Time, pl.Date, *_TEXTS)
    return [name for name, kind in schema.items() if kind.is_numeric() or kind in plain]


def _text_bytes(values: pl.Series) -> int:
    """Bytes of all texts of a column, of which the file may hold each one once."""
    if values.dtype == pl.String:
        return int(values.str.len_bytes().cast(pl.UInt64).sum())
    if values.dtype not in _TEXTS:
        return 0
    rows = pl.DataFrame({"code": values.to_physical()}).with_row_index("row").group_by("code")
    each = rows.agg(pl.len().cast(pl.UInt64).alias("times"), pl.col("row").first())
    lengths = values.gather(each["row"]).cast(pl.String).str.len_bytes().fill_null(0).cast(pl.UInt64)
    return int((lengths * each["times"]).sum())


def _plain(values: pl.Series) -> tuple[pl.Series, str]:
    """Give a column as Float64 or String, and the unit that its type states."""
    kind = values.dtype
    if kind.is_numeric() or kind == pl.Boolean:
        numbers = values.cast(pl.Float64)
        return numbers.set(numbers.is_infinite().fill_null(False), float("nan")), ""
    if kind == pl.Datetime:
        return values.dt.cast_time_unit("ns").cast(pl.Int64).cast(pl.Float64) * 1e-9, "s"
    if kind in (pl.Duration, pl.Time):
        numbers = values.cast(pl.Duration("ns")) if kind == pl.Duration else values
        return numbers.cast(pl.Int64).cast(pl.Float64) * 1e-9, "s"
    return values.cast(pl.String), ""


REFUSED = 3  # the loader's exit status where the file says that it is too large
_LONGEST_S = 120.0  # and a second for each megabyte; blocks that point at each other would be followed for ever


def read_mdf(data: bytes, source: Source) -> RawTable:
    """Read an MDF file.

    The rows are the time stamps of all groups together. A channel has a value in the rows of its own group and an
    empty cell in the others, so its rate stays visible; nothing is interpolated. Readings that the file marks invalid
    are NaN. The clock is absolute: the file's start time plus the time stamps. A channel whose conversion rule is not
    applied (`mdf_rule`) is left out, with a note; raw values never stand in for physical ones.

    Raises
    ------
    ReadError
        The extra is not installed, or the file is damaged or empty.
    """
    if importlib.util.find_spec("asammdf") is None:
        raise ReadError("this is an MDF file; install the optional extra that reads it: tunelab[mdf].")
    if data[64:68] != b"##HD" and data[64:66] != b"HD":
        raise ReadError("the MDF content is damaged: its header block is missing; copy the file from the logger again.")
    loader = [sys.executable, "-P", "-m", "tunelab.log.read.mdf_load"]
    try:
        most = _LONGEST_S + len(data) * 1e-6
        ran = subprocess.run(loader, input=data, capture_output=True, check=False, timeout=most)
    except subprocess.TimeoutExpired:
        raise ReadError("the MDF content cannot be read: its reader came to no end; copy the file again.") from None
    if ran.returncode:
        last = ran.stderr.decode("utf-8", "replace").strip().splitlines()[-1:] or ["the decoder broke down"]
        if ran.returncode == REFUSED:
            raise ReadError(last[0])
        raise ReadError(f"the MDF content cannot be read ({last[0]}); copy the file from the logger again.")
    signals, start, notes = _unpack(ran.stdout)
    if not signals:
        raise ReadError("the MDF file holds no channel with samples.")
    return table_of_signals(signals, start, replace(source, notes=(*source.notes, *notes)), "MDF")


def _unpack(packed: bytes) -> tuple[list[Signal], float, list[str]]:
    with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
        told = json.loads(arrays["told"].tobytes())
        signals = [
            Signal(
                **known, timestamps=arrays[f"time{i}"], samples=arrays[f"value{i}"], invalid=arrays.get(f"invalid{i}")
            )
            for i, known in enumerate(told["channels"])
        ]
    return signals, told["start"], told["notes"]
