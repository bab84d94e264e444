"""How a logger writes its file: names, units, digits, marks, clock, encoding. All dialects here are invented."""

from __future__ import annotations

import datetime
import gzip
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tunelab.channels import CHANNELS
from tunelab.simulate.logger import Recording
from tunelab.units import convert

TimeStyle = Literal["seconds", "milliseconds", "clock", "iso8601"]


@dataclass(frozen=True)
class Column:
    """One column of a file."""

    channel: str
    heading: str
    unit: str  # as the unit row or the heading says it; "afr" and "factor" are understood beside real units
    digits: int


@dataclass(frozen=True)
class Dialect:
    """One way to write a log."""

    columns: tuple[Column, ...]
    time_heading: str
    time_style: TimeStyle
    delimiter: str
    decimal: Literal[".", ","]
    encoding: str
    preamble: tuple[str, ...]
    has_unit_row: bool
    is_quoted: bool
    repeats_heading: bool  # again after each reconnect
    newline: str


def _in_unit(values: np.ndarray, column: Column, afr_stoich: float) -> np.ndarray:
    if column.unit == "afr":
        return values * afr_stoich
    if column.unit == "factor":
        return 1.0 + values / 100.0
    if column.unit in ("", "1"):
        return values
    return convert(values, CHANNELS[column.channel].unit, column.unit)


def _cells(values: np.ndarray, column: Column, dialect: Dialect, word: str) -> list[str]:
    shape = f"%.{column.digits}f"
    scale = 10.0**column.digits
    rounded = np.round(values * scale) / scale + 0.0  # the sum turns -0 into 0
    texts = [shape % v if v == v else word for v in rounded.tolist()]
    return [t.replace(".", ",") for t in texts] if dialect.decimal == "," else texts


def _clock(time: np.ndarray, dialect: Dialect, begins: datetime.datetime) -> list[str]:
    if dialect.time_style == "seconds":
        texts = [f"{t:.3f}" for t in time.tolist()]
    elif dialect.time_style == "milliseconds":
        texts = [str(round(1000.0 * t)) for t in time.tolist()]
    else:
        kind = "%H:%M:%S.%f" if dialect.time_style == "clock" else "%Y-%m-%dT%H:%M:%S.%f"
        texts = [
            (begins + datetime.timedelta(milliseconds=round(1000.0 * t))).strftime(kind)[:-3] for t in time.tolist()
        ]
    return [t.replace(".", ",") for t in texts] if dialect.decimal == "," else texts


def _line(cells: list[str], dialect: Dialect) -> str:
    quoted = [f'"{cell}"' for cell in cells] if dialect.is_quoted else cells
    return dialect.delimiter.join(quoted)


def log_text(recording: Recording, dialect: Dialect, begins: datetime.datetime, afr_stoich: float) -> str:
    """Text of a log file. `begins` is the time of day of row one; `afr_stoich` is what an AFR display uses."""
    table = [_clock(recording.time, dialect, begins)]
    for column in dialect.columns:
        values = _in_unit(recording.columns[column.channel], column, afr_stoich)
        table.append(_cells(values, column, dialect, recording.words.get(column.channel, "")))
    heading = [_line([dialect.time_heading, *(c.heading for c in dialect.columns)], dialect)]
    if dialect.has_unit_row:
        unit = {"seconds": "s", "milliseconds": "ms"}.get(dialect.time_style, "")
        heading.append(_line([unit, *(c.unit for c in dialect.columns)], dialect))
    lines = [*dialect.preamble, *heading]
    part = recording.part.tolist()
    for row, cells in enumerate(zip(*table, strict=True)):
        if dialect.repeats_heading and row and part[row] != part[row - 1]:
            lines += heading
        lines.append(dialect.delimiter.join(cells))
    return dialect.newline.join(lines) + dialect.newline


def log_bytes(text: str, dialect: Dialect, *, is_cut_off: bool, is_packed: bool) -> bytes:
    """Bytes of a log file: encoded, perhaps broken off in its last row, perhaps gzip with no time stamp in it."""
    if is_cut_off:
        text = text[: -len(dialect.newline) - 9]
    data = text.encode(dialect.encoding)
    return gzip.compress(data, 9, mtime=0) if is_packed else data
