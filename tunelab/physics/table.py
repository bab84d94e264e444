"""Tables of an ECU: breakpoints and values, read as an ECU reads them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tunelab.physics.arguments import refuse, require_not_negative


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
