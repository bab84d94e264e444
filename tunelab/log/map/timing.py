"""Settle the clock of a log: restarts become episodes, stray stamps are set aside, fresh readings are separated from
those that are held."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

UNKNOWN_GAP_S = 1.0  # laid between two episodes whose distance the file does not tell
BREAK_S = 2.0  # least length of a hole that starts a new episode
BREAK_STEPS = 20.0  # and it is at least so many usual steps long
_FINEST_S = 1e-6  # no logger writes a million rows a second: rows closer than that have one time
_FARTHEST_S = 1e11  # some 3000 years: a stamp beyond is no time, and too coarse to tell rows apart
_LONGEST_BLOCK = 2000  # rows that a logger may write twice
_MOST_BLOCKS, _MOST_STARTS = 1000, 100  # falls of the clock, and rows with one stamp before each, that are looked at
_SET_S = 300 * 86400.0  # no session lasts so long
_FALLS_AGAIN = 3
_LEAST_DRIVE = 10  # times as many rows belong to a drive
_STRAY_ROWS = 3  # at most so many rows in a row count as out of order
_COARSE_SHARE = 0.2  # with more repeated stamps than this the clock is coarse, not faulty


@dataclass(frozen=True)
class Settled:
    """The clock after settling."""

    time_s: np.ndarray  # shape (rows,); strictly rising over the kept rows
    keep: np.ndarray  # shape (rows,), bool
    episode: np.ndarray  # shape (rows,), from 0
    reasons: dict[str, np.ndarray]  # why -> row positions set aside
    notes: tuple[str, ...]
    doubt: str = ""  # why the clock cannot be trusted, and the way out


def settle_clock(seconds: np.ndarray, restarts: np.ndarray, cells: pl.DataFrame | None = None) -> Settled:
    """Make a clock strictly rising.

    Parameters
    ----------
    seconds : array, shape (rows,)
        The clock as read; NaN where it could not be read.
    restarts : array of int
        Rows before which the logger wrote its heading again.
    cells : DataFrame or None
        All columns, with a row for each of the clock: where it falls back and the same rows follow once more, the
        logger has written them twice and has not started anew.

    Returns
    -------
    Settled
        Unreadable stamps, stray stamps (up to three rows out of order, or a jump ahead and back) and repeated stamps
        are set aside. A clock that falls back for longer starts a new episode, laid `UNKNOWN_GAP_S` after the last. A
        hole of two seconds and twenty rows or more starts one too, and keeps its true length; one of most of a
        year is none: the clock was set.

    Notes
    -----
    Where a fifth or more of the stamps repeat the one before, the clock is coarser than the rows: the rows that share
    a stamp are spread evenly up to the next one, and a note says so.
    """
    if not restarts.size and _is_settled(seconds):
        return Settled(seconds, np.ones(seconds.size, dtype=bool), np.zeros(seconds.size, dtype=np.int32), {}, ())
    reasons: dict[str, np.ndarray] = {}
    keep = np.abs(seconds) < _FARTHEST_S
    reasons["no readable time"] = np.flatnonzero(~keep)
    rows = np.flatnonzero(keep)
    twice = _find_twice(seconds[rows], None if cells is None else cells[rows])
    reasons["written twice: the same rows come earlier"] = rows[twice]
    rows = rows[~twice]
    stray = _find_stray(seconds[rows])
    reasons["time out of order for a moment"] = rows[stray]
    rows = rows[~stray]
    alone = _find_alone(seconds[rows])
    reasons["the clock starts anew right behind it: too few rows for a drive"] = rows[alone]
    rows = rows[~alone]
    time, settings = _before_it_was_set(seconds[rows])
    falls = np.flatnonzero(np.diff(time) < 0) + 1
    headings = np.searchsorted(rows, restarts)
    starts = np.unique(np.r_[falls, settings, headings[(headings > 0) & (headings < len(rows))]])
    time, notes = _spread_coarse(time, starts)
    if len(settings):
        notes += (f"the clock was set while it ran: what it wrote before is laid {UNKNOWN_GAP_S:g} s ahead of that",)
    time = _lay_out(time, falls)
    # After laying out: a step may be too small for where it comes to lie.
    repeated = np.diff(time, prepend=-np.inf) < _FINEST_S
    reasons["same time as the row before"] = rows[repeated]
    starts = np.union1d(starts, np.flatnonzero(np.diff(time) > _break_s(time)) + 1)
    episode = np.searchsorted(starts, np.arange(len(rows)), side="right")
    if len(falls):
        notes += (
            f"the clock starts anew {len(falls)} times; the gaps are of unknown length, laid as {UNKNOWN_GAP_S:g} s",
        )
    return replace(_settled(seconds, rows, time, episode, repeated, reasons, notes), doubt=_doubt(seconds[rows]))


def _before_it_was_set(time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lay what stands before a jump of the better part of a year right before it; and the rows where one ends.

    A logger without a clock of its own begins at some early date and is set when it finds its position.
    """
    settings = np.flatnonzero(np.diff(time) > _SET_S) + 1
    time = time.copy()
    for row in settings:
        time[:row] += time[row] - UNKNOWN_GAP_S - time[row - 1]
    return time, settings


def _doubt(time: np.ndarray) -> str:
    """Say what falls of less than a second mean, where they come again and again: no logger starts anew so."""
    step = np.diff(time)
    count = np.count_nonzero((step < 0) & (step > -UNKNOWN_GAP_S))
    if count < _FALLS_AGAIN:
        return ""
    return (
        f"the clock falls back by less than a second {count} times, as where thousandths lack their zeros "
        "(1.20 for 1.020). Let the logger write them whole, or in a column of milliseconds."
    )


def _is_settled(seconds: np.ndarray) -> bool:
    """Whether a clock rises from row to row already and breaks nowhere."""
    if seconds.size < 3 or not (seconds[0] > -_FARTHEST_S and seconds[-1] < _FARTHEST_S):
        return False
    steps = np.diff(seconds)
    return bool(steps.min() >= _FINEST_S and steps.max() <= BREAK_S)  # NaN anywhere fails either


def _break_s(time: np.ndarray) -> float:
    """A longer step than this breaks the log in two, even where the clock goes on: the logger was away."""
    steps = np.diff(time)
    steps = steps[steps > 0]
    return max(BREAK_S, BREAK_STEPS * float(np.median(steps))) if steps.size else np.inf


def _settled(
    seconds: np.ndarray,
    rows: np.ndarray,
    time: np.ndarray,
    episode: np.ndarray,
    repeated: np.ndarray,
    reasons: Mapping[str, np.ndarray],
    notes: tuple[str, ...],
) -> Settled:
    full_time = np.full(seconds.size, np.nan)
    full_time[rows] = time
    full_episode = np.zeros(seconds.size, dtype=np.int32)
    full_episode[rows] = episode
    kept = np.zeros(seconds.size, dtype=bool)
    kept[rows[~repeated]] = True
    return Settled(full_time, kept, full_episode, {why: at for why, at in reasons.items() if len(at)}, notes)


def _find_twice(time: np.ndarray, cells: pl.DataFrame | None) -> np.ndarray:
    """Rows that hold the block of rows right before them once more, stamps and readings alike."""
    twice = np.zeros(len(time), dtype=bool)
    if cells is None:
        return twice
    falls = (np.flatnonzero(np.diff(time) < 0) + 1).tolist()
    for fall in falls if len(falls) <= _MOST_BLOCKS else []:
        first = max(fall - _LONGEST_BLOCK, 0)
        starts = (np.flatnonzero(time[first:fall] == time[fall]) + first).tolist()
        lengths = (fall - start for start in starts[::-1][:_MOST_STARTS])
        length = next((n for n in lengths if _is_written_twice(cells.slice(fall - n, n), cells.slice(fall, n))), 0)
        twice[fall : fall + (length or _covered(time, cells, fall))] = True
    return twice


def _covered(time: np.ndarray, cells: pl.DataFrame, fall: int) -> int:
    """Count the rows from a fall of the clock on that repeat earlier ones by their stamps, a few of them missing."""
    ahead = np.flatnonzero(time[fall : fall + _LONGEST_BLOCK] > time[fall - 1])
    count = int(ahead[0]) if ahead.size else 0
    first = max(fall - _LONGEST_BLOCK, 0)
    _, before, behind = np.intersect1d(time[first:fall], time[fall : fall + count], return_indices=True)
    if before.size < 2 or 5 * before.size < count:
        return 0
    block, again = cells[before + first], cells[behind + fall]
    return count if _is_same(block, again) and _varies(block) else 0


def _is_written_twice(block: pl.DataFrame, again: pl.DataFrame) -> bool:
    return _is_same(block, again) and (block.height <= _STRAY_ROWS or _varies(block))


def _is_same(block: pl.DataFrame, again: pl.DataFrame) -> bool:
    """Whether two blocks of rows hold the same, columns that only one of them has left aside."""
    if block.equals(again):
        return True
    if block.height != again.height:
        return False
    both = [name for name in block.columns if not (block[name].is_null().all() or again[name].is_null().all())]
    return len(both) > 1 and block.select(both).equals(again.select(both))


def _varies(block: pl.DataFrame) -> bool:
    """Whether two columns or more change, the clock being one: a log of constants that starts anew looks the same."""
    return sum(series.n_unique() > 1 for series in block) > 1


def _find_stray(time: np.ndarray) -> np.ndarray:
    """Rows out of order: a few that fall back and then go on as before, or a few that jump ahead and come back."""
    stray = np.zeros(len(time), dtype=bool)
    if len(time) < 3:
        return stray
    falls = np.flatnonzero(np.diff(time) < 0) + 1
    step = np.diff(time)
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 1.0
    for fall in falls:
        if stray[fall] or stray[fall - 1]:
            continue
        stray[_stray_run(time, int(fall), usual)] = True
    return stray


def _find_alone(time: np.ndarray) -> np.ndarray:
    """Up to three rows between two falls of the clock, as the ranges that some loggers write below their headings."""
    edges = np.r_[0, np.flatnonzero(np.diff(time) < 0) + 1, len(time)]
    length = np.diff(edges)
    is_short = (length <= _STRAY_ROWS) & (len(time) > _LEAST_DRIVE * _STRAY_ROWS)
    return np.repeat(is_short, length)


def _stray_run(time: np.ndarray, fall: int, usual: float) -> slice:
    for count in range(1, _STRAY_ROWS + 1):
        ahead = fall - count
        if ahead >= 1 and time[ahead - 1] < time[fall] <= time[ahead - 1] + 20 * usual < time[ahead]:
            return slice(ahead, fall)
    for count in range(1, _STRAY_ROWS + 1):
        after = fall + count
        if after < len(time) and time[fall - 1] <= time[after] <= time[fall - 1] + 20 * usual:
            return slice(fall, after)
    return slice(0, 0)


def _spread_coarse(time: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    """Spread rows that share a stamp evenly up to the next stamp, where the clock is coarser than the rows."""
    same = np.diff(time) == 0
    if len(time) < 3 or same.mean() < _COARSE_SHARE:
        return time, ()
    parts = [time[a:b] for a, b in itertools.pairwise(np.r_[0, starts, len(time)])]
    groups = [np.unique(part, return_counts=True) for part in parts]
    widths = np.concatenate([np.diff(stamps) for stamps, _ in groups])
    counts = np.concatenate([count for _, count in groups])
    if not widths.size:
        return time, ()
    usual = float(np.percentile(widths, 50, method="lower")), float(np.median(counts))
    share = round(100 * float(same.mean()))
    note = f"{share} % of the rows repeat the stamp before: the clock is coarse, rows were spread evenly between stamps"
    return np.concatenate([_spread_one(part, *usual) for part in parts]), (note,)


def _spread_one(time: np.ndarray, usual: float, usual_count: float) -> np.ndarray:
    """Spread one part, whose stamps mostly lie `usual` apart and stand in `usual_count` rows, over the whole clock."""
    first = np.flatnonzero(np.r_[True, np.diff(time) != 0])
    count = np.diff(np.r_[first, len(time)])
    width = np.minimum(np.append(np.diff(time[first]), usual), usual)  # a gap is not filled up
    inside = np.arange(len(time)) - np.repeat(first, count)
    per_row = width / np.maximum(count, usual_count)  # a group cut short by the start, the end or a gap keeps the pace
    lead = np.zeros(len(first))
    lead[0] = max(usual_count - count[0], 0) * per_row[0]  # the first group misses its beginning
    return time + np.repeat(lead, count) + inside * np.repeat(per_row, count)


def _lay_out(time: np.ndarray, falls: np.ndarray) -> np.ndarray:
    """Lay each part of the clock behind the one before it."""
    time = time.copy()
    for fall in falls:
        time[fall:] += time[fall - 1] + UNKNOWN_GAP_S - time[fall]
    return time


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
