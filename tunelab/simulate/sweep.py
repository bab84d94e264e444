"""The steady sweep: a grid of engine speeds and loads that a car can hold on the road."""

from __future__ import annotations

import math

from tunelab.simulate.motion import gear_ratio
from tunelab.simulate.operating import brake_torque_nm, steady_throttle_pct
from tunelab.simulate.scale import KILO, KM_H
from tunelab.simulate.schedule import Driver, Schedule, Task, cruise, hold, idle, loaded
from tunelab.simulate.truth import Conditions, Truth

DAY = Conditions(
    air_c=18.0,
    pressure_kpa=99.0,
    humidity_pct=55.0,
    wind_m_s=0.0,
    coolant_c=86.0,
    oil_c=88.0,
    is_running=True,
    latitude_deg=44.5,
    longitude_deg=-30.0,
    altitude_m=120.0,
)
CALM = Driver(
    "calm", wobble_pct=1.2, shift_s=0.4, take_off_s=1.5, launch_release_s=0.6, launch_throttle_pct=40.0, spread=0.1
)

_LOADS_A = ((0.0, True), (30.0, True), (0.0, True), (65.0, True), (0.0, True), (10.0, False), (0.0, True))


def hold_gear(truth: Truth, engine_speed_rpm: float, top_speed_km_h: float) -> int:
    """Highest gear up to third in which an engine speed stays below a road speed, or first."""
    fitting = [1]
    for gear in range(2, min(len(truth.vehicle.ratios), 4) + 1):
        turns_s = engine_speed_rpm / 60.0 / gear_ratio(truth, gear)
        if turns_s * 2.0 * math.pi * truth.vehicle.rolling_radius_m * KM_H <= top_speed_km_h:
            fitting.append(gear)
    return fitting[-1] if engine_speed_rpm < 2600.0 else min(fitting[-1], 3)


def brake_heat_kw(truth: Truth, engine_speed_rpm: float, manifold_kpa: float, conditions: Conditions) -> float:
    """Power that the brakes would have to take in a hold, road load left out. [kW]"""
    torque = brake_torque_nm(truth, engine_speed_rpm, manifold_kpa, conditions)
    return torque * engine_speed_rpm * math.pi / 30.0 / KILO


def sweep_tasks(
    truth: Truth, conditions: Conditions, speeds_rpm: tuple[float, ...], loads: tuple[float, ...], seconds: float
) -> tuple[Task, ...]:
    """Holds over a grid of engine speeds and manifold-to-ambient pressure ratios, the electrical loads changing.

    Loads go up and down by turns; a hold whose power the brakes could not take is left out.
    """
    tasks: list[Task] = []
    for row, speed in enumerate(speeds_rpm):
        for column, load in enumerate(loads if row % 2 == 0 else loads[::-1]):
            pressure = load * conditions.pressure_kpa
            if brake_heat_kw(truth, speed, pressure, conditions) > 0.075 * truth.vehicle.mass_kg:
                continue
            throttle = steady_throttle_pct(truth, speed, pressure, conditions)
            amps, is_charging = _LOADS_A[(row + column) % len(_LOADS_A)]
            task = hold(hold_gear(truth, speed, 115.0), speed, throttle, seconds)
            tasks.append(loaded(task, amps, is_charging=is_charging))
    return tuple(tasks)


def steady_sweep(truth: Truth, *, longest_s: float) -> Schedule:
    """About ten minutes of holds from 1300 to 5000 rpm and from light to full load, with idling in between."""
    low = sweep_tasks(truth, DAY, (1400.0, 1900.0, 2500.0, 3200.0), (0.32, 0.4, 0.5, 0.6, 0.7, 0.8, 0.93), 9.0)
    high = sweep_tasks(
        truth, DAY, (1600.0, 2200.0, 2800.0, 3700.0, 4400.0, 5000.0), (0.36, 0.45, 0.55, 0.65, 0.76), 8.0
    )
    tasks = (idle(15.0), *low, idle(20.0, load_a=60.0), *high, idle(30.0), idle(15.0, load_a=75.0))
    return Schedule("steady sweep", CALM, DAY, tasks, longest_s)


def one_line(truth: Truth, *, longest_s: float) -> Schedule:
    """Ten minutes of cruising in one gear: load follows speed along one line, at one battery voltage.

    The drive from which meter and dead time cannot be separated.
    """
    gear = min(4, len(truth.vehicle.ratios))
    speeds_km_h = (35.0, 45.0, 55.0, 65.0, 75.0, 85.0, 95.0, 85.0, 75.0, 65.0, 55.0, 45.0)
    tasks = tuple(cruise(gear, speed, 35.0) for speed in speeds_km_h)
    return Schedule("one line", CALM, DAY, (idle(20.0), *tasks), longest_s)
