"""Thins long logs for the screen, so that a look at millions of samples stays quick."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.chart.reduce import reduce_trace

BLOCKS = (16, 256)  # samples whose least and greatest value are kept at each level of thinning
MOST_SAMPLES = 40_000  # that a window is drawn from


@dataclass(frozen=True)
class ThinTrace:
    """One channel at several levels: every sample, then the least and the greatest of each block of samples."""

    times: tuple[np.ndarray, ...]  # per level, shape (n,), rising [s]
    values: tuple[np.ndarray, ...]

    def window(self, start_s: float, end_s: float, *, columns: int) -> tuple[np.ndarray, np.ndarray]:
        """Cut out a stretch and thin it to pixel columns.

        Returns
        -------
        time, values : arrays, shape (m,)
            At most about twice `columns` and its breaks; one sample beyond either end, so that lines run to the edge.
        """
        level = next(
            (level for level in range(len(self.times)) if self._size(level, start_s, end_s) <= MOST_SAMPLES), -1
        )
        own = self._rows(level, start_s, end_s)
        return reduce_trace(self.times[level][own], self.values[level][own], columns)

    def _size(self, level: int, start_s: float, end_s: float) -> int:
        own = self._rows(level, start_s, end_s)
        return own.stop - own.start

    def _rows(self, level: int, start_s: float, end_s: float) -> slice:
        time = self.times[level]
        first = max(0, int(np.searchsorted(time, start_s)) - 1)
        return slice(first, min(time.size, int(np.searchsorted(time, end_s, side="right")) + 1))


def thin_trace(time: np.ndarray, values: np.ndarray) -> ThinTrace:
    """Prepare a channel for quick windows of any width.

    Parameters
    ----------
    time, values : arrays, shape (n,)
        Rising time [s]; NaN where there is no reading. A block without a reading keeps one NaN, so the line breaks.
    """
    times, levels = [time], [values]
    for block in BLOCKS:
        if time.size > 4 * block:
            kept = _extremes(values, block)
            times.append(time[kept])
            levels.append(values[kept])
    return ThinTrace(tuple(times), tuple(levels))


def _extremes(values: np.ndarray, block: int) -> np.ndarray:
    """Positions of the least and the greatest value of each block, each once, rising."""
    whole = values.size // block * block
    rows = values[:whole].reshape(-1, block)
    low = np.where(np.isnan(rows), np.inf, rows).argmin(axis=1)
    high = np.where(np.isnan(rows), -np.inf, rows).argmax(axis=1)
    begin = np.arange(rows.shape[0]) * block
    return np.unique(np.concatenate([begin + low, begin + high, np.arange(whole, values.size)]))


def thin_points(x: np.ndarray, y: np.ndarray, window: tuple[float, float, float, float], *, pixels: int) -> np.ndarray:
    """Positions of samples to draw as points: the latest in each of `pixels` × `pixels` cells of a window.

    Parameters
    ----------
    x, y : arrays, shape (n,)
        NaN is never drawn.
    window : tuple of float
        Left, bottom, right, top; what lies outside is not drawn.
    pixels : int
        Cells across and up. Every cell with a sample keeps one, so no outlier is lost.

    Returns
    -------
    int array, shape (m,), rising
    """
    left, bottom, right, top = window
    inside = np.flatnonzero((x >= left) & (x <= right) & (y >= bottom) & (y <= top))
    if not inside.size:
        return inside
    column = ((x[inside] - left) * ((pixels - 1) / max(right - left, 1e-12))).astype(np.int32)
    row = ((y[inside] - bottom) * ((pixels - 1) / max(top - bottom, 1e-12))).astype(np.int32)
    latest = np.full(pixels * pixels, -1, dtype=np.int64)
    latest[row * pixels + column] = inside  # of samples in one cell the last one written stays
    return np.sort(latest[latest >= 0])
