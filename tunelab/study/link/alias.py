"""Where a periodic disturbance shows in a log that samples too slowly for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tunelab.units import convert


def firing_frequency(engine_speed_rpm: ArrayLike, *, cylinders: int) -> np.ndarray:
    """Firing frequency of a four-stroke engine [Hz] at a speed [rpm]: every cylinder once in two turns.

    Any shape; NaN stays NaN. Raises ValueError for fewer than one cylinder.
    """
    if cylinders < 1:
        raise ValueError(f"cylinders is {cylinders}; one or more is wanted.")
    return order_frequency(engine_speed_rpm, cylinders / 2)


def order_frequency(engine_speed_rpm: ArrayLike, order: float) -> np.ndarray:
    """Frequency [Hz] of what happens `order` times in each turn of the crankshaft, at a speed [rpm]."""
    return convert(np.asarray(engine_speed_rpm, dtype=float), "rpm", "rev/s") * order


def alias_frequency(frequency_hz: ArrayLike, rate_hz: ArrayLike) -> np.ndarray:
    """Frequency to which even sampling folds a periodic signal.

    Parameters
    ----------
    frequency_hz, rate_hz : arrays that broadcast
        True frequency of the signal, and samples per second. [Hz]

    Returns
    -------
    array
        Distance to the nearest multiple of the rate, from 0 to half the rate; NaN stays NaN. [Hz]

    Raises
    ------
    ValueError
        A rate at or below zero.

    Notes
    -----
    Sampling theorem: frequencies that differ by a multiple of the rate, or mirror each other about one, give the same
    samples. Source: C. E. Shannon, Proc. IRE 37 (1949) 10.
    """
    frequency, rate = np.asarray(frequency_hz, dtype=float), np.asarray(rate_hz, dtype=float)
    if not np.all((rate > 0) | np.isnan(rate)):
        raise ValueError(f"rate_hz: {float(np.nanmin(rate)):g} Hz; a rate above zero is wanted.")
    return np.abs(frequency - rate * np.round(frequency / rate))
