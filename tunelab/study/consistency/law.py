"""The log against the ECU's own arithmetic under the revision that the session names."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.study.consistency.air import graded, not_made, statement
from tunelab.study.ecu_law import (
    LAW_STOP,
    LAW_WATCH,
    LEAST_BINS,
    SHAPE_STOP,
    calm_rows,
    in_bins,
    law_bins,
    log_of,
    logged_open_ms,
    off_law_shape,
)
from tunelab.study.finding import Finding, Status
from tunelab.study.gearing.reading import at_rows, has
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

# Bounds of this module are common practice, no source.
TWICE_STOP = 0.5  # of the trims, by which the deviation moves with them
UNTRIMMED_STOP = 0.30  # of the level, where trims are not logged and may be at work
BETTER = 0.5  # another revision that leaves less than this share of the deviation is the one in the ECU
LEAST_DEVIATION = 0.01
FLOW_WATCH, FLOW_STOP = 0.03, 0.08
QUICK_S = 2.0
LAW = "Pulse width: logged against what this revision commands"
FLOW = "Logged airflow against the meter curve of this revision"
TRIMS = "Long-term trim apart from short-term trim"


def check_pulse(log: xr.Dataset, car: Car, revision: Revision, others: Mapping[str, Revision]) -> Finding:
    """Pulse width less dead time over what air, commanded lambda, trims, injector count and flow make of it."""
    bins = law_bins(log, car, revision)
    if len(bins) < LEAST_BINS:
        opened = logged_open_ms(log, revision)
        if np.isfinite(opened).any() and np.nanmedian(opened) <= 0:
            text = "Most pulses are shorter than the dead time of this revision: unit, dead time or revision is wrong."
            return statement("pulse", LAW, text, status="stop", figure=(100.0, "%", 100 * LAW_STOP), samples=len(bins))
        text = "Needs pulse width, battery voltage, commanded lambda and the meter together in steady driving."
        return not_made("pulse", LAW, text)
    level, shape = float(bins["off"].median()), off_law_shape(bins["off"])
    size, rows = _size(bins["off"]), int(bins["rows"].sum())
    if not (has(log, "trim_short_pct") or has(log, "trim_long_pct")):
        return _without_trims(level, rows)
    better = _better(log, car, size, {k: v for k, v in others.items() if k != revision.name})
    most = max(abs(level), shape)
    status = graded(most, LAW_WATCH, LAW_STOP)
    twice = status != "met" and _trim_slope(bins) > TWICE_STOP  # then the pulses are not what reached the engine
    status = "stop" if better or twice or shape > SHAPE_STOP else status
    by_size = most > SHAPE_STOP or status != "stop"  # else it stops for what the deviation follows: no limit is passed
    figure = (100 * most, "%", 100 * SHAPE_STOP if by_size else np.nan)
    text = _law_words(level, shape) + (_cause(bins, level, better, car) if status != "met" else "")
    return statement("pulse", LAW, text, status=status, figure=figure, samples=rows)


def _size(off: pd.Series) -> float:
    return float(off.abs().quantile(0.9))


def _better(log: xr.Dataset, car: Car, size: float, others: Mapping[str, Revision]) -> str:
    """Name of another revision that the log fits clearly better, or nothing."""
    sizes = {name: law_bins(log, car, other) for name, other in others.items()}
    sizes = {name: _size(bins["off"]) for name, bins in sizes.items() if len(bins) >= LEAST_BINS}
    name = min(sizes, key=sizes.__getitem__, default="")
    return name if name and size > LEAST_DEVIATION and sizes[name] < BETTER * size else ""


def _without_trims(level: float, rows: int) -> Finding:
    text = f"No trim is logged; the pulses are {_off(level)} this revision would command from the rest."
    if abs(level) <= UNTRIMMED_STOP:
        return not_made("pulse", LAW, f"{text} Trims may explain that: log them to check the revision.")
    figure = (100 * abs(level), "%", 100 * UNTRIMMED_STOP)
    text += " No trim explains that: injector count, injections per cycle, flow or a unit is wrong."
    return statement("pulse", LAW, text, status="stop", figure=figure, samples=rows)


def _off(level: float) -> str:
    return f"{100 * abs(np.expm1(level)):.1f} % {'longer' if level > 0 else 'shorter'} than"


def _law_words(level: float, shape: float) -> str:
    return (
        f"Without dead time, pulses are {_off(level)} this revision would command from air, lambda and trims; 9 of 10 "
        f"stretches agree within {100 * shape:.1f} %."
    )


def _cause(bins: pd.DataFrame, level: float, better: str, car: Car) -> str:
    """Say the likeliest cause."""
    if better:
        return f" The log fits revision {better} clearly better: name the revision that was in the ECU."
    slope = _trim_slope(bins)
    if slope:
        return f" It moves with the trims ({slope:+.1f} for each of theirs): trims are counted twice, or not at all."
    ratio = car.injectors.count / np.exp(level)
    if abs(level) > LAW_STOP and abs(ratio - round(ratio)) < 0.06 * ratio and round(ratio) != car.injectors.count:
        return f" That would fit {round(ratio)} injectors where car.toml has {car.injectors.count}: check the count."
    usable = abs(level) <= LAW_STOP and off_law_shape(bins["off"]) <= SHAPE_STOP
    taken = " What is proposed is made against what the ECU did, not against what is stated." if usable else ""
    return (
        " Injector flow or count, injections per cycle, engine speed, the meter's voltage or a unit is not the ECU's "
        f"own, or the ECU adds what is not logged.{taken}"
    )


def _trim_slope(bins: pd.DataFrame) -> float:
    """By how much the deviation moves with the trims, in theirs; 0 where it does not follow them."""
    if bins["trim"].std() <= 0.01 or abs(bins["off"].corr(bins["trim"])) <= 0.9:
        return 0.0
    return float(np.polyfit(bins["trim"], bins["off"], 1)[0])


def check_flow(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """Airflow that the ECU logs against the named revision's curve at the meter's reading."""
    if not (has(log, "air_flow_kg_h") and has(log, car.meter.channel)):
        return not_made("air_flow", FLOW, f"Needs {car.meter.channel} and the ECU's airflow in the same log.")
    curve, reading = revision.meter_curve, at_rows(log, car.meter.channel)
    off = log_of(at_rows(log, "air_flow_kg_h")) - log_of(np.interp(reading, curve.reading, curve.flow_kg_h))
    bins = in_bins(log, calm_rows(log, car.meter.channel, "air_flow_kg_h"), off=off)
    if len(bins) < LEAST_BINS:
        return not_made("air_flow", FLOW, "Too little steady driving with both readings trusted.")
    size, level = _size(bins["off"]), float(np.expm1(bins["off"].median()))
    text = f"The ECU's airflow lies {100 * level:+.1f} % off the curve; 9 of 10 stretches within {100 * size:.1f} %."
    status = graded(size, FLOW_WATCH, FLOW_STOP)
    if status != "met":
        text += " Another revision was in the ECU, or the unit of the airflow is not the one taken (kg/h, g/s, lb/min)."
    return statement(
        "air_flow", FLOW, text, status=status, figure=(100 * size, "%", 100 * FLOW_STOP), samples=len(bins)
    )


def check_trims(log: xr.Dataset) -> Finding:
    """Long-term trim must not follow the quick swings of the short-term trim: then it is a total, counted twice."""
    if not (has(log, "trim_short_pct") and has(log, "trim_long_pct")):
        return not_made("trims", TRIMS, "Needs both trims in the same log.", "1")
    time = log["time"].values
    rows = max(2, round(QUICK_S / float(np.median(np.diff(time)))))
    quick = [_quick(at_rows(log, name), rows) for name in ("trim_short_pct", "trim_long_pct")]
    known = np.isfinite(quick[0]) & np.isfinite(quick[1])
    short, long = quick[0][known], quick[1][known]
    if short.size < 20 * rows or short.std() < 0.1:
        return not_made("trims", TRIMS, "The short-term trim hardly moved.", "1")
    follows = float(short @ long / (short @ short))
    status: Status = "stop" if follows > 0.5 else "met"
    text = f"Of each quick swing of the short-term trim the long-term trim shows {follows:.2f}."
    text += " It is a total: mapped as long-term trim it counts the short-term trim twice." if status == "stop" else ""
    return statement("trims", TRIMS, text, status=status, figure=(follows, "1", 0.5), samples=int(short.size))


def _quick(values: np.ndarray, rows: int) -> np.ndarray:
    """Departure from the running mean."""
    return values - pd.Series(values).rolling(rows, center=True, min_periods=rows // 2).mean().to_numpy()
