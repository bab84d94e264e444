"""Fuel that the injectors delivered, by the current settings."""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.constants import STANDARD_ATMOSPHERE_KPA
from tunelab.physics.fuels import blend_by_volume, stoich_afr
from tunelab.physics.injectors import dead_time_at, delivered_mass, flow_at_pressure
from tunelab.study.gearing.reading import has, trusted_values
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
    blend = blend_by_volume(plain, ETHANOL, convert(ethanol_pct, "percent", "1"))
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
