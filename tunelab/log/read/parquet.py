"""Parquet: typed columns, so only their types have to be brought to numbers or text."""

from __future__ import annotations

import io

import numpy as np
import polars as pl

from tunelab.log.read.cells import read_cells
from tunelab.log.read.packed import require_plausible_size
from tunelab.log.read.raw import Dialect, RawColumn, RawTable, ReadError, Source, unique_keys


def read_parquet(data: bytes, source: Source) -> RawTable:
    """Read a Parquet file; columns of lists or structures are left out, with a note.

    Raises
    ------
    ReadError
        The file is damaged, or holds no rows.
    """
    try:
        packed = pl.scan_parquet(io.BytesIO(data))
        rows, columns = packed.select(pl.len()).collect().item(), len(packed.collect_schema())
        require_plausible_size(8 * rows * columns, len(data), "Parquet")
        frame = packed.collect()
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError) as error:
        raise ReadError(f"the Parquet content is damaged ({error}); was it cut off while being written?") from error
    if not frame.height:
        raise ReadError("the file holds no rows.")
    columns, series, notes = [], [], list(source.notes)
    for values in frame:
        found = _plain(values)
        if found is None:
            notes.append(f"column {values.name!r} holds {values.dtype} and was left out")
            continue
        cells, unit = found
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
        rows_in=frame.height,
        set_aside=(),
        line=np.arange(1, frame.height + 1),
        restarts=np.zeros(0, dtype=np.int64),
        notes=tuple(notes),
    )


def _plain(values: pl.Series) -> tuple[pl.Series, str] | None:
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
    if kind in (pl.String, pl.Categorical, pl.Enum, pl.Date):
        return values.cast(pl.String), ""
    return None
