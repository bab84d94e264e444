"""Power measured on plain pulls, with an owner who knows his car no better than his stated uncertainties."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import xarray as xr
from plain_car import flagged, outing, owners_car
from plain_vehicle import Logger, PlainVehicle, drive, out_and_back, undulating, write_down

from tunelab.study.power import PowerFit, RoadDoubt, fit_power
from tunelab.study.power.inputs import INERTIA_UNCERTAINTY, LOAD_OF_THE_DAY_KG
from tunelab.study.power.pulls import Drawing
from tunelab.study.pull import find_pulls
from tunelab.study.pull_result import PullSet
from tunelab.workspace.car import Car
from tunelab.workspace.session import Session

DOUBT = RoadDoubt(grade_pct=1.0, local_grade_pct=0.2, wind_m_s=1.5, gust_m_s=0.4)
DRAWING = Drawing(300, 1)


def mistaken_owner(true: PlainVehicle, rng: np.random.Generator) -> Car:
    """What the owner states: each value off by a draw of its own stated uncertainty, or of the one that is assumed."""
    mass = true.mass_kg + rng.normal(0, 12) + rng.normal(0, LOAD_OF_THE_DAY_KG)
    wheels, engine = (
        inertia * (1 + rng.normal(0, INERTIA_UNCERTAINTY))
        for inertia in (true.wheel_inertia_kg_m2, true.engine_inertia_kg_m2)
    )
    return owners_car(
        replace(true, engine_inertia_kg_m2=engine),
        vehicle={"mass_kg": mass, "mass_uncertainty_kg": 12, "driven_axle": "rear",
                 "wheel_inertia_kg_m2": wheels, "driveline_loss_pct": max(rng.normal(10, 4), 0.5)},
        tyres={"rolling_radius_m": true.radius_m * (1 + rng.normal(0, 0.005)), "rolling_radius_uncertainty_pct": 0.5,
               "slip_pct_per_g": 7 + rng.normal(0, 2), "slip_uncertainty_pct_per_g": 2.0},
        road_load={"a_n": true.a_n * (1 + rng.normal(0, 0.1)), "b_n_s_m": true.b_n_s_m,
                   "c_n_s2_m2": true.c_n_s2_m2 * (1 + rng.normal(0, 0.1))},
    )  # fmt: skip


def pulled(true: PlainVehicle, rng: np.random.Generator, *, phases=None, logger: Logger | None = None) -> xr.Dataset:
    """A log of pulls on a road with a slope and a wind of its own."""
    phases = phases or out_and_back(3, 2400, 6800, pairs=2)
    truth = drive(true, phases, grade=rng.normal(0, 0.008), wind_m_s=rng.normal(0, 1.2))
    return write_down(truth, logger or Logger(), rng)


def on_small_hills(true: PlainVehicle, seed: int) -> tuple[xr.Dataset, Car]:
    """Pulls on a road of small hills in gusts, and an owner who is off by as much as he says he may be."""
    rng = np.random.default_rng(seed)
    rises = {"hill": 0.002, "hill_m": 80.0, "gust_m_s": 0.4, "gust_s": 5.0}
    road = undulating(rng, **rises, grade=rng.normal(0, 0.008), wind_m_s=rng.normal(0, 1.2))
    log = write_down(drive(true, out_and_back(3, 2400, 6800, pairs=2), road=road), Logger(), rng)
    return log, mistaken_owner(true, rng)


def measure(log: xr.Dataset, car: Car, *, session: Session | None = None, coast_down=None) -> tuple[PowerFit, PullSet]:
    """Find the pulls and measure."""
    session = session or outing("full-throttle")
    log = flagged(log, car)
    pulls = find_pulls(log, car, session)
    fit = fit_power(
        log, car, session, pulls, DOUBT, coast_down=coast_down, drawing=DRAWING, standard="ISO 1585"
    )  # fmt: skip
    return fit, pulls


def inside_share(fit: PowerFit, true: PlainVehicle) -> float:
    """Share of engine speeds at which the true wheel power lies inside the band."""
    known = np.isfinite(fit.wheel_power_kw)
    truth = true.wheel_power_kw(fit.engine_speed_rpm[known])
    return float(np.mean((fit.lower_kw[known] <= truth) & (truth <= fit.upper_kw[known])))


def mean_error(fit: PowerFit, true: PlainVehicle) -> float:
    """Mean of measured over true power less one."""
    known = np.isfinite(fit.wheel_power_kw)
    return float(np.mean(fit.wheel_power_kw[known] / true.wheel_power_kw(fit.engine_speed_rpm[known]) - 1))
