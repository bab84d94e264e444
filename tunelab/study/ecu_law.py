"""What pulses an ECU makes of air, commanded lambda and trims under a revision, and the fuel that pulses deliver.

A log is compared in short bins of steady driving.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import at_rows, has, trusted_values
from tunelab.log.flag import trusted
from tunelab.physics import STANDARD_ATMOSPHERE_KPA
from tunelab.physics.fuel import blend_by_volume, dead_time_at, delivered_mass, flow_at_pressure, stoich_afr
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision


def fuel_flow_kg_h(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Fuel flow of the whole engine at every row. [kg/h]

    Returns
    -------
    array, shape (time,)
        From pulse width less the current dead time; NaN where pulse width, battery voltage or engine speed is missing.
    """
    needed = ("pulse_width_ms", "battery_v", "engine_speed_rpm")
    if not all(has(log, name) for name in needed):
        return np.full(log.sizes["time"], np.nan)
    pulse, battery = (trusted_values(log, name) for name in needed[:2])
    dead = dead_time_at(battery, revision.dead_time.battery_v, revision.dead_time.dead_time_ms)
    return _of_engine(log, car, delivered_mass(pulse, dead, injector_flow_g_min(log, car, revision)))


def fuel_per_open_ms(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Fuel flow of the whole engine for each millisecond by which its pulses are longer. [kg/h per ms], shape (time,)

    NaN where an engine speed is missing.
    """
    return _of_engine(log, car, delivered_mass(1.0, 0.0, injector_flow_g_min(log, car, revision)))


def _of_engine(log: xr.Dataset, car: Car, per_injection_mg: np.ndarray) -> np.ndarray:
    cycles_min = trusted_values(log, "engine_speed_rpm") / 2
    injections_min = car.injectors.count * car.injectors.injections_per_cycle * cycles_min
    return convert(convert(per_injection_mg, "mg", "g") * injections_min, "g/min", "kg/h")


def injector_flow_g_min(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Flow of one injector at every row, by the pressure across it. [g/min]

    With a manifold-referenced regulator, or without a manifold pressure in the log, it is that of the revision.
    """
    flow = np.full(log.sizes["time"], revision.injectors.flow_g_min)
    if car.injectors.pressure == "manifold-referenced" or not has(log, "manifold_kpa"):
        return flow
    manifold = trusted_values(log, "manifold_kpa")
    outside = trusted_values(log, "barometer_kpa") if has(log, "barometer_kpa") else STANDARD_ATMOSPHERE_KPA
    across = car.injectors.rail_pressure_kpa + outside - manifold
    return flow_at_pressure(flow, car.injectors.rail_pressure_kpa, np.maximum(across, 1.0))


ETHANOL = (3.0, 0.5, 0.789)  # C2H5OH: hydrogen and oxygen per carbon (definition), kg/L (handbook value, from memory)
BY_CONTENT = (
    "The stoichiometric ratio follows the logged ethanol content; the fuel of car.toml is taken as the one without any "
    "ethanol."
)


def stoich_of_content(car: Car, ethanol_pct: float) -> float:
    """Stoichiometric ratio of the car's fuel, stated without ethanol, with a share of ethanol by volume. [kg/kg]"""
    fuel = car.fuel
    plain = (fuel.hydrogen_to_carbon, fuel.oxygen_to_carbon, fuel.density_kg_l)
    blend = blend_by_volume(plain, ETHANOL, float(convert(ethanol_pct, "percent", "1")))
    return float(stoich_afr(blend.hydrogen_to_carbon, blend.oxygen_to_carbon))


def log_stoich(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Log of the stoichiometric ratio by the logged ethanol content over the revision's own, shape (time,).

    Zero without an ethanol sensor. An ECU that has one uses the ratio of what the sensor reads.
    """
    if not has(log, "ethanol_pct"):
        return np.zeros(log.sizes["time"])
    values = trusted_values(log, "ethanol_pct")
    if not np.isfinite(values).any():
        return np.zeros(log.sizes["time"])
    content = np.clip(np.where(np.isfinite(values), values, np.nanmedian(values)), 0.0, 100.0)
    at = np.linspace(0.0, 100.0, 21)
    known = np.log([stoich_of_content(car, share) for share in at])
    return np.interp(content, at, known) - np.log(revision.fuelling.stoich_afr)


BIN_S = 2.0
LEAST_BINS = 10
RUNNING_RPM = 500.0
# Common practice, no source: simulated ECUs keep to their law within 1 %, and what an ECU adds unseen (air temperature,
# barometer) stays below about 10 %.
LAW_WATCH, LAW_STOP = 0.015, 0.15
SHAPE_STOP = 0.05


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
    """Air by the revision's curve at the meter's reading, or the ECU's own airflow; NaN without either. [kg/h]

    A car that blends meter and table goes by its own airflow alone.
    """
    by_ecu = at_rows(log, "air_flow_kg_h")
    if not car.has_meter or car.load_from == "blended":
        return by_ecu
    reading = at_rows(log, car.meter.channel)
    by_curve = np.interp(reading, revision.meter_curve.reading, revision.meter_curve.flow_kg_h)
    return np.where(np.isfinite(reading), by_curve, by_ecu)


def ecu_flow_g_min(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Flow of one injector as the ECU calculates it. [g/min]"""
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
    stoich = revision.fuelling.stoich_afr * np.exp(log_stoich(log, car, revision))
    fuel = convert(air, "kg/h", "g/min") / (stoich * at_rows(log, "lambda_commanded"))
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


def law_bins(log: xr.Dataset, car: Car, revision: Revision) -> pd.DataFrame:
    """Bins of steady driving: `off`, log of the pulses over the law's; `trim`, log of the trims; `reading`; `rows`."""
    names = ("pulse_width_ms", "battery_v", car.meter.channel, "lambda_commanded", "trim_short_pct", "trim_long_pct")
    off = log_of(logged_open_ms(log, revision)) - log_of(lawful_open_ms(log, car, revision))
    rows = calm_rows(log, *names)
    reading = at_rows(log, car.meter.channel) if has(log, car.meter.channel) else np.zeros(log.sizes["time"])
    bins = in_bins(log, rows, off=off, trim=log_of(trim_factor(log)), reading=reading)
    return bins.assign(rows=int((rows & np.isfinite(off)).sum() / max(len(bins), 1)))


def off_law_shape(off: pd.Series) -> float:
    """How far the deviation moves about its own median: 9 of 10 bins lie within."""
    return float((off - off.median()).abs().quantile(0.9))


@dataclass(frozen=True)
class OffLaw:
    """How far the pulses lie off the stated law, as a smooth function of the meter's reading; log of a factor."""

    reading: np.ndarray  # shape (n,), rising
    off: np.ndarray  # shape (n,)
    level: float  # its median over the drive

    def at(self, reading: np.ndarray) -> np.ndarray:
        """Deviation at readings; the end values beyond."""
        return np.interp(reading, self.reading, self.off)


def off_law(log: xr.Dataset, car: Car, revision: Revision) -> OffLaw | None:
    """Find by what the ECU's pulses differ from the law of the revision that the log names.

    An injector flow, engine speed or meter voltage that is not the ECU's own shows here and nowhere else: a correction
    has to be made against what the ECU did, not against what was stated.

    Returns
    -------
    OffLaw or None
        None where it is not known (no trims, or too little steady driving), where the pulses keep to the law within
        LAW_WATCH, and where they are so far off that the log is not to be believed at all.
    """
    if not (has(log, "trim_short_pct") or has(log, "trim_long_pct")):
        return None
    bins = law_bins(log, car, revision)
    if len(bins) < LEAST_BINS:
        return None
    level = float(bins["off"].median())
    if not LAW_WATCH < abs(level) <= LAW_STOP or off_law_shape(bins["off"]) > SHAPE_STOP:
        return None
    ends = bins["reading"].quantile([0.02, 0.98]).to_numpy()
    if ends[1] <= ends[0]:
        return OffLaw(np.array([0.0]), np.array([level]), level)
    at = np.linspace(ends[0], ends[1], 25)
    degree = 2 if len(bins) >= 3 * LEAST_BINS else 0
    curve = np.polynomial.Polynomial.fit(bins["reading"], bins["off"], degree)
    return OffLaw(at, curve(at), level)
