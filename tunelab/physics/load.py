"""Air that an engine takes: per cycle, volumetric efficiency, the loads of SAE J1979, and as an ECU's table has it.

Four-stroke engines throughout: one cycle is two revolutions.

Four-stroke engines; a table's rows are loads (manifold pressure or throttle opening), its columns engine speeds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics import (
    DRY_AIR_GAS_CONSTANT_J_KG_K,
    LOAD_REFERENCE_DENSITY_G_L,
    require_between,
    require_not_negative,
    require_positive,
    require_rising,
)
from tunelab.units import convert

_SPEED = "the engine is stopped or the reading is missing; leave those samples out"
_FLOW = "an air mass flow is wanted"
_ABSOLUTE = "a gauge reading needs barometric pressure added"
_CELSIUS = "°C are wanted, not K"


def cycle_time_ms(engine_speed_rpm: ArrayLike) -> np.ndarray:
    """Time of one four-stroke cycle [ms] at an engine speed [rpm]; any shape, NaN stays NaN.

    ValueError where the speed is at or below zero.
    """
    speed = require_positive(engine_speed_rpm, "engine_speed_rpm", _SPEED)
    return 2 * convert(1.0, "min", "ms") / speed


def swept_volume(bore_mm: ArrayLike, stroke_mm: ArrayLike) -> np.ndarray:
    """Volume that one piston sweeps [L] from bore and stroke [mm].

    Shapes broadcast; NaN wherever an input is NaN. ValueError where a length is at or below zero. Source: J. B.
    Heywood, Internal Combustion Engine Fundamentals, section 2.2 (from memory): the cylinder of that bore and stroke.
    """
    bore = require_positive(bore_mm, "bore_mm", "the bore of one cylinder is wanted")
    stroke = require_positive(stroke_mm, "stroke_mm", "the stroke is wanted")
    return convert(np.pi / 4 * convert(bore, "mm", "m") ** 2 * convert(stroke, "mm", "m"), "m3", "L")


def air_per_cylinder(air_flow_kg_h: ArrayLike, engine_speed_rpm: ArrayLike, *, cylinders: int) -> np.ndarray:
    """Air that each cylinder draws in per cycle.

    Parameters
    ----------
    air_flow_kg_h : array, shape (n,) or scalar
        Air mass flow of the engine. [kg/h]
    engine_speed_rpm : array, shape (n,) or scalar
        Engine speed. [rpm]
    cylinders : int
        Number of cylinders.

    Returns
    -------
    array, shape (n,)
        Air per cylinder and cycle, NaN wherever an input is NaN. [mg]

    Raises
    ------
    ValueError
        A flow below zero, a speed at or below zero, fewer than one cylinder.
    """
    flow = require_not_negative(air_flow_kg_h, "air_flow_kg_h", _FLOW)
    count = require_between(cylinders, "cylinders", 1, 24, hint="the number of cylinders is wanted")
    return convert(flow, "kg/h", "mg/ms") * cycle_time_ms(engine_speed_rpm) / count


def air_flow(air_mg: ArrayLike, engine_speed_rpm: ArrayLike, *, cylinders: int) -> np.ndarray:
    """Air mass flow of the engine [kg/h] from the air per cylinder and cycle [mg]: the inverse of `air_per_cylinder`.

    Shapes broadcast; NaN wherever an input is NaN. ValueError where the air is below zero, the speed at or below zero,
    or there is no cylinder.
    """
    air = require_not_negative(air_mg, "air_mg", "air per cylinder and cycle is wanted")
    count = require_between(cylinders, "cylinders", 1, 24, hint="the number of cylinders is wanted")
    return convert(air * count / cycle_time_ms(engine_speed_rpm), "mg/ms", "kg/h")


def fuel_per_cylinder(air_mg: ArrayLike, lambda_ratio: ArrayLike, stoich: ArrayLike) -> np.ndarray:
    """Fuel that an amount of air takes.

    Parameters
    ----------
    air_mg : array, shape (n,) or scalar
        Air per cylinder and cycle. [mg]
    lambda_ratio : array, shape (n,) or scalar
        Lambda wanted.
    stoich : array, shape (n,) or scalar
        Stoichiometric air-fuel ratio. [kg/kg]

    Returns
    -------
    array, shape (n,)
        Fuel per cylinder and cycle, NaN wherever an input is NaN. [mg]

    Raises
    ------
    ValueError
        Air below zero, lambda or the stoichiometric ratio at or below zero.
    """
    air = require_not_negative(air_mg, "air_mg", "air per cylinder and cycle is wanted")
    ratio = require_positive(lambda_ratio, "lambda_ratio", "zero is a sensor that is off")
    return air / (ratio * require_positive(stoich, "stoich", "kg of air per kg of fuel is wanted"))


def volumetric_efficiency(
    air_flow_kg_h: ArrayLike, engine_speed_rpm: ArrayLike, density_kg_m3: ArrayLike, *, displacement_l: float
) -> np.ndarray:
    """Air drawn in, over what the displacement would hold at a reference density.

    Parameters
    ----------
    air_flow_kg_h : array, shape (n,) or scalar
        Air mass flow of the engine. [kg/h]
    engine_speed_rpm : array, shape (n,) or scalar
        Engine speed. [rpm]
    density_kg_m3 : array, shape (n,) or scalar
        Reference density: of the ambient air for the whole intake, of the manifold for the ports alone. [kg/m³]
    displacement_l : float
        Displacement of all cylinders. [L]

    Returns
    -------
    array, shape (n,)
        Volumetric efficiency, 1 is full. NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A flow below zero; a speed, density or displacement at or below zero.

    Notes
    -----
    Source: J. B. Heywood, Internal Combustion Engine Fundamentals, eq. 2.27a (from memory).
    """
    flow = require_not_negative(air_flow_kg_h, "air_flow_kg_h", _FLOW)
    density = require_positive(density_kg_m3, "density_kg_m3", "kg/m³ is wanted, such as 1.184")
    volume = require_positive(displacement_l, "displacement_l", "the displacement of all cylinders is wanted")
    drawn_g = convert(flow, "kg/h", "g/s") * convert(cycle_time_ms(engine_speed_rpm), "ms", "s")
    return drawn_g / (convert(density, "kg/m3", "g/L") * volume)


def absolute_load(air_flow_kg_h: ArrayLike, engine_speed_rpm: ArrayLike, *, displacement_l: float) -> np.ndarray:
    """Absolute load of SAE J1979 (LOAD_ABS): air per intake stroke over 1.184 g/L times the displacement.

    Arguments, NaN and errors are those of `volumetric_efficiency` without the density. [%]; boosted engines pass 100.

    Notes
    -----
    Source: SAE J1979, definition of LOAD_ABS, from a public page that reproduces its wording.
    """
    density = convert(LOAD_REFERENCE_DENSITY_G_L, "g/L", "kg/m3")
    return convert(
        volumetric_efficiency(air_flow_kg_h, engine_speed_rpm, density, displacement_l=displacement_l), "1", "percent"
    )


def speed_density_flow(
    manifold_kpa: ArrayLike, intake_air_c: ArrayLike, engine_speed_rpm: ArrayLike, swept_l: ArrayLike
) -> np.ndarray:
    """Air mass flow of a four-stroke engine from manifold pressure, by the ideal gas law.

    Parameters
    ----------
    manifold_kpa : array, shape (n,) or scalar
        Absolute pressure in the manifold. [kPa]
    intake_air_c : array, shape (n,) or scalar
        Temperature of the air that fills the cylinders. [°C]
    engine_speed_rpm : array, shape (n,) or scalar
        Engine speed. [rpm]
    swept_l : array, shape (n,) or scalar
        Displacement of all cylinders times the volumetric efficiency at manifold density. [L]

    Returns
    -------
    array, shape (n,)
        Air mass flow, NaN wherever an input is NaN. [kg/h]

    Raises
    ------
    ValueError
        A pressure, speed or swept volume at or below zero, a temperature at or below absolute zero.
    """
    pressure = require_positive(manifold_kpa, "manifold_kpa", _ABSOLUTE)
    temperature = require_positive(convert(intake_air_c, "degC", "K"), "intake_air_c (as K)", _CELSIUS)
    swept = require_positive(swept_l, "swept_l", "displacement times volumetric efficiency is wanted")
    density = convert(pressure, "kPa", "Pa") / (DRY_AIR_GAS_CONSTANT_J_KG_K * temperature)
    air_mg = convert(density, "kg/m3", "g/L") * swept * convert(1.0, "g", "mg")
    return convert(air_mg / cycle_time_ms(engine_speed_rpm), "mg/ms", "kg/h")


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
