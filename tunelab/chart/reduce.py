"""Thins a trace for drawing: the least and the greatest value of each pixel column stay, so a one-sample spike does."""

from __future__ import annotations

import numpy as np

BREAK_STEPS = 10.0  # a pause of so many usual steps breaks the line


def reduce_trace(time: np.ndarray, values: np.ndarray, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Keep the least and the greatest value of each pixel column, in the order of time.

    Parameters
    ----------
    time : array, shape (n,)
        Rising. [s]
    values : array, shape (n,)
        NaN where there is no reading.
    columns : int
        Pixel columns over the whole span.

    Returns
    -------
    time, values : arrays, shape (m,)
        m is at most about twice `columns`, and n where that is enough already; NaN wherever the line must break: at a
        pause, and where a whole column, or both neighbours of a kept sample, have no reading.
    """
    kept = np.arange(time.size) if time.size <= 2 * columns else _extremes(time, values, columns)
    breaks = _breaks(time, values)
    group = np.searchsorted(breaks, kept, side="right")
    cut = np.flatnonzero(np.diff(group)) + 1
    kept_time, kept_values = time[kept].astype(float), values[kept].astype(float)
    return np.insert(kept_time, cut, kept_time[cut - 1]), np.insert(kept_values, cut, np.nan)


def _extremes(time: np.ndarray, values: np.ndarray, columns: int) -> np.ndarray:
    """Positions of the least and the greatest value in each column, each once, rising; shape (m,)."""
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return known
    share = (time[known] - time[0]) / (time[-1] - time[0])
    column = np.minimum((share * columns).astype(int), columns - 1)
    order = np.lexsort((values[known], column))
    first = np.flatnonzero(np.diff(column[order], prepend=-1))
    last = np.append(first[1:], order.size) - 1
    return np.unique(known[order[np.concatenate([first, last])]])


def _breaks(time: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Positions before which the line breaks: after a pause, and on either side of missing readings."""
    step = np.diff(time)
    pause = np.zeros(0, dtype=int) if not step.size else np.flatnonzero(step > BREAK_STEPS * np.median(step)) + 1
    missing = ~np.isfinite(values)
    return np.union1d(pause, np.flatnonzero(np.diff(missing)) + 1)
