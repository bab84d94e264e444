"""Finds launches and the holds before them: hold, release, take-off; also holds that did not engage or let go late."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from tunelab.log.flag_sample import closed_throttle, find_gaps
from tunelab.study.gearing.reading import at_rows, has, row_step_s, runs
from tunelab.workspace.car import Car

# Common practice, no source.
RESTING_KM_H, FAST_KM_H, FAST_WITHIN_S = 2.0, 25.0, 6.0
HIGH_IDLE = 1.7  # times the idle target: standing engine speed of a launch
HOLD_SHORTEST_S, HOLD_LEAST_ROWS = 0.4, 5
COARSEST_S = 0.25  # between rows: in a coarser log every take-off looks like a launch
MOVING_KM_H = 1.0  # above what a speed sensor shows at rest
RUN_LONGEST_S = 20.0


@dataclass(frozen=True)
class LaunchSpan:
    """Rows of one launch. NaN times where the log does not show them."""

    number: int  # from 1, in the order driven
    hold_first: int  # first row of the raised engine speed at rest
    release: int  # row at which the car is let go: the clutch, or the first movement
    last: int  # last row of the run
    hold_start_s: float
    release_s: float
    moves_s: float  # the driven wheels begin to turn
    end_s: float
    released_by: str  # how the release was found: "launch hold", "clutch" or "movement"


def find_launches(log: xr.Dataset, car: Car) -> tuple[tuple[LaunchSpan, ...], str]:
    """Find the launches of a flagged log and, where there are none, say why.

    A launch leaves rest from an engine speed well above idle and reaches 25 km/h within 6 s, without a gap in the log.
    """
    needed = [name for name in ("engine_speed_rpm", "road_speed_km_h", "throttle_pct") if not has(log, name)]
    if needed:
        return (), f"the log has no {' and no '.join(needed)}, so no launch can be found."
    if not row_step_s(log) <= COARSEST_S:
        return (
            (),
            f"the rows lie more than {COARSEST_S:g} s apart: too coarse to distinguish a launch from pulling away.",
        )
    time, road, speed = log["time"].values, at_rows(log, "road_speed_km_h"), at_rows(log, "engine_speed_rpm")
    gaps = time[find_gaps(log)]
    found: list[LaunchSpan] = []
    resting = road < RESTING_KM_H
    for first, last in runs(resting):
        span = _span(log, car, (time, road, speed), (first, last), len(found) + 1)
        if span is not None and not ((gaps > span.hold_start_s) & (gaps <= span.release_s + 3.0)).any():
            found.append(span)
    why = "" if found else "no start from rest with a raised engine speed is in the log."
    return tuple(found), why


def _span(log, car: Car, rows, rest: tuple[int, int], number: int) -> LaunchSpan | None:
    """Launch that ends a stand, None where the car merely takes off."""
    time, road, speed = rows
    first, last = rest
    if last >= time.size:
        return None
    ahead = slice(last, int(np.searchsorted(time, time[last] + FAST_WITHIN_S)))
    if not (road[ahead] >= FAST_KM_H).any():
        return None
    throttle = at_rows(log, "throttle_pct")
    is_open = throttle > closed_throttle(throttle) + 3.0
    high = (speed > HIGH_IDLE * car.engine.idle_target_rpm) & is_open
    back = last - 1
    while back > first and high[back - 1]:
        back -= 1
    if not high[max(last - 2, 0) : last + 1].any() or time[last] - time[back] < HOLD_SHORTEST_S:
        return None
    if last - back < HOLD_LEAST_ROWS:
        return None
    moves = _first_move(time, road, last)
    release, how = _release(log, back, last, moves, time)
    lifts = np.flatnonzero(~is_open[last:] & (time[last:] > time[last] + 2.0) & _stays_shut(is_open[last:], log))
    end = int(np.searchsorted(time, time[last] + RUN_LONGEST_S))
    end = min(end, last + int(lifts[0]) if lifts.size else time.size - 1, time.size - 1)
    gaps = find_gaps(log)
    broken = gaps[(gaps > last) & (gaps <= end)]
    end = int(broken[0]) - 1 if broken.size else end
    return LaunchSpan(number, back, release, end, float(time[back]), float(time[release]), moves, float(time[end]), how)


def _stays_shut(is_open: np.ndarray, log: xr.Dataset) -> np.ndarray:
    """Whether the throttle stays shut for 1.5 s from each row: the lift of a gear change does not end a run."""
    count = max(1, round(1.5 / row_step_s(log)))
    later = np.concatenate([np.cumsum(is_open[::-1])[::-1], np.zeros(count)])
    return later[: is_open.size] - later[count : count + is_open.size] == 0


def _first_move(time: np.ndarray, road: np.ndarray, row: int) -> float:
    """When the wheels began to turn: where road speed passes 1 km/h for good, between two readings. [s]"""
    before = row
    while before > 0 and not road[before - 1] < MOVING_KM_H and time[row] - time[before - 1] < 0.5:
        before -= 1
    low, high = road[before - 1], road[before]
    if not (np.isfinite(low) and high > low):
        return float(time[before])
    share = (MOVING_KM_H - low) / (high - low)
    return float(time[before - 1] + np.clip(share, 0.0, 1.0) * (time[before] - time[before - 1]))


def _release(log: xr.Dataset, first: int, last: int, moves: float, time: np.ndarray) -> tuple[int, str]:
    """Row at which the car is let go: the clutch switch, else the end of the hold at rest, else the first movement."""
    span = slice(max(first, int(np.searchsorted(time, moves - 1.5))), int(np.searchsorted(time, moves + 0.6)))
    for name, how in (("clutch_pressed", "clutch"), ("launch_active", "launch hold")):
        if not has(log, name):
            continue
        down = log[name].values[span] > 0.5
        ends = np.flatnonzero(down[:-1] & ~down[1:]) + 1
        if ends.size and (how == "clutch" or time[span][ends[-1]] <= moves + 0.05):
            begins = span.start + int(ends[-1])
            return min(begins, int(np.searchsorted(time, moves))), how
    return int(np.clip(np.searchsorted(time, moves), first + 1, time.size - 1)), "movement"
