"""How far apart the clocks of two loggers are, found from a quantity that both logged: mostly engine speed.

At the right offset the two readings agree; at any other they differ by about as much as the quantity moves. So the
difference is taken at every offset, and only one that stands alone counts: half the ways to drive repeat themselves.
All bounds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.log.map.mapped import MappedFile

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
