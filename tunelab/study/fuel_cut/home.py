"""Return to idle: how engine speed comes down once the engine is free, and whether it settles, hangs or dips."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag_channel import RUNNING_RPM
from tunelab.log.flag_sample import closed_throttle, find_gaps
from tunelab.study.estimate import NAN
from tunelab.study.fuel_cut.free import free_rows, free_since
from tunelab.study.gearing.reading import at_rows, has, rolling, row_step_s, rows_in
from tunelab.study.idle.stretch import idle_spans, idle_target, rows_between
from tunelab.workspace.car import Car

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
    rows = [_describe(log, car, (speed, free), span, gaps) for span in idle_spans(log, car)]
    return pd.DataFrame([row for row in rows if row is not None], columns=RETURN_COLUMNS)


def _describe(log, car: Car, seen: tuple, span: tuple[float, float], gaps: np.ndarray) -> tuple | None:
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
