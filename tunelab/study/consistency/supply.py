"""Does the fuel pressure stay what `car.toml` says, so that an injector passes the flow it is taken for?"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.constants import STANDARD_ATMOSPHERE_KPA
from tunelab.study.consistency.statement import graded, not_made, statement
from tunelab.study.ecu_law import LEAST_BINS, calm_rows, in_bins, log_of
from tunelab.study.finding import Finding
from tunelab.study.gearing.reading import at_rows, has
from tunelab.workspace.car import Car

# Bounds of this module are common practice, no source. Flow goes with the root of the pressure across the injector.
FLOW_WATCH, FLOW_STOP = 0.012, 0.025  # by which an injector's flow moves about its middle, from 9 of 10 bins
LEVEL_WATCH = 0.06  # of flow, by which the whole drive is off: it only moves the overall constant
FOLLOWS_LEAST = 0.5  # kPa of fuel pressure for each kPa in the manifold, of a regulator that is on the manifold
FOLLOWS_SPAN_KPA = 20.0  # of manifold pressure, to judge that
TITLE = "Injector flow by the logged fuel pressure"
BY_HAND = "A pressure gauge on the rail shows it by hand: at idle, and at full load with a passenger reading it."


def check_fuel_pressure(log: xr.Dataset, car: Car) -> Finding:
    """Root of the pressure across the injector over the one that `car.toml` states, about its middle."""
    if not has(log, "fuel_pressure_kpa"):
        return not_made("fuel_pressure", TITLE, f"No fuel pressure is logged: it is taken as stated. {BY_HAND}")
    if not has(log, "manifold_kpa"):
        return not_made("fuel_pressure", TITLE, f"Needs manifold pressure beside the fuel pressure. {BY_HAND}")
    bins = _bins(log, car)
    if len(bins) < LEAST_BINS:
        return not_made("fuel_pressure", TITLE, f"Too little steady driving with both pressures. {BY_HAND}")
    level = float(bins["off"].median())
    moves = float((bins["off"] - level).abs().quantile(0.9))
    status = graded(moves, FLOW_WATCH, FLOW_STOP)
    if status == "met" and abs(level) > LEVEL_WATCH:
        status = "watch"
    text = (
        f"By the logged pressure the injectors flow {100 * np.expm1(level):+.1f} % against what is stated; "
        f"9 of 10 stretches lie within {100 * moves:.1f} % of that."
    )
    text += f" {_cause(bins, car)} {BY_HAND}" if moves > FLOW_WATCH else ""
    figure = (100 * moves, "%", 100 * FLOW_STOP)
    return statement("fuel_pressure", TITLE, text, status=status, figure=figure, samples=len(bins))


def _bins(log: xr.Dataset, car: Car) -> pd.DataFrame:
    """Medians in bins: `off`, logarithm of flow over flow as stated; `rail` and `manifold` in kPa."""
    air = (
        at_rows(log, "barometer_kpa")
        if has(log, "barometer_kpa")
        else np.full(log.sizes["time"], STANDARD_ATMOSPHERE_KPA)
    )
    rail, manifold = at_rows(log, "fuel_pressure_kpa"), at_rows(log, "manifold_kpa")
    stated = np.full(rail.size, car.injectors.rail_pressure_kpa)
    if car.injectors.pressure == "fixed":
        stated = stated + air - manifold
    off = 0.5 * (log_of(rail + air - manifold) - log_of(stated))
    rows = calm_rows(log, "fuel_pressure_kpa", "manifold_kpa")
    return in_bins(log, rows, off=off, rail=rail, manifold=manifold)


def _cause(bins: pd.DataFrame, car: Car) -> str:
    if car.injectors.pressure == "manifold-referenced" and np.ptp(bins["manifold"]) > FOLLOWS_SPAN_KPA:
        follows = float(np.polyfit(bins["manifold"], bins["rail"], 1)[0])
        if abs(follows) < FOLLOWS_LEAST:
            return (
                f"The rail follows the manifold by {follows:.2f} kPa for each kPa: the regulator is not on the "
                "manifold, its hose is off, or the sensor measures against the manifold. Put that right, or state "
                'pressure = "fixed" in car.toml.'
            )
    return (
        "Pump, filter, regulator or the pump's wiring does not hold the pressure: mend that before anything is entered."
    )
