"""Noise that keeps step with the engine, also where a slow log shows it at another frequency.

A disturbance from the ignition comes at the firing frequency. Sampled at 20 Hz it is folded, but its phase still runs
with the crankshaft: turned back by the phase of the engine's own speed, it adds up; anything else does not.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr
from numpy.typing import ArrayLike

from tunelab.log.flag import NOT_BELIEVED, trusted
from tunelab.log.segment import TURNING_RPM
from tunelab.study.link.noise import ANALOG, DOES_NOT_MATTER, _readings
from tunelab.units import convert
from tunelab.workspace.car import Car


def order_frequency(engine_speed_rpm: ArrayLike, order: ArrayLike) -> np.ndarray:
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


WINDOW_S = 3.0
FEWEST_WINDOWS = 8
MOST_WINDOWS = 60  # taken evenly from the log
CONTROLS = 60
SHIFTS = np.linspace(-0.75, 0.75, 7)  # cycles per window by which the logged speed may be wrong
DRIFT_CYCLES = 0.6  # phase that a wandering or rounded speed may add over a window
APART_CYCLES = 2.5  # a control is folded at least so many cycles per window away from the order that is tested
SPREAD_CYCLES = 4.0  # the order must be folded to places this far apart, or a fixed frequency would pass for it


@dataclass(frozen=True)
class OrderNoise:
    """Whether a channel carries noise that keeps step with the engine at one order."""

    channel: str
    source: str  # what the order belongs to
    order: float  # events per turn of the crankshaft
    amplitude: float  # of the disturbance, in the channel's unit; 0 where nothing stands out, NaN where not tested
    lower: float
    upper: float
    p_value: float  # of as much by chance, for this channel and order alone; NaN where not tested
    windows: int
    confidence: float
    because: str  # empty where it was tested
    samples_used: int
    samples_flagged: int

    @property
    def was_tested(self) -> bool:
        """Whether the log could tell."""
        return not self.because


def engine_orders(car: Car, *, charging_order: float | None) -> dict[str, float]:
    """What may disturb, with its order: events per turn of the crankshaft.

    `charging_order` is the ripple of the alternator: its ripples per turn times the pulley ratio; None where unknown.
    """
    orders = {"ignition, all cylinders": car.engine.cylinders / 2, "ignition of one cylinder": 0.5}
    if charging_order is not None:
        orders["charging ripple"] = charging_order
    return orders


def alias_table(log: xr.Dataset, orders: Mapping[str, float], speeds_rpm: np.ndarray) -> pd.DataFrame:
    """Where each order shows in this log: source, order, engine speed, true frequency, frequency after folding."""
    rate = 1.0 / float(np.median(np.diff(log["time"].to_numpy())))
    rows = []
    for source, order in orders.items():
        true = order_frequency(speeds_rpm, order)
        rows += [(source, order, *row) for row in zip(speeds_rpm, true, alias_frequency(true, rate), strict=True)]
    table = pd.DataFrame(rows, columns=["source", "order", "engine_speed_rpm", "frequency_hz", "shows_at_hz"])
    return table.assign(log_rate_hz=rate).round(6)


def order_noise(
    log: xr.Dataset, orders: Mapping[str, float], *, confidence: float, rng: np.random.Generator
) -> tuple[OrderNoise, ...]:
    """Test every analog channel for noise in step with the engine.

    Parameters
    ----------
    log : Dataset
        Flagged log with `engine_speed_rpm`.
    orders : mapping
        Name of a source to its order, from `engine_orders`.
    confidence : float
        Of the amplitudes' intervals.
    rng : Generator
        Draws the control orders and the bootstrap.

    Returns
    -------
    tuple of OrderNoise
        Channels by orders. Not tested, with the reason: fewer than eight steady windows of 3 s, a speed that wanders or
        is rounded too much for the order, or one that stood still so that any fixed frequency would look the same.

    Notes
    -----
    In each window the channel, freed of level and drift, is multiplied with the phase of the order and summed; the
    power, over that of the window, is averaged over windows. The same at 60 orders nearby, drawn at random, which
    nothing in an engine has, tells what chance and coloured noise give; a gamma distribution with their mean and
    variance gives p.
    """
    if "engine_speed_rpm" not in log:
        return ()
    names = [name for name in ANALOG if name in log and np.isfinite(log[name].to_numpy()).any()]
    speed = _smooth_speed(log)
    found = []
    for name in names:
        windows = _windows(log, name, speed)
        counts = (sum(w.time.size for w in windows), log.sizes["time"] - sum(w.time.size for w in windows))
        found += [_test(windows, (name, source, order), counts, (confidence, rng)) for source, order in orders.items()]
    return tuple(found)


@dataclass(frozen=True)
class _Window:
    time: np.ndarray
    values: np.ndarray  # level and drift taken out
    turns: np.ndarray  # of the crankshaft since the window began
    speed_rpm: float
    speed_error_rpm: float  # how well a straight line through the speed is known
    rate_hz: float


def _smooth_speed(log: xr.Dataset) -> np.ndarray:
    """Engine speed [rpm] without doubtful readings, shape (time,)."""
    speed = log["engine_speed_rpm"].to_numpy().astype(float)
    doubtful = (log["engine_speed_rpm_flag"].to_numpy() & NOT_BELIEVED & ~2) != 0
    return np.where(doubtful, np.nan, speed)


def _windows(log: xr.Dataset, name: str, speed: np.ndarray) -> list[_Window]:
    time, values, rows = _readings(log, name)
    calm = trusted(log, name, allow=(*DOES_NOT_MATTER, "stale")).to_numpy()
    usable = calm[rows] & (speed[rows] > TURNING_RPM)
    if not usable.any():
        return []
    step = float(np.median(np.diff(time)))
    broken = ~usable[1:] | ~usable[:-1] | (np.diff(time) > 3 * step)
    edges = np.r_[0, np.flatnonzero(broken) + 1, time.size]
    count, moving = round(WINDOW_S / step), []
    for first, last in itertools.pairwise(edges.tolist() if count >= 12 else []):
        for begin in range(first, last - count + 1, count):
            own = slice(begin, begin + count)
            level = scipy.signal.detrend(values[own])
            moving += [(own, level)] if level.any() else []
    if not moving:
        return []
    chosen = np.unique(np.linspace(0, len(moving) - 1, MOST_WINDOWS).astype(int))
    return [_window(time[own], level, speed[rows[own]]) for own, level in (moving[i] for i in chosen)]


def _window(time: np.ndarray, values: np.ndarray, own: np.ndarray) -> _Window:
    known = np.isfinite(own)
    line = np.polynomial.Polynomial.fit(time[known], own[known], 3 if known.sum() > 12 else 1)
    smooth = line(time)
    spread = float(np.std(own[known] - smooth[known])) + 0.3  # a rounded reading is no better than that
    turns = np.r_[0.0, np.cumsum(convert((smooth[1:] + smooth[:-1]) / 2, "rpm", "rev/s") * np.diff(time))]
    rate = 1.0 / float(np.mean(np.diff(time)))
    error = spread / np.sqrt(known.sum())
    return _Window(time - time[0], values, turns, float(smooth.mean()), error, rate)


def _test(
    windows: list[_Window],
    what: tuple[str, str, float],
    counts: tuple[int, int],
    how: tuple[float, np.random.Generator],
) -> OrderNoise:
    order, (confidence, rng), nan = what[2], how, float("nan")
    because = _why_not(windows, order)
    if because:
        return OrderNoise(*what, nan, nan, nan, nan, len(windows), confidence, because, *counts)
    controls = _controls(windows, order, rng)
    if len(controls) < CONTROLS // 2:
        because = "nearly every frequency folds to the same place at this log's rate"
        return OrderNoise(*what, nan, nan, nan, nan, len(windows), confidence, because, *counts)
    power = _power(windows, np.r_[order, controls])
    chance = power[1:].mean(axis=1)
    shape = chance.mean() ** 2 / chance.var(ddof=1)
    p_value = float(scipy.stats.gamma.sf(power[0].mean(), shape, scale=chance.mean() / shape))
    # What chance alone gives is taken off. A pure tone has a power of 1 and a variance of half its amplitude squared.
    variance = np.array([np.mean(window.values**2) for window in windows])
    square = 2 * (power[0] - chance.mean()) * variance
    draws = rng.choice(square, size=(400, square.size)).mean(axis=1)
    lower, upper = np.quantile(draws, ((1 - confidence) / 2, (1 + confidence) / 2))
    value, low, high = np.sqrt(np.maximum([square.mean(), lower, upper], 0.0)).tolist()
    return OrderNoise(*what, value, low, high, p_value, len(windows), confidence, "", *counts)


def _why_not(windows: list[_Window], order: float) -> str:
    if len(windows) < FEWEST_WINDOWS:
        return f"{len(windows)} steady windows of {WINDOW_S:g} s; {FEWEST_WINDOWS} are wanted"
    error = float(np.median([window.speed_error_rpm for window in windows]))
    drift = float(order_frequency(error, order)) * WINDOW_S
    if drift > DRIFT_CYCLES:
        return f"the logged speed is too coarse or too uneven: {drift:.1f} turns of phase go astray in {WINDOW_S:g} s"
    spread = float(np.ptp(_folded(windows, order))) * WINDOW_S
    if spread < SPREAD_CYCLES:
        return "the engine speed hardly changed from window to window, so any steady hum would look the same"
    return ""


def _folded(windows: list[_Window], order: ArrayLike) -> np.ndarray:
    """Where an order shows in each window, shape (windows,); of orders in a column, (orders, windows). [Hz]"""
    speed = np.array([window.speed_rpm for window in windows])
    return alias_frequency(order_frequency(speed, order), np.array([window.rate_hz for window in windows]))


def _controls(windows: list[_Window], order: float, rng: np.random.Generator) -> np.ndarray:
    """Orders nearby that fold to other places than the tested one, in most windows."""
    drawn = order * rng.uniform(0.6, 1.6, size=4 * CONTROLS)
    own, others = _folded(windows, order), _folded(windows, drawn[:, None])
    away = np.median(np.abs(others - own), axis=1) * WINDOW_S > APART_CYCLES
    return drawn[away][:CONTROLS]


def _power(windows: list[_Window], orders: np.ndarray) -> np.ndarray:
    """Share of each window's variance in step with each order, the best of a few slightly wrong speeds; (orders, n)."""
    power = np.empty((orders.size, len(windows)))
    for column, window in enumerate(windows):
        drift = SHIFTS[:, None] * (window.time / window.time[-1])
        phase = orders[:, None, None] * window.turns + drift
        total = np.abs(np.exp(-2j * np.pi * phase) @ window.values) ** 2
        power[:, column] = 2 * total.max(axis=1) / (window.values.size * np.sum(window.values**2))
    return power
