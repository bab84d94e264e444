"""The injectors as they are, and what the revision believes of them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from tunelab.simulate.truth import InjectorTruth
from tunelab.workspace.revision import Revision


def true_dead_time_ms(injectors: InjectorTruth, battery_v: ArrayLike) -> np.ndarray:
    """Dead time of the injectors at a supply voltage. Shape follows `battery_v`. [ms]"""
    return injectors.dead_time_ms * (13.5 / np.asarray(battery_v, dtype=float)) ** injectors.dead_time_power


def ecu_dead_time_ms(revision: Revision, battery_v: ArrayLike) -> np.ndarray:
    """Dead time that the ECU adds: straight lines in the revision's table, held beyond its ends. [ms]"""
    return np.interp(battery_v, revision.dead_time.battery_v, revision.dead_time.dead_time_ms)


def dead_time_change_ms(injectors: InjectorTruth, revision: Revision, battery_v: ArrayLike) -> np.ndarray:
    """What has to be added to the revision's dead time to make it true. [ms]"""
    return true_dead_time_ms(injectors, battery_v) - ecu_dead_time_ms(revision, battery_v)


def pressure_difference_kpa(injectors: InjectorTruth, vacuum_kpa: float, duty: float) -> float:
    """Fuel pressure across the injector. `vacuum_kpa` is ambient less manifold pressure, `duty` 0 to 1. [kPa]"""
    drop = injectors.pressure_drop_kpa * duty
    return injectors.rail_pressure_kpa - drop + (0.0 if injectors.is_manifold_referenced else vacuum_kpa)


def true_injector_flow_g_s(injectors: InjectorTruth, difference_kpa: float) -> float:
    """Flow of one open injector; orifice law. [g/s]"""
    return injectors.flow_g_min / 60.0 * math.sqrt(max(difference_kpa, 1.0) / injectors.rated_pressure_kpa)


def ecu_injector_flow_g_s(injectors: InjectorTruth, flow_g_min: float, vacuum_kpa: float) -> float:
    """Flow that the ECU uses, `flow_g_min` being the revision's. [g/s]"""
    if injectors.is_manifold_referenced or not injectors.ecu_compensates_pressure:
        return flow_g_min / 60.0
    return flow_g_min / 60.0 * math.sqrt((injectors.rail_pressure_kpa + vacuum_kpa) / injectors.rail_pressure_kpa)
