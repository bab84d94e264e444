"""Driveline, tyres and road: two speeds, engine and wheel, and the car."""

from __future__ import annotations

import math

from tunelab.simulate.state import State, towards
from tunelab.simulate.truth import Conditions, Truth

GRAVITY = 9.80665
_RAD_S = math.pi / 30.0  # per rpm
_TYRE_SHAPE = 1.5
_SLIP_SPEED = 12.0  # speed difference over which a slipping clutch builds up its torque [rad/s]


def _tyre(truth: Truth, s: State) -> tuple[float, float]:
    """Drive force and its slope by wheel speed, a falling slope taken as none. [N], [N per rad/s]

    The usual sine-of-arctangent shape (E. Bakker, L. Nyborg, H. B. Pacejka, SAE 870421, from memory): linear at first,
    most at 2.6 times `slip_at_grip`, 0.71 of that when spinning.
    """
    car = truth.vehicle
    base = max(s.speed_m_s, 2.5)
    slip = (s.wheel_rad_s * car.rolling_radius_m - s.speed_m_s) / base / car.slip_at_grip
    most = car.tyre_grip * car.mass_kg * GRAVITY * car.driven_weight_share
    angle = _TYRE_SHAPE * math.atan(slip / _TYRE_SHAPE)
    steep = max(math.cos(angle), 0.0) / (1.0 + (slip / _TYRE_SHAPE) ** 2)
    return most * math.sin(angle), most * steep * car.rolling_radius_m / (base * car.slip_at_grip)


def _resistance(truth: Truth, conditions: Conditions, s: State, density: float) -> float:
    """Road load with grade and wind, without brakes. [N]"""
    car = truth.vehicle
    wind = conditions.wind_m_s * math.cos(math.radians(s.heading_deg))
    through_air = s.speed_m_s + wind
    rolling = car.rolling_coefficient * car.mass_kg * GRAVITY * min(s.speed_m_s / 0.3, 1.0)
    rolling *= 1.0 + 0.004 * s.speed_m_s
    return 0.5 * density * car.drag_area_m2 * through_air * abs(through_air) + rolling + car.mass_kg * GRAVITY * s.grade


def gear_ratio(truth: Truth, gear: int) -> float:
    """Engine turns per wheel turn; zero in neutral."""
    car = truth.vehicle
    return car.ratios[gear - 1] * car.final_drive if gear > 0 else 0.0


def _clutch(s: State, truth: Truth, ratio: float) -> tuple[float, float]:
    """Torque through a slipping clutch and its slope by speed difference. [N m], [N m per rad/s]"""
    if not ratio:
        return 0.0, 0.0
    capacity = truth.vehicle.clutch_nm * (1.0 - s.clutch_open) ** 1.5
    apart = s.engine_speed_rpm * _RAD_S - s.wheel_rad_s * ratio
    share = apart / _SLIP_SPEED
    if abs(share) >= 1.0:
        return math.copysign(capacity, share), 0.0
    return capacity * share, capacity / _SLIP_SPEED


def _free_engine(s: State, truth: Truth, ratio: float, dt: float) -> tuple[float, float]:
    """Turn the engine by itself or through a slipping clutch; what then reaches the gearbox comes back."""
    through, slope = _clutch(s, truth, ratio)
    omega = s.engine_speed_rpm * _RAD_S
    omega += dt * (s.torque_nm - through) / (truth.engine.inertia_kg_m2 + dt * slope)
    s.engine_speed_rpm = max(omega, 0.0) / _RAD_S
    s.is_locked = bool(ratio) and s.clutch_open < 0.03 and abs(omega - s.wheel_rad_s * ratio) < 4.0
    return _clutch(s, truth, ratio)


def _turn_wheels(s: State, truth: Truth, brake_n: float, dt: float) -> float:
    """One step of the wheels, with the engine when the clutch is locked; the tyres' drive force comes back. [N]"""
    car = truth.vehicle
    ratio = gear_ratio(truth, s.gear)
    if s.is_locked and (s.clutch_open > 0.03 or not ratio):
        s.is_locked = False
    inertia, stiffness, through_nm = car.wheel_inertia_kg_m2, 0.0, s.torque_nm
    if s.is_locked:
        inertia += truth.engine.inertia_kg_m2 * ratio * ratio
    else:
        through_nm, stiffness = _free_engine(s, truth, ratio, dt)
    loss = car.driveline_efficiency if through_nm > 0 else 1.0 / car.driveline_efficiency
    force, slope = _tyre(truth, s)
    rear_brake_nm = 0.35 * brake_n * car.rolling_radius_m * min(s.wheel_rad_s / 0.5, 1.0)
    net_nm = through_nm * ratio * loss - force * car.rolling_radius_m - rear_brake_nm
    held = inertia + dt * (slope * car.rolling_radius_m + stiffness * ratio * ratio)
    turned = dt * net_nm / held
    s.wheel_rad_s = max(s.wheel_rad_s + turned, 0.0)
    if s.is_locked:
        s.engine_speed_rpm = s.wheel_rad_s * ratio / _RAD_S
    return force + slope * turned


def step_motion(s: State, truth: Truth, conditions: Conditions, density: float, dt: float) -> None:
    """Engine, wheels and car by one step; the stiff tyre and clutch are taken linearly-implicit."""
    mass = truth.vehicle.mass_kg
    brake_n = s.brake * mass * GRAVITY
    force = _turn_wheels(s, truth, brake_n, dt)
    resist = _resistance(truth, conditions, s, density) + 0.65 * brake_n * min(s.speed_m_s / 0.3, 1.0)
    before = s.speed_m_s
    s.speed_m_s = max(before + dt * (force - resist) / mass, 0.0)
    s.acceleration = towards(s.acceleration, (s.speed_m_s - before) / dt + GRAVITY * s.grade, dt, 0.05)


def step_position(s: State, dt: float) -> None:
    """Where the car is, over the ground."""
    heading = math.radians(s.heading_deg)
    s.north_m += s.speed_m_s * math.cos(heading) * dt
    s.east_m += s.speed_m_s * math.sin(heading) * dt
    s.altitude_m += s.speed_m_s * s.grade * dt
    s.gps_m_s = towards(s.gps_m_s, s.speed_m_s, dt, 0.25)
