"""Air that the log claims, against what an engine of this size can draw."""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.physics.load import absolute_load, speed_density_flow
from tunelab.study.consistency.statement import graded, not_made, statement
from tunelab.study.ecu_law import (
    LEAST_BINS,
    calm_rows,
    ecu_flow_g_min,
    in_bins,
    log_of,
    logged_open_ms,
    metered_air_kg_h,
)
from tunelab.study.finding import Finding
from tunelab.study.gearing.reading import at_rows, has
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

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
    status = "met" if low <= value <= high else "stop"
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
