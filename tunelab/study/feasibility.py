"""Feasibility before driving: do injectors and meter suffice, and in which gear can a pull be driven. Needs no log."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.physics.air import moist_air_density
from tunelab.physics.fuel import (
    dead_time_at,
    flow_at_pressure,
    injector_duty,
    pulse_width_for,
    required_flow,
    stoich_afr,
)
from tunelab.physics.load import air_per_cylinder, fuel_per_cylinder
from tunelab.study.finding import Finding, Status, shows_its_table, status_within
from tunelab.study.shift import limit_speeds
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Weather

FILLING_UNCERTAINTY_PCT = 5.0  # points of volumetric efficiency, either way, about the expected one. Common practice.
SLOWEST_RPM = 2000.0
STEP_RPM = 250.0
TABLE_SHORT_PCT = 5.0  # by which a table may end before full load or the rev limit: its end values hold on
FLOW_MISMATCH = 0.02  # share by which the revision's injector flow may differ from the pressure law


@dataclass(frozen=True)
class FullLoad:
    """What is assumed of full load."""

    weather: Weather  # the densest air that the car will be driven in
    lambda_full_load: float  # what the ECU is set to run, not leaner than the owner's limit
    battery_v: float


@shows_its_table
@dataclass(frozen=True)
class Feasibility:
    """What injectors, meter and gearing allow, by the owner's figures alone.

    Lower and upper figures go with the expected volumetric efficiency less and plus FILLING_UNCERTAINTY_PCT points; NaN
    throughout where none is stated. The `largest_filling` figures need no such guess.
    """

    limit_rpm: float
    load: pd.DataFrame
    """By engine speed: `engine_speed_rpm, air_kg_h, air_upper_kg_h, fuel_kg_h, pulse_width_ms, duty_pct,
    duty_lower_pct, duty_upper_pct, headroom_pct, headroom_lower_pct, headroom_upper_pct, largest_filling_duty_pct,
    largest_filling_meter_pct`."""
    gears: pd.DataFrame  # gear, road_speed_km_h at the limit, pull_fits
    pull_gear: int  # highest gear in which a pull to the limit stays under the stated speed; 0 where none does
    pull_speed_max_km_h: float
    injector_flow_g_min: float  # of one, by the pressure law from its rating
    injector_flow_in_revision_g_min: float
    injector_flow_needed_g_min: float  # at the worst engine speed and the owner's duty limit
    curve_top_kg_h: float  # highest flow that the meter's curve reads below its rail; NaN without an air meter
    filling_pct: tuple[float, float, float]  # expected, lower, upper
    notes: tuple[str, ...]
    rows: tuple[Finding, ...]

    def findings(self) -> list[Finding]:
        """Return duty, injector flow setting, meter headroom and pull gear, compared with the owner's limits."""
        return list(self.rows)

    def summary(self) -> pd.DataFrame:
        """One row per finding: value, lower, upper, unit, limit, status, because."""
        names = ["title", "value", "lower", "upper", "unit", "limit", "status", "because"]
        return pd.DataFrame([{name: getattr(f, name) for name in names} for f in self.rows], columns=names)


def check_feasibility(car: Car, revision: Revision, full_load: FullLoad, *, pull_speed_max_km_h: float) -> Feasibility:
    """Calculate what a pull to the limit asks of injectors and meter, and the road speed it ends at in each gear.

    Parameters
    ----------
    car, revision
        Injectors, meter curve, gearing, limits; the expected volumetric efficiency if stated.
    full_load : FullLoad
        Weather, commanded lambda, battery voltage.
    pull_speed_max_km_h : float
        Highest road speed at which a pull may end; never above the owner's `top_speed_km_h`. [km/h]

    Raises
    ------
    ValueError
        A commanded lambda leaner than the owner's limit, a speed above the owner's.
    """
    limits = car.limits
    if full_load.lambda_full_load > limits.lambda_max_full_load:
        raise ValueError(
            f"lambda_full_load is {full_load.lambda_full_load:g}, leaner than the owner's limit of "
            f"{limits.lambda_max_full_load:g} (limits.lambda_max_full_load in car.toml); state one at or below it."
        )
    if pull_speed_max_km_h > limits.top_speed_km_h:
        raise ValueError(
            f"pull_speed_max_km_h is {pull_speed_max_km_h:g}, above the owner's limit of {limits.top_speed_km_h:g} "
            "km/h (limits.top_speed_km_h in car.toml); state one at or below it."
        )
    limit = min(limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    filling = _filling(car)
    flow = float(flow_at_pressure(*_rating(car)))
    load = _load_table(car, revision, full_load, np.array(filling), limit)
    gears, pull_gear = _gears(car, limit, pull_speed_max_km_h)
    needed = required_flow(
        load["fuel_upper_kg_h"], injectors=car.injectors.count, duty_max_pct=limits.injector_duty_max_pct
    )
    parts = Feasibility(
        limit, load, gears, pull_gear, pull_speed_max_km_h, flow, revision.injectors.flow_g_min,
        float(np.max(needed)), _curve_top(car, revision), filling, tuple(_notes(car, full_load)), (),
    )  # fmt: skip
    return replace(parts, rows=tuple(_findings(car, revision, full_load, parts)))


def _filling(car: Car) -> tuple[float, float, float]:
    """Volumetric efficiency expected, lower, upper. [%]"""
    expected = car.engine.volumetric_efficiency_expected_pct
    if expected is None:
        return (float("nan"),) * 3
    return expected, expected - FILLING_UNCERTAINTY_PCT, expected + FILLING_UNCERTAINTY_PCT


def _rating(car: Car) -> tuple[float, float, float]:
    """Rated flow, rated pressure and the pressure across the injector at full throttle. [g/min], [kPa], [kPa]

    At full throttle the manifold is near atmosphere, so with both kinds of regulator the rail's own pressure acts.
    """
    injectors = car.injectors
    return injectors.rated_flow_g_min, injectors.rated_pressure_kpa, injectors.rail_pressure_kpa


def _curve_top(car: Car, revision: Revision) -> float:
    """Highest flow of the meter's curve at a reading below its rail; NaN without an air meter. [kg/h]"""
    if not car.has_meter:
        return float("nan")
    curve = revision.meter_curve
    top = min(float(curve.reading[-1]), car.meter.rail_high)
    return float(np.interp(top, curve.reading, curve.flow_kg_h))


def _load_table(car: Car, revision: Revision, full_load: FullLoad, filling: np.ndarray, limit: float) -> pd.DataFrame:
    weather = full_load.weather
    rpm = np.append(np.arange(SLOWEST_RPM, limit, STEP_RPM), limit)
    density = moist_air_density(weather.pressure_kpa, weather.air_c, weather.humidity_pct)
    full_g_min = convert(density, "kg/m3", "g/L") * car.engine.displacement_l * rpm / 2
    full = convert(full_g_min, "g/min", "kg/h")
    air = full * convert(filling, "percent", "1")[:, None]
    stoich = float(stoich_afr(car.fuel.hydrogen_to_carbon, car.fuel.oxygen_to_carbon))
    dead = float(dead_time_at(full_load.battery_v, revision.dead_time.battery_v, revision.dead_time.dead_time_ms))
    flow = float(flow_at_pressure(*_rating(car)))

    def pulse(air_kg_h: np.ndarray) -> np.ndarray:
        cylinder = air_per_cylinder(air_kg_h, rpm, cylinders=car.engine.cylinders)
        fuel = fuel_per_cylinder(cylinder, full_load.lambda_full_load, stoich)
        share = car.engine.cylinders / (car.injectors.count * car.injectors.injections_per_cycle)
        return pulse_width_for(fuel * share, dead, flow)

    def duty(air_kg_h: np.ndarray) -> np.ndarray:
        return injector_duty(pulse(air_kg_h), rpm, injections_per_cycle=car.injectors.injections_per_cycle)

    top = _curve_top(car, revision)
    idle, filled = duty(np.zeros_like(full) + 1e-9), duty(full)
    by_duty = 100 * (car.limits.injector_duty_max_pct - idle) / (filled - idle)
    columns = {"engine_speed_rpm": rpm, "air_kg_h": air[0], "air_upper_kg_h": air[2]}
    columns |= {"fuel_kg_h": air[0] / (stoich * full_load.lambda_full_load)}
    columns |= {"fuel_upper_kg_h": air[2] / (stoich * full_load.lambda_full_load), "pulse_width_ms": pulse(air[0])}
    columns |= {"duty_pct": duty(air[0]), "duty_lower_pct": duty(air[1]), "duty_upper_pct": duty(air[2])}
    columns |= {"headroom_pct": 100 * (1 - air[0] / top), "headroom_lower_pct": 100 * (1 - air[2] / top)}
    columns |= {"headroom_upper_pct": 100 * (1 - air[1] / top), "largest_filling_duty_pct": by_duty}
    return pd.DataFrame(columns | {"largest_filling_meter_pct": 100 * top / full})


def _gears(car: Car, limit: float, speed_max: float) -> tuple[pd.DataFrame, int]:
    table = limit_speeds(car, limit)
    if table.empty:
        return table.assign(pull_fits=[]), 0
    table["pull_fits"] = table["road_speed_km_h"] <= speed_max
    fitting = table.loc[table["pull_fits"], "gear"]
    return table, int(fitting.max()) if len(fitting) else 0


def _notes(car: Car, full_load: FullLoad) -> list[str]:
    weather = full_load.weather
    notes = [
        f"Calculated for {weather.air_c:g} °C, {weather.pressure_kpa:g} kPa, lambda {full_load.lambda_full_load:g}; "
        "denser air or a richer mixture needs more fuel."
    ]
    if car.injectors.pressure == "fixed":
        notes.append(
            "the regulator is fixed: at part throttle the pressure across the injectors is higher than calculated."
        )
    return notes


def _findings(car: Car, revision: Revision, full_load: FullLoad, found: Feasibility) -> list[Finding]:
    air = _headroom_finding(car, found) if car.has_meter else _table_finding(car, revision, full_load, found)
    return [_duty_finding(car, found), _flow_finding(found), air, _gear_finding(found)]


def _table_finding(car: Car, revision: Revision, full_load: FullLoad, found: Feasibility) -> Finding:
    """Whether the table that the ECU takes the air from reaches up to full load and to the rev limit."""
    title, table = "Reach of the table beyond full load and rev limit", revision.air_table
    about = channel(table.load_key)
    full = 100.0
    if table.load_key == "manifold_kpa":
        full = full_load.weather.pressure_kpa + (car.limits.boost_max_kpa or 0.0)
    ends = float(table.load[-1]), float(table.engine_speed_rpm[-1])
    reach = 100 * (min(ends[0] / full, ends[1] / found.limit_rpm) - 1)
    status: Status = "met" if reach >= -TABLE_SHORT_PCT else "watch"
    because = (
        f"the table ends at {ends[0]:.4g} {about.shown_unit} and {ends[1]:.0f} rpm, full load is at {full:.4g} "
        f"{about.shown_unit} and the limit at {found.limit_rpm:.0f} rpm; beyond its ends the ECU holds the last value."
    )
    name = "feasibility.table_reach"
    return Finding(name, title, reach, "%", None, None, None, 0, 0, status, -TABLE_SHORT_PCT, because)


def _duty_finding(car: Car, found: Feasibility) -> Finding:
    limit = car.limits.injector_duty_max_pct
    worst = found.load.loc[found.load["largest_filling_duty_pct"].idxmin()]
    most = f"the injectors suffice up to a volumetric efficiency of {worst['largest_filling_duty_pct']:.0f} %"
    most += f" at {worst['engine_speed_rpm']:.0f} rpm"
    return _finding(
        "feasibility.injector_duty", "Injector duty at full load", "%", limit, most, "duty", worst, above=True
    )


def _headroom_finding(car: Car, found: Feasibility) -> Finding:
    limit = car.limits.meter_headroom_min_pct or 0.0
    worst = found.load.loc[found.load["largest_filling_meter_pct"].idxmin()]
    most = f"the curve reads up to {found.curve_top_kg_h:.0f} kg/h, a volumetric efficiency of "
    most += f"{worst['largest_filling_meter_pct']:.0f} % at {worst['engine_speed_rpm']:.0f} rpm"
    title = "Meter headroom at full load"
    return _finding("feasibility.meter_headroom", title, "%", limit, most, "headroom", worst, above=False)


def _finding(
    name: str, title: str, unit: str, limit: float, text: str, column: str, worst: pd.Series, *, above: bool
) -> Finding:
    """Hold a figure with its range against a limit that it must stay below (`above`: more is worse) or above."""
    value, lower, upper = (float(worst[f"{column}{part}_pct"]) for part in ("", "_lower", "_upper"))
    if not np.isfinite(value):
        because = f"{text}; the expected one is not stated (engine.volumetric_efficiency_expected_pct)."
        return Finding(name, title, None, unit, None, None, None, 0, 0, "not_shown", limit, because)
    status = status_within(value, lower, upper, **{"most" if above else "least": limit}, beyond="stop")
    because = f"{text}; the range goes with ±{FILLING_UNCERTAINTY_PCT:g} points of volumetric efficiency."
    return Finding(name, title, value, unit, lower, upper, None, 0, 0, status, limit, because)


def _flow_finding(found: Feasibility) -> Finding:
    ratio = found.injector_flow_in_revision_g_min / found.injector_flow_g_min
    status: Status = "met" if abs(ratio - 1) <= FLOW_MISMATCH else "watch"
    own, rated = found.injector_flow_in_revision_g_min, found.injector_flow_g_min
    because = f"the revision states {own:.0f} g/min, the rating gives {rated:.0f} g/min at the rail's pressure "
    because += "(square-root law)."
    if status == "met":
        because = f"the revision states the rated flow, {rated:.0f} g/min at the rail's pressure (square-root law)."
    title = "Injector flow in the revision, as a share of the rated flow"
    return Finding("feasibility.injector_flow", title, ratio, "1", None, None, None, 0, 0, status, 1.0, because)


def _gear_finding(found: Feasibility) -> Finding:
    title, limit = "Highest gear for a pull to the limit", found.pull_speed_max_km_h
    if found.gears.empty:
        text = "car.toml states no gearing or no tyres, so no road speed follows."
        return Finding("feasibility.pull_gear", title, None, "1", None, None, None, 0, 0, "not_shown", None, text)
    lowest = found.gears["road_speed_km_h"].iloc[0]
    if not found.pull_gear:
        text = f"even first gear ends at {lowest:.0f} km/h at {found.limit_rpm:.0f} rpm, above {limit:g} km/h."
        return Finding("feasibility.pull_gear", title, 0, "1", None, None, None, 0, 0, "stop", None, text)
    ends = float(found.gears["road_speed_km_h"].iloc[found.pull_gear - 1])
    text = f"gear {found.pull_gear} ends at {ends:.0f} km/h at {found.limit_rpm:.0f} rpm, under {limit:g} km/h."
    return Finding("feasibility.pull_gear", title, found.pull_gear, "1", None, None, None, 0, 0, "met", None, text)
