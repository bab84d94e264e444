"""Pure formulas on arrays: air, fuels, injectors, meter, load, driveline, road load; what they share is here.

A formula takes what the channels and the owner's files hold (kg/h, rpm, ms, g/min, kPa absolute, °C), as its argument
names say, broadcasts its arguments as numpy does, and gives NaN wherever an input is NaN.

The name of each constant carries its unit. Nothing here belongs to one car: what does comes from the owner's files.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

# Molar gas constant, exact since the 2019 SI. J mol-1 K-1. Source: BIPM, The International System of Units, 9th ed.
# (product of the exact Boltzmann and Avogadro constants).
MOLAR_GAS_CONSTANT_J_MOL_K = 8.31446261815324

# Standard acceleration of free fall, exact. m s-2. Source: 3rd CGPM (1901); NIST SP 811 appendix B.8.
STANDARD_GRAVITY_M_S2 = 9.80665

# Standard atmosphere, exact. kPa. Source: 10th CGPM (1954); NIST SP 811 appendix B.8.
STANDARD_ATMOSPHERE_KPA = 101.325

# Standard atomic weights, abridged to five figures. g mol-1. Source: IUPAC CIAAW, standard atomic weights 2021.
CARBON_G_MOL = 12.011
HYDROGEN_G_MOL = 1.008
OXYGEN_G_MOL = 15.999

# Molar mass of dry air. g mol-1. Source: 40 CFR 1065.1005, table of molar masses.
DRY_AIR_G_MOL = 28.96559

# Oxygen in dry air by volume. Source: U.S. Standard Atmosphere, 1976, table 3 (20.9476 %) and ISO 2533; later
# compilations with more carbon dioxide give 20.946 %, which is used here.
OXYGEN_IN_AIR = 0.20946

# Gas constant of dry air. J kg-1 K-1. From the two numbers above.
DRY_AIR_GAS_CONSTANT_J_KG_K = MOLAR_GAS_CONSTANT_J_MOL_K / (DRY_AIR_G_MOL * 1e-3)

# Ratio of the heat capacities of dry air near room temperature. Source: any gas-dynamics text, from memory.
AIR_HEAT_CAPACITY_RATIO = 1.4

# Air density that SAE J1979 puts into absolute load (LOAD_ABS): dry air at 25 °C and 101.325 kPa. g L-1.
LOAD_REFERENCE_DENSITY_G_L = 1.184


def require_positive(values: ArrayLike, name: str, hint: str) -> np.ndarray:
    """Return the values as float64, all above zero or NaN; else ValueError ending with `hint`."""
    values = np.asarray(values, dtype=float)
    refuse(values, values <= 0, name, "at or below zero", hint)
    return values


def require_not_negative(values: ArrayLike, name: str, hint: str) -> np.ndarray:
    """Return the values as float64, all zero, above or NaN; else ValueError ending with `hint`."""
    values = np.asarray(values, dtype=float)
    refuse(values, values < 0, name, "below zero", hint)
    return values


def require_between(values: ArrayLike, name: str, low: float, high: float, *, hint: str) -> np.ndarray:
    """Return the values as float64, all from `low` to `high` or NaN; else ValueError ending with `hint`."""
    values = np.asarray(values, dtype=float)
    refuse(values, (values < low) | (values > high), name, f"outside {low:g} to {high:g}", hint)
    return values


def refuse(values: np.ndarray, is_bad: np.ndarray, name: str, what: str, hint: str) -> None:
    """Raise a ValueError that counts the bad samples, shows the first and ends with `hint`, where there are any."""
    bad = np.flatnonzero(is_bad)
    if bad.size:
        raise ValueError(
            f"{name}: {bad.size} of {values.size} samples are {what} "
            f"(first: {values.flat[bad[0]]:g} at position {bad[0]}); {hint}."
        )


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
