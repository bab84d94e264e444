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


@dataclass(frozen=True)
class Disturbance:
    """What slows a car besides road load, as columns of speed for one unit of each; shape (readings, columns)."""

    speed: np.ndarray  # m/s for a column's unit
    kind: np.ndarray  # shape (columns,), which of KINDS; those of a kind share a standard deviation


KINDS = ("run", "slope, short", "slope, long", "gust, short", "gust, long")
UNITS = (1.0, 1e-3, 1e-3, 0.5, 0.5)  # of a column: N, rise over run twice, m/s twice
SLOPE_STEPS_M = (60.0, 240.0)  # hills shorter and longer than these are taken up by the other kinds
GUST_STEPS_S = (2.0, 8.0)


def disturb(rolling: Rolling, values: np.ndarray, weight_n: float) -> Disturbance:
    """Find what a force on the run, a piece of slope and a gust each do to the speed that was read.

    A small force g(t) per mass moves the speed by r(t) ∫ g/r dt, where r is the rate of change of speed itself: exact
    to first order, since r solves the equation of small departures. Runs one way meet the same slope at the same
    distance from their start; out and back are taken for different roads, which loses a little where they are one.
    """
    rate = _rate_at(rolling, values)
    air = 2 * abs(values[2]) * rolling.speed * rolling.way[rolling.number]
    columns, kinds = [], []
    for kind, (name, unit) in enumerate(zip(KINDS, UNITS, strict=True)):
        for force in _forces(name, rolling, weight_n, air):
            columns.append(unit * _answer(force, rate, rolling))
            kinds.append(kind)
    return Disturbance(np.stack(columns, axis=1), np.array(kinds))


def _forces(name: str, rolling: Rolling, weight_n: float, air_n_s_m: np.ndarray):
    """Forces of one kind at the readings, one hat over time or distance after the other. [N]"""
    one_run = [rolling.number == k for k in range(rolling.way.size)]
    if name == "run":
        yield from (inside.astype(float) for inside in one_run)
    elif name.startswith("slope"):
        for way in np.unique(rolling.way):
            inside = rolling.way[rolling.number] == way
            for hat in _hats(_distance(rolling), inside, SLOPE_STEPS_M[name.endswith("long")]):
                yield weight_n * hat
    else:
        for inside in one_run:
            for hat in _hats(rolling.clock, inside, GUST_STEPS_S[name.endswith("long")]):
                yield air_n_s_m * hat


def _hats(at: np.ndarray, inside: np.ndarray, step: float):
    """Triangles of width `step` to either side, side by side over what the readings inside cover."""
    for middle in np.arange(0.0, at[inside].max() + step, step):
        hat = np.where(inside, np.maximum(1 - np.abs(at - middle) / step, 0.0), 0.0)
        if hat.any():
            yield hat


def _distance(rolling: Rolling) -> np.ndarray:
    """Distance from the start of each run at its readings. [m]"""
    return _integral(rolling.speed, rolling)


def _integral(values: np.ndarray, rolling: Rolling) -> np.ndarray:
    """Integral over each run's clock by trapezoids, from 0 at its first reading."""
    pieces = np.append(0.0, np.diff(rolling.clock) * (values[1:] + values[:-1]) / 2)
    pieces[np.append(True, np.diff(rolling.number) != 0)] = 0.0
    total = np.cumsum(pieces)
    first = np.searchsorted(rolling.number, np.arange(rolling.way.size))
    return total - total[first][rolling.number]


def _answer(force: np.ndarray, rate: np.ndarray, rolling: Rolling) -> np.ndarray:
    return -rate * _integral(force / (rolling.mass * rate), rolling)


def _rate_at(rolling: Rolling, values: np.ndarray) -> np.ndarray:
    """Rate of change of speed at every reading, away from zero. [m/s²]"""
    runs = rolling.way.size
    a, b, c, slope, wind = values[:5]
    way, offset = rolling.way[rolling.number], values[5 + runs :][rolling.number]
    speed = roll(rolling, values)
    air = speed + way * wind
    return np.minimum(-(a + b * speed + c * air * np.abs(air) + way * slope + offset) / rolling.mass, -1e-3)
