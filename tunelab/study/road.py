"""Names the parts of a road drive: start and warm-up, idle, take-off, cruise, tip-ins, fuel cuts, stops, restarts."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import at_rows, has, rolling, row_step_s, rows_in, runs
from tunelab.log.flag_channel import RUNNING_RPM
from tunelab.log.flag_sample import closed_throttle, find_gaps
from tunelab.log.segment import find_segments
from tunelab.study.finding import NAN, shows_its_table
from tunelab.study.fuel_cut import find_cuts, find_returns, free_rows, free_since
from tunelab.study.idle.events import rows_between
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

KINDS = (
    "start", "warm-up", "idle", "take-off", "gear change", "cruise", "tip-in", "tip-out", "fuel cut", "fuel back",
    "return to idle", "stop", "engine off", "hot restart",
)  # fmt: skip
# Common practice, no source.
RESTING_KM_H, MOVING_KM_H, CRUISING_KM_H = 2.0, 10.0, 20.0
TAKE_OFF_LONGEST_S = 12.0
CRUISE_S, CRUISE_WINDOW_S, CRUISE_DRIFT_M_S2, CRUISE_THROTTLE_PCT = 4.0, 2.0, 0.35, 4.0
CHANGE_S = 1.0  # the throttle opens again this soon after a change of gear
STOP_FROM_S = 6.0  # a stop is the stand and the braking before it, so far back at most
FUEL_BACK_S = 1.5
WARM_UP_S = 10.0
SOAKED_OFF_S = 30.0  # an engine that stood this long, hot, has soaked
COLUMNS = ["kind", "start_s", "end_s", "seconds", "engine_speed_rpm", "throttle_pct", "road_speed_km_h", "coolant_c"]

Span = tuple[str, float, float]


@shows_its_table
@dataclass(frozen=True)
class RoadDrive:
    """The named parts of a drive, sorted by start, and why kinds are missing."""

    segments: pd.DataFrame
    """`kind, start_s, end_s, seconds` and medians of `engine_speed_rpm, throttle_pct, road_speed_km_h, coolant_c`"""
    missing: dict[str, str]  # kind → why the log does not show it
    samples_used: int  # rows inside any segment
    samples_flagged: int  # the others

    def summary(self) -> pd.DataFrame:
        """One row per kind: how many, seconds in all, first and last time, or why there is none."""
        rows = []
        for kind in KINDS:
            own = self.segments[self.segments["kind"] == kind]
            ends = (own["start_s"].min(), own["end_s"].max()) if len(own) else (NAN, NAN)
            rows.append((kind, len(own), float(own["seconds"].sum()), *ends, self.missing.get(kind, "")))
        names = ["kind", "times", "seconds", "first [s]", "last [s]", "because"]
        return pd.DataFrame(rows, columns=names).set_index("kind")


def name_drive(log: xr.Dataset, car: Car, revision: Revision) -> RoadDrive:
    """Name the parts of one flagged log; parts may overlap, and none runs across a gap.

    Kinds whose channels are missing, or that were not driven, stand in `missing` with the reason.
    """
    found = [*_from_segments(log, car), *_cuts(log, car, revision)]
    found += [*_warm_ups(log, car), *_cruises(log), *_stops(log)]
    starts_off = list(_take_offs(log))
    found = [*_without_clutch_work(log, found, starts_off), *starts_off]
    returns = find_returns(log, car)
    found += [("return to idle", row.start_s, min(row.end_s, row.start_s + 8.0)) for row in returns.itertuples()]
    rows = [_describe(log, span) for span in found]
    table = pd.DataFrame(rows, columns=COLUMNS).sort_values(["start_s", "kind"], ignore_index=True)
    inside = np.zeros(log.sizes["time"], dtype=bool)
    for _, start, end in found:
        inside[rows_between(log, (start, end))] = True
    return RoadDrive(table, _missing(log, table), int(inside.sum()), int((~inside).sum()))


def _from_segments(log: xr.Dataset, car: Car) -> Iterator[Span]:
    """Kinds that the log's own segments name, hot starts apart from cold ones."""
    table = find_segments(log, car)
    for row in table.itertuples():
        if row.kind in ("idle", "tip-in", "tip-out"):
            yield row.kind, row.start_s, row.end_s
        elif row.kind == "start":
            yield _start_kind(log, car, row.start_s), row.start_s, row.end_s
        elif row.kind == "stop":
            yield "engine off", row.start_s, row.end_s


def _without_clutch_work(log: xr.Dataset, found: list[Span], take_offs: list[Span]) -> Iterator[Span]:
    """The spans, less throttle that opens to take the clutch up again: a change of gear or a take-off, no tip-in.

    It meets another engine speed than the one it was closed at, so it is no step of load alone.
    """
    free, time = free_rows(log), log["time"].values
    road = at_rows(log, "road_speed_km_h") if has(log, "road_speed_km_h") else np.full(time.size, NAN)
    for kind, start, end in found:
        before = rows_between(log, (start - CHANGE_S, start))
        loose = np.flatnonzero(free[before]) + before.start if kind == "tip-in" else np.empty(0, dtype=int)
        if loose.size and road[before.stop - 1] >= MOVING_KM_H:
            yield "gear change", float(time[free_since(free, int(loose[-1]))]), end
        elif kind != "tip-in" or not any(first <= start <= last for _, first, last in take_offs):
            yield kind, start, end


def _start_kind(log: xr.Dataset, car: Car, start_s: float) -> str:
    if not has(log, "coolant_c"):
        return "start"
    coolant = at_rows(log, "coolant_c")[rows_between(log, (start_s - 1.0, start_s + 2.0))]
    if not np.isfinite(coolant).any() or np.nanmedian(coolant) < car.limits.coolant_min_c - 10.0:
        return "start"
    before = log["time"].values < start_s
    running = at_rows(log, "engine_speed_rpm")[before] > RUNNING_RPM
    stood = start_s - log["time"].values[before][np.flatnonzero(running)[-1]] if running.any() else np.inf
    return "hot restart" if stood >= SOAKED_OFF_S else "start"


def _cuts(log: xr.Dataset, car: Car, revision: Revision) -> Iterator[Span]:
    for row in find_cuts(log, car, revision).itertuples():
        yield "fuel cut", row.start_s, row.end_s
        if row.ended_by != "gap":
            yield "fuel back", row.end_s, row.end_s + FUEL_BACK_S


def _parts(log: xr.Dataset, mask: np.ndarray, shortest_s: float) -> Iterator[tuple[float, float]]:
    """Start and end of the runs of a mask within the unbroken stretches."""
    time = log["time"].values
    gaps = find_gaps(log).tolist()
    for first, last in runs(mask):
        edges = [first, *[g for g in gaps if first < g < last], last]
        for a, b in itertools.pairwise(edges):
            if time[b - 1] - time[a] >= shortest_s:
                yield float(time[a]), float(time[b - 1])


def _warm_ups(log: xr.Dataset, car: Car) -> Iterator[Span]:
    if has(log, "coolant_c") and has(log, "engine_speed_rpm"):
        cold = at_rows(log, "coolant_c") < car.limits.coolant_min_c
        for start, end in _parts(log, cold & (at_rows(log, "engine_speed_rpm") > RUNNING_RPM), WARM_UP_S):
            yield "warm-up", start, end


def _take_offs(log: xr.Dataset) -> Iterator[Span]:
    """From the last moment at rest until the car rolls at 10 km/h and on, to 20 km/h or the next lift."""
    if not has(log, "road_speed_km_h"):
        return
    time, road = log["time"].values, at_rows(log, "road_speed_km_h")
    gaps = time[find_gaps(log)]
    leaves = np.flatnonzero((road[:-1] < RESTING_KM_H) & (road[1:] >= RESTING_KM_H)) + 1
    for row in leaves.tolist():
        ahead = rows_between(log, (time[row], time[row] + TAKE_OFF_LONGEST_S))
        if not (road[ahead] >= MOVING_KM_H).any():
            continue
        reached = int(np.argmax(road[ahead] >= MOVING_KM_H))
        if (road[ahead][:reached] < RESTING_KM_H).any():
            continue
        fast = road[ahead] >= CRUISING_KM_H
        last = int(np.argmax(fast)) if fast.any() else reached
        end = float(time[ahead][last])
        if not ((gaps > time[row]) & (gaps <= end)).any():
            yield "take-off", float(time[row]) - 0.5, end


def _cruises(log: xr.Dataset) -> Iterator[Span]:
    if not (has(log, "road_speed_km_h") and has(log, "throttle_pct")) or log.sizes["time"] < 2:
        return
    step = row_step_s(log)
    road, throttle = at_rows(log, "road_speed_km_h"), at_rows(log, "throttle_pct")
    wide = rows_in(CRUISE_WINDOW_S, step)
    gain = np.gradient(rolling(road, rows_in(1.0, step), "mean"), log["time"].values) / 3.6
    foot = rolling(throttle, rows_in(0.3, step), "median")
    quiet = rolling(foot, wide, "max") - rolling(foot, wide, "min") < CRUISE_THROTTLE_PCT
    steady = (np.abs(rolling(gain, wide, "mean")) < CRUISE_DRIFT_M_S2) & (road > CRUISING_KM_H)
    whole = rolling((steady & quiet).astype(float), wide, "max") > 0.5  # a window is steady from its first row on
    for start, end in _parts(log, whole & ~_is_shut(throttle, road, gain), CRUISE_S):
        yield "cruise", start, end


def _is_shut(throttle: np.ndarray, road: np.ndarray, gain_m_s2: np.ndarray) -> np.ndarray:
    """Whether the throttle is shut, shape (time,).

    The lowest reading is that of a shut throttle only if the car mostly stands or slows down there: in a log of nothing
    but cruising it is the foot's own.
    """
    lowest = throttle <= closed_throttle(throttle) + 1.0
    idles = (road < RESTING_KM_H) | (gain_m_s2 < -CRUISE_DRIFT_M_S2)
    return lowest if lowest.any() and np.mean(idles[lowest]) > 0.5 else np.zeros(throttle.size, dtype=bool)


def _stops(log: xr.Dataset) -> Iterator[Span]:
    """The car comes to a stand: the slowing down from 10 km/h, 6 s at most, to a second at rest."""
    if not has(log, "road_speed_km_h"):
        return
    time, road = log["time"].values, at_rows(log, "road_speed_km_h")
    for start, end in _parts(log, road < RESTING_KM_H, 1.0):
        before = rows_between(log, (start - STOP_FROM_S, start))
        moving = np.flatnonzero(road[before] >= MOVING_KM_H)
        if moving.size:
            yield "stop", float(time[before][moving[-1]]), min(end, start + 1.0)


def _describe(log: xr.Dataset, span: Span) -> tuple:
    kind, start, end = span
    inside = rows_between(log, (start, end))
    return (kind, start, end, end - start, *[_median(log, name, inside) for name in COLUMNS[4:]])


def _median(log: xr.Dataset, name: str, inside: slice) -> float:
    values = log[name].values[inside] if name in log else np.empty(0)
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else NAN


_NEEDS = {"warm-up": "coolant_c", "hot restart": "coolant_c"}
_NEEDS |= dict.fromkeys(("take-off", "stop"), "road_speed_km_h")
_NEEDS |= {"cruise": "road_speed_km_h", "gear change": "road_speed_km_h"}
_NEEDS |= dict.fromkeys(("idle", "tip-in", "tip-out", "fuel cut", "fuel back", "return to idle"), "throttle_pct")


def _missing(log: xr.Dataset, table: pd.DataFrame) -> dict[str, str]:
    present = set(table["kind"])
    reasons = {}
    for kind in KINDS:
        if kind not in present:
            lacking = [
                name for name in ("engine_speed_rpm", _NEEDS.get(kind, "engine_speed_rpm")) if not has(log, name)
            ]
            text = (
                f"not shown: the log has no {lacking[-1]}"
                if lacking
                else "not shown, since none was driven in this log"
            )
            reasons[kind] = text
    return reasons
