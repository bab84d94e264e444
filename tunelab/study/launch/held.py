"""The engine speed that a launch was held at: after the climb to it, before the release."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from tunelab.study.estimate import NAN
from tunelab.study.gearing.reading import fresh_readings
from tunelab.study.launch.find import LaunchSpan

LAST_S = 1.5  # of the hold, before the release
BEFORE_RELEASE_S = 0.15  # what the foot does at the release is no hold
LEVEL_S = 0.75  # of the end of it tells the level that the climb leads to
# Of the level. Common practice, no source.
REACHED = 0.98  # the climb is over; a limiter swings by about as much
LEFT = 0.95  # the clutch has bitten, though the wheels do not show it yet
CLIMBING_PER_S = 0.03  # risen by so much a second, an engine is on its way to a hold, not in it
LEAST_READINGS = 5


@dataclass(frozen=True)
class Held:
    """Engine speed while it is held; NaN where there are too few readings, or it was still climbing at the release."""

    rpm: float  # mean
    standard_error_rpm: float
    spread_rpm: float
    drift_rpm_s: float  # NaN only with too few readings


def held_speed(log: xr.Dataset, span: LaunchSpan) -> Held:
    """Engine speed over the last 1.5 s of a hold, the climb left out. [rpm], [rpm/s]"""
    clock, values = _end_of_hold(*fresh_readings(log, "engine_speed_rpm"), span)
    if values.size < LEAST_READINGS:
        return Held(NAN, NAN, NAN, NAN)
    drift = float(np.polyfit(clock - clock.mean(), values, 1)[0])
    level = float(values.mean())
    if drift > CLIMBING_PER_S * level:
        return Held(NAN, NAN, NAN, drift)
    return Held(level, mean_error(values), float(values.std(ddof=1)), drift)


def _end_of_hold(time: np.ndarray, speed: np.ndarray, span: LaunchSpan) -> tuple[np.ndarray, np.ndarray]:
    """Readings of the end of the hold, without the climb to it and without what the clutch has done; both (n,)."""
    end = min(span.release_s, span.moves_s) - BEFORE_RELEASE_S  # the row of the release may be a step late
    own = (time >= max(span.hold_start_s, end - LAST_S)) & (time <= end)
    clock, values = time[own], speed[own]
    late = values[clock > end - LEVEL_S]
    if not late.size:
        return late, late
    level = float(np.median(late))
    first = int(np.argmax(values >= REACHED * level))
    last = int(np.flatnonzero(values >= LEFT * level)[-1])
    return clock[first : last + 1], values[first : last + 1]


def mean_error(values: np.ndarray) -> float:
    """Standard error of the mean of readings taken evenly over a speed that a limiter makes swing, shape (n,).

    Parts of the stretch tell how far the level wanders. Few readings in a swing can all stand at the same few places
    of it, however many swings there are: with m readings in each, what the m-th harmonic adds does not average out.
    Where speed rises and falls about evenly, harmonics fall with the square of their number; a rise in less than a
    quarter of the swing, seen at the same two places throughout, can be off by more.
    """
    parts = np.array([part.mean() for part in np.array_split(values, min(5, values.size))])
    wander = float(parts.std(ddof=1) / np.sqrt(parts.size))
    around = values - values.mean()
    crossed = int(np.count_nonzero(np.diff(np.signbit(around))))
    swing = float(values.std(ddof=1)) * (crossed / (2.0 * values.size)) ** 2
    return float(np.hypot(wander, swing))
