"""Steady operating points of the true car, and what a revision makes of them: what a proposal is scored against."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.simulate import engine
from tunelab.simulate.air_meter import ecu_flow_kg_h, meter_reading, pulsation_factor
from tunelab.simulate.injector import (
    ecu_dead_time_ms,
    ecu_injector_flow_g_s,
    pressure_difference_kpa,
    true_dead_time_ms,
    true_injector_flow_g_s,
)
from tunelab.simulate.scale import KG_H, KG_H_IN_G_S, MILLI
from tunelab.simulate.truth import Conditions, Truth
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
