"""Speed over the ground during a launch, while the driven wheels run ahead of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
import xarray as xr

from tunelab.study.estimate import NAN
from tunelab.study.gearing.reading import at_rows, has, rate_hz
from tunelab.study.launch.find import LaunchSpan
from tunelab.units import convert

SATELLITE, FORWARD = "gps_speed_km_h", "acceleration_m_s2"
# How late a sensor shows a change, with its standard error. [s] The log cannot tell it: under power and under the brake
# the wheels themselves slip. Common practice, no source.
SATELLITE_LATE_S, FORWARD_LATE_S = (0.20, 0.10), (0.05, 0.03)
SLOW_SHARE = 0.3  # of the time between two GPS speeds, added to the standard error
# Standard error of the scale of a speed, in per cent. The nose rises at a launch, and a sensor fixed to the car takes
# part of gravity for acceleration. Common practice, no source.
TIED_SCALE_PCT, ALONE_SCALE_PCT = 1.0, 4.0
ALONE = "acceleration summed up from rest"


@dataclass(frozen=True)
class Ground:
    """Speed over the ground of one launch."""

    speed_km_h: np.ndarray  # shape (time,), NaN outside of the launch or where it is not known
    source: str
    scale_pct: float  # standard error of its scale; NaN where it is not known
    late_error_s: float  # standard error of its timing


def ground_speed(log: xr.Dataset, span: LaunchSpan) -> Ground:
    """Speed over the ground of one launch.

    Acceleration is summed up from rest, its reading at rest taken off (that holds the slope), and scaled to satellite
    speed where that is logged; else GPS speed alone; else nothing: the driven wheels run ahead while they slip.
    Both are read a little later than the row, since both are late.
    """
    speed, rows = np.full(log.sizes["time"], NAN), rows_of(log, span.moves_s - 0.3, span.end_s)
    if has(log, FORWARD):
        late, error = FORWARD_LATE_S
        speed[rows] = _summed(log, span, rows, late)
        scaled, source, scale_pct = _tied(log, speed, rows)
        return Ground(scaled, source, scale_pct, error)
    if has(log, SATELLITE):
        late, error = SATELLITE_LATE_S
        speed[rows] = np.maximum(_later(log, at_rows(log, SATELLITE), late)[rows], 0.0)
        error = float(np.hypot(error, SLOW_SHARE / rate_hz(log, SATELLITE)))
        return Ground(speed, f"GPS speed, taken to be {late:g} s late", TIED_SCALE_PCT, error)
    why = "neither acceleration nor GPS speed is logged, and driven wheels run ahead while they slip"
    return Ground(speed, f"not shown: {why}", NAN, NAN)


def _summed(log: xr.Dataset, span: LaunchSpan, rows: slice, late_s: float) -> np.ndarray:
    """Acceleration summed up from rest over some rows. [km/h]"""
    time, reading = log["time"].values[rows], at_rows(log, FORWARD)
    at_rest = reading[rows_of(log, span.moves_s - 1.5, span.moves_s - 0.2)]
    forward = reading - (np.nanmean(at_rest) if np.isfinite(at_rest).any() else 0.0)
    forward = np.nan_to_num(_later(log, forward, late_s)[rows])
    gained = scipy.integrate.cumulative_trapezoid(forward, time, initial=0.0)
    return np.maximum(convert(gained, "m/s", "km/h"), 0.0)


def rows_of(log: xr.Dataset, start_s: float, end_s: float) -> slice:
    """Rows from one time to another, both included."""
    time = log["time"].values
    return slice(int(np.searchsorted(time, start_s)), int(np.searchsorted(time, end_s, side="right")))


def _later(log: xr.Dataset, values: np.ndarray, late_s: float) -> np.ndarray:
    """What a sensor shows `late_s` after each row; NaN after the end. Shape (time,)."""
    time, known = log["time"].values, np.isfinite(values)
    return np.interp(time + late_s, time[known], values[known], right=NAN) if known.any() else values


def _tied(log: xr.Dataset, speed: np.ndarray, rows: slice) -> tuple[np.ndarray, str, float]:
    """Acceleration's speed scaled so that it agrees with GPS speed over the run, where that is logged."""
    if not has(log, SATELLITE):
        return speed, ALONE, ALONE_SCALE_PCT
    seen, time = at_rows(log, SATELLITE)[rows], log["time"].values[rows]
    best, late_best, scale = np.inf, 0.0, 1.0
    known = np.isfinite(seen) & (seen > 15.0)
    if known.sum() < 10:
        return speed, ALONE, ALONE_SCALE_PCT
    for late in np.arange(0.0, 0.65, 0.05):  # GPS speed is late
        moved = np.interp(time - late, time, speed[rows])
        factor = float(np.sum(moved[known] * seen[known]) / max(np.sum(moved[known] ** 2), 1e-9))
        misfit = float(np.mean((factor * moved[known] - seen[known]) ** 2))
        if misfit < best:
            best, late_best, scale = misfit, late, factor
    if not 0.8 < scale < 1.25:
        return speed, f"{ALONE}; GPS speed disagrees and was left out", ALONE_SCALE_PCT
    text = f"acceleration from rest, tied to GPS speed (factor {scale:.3f}, {late_best:.2f} s late)"
    return speed * scale, text, TIED_SCALE_PCT
