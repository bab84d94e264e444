"""Clean copies of logs: raw ones for those who ask for them, and the kit's own. A raw log itself is never changed."""

from __future__ import annotations

import gzip
import io
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np
import polars as pl
import xarray as xr

from tunelab.log.read import RawTable, read_raw
from tunelab.log.read.raw import Dialect, RawColumn
from tunelab.log.read.typed import plain_columns
from tunelab.record.share.clean_text import NUMBER, clean_json, is_position, row_gives_position
from tunelab.record.share.private import Box, Scrubber
from tunelab.study.consistency.sensor import MOVED, moved_m
from tunelab.study.pull_result import METRES_PER_DEGREE

POSITION = ("latitude_deg", "longitude_deg")
STEP_M = 20.0  # a shorter way says nothing about the heading
BACK = -0.7  # cosine to the way before beyond which the car was turned round


def clean_log(log: xr.Dataset, scrubber: Scrubber, where: str, *, keep_place: bool = False) -> xr.Dataset:
    """Return a copy of a log without what is private.

    Parameters
    ----------
    log : Dataset
        A log with or without flags; it is not changed.
    scrubber : Scrubber
        Cleans the texts of all attributes.
    where : str
        Name of the file in the account.
    keep_place : bool
        Leave latitude, longitude and height as they are.
    """
    cleaned = log if keep_place else _without_position(log, scrubber, where)
    cleaned = cleaned.copy()
    cleaned.attrs = {key: _clean_attribute(value, scrubber, where) for key, value in cleaned.attrs.items()}
    for values in cleaned.variables.values():
        values.attrs = {key: _clean_attribute(value, scrubber, where) for key, value in values.attrs.items()}
    return cleaned


def _without_position(log: xr.Dataset, scrubber: Scrubber, where: str) -> xr.Dataset:
    gone = [str(n) for n in log.variables if str(n).startswith(POSITION)]
    for name in gone:
        scrubber.note("position", f"channel {name}", where)
    cleaned = log.drop_vars(gone)
    if (moved := moved_m(log)) is not None:
        known = [value if np.isfinite(value) else None for value in moved.tolist()]
        cleaned = cleaned.assign_attrs({MOVED: json.dumps(known)})
    if "altitude_m" in cleaned:
        measured = np.flatnonzero(np.isfinite(cleaned["altitude_m"].values))
        if measured.size:
            scrubber.note("position", "height above sea; counted from the start instead", where)
            height = cleaned["altitude_m"]
            cleaned = cleaned.assign(altitude_m=(height - float(height.values[measured[0]])).assign_attrs(height.attrs))
    return cleaned


def _clean_attribute(value: object, scrubber: Scrubber, where: str) -> object:
    if not isinstance(value, str):
        return value
    if value[:1] in "[{" and value:
        try:
            return json.dumps(clean_json(json.loads(value), scrubber, where), ensure_ascii=False)
        except ValueError:
            pass
    return scrubber.text(value, where)


def box_of(log: xr.Dataset) -> Box | None:
    """Tell where a log's positions lie; None without any."""
    if not all(name in log for name in POSITION):
        return None
    latitude, longitude = (log[name].values[np.isfinite(log[name].values)] for name in POSITION)
    if not latitude.size or not longitude.size:
        return None
    return Box(float(latitude.min()), float(latitude.max()), float(longitude.min()), float(longitude.max()))


def turned_at(log: xr.Dataset) -> list[float]:
    """Moments at which the car was turned round, by its positions; they can go out where positions may not. [s]

    A turn is where the way of the next 20 m runs against the way before.
    """
    if box_of(log) is None:
        return []
    time = log["time"].values
    latitude, longitude = (log[name].values for name in POSITION)
    known = np.isfinite(latitude) & np.isfinite(longitude)
    time, latitude, longitude = time[known], latitude[known], longitude[known]
    north = METRES_PER_DEGREE * (latitude - latitude[0])
    east = METRES_PER_DEGREE * (longitude - longitude[0]) * np.cos(np.radians(latitude[0]))
    return _reversals(time, east, north)


def _reversals(time: np.ndarray, east: np.ndarray, north: np.ndarray) -> list[float]:
    found: list[float] = []
    start, before = 0, None
    for row in range(1, time.size):
        way = np.array([east[row] - east[start], north[row] - north[start]])
        length = float(np.hypot(*way))
        if length < STEP_M:
            continue
        heading = way / length
        if before is not None and float(heading @ before) < BACK:
            found.append(round(float((time[start] + time[row]) / 2), 1))
            before = heading
        elif before is None or float(heading @ before) > -BACK:
            before = heading
        start = row
    return found


GZIP = b"\x1f\x8b"
BINARY = (b"\x89HDF", b"CDF", b"MDF", b"UnFinMF")  # how files of netCDF and MDF begin
WORDS = (pl.Categorical, pl.Enum)  # texts that polars stores as numbers


class UncleanError(ValueError):
    """A raw log that cannot be cleaned; the message says why and what to do."""


@dataclass(frozen=True)
class RawCopy:
    """A clean copy of a raw log."""

    data: bytes
    ending: str = ""  # to put behind the file's name, where the copy has another format


def clean_raw(path: Path, channels: Mapping[str, str], scrubber: Scrubber, boxes: list[Box] | None) -> RawCopy:
    """Return a clean copy of a raw log.

    Parameters
    ----------
    path : Path
        Any log that the kit reads. Text and Parquet stay what they are; of netCDF and MDF, whose other contents cannot
        all be looked through, the table of every row and column goes along as Parquet.
    channels : mapping
        Column heading to the channel that it was mapped to.
    scrubber : Scrubber
        Cleans texts: preamble, headings, cells with words.
    boxes : list of Box or None
        A column that no channel took and whose numbers all lie in one of these is a position too. None: positions stay.

    Raises
    ------
    UncleanError
        A text that does not decode.
    """
    data = path.read_bytes()
    raw = read_raw(path)
    private: set[int] = set()
    if boxes is not None:
        private = {k for k, c in enumerate(raw.columns) if _is_private(raw, c, channels, boxes)}
    is_packed = data.startswith(GZIP)
    data = gzip.decompress(data) if is_packed else data
    if data.startswith(b"PAR1"):
        gone = {raw.columns[k].heading for k in private}
        return RawCopy(_clean_table(_plain_table(data), gone, scrubber, path.name))
    if data.startswith(BINARY):
        for _column in private:
            scrubber.note("position", "column", path.name)
        return RawCopy(_clean_table(_table_of(raw, private), set(), scrubber, path.name), ".parquet")
    cleaned = _clean_lines(data, raw, private, scrubber, keeps_position=boxes is None)
    return RawCopy(gzip.compress(cleaned, mtime=0) if is_packed else cleaned)


def _is_private(raw: RawTable, column: RawColumn, channels: Mapping[str, str], boxes: list[Box]) -> bool:
    channel = channels.get(column.key, channels.get(column.heading, ""))
    if channel in ("latitude_deg", "longitude_deg", "altitude_m"):
        return True
    return is_position(column.heading) or (not channel and _lies_in(raw.frame[column.key], boxes))


def _lies_in(values: pl.Series, boxes: list[Box]) -> bool:
    """Whether all numbers of a column, at least twenty, lie where positions of this workspace's logs lie."""
    if not values.dtype.is_numeric():
        return False
    known = values.drop_nulls().drop_nans()
    if known.len() < 20:
        return False
    low, high = float(cast("float", known.min())), float(cast("float", known.max()))
    near = 0.02
    spans = [span for box in boxes for span in ((box.south, box.north), (box.west, box.east))]
    return any(first - near <= low and high <= last + near for first, last in spans)


def _table_of(raw: RawTable, private: set[int]) -> pl.DataFrame:
    """Every row and column but the private ones, units in brackets behind the names."""
    named = {c.key: f"{c.key} [{c.unit}]" if c.unit else c.key for k, c in enumerate(raw.columns) if k not in private}
    return raw.frame.select(list(named)).rename(named)


def _plain_table(data: bytes) -> pl.DataFrame:
    packed = pl.scan_parquet(io.BytesIO(data))
    return packed.select(plain_columns(packed.collect_schema())).collect()


def _clean_table(frame: pl.DataFrame, private: set[str], scrubber: Scrubber, name: str) -> bytes:
    gone = [column for column in frame.columns if column in private]
    for _column in gone:
        scrubber.note("position", "column", name)
    frame = frame.drop(gone)
    frame = frame.with_columns(pl.col(c).cast(pl.String) for c in frame.columns if frame[c].dtype in WORDS)
    words = [c for c in frame.columns if frame[c].dtype == pl.String]
    frame = frame.with_columns(
        pl.col(c).map_elements(lambda text: scrubber.text(text, name), return_dtype=pl.String) for c in words
    )
    out = io.BytesIO()
    frame.rename({c: scrubber.text(c, name) for c in frame.columns}).write_parquet(out)
    return out.getvalue()


def _clean_lines(data: bytes, raw: RawTable, private: set[int], scrubber: Scrubber, *, keeps_position: bool) -> bytes:
    dialect, name = raw.dialect, raw.path.name
    encoding = _encoding(data, dialect)
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        raise UncleanError(f"{name}: byte {error.start} is no {encoding}; share without --raw.") from error
    for at in sorted(private):
        scrubber.note("position", f"column {at + 1}, emptied", name)
    gone = {raw.columns[k].key for k in private}
    names = {column.heading for column in raw.columns}
    whole = set(raw.line.tolist())
    out = []
    for number, line in enumerate(re.split(r"(?<=\n)", text), start=1):
        body = line.rstrip("\r\n")
        if number < dialect.data_line:
            cleaned = _clean_preamble(body, dialect.delimiter, scrubber, name, keeps_position=keeps_position)
            out.append(cleaned + line[len(body) :])
            continue
        cells = _split(body, dialect.delimiter)
        fields = next((keys for start, keys in reversed(raw.places) if start <= number), ())
        is_whole = number in whole or (len(cells) == len(fields) and _bare(cells[-1]))
        is_gone = _gone_cells([_bare(cell) for cell in cells], fields if is_whole else None, gone)
        is_gone = {k for k in is_gone if _bare(cells[k]) not in names}
        cells = ["" if k in is_gone else _clean_cell(cell, scrubber, name) for k, cell in enumerate(cells)]
        out.append(dialect.delimiter.join(cells) + line[len(body) :])
    return "".join(out).encode(encoding)


def _gone_cells(cells: list[str], fields: Sequence[str] | None, gone: set[str]) -> set[int]:
    """Places of the cells that hold a position, given whose each field is; None for a row that is not whole.

    Such a row may hold a position in any column, so that all of its numbers go.
    """
    if fields is None:
        return {k for k, cell in enumerate(cells) if gone and NUMBER.fullmatch(cell)}
    return {k for k, key in enumerate(fields[: len(cells)]) if key in gone}


def _clean_preamble(line: str, delimiter: str, scrubber: Scrubber, name: str, *, keeps_position: bool) -> str:
    """Clean a line above the data as one text; where it states a position, its numbers go."""
    cells = [_bare(cell) for cell in _split(line, delimiter)]
    if not keeps_position and row_gives_position(cells):
        scrubber.note("position", "a line above the data", name)
        return delimiter.join("" if NUMBER.fullmatch(cell) else scrubber.text(cell, name) for cell in cells)
    return scrubber.text(line, name)


def _clean_cell(cell: str, scrubber: Scrubber, name: str) -> str:
    return cell if not cell.strip() or NUMBER.fullmatch(cell) else scrubber.text(cell, name)


def _bare(cell: str) -> str:
    return cell.strip().strip('"').strip()


def _split(body: str, delimiter: str) -> list[str]:
    """Split a line at its delimiters outside quotes, cells as they stand."""
    if '"' not in body:
        return body.split(delimiter)
    return re.split(re.escape(delimiter) + r'(?=(?:[^"]*"[^"]*")*[^"]*$)', body)


def _encoding(data: bytes, dialect: Dialect) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    return "utf-8-sig" if data.startswith(b"\xef\xbb\xbf") else str(dialect.encoding)
