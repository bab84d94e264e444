"""Calm driving in short bins: what the checks compare."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag import trusted
from tunelab.physics.injectors import dead_time_at, flow_at_pressure
from tunelab.study.gearing.reading import at_rows, has
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

BIN_S = 2.0
LEAST_BINS = 10
RUNNING_RPM = 500.0


def calm_rows(log: xr.Dataset, *names: str) -> np.ndarray:
    """Rows with the engine running and nothing flagged in the channels named; shape (time,), bool.

    A held value of a slow channel counts: `missing` is allowed.
    """
    present = [name for name in ("engine_speed_rpm", *names) if name in log]
    return trusted(log, *present, allow=("missing",)).values & (at_rows(log, "engine_speed_rpm") > RUNNING_RPM)


def in_bins(log: xr.Dataset, rows: np.ndarray, **columns: np.ndarray) -> pd.DataFrame:
    """Medians of the columns in bins of BIN_S over the rows given; bins less than half full are left out."""
    time = log["time"].values
    table = pd.DataFrame(columns)[rows].replace([np.inf, -np.inf], np.nan).dropna()
    groups = table.groupby(np.floor(time[table.index] / BIN_S).astype(int))
    step = float(np.median(np.diff(time))) if time.size > 1 else BIN_S
    full = groups.size() >= 0.5 * BIN_S / max(step, BIN_S / 100)
    return groups.median()[full]


def metered_air_kg_h(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Air by the revision's curve at the meter's reading, or the ECU's own airflow; NaN without either. [kg/h]"""
    if has(log, car.meter.channel):
        reading = at_rows(log, car.meter.channel)
        return np.interp(reading, revision.meter_curve.reading, revision.meter_curve.flow_kg_h)
    return at_rows(log, "air_flow_kg_h") if has(log, "air_flow_kg_h") else np.full(log.sizes["time"], np.nan)


def ecu_flow_g_min(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Flow of one injector as the ECU reckons it. [g/min]"""
    injectors, flow = car.injectors, np.full(log.sizes["time"], revision.injectors.flow_g_min)
    if injectors.pressure == "manifold-referenced" or not injectors.ecu_compensates_pressure:
        return flow
    if not (has(log, "manifold_kpa") and has(log, "barometer_kpa")):
        return np.full(log.sizes["time"], np.nan)
    across = injectors.rail_pressure_kpa + at_rows(log, "barometer_kpa") - at_rows(log, "manifold_kpa")
    return flow_at_pressure(flow, injectors.rail_pressure_kpa, np.maximum(across, 1.0))


def trim_factor(log: xr.Dataset) -> np.ndarray:
    """Product of what the logged trims and enrichment add; 1 where none is logged."""
    names = [name for name in ("trim_short_pct", "trim_long_pct", "enrichment_pct") if has(log, name)]
    return np.prod([1 + convert(at_rows(log, name), "percent", "1") for name in names], axis=0) * np.ones(
        log.sizes["time"]
    )


def lawful_open_ms(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Opening time that the ECU's law makes of air, commanded lambda and trims, dead time left out. [ms]"""
    if not has(log, "lambda_commanded"):
        return np.full(log.sizes["time"], np.nan)
    air = metered_air_kg_h(log, car, revision)
    fuel = convert(air, "kg/h", "g/min") / (revision.fuelling.stoich_afr * at_rows(log, "lambda_commanded"))
    speed = at_rows(log, "engine_speed_rpm")
    turning = np.where(speed > 0, speed, np.nan)
    injections_min = car.injectors.count * car.injectors.injections_per_cycle * turning / 2
    minutes = fuel * trim_factor(log) / injections_min / ecu_flow_g_min(log, car, revision)
    return convert(minutes, "min", "ms")


def logged_open_ms(log: xr.Dataset, revision: Revision) -> np.ndarray:
    """Pulse width less the revision's dead time; NaN where there is no pulse or no reading. [ms]"""
    if not (has(log, "pulse_width_ms") and has(log, "battery_v")):
        return np.full(log.sizes["time"], np.nan)
    table = revision.dead_time
    pulse = at_rows(log, "pulse_width_ms")
    dead = dead_time_at(at_rows(log, "battery_v"), table.battery_v, table.dead_time_ms)
    return np.where(pulse > 0, pulse - dead, np.nan)


def log_of(values: np.ndarray) -> np.ndarray:
    """Natural logarithm; NaN at or below zero."""
    return np.log(np.where(values > 0, values, np.nan))
