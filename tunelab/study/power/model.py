"""Wheel power from engine speed and its rate of rise in a known gear."""

from __future__ import annotations

import numpy as np

from tunelab.constants import STANDARD_GRAVITY_M_S2
from tunelab.units import convert


def pull_power_kw(
    engine_speed_rpm: np.ndarray,
    rise_rpm_s: np.ndarray,
    overall_ratio: float,
    inputs: dict[str, np.ndarray],
    way: float,
) -> np.ndarray:
    """Power that the wheels would get at steady engine speed.

    Parameters
    ----------
    engine_speed_rpm : array, shape (rows,)
        [rpm]
    rise_rpm_s : array, shape (rows,) or (draws, rows)
        Rate of rise. [rpm/s]
    overall_ratio : float
        Gearbox ratio times final drive.
    inputs : dict of arrays, shape (draws, 1) each
        Draws of every named input (`PowerInputs`), with `grade` [%] and `wind` [m/s] along the way out.
    way : float
        1 on the way out, -1 on the way back.

    Returns
    -------
    array, shape (draws, rows)
        Power at the wheel hubs plus what the turning of the engine takes up while it speeds up. [kW]

    Notes
    -----
    Tyre slip is proportional to tractive force over weight. The engine's own inertia is counted behind the driveline
    loss, as it is the engine's torque that turns it. Newton's second law; closed formulas.
    """
    engine = convert(engine_speed_rpm, "rpm", "rad/s")
    wheel, wheel_rise = engine / overall_ratio, convert(rise_rpm_s, "rpm", "rad/s") / overall_ratio
    mass = inputs["mass"] + inputs["load of the day"]
    free = wheel * inputs["rolling radius"]
    force = tractive_force(free, wheel_rise * inputs["rolling radius"], mass, inputs, way)
    slip = convert(inputs["tyre slip"], "percent", "1") * force / (mass * STANDARD_GRAVITY_M_S2)
    speed, pace = free * (1 - slip), wheel_rise * inputs["rolling radius"] * (1 - slip)
    force = tractive_force(speed, pace, mass, inputs, way)
    through = 1 - convert(inputs["driveline loss"], "percent", "1")
    turning = inputs["wheel inertia"] * wheel * wheel_rise
    turning = turning + inputs["engine inertia"] * through * engine * wheel_rise * overall_ratio
    return convert(force * free + turning, "W", "kW")


def tractive_force(
    speed_m_s: np.ndarray, acceleration_m_s2: np.ndarray, mass_kg: np.ndarray, inputs: dict[str, np.ndarray], way: float
) -> np.ndarray:
    """Force of the tyres on the road: acceleration, road load with wind, grade. [N]"""
    through_air = speed_m_s + way * inputs["wind"]
    road = inputs["a_n"] + inputs["b_n_s_m"] * speed_m_s + inputs["c_n_s2_m2"] * through_air * np.abs(through_air)
    slope = way * convert(inputs["grade"], "percent", "1")
    return mass_kg * (acceleration_m_s2 + STANDARD_GRAVITY_M_S2 * slope) + inputs["road-load scale"] * road
