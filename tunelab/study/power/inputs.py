"""The named inputs of a power measurement: value, uncertainty and source of each, and joint draws of them."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.physics.driveline import curve_from_drag
from tunelab.study.coast_down.result import CoastDownFit, weather_density
from tunelab.study.finding import shows_its_table
from tunelab.study.gearing import rolling_radius
from tunelab.workspace.car import Car, stated
from tunelab.workspace.session import Session

# Labelled assumptions where the owner states nothing: what the median car has, and one standard deviation of cars
# about it. Common practice, no source.
SLIP_PCT_PER_G = {"front": (11.0, 4.0), "rear": (11.0, 4.0), "all": (6.0, 2.5)}
ENGINE_INERTIA_KG_M2_L = (0.065, 0.02)  # with flywheel and clutch, per litre of displacement
WHEEL_INERTIA_KG_M2 = (3.3, 0.7)  # four wheels with tyres and brakes
DRIVELINE_LOSS_PCT = (12.0, 5.0)
ROAD_LOAD_UNCERTAINTY = 0.10  # of a drag area or rolling coefficient that was not measured
INERTIA_UNCERTAINTY = 0.15  # of a stated inertia
LOAD_OF_THE_DAY_KG = 5.0  # fuel and tools differ from one day to the next
STANDARD_DAY_UNCERTAINTY = 0.004  # of the factor: 1.5 °C and 0.3 kPa


@dataclass(frozen=True)
class RoadDoubt:
    """What is not known of road and wind, one standard deviation each; stated by whoever runs the study."""

    grade_pct: float  # mean slope of the road: cancels between two directions
    local_grade_pct: float  # from pull to pull: does not cancel
    wind_m_s: float  # steady wind along the road
    gust_m_s: float  # from pull to pull


@dataclass(frozen=True)
class NamedInput:
    """One input: value, one standard deviation, unit and source."""

    name: str
    value: float
    uncertainty: float
    unit: str
    source: str
    scope: str  # "all" of the measurements alike, this "session", or each "pull" by itself


@shows_its_table
@dataclass(frozen=True)
class PowerInputs:
    """All inputs of one session's power measurement. `notes` say what was left out and what was assumed."""

    rows: tuple[NamedInput, ...]
    road_load_covariance: np.ndarray | None  # of A, B, C from a coast-down, shape (3, 3); None: independent
    coast_down_mass_kg: float | None  # effective mass that the coast-down's A, B, C rest on; they scale with it
    notes: tuple[str, ...]

    def __getitem__(self, name: str) -> NamedInput:
        return next(row for row in self.rows if row.name == name)

    def table(self) -> pd.DataFrame:
        """One row per input: value, uncertainty, unit, scope, source."""
        columns = ["input", "value", "uncertainty", "unit", "scope", "source"]
        rows = [(r.name, r.value, r.uncertainty, r.unit, r.scope, r.source) for r in self.rows]
        return pd.DataFrame(rows, columns=columns).set_index("input")

    def draw(self, draws: int, seed: int, *, salt: str) -> dict[str, np.ndarray]:
        """Draws of every input that is not per pull; shape (draws, 1) each.

        Inputs of scope "all" get the same standard deviates in every session, so that a comparison of two sessions
        cancels what they share; those of scope "session" differ by `salt`. Mass, radius and inertias stay positive.
        """
        out = {}
        for row in self.rows:
            own = salt if row.scope == "session" else ""
            deviate = deviates(draws, seed, f"{row.name}{own}")
            out[row.name] = row.value + row.uncertainty * deviate
        if self.road_load_covariance is not None:
            self._correlate(out, self.road_load_covariance, draws, seed)
        return {name: values[:, None] for name, values in out.items()}

    def _correlate(self, out: dict[str, np.ndarray], covariance: np.ndarray, draws: int, seed: int) -> None:
        """Replace the draws of A, B and C by jointly normal ones. `out` belongs to the caller's own call of draw."""
        names = ("a_n", "b_n_s_m", "c_n_s2_m2")
        value, axes = np.linalg.eigh(covariance)
        factor = axes * np.sqrt(np.clip(value, 0, None))
        base = np.stack([deviates(draws, seed, name) for name in names])
        for name, change in zip(names, factor @ base, strict=True):
            out[name] = self[name].value + change


def deviates(draws: int, seed: int, name: str) -> np.ndarray:
    """Standard normal deviates that depend on seed and name alone; shape (draws,)."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())]).standard_normal(draws)


def gather_inputs(car: Car, session: Session, doubt: RoadDoubt, *, coast_down: CoastDownFit | None) -> PowerInputs:
    """Gather the inputs from the owner's files and, if there is one, from the coast-down.

    Raises
    ------
    ValueError
        Something without which no power can be stated is missing: the message names every such key.
    """
    _require(car, session, coast_down)
    notes: list[str] = []
    rows = [*_mass(car, notes), *_tyre(car, notes), *_road(doubt)]
    covariance, own_mass = None, None
    if coast_down is not None and coast_down.shown:
        load, covariance, own_mass = _measured_road_load(coast_down, session)
    else:
        load = _stated_road_load(car, session, notes)
    day = NamedInput("standard-day factor", 1.0, STANDARD_DAY_UNCERTAINTY, "1", "assumed", "session")
    return PowerInputs((*rows, *load, day), covariance, own_mass, tuple(notes))


def _require(car: Car, session: Session, coast_down: CoastDownFit | None) -> None:
    missing = [
        f"[{key}] in car.toml ({why})"
        for key, why in (
            ("vehicle", "mass_kg, mass_uncertainty_kg, driven_axle"),
            ("gearing", "ratios, final_drive"),
            ("tyres", "rolling_radius_m or size"),
        )
        if getattr(car, key) is None
    ]
    measured = coast_down is not None and coast_down.shown
    if car.road_load is None and not measured:
        missing.append("[road_load] in car.toml, or a coast-down both ways")
    if session.weather is None:
        missing.append("[weather] in session.toml (air_c, pressure_kpa, humidity_pct)")
    if missing:
        raise ValueError(f"no power can be stated; missing: {'; '.join(missing)}.")


def _mass(car: Car, notes: list[str]) -> list[NamedInput]:
    vehicle = stated(car.vehicle, "[vehicle] in car.toml")
    rows = [
        NamedInput("mass", vehicle.mass_kg, vehicle.mass_uncertainty_kg, "kg", "car.toml", "all"),
        NamedInput("load of the day", 0.0, LOAD_OF_THE_DAY_KG, "kg", "assumed", "session"),
    ]
    litres = car.engine.displacement_l
    usual = (litres * ENGINE_INERTIA_KG_M2_L[0], litres * ENGINE_INERTIA_KG_M2_L[1])
    rows.append(_inertia("wheel inertia", vehicle.wheel_inertia_kg_m2, WHEEL_INERTIA_KG_M2, notes))
    rows.append(_inertia("engine inertia", car.engine.inertia_kg_m2, usual, notes))
    loss = DRIVELINE_LOSS_PCT if vehicle.driveline_loss_pct is None else (vehicle.driveline_loss_pct, 4.0)
    told = "assumed" if vehicle.driveline_loss_pct is None else "car.toml, an assumption"
    rows.append(NamedInput("driveline loss", *loss, "%", told, "all"))
    return rows


def _inertia(name: str, told: float | None, usual: tuple[float, float], notes: list[str]) -> NamedInput:
    """Give a stated inertia, or the usual one labelled as assumed."""
    if told is not None:
        return NamedInput(name, told, INERTIA_UNCERTAINTY * told, "kg m²", "car.toml", "all")
    notes.append(f"the {name} is not stated: {usual[0]:.2g} ± {usual[1]:.2g} kg m² were assumed.")
    return NamedInput(name, *usual, "kg m²", "assumed", "all")


def _tyre(car: Car, notes: list[str]) -> list[NamedInput]:
    radius = rolling_radius(car)
    vehicle, tyres = stated(car.vehicle, "[vehicle] in car.toml"), stated(car.tyres, "[tyres] in car.toml")
    value, spread = SLIP_PCT_PER_G[vehicle.driven_axle]
    source = "assumed"
    if tyres.slip_pct_per_g is not None:
        value, source = tyres.slip_pct_per_g, "car.toml"
        spread = 0.3 * value if tyres.slip_uncertainty_pct_per_g is None else tyres.slip_uncertainty_pct_per_g
    else:
        notes.append(f"tyre slip was assumed: {value:g} ± {spread:g} % per g of tractive force over weight.")
    return [
        NamedInput("rolling radius", radius.radius_m, radius.uncertainty_m, "m", radius.source, "all"),
        NamedInput("tyre slip", value, spread, "% per g", source, "all"),
    ]


def _road(doubt: RoadDoubt) -> list[NamedInput]:
    with_study = "stated with the study"
    return [
        NamedInput("mean grade", 0.0, doubt.grade_pct, "%", with_study, "session"),
        NamedInput("local grade", 0.0, doubt.local_grade_pct, "%", with_study, "pull"),
        NamedInput("steady wind", 0.0, doubt.wind_m_s, "m/s", with_study, "session"),
        NamedInput("gusts", 0.0, doubt.gust_m_s, "m/s", with_study, "pull"),
    ]


def _stated_road_load(car: Car, session: Session, notes: list[str]) -> list[NamedInput]:
    load, source = stated(car.road_load, "[road_load] in car.toml"), "car.toml, not measured in this session"
    if load.a_n is not None:
        values = load.a_n, load.b_n_s_m or 0.0, load.c_n_s2_m2 or 0.0
    else:
        density = weather_density(session.weather)
        area = stated(load.drag_area_m2, "drag_area_m2 in [road_load] of car.toml")
        rolling = stated(load.rolling_coefficient, "rolling_coefficient in [road_load] of car.toml")
        mass_kg = stated(car.vehicle, "[vehicle] in car.toml").mass_kg
        curve = curve_from_drag(area, rolling, mass_kg=mass_kg, density_kg_m3=density)
        values = curve.a_n, curve.b_n_s_m, curve.c_n_s2_m2
    notes.append(
        f"road load is the owner's, taken as known to {100 * ROAD_LOAD_UNCERTAINTY:.0f} %: a coast-down would "
        "narrow it."
    )
    units = (("a_n", "N"), ("b_n_s_m", "N s/m"), ("c_n_s2_m2", "N s²/m²"))
    return [
        NamedInput(name, value, ROAD_LOAD_UNCERTAINTY * abs(value), unit, source, "all")
        for (name, unit), value in zip(units, values, strict=True)
    ]


def _measured_road_load(fit: CoastDownFit, session: Session) -> tuple[list[NamedInput], np.ndarray, float]:
    """A, B, C of a coast-down, carried over to this session's weather."""
    curve, covariance = fit.at_weather(stated(session.weather, "[weather] in session.toml"))
    values = (curve.a_n, curve.b_n_s_m, curve.c_n_s2_m2)
    spread = np.sqrt(np.diag(covariance))
    units = (("a_n", "N"), ("b_n_s_m", "N s/m"), ("c_n_s2_m2", "N s²/m²"))
    rows = [
        NamedInput(name, value, float(sd), unit, "coast-down", "all")
        for (name, unit), value, sd in zip(units, values, spread, strict=True)
    ]
    return rows, covariance, fit.effective_mass_kg
