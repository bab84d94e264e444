"""The steady sweep: a grid of engine speeds and loads, and what the true car does at each of its points.

Steady operating points of the true car, and what a revision makes of them: what a proposal is scored against.

The steady sweep: a grid of engine speeds and loads that a car can hold on the road.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.simulate import engine
from tunelab.simulate.engine import (
    ecu_dead_time_ms,
    ecu_flow_kg_h,
    ecu_injector_flow_g_s,
    meter_reading,
    pressure_difference_kpa,
    pulsation_factor,
    true_dead_time_ms,
    true_injector_flow_g_s,
)
from tunelab.simulate.motion import gear_ratio
from tunelab.simulate.schedule import Driver, Schedule, Task, cruise, hold, idle, loaded
from tunelab.simulate.truth import KG_H, KG_H_IN_G_S, KILO, KM_H, MILLI, Conditions, Truth
from tunelab.workspace.revision import Revision


@dataclass(frozen=True)
class Points:
    """Steady operating points; arrays of one shape."""

    engine_speed_rpm: np.ndarray
    manifold_kpa: np.ndarray
    battery_v: np.ndarray


def steady_flow_kg_h(truth: Truth, engine_speed_rpm: float, manifold_kpa: float, conditions: Conditions) -> float:
    """Air flow of the warm engine. [kg/h]"""
    charge_k = engine.charge_temperature(conditions.air_c + 8.0, 88.0)
    drawn = engine.cylinder_flow(truth.engine, engine_speed_rpm, manifold_kpa, conditions.pressure_kpa, charge_k)
    return drawn * KG_H


def steady_throttle_pct(truth: Truth, engine_speed_rpm: float, manifold_kpa: float, conditions: Conditions) -> float:
    """Throttle opening that gives a manifold pressure, 100 where even wide open does not. By bisection."""
    wanted = steady_flow_kg_h(truth, engine_speed_rpm, manifold_kpa, conditions) / KG_H
    low, high = 0.0, 100.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        area = engine.throttle_area(truth.engine, middle, 32.0)
        passed = engine.throttle_flow(area, conditions.pressure_kpa, manifold_kpa, conditions.air_c + 281.0)[0]
        low, high = (middle, high) if passed < wanted else (low, middle)
    return high


def brake_torque_nm(truth: Truth, engine_speed_rpm: float, manifold_kpa: float, conditions: Conditions) -> float:
    """Torque at the flywheel of the warm engine at lambda 1 and best spark. [N m]"""
    air = steady_flow_kg_h(truth, engine_speed_rpm, manifold_kpa, conditions) / KG_H
    work = engine.indicated_torque(truth.engine, air, engine_speed_rpm, 1.0, 0.02)
    return work - engine.drag_torque(truth.engine, engine_speed_rpm, manifold_kpa, conditions.pressure_kpa, 90.0)


def true_lambda(
    truth: Truth, revision: Revision, points: Points, conditions: Conditions, *, with_pulsation: bool
) -> np.ndarray:
    """True steady lambda over the commanded one that a revision gives, trims at zero and lambda 1 commanded.

    This includes the overall constant that no log can tell (`overall_constant`). Shape as `points`; NaN stays NaN.
    """
    speed = np.asarray(points.engine_speed_rpm, dtype=float)
    pressure = np.asarray(points.manifold_kpa, dtype=float)
    flow = _each(lambda rpm, kpa: steady_flow_kg_h(truth, rpm, kpa, conditions), speed, pressure)
    heard = flow * pulsation_factor(truth.meter, speed, pressure, conditions.pressure_kpa) if with_pulsation else flow
    believed = ecu_flow_kg_h(revision, meter_reading(truth.meter, heard))
    vacuum = conditions.pressure_kpa - pressure
    delivered = _delivered_g_s(truth, revision, believed, (speed, vacuum, np.asarray(points.battery_v, dtype=float)))
    return flow / KG_H_IN_G_S / (delivered * truth.stoich_afr)


def _each(formula: Callable[..., float], *arrays: np.ndarray) -> np.ndarray:
    """One of the inner loop's formulas on every element of arrays of one shape."""
    values = [formula(*row) for row in zip(*(array.flat for array in arrays), strict=True)]
    return np.array(values).reshape(arrays[0].shape)


def _delivered_g_s(
    truth: Truth, revision: Revision, believed_kg_h: np.ndarray, state: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> np.ndarray:
    speed, vacuum, battery = state
    injectors = truth.injectors
    events_s = injectors.count * injectors.injections_per_cycle * speed / 120.0
    flow_ecu = _each(lambda kpa: ecu_injector_flow_g_s(injectors, revision.injectors.flow_g_min, kpa), vacuum)
    open_ecu_s = believed_kg_h / KG_H_IN_G_S / revision.fuelling.stoich_afr / events_s / flow_ecu
    pulse_s = open_ecu_s + ecu_dead_time_ms(revision, battery) * MILLI
    duty = np.minimum(pulse_s * events_s / injectors.count, 1.0)
    difference = _each(lambda kpa, share: pressure_difference_kpa(injectors, kpa, share), vacuum, duty)
    flow_true = _each(lambda kpa: true_injector_flow_g_s(injectors, kpa), difference)
    return np.maximum(pulse_s - true_dead_time_ms(injectors, battery) * MILLI, 1e-9) * events_s * flow_true


def overall_constant(truth: Truth, revision: Revision) -> float:
    """What no log can separate: true over believed injector flow and fuel, times the gain of the lambda sensor.

    A log reads lambda as if the meter's factor were the true one divided by this and by nothing else.
    """
    injectors = truth.injectors
    flow = injectors.flow_g_min * math.sqrt(injectors.rail_pressure_kpa / injectors.rated_pressure_kpa)
    fuel = flow * truth.stoich_afr / (revision.injectors.flow_g_min * revision.fuelling.stoich_afr)
    return fuel / truth.sensor.gain


def read_lambda(
    truth: Truth, revision: Revision, points: Points, conditions: Conditions, *, with_pulsation: bool
) -> np.ndarray:
    """`true_lambda` on the scale of the car's own lambda sensor: what a perfect proposal brings to 1."""
    return truth.sensor.gain * true_lambda(truth, revision, points, conditions, with_pulsation=with_pulsation)


def transport_delay_s(truth: Truth, exhaust_kg_h: ArrayLike) -> np.ndarray:
    """Time from the ports to the tip of the lambda sensor, without the sensor's lag. [s]"""
    return truth.sensor.delay_s + truth.sensor.delay_flow_s_kg_h / np.asarray(exhaust_kg_h, dtype=float)


DAY = Conditions(
    air_c=18.0, pressure_kpa=99.0, humidity_pct=55.0, wind_m_s=0.0, coolant_c=86.0, oil_c=88.0, is_running=True,
    latitude_deg=44.5, longitude_deg=-30.0, altitude_m=120.0,
)  # fmt: skip
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
