"""Speed over time of a car that rolls out of gear."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

STEPS = 40  # Runge-Kutta steps per run: road load changes little within a fortieth of a coast-down


@dataclass(frozen=True)
class Rolling:
    """Readings of all runs together. Shapes (readings,), `way` (runs,): 1 out, -1 back, 0 unknown."""

    clock: np.ndarray  # s since the start of the run
    speed: np.ndarray  # m/s
    number: np.ndarray  # which run, from 0
    way: np.ndarray
    mass: float  # effective, kg


def roll(rolling: Rolling, values: np.ndarray) -> np.ndarray:
    """Speed at every reading by the equation of motion, m dv/dt = -(A + B v + C (v+w)² ± slope + offset of the run).

    Parameters
    ----------
    values : array, shape (5 + 2 runs,)
        A [N], B [N s/m], C [N s²/m²], force of the slope on the way out [N], head wind on the way out [m/s], then per
        run its start speed [m/s] and its own force [N].

    Returns
    -------
    array, shape (readings,)
        [m/s]
    """
    runs = rolling.way.size
    speed, offset = values[5 : 5 + runs], values[5 + runs :]
    longest = np.array([rolling.clock[rolling.number == k].max() for k in range(runs)])
    step = longest / STEPS
    path = np.empty((STEPS + 1, runs))
    path[0] = speed
    for k in range(STEPS):
        path[k + 1] = _step(path[k], step, values, offset, rolling)
    at = rolling.clock / step[rolling.number]
    return _hermite(path, at, rolling.number, step, values, offset, rolling)


def _rate(speed: np.ndarray, values: np.ndarray, offset: np.ndarray, rolling: Rolling) -> np.ndarray:
    a, b, c, slope, wind = values[:5]
    air = speed + rolling.way * wind
    return -(a + b * speed + c * air * np.abs(air) + rolling.way * slope + offset) / rolling.mass


def _step(speed, step, values, offset, rolling) -> np.ndarray:
    """One classical Runge-Kutta step of every run; shape (runs,)."""
    k1 = _rate(speed, values, offset, rolling)
    k2 = _rate(speed + step / 2 * k1, values, offset, rolling)
    k3 = _rate(speed + step / 2 * k2, values, offset, rolling)
    k4 = _rate(speed + step * k3, values, offset, rolling)
    return speed + step / 6 * (k1 + 2 * k2 + 2 * k3 + k4)


def _hermite(path, at, number, step, values, offset, rolling) -> np.ndarray:
    """Cubic Hermite interpolation of the path at readings `at` (in steps); shape (readings,)."""
    rate = _rate(path, values, offset, rolling) * step
    before = np.minimum(at.astype(int), STEPS - 1)
    u = at - before
    low, high = path[before, number], path[before + 1, number]
    slow, fast = rate[before, number], rate[before + 1, number]
    smooth = u * u * (3 - 2 * u)
    return low + smooth * (high - low) + u * (1 - u) ** 2 * slow - u * u * (1 - u) * fast
