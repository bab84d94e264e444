"""One hold: in which gear, at what road speed, against what brake an engine speed and airflow can be kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.constants import STANDARD_GRAVITY_M_S2
from tunelab.physics.driveline import power_from_torque, road_speed_km_h, tyre_radius
from tunelab.physics.roadload import RoadLoadCurve, curve_from_drag, road_load
from tunelab.study.cells import MEAN_PRESSURE_KPA_PER_PCT, flow_at_load, no_load
from tunelab.units import convert
from tunelab.workspace.car import Car

# For the choice of gear and brake alone, never a result. Common practice, no source.
DRIVELINE_SHARE = 0.87  # crank to wheels, where the car does not say
AIR_DENSITY_KG_M3 = 1.2
LOADED_TYRE_SHARE = 0.97  # rolling radius over that of the size code
SLOWEST_KM_H = 12.0  # slower than this with the clutch closed no hold is smooth
BALANCE_KW = 1.5  # below so much surplus or lack, the slope of the road decides
LIGHT_BRAKE_KW = 8.0
BRAKE_FORCE_SHARE = 0.25  # of the weight, at most
BRAKE_ENERGY_KJ = 250.0  # into the brakes in one hold, at most
COOLING_KW = 4.0  # what the brakes give off while the car rolls
STANDING_SPEED_SHARE = 0.5  # of the rev limit: no standing hold above
STANDING_LOAD = 1.45  # times the usual load of an engine that turns only itself: more it does not take in neutral


@dataclass(frozen=True)
class Way:
    """A way to drive a hold; NaN where the car's description does not say."""

    gear: int | None  # 0 is neutral, standing; None where the gearing is not known
    road_speed_km_h: float
    surplus_kw: float  # engine power over road load on the level: the brake takes it; negative: it wants a slope down

    @property
    def brake(self) -> str:
        """What the brake has to do: `none`, `light`, `firm`, or `as needed` where the road load is not known."""
        if self.gear == 0:
            return "none"
        if np.isnan(self.surplus_kw):
            return "as needed"
        return "none" if self.surplus_kw < BALANCE_KW else "light" if self.surplus_kw < LIGHT_BRAKE_KW else "firm"


def rolling_radius_m(car: Car) -> float:
    """Rolling radius [m]: measured, else from the size code; NaN where the car gives neither."""
    if car.tyres is None:
        return np.nan
    if car.tyres.rolling_radius_m is not None:
        return car.tyres.rolling_radius_m
    return LOADED_TYRE_SHARE * tyre_radius(car.tyres.size) if car.tyres.size else np.nan


def road_load_curve(car: Car) -> RoadLoadCurve | None:
    """Road load of the car; None where it is not known."""
    load = car.road_load
    if load is None:
        return None
    if load.a_n is not None and load.b_n_s_m is not None and load.c_n_s2_m2 is not None:
        return RoadLoadCurve(load.a_n, load.b_n_s_m, load.c_n_s2_m2)
    if load.drag_area_m2 is None or load.rolling_coefficient is None or car.vehicle is None:
        return None
    mass = car.vehicle.mass_kg
    return curve_from_drag(load.drag_area_m2, load.rolling_coefficient, mass_kg=mass, density_kg_m3=AIR_DENSITY_KG_M3)


def wheel_power_kw(speed_rpm: float, flow_kg_h: float, car: Car) -> float:
    """Rough power at the wheels [kW] at an engine speed and airflow, to choose gear and brake by."""
    load = flow_kg_h / float(flow_at_load(1.0, speed_rpm, displacement_l=car.engine.displacement_l))
    pressure = MEAN_PRESSURE_KPA_PER_PCT * (load - float(no_load(speed_rpm)))
    torque = pressure * car.engine.displacement_l / (4 * np.pi)  # kPa · L = J
    loss = car.vehicle.driveline_loss_pct if car.vehicle else None
    share = DRIVELINE_SHARE if loss is None else 1 - float(convert(loss, "percent", "1"))
    return float(power_from_torque(torque * (share if torque > 0 else 1.0), speed_rpm))


def ways(speed_rpm: float, flow_kg_h: float, car: Car, *, top_speed_km_h: float) -> list[Way]:
    """All ways to hold a cell within the top speed, the best first; empty where there is none."""
    load = flow_kg_h / float(flow_at_load(1.0, speed_rpm, displacement_l=car.engine.displacement_l))
    stands = load <= STANDING_LOAD * no_load(speed_rpm) and speed_rpm <= STANDING_SPEED_SHARE * car.limits.rev_limit_rpm
    standing = [Way(0, 0.0, 0.0)] if stands else []
    radius = rolling_radius_m(car)
    if car.gearing is None or np.isnan(radius):
        return standing or [Way(None, np.nan, np.nan)]
    power, curve = wheel_power_kw(speed_rpm, flow_kg_h, car), road_load_curve(car)
    moving = []
    for gear, ratio in enumerate(car.gearing.ratios, start=1):
        speed = float(road_speed_km_h(speed_rpm, ratio * car.gearing.final_drive, radius))
        if SLOWEST_KM_H <= speed <= top_speed_km_h:
            moving.append(Way(gear, speed, _surplus(power, speed, curve)))
    return standing + sorted(moving, key=lambda way: _awkwardness(way, load))


def seconds_against_brake(way: Way, car: Car) -> float:
    """Longest that a hold may last for the brakes' sake [s]; infinite where they do little, zero where it cannot be."""
    if np.isnan(way.surplus_kw) or way.surplus_kw < BALANCE_KW or way.gear == 0:
        return np.inf
    if car.vehicle is not None:
        force = convert(way.surplus_kw, "kW", "W") / convert(way.road_speed_km_h, "km/h", "m/s")
        if force > BRAKE_FORCE_SHARE * car.vehicle.mass_kg * STANDARD_GRAVITY_M_S2:
            return 0.0
    return BRAKE_ENERGY_KJ / way.surplus_kw


def cooling_s(way: Way, seconds: float) -> float:
    """Seconds to roll freely after a hold so that the brakes give off what it put in; 0 where that is little."""
    if np.isnan(way.surplus_kw) or way.surplus_kw < BALANCE_KW:
        return 0.0
    return way.surplus_kw * seconds / COOLING_KW


def _surplus(power_kw: float, speed_km_h: float, curve: RoadLoadCurve | None) -> float:
    if curve is None:
        return np.nan
    metres = float(convert(speed_km_h, "km/h", "m/s"))
    return power_kw - float(convert(float(road_load(metres, curve)) * metres, "W", "kW"))


def _awkwardness(way: Way, load_pct: float) -> float:
    """Least first: little brake, and a slope down counts double, as a road has few; without road load, by the load."""
    if np.isnan(way.surplus_kw):
        return -way.road_speed_km_h if load_pct > 45 else way.road_speed_km_h
    return way.surplus_kw if way.surplus_kw >= 0 else -2 * way.surplus_kw
