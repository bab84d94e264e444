"""Finds the stretches that were rolled out of gear, and how speed falls over them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from tunelab.log.align import at_rows, has, rolling, row_step_s, rows_in, runs
from tunelab.log.flag_sample import find_holes
from tunelab.physics import STANDARD_GRAVITY_M_S2
from tunelab.study.coast_down.result import CoastRun
from tunelab.study.gearing import SPEED_CHANNELS
from tunelab.study.pull_result import RefusedPull, directions
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.session import Session

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


def _step(speed: np.ndarray, step: np.ndarray, values: np.ndarray, offset: np.ndarray, rolling: Rolling) -> np.ndarray:
    """One classical Runge-Kutta step of every run; shape (runs,)."""
    k1 = _rate(speed, values, offset, rolling)
    k2 = _rate(speed + step / 2 * k1, values, offset, rolling)
    k3 = _rate(speed + step / 2 * k2, values, offset, rolling)
    k4 = _rate(speed + step * k3, values, offset, rolling)
    return speed + step / 6 * (k1 + 2 * k2 + 2 * k3 + k4)


def _hermite(
    path: np.ndarray,
    at: np.ndarray,
    number: np.ndarray,
    step: np.ndarray,
    values: np.ndarray,
    offset: np.ndarray,
    rolling: Rolling,
) -> np.ndarray:
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


def _forces(name: str, rolling: Rolling, weight_n: float, air_n_s_m: np.ndarray) -> Iterator[np.ndarray]:
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


def _hats(at: np.ndarray, inside: np.ndarray, step: float) -> Iterator[np.ndarray]:
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


# Common practice, no source.
CLOSED_ABOVE_LOWEST_PCT = 4.0
SHORTEST_S = 6.0
LEAST_DROP_KM_H = 15.0
SLOWEST_KM_H = 15.0
# What the road alone does to a car at most; faster is braked. Common practice, no source.
MOST_ROLLING, MOST_SLOPE = 0.02, 0.05
MOST_DRAG_AREA_M2, MOST_HEAD_WIND_M_S, DENSE_AIR_KG_M3 = 1.5, 10.0, 1.3
LIGHT_CAR_KG = 600.0  # where the owner states no mass
BRAKING_WINDOW_S = 2.0
HIGHEST_IDLE = 1.6  # of the idle target: an engine that turns faster over a closed throttle is driven by the wheels
IN_GEAR_SLOPE = 0.5  # of log engine speed over log road speed: 1 in gear, 0 at idle
IN_GEAR_ALIKE = 0.6  # squared correlation; at idle the two speeds have nothing in common
GEAR_WINDOW_S = 4.0
SETTLE_S = 0.6  # after the throttle closes and the gear is out
LONGEST_HOLE_S = 1.0  # a longer hole in the log ends a run; common practice, no source


@dataclass(frozen=True)
class Coasts:
    """Runs of a log and what was refused."""

    runs: tuple[CoastRun, ...]
    refused: tuple[RefusedPull, ...]
    speed_channel: str
    because: str  # why there are none


def find_coasts(log: xr.Dataset, car: Car, session: Session) -> Coasts:
    """Find stretches of closed throttle and falling road speed, out of gear, without brakes.

    A brake that no switch tells of shows by a car that slows faster than the road alone can make it.
    """
    channel = next((name for name in SPEED_CHANNELS if has(log, name)), "")
    if not channel:
        return Coasts((), (), "", f"no road load: the log has no reading of {' or '.join(SPEED_CHANNELS)}.")
    found, refused = [], []
    speed = at_rows(log, channel)
    for first, last in _candidates(log, speed):
        run, why = _judge(log, car, speed, first, last)
        found += run
        refused += why
    ways = directions(log, [run.rows for run in found], session.turned_at_s)
    numbered = [replace(r, number=k + 1, direction=way) for k, (r, way) in enumerate(zip(found, ways, strict=True))]
    because = "" if found else "no road load: no stretch of rolling out of gear was found."
    return Coasts(tuple(numbered), tuple(refused), channel, because)


def _candidates(log: xr.Dataset, speed: np.ndarray) -> list[tuple[int, int]]:
    """Stretches of closed throttle and falling speed, as (first, one past the last), cut at gaps."""
    step = row_step_s(log)
    slope = np.gradient(rolling(speed, rows_in(1.0, step), "mean"), log["time"].values)
    falling = (rolling(slope, rows_in(1.0, step), "mean") < -0.15) & (speed > SLOWEST_KM_H)
    mask = falling & _closed(log) & ~_braked(log)
    gaps = find_holes(log, longest_s=LONGEST_HOLE_S)
    found = []
    for first, last in runs(mask):
        cuts = [first, *[int(g) for g in gaps if first < g < last], last]
        found += list(itertools.pairwise(cuts))
    return [(a, b) for a, b in found if (b - a) * step >= 2.0]


def _closed(log: xr.Dataset) -> np.ndarray:
    name = "throttle_pct" if has(log, "throttle_pct") else "pedal_pct"
    if not has(log, name):
        return np.ones(log.sizes["time"], dtype=bool)
    throttle = at_rows(log, name)
    return throttle < np.nanpercentile(throttle, 1) + CLOSED_ABOVE_LOWEST_PCT


def _braked(log: xr.Dataset) -> np.ndarray:
    if not has(log, "brake_pressed"):
        return np.zeros(log.sizes["time"], dtype=bool)
    return log["brake_pressed"].values > 0.5


def _judge(
    log: xr.Dataset, car: Car, speed: np.ndarray, first: int, last: int
) -> tuple[list[CoastRun], list[RefusedPull]]:
    time = log["time"].values
    start = first + int(np.searchsorted(time[first:last], time[first] + SETTLE_S))
    start, end = _free_part(log, car, speed, start, last)
    span = float(time[first]), float(time[last - 1])
    why = _why_not(log, speed, start, end)
    if why:
        return [], [RefusedPull(*span, why)]
    smooth = rolling(speed, 5, "median")
    known = np.flatnonzero(np.isfinite(smooth[start:end])) + start
    ends = (float(smooth[known[0]]), float(smooth[known[-1]]))
    return [CoastRun(0, start, end - 1, float(time[start]), float(time[end - 1]), "unknown", *ends)], []


def _free_part(log: xr.Dataset, car: Car, speed: np.ndarray, first: int, last: int) -> tuple[int, int]:
    """Longest part of a candidate that is neither braked nor in gear."""
    step = row_step_s(log)
    pace = convert(rolling(speed, rows_in(BRAKING_WINDOW_S, step), "mean"), "km/h", "m/s")
    rate = np.gradient(pace, log["time"].values)
    braked = np.nan_to_num(-rate, nan=0.0) > np.nan_to_num(_fastest_by_the_road(car, pace), nan=np.inf)
    free = ~_widened(braked, rows_in(BRAKING_WINDOW_S / 2, step))[first:last]
    if has(log, "engine_speed_rpm"):
        free &= ~_in_gear(log, speed, first, last)
        free &= ~(at_rows(log, "engine_speed_rpm")[first:last] > HIGHEST_IDLE * car.engine.idle_target_rpm)
    longest = max(runs(free), key=lambda run: run[1] - run[0], default=(0, 0))
    return first + longest[0], first + longest[1]


def _widened(mask: np.ndarray, rows: int) -> np.ndarray:
    """The mask with `rows` more on either side of each stretch: a mean over time sees a brake late."""
    return np.convolve(mask, np.ones(2 * rows + 1), "same") > 0.5


def _fastest_by_the_road(car: Car, speed_m_s: np.ndarray) -> np.ndarray:
    """How fast rolling, slope and air can slow a car at most; NaN where the speed is. [m/s²]"""
    mass = car.vehicle.mass_kg if car.vehicle else LIGHT_CAR_KG
    drag = 0.5 * DENSE_AIR_KG_M3 * MOST_DRAG_AREA_M2 * (speed_m_s + MOST_HEAD_WIND_M_S) ** 2
    return STANDARD_GRAVITY_M_S2 * (MOST_ROLLING + MOST_SLOPE) + drag / mass


def _in_gear(log: xr.Dataset, speed: np.ndarray, first: int, last: int) -> np.ndarray:
    """Rows at which engine speed follows road speed, judged by a straight line over GEAR_WINDOW_S round each."""
    rpm = at_rows(log, "engine_speed_rpm")[first:last]
    rows = rows_in(GEAR_WINDOW_S, row_step_s(log))
    if rpm.size < rows:
        return np.zeros(rpm.size, dtype=bool)
    x, y = (np.log(np.maximum(values, 1.0)) for values in (speed[first:last], rpm))
    x, y = x - np.nanmean(x), y - np.nanmean(y)
    mean_x, mean_y, xx, yy, xy = (rolling(z, rows, "mean") for z in (x, y, x * x, y * y, x * y))
    var_x, var_y, shared = xx - mean_x**2, yy - mean_y**2, xy - mean_x * mean_y
    slope = shared / np.maximum(var_x, 1e-9)
    alike = np.maximum(shared, 0.0) ** 2 / np.maximum(var_x * var_y, 1e-15)
    follows = (np.nan_to_num(slope) > IN_GEAR_SLOPE) & (np.nan_to_num(alike) > IN_GEAR_ALIKE)
    for begin, end in runs(follows):
        follows[begin:end] = (end - begin) * row_step_s(log) >= GEAR_WINDOW_S / 2
    return follows


def _why_not(log: xr.Dataset, speed: np.ndarray, start: int, end: int) -> str:
    time = log["time"].values
    if end - start < 3:
        return "in gear or braked: engine speed followed road speed, or the car slowed faster than road load alone does"
    seconds = time[end - 1] - time[start]
    drop = np.nanmax(speed[start:end]) - np.nanmin(speed[start:end])
    if seconds < SHORTEST_S or drop < LEAST_DROP_KM_H:
        return (
            f"only {seconds:.1f} s and {drop:.0f} km/h of free rolling; "
            f"{SHORTEST_S:g} s and {LEAST_DROP_KM_H:g} km/h are wanted"
        )
    return ""
