"""The logger: what it samples, what its link and sensors do to that, and how it writes its file."""

from __future__ import annotations

import datetime
import gzip
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tunelab.channels import CHANNELS
from tunelab.simulate import STEP_S, Drive
from tunelab.units import convert


@dataclass(frozen=True)
class Sampling:
    """How a logger reads its channels."""

    rate_hz: float  # rows per second
    jitter: float  # standard deviation of a row's time, as a share of the interval
    poll_s: float  # time from one channel to the next within a row; 0 reads all at once
    slow_hz: dict[str, float]  # channels that refresh at their own slower rate; held in between


@dataclass(frozen=True)
class Faults:
    """What goes wrong on the way."""

    gaps: tuple[tuple[float, float], ...]  # start and length of each drop-out [s]
    restarts_at_zero: bool  # after a drop-out the logger's clock begins again
    spikes_per_min: dict[str, float]  # single wild values by channel
    frozen: tuple[tuple[str, float, float], ...]  # channel, start, length: the last value stays [s]
    words: dict[str, tuple[str, float]]  # channel: error word, share of its readings


@dataclass(frozen=True)
class Recording:
    """What the logger has: one row per sample.

    `time` as its clock shows it, shape (rows,); `columns` canonical channels, same shape, NaN where an error word
    stands; `words` the word for each such channel; `part` counts the stretches between reconnects.
    """

    time: np.ndarray
    columns: dict[str, np.ndarray]
    words: dict[str, str]
    part: np.ndarray


NO_FAULTS = Faults((), False, {}, (), {})

_WILD = {
    "lambda_measured": (0.4, 9.9),
    "engine_speed_rpm": (0.0, 15900.0),
    "meter_v": (0.0, 5.0),
    "coolant_c": (-40.0, 140.0),
}


def sample(drive: Drive, channels: tuple[str, ...], sampling: Sampling, rng: np.random.Generator) -> Recording:
    """Read a drive at a logger's rate. A channel that the drive does not have is a KeyError."""
    interval = 1.0 / sampling.rate_hz
    span = drive.time[-1] - 4.0 * interval
    even = np.arange(0.0, span, interval)
    time = np.maximum.accumulate(
        even + interval * (1.0 + sampling.jitter * np.clip(rng.standard_normal(even.size), -3, 3))
    )
    columns = {}
    for position, name in enumerate(channels):
        moments = time + position * sampling.poll_s
        if name in sampling.slow_hz:
            period = 1.0 / sampling.slow_hz[name]
            phase = period * rng.uniform()
            moments = np.maximum(np.floor((moments - phase) / period) * period + phase, 0.0)
        index = np.minimum((moments / STEP_S + 1e-6).astype(int), drive.time.size - 1)
        columns[name] = drive.channels[name][index].astype(float)
    return Recording(time - time[0], columns, {}, np.zeros(time.size, dtype=int))


def _spiked(recording: Recording, faults: Faults, rng: np.random.Generator) -> dict[str, np.ndarray]:
    columns = dict(recording.columns)
    minutes = recording.time[-1] / 60.0
    for name, rate in faults.spikes_per_min.items():
        values = columns[name].copy()
        low, high = _WILD.get(name, (0.0, 2.0 * float(np.nanmax(values))))
        where = rng.integers(0, values.size, rng.poisson(rate * minutes))
        values[where] = np.where(rng.random(where.size) < 0.5, low, high)
        columns[name] = values
    return columns


def _frozen(columns: dict[str, np.ndarray], time: np.ndarray, faults: Faults) -> dict[str, np.ndarray]:
    columns = dict(columns)
    for name, start, length in faults.frozen:
        inside = np.flatnonzero((time >= start) & (time < start + length))
        if inside.size:
            values = columns[name].copy()
            values[inside] = values[inside[0]]
            columns[name] = values
    return columns


def _worded(columns: dict[str, np.ndarray], faults: Faults, rng: np.random.Generator) -> dict[str, np.ndarray]:
    columns = dict(columns)
    for name, (_, share) in faults.words.items():
        columns[name] = np.where(rng.random(columns[name].size) < share, np.nan, columns[name])
    return columns


def _parted(recording: Recording, faults: Faults) -> Recording:
    """Take the drop-outs out; each begins a new part, whose clock may begin at zero."""
    time, kept = recording.time, np.ones(recording.time.size, dtype=bool)
    part = np.zeros(time.size, dtype=int)
    for start, length in faults.gaps:
        kept &= ~((time >= start) & (time < start + length))
        part += time >= start + length
    shown = time[kept]
    part = part[kept]
    if faults.restarts_at_zero:
        firsts = {k: shown[part == k][0] for k in np.unique(part)}
        shown = shown - np.array([firsts[k] for k in part])
    return Recording(shown, {name: v[kept] for name, v in recording.columns.items()}, recording.words, part)


def disturb(recording: Recording, faults: Faults, rng: np.random.Generator) -> Recording:
    """Give back the recording with the faults in it."""
    columns = _spiked(recording, faults, rng)
    columns = _frozen(columns, recording.time, faults)
    columns = _worded(columns, faults, rng)
    words = {name: word for name, (word, _) in faults.words.items()}
    return _parted(replace(recording, columns=columns, words=words), faults)


@dataclass(frozen=True)
class Link:
    """How often the link to the logger drops out: a rate by engine state, for one wiring configuration."""

    per_hour_idle: float
    per_hour_running: float  # at 3000 rpm; grows with the square of engine speed
    per_hour_shaken: float  # added per m/s² of acceleration
    chance_crank: float  # that cranking drops it
    gap_s: tuple[float, float]  # shortest and longest time to come back


def drop_outs(drive: Drive, link: Link, rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """Draw the drop-outs of a drive: start and length of each, in order, not overlapping. [s]"""
    speed = drive.channels["engine_speed_rpm"]
    shaken = np.abs(drive.channels["acceleration_m_s2"])
    rate_h = np.where(
        speed < 1100.0,
        link.per_hour_idle,
        link.per_hour_running * (speed / 3000.0) ** 2 + link.per_hour_shaken * shaken,
    )
    hit = rng.random(speed.size) < rate_h / 3600.0 * STEP_S
    cranking = np.flatnonzero((speed[1:] > 60.0) & (speed[:-1] <= 60.0))
    hit[cranking[rng.random(cranking.size) < link.chance_crank]] = True
    gaps: list[tuple[float, float]] = []
    for start in drive.time[hit]:
        if not gaps or start > sum(gaps[-1]) + 5.0:
            gaps.append((round(float(start), 2), round(float(rng.uniform(*link.gap_s)), 2)))
    return tuple(gap for gap in gaps if gap[0] > 5.0 and sum(gap) < drive.time[-1] - 8.0)


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
