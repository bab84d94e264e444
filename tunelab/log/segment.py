"""Names what was driven and what the engine was doing: holds, pulls, idling, cranking, fuel cuts, tip-ins, launches.

Segments of different kinds may overlap: a launch contains a tip-in. None crosses a gap or an episode.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag import MASKS, NOT_BELIEVED
from tunelab.log.flag_channel import RUNNING_RPM
from tunelab.log.flag_sample import closed_throttle, find_gaps, flag_transient, is_cut
from tunelab.log.once import made_once
from tunelab.workspace.car import Car

STOPPED, CRANKING, IDLE = "key on, not running", "cranking", "idle"
UNKNOWN = "engine speed not known"
TURNING_RPM = 30.0  # slower than this nothing turns; common practice, no source
IDLE_MULTIPLE = 1.25  # of the idle target: up to here the engine idles; common practice, no source
BAND_RPM = 1000.0


@dataclass(frozen=True)
class EngineStates:
    """The state of every row of a log."""

    names: tuple[str, ...]  # off first, then faster and faster, unknown last
    code: np.ndarray  # shape (time,), index into `names`
    starts: int  # times that the engine was turned from rest, as far as logged

    def name_at(self, row: int) -> str:
        """State of one row."""
        return self.names[int(self.code[row])]

    def is_running(self) -> np.ndarray:
        """Whether the engine ran, shape (time,)."""
        return (self.code >= self.names.index(IDLE)) & (self.code < len(self.names) - 1)


def state_names(car: Car) -> tuple[str, ...]:
    """Names of the states of this car's engine, the unknown one last."""
    edges = _band_edges(car)
    bands = [f"{low:.0f}–{high:.0f} rpm" for low, high in itertools.pairwise(edges)]
    return (STOPPED, CRANKING, IDLE, *bands, UNKNOWN)


def _band_edges(car: Car) -> np.ndarray:
    """Edges of the bands above idle [rpm]: the end of idle, whole thousands, the rev limit or what lies above."""
    first = IDLE_MULTIPLE * car.engine.idle_target_rpm
    begin = np.ceil((first + BAND_RPM / 2) / BAND_RPM) * BAND_RPM
    return np.r_[first, np.arange(begin, car.limits.rev_limit_rpm + BAND_RPM, BAND_RPM)]


def engine_states(log: xr.Dataset, car: Car) -> EngineStates:
    """Tell the engine's state at every row.

    Parameters
    ----------
    log : Dataset
        Flagged or not; a doubtful or missing speed keeps the one before within its episode, else the one after.
    car : Car
        Idle target and rev limit.

    Returns
    -------
    EngineStates
        A log without engine speed is of unknown state throughout.
    """
    names = state_names(car)
    speed = believed_speed(log)
    code = 2 + np.searchsorted(_band_edges(car), speed, side="right")
    code = np.minimum(code, len(names) - 2)
    code = np.where(speed < RUNNING_RPM, 1, code)
    code = np.where(speed < TURNING_RPM, 0, code)
    code = np.where(np.isfinite(speed), code, len(names) - 1)
    return EngineStates(names, code.astype(int), _engine_starts(code))


def believed_speed(log: xr.Dataset) -> np.ndarray:
    """Engine speed [rpm] with doubtful readings replaced by the last good one of the episode, shape (time,)."""
    size = log.sizes["time"]
    if "engine_speed_rpm" not in log:
        return np.full(size, np.nan)
    speed = log["engine_speed_rpm"].to_numpy().astype(float)
    good = np.isfinite(speed)
    if "engine_speed_rpm_flag" in log:
        good &= (log["engine_speed_rpm_flag"].to_numpy() & NOT_BELIEVED) == 0
    episode = log["episode"].to_numpy() if "episode" in log else np.zeros(size, dtype=int)
    rows = np.arange(size)
    before = np.maximum.accumulate(np.where(good, rows, -1))
    after = np.minimum.accumulate(np.where(good, rows, size)[::-1])[::-1]
    held = np.where((before >= 0) & (episode[np.maximum(before, 0)] == episode), before, after)
    known = (held < size) & (episode[np.minimum(held, size - 1)] == episode)
    return np.where(known, speed[np.minimum(held, size - 1)], np.nan)


def _engine_starts(code: np.ndarray) -> int:
    """How often cranking began, or a running engine followed a stopped one."""
    return int(np.count_nonzero((code[1:] > 0) & (code[:-1] == 0)))


KINDS = ("hold", "pull", "idle", "cut", "tip-in", "tip-out", "launch", "coast", "start", "stop")
COLUMNS = ("kind", "start_s", "end_s", "samples", "episode", "engine_speed_rpm", "throttle_pct", "road_speed_km_h")
# Common practice, no source; each is the shortest stretch that is called by the name.
SHORTEST_S = {"hold": 2.0, "pull": 1.0, "idle": 2.0, "cut": 0.15, "coast": 3.0}
WIDE_OPEN_PCT = 80.0  # throttle of a pull, or near the highest of this log where the reading ends earlier
PULL_RISE_RPM = 500.0
STEP_PCT = 8.0  # points of throttle that make a tip-in or tip-out
STEP_RATE_PCT_S = 40.0
STANDSTILL_KM_H = 2.0
ROLLING_KM_H = 15.0
LAUNCH_FAST_KM_H = 20.0
LAUNCH_LONGEST_S = 12.0
START_SETTLE_S = 3.0


@made_once
def find_segments(log: xr.Dataset, car: Car) -> pd.DataFrame:
    """List the segments of a log, sorted by start.

    Parameters
    ----------
    log : Dataset
        Flagged or not; readings flagged as spike, stale or out of range are bridged.
    car : Car
        Idle speed and lambda sensor.

    Returns
    -------
    DataFrame
        kind, start_s, end_s (first and last sample), samples, episode, and the medians of engine speed, throttle and
        road speed, NaN where not logged. A kind whose channels are missing does not appear.
    """
    if log.sizes["time"] < 2:
        return pd.DataFrame(columns=COLUMNS)
    stretches = _stretch_bounds(log)
    smooth = _believed(log)
    found = [
        (kind, first, last)
        for kind, flags in _states(smooth, car).items()
        for first, last in _runs(flags, stretches, smooth["time"].to_numpy(), SHORTEST_S[kind])
        if kind != "pull" or _rises(smooth, first, last)
    ]
    found += [
        (kind, first, last) for finder in (_tips, _launches, _starts) for kind, first, last in finder(smooth, stretches)
    ]
    rows = [_describe(smooth, kind, first, last) for kind, first, last in found]
    return pd.DataFrame(rows, columns=COLUMNS).sort_values(["start_s", "kind"], ignore_index=True)


def _stretch_bounds(log: xr.Dataset) -> np.ndarray:
    """First rows of the unbroken stretches and, last, the number of rows, shape (stretches + 1,)."""
    return np.unique(np.r_[0, find_gaps(log), log.sizes["time"]]).astype(int)


def _believed(log: xr.Dataset) -> xr.Dataset:
    """Channels that segments are made of, with doubtful and missing readings bridged from their neighbours."""
    time = log["time"].to_numpy()
    bridged = {}
    for name in ("engine_speed_rpm", "throttle_pct", "road_speed_km_h"):
        if name in log:
            values = log[name].to_numpy()
            good = np.isfinite(values)
            if f"{name}_flag" in log:
                good &= (log[f"{name}_flag"].to_numpy() & NOT_BELIEVED) == 0
            bridged[name] = ("time", np.interp(time, time[good], values[good]) if good.any() else values)
    return log.assign(bridged)


def _states(log: xr.Dataset, car: Car) -> dict[str, np.ndarray]:
    """Whether each sample is in the state of each kind that lasts, shape (time,) each."""
    nothing = np.zeros(log.sizes["time"], dtype=bool)
    if "engine_speed_rpm" not in log:
        return {"cut": is_cut(log, car)}
    speed, cut = log["engine_speed_rpm"].to_numpy(), is_cut(log, car)
    running = speed > RUNNING_RPM
    closed, wide_open = _throttle_states(log)
    slow = log["road_speed_km_h"].to_numpy() < STANDSTILL_KM_H if "road_speed_km_h" in log else ~nothing
    idle = running & closed & slow & ~cut & (speed < 1.5 * car.engine.idle_target_rpm)
    states = {"cut": cut & running, "hold": running & ~idle & ~cut & ~_moves(log, car), "pull": wide_open & running}
    if "throttle_pct" in log:
        states["idle"] = idle
        states["coast"] = closed & ~slow & _slows(log) if "road_speed_km_h" in log else nothing
    return states


def _throttle_states(log: xr.Dataset) -> tuple[np.ndarray, np.ndarray]:
    """Whether the throttle is closed and whether it is wide open, shape (time,) each."""
    if "throttle_pct" not in log:
        return np.zeros(log.sizes["time"], dtype=bool), np.zeros(log.sizes["time"], dtype=bool)
    throttle = log["throttle_pct"].to_numpy()
    highest = float(np.nanquantile(throttle, 0.999)) if np.isfinite(throttle).any() else np.nan
    enough = WIDE_OPEN_PCT if highest >= WIDE_OPEN_PCT + 5.0 else max(0.93 * highest, 60.0)
    return throttle <= closed_throttle(throttle) + 2.0, throttle >= enough


def _moves(log: xr.Dataset, car: Car) -> np.ndarray:
    """Whether a sample is not steady: the log's own flag where it has one."""
    if "sample_flag" in log:
        return (log["sample_flag"].to_numpy() & MASKS["transient"]) != 0
    return flag_transient(log, car).to_numpy()


def _slows(log: xr.Dataset) -> np.ndarray:
    """Whether the car rolls at speed and loses some over two seconds, shape (time,)."""
    time, road = log["time"].to_numpy(), log["road_speed_km_h"].to_numpy()
    change = np.interp(time + 1.0, time, road) - np.interp(time - 1.0, time, road)
    return (road > ROLLING_KM_H) & (change < -0.1)


def _rises(log: xr.Dataset, first: int, last: int) -> bool:
    """Whether the engine gains the speed that makes a pull."""
    speed = log["engine_speed_rpm"].to_numpy()[first : last + 1]
    part = max(1, speed.size // 10)
    return bool(np.median(speed[-part:]) - np.median(speed[:part]) >= PULL_RISE_RPM)


def _runs(flag: np.ndarray, bounds: np.ndarray, time: np.ndarray, shortest_s: float) -> Iterator[tuple[int, int]]:
    """First and last row of the runs of True that last `shortest_s`, each within one stretch.

    Interruptions shorter than 0.12 s are bridged first: one noisy sample does not end a segment.
    """
    for begin, end in itertools.pairwise(bounds):
        edges = np.flatnonzero(np.diff(np.r_[False, flag[begin:end], False].astype(np.int8))) + begin
        firsts, lasts = edges[::2], edges[1::2] - 1
        if firsts.size:
            apart = time[firsts[1:]] - time[lasts[:-1]] > 0.12
            firsts, lasts = firsts[np.r_[True, apart]], lasts[np.r_[apart, True]]
            for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
                if time[last] - time[first] >= shortest_s:
                    yield first, last


def _tips(log: xr.Dataset, bounds: np.ndarray) -> Iterator[tuple[str, int, int]]:
    """Tip-ins and tip-outs: the throttle moves faster than 40 points a second, by 8 points or more."""
    if "throttle_pct" not in log or log.sizes["time"] < 3:
        return
    time, throttle = log["time"].to_numpy(), log["throttle_pct"].to_numpy()
    reach = max(0.04, float(np.median(np.diff(time))))
    rate = (np.interp(time + reach, time, throttle) - np.interp(time - reach, time, throttle)) / (2 * reach)
    for kind, sign in (("tip-in", 1.0), ("tip-out", -1.0)):
        for first, last in _runs(sign * rate > STEP_RATE_PCT_S, bounds, time, 0.0):
            if sign * (throttle[last] - throttle[first]) >= STEP_PCT:
                yield kind, first, last


def _launches(log: xr.Dataset, bounds: np.ndarray) -> Iterator[tuple[str, int, int]]:
    """Launches: from the last moment at rest to 20 km/h and on, until the throttle closes or 12 s are over."""
    if not {"road_speed_km_h", "throttle_pct"} <= set(log.variables):
        return
    time, road = log["time"].to_numpy(), log["road_speed_km_h"].to_numpy()
    closed, _ = _throttle_states(log)
    for begin, end in itertools.pairwise(bounds):
        resting = road[begin:end] < STANDSTILL_KM_H
        leaves = np.flatnonzero(resting[:-1] & ~resting[1:]) + begin
        for first in leaves.tolist():
            stop = min(int(np.searchsorted(time, time[first] + LAUNCH_LONGEST_S)), end)
            lifts = np.flatnonzero(closed[first + 1 : stop] | (road[first + 1 : stop] < STANDSTILL_KM_H))
            last = first + int(lifts[0]) if lifts.size else stop - 1
            if last > first and road[first : last + 1].max() >= LAUNCH_FAST_KM_H and not closed[first + 1]:
                yield "launch", first, last


def _starts(log: xr.Dataset, bounds: np.ndarray) -> Iterator[tuple[str, int, int]]:
    """Starts (engine leaves rest, and the 3 s after) and stops (engine comes to rest, and the second before)."""
    if "engine_speed_rpm" not in log:
        return
    time, running = log["time"].to_numpy(), log["engine_speed_rpm"].to_numpy() > RUNNING_RPM
    for begin, end in itertools.pairwise(bounds):
        for row in (np.flatnonzero(np.diff(running[begin:end].astype(np.int8))) + begin + 1).tolist():
            if running[row]:
                yield "start", row, min(int(np.searchsorted(time, time[row] + START_SETTLE_S)), end) - 1
            else:
                yield "stop", max(int(np.searchsorted(time, time[row] - 1.0)), int(begin)), row


def _describe(log: xr.Dataset, kind: str, first: int, last: int) -> tuple:
    time = log["time"].to_numpy()
    episode = int(log["episode"].to_numpy()[first]) if "episode" in log else 0
    medians = [_median(log, name, first, last) for name in COLUMNS[5:]]
    return (kind, float(time[first]), float(time[last]), last - first + 1, episode, *medians)


def _median(log: xr.Dataset, name: str, first: int, last: int) -> float:
    values = log[name].to_numpy()[first : last + 1] if name in log else np.empty(0)
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else float("nan")
