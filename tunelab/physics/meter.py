"""The air meter: its transfer curve as an ECU reads it, the way back, and the law of a hot film.

Tables of an ECU: breakpoints and values, read as an ECU reads them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics.arguments import refuse, require_not_negative, require_positive


def table_value(reading: ArrayLike, breakpoints: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Value of a table at a reading: linear between breakpoints, held at either end; any shape, NaN stays NaN.

    The breakpoints rise (`require_rising`) and have one value each (`require_table`).
    """
    reading = np.asarray(reading, dtype=float)
    # with a single breakpoint numpy would give its value for NaN too
    return np.where(np.isnan(reading), np.nan, np.interp(reading, breakpoints, values))


def require_rising(values: ArrayLike, name: str) -> np.ndarray:
    """Return breakpoints as float64, shape (n,): at least one, finite, each above the one before; else ValueError."""
    values = np.asarray(values, dtype=float)
    if values.ndim != 1 or values.size == 0:
        raise ValueError(f"{name}: a list of breakpoints is wanted, got shape {values.shape}.")
    refuse(values, ~np.isfinite(values), name, "not finite", "every breakpoint needs a number")
    falls = np.append(False, np.diff(values) <= 0)
    refuse(values, falls, name, "not above the one before", "sort the breakpoints and keep each once")
    return values


def require_table(breakpoints: np.ndarray, values: ArrayLike, name: str, hint: str) -> np.ndarray:
    """Return a table's values as float64: one per breakpoint, finite and not negative; else ValueError."""
    values = require_not_negative(values, name, hint)
    if values.shape != breakpoints.shape:
        raise ValueError(f"{name}: {breakpoints.size} and {values.size} entries; one value per breakpoint is wanted.")
    refuse(values, ~np.isfinite(values), name, "not finite", "every breakpoint needs a value")
    return values


_FLOW = "an air mass flow is wanted; this law knows no backflow"
_LAW = "E² = A + B·Uⁿ needs numbers above zero"


def transfer_curve_flow(reading: ArrayLike, curve_reading: ArrayLike, curve_flow_kg_h: ArrayLike) -> np.ndarray:
    """Air flow that an ECU takes from a meter reading.

    Parameters
    ----------
    reading : array, shape (n,) or scalar
        Meter reading. [V, Hz or counts, as the curve]
    curve_reading : array, shape (breakpoints,)
        Readings of the curve, rising.
    curve_flow_kg_h : array, shape (breakpoints,)
        Air flow at each of them. [kg/h]

    Returns
    -------
    array, shape (n,)
        Linear between breakpoints; beyond either end the flow at that end is held. NaN where the reading is NaN. [kg/h]

    Raises
    ------
    ValueError
        Readings that do not rise, lists of two lengths, a flow that is negative or not a number.
    """
    readings, flows = _curve(curve_reading, curve_flow_kg_h)
    return table_value(reading, readings, flows)


def transfer_curve_reading(flow_kg_h: ArrayLike, curve_reading: ArrayLike, curve_flow_kg_h: ArrayLike) -> np.ndarray:
    """Meter reading that a transfer curve turns into a flow: the inverse of `transfer_curve_flow`.

    Parameters
    ----------
    flow_kg_h : array, shape (n,) or scalar
        Air flow. [kg/h]
    curve_reading : array, shape (breakpoints,)
        Readings of the curve, rising. [V, Hz or counts]
    curve_flow_kg_h : array, shape (breakpoints,)
        Air flow at each of them, rising. [kg/h]

    Returns
    -------
    array, shape (n,)
        Reading; NaN where the flow is NaN or outside the curve, as no one reading gives it.

    Raises
    ------
    ValueError
        Readings or flows that do not rise, lists of two lengths, a flow of the curve that is negative.
    """
    readings, flows = _curve(curve_reading, curve_flow_kg_h)
    require_rising(flows, "curve_flow_kg_h")
    return np.interp(np.asarray(flow_kg_h, dtype=float), flows, readings, left=np.nan, right=np.nan)


def hot_film_voltage(flow_kg_h: ArrayLike, still_v: ArrayLike, gain: ArrayLike, exponent: ArrayLike) -> np.ndarray:
    """Voltage of a hot-film or hot-wire meter: E² = A + B·Uⁿ, King's law, with A the square of the still-air voltage.

    Parameters
    ----------
    flow_kg_h : array, shape (n,) or scalar
        Air mass flow. [kg/h]
    still_v : array, shape (n,) or scalar
        Voltage without flow. [V]
    gain : array, shape (n,) or scalar
        B of the law. [V² (kg/h)⁻ⁿ]
    exponent : array, shape (n,) or scalar
        n of the law: 0.5 by King, 0.45 by Collis and Williams, 0.40 to 0.50 in the literature.

    Returns
    -------
    array, shape (n,)
        Meter voltage, NaN wherever an input is NaN. [V]

    Raises
    ------
    ValueError
        A flow or still-air voltage below zero, a gain or exponent at or below zero.

    Notes
    -----
    Source: L. V. King, Phil. Trans. R. Soc. A 214 (1914) 373; D. C. Collis and M. J. Williams, J. Fluid Mech. 6 (1959)
    357; both from memory.
    """
    flow = require_not_negative(flow_kg_h, "flow_kg_h", _FLOW)
    still = require_not_negative(still_v, "still_v", "the voltage without flow is wanted")
    slope, power = require_positive(gain, "gain", _LAW), require_positive(exponent, "exponent", _LAW)
    return np.sqrt(still**2 + slope * flow**power)


def hot_film_flow(voltage_v: ArrayLike, still_v: ArrayLike, gain: ArrayLike, exponent: ArrayLike) -> np.ndarray:
    """Air mass flow from the voltage of a hot-film meter: the inverse of `hot_film_voltage`.

    Parameters
    ----------
    voltage_v : array, shape (n,) or scalar
        Meter voltage. [V]
    still_v, gain, exponent : array, shape (n,) or scalar
        As for `hot_film_voltage`. [V, V² (kg/h)⁻ⁿ, –]

    Returns
    -------
    array, shape (n,)
        Air flow; zero at and below the still-air voltage. NaN wherever an input is NaN. [kg/h]

    Raises
    ------
    ValueError
        A voltage below zero, a gain or exponent at or below zero.
    """
    voltage = require_not_negative(voltage_v, "voltage_v", "a meter voltage is wanted")
    still = require_not_negative(still_v, "still_v", "the voltage without flow is wanted")
    slope, power = require_positive(gain, "gain", _LAW), require_positive(exponent, "exponent", _LAW)
    return (np.maximum(voltage**2 - still**2, 0.0) / slope) ** (1 / power)


def _curve(curve_reading: ArrayLike, curve_flow_kg_h: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    readings = require_rising(curve_reading, "curve_reading")
    return readings, require_table(readings, curve_flow_kg_h, "curve_flow_kg_h", _FLOW)
