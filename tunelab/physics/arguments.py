"""Checks of arguments at the edge: what is wrong, how many samples, the first one, the likely cause."""

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
