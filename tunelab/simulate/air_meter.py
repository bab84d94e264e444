"""The air meter as it is: hot-film law and what intake pulsation adds to it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from tunelab.simulate.truth import MeterTruth
from tunelab.workspace.revision import Revision


def meter_reading(meter: MeterTruth, flow_kg_h: ArrayLike) -> np.ndarray:
    """Reading at a steady flow without pulsation, between the rails; the meter's own unit.

    Shape follows `flow_kg_h`; NaN stays NaN. King's law with a free exponent.
    """
    flow = np.maximum(np.asarray(flow_kg_h, dtype=float), 0.0)
    return np.clip((meter.zero + meter.slope * flow**meter.exponent) ** meter.root, meter.rail_low, meter.rail_high)


def true_flow_kg_h(meter: MeterTruth, reading: ArrayLike) -> np.ndarray:
    """Flow that gives this reading when it is steady and without pulsation: the curve the owner looks for. [kg/h]"""
    bare = np.maximum(np.asarray(reading, dtype=float) ** (1.0 / meter.root) - meter.zero, 0.0)
    return (bare / meter.slope) ** (1.0 / meter.exponent)


def pulsation_factor(
    meter: MeterTruth, engine_speed_rpm: ArrayLike, manifold_kpa: ArrayLike, ambient_kpa: float
) -> np.ndarray:
    """What the meter reads over the mean flow because the intake pulsates; 1 is undisturbed.

    Grows with load, where the open throttle lets the waves out, and falls with engine speed. Arrays broadcast.
    """
    speed = np.asarray(engine_speed_rpm, dtype=float)
    ratio = np.asarray(manifold_kpa, dtype=float) / ambient_kpa
    open_share = 1.0 / (1.0 + np.exp(-(ratio - meter.pulsation_load) / meter.pulsation_width))
    return 1.0 + meter.pulsation_peak * open_share * np.exp(-speed / meter.pulsation_speed_rpm)


def over_read(meter: MeterTruth, engine_speed_rpm: float, pressure_ratio: float) -> float:
    """`pulsation_factor` − 1 for single numbers, for the inner loop."""
    open_share = 1.0 / (1.0 + math.exp(-(pressure_ratio - meter.pulsation_load) / meter.pulsation_width))
    return meter.pulsation_peak * open_share * math.exp(-engine_speed_rpm / meter.pulsation_speed_rpm)


def curve_reading(revision: Revision) -> np.ndarray:
    """Breakpoints of the revision's meter curve, in the meter's own unit, shape (breakpoints,)."""
    return revision.meter_curve.reading


def ecu_flow_kg_h(revision: Revision, reading: ArrayLike) -> np.ndarray:
    """Flow that the ECU takes from its curve; straight lines between breakpoints, held beyond the ends. [kg/h]"""
    return np.interp(reading, curve_reading(revision), revision.meter_curve.flow_kg_h)


def meter_factor(meter: MeterTruth, revision: Revision, reading: ArrayLike) -> np.ndarray:
    """True flow over the current flow at a reading: what to multiply the curve by; NaN where it has no flow."""
    in_force = ecu_flow_kg_h(revision, reading)
    return true_flow_kg_h(meter, reading) / np.where(in_force > 0.0, in_force, np.nan)
