"""Fuel cut on overrun, where the engine is free of the wheels, and how its speed returns to idle."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import (
    add_air_flow,
    arrival_time,
    at_rows,
    exhaust_flow,
    has,
    never_moves,
    rolling,
    row_step_s,
    rows_in,
    runs,
)
from tunelab.log.flag import MASKS
from tunelab.log.flag_channel import RUNNING_RPM
from tunelab.log.flag_sample import closed_throttle, find_gaps, is_cut
from tunelab.study.finding import NAN
from tunelab.study.idle.events import idle_spans, idle_target, rows_between
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

FREE_PCT = 3.0  # points above the closed throttle
# Common practice, no source.
TURNING_KM_H = 10.0  # slower wheels turn no engine at more than a third above idle
RATIO_OVER_S, RATIO_MOVES = 0.5, 0.04  # so much change of engine over road speed within that time: no gear is engaged
TURNS_WITHIN_S = 0.4


def free_rows(log: xr.Dataset) -> np.ndarray:
    """Whether the engine is seen to be free at each row, bool of shape (time,).

    By clutch or neutral where logged, by a car that stands or creeps, or by engine speed that leaves road speed. A
    log with none of these channels shows no free engine; one without throttle or engine speed neither.
    """
    if not (has(log, "throttle_pct") and has(log, "engine_speed_rpm")):
        return np.zeros(log.sizes["time"], dtype=bool)
    throttle = at_rows(log, "throttle_pct")
    return off_the_wheels(log) & (throttle <= closed_throttle(throttle) + FREE_PCT)


def off_the_wheels(log: xr.Dataset) -> np.ndarray:
    """Whether engine and wheels are seen apart at each row, whatever the throttle; bool of shape (time,).

    Found by the same channels as `free_rows`. Engine speed must be in the log.
    """
    apart = np.zeros(log.sizes["time"], dtype=bool)
    if has(log, "clutch_pressed"):
        apart |= log["clutch_pressed"].values > 0.5
    if has(log, "gear"):
        apart |= log["gear"].values == 0
    if has(log, "road_speed_km_h"):
        apart |= _leaves_the_wheels(log)
    return apart


def _leaves_the_wheels(log: xr.Dataset) -> np.ndarray:
    time, short = log["time"].values, rows_in(0.15, row_step_s(log))
    speed, road = (rolling(at_rows(log, name), short, "median") for name in ("engine_speed_rpm", "road_speed_km_h"))
    ratio = np.log(np.maximum(speed, 1.0) / np.maximum(road, 1.0))
    moved = np.abs(ratio - np.interp(time - RATIO_OVER_S, time, ratio))
    moved = rolling(moved, rows_in(TURNS_WITHIN_S, row_step_s(log)), "max")  # on its way from rise to fall it stands
    return (road < TURNING_KM_H) | (moved > RATIO_MOVES)


def free_since(is_free: np.ndarray, row: int) -> int:
    """First row of the unbroken free running that `row` is in; `row` itself where the engine is not free there."""
    held = np.flatnonzero(~is_free[: row + 1])
    return min(int(held[-1]) + 1, row) if held.size else 0


SHORTEST_S = 0.3
ABOVE_IDLE = 1.15  # a cut at or below this times the idle target is a stop of the engine, not overrun
CLOSED_PCT = 2.5  # points above the closed throttle
FREE_AFTER_S = 0.15  # an engine that is free so soon after a cut was freed by what ended it
FREE_FALL_RPM_S = 900.0  # no car in gear loses engine speed this fast unless its wheels lock
AFTER_S = 1.5  # what happens within this after fuel comes back belongs to the re-entry
LAMBDA_S = 1.1  # of lambda, once the sensor sees gas that was burnt after the cut
ALONE_S, ALONE_PCT = 0.6, 1.0  # after fuel came back by itself the foot stays within this, and the gear in
LAGS = 4.0  # of the sensor, after which hardly anything is left of the air that the cut pumped
CUT_COLUMNS = [
    "start_s", "end_s", "seconds", "entry_rpm", "exit_rpm", "ended_by", "lean_pct", "rich_pct", "jolt_m_s2", "dip_rpm",
    "stalled",
]  # fmt: skip


def find_cuts(log: xr.Dataset, car: Car, revision: Revision) -> pd.DataFrame:
    """One row per fuel cut on overrun.

    `ended_by` is "speed" (foot and clutch stayed where they were), "throttle", "clutch" (engine speed left the wheels
    about then), "unclear" (foot or clutch moved just after, or the log cannot tell) or "gap" (the log broke off).
    `lean_pct`, `rich_pct` are the extremes of lambda over commanded in the 1.1 s from when gas burnt after the re-entry
    has reached the sensor and four of its lags are over; `jolt_m_s2` the span of longitudinal acceleration around the
    re-entry; `dip_rpm` how far engine speed fell below the idle target within
    1.5 s. NaN where not logged.
    """
    needed = ("engine_speed_rpm", "throttle_pct")
    if not all(has(log, name) for name in needed):
        return pd.DataFrame(columns=CUT_COLUMNS)
    rows = _rows(log, car, revision)
    mask = no_fuel(log, car, revision) & rows["closed"] & (rows["speed"] > ABOVE_IDLE * rows["target"])
    gaps = set(find_gaps(log).tolist())
    found = []
    for first, last in runs(_closed_up(mask, row_step_s(log))):
        inner = [first, *sorted(g for g in gaps if first < g < last), last]
        for a, b in itertools.pairwise(inner):
            if rows["time"][b - 1] - rows["time"][a] >= SHORTEST_S:
                found.append(_describe(log, rows, a, b, begins=a not in gaps and a > 0, ends=b not in gaps))
    return pd.DataFrame(found, columns=CUT_COLUMNS)


def no_fuel(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Whether no fuel is injected, shape (time,): by the ECU's word or the pulse width where the log has them.

    Only a log without either is judged by lambda at its lean rail, where the sensor is warm.
    """
    if has(log, "fuel_mode") or has(log, "pulse_width_ms"):
        return is_cut(log.drop_vars("lambda_measured", errors="ignore"), car, revision)
    if "lambda_measured" not in log:
        return np.zeros(log.sizes["time"], dtype=bool)
    doubted = (log["lambda_measured_flag"] & ~MASKS["rail"]) != 0
    return is_cut(log.assign(lambda_measured=log["lambda_measured"].where(~doubted)), car, revision)


def _rows(log: xr.Dataset, car: Car, revision: Revision) -> dict[str, np.ndarray]:
    """What the description of a cut looks at, row by row, shape (time,) each; NaN where not logged."""
    empty, step = np.full(log.sizes["time"], NAN), row_step_s(log)
    throttle, speed = at_rows(log, "throttle_pct"), at_rows(log, "engine_speed_rpm")
    rows = {"time": log["time"].values, "speed": speed, "target": idle_target(log, car)}
    rows |= {
        "seen": _seen_at(log, car, revision),
        "free": free_rows(log),
        "closed": throttle <= closed_throttle(throttle) + CLOSED_PCT,
    }
    rows["foot"] = rolling(at_rows(log, "pedal_pct"), rows_in(0.15, step), "median") if has(log, "pedal_pct") else empty
    rows["foot"] = np.where(np.isfinite(rows["foot"]), rows["foot"], rolling(throttle, rows_in(0.15, step), "median"))
    rows["smooth"] = rolling(speed, rows_in(0.15, step), "median")
    commanded = at_rows(log, "lambda_commanded") if has(log, "lambda_commanded") else empty + 1.0
    alive = has(log, "lambda_measured") and not never_moves(log, "lambda_measured")  # a dead sensor shows no excursion
    lambda_ = at_rows(log, "lambda_measured") if alive else empty
    rows["off_pct"] = 100.0 * (lambda_ / np.where(np.isfinite(commanded), commanded, 1.0) - 1.0)
    rows["jolt"] = (
        rolling(at_rows(log, "acceleration_m_s2"), rows_in(0.15, step), "mean")
        if has(log, "acceleration_m_s2")
        else empty
    )
    return rows


def _seen_at(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """When lambda shows what is burnt from each row on, shape (time,) [s]; NaN in a log without usable airflow."""
    sensor, time = car.lambda_sensor, log["time"].values
    try:
        exhaust = exhaust_flow(add_air_flow(log, car, revision))
    except ValueError:
        return np.full(time.size, NAN)
    delay = {"delay_s": sensor.delay_s, "delay_flow_s_kg_h": sensor.delay_flow_s_kg_h}
    return arrival_time(time, exhaust, **delay) + LAGS * sensor.lag_s


def _closed_up(mask: np.ndarray, step_s: float) -> np.ndarray:
    """The mask without holes of one or two rows: one bad reading does not end a cut."""
    filled = mask.copy()
    for first, last in runs(~mask):
        if first > 0 and last < mask.size and (last - first) * step_s <= 0.12:
            filled[first:last] = True
    return filled


def _describe(
    log: xr.Dataset, rows: dict[str, np.ndarray], first: int, last: int, *, begins: bool, ends: bool
) -> tuple:
    time = rows["time"]
    ends = ends and last < time.size
    entry = _edge(rows["speed"], first) if begins else NAN
    out = _edge(rows["speed"], last) if ends else NAN
    how = _ended_by(log, rows, first, last) if ends else "gap"
    after = _after(log, rows, last) if ends else (NAN, NAN, NAN, NAN, False)
    return (float(time[first]), float(time[last - 1]), float(time[last - 1] - time[first]), entry, out, how, *after)


def _edge(speed: np.ndarray, row: int) -> float:
    """Engine speed between the rows on both sides of an edge."""
    pair = speed[max(row - 1, 0) : row + 1]
    return float(np.nanmean(pair)) if np.isfinite(pair).any() else NAN


def _ended_by(log: xr.Dataset, rows: dict[str, np.ndarray], first: int, row: int) -> str:
    """Why fuel came back: throttle opened, clutch pressed, or the speed fell to where the ECU ends the cut."""
    time, step = rows["time"], row_step_s(log)
    near = rows_between(log, (time[row] - 1.5 * step, time[row] + 0.5 * step))
    if not rows["closed"][near].all():
        return "throttle"
    if has(log, "clutch_pressed"):
        before = rows_between(log, (time[row] - 0.5, time[row]))
        pressed = (log["clutch_pressed"].values[before] > 0.5).any()
        return "clutch" if pressed else _by_itself(log, rows, first, row)
    if rows["free"][min(int(np.searchsorted(time, time[row] + FREE_AFTER_S)), time.size - 1)]:
        return "clutch"
    before = rows_between(log, (time[row] - 0.35, time[row]))
    speed = rows["speed"][before]
    fall = (speed[0] - speed[-1]) / max(time[before][-1] - time[before][0], step)
    return "clutch" if fall > FREE_FALL_RPM_S else _by_itself(log, rows, first, row)


def _by_itself(log: xr.Dataset, rows: dict[str, np.ndarray], first: int, row: int) -> str:
    """ "speed" where foot and clutch stayed where they were for ALONE_S after the cut, else "unclear".

    An ECU gives fuel back at the first touch of the pedal or the clutch, before either shows in the log.
    """
    told = any(has(log, name) for name in ("clutch_pressed", "gear", "road_speed_km_h"))
    after = rows_between(log, (rows["time"][row], rows["time"][row] + ALONE_S))
    moved = np.abs(rows["foot"][after] - np.nanmedian(rows["foot"][first:row]))
    alone = told and np.nanmax(moved) <= ALONE_PCT and not rows["free"][after].any()
    return "speed" if alone else "unclear"


def _after(log: xr.Dataset, rows: dict[str, np.ndarray], row: int) -> tuple[float, float, float, float, bool]:
    at_s, seen_s = float(rows["time"][row]), float(rows["seen"][row])
    inside = rows_between(log, (at_s, at_s + AFTER_S))
    under = rows["target"][inside] - rows["smooth"][inside]
    dip = max(float(np.nanmax(under)), 0.0) if np.isfinite(under).any() else NAN
    stalled = bool((rows["smooth"][inside] < 0.4 * rows["target"][inside]).any())
    off = rows["off_pct"][rows_between(log, (seen_s, seen_s + LAMBDA_S))] if np.isfinite(seen_s) else np.empty(0)
    mixture = (float(np.nanmax(off)), float(np.nanmin(off))) if np.isfinite(off).sum() >= 4 else (NAN, NAN)
    jolt = rows["jolt"][rows_between(log, (at_s - 0.3, at_s + 0.7))]
    span = float(np.nanmax(jolt) - np.nanmin(jolt)) if np.isfinite(jolt).any() else NAN
    return (*mixture, span, dip, stalled)


FROM_ABOVE = 1.35  # times the level it settles to: a return comes from above this
LOOK_BACK_S = 8.0
DIPS_WITHIN_S = 6.0  # of the last time above that
SETTLE_BAND_RPM = 50.0  # common practice, no source: +-50 rpm of target
STAYS_S = 1.0
HANG_BAND_RPM = 150.0  # above the level: still hanging
LEVEL_FROM_S = 4.0
RETURN_COLUMNS = [
    "start_s", "end_s", "from_rpm", "level_rpm", "target_rpm", "coolant_c", "hang_s", "undershoot_rpm", "settling_s",
    "stalled",
]  # fmt: skip


def find_returns(log: xr.Dataset, car: Car) -> pd.DataFrame:
    """One row per return to idle.

    A return comes from engine speeds 35 % and more above the level it settles to, and begins where the engine is free:
    throttle closed, and the wheels do not turn it. Where the log cannot tell that (no road speed, clutch or gear) it
    begins at the last moment above those 35 %, and a hang above them is not seen. The flare after a start is none.
    `hang_s` is the time spent more than 150 rpm above the level, `undershoot_rpm` how far below the level it dipped,
    `settling_s` the time until it stays within 50 rpm of the level (NaN if the log or the idling ends before). The
    level is the median from 4 s on, or the target where the idling is shorter; cold engines idle faster than their
    logged target.
    """
    if not (has(log, "engine_speed_rpm") and has(log, "throttle_pct")):
        return pd.DataFrame(columns=RETURN_COLUMNS)
    speed = rolling(at_rows(log, "engine_speed_rpm"), rows_in(0.15, row_step_s(log)), "median")
    gaps = log["time"].values[find_gaps(log)]
    free = free_rows(log)
    rows = [_describe_return(log, car, (speed, free), span, gaps) for span in idle_spans(log, car)]
    return pd.DataFrame([row for row in rows if row is not None], columns=RETURN_COLUMNS)


def _describe_return(
    log: xr.Dataset, car: Car, seen: tuple, span: tuple[float, float], gaps: np.ndarray
) -> tuple | None:
    speed, free = seen
    time, target = log["time"].values, float(np.median(idle_target(log, car)[rows_between(log, span)]))
    late = speed[rows_between(log, (span[0] + LEVEL_FROM_S, span[1]))]
    level = float(np.nanmedian(late)) if late.size > 10 and np.isfinite(late).any() else target
    back = rows_between(log, (max(span[0] - LOOK_BACK_S, time[0]), span[0] + 3.0))
    high = np.flatnonzero(speed[back] > FROM_ABOVE * level)
    if not high.size:
        return None
    last = back.start + int(high[-1])
    first = max(free_since(free, last), _closes(log, last) if not free[last] else 0)
    if (speed[max(first - 1, 0) : last + 1] < RUNNING_RPM).any():
        return None
    begin = float(time[first])
    if ((gaps > begin) & (gaps <= time[last] + 3.0)).any() or span[1] - time[last] < 2.0:
        return None
    inside = rows_between(log, (begin, span[1]))
    clock, away = time[inside] - begin, speed[inside] - level
    hang = float(np.sum(away > HANG_BAND_RPM) * row_step_s(log))
    under = max(float(-np.nanmin(away[time[inside] < time[last] + DIPS_WITHIN_S])), 0.0)
    settling = _settling(clock, away)
    coolant = float(at_rows(log, "coolant_c")[first]) if has(log, "coolant_c") else NAN
    stalled = bool((speed[inside] < 0.4 * level).any())
    return (begin, span[1], float(speed[first]), level, target, coolant, hang, under, settling, stalled)


def _closes(log: xr.Dataset, row: int) -> int:
    """First row from `row` on from which the throttle is closed."""
    throttle = at_rows(log, "throttle_pct")
    shut = throttle[row : row + 400] <= closed_throttle(throttle) + 3.0
    return row + (int(np.argmax(shut)) if shut.any() else 0)


def _settling(clock: np.ndarray, away: np.ndarray) -> float:
    """First moment from which engine speed stays within the band for a second, NaN if never."""
    outside = np.append(np.flatnonzero(~(np.abs(away) <= SETTLE_BAND_RPM)), away.size)
    begin = 0
    for row in outside.tolist():
        if row > begin and clock[row - 1] - clock[begin] >= STAYS_S:
            return float(clock[begin])
        begin = row + 1
    return NAN
