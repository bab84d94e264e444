"""Engine speed over road speed at every row: the trace from which gears are read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.study.gearing.reading import at_rows, has, rolling, row_step_s, rows_in

SLOWEST_KM_H = 12.0  # below it speed sensors count too coarsely
STEADY_WINDOW_S = 1.0
STEADY_SPREAD = 0.03  # standard deviation of the logarithm within the window
STEADY_DRIFT_PER_S = 0.012  # drift of the logarithm
QUICK_PER_S = 0.08  # a logarithm that moves faster changes gear, or the clutch moves
FOLLOW_WINDOW_S = 4.0  # over which engine speed is compared with road speed
MOVING_PER_S = 0.006  # of the logarithm of road speed: slower says nothing of what engine speed follows
FOLLOWS = 0.5  # of the rate of road speed, by which that of engine speed differs: 0 in gear, 1 with the engine at idle
SPEED_CHANNELS = ("road_speed_km_h", "gps_speed_km_h")


@dataclass(frozen=True)
class SpeedRatio:
    """Natural logarithm of engine speed over road speed, rpm per km/h, at each row; NaN where it is not known."""

    time: np.ndarray  # s, shape (rows,)
    log_ratio: np.ndarray
    log_speed: np.ndarray  # natural logarithm of road speed, km/h; NaN at standstill
    steady: np.ndarray  # bool: constant over the window around the row, and not seen to be free
    follows: np.ndarray  # bool: road speed moves and engine speed moves with it
    free: np.ndarray  # bool: road speed moves and engine speed does not: out of gear, whatever the ratio
    pace_per_s: np.ndarray  # of the logarithm of road speed, over FOLLOW_WINDOW_S; NaN across a change of ratio
    speed_channel: str  # which speed it was formed with
    step_s: float


def log_ratio(engine_speed_rpm: np.ndarray, speed_km_h: np.ndarray) -> np.ndarray:
    """Natural logarithm of rpm per km/h; NaN where either is NaN, too slow or at standstill; shape of the inputs."""
    known = (engine_speed_rpm > 0) & (speed_km_h >= SLOWEST_KM_H)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(known, np.log(engine_speed_rpm / speed_km_h), np.nan)


def speed_ratio(log: xr.Dataset, *, speed_channel: str = "") -> SpeedRatio:
    """Ratio trace of a log, formed with the road speed channel, or with GPS speed where there is no other.

    Raises
    ------
    ValueError
        The log has no engine speed or no speed of the car.
    """
    channel = speed_channel or next((name for name in SPEED_CHANNELS if has(log, name)), "")
    if not channel or not has(log, channel):
        raise ValueError(f"no gear can be found: the log has no reading of {channel or ' or '.join(SPEED_CHANNELS)}.")
    if not has(log, "engine_speed_rpm"):
        raise ValueError("no gear can be found: the log has no reading of engine_speed_rpm.")
    step = row_step_s(log)
    ratio = log_ratio(at_rows(log, "engine_speed_rpm"), at_rows(log, channel))
    ratio = np.where(_clutch_out(log), ratio, np.nan)
    car = _log_speed(at_rows(log, channel))
    follows, free, pace = _coupled(ratio, car, step)
    steady = _steady(ratio, step) & ~free
    return SpeedRatio(log["time"].values, ratio, car, steady, follows, free, pace, channel, step)


def _log_speed(speed_km_h: np.ndarray) -> np.ndarray:
    """Natural logarithm of road speed, NaN at standstill; shape of the input."""
    return np.log(np.where(speed_km_h > 0, speed_km_h, np.nan))


def _coupled(ratio: np.ndarray, log_speed_: np.ndarray, step_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Whether engine speed follows a road speed that moves, whether it does not, and how road speed moves.

    Arrays of shape (rows,), the last one per second.

    Judged by the slopes of straight lines over FOLLOW_WINDOW_S, within the stretch between two quick changes of ratio.
    Neither holds where road speed stands still: a ratio is then held by any engine.
    """
    rows = rows_in(0.6, step_s)
    smooth = rolling(ratio, rows, "median")
    known = np.isfinite(smooth) & ~(np.abs(rolling(np.gradient(smooth) / step_s, rows, "mean")) > QUICK_PER_S)
    rows_kept = np.flatnonzero(known)
    stretch = np.cumsum(np.diff(rows_kept, prepend=-2) > 1)
    apart = rows_kept + stretch * rows_in(FOLLOW_WINDOW_S, step_s)  # no window reaches from one stretch into another
    car, drift = (np.full(ratio.size, np.nan) for _ in range(2))
    for slope, values in ((car, log_speed_), (drift, ratio)):
        spaced = np.full(apart[-1] + 1 if apart.size else 0, np.nan)
        spaced[apart] = values[rows_kept]
        slope[rows_kept] = _slope(spaced, step_s)[apart]
    moves = np.abs(car) > MOVING_PER_S
    lags = -drift / np.where(moves, car, 1.0)  # share of the car's movement that the engine does not make
    return moves & (np.abs(lags) < FOLLOWS), moves & (lags >= FOLLOWS), car


def _slope(values: np.ndarray, step_s: float) -> np.ndarray:
    """Slope of a straight line over FOLLOW_WINDOW_S round each row, NaN with less than a quarter of it; per second."""
    rows = rows_in(FOLLOW_WINDOW_S, step_s)
    y = pd.Series(values)
    x = pd.Series(np.arange(y.size) * step_s).where(y.notna())
    window = {"window": rows, "center": True, "min_periods": max(3, rows // 4)}
    return (y.rolling(**window).cov(x) / x.rolling(**window).var()).to_numpy()


def _clutch_out(log: xr.Dataset) -> np.ndarray:
    if not has(log, "clutch_pressed"):
        return np.ones(log.sizes["time"], dtype=bool)
    return ~(log["clutch_pressed"].values > 0.5)


def _steady(ratio: np.ndarray, step_s: float) -> np.ndarray:
    """Rows round which the ratio neither scatters nor drifts."""
    rows = rows_in(STEADY_WINDOW_S, step_s)
    spread = rolling(ratio, rows, "std")
    middle = rolling(ratio, rows, "median")
    drift = np.full(ratio.size, np.nan)
    if ratio.size > 2 * rows:
        drift[rows:-rows] = (middle[2 * rows :] - middle[: -2 * rows]) / (2 * rows * step_s)
    return (spread < STEADY_SPREAD) & (np.abs(drift) < STEADY_DRIFT_PER_S) & np.isfinite(ratio)
