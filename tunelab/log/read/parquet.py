"""Parquet: typed columns, so only their types have to be brought to numbers or text."""

from __future__ import annotations

import io
from collections.abc import Mapping

import numpy as np
import polars as pl

from tunelab.log.read.cells import read_cells
from tunelab.log.read.raw import Dialect, RawColumn, RawTable, ReadError, Source, require_plausible_size, unique_keys

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
