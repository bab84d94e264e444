"""The air that a car's ECU takes from its table: table, charge temperature law and displacement put together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics.filling import Surface, charge_temperature, flow_from_efficiency, flow_from_mass
from tunelab.workspace.car import LOAD_CHANNEL, Car, Charge, stated
from tunelab.workspace.revision import FillingTable, Revision

STANDARD_ATMOSPHERE_KPA = 101.325  # ISO 2533, where the barometer is not logged
ROUNDS = 4  # of air flow and charge temperature, which rest on one another; three settle it to 1e-5


@dataclass(frozen=True)
class Inlet:
    """What an ECU without an air meter goes by, arrays of shape (n,) or scalars; NaN where not known."""

    engine_speed_rpm: ArrayLike
    load: ArrayLike  # manifold pressure [kPa absolute] or throttle opening [%], by the table's own axis
    intake_air_c: ArrayLike
    coolant_c: ArrayLike
    barometer_kpa: ArrayLike = STANDARD_ATMOSPHERE_KPA


def load_channel(car: Car) -> str:
    """Channel of the load's reading: `manifold_kpa` or `throttle_pct`; empty for a car that goes by an air meter."""
    return LOAD_CHANNEL.get(car.load_from, "")


def surface_of(table: FillingTable) -> Surface:
    """The table's breakpoints."""
    return Surface(np.asarray(table.engine_speed_rpm, dtype=float), table.load)


def charge_weight(charge: Charge, air_kg_h: ArrayLike) -> np.ndarray:
    """Weight of the coolant in the charge temperature at an air flow; the ends are held."""
    if charge.air_flow_kg_h is None:
        return np.full(np.shape(air_kg_h), charge.coolant_weight[0])
    return np.interp(np.asarray(air_kg_h, dtype=float), charge.air_flow_kg_h, charge.coolant_weight)


def table_air_kg_h(car: Car, revision: Revision, inlet: Inlet, values: ArrayLike | None = None) -> np.ndarray:
    """Air mass flow that the ECU takes from its table.

    Parameters
    ----------
    car, revision
        A car whose ECU has a table, and the revision that holds it.
    inlet : Inlet
        The readings that it goes by.
    values : array, optional
        Another table in the same breakpoints, shape (loads, speeds).

    Returns
    -------
    array, shape (n,)
        NaN where a reading is missing, is no pressure, or the engine stands. [kg/h]
    """
    table, law = revision.air_table, car.charge_law
    speed, load, intake, coolant, barometer = np.broadcast_arrays(
        *(np.asarray(getattr(inlet, name), dtype=float) for name in Inlet.__dataclass_fields__)
    )
    speed, load = np.where(speed > 0, speed, np.nan), np.where(load > 0, load, np.nan)
    value = surface_of(table).at(speed, load, table.values if values is None else values)
    pressure = load if table.load_key == "manifold_kpa" else np.where(barometer > 0, barometer, np.nan)
    air = np.full(speed.shape, np.nan)
    weight: np.ndarray | float = law.coolant_weight[0]
    for _ in range(ROUNDS if law.air_flow_kg_h else 1):
        charge = charge_temperature(intake, coolant, weight)
        air = _flow(car, table, value, pressure, charge, speed)
        weight = np.where(np.isfinite(air), charge_weight(law, np.nan_to_num(air)), 0.0)
    return air


def charge_of(car: Car, inlet: Inlet, air_kg_h: ArrayLike) -> np.ndarray:
    """Charge temperature by the car's law at a known air flow. [°C]"""
    return charge_temperature(inlet.intake_air_c, inlet.coolant_c, charge_weight(car.charge_law, air_kg_h))


def _flow(
    car: Car, table: FillingTable, value: np.ndarray, pressure: np.ndarray, charge: np.ndarray, speed: np.ndarray
) -> np.ndarray:
    if table.key == "efficiency_pct":
        return flow_from_efficiency(value, pressure, charge, speed, displacement_l=car.engine.displacement_l)
    at: np.ndarray | float = 1.0
    if table.load_key == "throttle_pct":
        at = pressure / stated(table.barometer_kpa, "barometer_kpa in [volumetric_efficiency] of the revision")
    reference_c = stated(table.charge_c, "charge_c in [volumetric_efficiency] of the revision")
    return flow_from_mass(value * at, charge, speed, reference_c=reference_c, cylinders=car.engine.cylinders)
