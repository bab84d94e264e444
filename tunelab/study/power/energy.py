"""Fuel and air beside the wheels: does the power agree with what the engine burnt?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.physics.fuels import stoich_afr
from tunelab.study.fuel_flow import fuel_flow_kg_h
from tunelab.study.gearing.reading import has, trusted_values
from tunelab.study.power.result import PowerFit
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

# Share of the fuel's heating value that reaches a petrol car's wheels at full throttle. Common practice, no source.
USUAL_EFFICIENCY = (0.19, 0.31)
AIR_NEEDED = ("air_flow_kg_h", "lambda_measured")


@dataclass(frozen=True)
class EnergyCheck:
    """Wheel power over the heating value of the fuel, by two ways of counting the fuel. NaN where not logged."""

    shown: bool
    because: str
    table: pd.DataFrame  # engine_speed_rpm, wheel_power_kw, fuel_kw, air_kw, efficiency_by_fuel, efficiency_by_air
    efficiency_by_fuel: float  # mean over the curve
    efficiency_by_air: float
    usual: tuple[float, float]
    sentence: str


def check_energy(log: xr.Dataset, car: Car, revision: Revision, fit: PowerFit) -> EnergyCheck:
    """Hold wheel power against the heating value of the fuel injected and of the fuel that the metered air burns.

    The fuel comes from the pulse width less the current dead time, the air from the ECU's air flow; neither is
    corrected, so an error of meter or injectors shows as a difference between the two. It is a cross-check and never
    enters the power.
    """
    why = _why_not(log, car, fit)
    if why:
        return EnergyCheck(False, why, pd.DataFrame(), np.nan, np.nan, USUAL_EFFICIENCY, f"no cross-check: {why}")
    rows = np.concatenate([np.arange(p.pull.first, p.pull.last + 1) for p in fit.pulls])
    rpm = trusted_values(log, "engine_speed_rpm")[rows]
    fuel = _heat_kw(fuel_flow_kg_h(log, car, revision)[rows], car)
    air = _heat_kw(_fuel_of_air(log, car)[rows], car)
    columns = {"engine_speed_rpm": fit.engine_speed_rpm, "wheel_power_kw": fit.wheel_power_kw}
    columns |= {"fuel_kw": _on_grid(rpm, fuel, fit), "air_kw": _on_grid(rpm, air, fit)}
    table = pd.DataFrame(columns).dropna(subset=["wheel_power_kw"], ignore_index=True)
    for name in ("fuel", "air"):
        table[f"efficiency_by_{name}"] = table["wheel_power_kw"] / table[f"{name}_kw"]
    by_fuel, by_air = (float(table[f"efficiency_by_{name}"].mean()) for name in ("fuel", "air"))
    return EnergyCheck(True, "", table, by_fuel, by_air, USUAL_EFFICIENCY, _sentence(by_fuel, by_air))


def _why_not(log: xr.Dataset, car: Car, fit: PowerFit) -> str:
    if not fit.pulls:
        return fit.because
    if car.fuel.lower_heating_mj_kg is None:
        return "car.toml states no lower_heating_mj_kg of the fuel."
    if not has(log, "pulse_width_ms") and not all(has(log, name) for name in AIR_NEEDED):
        return "the log has neither pulse_width_ms nor air_flow_kg_h with lambda_measured."
    return ""


def _heat_kw(fuel_kg_h: np.ndarray, car: Car) -> np.ndarray:
    """Heating value of a fuel flow; g/s times MJ/kg is kW. [kW]"""
    return convert(fuel_kg_h, "kg/h", "g/s") * car.fuel.lower_heating_mj_kg


def _fuel_of_air(log: xr.Dataset, car: Car) -> np.ndarray:
    """Fuel that the metered air was burnt with, by measured lambda. [kg/h]"""
    if not all(has(log, name) for name in AIR_NEEDED):
        return np.full(log.sizes["time"], np.nan)
    stoich = float(stoich_afr(car.fuel.hydrogen_to_carbon, car.fuel.oxygen_to_carbon))
    lambda_ = trusted_values(log, "lambda_measured")
    return trusted_values(log, "air_flow_kg_h") / (stoich * np.where(lambda_ > 0, lambda_, np.nan))


def _on_grid(rpm: np.ndarray, values: np.ndarray, fit: PowerFit) -> np.ndarray:
    """Mean over the rows within half a grid step of each engine speed; NaN where there are none."""
    edges = np.append(fit.engine_speed_rpm - 50.0, fit.engine_speed_rpm[-1] + 50.0)
    known = np.isfinite(rpm) & np.isfinite(values)
    total = np.histogram(rpm[known], edges, weights=values[known])[0]
    count = np.histogram(rpm[known], edges)[0]
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _sentence(by_fuel: float, by_air: float) -> str:
    low, high = USUAL_EFFICIENCY
    parts = []
    for name, value in (("the fuel injected", by_fuel), ("the air metered", by_air)):
        if np.isfinite(value):
            verdict = "as usual" if low <= value <= high else "unusual"
            parts.append(f"{value:.0%} of the heat of {name}: {verdict}")
    usual = f"{low:.0%} to {high:.0%} are usual at full throttle (common practice, no source)"
    return f"The wheels got {', and '.join(parts)}; {usual}."
