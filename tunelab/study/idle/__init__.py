"""How the car idles: its speed and hunting, cold and warm, with loads on and off."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import in_words
from tunelab.log.align import at_rows, fresh_readings, has
from tunelab.study.finding import (
    NAN,
    Estimate,
    blocks,
    echo_of,
    mean_estimate,
    nothing,
    spread_estimate,
    step_of,
    worst_estimate,
)  # fmt: skip
from tunelab.study.idle.events import find_flares, find_load_steps, idle_target, rows_between, settled_idle
from tunelab.study.idle.result import ALWAYS, OVERLAP_CAUTION, Hunting, IdleStudy, Spectrum, find_hunting, spectrum
from tunelab.workspace.car import Car

__all__ = ["ALWAYS", "OVERLAP_CAUTION", "Hunting", "IdleStudy", "Spectrum", "find_hunting", "spectrum", "study_idle"]

BLOCK_S = 3.0  # longer than an idle's own swings last in step
COLUMNS = [
    "start_s", "end_s", "coolant_c", "target_rpm", "error_rpm", "spread_rpm", "lambda_error_pct", "lambda_spread_pct",
    "spark_deg", "spark_spread_deg", "actuator_pct", "actuator_low_pct", "actuator_high_pct", "hunting_rpm",
    "hunting_hz", "samples",
]  # fmt: skip
CHANNEL = {"error": "engine speed", "lambda": "lambda", "spark_deg": "spark"}  # behind each series
COLD_C = 40.0  # below it an engine is cold, from the owner's limit on it is warm, between it warms up

Series = dict[str, tuple[np.ndarray, np.ndarray]]


def study_idle(log: xr.Dataset, car: Car) -> IdleStudy:
    """Study every stretch of settled idle of one flagged log.

    Parameters
    ----------
    log : Dataset
        As `flag_log` gives it. Engine speed and throttle are needed to tell that it idles.
    car : Car
        Idle speed, limits, and whether the camshaft reads falsely lean.

    Returns
    -------
    IdleStudy
        Not shown, with the reason, where the log holds no settled idle of four seconds.
    """
    spans = settled_idle(log, car)
    series = _series(log, car)
    rows = [_describe(series, span) for span in spans]
    stretches = pd.DataFrame([row for row, _ in rows], columns=COLUMNS)
    warm = _is_warm(stretches["coolant_c"].to_numpy(dtype=float), car)
    chosen = [span for span, is_warm in zip(spans, warm, strict=True) if is_warm]
    order = np.argsort(~warm, kind="stable")
    seen = int(sum(rows_between(log, span).stop - rows_between(log, span).start for span in chosen))
    used = int(stretches.loc[warm, "samples"].sum()) if len(stretches) else 0
    turns = bool(np.isfinite(step_of(series["engine_speed_rpm"][1])))  # a speed that never moves is a dead reading
    return IdleStudy(
        shown=bool(chosen),
        because=_why_none(log, spans, chosen, car),
        stretches=stretches,
        bands=_bands(series, spans, stretches, car),
        **_headline(series, chosen, max(seen - used, 0)),
        hunting=tuple(rows[k][1] for k in order if turns),
        load_steps=find_load_steps(log, car) if turns else pd.DataFrame(),
        flares=find_flares(log, car),
        samples_used=used,
        samples_flagged=max(seen - used, 0),
    )


def _why_none(log: xr.Dataset, spans: list, chosen: list, car: Car) -> str:
    if chosen:
        return ""
    absent = [name for name in ("engine_speed_rpm", "throttle_pct") if not has(log, name)]
    if absent:
        return f"the log has no {in_words(*absent)}, so idling cannot be found."
    if spans:
        return f"the engine idled only below {car.limits.coolant_min_c:g} °C; see the table by coolant temperature."
    return "the log holds no settled idle of four seconds."


def _is_warm(coolant_c: np.ndarray, car: Car) -> np.ndarray:
    """Whether each stretch counts as warm; a log without coolant temperature counts as warm throughout."""
    return ~(coolant_c < car.limits.coolant_min_c)


def _series(log: xr.Dataset, car: Car) -> Series:
    """Trusted, fresh readings of everything that is judged: times and values of each."""
    series: Series = {}
    target, time = idle_target(log, car), log["time"].values
    for name in ("engine_speed_rpm", "spark_deg", "idle_actuator_pct", "coolant_c", "lambda_measured"):
        series[name] = fresh_readings(log, name) if has(log, name) else (np.empty(0), np.empty(0))
    clock, speed = series["engine_speed_rpm"]
    series["target"] = (clock, np.interp(clock, time, target) if clock.size else clock)
    series["error"] = (clock, speed - series["target"][1])
    clock, lambda_ = series["lambda_measured"]
    commanded = at_rows(log, "lambda_commanded") if has(log, "lambda_commanded") else np.ones(time.size)
    wanted = np.interp(clock, time, np.where(np.isfinite(commanded), commanded, 1.0)) if clock.size else clock
    series["lambda"] = (clock, 100.0 * (lambda_ / wanted - 1.0))
    return series


def _inside(series: Series, name: str, spans: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    clock, values = series[name]
    keep = np.zeros(clock.size, dtype=bool)
    for start, end in spans:
        keep |= (clock >= start) & (clock <= end)
    return clock[keep], values[keep]


def _describe(series: Series, span: tuple[float, float]) -> tuple[tuple, Hunting]:
    """One stretch: the row of the table, and its swing."""
    clock, speed = _inside(series, "engine_speed_rpm", [span])
    hunting = find_hunting(clock, speed)
    values = {name: _inside(series, name, [span])[1] for name in series}
    actuator = values["idle_actuator_pct"]
    low, high = np.quantile(actuator, (0.05, 0.95)) if actuator.size else (NAN, NAN)
    row = (
        *span, _mean(values["coolant_c"]), _mean(values["target"]), _mean(values["error"]), _spread(values["error"]),
        _mean(values["lambda"]), _spread(values["lambda"]), _mean(values["spark_deg"]), _spread(values["spark_deg"]),
        _mean(actuator), float(low), float(high), hunting.amplitude_rpm if hunting.shown else NAN,
        hunting.frequency_hz if hunting.shown else NAN, speed.size,
    )  # fmt: skip
    return row, hunting


def _mean(values: np.ndarray) -> float:
    return float(values.mean()) if values.size else NAN


def _spread(values: np.ndarray) -> float:
    return float(values.std(ddof=1)) if values.size > 2 else NAN


def _headline(series: Series, spans: list[tuple[float, float]], flagged: int) -> dict[str, Estimate]:
    """Values of a set of stretches, each with its interval."""
    return {
        "speed_error": _level(series, "error", spans, "rpm", flagged),
        "speed_spread": _scatter(series, "error", spans, "rpm", flagged),
        "lambda_error": _level(series, "lambda", spans, "%", flagged),
        "lambda_spread": _scatter(series, "lambda", spans, "%", flagged),
        "spark_spread": _scatter(series, "spark_deg", spans, "°", flagged),
        "actuator_margin": _margin(series, spans, flagged),
    }


def _why_not(series: Series, name: str, values: np.ndarray) -> str:
    """Say why readings at settled idle show nothing; empty where they do."""
    if not values.size:
        return f"no trusted reading of {CHANNEL[name]} at settled idle"
    source = {"lambda": "lambda_measured", "error": "engine_speed_rpm"}.get(name, name)
    if not np.isfinite(step_of(series[source][1])):
        return f"{CHANNEL[name]} never changed in this log, so the sensor may be dead"
    return ""


def _level(series: Series, name: str, spans: list, unit: str, flagged: int) -> Estimate:
    clock, values = _inside(series, name, spans)
    why = _why_not(series, name, values)
    if why:
        return nothing(unit, why, flagged=flagged)
    means = np.array([values[part].mean() for part in blocks(clock, BLOCK_S)])
    what, echo = f"blocks of {BLOCK_S:g} s", echo_of([means])
    return mean_estimate(means, unit, used=values.size, flagged=flagged, what=what, echo=echo)


def _scatter(series: Series, name: str, spans: list, unit: str, flagged: int) -> Estimate:
    """Standard deviation about each stretch's own mean."""
    clock, values = _inside(series, name, spans)
    why = _why_not(series, name, values)
    if why:
        return nothing(unit, why, flagged=flagged)
    centred = values.copy()
    for start, end in spans:
        own = (clock >= start) & (clock <= end)
        centred[own] -= values[own].mean() if own.any() else 0.0
    squares = np.array([float(np.mean(centred[part] ** 2)) for part in blocks(clock, BLOCK_S)])
    what, echo = f"blocks of {BLOCK_S:g} s", echo_of([squares])
    return spread_estimate(squares, unit, used=values.size, flagged=flagged, what=what, echo=echo)


def _margin(series: Series, spans: list, flagged: int) -> Estimate:
    """Least opening left to either end of the actuator's range, 5th to 95th percentile within each block."""
    clock, opening = _inside(series, "idle_actuator_pct", spans)
    if not opening.size:
        return nothing("%", "no trusted reading of the idle actuator at settled idle", flagged=flagged)
    left = [min(np.quantile(opening[p], 0.05), 100 - np.quantile(opening[p], 0.95)) for p in blocks(clock, BLOCK_S)]
    moved = step_of(opening)
    found = worst_estimate(-np.array(left), "%", step=moved / 2, flagged=flagged, what=f"blocks of {BLOCK_S:g} s")
    side = "closed" if np.median(opening) < 50 else "open"
    text = f"least room to the actuator's {side} end of {len(left)} blocks"
    if not np.isfinite(moved):
        text += "; the reading never changed, so the sensor may be dead"
    return Estimate(-found.value, -found.upper, -found.lower, "%", opening.size, flagged, text)


def _bands(series: Series, spans: list, stretches: pd.DataFrame, car: Car) -> pd.DataFrame:
    """The headline values by coolant temperature."""
    warm = car.limits.coolant_min_c
    edges = [(-np.inf, COLD_C), (COLD_C, warm), (warm, np.inf)] if warm > COLD_C else [(-np.inf, warm), (warm, np.inf)]
    coolant = stretches["coolant_c"].to_numpy(dtype=float)
    rows = []
    for low, high in edges:
        own = (coolant >= low) & (coolant < high) if np.isfinite(coolant).any() else np.full(coolant.size, low == warm)
        chosen = [span for span, inside in zip(spans, own, strict=True) if inside]
        if chosen:
            values = _headline(series, chosen, 0)
            rows.append({"coolant": _band_name(low, high), "stretches": len(chosen), **_flat(values, series, chosen)})
    return pd.DataFrame(rows)


def _band_name(low: float, high: float) -> str:
    if not np.isfinite(low):
        return f"below {high:g} °C"
    return f"from {low:g} °C" if not np.isfinite(high) else f"{low:g} to {high:g} °C"


def _flat(values: dict[str, Estimate], series: Series, spans: list) -> dict[str, float]:
    columns: dict[str, float] = {"seconds": round(sum(end - start for start, end in spans), 1)}
    for name, estimate in values.items():
        columns |= {name: estimate.value, f"{name}_lower": estimate.lower, f"{name}_upper": estimate.upper}
    return columns | {"spark_deg": _mean(_inside(series, "spark_deg", spans)[1])}
