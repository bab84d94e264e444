"""Tell fresh readings from held ones in a channel that refreshes slower than the rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_LEAST_CHANGES = 20
_MOST_CHANGING = 0.72  # of the rows: a channel that changes oftener has no rate of its own
SPARSE_SHARE = 0.25  # with fewer empty cells than this a column is taken to have holes, not a slower rate
HOLD_PERIODS = 2.5  # a reading is held over at most so many of its own periods


@dataclass(frozen=True)
class Refresh:
    """Which readings are fresh."""

    values: np.ndarray  # shape (rows,); empty cells between two readings filled with the earlier one
    fresh: np.ndarray  # shape (rows,), bool
    period_s: float  # time between fresh readings


def find_refresh(
    values: np.ndarray, empty: np.ndarray | None, time_s: np.ndarray, episode: np.ndarray
) -> Refresh | None:
    """Find the refresh of one channel; None where every row is a reading of its own.

    Parameters
    ----------
    values : array, shape (rows,)
        NaN where there is no reading.
    empty : array of bool, shape (rows,), or None
        Cells that a slower channel leaves without anything between its readings. An error word is not empty: it ends
        what is held. None where empty cells are holes, or there are none.
    time_s : array, shape (rows,)
        Strictly rising.
    episode : array of int, shape (rows,)
        Nothing is held from one episode into the next.
    """
    if empty is not None and np.isfinite(values).sum() >= 3:
        return _fill_empty(values, empty, time_s, episode)
    return _find_held(values, time_s, episode)


def _fill_empty(values: np.ndarray, empty: np.ndarray, time_s: np.ndarray, episode: np.ndarray) -> Refresh | None:
    fresh = np.isfinite(values)
    at = np.flatnonzero(fresh)
    gaps = np.diff(time_s[at])[np.diff(episode[at]) == 0]
    if not gaps.size:
        return None
    period = float(np.median(gaps))
    written = np.flatnonzero(~empty)  # readings and error words alike
    last = np.cumsum(~empty) - 1
    source = written[np.maximum(last, 0)]
    is_held = empty & (last >= 0) & (episode[source] == episode) & (time_s - time_s[source] <= HOLD_PERIODS * period)
    filled = np.where(is_held, values[source], values)
    return Refresh(filled, fresh, period)


def _find_held(values: np.ndarray, time_s: np.ndarray, episode: np.ndarray) -> Refresh | None:
    """Readings repeat for a regular number of rows: the changes show the rate.

    A quantity that rests, or creeps from one step of its resolution to the next, changes at odd times, or by one step
    only and off any beat; it stays without a rate: that it is constant does not make it held.
    """
    same = values[1:] == values[:-1]
    missing = 2 * np.count_nonzero(np.isnan(values)) if values.size and np.isnan(values.min()) else 0
    if same.size - np.count_nonzero(same) - missing > _MOST_CHANGING * values.size:
        return None
    differs = ~same & np.isfinite(values[1:]) & np.isfinite(values[:-1])
    at = np.flatnonzero(differs) + 1
    if at.size < _LEAST_CHANGES or at.size > _MOST_CHANGING * values.size:
        return None
    joined = episode[at[1:]] == episode[at[:-1]]
    run = np.diff(at)[joined]
    if not run.size or not _is_regular(run) or (_is_creeping(values, at) and not _is_on_a_beat(run)):
        return None
    usual = _usual_run(run)
    steps = np.diff(time_s)
    row_s = float(np.median(steps))
    fresh = _mark_fresh(values, at, usual, episode)
    return Refresh(values, fresh, usual * row_s)


def _is_creeping(values: np.ndarray, at: np.ndarray) -> bool:
    step = np.abs(values[at] - values[at - 1])
    smallest = float(np.min(step))
    return bool(np.mean(step < 1.5 * smallest) > 0.9)


def _is_on_a_beat(run: np.ndarray) -> bool:
    """Runs are multiples of one length, and some are longer than that: an even creep never leaves a beat out."""
    beats = np.maximum(np.round(run / _usual_run(run)), 1)
    usual = run.sum() / beats.sum()
    slack = 1.1 if usual >= 6 else 0.6  # rows; jitter moves a reading by one, but short beats are then no proof
    judged = beats <= 8  # over more beats the rounding of the length itself shows
    if judged.sum() < 25 or (beats > 1).mean() < 0.02:
        return False
    return bool(np.mean(np.abs(run - beats * usual)[judged] <= slack) > 0.95)


def _is_regular(run: np.ndarray) -> bool:
    """Hardly any reading follows the one before at once, and half the runs are one period long or all keep a beat."""
    base = float(np.percentile(run, 20, method="lower"))
    if np.mean(run == 1) > 0.03 or base < 2:
        return False
    near = (run >= base - 1) & (run <= base + 1 + 0.1 * base)
    return bool(np.mean(near) >= 0.5) or _is_on_a_beat(run)


def _usual_run(run: np.ndarray) -> float:
    """Rows from one fresh reading to the next; runs over several periods, where a reading came out equal, left out."""
    base = float(np.percentile(run, 20, method="lower"))
    near = run[(run >= base - 1) & (run <= base + 1 + 0.1 * base)]
    return float(near.mean())


def _mark_fresh(values: np.ndarray, at: np.ndarray, usual: float, episode: np.ndarray) -> np.ndarray:
    """Mark changes, and between distant changes the moments at which an equal reading must have come in."""
    fresh = np.zeros(values.size, dtype=bool)
    known = np.isfinite(values)
    fresh[0] = True
    fresh[1:] = (np.diff(episode) != 0) | (known[1:] & ~known[:-1])
    fresh[at] = True
    marks = np.flatnonzero(fresh)
    ends = np.r_[marks[1:], values.size]
    counts = np.round((ends - marks) / usual).astype(int)
    for long in np.flatnonzero(counts > 1):
        start, length, count = marks[long], ends[long] - marks[long], counts[long]
        fresh[start + np.round(np.arange(1, count) * length / count).astype(int)] = True
    return fresh & known
