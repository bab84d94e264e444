"""Checks of arguments at the edge (what is wrong, how many samples, the first one), and tables as an ECU reads them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


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
