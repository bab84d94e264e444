"""Whether two revisions differ in power by more than noise, and whether power agrees with the fuel burnt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import has, trusted_values
from tunelab.physics.fuel import stoich_afr
from tunelab.study.ecu_law import fuel_flow_kg_h
from tunelab.study.finding import Finding, shows_its_table, status_within
from tunelab.study.power.inputs import STANDARD_DAY_UNCERTAINTY, deviates
from tunelab.study.power.result import CONFIDENCE, PowerFit
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
    why = _why_no_balance(log, car, fit)
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
    return EnergyCheck(True, "", table, by_fuel, by_air, USUAL_EFFICIENCY, _balance_sentence(by_fuel, by_air))


def _why_no_balance(log: xr.Dataset, car: Car, fit: PowerFit) -> str:
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


def _balance_sentence(by_fuel: float, by_air: float) -> str:
    low, high = USUAL_EFFICIENCY
    parts = []
    for name, value in (("the fuel injected", by_fuel), ("the air metered", by_air)):
        if np.isfinite(value):
            verdict = "as usual" if low <= value <= high else "unusual"
            parts.append(f"{100 * value:.0f} % of the heat of {name}: {verdict}")
    usual = f"{100 * low:.0f} to {100 * high:.0f} % are usual at full throttle (common practice, no source)"
    return f"The wheels got {', and '.join(parts)}; {usual}."


@shows_its_table
@dataclass(frozen=True)
class PowerComparison:
    """Power of one revision over that of another, referred to a standard day, in percent difference.

    `lower` and `upper` hold at each engine speed by itself; `band_lower` and `band_upper` hold over the whole range at
    once. Arrays have shape (grid,), NaN where not both were measured.
    """

    shown: bool
    because: str
    before: str
    after: str
    engine_speed_rpm: np.ndarray
    difference_pct: np.ndarray
    lower_pct: np.ndarray
    upper_pct: np.ndarray
    band_lower_pct: np.ndarray
    band_upper_pct: np.ndarray
    mean_pct: float  # over the range both cover
    mean_interval: tuple[float, float]
    told_apart: bool  # the interval of the mean leaves out zero
    regions: tuple[
        tuple[float, float, float], ...
    ]  # from rpm, to rpm, mean difference, where the whole band leaves out 0
    sentence: str
    samples_used: int
    samples_flagged: int
    confidence: float = CONFIDENCE
    method: str = "draws of both measurements paired by what they share (mass, road load, tyres, inertias)"

    def table(self) -> pd.DataFrame:
        """One row per engine speed."""
        names = ["engine_speed_rpm", "difference_pct", "lower_pct", "upper_pct", "band_lower_pct", "band_upper_pct"]
        return pd.DataFrame({name: getattr(self, name) for name in names}).dropna(ignore_index=True)

    def findings(self) -> list[Finding]:
        """Build the comparison as one finding."""
        counts = (self.samples_used, self.samples_flagged)
        title = f"Power of {self.after} over {self.before}"
        if not self.shown:
            return [
                Finding("power.change", title, None, "%", None, None, None, *counts, "not_shown", None, self.because)
            ]
        status = status_within(self.mean_pct, *self.mean_interval)
        numbers = (self.mean_pct, "%", *self.mean_interval, self.confidence)
        return [Finding("power.change", title, *numbers, *counts, status, None, self.sentence)]


def compare_power(before: PowerFit, after: PowerFit) -> PowerComparison:
    """Compare two measurements made with the same `Drawing`.

    What they share (mass, road load, tyres, inertias) cancels, because its draws are the same in both; what
    differs from day to day and from pull to pull does not.
    """
    why = _why_not(before, after)
    if why:
        return _not_shown(before, after, why)
    grid, first, second = np.intersect1d(before.engine_speed_rpm, after.engine_speed_rpm, return_indices=True)[:3]
    ratio = _on_standard_day(after)[:, second] / _on_standard_day(before)[:, first]
    difference = 100 * (ratio - 1)
    difference[:, ~np.isfinite(difference[0])] = np.nan
    known = np.isfinite(difference[0])
    if not known.any():
        return _not_shown(before, after, "the two measurements share no engine speed.")
    return _compared(before, after, grid, difference, known)


def _why_not(before: PowerFit, after: PowerFit) -> str:
    for fit in (before, after):
        if not fit.shown:
            return f"no power figure of {fit.revision or fit.session}: {fit.because}"
    if before.draws_kw.shape[0] != after.draws_kw.shape[0]:
        return "the two measurements were made with different numbers of draws; use the same Drawing for both."
    return ""


def _on_standard_day(fit: PowerFit) -> np.ndarray:
    """Draws of power on a standard day, row 0 the estimate itself; shape (draws, grid)."""
    change = STANDARD_DAY_UNCERTAINTY * deviates(fit.draws_kw.shape[0], 0, f"day {fit.session}")
    change[0] = 0.0
    return fit.draws_kw * fit.standard_day.factor * (1 + change[:, None])


def _compared(
    before: PowerFit, after: PowerFit, grid: np.ndarray, difference: np.ndarray, known: np.ndarray
) -> PowerComparison:
    value = np.where(known, difference[0], np.nan)
    lower, upper = np.quantile(difference[1:], [0.025, 0.975], axis=0)
    spread = difference[1:].std(axis=0)
    off = np.abs(difference[1:, known] - difference[1:, known].mean(axis=0)) / np.maximum(spread[known], 1e-9)
    reach = np.quantile(off.max(axis=1), CONFIDENCE)
    band = value - reach * spread, value + reach * spread
    means = difference[:, known].mean(axis=1)
    mean, (low, high) = float(means[0]), np.quantile(means[1:], [0.025, 0.975]).tolist()
    interval = (low, high)
    apart = interval[0] > 0 or interval[1] < 0
    regions = _regions(grid, value, band)
    text = _sentence(before, after, grid[known], mean, interval, apart, regions)
    used, flagged = before.samples_used + after.samples_used, before.samples_flagged + after.samples_flagged
    return PowerComparison(
        True, "", before.revision, after.revision, grid, value, lower, upper, *band, mean, interval, apart, regions,
        text, used, flagged,
    )  # fmt: skip


def _regions(
    grid: np.ndarray, value: np.ndarray, band: tuple[np.ndarray, np.ndarray]
) -> tuple[tuple[float, float, float], ...]:
    """Ranges of engine speed over which the band that holds everywhere at once leaves out zero."""
    clear = np.nan_to_num((band[0] > 0) | (band[1] < 0)).astype(bool)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], clear.astype(int), [0]))))
    return tuple(
        (float(grid[a]), float(grid[b - 1]), float(value[a:b].mean()))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


def _sentence(
    before: PowerFit,
    after: PowerFit,
    grid: np.ndarray,
    mean: float,
    interval: tuple[float, float],
    apart: bool,
    regions: tuple[tuple[float, float, float], ...],
) -> str:
    size = "more" if mean > 0 else "less"
    core = f"from {grid[0]:.0f} to {grid[-1]:.0f} rpm {after.revision} makes {abs(mean):.1f} % {size} than "
    core += before.revision
    core += f" (between {interval[0]:+.1f} and {interval[1]:+.1f} %)"
    text = f"{core}: that is {'more' if apart else 'no more'} than noise."
    where = ", ".join(f"{low:.0f} to {high:.0f} rpm ({change:+.1f} %)" for low, high, change in regions)
    return f"{text} Clear by itself at {where}." if regions else text


def _not_shown(before: PowerFit, after: PowerFit, why: str) -> PowerComparison:
    empty, nan = np.array([]), float("nan")
    return PowerComparison(
        False,
        why,
        before.revision,
        after.revision,
        empty,
        empty,
        empty,
        empty,
        empty,
        empty,
        nan,
        (nan, nan),
        False,
        (),
        f"no comparison: {why}",
        0,
        0,
    )
