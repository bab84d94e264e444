"""Checks of arguments at the edge: what is wrong, how many samples, the first one, the likely cause."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def require_positive(values: ArrayLike, name: str, hint: str) -> np.ndarray:
    """Return the values as float64, all above zero or NaN; else ValueError ending with `hint`."""
    values = np.asarray(values, dtype=float)
    _refuse(values, values <= 0, name, "at or below zero", hint)
    return values


def require_not_negative(values: ArrayLike, name: str, hint: str) -> np.ndarray:
    """Return the values as float64, all zero, above or NaN; else ValueError ending with `hint`."""
    values = np.asarray(values, dtype=float)
    _refuse(values, values < 0, name, "below zero", hint)
    return values


def require_between(values: ArrayLike, name: str, low: float, high: float, *, hint: str) -> np.ndarray:
    """Return the values as float64, all from `low` to `high` or NaN; else ValueError ending with `hint`."""
    values = np.asarray(values, dtype=float)
    _refuse(values, (values < low) | (values > high), name, f"outside {low:g} to {high:g}", hint)
    return values


def require_rising(values: ArrayLike, name: str) -> np.ndarray:
    """Return breakpoints as float64, shape (n,): at least one, finite, each above the one before; else ValueError."""
    values = np.asarray(values, dtype=float)
    if values.ndim != 1 or values.size == 0:
        raise ValueError(f"{name}: a list of breakpoints is wanted, got shape {values.shape}.")
    _refuse(values, ~np.isfinite(values), name, "not finite", "every breakpoint needs a number")
    _refuse(values[1:], np.diff(values) <= 0, name, "not above the one before", "sort the breakpoints, no repeats")
    return values


def require_same_length(first: np.ndarray, second: np.ndarray, names: str) -> None:
    """Refuse two lists of a table that differ in length."""
    if first.shape != second.shape:
        raise ValueError(f"{names}: {first.size} and {second.size} entries; one value per breakpoint is wanted.")


def _refuse(values: np.ndarray, is_bad: np.ndarray, name: str, what: str, hint: str) -> None:
    bad = np.flatnonzero(is_bad)
    if bad.size:
        raise ValueError(
            f"{name}: {bad.size} of {values.size} samples are {what} "
            f"(first: {values.flat[bad[0]]:g} at position {bad[0]}); {hint}."
        )
