"""How far an engine fills its cylinders, as an ECU without an air meter computes it: table, pressure, temperature.

Four-stroke engines; a table's rows are loads (manifold pressure or throttle opening), its columns engine speeds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics.arguments import require_between, require_positive, require_rising
from tunelab.physics.load import air_flow, speed_density_flow
from tunelab.units import convert


@dataclass(frozen=True)
class Surface:
    """Breakpoints of engine speed and load; values between them by straight lines along both, the ends held."""

    engine_speed_rpm: np.ndarray  # shape (speeds,), rising
    load: np.ndarray  # shape (loads,), rising; kPa absolute or percent of throttle

    def __post_init__(self) -> None:
        require_rising(self.engine_speed_rpm, "engine_speed_rpm")
        require_rising(self.load, "load")

    @property
    def shape(self) -> tuple[int, int]:
        """Loads and engine speeds."""
        return len(self.load), len(self.engine_speed_rpm)

    @property
    def cells(self) -> np.ndarray:
        """Engine speed and load of every breakpoint, shape (loads × speeds, 2), row by row."""
        load, speed = np.meshgrid(self.load, self.engine_speed_rpm, indexing="ij")
        return np.column_stack([speed.ravel(), load.ravel()])

    def weights(self, engine_speed_rpm: ArrayLike, load: ArrayLike) -> np.ndarray:
        """Share of every breakpoint at places, shape (places, loads × speeds); each row sums to 1, NaN stays NaN."""
        speed, at = np.atleast_1d(np.asarray(engine_speed_rpm, float)), np.atleast_1d(np.asarray(load, float))
        by_speed, by_load = _hat(self.engine_speed_rpm, speed), _hat(self.load, at)
        return (by_load[:, :, None] * by_speed[:, None, :]).reshape(len(at), -1)

    def at(self, engine_speed_rpm: ArrayLike, load: ArrayLike, values: ArrayLike) -> np.ndarray:
        """Values, shape (loads, speeds), at places of any shape."""
        speed, at = np.broadcast_arrays(np.asarray(engine_speed_rpm, float), np.asarray(load, float))
        row, down = _place(self.load, at.ravel())
        column, right = _place(self.engine_speed_rpm, speed.ravel())
        table = np.asarray(values, dtype=float).reshape(self.shape)
        next_row, next_column = np.minimum(row + 1, len(self.load) - 1), np.minimum(column + 1, table.shape[1] - 1)
        low = table[row, column] * (1 - right) + table[row, next_column] * right
        high = table[next_row, column] * (1 - right) + table[next_row, next_column] * right
        return (low * (1 - down) + high * down).reshape(at.shape)


def _place(nodes: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Node below each place and how far it lies toward the next, 0 to 1; ends held, NaN stays NaN."""
    nodes = np.asarray(nodes, dtype=float)
    if nodes.size == 1:
        return np.zeros(at.shape, dtype=int), np.where(np.isnan(at), np.nan, 0.0)
    inside = np.clip(at, nodes[0], nodes[-1])
    below = np.clip(np.searchsorted(nodes, inside, side="right") - 1, 0, nodes.size - 2)
    return below, (inside - nodes[below]) / (nodes[below + 1] - nodes[below])


def _hat(nodes: np.ndarray, at: np.ndarray) -> np.ndarray:
    below, share = _place(nodes, at)
    matrix = np.zeros((at.size, len(nodes)))
    rows = np.arange(at.size)
    matrix[rows, below] = 1.0 - share
    if len(nodes) > 1:
        matrix[rows, below + 1] = share
    return matrix


def charge_temperature(intake_air_c: ArrayLike, coolant_c: ArrayLike, coolant_weight: ArrayLike) -> np.ndarray:
    """Temperature of the air that fills the cylinders [°C]: intake air, drawn toward the coolant by a weight.

    Shapes broadcast; NaN wherever an input is NaN. ValueError where the weight leaves 0 to 1. Common practice, no
    source: a hot port warms the charge by a share of its distance from the coolant, less where more air flows.
    """
    weight = require_between(coolant_weight, "coolant_weight", 0, 1, hint="0 is intake air, 1 is the coolant")
    intake, coolant = np.asarray(intake_air_c, dtype=float), np.asarray(coolant_c, dtype=float)
    return intake + weight * (coolant - intake)


def flow_from_efficiency(
    efficiency_pct: ArrayLike, pressure_kpa: ArrayLike, charge_c: ArrayLike, engine_speed_rpm: ArrayLike, *,
    displacement_l: float,
) -> np.ndarray:  # fmt: skip
    """Air mass flow by a volumetric efficiency, by the ideal gas law.

    Parameters
    ----------
    efficiency_pct : array, shape (n,) or scalar
        Volumetric efficiency at the density of `pressure_kpa` and `charge_c`. [%]
    pressure_kpa : array, shape (n,) or scalar
        Absolute: of the manifold, or of the atmosphere where the table goes by throttle opening. [kPa]
    charge_c : array, shape (n,) or scalar
        Temperature of the air that fills the cylinders. [°C]
    engine_speed_rpm : array, shape (n,) or scalar
        Engine speed. [rpm]
    displacement_l : float
        Displacement of all cylinders. [L]

    Returns
    -------
    array, shape (n,)
        Air mass flow, NaN wherever an input is NaN. [kg/h]

    Raises
    ------
    ValueError
        An efficiency, pressure, speed or displacement at or below zero, a temperature at or below absolute zero.

    Notes
    -----
    Source: J. B. Heywood, Internal Combustion Engine Fundamentals, eq. 2.27a (from memory), solved for the flow.
    """
    efficiency = require_positive(efficiency_pct, "efficiency_pct", "a cylinder that fills by nothing is a slip")
    swept = convert(efficiency, "percent", "1") * displacement_l
    return speed_density_flow(pressure_kpa, charge_c, engine_speed_rpm, swept)


def flow_from_mass(
    air_mg: ArrayLike, charge_c: ArrayLike, engine_speed_rpm: ArrayLike, *, reference_c: float, cylinders: int
) -> np.ndarray:
    """Air mass flow [kg/h] by air per cylinder and cycle [mg] that holds at a reference charge temperature [°C].

    Shapes broadcast; NaN wherever an input is NaN. ValueError as `air_flow`, or for a temperature at or below absolute
    zero. By the ideal gas law the air in a cylinder at one pressure falls with its absolute temperature.
    """
    hint = "°C are wanted, not K"
    charge = require_positive(convert(charge_c, "degC", "K"), "charge_c (as K)", hint)
    reference = require_positive(convert(reference_c, "degC", "K"), "reference_c (as K)", hint)
    return air_flow(np.asarray(air_mg, dtype=float) * reference / charge, engine_speed_rpm, cylinders=cylinders)
