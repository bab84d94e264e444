"""Blocks of settled idle with what the engine did in each, and what electrical loads cost it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import add_air_flow
from tunelab.log.once import made_once
from tunelab.study.finding import Finding, Question, blocks, judge, mean_estimate, nothing
from tunelab.study.gearing.reading import at_rows, has
from tunelab.study.idle.events import find_load_steps, idle_spans, idle_target, rows_between, settled_idle
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

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
                state = (speed.mean(), speed.std(ddof=1), _mean(opening[own]), _mean(air[own]))
                found.append((visit, is_loaded, time[own].mean(), coolant, error, *state))
    return pd.DataFrame(found, columns=names) if found else pd.DataFrame({name: np.empty(0) for name in names})


def _mean(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


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
