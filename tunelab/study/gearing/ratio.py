"""Engine speed over road speed at every row: the trace from which gears are read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from tunelab.study.gearing.reading import at_rows, has, rolling, row_step_s, rows_in

SLOWEST_KM_H = 12.0  # below it speed sensors count too coarsely
STEADY_WINDOW_S = 1.0
STEADY_SPREAD = 0.03  # standard deviation of the logarithm within the window
STEADY_DRIFT_PER_S = 0.012  # drift of the logarithm; coasting out of gear drifts faster
SPEED_CHANNELS = ("road_speed_km_h", "gps_speed_km_h")


@dataclass(frozen=True)
class SpeedRatio:
    """Natural logarithm of engine speed over road speed, rpm per km/h, at each row; NaN where it is not known."""

    time: np.ndarray  # s, shape (rows,)
    log_ratio: np.ndarray
    steady: np.ndarray  # bool: constant over the window around the row
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
        raise ValueError(f"no gear can be told: the log has no reading of {channel or ' or '.join(SPEED_CHANNELS)}.")
    if not has(log, "engine_speed_rpm"):
        raise ValueError("no gear can be told: the log has no reading of engine_speed_rpm.")
    step = row_step_s(log)
    ratio = log_ratio(at_rows(log, "engine_speed_rpm"), at_rows(log, channel))
    ratio = np.where(_clutch_out(log), ratio, np.nan)
    return SpeedRatio(log["time"].values, ratio, _steady(ratio, step), channel, step)


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
