"""Wheel power from engine speed and its rate of rise in a known gear."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.constants import STANDARD_GRAVITY_M_S2
from tunelab.units import convert

SLIP_ROUNDS = 2  # slip depends on force and force on slip; the third round changes nothing that shows


@dataclass(frozen=True)
class Motion:
    """One pull as the wheels turned. Shapes (rows,); the operator (rows, rows) gives a rate of change per second."""

    engine_speed_rpm: np.ndarray
    rise_rpm_s: np.ndarray
    rate_of_change: np.ndarray
    overall_ratio: float


def pull_power_kw(motion: Motion, rise_rpm_s: np.ndarray, inputs: dict[str, np.ndarray], way: float) -> np.ndarray:
    """Power that the wheels would get at steady engine speed.

    Parameters
    ----------
    motion : Motion
        Smoothed engine speed, the overall ratio and the operator of a rate of change.
    rise_rpm_s : array, shape (rows,) or (draws, rows)
        Rate of rise of engine speed, noise added. [rpm/s]
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
    Tyre slip is proportional to tractive force over weight; where the force changes, so does the slip, and the car
    gains or loses speed against its wheels. The engine's own inertia is counted behind the driveline loss, as it is the
    engine's torque that turns it. Newton's second law; closed formulas.
    """
    engine = convert(motion.engine_speed_rpm, "rpm", "rad/s")
    wheel, wheel_rise = engine / motion.overall_ratio, convert(rise_rpm_s, "rpm", "rad/s") / motion.overall_ratio
    mass = inputs["mass"] + inputs["load of the day"]
    free, pace = wheel * inputs["rolling radius"], wheel_rise * inputs["rolling radius"]
    slip, growth = _slip(motion, free, inputs, way)
    force = tractive_force(free * (1 - slip), pace * (1 - slip) - free * growth, mass, inputs, way)
    through = 1 - convert(inputs["driveline loss"], "percent", "1")
    turning = inputs["wheel inertia"] * wheel * wheel_rise
    turning = turning + inputs["engine inertia"] * through * engine * wheel_rise * motion.overall_ratio
    return convert(force * free + turning, "W", "kW")


def _slip(motion: Motion, free: np.ndarray, inputs: dict[str, np.ndarray], way: float) -> tuple[np.ndarray, np.ndarray]:
    """Tyre slip and its rate of change, from the force without the noise that draws add; shapes (draws, rows)."""
    mass = inputs["mass"] + inputs["load of the day"]
    pace = convert(motion.rise_rpm_s, "rpm", "rad/s") / motion.overall_ratio * inputs["rolling radius"]
    per_force = convert(inputs["tyre slip"], "percent", "1") / (mass * STANDARD_GRAVITY_M_S2)
    slip, growth = np.zeros_like(free), np.zeros_like(free)
    for _ in range(SLIP_ROUNDS):
        force = tractive_force(free * (1 - slip), pace * (1 - slip) - free * growth, mass, inputs, way)
        slip = per_force * force
        growth = slip @ motion.rate_of_change.T
    return slip, growth


def tractive_force(
    speed_m_s: np.ndarray, acceleration_m_s2: np.ndarray, mass_kg: np.ndarray, inputs: dict[str, np.ndarray], way: float
) -> np.ndarray:
    """Force of the tyres on the road: acceleration, road load with wind, grade. [N]"""
    through_air = speed_m_s + way * inputs["wind"]
    road = inputs["a_n"] + inputs["b_n_s_m"] * speed_m_s + inputs["c_n_s2_m2"] * through_air * np.abs(through_air)
    slope = way * convert(inputs["grade"], "percent", "1")
    return mass_kg * (acceleration_m_s2 + STANDARD_GRAVITY_M_S2 * slope) + inputs["road-load scale"] * road
