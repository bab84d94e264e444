"""Compressible flow of air through a throat: throttle plate, restrictor, venturi."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tunelab.constants import AIR_HEAT_CAPACITY_RATIO, DRY_AIR_GAS_CONSTANT_J_KG_K
from tunelab.physics.arguments import require_between, require_not_negative, require_positive
from tunelab.units import convert

_GAMMA = "air is 1.4, exhaust about 1.385"


def critical_pressure_ratio(heat_capacity_ratio: ArrayLike, diameter_ratio: ArrayLike) -> np.ndarray:
    """Throat pressure over inlet pressure at which the flow chokes.

    Parameters
    ----------
    heat_capacity_ratio : array, shape (n,) or scalar
        Ratio of heat capacities of the gas.
    diameter_ratio : array, shape (n,) or scalar
        Throat over inlet diameter, 0 for air drawn from a large space. [0 to 0.95]

    Returns
    -------
    array, shape (n,)
        Pressure ratio, NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A ratio of heat capacities outside 1.01 to 1.67, a diameter ratio outside 0 to 0.95.

    Notes
    -----
    Solves r^((1−γ)/γ) + (γ−1)/2 · β⁴ · r^(2/γ) = (γ+1)/2 by bisection to 1e-12.

    Source: 40 CFR 1065.640, eq. 1065.640-8.
    """
    gamma = require_between(heat_capacity_ratio, "heat_capacity_ratio", 1.01, 1.67, hint=_GAMMA)
    beta = require_between(diameter_ratio, "diameter_ratio", 0, 0.95, hint="throat over inlet diameter is wanted")
    low = np.full(np.broadcast_shapes(gamma.shape, beta.shape), 0.3)
    high = np.ones_like(low)
    for _ in range(40):
        middle = (low + high) / 2
        left = middle ** ((1 - gamma) / gamma) + (gamma - 1) / 2 * beta**4 * middle ** (2 / gamma)
        is_low = left > (gamma + 1) / 2
        low, high = np.where(is_low, middle, low), np.where(is_low, high, middle)
    return (low + high) / 2 + 0 * gamma * beta


def flow_coefficient(
    pressure_ratio: ArrayLike, heat_capacity_ratio: ArrayLike, diameter_ratio: ArrayLike
) -> np.ndarray:
    """Flow through a throat as a share of area · pressure / √(R·T), choked or not.

    Parameters
    ----------
    pressure_ratio : array, shape (n,) or scalar
        Pressure behind the throat over the pressure before it; above 1 nothing flows. [≥ 0]
    heat_capacity_ratio, diameter_ratio : array, shape (n,) or scalar
        As for `critical_pressure_ratio`.

    Returns
    -------
    array, shape (n,)
        Coefficient, 0.685 for choked air; NaN wherever an input is NaN.

    Raises
    ------
    ValueError
        A pressure ratio below zero, other inputs out of their range.

    Notes
    -----
    Source: 40 CFR 1065.640, eqs. 1065.640-6 to -8.
    """
    behind = require_not_negative(pressure_ratio, "pressure_ratio", "absolute pressures are wanted")
    gamma = np.asarray(heat_capacity_ratio, dtype=float)
    beta = np.asarray(diameter_ratio, dtype=float)
    r = np.clip(behind, critical_pressure_ratio(gamma, beta), 1.0)
    expansion = 2 * gamma / (gamma - 1) * (r ** (2 / gamma) - r ** ((gamma + 1) / gamma))
    return np.sqrt(np.maximum(expansion, 0.0) / (1 - beta**4 * r ** (2 / gamma)))


def orifice_flow(
    effective_area_mm2: ArrayLike, upstream_kpa: ArrayLike, downstream_kpa: ArrayLike, upstream_c: ArrayLike
) -> np.ndarray:
    """Air mass flow through an opening in a wide duct, such as a throttle plate.

    Parameters
    ----------
    effective_area_mm2 : array, shape (n,) or scalar
        Open area times discharge coefficient. [mm²]
    upstream_kpa, downstream_kpa : array, shape (n,) or scalar
        Absolute pressure before and behind the opening. [kPa]
    upstream_c : array, shape (n,) or scalar
        Temperature before it. [°C]

    Returns
    -------
    array, shape (n,)
        Air mass flow; zero where the pressure behind is no lower. NaN wherever an input is NaN. [kg/h]

    Raises
    ------
    ValueError
        An area or downstream pressure below zero, an upstream pressure or absolute temperature at or below zero.

    Notes
    -----
    Source: J. B. Heywood, Internal Combustion Engine Fundamentals, appendix C (from memory).
    """
    area = require_not_negative(effective_area_mm2, "effective_area_mm2", "an open area is wanted")
    before = require_positive(upstream_kpa, "upstream_kpa", "absolute kPa are wanted")
    behind = require_not_negative(downstream_kpa, "downstream_kpa", "absolute kPa are wanted")
    kelvin = require_positive(convert(upstream_c, "degC", "K"), "upstream_c (as K)", "°C are wanted")
    share = flow_coefficient(behind / before, AIR_HEAT_CAPACITY_RATIO, 0.0)
    speed_scale = np.sqrt(DRY_AIR_GAS_CONSTANT_J_KG_K * kelvin)
    return convert(share * convert(area, "mm2", "m2") * convert(before, "kPa", "Pa") / speed_scale, "kg/s", "kg/h")
