"""Where a log idles and what happens around it: settled blocks, flare after a start, loads that come on or go."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import add_air_flow, at_rows, has, rolling, row_step_s, rows_in
from tunelab.log.flag_channel import RUNNING_RPM
from tunelab.log.flag_sample import closed_throttle, find_gaps
from tunelab.log.once import made_once
from tunelab.log.segment import find_segments
from tunelab.study.finding import NAN, Finding, Question, blocks, judge, mean_estimate, nothing
from tunelab.study.pull_result import known_mean
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

SETTLING_S = 2.5  # after idling begins: how the engine gets there is another question
AFTER_START_S = 8.0
SHORTEST_S = 4.0


def idle_spans(log: xr.Dataset, car: Car) -> list[tuple[float, float]]:
    """Start and end [s] of every stretch of idling, its beginning included."""
    table = find_segments(log, car)
    rows = table[table["kind"] == "idle"]
    return list(zip(rows["start_s"].tolist(), rows["end_s"].tolist(), strict=True))


def settled_idle(log: xr.Dataset, car: Car) -> list[tuple[float, float]]:
    """Start and end [s] of every stretch of settled idling of four seconds or more.

    The first 2.5 s are left out, unless the log itself begins there, and the first 8 s after a start.
    """
    table = find_segments(log, car)
    starts = table.loc[table["kind"] == "start", "start_s"].to_numpy()
    begin = float(log["time"].values[0]) if log.sizes["time"] else 0.0
    found = []
    for start, end in idle_spans(log, car):
        first = start if start <= begin + 0.2 else start + SETTLING_S
        before = starts[starts <= end]
        if before.size:
            first = max(first, float(before[-1]) + AFTER_START_S)
        if end - first >= SHORTEST_S:
            found.append((first, end))
    return found


def idle_target(log: xr.Dataset, car: Car) -> np.ndarray:
    """Idle speed aimed for at every row [rpm], shape (time,): as the ECU logs it, else that of car.toml."""
    stated = np.full(log.sizes["time"], float(car.engine.idle_target_rpm))
    if not has(log, "idle_target_rpm"):
        return stated
    logged = at_rows(log, "idle_target_rpm")
    return np.where(np.isfinite(logged) & (logged > 0), logged, stated)


def rows_between(log: xr.Dataset, span: tuple[float, float]) -> slice:
    """Rows from the start to the end of a span, both included."""
    time = log["time"].values
    return slice(int(np.searchsorted(time, span[0])), int(np.searchsorted(time, span[1], side="right")))


FLARE_WITHIN_S = 6.0
SETTLED_FROM_S, SETTLED_TO_S = 8.0, 15.0
FLARE_COLUMNS = [
    "start_s", "coolant_c", "off_s", "cranking_s", "peak_rpm", "settled_rpm", "flare_rpm", "above_100_s", "because",
]  # fmt: skip
LOAD_STEP_V = 0.25  # a change of battery voltage that tells of an electrical load; common practice, no source
LOAD_STEP_SIGMAS = 6.0
BEFORE_S, AFTER_S = 2.5, 5.0
CALM_RPM, CALM_SPREAD_RPM = 15.0, 20.0  # change and standard deviation of engine speed over the 2.5 s before a step
LOAD_COLUMNS = [
    "at_s",
    "battery_step_v",
    "before_rpm",
    "dip_rpm",
    "dip_s",
    "back_s",
    "lasting_rpm",
    "actuator_step_pct",
]


def find_flares(log: xr.Dataset, car: Car) -> pd.DataFrame:
    """One row per start: how far engine speed overshot what it settled to, and for how long.

    `flare_rpm` is NaN, with the reason in `because`, where the throttle was opened, the log breaks off, or the engine
    did not idle long enough after.
    """
    table = find_segments(log, car)
    starts = table.loc[table["kind"] == "start", "start_s"].tolist()
    if not has(log, "engine_speed_rpm"):
        return pd.DataFrame(columns=FLARE_COLUMNS)
    return pd.DataFrame([_flare(log, start) for start in starts], columns=FLARE_COLUMNS)


def _flare(log: xr.Dataset, start_s: float) -> tuple:
    time, speed = log["time"].values, at_rows(log, "engine_speed_rpm")
    smooth = rolling(speed, rows_in(0.15, row_step_s(log)), "median")
    coolant = at_rows(log, "coolant_c") if has(log, "coolant_c") else np.full(time.size, NAN)
    row = int(np.searchsorted(time, start_s))
    caught = row + int(np.argmax(speed[row:] > 500.0)) if (speed[row:] > 500.0).any() else row
    head = (float(time[row]), float(coolant[row]), _off_before(time, speed, row), float(time[caught] - time[row]))
    why = _flare_doubt(log, time, speed, caught)
    if why:
        return (*head, NAN, NAN, NAN, NAN, why)
    rise = rows_between(log, (time[caught], time[caught] + FLARE_WITHIN_S))
    settled = float(
        np.nanmedian(smooth[rows_between(log, (time[caught] + SETTLED_FROM_S, time[caught] + SETTLED_TO_S))])
    )
    peak = float(np.nanmax(smooth[rise]))
    above = float(np.sum(smooth[rise] > settled + 100.0) * row_step_s(log))
    return (*head, peak, settled, peak - settled, above, "")


def _off_before(time: np.ndarray, speed: np.ndarray, row: int) -> float:
    """How long the engine stood before a start, as far as the log tells [s]; it may have stood longer."""
    running = np.flatnonzero(speed[:row] > RUNNING_RPM)
    begin = running[-1] if running.size else 0
    return float(time[row] - time[begin])


def _flare_doubt(log: xr.Dataset, time: np.ndarray, speed: np.ndarray, row: int) -> str:
    end = time[row] + SETTLED_FROM_S + 2.0
    inside = rows_between(log, (time[row], end))
    if time[-1] < end or (np.diff(time[inside]) > 1.0).any() or _gap_inside(log, inside):
        return "the log breaks off within 10 s of the start"
    if (speed[inside] < RUNNING_RPM).any():
        return "the engine stalled again"
    if has(log, "throttle_pct"):
        throttle = at_rows(log, "throttle_pct")
        if (throttle[inside] > closed_throttle(throttle) + 3.0).any():
            return "the throttle was opened"
    return ""


def _gap_inside(log: xr.Dataset, inside: slice) -> bool:
    return any(inside.start < gap < inside.stop for gap in find_gaps(log).tolist())


@made_once
def find_load_steps(log: xr.Dataset, car: Car) -> pd.DataFrame:
    """One row per change of electrical load while idling, known by the battery voltage.

    `dip_rpm` is the deepest departure within 3 s (below zero when a load comes on), `back_s` the time until engine
    speed stays within its usual spread again (NaN if not within 5 s), `lasting_rpm` what remains after 3 to 5 s; NaN
    where the idling ends before.
    """
    if not (has(log, "battery_v") and has(log, "engine_speed_rpm")):
        return pd.DataFrame(columns=LOAD_COLUMNS)
    rows = []
    for span in idle_spans(log, car):
        steps = [pair for pair in _voltage_steps(log, span) if _calm_before(log, pair[0])]
        rows += [_response(log, car, at, step, span[1]) for at, step in steps]
    return pd.DataFrame(rows, columns=LOAD_COLUMNS)


def _calm_before(log: xr.Dataset, at_s: float) -> bool:
    """Whether engine speed stood before a step: an engine that is still settling moves the voltage by itself."""
    before = at_rows(log, "engine_speed_rpm")[rows_between(log, (at_s - BEFORE_S, at_s - 0.1))]
    before = before[np.isfinite(before)]
    if before.size < 8 or before.min() < 500.0:
        return False
    half = before.size // 2
    moved = abs(float(before[:half].mean() - before[half:].mean()))
    return moved < CALM_RPM and float(before.std()) < CALM_SPREAD_RPM


def _voltage_steps(log: xr.Dataset, span: tuple[float, float]) -> list[tuple[float, float]]:
    """Moments and sizes of the voltage steps of one stretch of idle, at least 6 s apart."""
    inside = rows_between(log, span)
    time, volts = log["time"].values[inside], at_rows(log, "battery_v")[inside]
    known = np.isfinite(volts)
    if known.sum() < 10 or span[1] - span[0] < BEFORE_S + 1.5:
        return []
    time, volts = time[known], volts[known]
    total = np.append(0.0, np.cumsum(volts))

    def mean(start_s: np.ndarray, end_s: np.ndarray) -> np.ndarray:
        first, last = np.searchsorted(time, start_s), np.searchsorted(time, end_s)
        return np.where(last > first, (total[last] - total[first]) / np.maximum(last - first, 1), NAN)

    step = mean(time + 0.8, time + 2.0) - mean(time - 1.8, time - 0.1)
    step[(time < time[0] + 1.9) | (time > time[-1] - 2.0)] = NAN
    noise = float(np.nanmedian(np.abs(step))) if np.isfinite(step).any() else 0.0
    found: list[tuple[float, float]] = []
    while np.isfinite(step).any():
        k = int(np.nanargmax(np.abs(step)))
        if abs(step[k]) < max(LOAD_STEP_V, LOAD_STEP_SIGMAS * noise):
            break
        found.append((_first_change(time, volts, k, float(step[k])), float(step[k])))
        step[np.abs(time - time[k]) < BEFORE_S + AFTER_S] = NAN
    return sorted(found)


def _first_change(time: np.ndarray, volts: np.ndarray, k: int, step: float) -> float:
    """When the voltage left its old level: a tenth of the step away from it, shortly before the steepest change."""
    near = np.flatnonzero(np.abs(time - time[k]) < 2.0)
    old = float(np.median(volts[near[time[near] < time[k] - 0.5]])) if (time[near] < time[k] - 0.5).any() else volts[k]
    moved = near[np.abs(volts[near] - old) > max(0.25 * abs(step), 0.1)]
    return float(time[moved[0]]) if moved.size else float(time[k])


def _response(log: xr.Dataset, car: Car, at_s: float, step_v: float, end_s: float) -> tuple:
    """Row of `LOAD_COLUMNS`; nothing after `end_s`, where the idling ends, belongs to it."""
    time, step = log["time"].values, row_step_s(log)
    speed = rolling(at_rows(log, "engine_speed_rpm"), rows_in(0.2, step), "mean") - idle_target(log, car)
    before = speed[rows_between(log, (at_s - BEFORE_S, at_s - 0.2))]
    after = rows_between(log, (at_s - 0.1, min(at_s + 3.0, end_s)))
    level = float(np.nanmedian(before)) if np.isfinite(before).any() else NAN
    away = speed[after] - level
    if not np.isfinite(away).any():
        return (at_s, step_v, level, NAN, NAN, NAN, NAN, NAN)
    deepest = int(np.nanargmin(away) if step_v < 0 else np.nanargmax(away))
    usual = max(20.0, 3.0 * float(np.nanstd(before)))
    late = rows_between(log, (at_s + 3.0, at_s + AFTER_S))
    stays = end_s >= at_s + AFTER_S
    lasting = float(np.nanmean(speed[late])) - level if stays and np.isfinite(speed[late]).any() else NAN
    whole = rows_between(log, (at_s, min(at_s + AFTER_S, end_s)))
    outside = np.flatnonzero(np.abs(speed[whole] - level) > usual)
    back = float(time[whole][outside[-1]] - at_s) if outside.size else 0.0
    back = NAN if back > min(AFTER_S, end_s - at_s) - 0.3 else back
    base = float(np.nanmedian(idle_target(log, car)[after]))
    dip_at = float(time[after][deepest] - at_s)
    moved = _actuator_step(log, at_s) if stays else NAN
    return (at_s, step_v, level + base, float(away[deepest]), dip_at, back, lasting, moved)


def _actuator_step(log: xr.Dataset, at_s: float) -> float:
    if not has(log, "idle_actuator_pct"):
        return NAN
    opening = at_rows(log, "idle_actuator_pct")
    pair = [opening[rows_between(log, span)] for span in ((at_s - BEFORE_S, at_s - 0.2), (at_s + 3.0, at_s + AFTER_S))]
    if not all(np.isfinite(part).any() for part in pair):
        return NAN
    return float(np.nanmedian(pair[1]) - np.nanmedian(pair[0]))


# All common practice, no source.
BLOCK_S = 3.0
SETTLED_RPM = 25.0  # within it of the target the control has found its opening
CONTROL_S = 4.0  # of a settled stretch that does not begin the log: the control is still on its way


@made_once
def idle_blocks(log: xr.Dataset, car: Car, revision: Revision) -> pd.DataFrame:
    """Blocks of settled idle, each with or without an electrical load switched on.

    Returns
    -------
    DataFrame
        `visit` (number of the stretch), `loaded`, `time_s`, `coolant_c`, `error_rpm` (speed less target), `speed_rpm`,
        `spread_rpm`, `opening_pct`, `air_kg_h`; NaN where not logged. Empty without engine speed or coolant.
    """
    names = [
        "visit",
        "loaded",
        "time_s",
        "coolant_c",
        "error_rpm",
        "speed_rpm",
        "spread_rpm",
        "opening_pct",
        "air_kg_h",
    ]
    if not (has(log, "engine_speed_rpm") and has(log, "coolant_c")):
        return pd.DataFrame({name: np.empty(0) for name in names})
    time, target = log["time"].values, _target(log, car, revision)
    rows = {name: at_rows(log, name) for name in ("engine_speed_rpm", "coolant_c")}
    opening = at_rows(log, "idle_actuator_pct") if has(log, "idle_actuator_pct") else np.full(time.size, np.nan)
    air, loaded, found = _air(log, car, revision), _loaded(log, car), []
    for visit, (start, end) in enumerate(settled_idle(log, car)):
        begins = start <= time[0] + 0.3
        inside = rows_between(log, (start if begins else start + CONTROL_S, end))
        at = np.arange(inside.start, inside.stop)
        at = at[np.isfinite(rows["engine_speed_rpm"][at]) & np.isfinite(rows["coolant_c"][at])]
        for is_loaded in (False, True):
            chosen = at[loaded[at] == is_loaded]
            for part in blocks(time[chosen], BLOCK_S):
                own = chosen[part]
                speed = rows["engine_speed_rpm"][own]
                error, coolant = float((speed - target[own]).mean()), rows["coolant_c"][own].mean()
                state = (speed.mean(), speed.std(ddof=1), known_mean(opening[own]), known_mean(air[own]))
                found.append((visit, is_loaded, time[own].mean(), coolant, error, *state))
    return pd.DataFrame(found, columns=names) if found else pd.DataFrame({name: np.empty(0) for name in names})


def _air(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Airflow as the ECU's own curve reads it, shape (time,), NaN where the log has none. [kg/h]"""
    if not any(has(log, name) for name in (car.meter.channel, "air_flow_kg_h")):
        return np.full(log.sizes["time"], np.nan)
    return add_air_flow(log, car, revision)["air_flow_kg_h"].values


def _target(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Idle speed aimed for: as logged, else by the revision's own table, else that of car.toml; shape (time,)."""
    if revision.idle_target is None or has(log, "idle_target_rpm"):
        return idle_target(log, car)
    return np.interp(at_rows(log, "coolant_c"), revision.idle_target.coolant_c, revision.idle_target.values)


def _loaded(log: xr.Dataset, car: Car) -> np.ndarray:
    """Rows at which an electrical load is seen to be on, shape (time,)."""
    loaded, steps = np.zeros(log.sizes["time"], dtype=bool), find_load_steps(log, car)
    for start, end in idle_spans(log, car):
        own = steps[(steps["at_s"] >= start) & (steps["at_s"] <= end)] if len(steps) else steps
        since = None
        for step in own.itertuples():
            if step.battery_step_v < 0:
                since = step.at_s if since is None else since
            else:
                loaded[rows_between(log, (start if since is None else since, step.at_s))] = True
                since = None
        if since is not None:
            loaded[rows_between(log, (since, end))] = True
    return loaded


def load_cost(seen: pd.DataFrame) -> Finding:
    """What electrical loads (fan, lamps) cost the idle in opening of its actuator.

    By each stretch of idle that was on target both with and without one; `seen` as `idle_blocks` gives it.
    """
    question = Question("idle.load_cost", "Opening of the idle actuator that electrical loads cost")
    known = seen[np.isfinite(seen["opening_pct"]) & (seen["error_rpm"].abs() <= SETTLED_RPM)]
    means = known.groupby(["visit", "loaded"])["opening_pct"].mean().unstack() if len(known) else pd.DataFrame()
    costs = (means[True] - means[False]).dropna() if {True, False} <= set(means.columns) else pd.Series(dtype=float)
    if costs.empty:
        why = "no stretch of idle was on target both with and without an electrical load; switch on fan and lamps once."
        return judge(question, nothing("%", why), why)
    found = mean_estimate(costs, "%", used=len(known), flagged=len(seen) - len(known), what="stretches with loads")
    return judge(question, found, f"{found.method}; from {costs.min():.1f} to {costs.max():.1f} %.")
