"""Air and pulses that the log claims, against what an engine can draw and the ECU's own arithmetic."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import at_rows, has
from tunelab.physics.load import absolute_load, speed_density_flow
from tunelab.study.ecu_law import (
    LAW_STOP,
    LAW_WATCH,
    LEAST_BINS,
    SHAPE_STOP,
    calm_rows,
    ecu_flow_g_min,
    in_bins,
    law_bins,
    log_of,
    logged_open_ms,
    metered_air_kg_h,
    off_law_shape,
)
from tunelab.study.finding import Finding, Status
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision


def statement(
    key: str, title: str, because: str, *, status: Status, figure: tuple[float, str, float], samples: int
) -> Finding:
    """Finding of one check; `figure` is value, unit and limit. A check that could not be made has the value NaN."""
    value, unit, limit = figure
    shown = bool(np.isfinite(value))
    return Finding(
        id=f"consistency.{key}",
        title=title,
        value=float(value) if shown else None,
        unit=unit,
        lower=None,
        upper=None,
        confidence=None,
        samples_used=samples,
        samples_flagged=0,
        status=status if shown else "not_shown",
        limit=float(limit) if np.isfinite(limit) else None,
        because=because,
    )


def not_made(key: str, title: str, because: str, unit: str = "%") -> Finding:
    """Finding of a check for which the log has not enough."""
    return statement(key, title, because, status="not_shown", figure=(np.nan, unit, np.nan), samples=0)


def graded(value: float, watch: float, stop: float) -> Status:
    """Status of a value that is better small."""
    return "stop" if value > stop else "watch" if value > watch else "met"


# Bounds of this module are common practice, no source; at manifold density engines fill to 0.6 to 1.0, a first curve
# may be a quarter off.
FILLING_LOW, FILLING_HIGH = 0.45, 1.3
LOAD_LOW_PCT, LOAD_HIGH_PCT = 12.0, 250.0  # highest absolute load of a drive, boosted engines included
TWO_WATCH, TWO_STOP = 0.35, 0.45  # of the logarithm
LEAK_WATCH, LEAK_STOP = 1.0, 1.05  # filling at the least air over filling at much; honest engines 0.6 to 0.95
LEAST_SPAN = 4.0  # of the air that displacement, speed and manifold pressure offer, largest over least
LEAK_TITLE = "Cylinder filling near idle over filling at high airflow"
LEAK = (
    "A small leak into the exhaust ahead of the lambda sensor reads exactly like a meter that reads low at small "
    "airflow: no steady log separates them, so the lower bounds at the curve's breakpoints allow for one. Look for a "
    "leak by hand before anything is entered at light load."
)
FILLING = "Air against displacement, engine speed and manifold pressure"
TWO = "Air by the meter against air by fuel and lambda"


def fuelled_air_kg_h(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Air by pulse width less dead time, injector flow and measured lambda; NaN where one is missing. [kg/h]"""
    if not has(log, "lambda_measured"):
        return np.full(log.sizes["time"], np.nan)
    injections_min = car.injectors.count * car.injectors.injections_per_cycle * at_rows(log, "engine_speed_rpm") / 2
    minutes = convert(logged_open_ms(log, revision), "ms", "min")
    fuel = convert(minutes * ecu_flow_g_min(log, car, revision) * injections_min, "g/min", "kg/h")
    return fuel * revision.fuelling.stoich_afr * at_rows(log, "lambda_measured")


def check_filling(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """Volumetric efficiency at manifold density, or absolute load (SAE J1979) without manifold pressure."""
    sides = {"the meter": metered_air_kg_h(log, car, revision), "fuel and lambda": fuelled_air_kg_h(log, car, revision)}
    with_manifold = has(log, "manifold_kpa")
    ratios = {name: _filling(log, car, air, with_manifold) for name, air in sides.items()}
    ratios = {name: value for name, value in ratios.items() if np.isfinite(value)}
    if not ratios:
        return not_made("filling", FILLING, "Needs engine speed and airflow in steady driving.", "1")
    low, high = (FILLING_LOW, FILLING_HIGH) if with_manifold else (LOAD_LOW_PCT / 100, LOAD_HIGH_PCT / 100)
    worst = max(ratios, key=lambda name: abs(np.log(ratios[name] / np.sqrt(low * high))))
    value = ratios[worst]
    what = "volumetric efficiency at manifold density" if with_manifold else "highest absolute load"
    text = f"By {worst} the {what} is {value:.2f}; {low:g} to {high:g} is possible."
    status: Status = "met" if low <= value <= high else "stop"
    text += _filling_cause(value < low) if status == "stop" else ""
    return statement("filling", FILLING, text, status=status, figure=(value, "1", high), samples=log.sizes["time"])


def _filling_cause(too_small: bool) -> str:
    side = "small" if too_small else "large"
    return (
        f" So {side} a filling no engine of this size has: displacement, a unit (kg/h, g/s; kPa, psi), engine speed or "
        "the meter's column is not as stated."
    )


def _filling(log: xr.Dataset, car: Car, air: np.ndarray, with_manifold: bool) -> float:
    if with_manifold:
        value = air / _full_flow(log, car)
    else:
        speed = _positive(at_rows(log, "engine_speed_rpm"))
        share = absolute_load(_positive(air), speed, displacement_l=car.engine.displacement_l)
        value = convert(share, "percent", "1")
    bins = in_bins(log, calm_rows(log, "manifold_kpa", car.meter.channel), value=value)
    if len(bins) < LEAST_BINS:
        return float("nan")
    return float(bins["value"].quantile(0.5 if with_manifold else 0.95))


def _positive(values: np.ndarray) -> np.ndarray:
    return np.where(values > 0, values, np.nan)


def check_two_airs(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """Median ratio of air by fuel and lambda to air by the meter."""
    off = log_of(fuelled_air_kg_h(log, car, revision)) - log_of(metered_air_kg_h(log, car, revision))
    names = ("pulse_width_ms", "battery_v", "lambda_measured", car.meter.channel)
    bins = in_bins(log, calm_rows(log, *names), off=off)
    if len(bins) < LEAST_BINS:
        return not_made("two_airs", TWO, "Needs pulse width, battery voltage, lambda and the meter in steady driving.")
    level = float(bins["off"].median())
    status = graded(abs(level), TWO_WATCH, TWO_STOP)
    text = f"Fuel and lambda account for {100 * np.exp(level):.0f} % of the air by the meter."
    if status != "met":
        text += " A first curve may be a third off; further off, look for injector flow, count, fuel or a unit."
    figure = (100 * abs(np.expm1(level)), "%", 100 * float(np.expm1(TWO_STOP)))
    return statement("two_airs", TWO, text, status=status, figure=figure, samples=len(bins))


def check_leak(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """Air in the exhaust that the engine cannot have drawn: burnt gas left behind makes filling fall with the air.

    Smaller leaks, some 15 % of the air at idle, pass: dead-time errors and engines differ as much.
    """
    offered = log_of(_full_flow(log, car)) if has(log, "manifold_kpa") else np.full(log.sizes["time"], np.nan)
    filling = log_of(fuelled_air_kg_h(log, car, revision)) - offered
    rows = calm_rows(log, "manifold_kpa", "pulse_width_ms", "battery_v", "lambda_measured")
    bins = in_bins(log, rows, filling=filling, offered=offered)
    if len(bins) < LEAST_BINS or np.ptp(bins["offered"]) < np.log(LEAST_SPAN):
        return not_made("exhaust_leak", LEAK_TITLE, LEAK, "1")
    low = bins["filling"][bins["offered"] <= bins["offered"].quantile(0.1)].median()
    high = bins["filling"][bins["offered"] > bins["offered"].quantile(0.5)].median()
    share = float(np.exp(low - high))
    status = graded(share, LEAK_WATCH, LEAK_STOP)
    text = f"Near idle the engine fills {share:.2f} times as well as at high airflow, by fuel and lambda. "
    text += LEAK if status == "met" else _leak_cause(car)
    return statement("exhaust_leak", LEAK_TITLE, text, status=status, figure=(share, "1", LEAK_STOP), samples=len(bins))


def _leak_cause(car: Car) -> str:
    cam = " The long-overlap camshaft reads falsely lean there, too." if car.engine.long_overlap_cam else ""
    return (
        "No engine does: air leaks into the exhaust ahead of the sensor, or the dead time is far off. Find the leak "
        f"first.{cam}"
    )


def _full_flow(log: xr.Dataset, car: Car) -> np.ndarray:
    """Air at a volumetric efficiency of 1 at manifold density. [kg/h]"""
    speed = _positive(at_rows(log, "engine_speed_rpm"))
    inlet = at_rows(log, "intake_air_c") if has(log, "intake_air_c") else np.full(speed.size, 25.0)
    return speed_density_flow(_positive(at_rows(log, "manifold_kpa")), inlet, speed, car.engine.displacement_l)


# Bounds of this module are common practice, no source.
LEAST_SWEPT_L, MOST_SWEPT_L = 0.05, 1.1  # of one cylinder, from small motorcycles to the largest car engines
COUNT_OFF = 0.12  # of the logarithm; an ECU that counts one cylinder more or fewer is further off up to 8 cylinders
COUNT_FITS = 0.04  # of the logarithm: how near a whole number the air must come, and how steady
CYLINDERS = "Number of cylinders: by the log against car.toml"
UNUSED = "Nothing that is proposed rests on that number; feasibility and the test for ignition noise do."


def check_cylinders(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """Cylinders by the ECU's own air per stroke; without it, by what the stated number makes of the engine.

    Never above `watch`: the steady fit does not use the number.
    """
    counted = _by_air_charge(log, car, revision)
    return counted if counted.status != "not_shown" else _of_one_cylinder(car) or counted


def _of_one_cylinder(car: Car) -> Finding | None:
    """A cylinder too small or too large, or one without an injection of its own; nothing where both are in order."""
    stated, injectors = car.engine.cylinders, car.injectors
    swept, injections = car.engine.displacement_l / stated, injectors.count * injectors.injections_per_cycle
    if not LEAST_SWEPT_L <= swept <= MOST_SWEPT_L:
        text = (
            f"{car.engine.displacement_l:g} L in {stated} cylinders make {swept:.2f} L each; engines have "
            f"{LEAST_SWEPT_L:g} to {MOST_SWEPT_L:g} L. Cylinders or displacement are not as stated. {UNUSED}"
        )
        return statement("cylinders", CYLINDERS, text, status="watch", figure=(swept, "L", MOST_SWEPT_L), samples=0)
    if injections < stated:
        text = (
            f"{injectors.count} injectors at {injectors.injections_per_cycle} injections per cycle give {injections} "
            f"injections for {stated} cylinders: some would get none of their own. Cylinders, injectors or injections "
            f"per cycle are not as stated. {UNUSED}"
        )
        return statement("cylinders", CYLINDERS, text, status="watch", figure=(injections, "1", stated), samples=0)
    return None


def _by_air_charge(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    bins = _counted(log, car, revision)
    if len(bins) < LEAST_BINS:
        text = "Needs the ECU's own air per stroke (air_charge_mg) beside airflow and engine speed, in steady driving."
        return not_made("cylinders", CYLINDERS, f"{text} {UNUSED}", "1")
    middle, stated = float(bins.median()), car.engine.cylinders
    count, whole = float(np.exp(middle)), max(round(float(np.exp(middle))), 1)
    if abs(middle - np.log(stated)) <= COUNT_OFF:
        text = f"Airflow over the ECU's air per stroke makes {count:.2f} cylinders; car.toml states {stated}."
        return statement("cylinders", CYLINDERS, text, status="met", figure=(count, "1", stated), samples=len(bins))
    spread = float((bins - middle).abs().quantile(0.9))
    if max(abs(middle - np.log(whole)), spread) > COUNT_FITS:
        text = f"Airflow over the ECU's air per stroke makes {count:.2f}, no number of cylinders: the two do not fit"
        return not_made("cylinders", CYLINDERS, f"{text} together, by unit or by how the ECU calculates them.", "1")
    text = (
        f"Airflow over the ECU's air per stroke makes {whole} cylinders where car.toml states {stated}: check the "
        f"number, and that the column is milligrams for one cylinder. {UNUSED}"
    )
    return statement("cylinders", CYLINDERS, text, status="watch", figure=(count, "1", stated), samples=len(bins))


def _counted(log: xr.Dataset, car: Car, revision: Revision) -> pd.Series:
    """Logarithm of airflow over the air that one cylinder takes in, shape (bins,)."""
    if not has(log, "air_charge_mg"):
        return pd.Series(dtype=float)
    own = "air_flow_kg_h" if has(log, "air_flow_kg_h") else car.meter.channel
    air = at_rows(log, own) if own == "air_flow_kg_h" else metered_air_kg_h(log, car, revision)
    strokes_h = 60.0 * at_rows(log, "engine_speed_rpm") / 2  # of one cylinder
    each = convert(at_rows(log, "air_charge_mg"), "mg", "kg") * strokes_h
    return in_bins(log, calm_rows(log, "air_charge_mg", own), count=log_of(air) - log_of(each))["count"]


# Bounds of this module are common practice, no source.
TWICE_STOP = 0.5  # of the trims, by which the deviation moves with them
UNTRIMMED_STOP = 0.30  # of the level, where trims are not logged and may be at work
BETTER = 0.5  # another revision that leaves less than this share of the deviation is the one in the ECU
LEAST_DEVIATION = 0.01
FLOW_WATCH, FLOW_STOP = 0.03, 0.08
QUICK_S = 2.0
LAW = "Pulse width: logged against what this revision commands"
BLENDED = "The ECU mixes air meter and table, and no log shows by how much of each: its air cannot be computed."
FLOW = "Logged airflow against the meter curve of this revision"
TRIMS = "Long-term trim apart from short-term trim"


def check_pulse(log: xr.Dataset, car: Car, revision: Revision, others: Mapping[str, Revision]) -> Finding:
    """Pulse width less dead time over what air, commanded lambda, trims, injector count and flow make of it."""
    if car.load_from == "blended" and not has(log, "air_flow_kg_h"):
        return not_made("pulse", LAW, f"{BLENDED} Log the airflow that it goes by.")
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
    if car.load_from == "blended":
        return not_made("air_flow", FLOW, BLENDED)
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
