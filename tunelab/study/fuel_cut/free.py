"""Where the engine is free: throttle closed, and the wheels do not turn it."""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.log.flag_sample import closed_throttle
from tunelab.study.gearing.reading import at_rows, has, rolling, row_step_s, rows_in

CLOSED_PCT = 3.0  # points above the closed throttle
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
    return off_the_wheels(log) & (throttle <= closed_throttle(throttle) + CLOSED_PCT)


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
