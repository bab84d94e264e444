"""Where the files of one session lie on one clock, by their stamps or by what two loggers both logged.

At the right offset the two readings agree; at any other they differ by about as much as the quantity moves. So the
difference is taken at every offset, and only one that stands alone counts: half the ways to drive repeat themselves.
All bounds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tunelab.log.map.clock import Kind
from tunelab.log.map.timing import UNKNOWN_GAP_S
from tunelab.log.read import RawTable, SetAside


@dataclass(frozen=True)
class Track:
    """One channel of one file."""

    values: np.ndarray  # shape (rows,), float64, in the channel's unit
    fresh: np.ndarray | None  # shape (rows,), bool; None where every row is a reading of its own
    period_s: float  # time between fresh readings; NaN where `fresh` is None
    source: str  # column heading
    how: str  # conversion


@dataclass(frozen=True)
class MappedFile:
    """One file, mapped. `time_s` is as the file's clock has it: since 1970, since midnight, or since some start."""

    raw: RawTable
    kind: Kind
    time_s: np.ndarray  # shape (rows,), strictly rising
    episode: np.ndarray  # shape (rows,), int32, from 0
    line: np.ndarray  # shape (rows,), line of the file
    tracks: dict[str, Track]
    set_aside: tuple[SetAside, ...]
    columns: tuple[dict[str, object], ...]  # what became of each column
    history: tuple[str, ...]


TOLD_BY = ("engine_speed_rpm", "throttle_pct", "manifold_kpa", "road_speed_km_h")
"""Quantities that two loggers see alike, the most telling first."""
_COARSE_S, _FINE_S = 0.1, 0.01
_LEAST_TOGETHER_S = 60.0  # or two thirds of the shorter log, where that is less
_LEAST_SHORT_S = 30.0  # a log shorter than this shows nothing
_HOLE_S = 1.0  # readings farther apart than this are not joined
_LEFT_OVER = 0.05  # of the mean square of the quantity's own movement: more does not agree
_ALONE = 4.0  # times as much is left over anywhere else, or the offset does not stand alone
_NEAR_S = 3.0  # of the best offset: still the same one
_MOST_DOUBT_S = 0.2
_PARTS = 3  # of the time together, by which the doubt is found


@dataclass(frozen=True)
class Offset:
    """What to add to the second clock to have the first one; `because` says why none is known, and is else empty."""

    channel: str
    seconds: float = float("nan")
    doubt_s: float = float("nan")
    because: str = ""


def find_offset(one: MappedFile, other: MappedFile) -> Offset | None:
    """Find the offset between the clocks of two files by the first quantity that both logged.

    Returns
    -------
    Offset or None
        None where they share no quantity that could tell. The doubt is the farthest that a third of the time together
        lies from the whole; clocks that do not run alike show there.
    """
    name = next((name for name in TOLD_BY if name in one.tracks and name in other.tracks), None)
    if name is None:
        return None
    pair = [(file.time_s, file.tracks[name].values) for file in (one, other)]
    starts = [float(time[np.isfinite(values)][0]) if np.isfinite(values).any() else 0.0 for time, values in pair]
    first, second = (_even(time, values, _COARSE_S) for time, values in pair)
    short = min(np.count_nonzero(np.isfinite(values)) for values in (first, second)) * _COARSE_S
    if short < _LEAST_SHORT_S:
        return Offset(name, because=f"one of them logged it for {short:.0f} s, and {_LEAST_SHORT_S:g} s are the least")
    lags, left = _left_over(first, second, min(_LEAST_TOGETHER_S, 2 / 3 * short) / _COARSE_S)
    if not np.isfinite(left).any():
        return Offset(name, because="it hardly moves")
    best = int(np.nanargmin(left))
    elsewhere = np.abs(lags - lags[best]) > _NEAR_S / _COARSE_S
    if left[best] > _LEFT_OVER:
        return Offset(name, because="the two do not agree at any offset")
    if (left[elsewhere] < _ALONE * max(left[best], _LEFT_OVER / _ALONE)).any():
        return Offset(name, because="they agree at more than one offset: the drive repeats itself")
    coarse = starts[0] - starts[1] + lags[best] * _COARSE_S
    seconds, doubt = _refine(pair, coarse)
    if not doubt <= _MOST_DOUBT_S:
        return Offset(name, because=f"parts of the drive differ by {doubt:.2g} s: the clocks do not run alike")
    return Offset(name, seconds, doubt)


def _even(time: np.ndarray, values: np.ndarray, step: float, grid: np.ndarray | None = None) -> np.ndarray:
    """Readings on an even clock, NaN in holes."""
    known = np.isfinite(values)
    if np.count_nonzero(known) < 2:
        return np.full(1, np.nan)
    time, values = time[known], values[known]
    grid = np.arange(time[0], time[-1], step) if grid is None else grid
    after = np.clip(np.searchsorted(time, grid), 1, time.size - 1)
    is_hole = (time[after] - time[after - 1] > _HOLE_S) | (grid < time[0]) | (grid > time[-1])
    return np.where(is_hole, np.nan, np.interp(grid, time, values))


def _left_over(one: np.ndarray, other: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean square of the difference at each lag, over twice the variance of the quantity over the same rows.

    Second, NaN where fewer than `least` rows lie together or the quantity hardly moves. Lags are in rows.
    """
    masks = [np.isfinite(values).astype(float) for values in (one, other)]
    middle = np.nanmean(one)
    filled = [np.where(mask > 0, values - middle, 0.0) for mask, values in zip(masks, (one, other), strict=True)]
    (m, n), (a, b) = masks, [values[::-1] if at else values for at, values in enumerate(filled)]
    n = n[::-1]
    together = np.round(_convolve(m, n))
    sums = [_convolve(a, n), _convolve(m, b), _convolve(a**2, n), _convolve(m, b**2), _convolve(a, b)]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_a, mean_b, square_a, square_b, product = (values / together for values in sums)
        moves = (square_a - mean_a**2) + (square_b - mean_b**2)
        left = (square_a + square_b - 2 * product) / moves
    floor = 0.02 * (np.nanvar(one) + np.nanvar(other))
    left = np.where((together >= least) & (moves > floor) & (floor > 0), left, np.nan)
    return np.arange(left.size) - (other.size - 1), left


def _convolve(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Convolve two series in full, by their spectra."""
    size = one.size + other.size - 1
    padded = 1 << (size - 1).bit_length()
    return np.fft.irfft(np.fft.rfft(one, padded) * np.fft.rfft(other, padded), padded)[:size]


def _refine(pair: list[tuple[np.ndarray, np.ndarray]], coarse: float) -> tuple[float, float]:
    """Offset to a hundredth of a second near a coarse one, and the farthest that a part of the time lies from it."""
    (time, values), (other_time, other_values) = pair
    start, stop = max(time[0], other_time[0] + coarse), min(time[-1], other_time[-1] + coarse)
    grid = np.arange(start, stop, 2 * _FINE_S)
    first = _even(time, values, _FINE_S, grid)
    tried = coarse + np.arange(-0.3, 0.3 + _FINE_S / 2, _FINE_S)
    squares = np.array([(first - _even(other_time, other_values, _FINE_S, grid - shift)) ** 2 for shift in tried])
    parts = np.array_split(np.arange(grid.size), _PARTS)
    found = [tried[int(np.argmin(np.nanmean(squares[:, rows], axis=1)))] for rows in (np.arange(grid.size), *parts)]
    return float(found[0]), float(max(np.abs(np.array(found[1:]) - found[0]).max(), _FINE_S))


_DAY = 86400.0
_COPIED_ROWS = 50  # at least, before two files that hold the same rows are taken to be one
_ALIKE = 0.6  # of the channels of the smaller file: fewer in common, and another logger wrote it
_UNKNOWN = "the true gap between the two is not known"
_WAY_OUT = (
    "If two loggers ran at the same time, let both write date or time of day, or say in session.toml when the second "
    "began: [[clock]] with file and starts_s"
)
_BARELY_STARTED_S = 60.0  # hours, minutes and seconds from so near to zero, before the last file's end: a stopwatch
_CONTINUES_S = 10.0  # a file that goes on within this of the one before, on a clock that did not start anew


@dataclass(frozen=True)
class Placed:
    """Files on one clock, and what was noticed."""

    files: list[MappedFile]  # on one clock, in order
    notes: list[str]


def place_files(files: list[MappedFile], starts: Callable[[str], float | None]) -> Placed:
    """Put files, in the order driven, on one clock that starts at the first kept row; `join_files` says how."""
    notes: list[str] = []
    if all(file.kind == "absolute" for file in files):
        files = sorted(files, key=lambda file: file.time_s[0])
    placed: list[MappedFile] = []
    shifts: list[float] = []
    for number, file in enumerate(files):
        twin = next((at for at, other in enumerate(files[:number]) if _is_copied(other, file)), None)
        said = starts(file.raw.path.name)
        if not placed:
            shift, note = 0.0, ""
        elif said is not None:
            shift = float(placed[0].time_s[0]) + said - float(file.time_s[0])
            note = f"{file.raw.path.name}: its first row lies {said:g} s from that of the first file, by session.toml"
        elif twin is not None:
            shift, note = shifts[twin], f"{file.raw.path.name}: holds the rows of {files[twin].raw.path.name} again"
        else:
            file, shift, note = _follow(placed, file)
        notes += [note] if note else []
        shifts.append(shift)
        placed.append(replace(file, time_s=file.time_s + shift))
    origin = min((float(file.time_s[0]) for file in placed), default=0.0)
    return Placed([replace(file, time_s=counted_from(origin, file.time_s)) for file in placed], notes)


def counted_from(origin: float, time_s: np.ndarray) -> np.ndarray:
    """Count from the origin; whole microseconds, where that leaves every row its own time."""
    counted = time_s - origin
    rounded = np.round(counted, 6)
    return rounded if (np.diff(rounded) > 0).all() else counted


def _follow(placed: list[MappedFile], file: MappedFile) -> tuple[MappedFile, float, str]:
    """Where a file lies beside or after the ones before it: the file, how far its clock has to move, what to say."""
    shift, note = _shift(placed, file)
    return _beside_another(placed, file, shift, note) if _UNKNOWN in note else (file, shift, note)


def _shift(placed: list[MappedFile], file: MappedFile) -> tuple[float, str]:
    """How far a file's clock has to move to follow the ones before it, and what to say about it."""
    before = placed[-1]
    end = max(float(other.time_s[-1]) for other in placed)
    start = float(file.time_s[0])
    name = file.raw.path.name
    if file.kind == before.kind == "absolute":
        return 0.0, ""
    if file.kind == before.kind == "time of day":
        days = max(float(np.floor((before.time_s[0] + _DAY / 2 - start) / _DAY)), 0.0)
        if days or start >= _BARELY_STARTED_S or start > end:
            return days * _DAY, ""
    if file.kind == before.kind == "relative" and 0 < start - end <= _CONTINUES_S and start > _CONTINUES_S:
        return 0.0, f"{name}: goes on {start - end:.2f} s after {before.raw.path.name} on the same clock"
    if file.kind == before.kind == "relative" and _repeats(before, file):
        return 0.0, f"{name}: begins with rows of {before.raw.path.name}, so both are on one clock"
    return end + UNKNOWN_GAP_S - start, f"{name}: laid {UNKNOWN_GAP_S:g} s after {before.raw.path.name}; {_UNKNOWN}"


def _beside_another(
    placed: list[MappedFile], file: MappedFile, shift: float, note: str
) -> tuple[MappedFile, float, str]:
    """Lay a second logger's file beside the one that it ran with, where what both logged tells the offset.

    That quantity is then the first file's alone: the two were found to agree.
    """
    others = [other for other in placed if is_another_logger(other, file)]
    found = [(other.raw.path.name, find_offset(other, file)) for other in others]
    told = next(((first, offset) for first, offset in found if offset and not offset.because), None)
    if told:
        first, offset = told
        how = f"{offset.seconds:.2f} ± {offset.doubt_s:.2f} s added to its clock to have that of {first}"
        note = f"{file.raw.path.name}: {how}, found by {offset.channel} in both, which is taken from {first}"
        return _without(file, offset.channel, first), offset.seconds, note
    why = next((f"by {offset.channel}, since {offset.because}" for _, offset in found if offset), "")
    if others:
        note += f"; the offset of their clocks is not known {why or 'by any channel that both logged'}. {_WAY_OUT}"
    return file, shift, note


def is_another_logger(one: MappedFile, other: MappedFile) -> bool:
    """Whether two files come from two loggers: they hold mostly other channels."""
    shared = set(one.tracks) & set(other.tracks)
    return len(shared) < _ALIKE * min(len(one.tracks), len(other.tracks))


def _without(file: MappedFile, channel: str, first: str) -> MappedFile:
    left_out = f"left out: {first} logged it too, and the two agree"
    columns = (
        {**column, "channel": "", "conversion": left_out} if column["channel"] == channel else column
        for column in file.columns
    )
    tracks = {name: track for name, track in file.tracks.items() if name != channel}
    return replace(file, tracks=tracks, columns=tuple(columns))


def _is_copied(other: MappedFile, file: MappedFile) -> bool:
    """True where two files hold the same rows, as far as the shorter one goes: a copy, or an export made too early."""
    rows = min(other.time_s.size, file.time_s.size)
    shared = set(file.tracks) if set(file.tracks) <= set(other.tracks) else set()
    if rows < _COPIED_ROWS or len(shared) < 2 or not np.allclose(other.time_s[:rows], file.time_s[:rows], rtol=0):
        return False
    pairs = ((other.tracks[name].values[:rows], file.tracks[name].values[:rows]) for name in shared)
    return all(np.allclose(one, again, equal_nan=True) for one, again in pairs)


def _repeats(before: MappedFile, file: MappedFile) -> bool:
    """True where the first rows of a file stand in the one before with the same time and the same readings."""
    at = np.searchsorted(before.time_s, file.time_s[:5])
    if file.time_s[0] < 1.0 or len(file.time_s) < 5 or at[-1] >= len(before.time_s):
        return False
    shared = set(before.tracks) & set(file.tracks)
    same = [np.allclose(before.tracks[c].values[at], file.tracks[c].values[:5], equal_nan=True) for c in shared]
    return bool(np.allclose(before.time_s[at], file.time_s[:5]) and len(same) >= 2 and np.mean(same) > 0.9)
