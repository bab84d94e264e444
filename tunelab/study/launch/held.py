"""The engine speed that a launch was held at: after the climb to it, before the release."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
import xarray as xr

from tunelab.study.estimate import NAN
from tunelab.study.gearing.reading import fresh_readings
from tunelab.study.launch.find import LaunchSpan

LAST_S = 1.5  # of the hold, before the release
BEFORE_RELEASE_S = 0.15  # what the foot does at the release is no hold
# The clutch bites before wheel speed shows it: where nothing else tells the release, so much sooner ends the hold.
# In a coarser log the readings lost to it cost more than the clutch does. Common practice, no source.
BEFORE_MOVEMENT_S, COARSE_S = 0.25, 0.07
LEVEL_S = 0.75  # of the end of it tells the level that the climb leads to
# Of the level. Common practice, no source.
REACHED = 0.98  # the climb is over; a limiter swings by about as much
LEFT = 0.95  # the clutch has bitten, though the wheels do not show it yet
CLIMBING_PER_S = 0.03  # risen by so much a second, an engine is on its way to a hold, not in it
LEAST_READINGS = 5
# What readings that keep to the same places of a limiter's swing may hide of its mean; more, and the mean is a guess.
# Our choice, no source: less than 1 % of the usual hold.
HIDDEN_MOST_RPM = 30.0
SWINGS_TRIED = 400
HARMONICS = (2, 3, 4, 5)
CLIMBING = "still climbing at the release"
SAME_PLACES = "read at the same places of each swing of a limiter"
TOO_SHORT = "too short to be read"


@dataclass(frozen=True)
class Held:
    """Engine speed while it is held; NaN where the log does not show it."""

    rpm: float  # mean
    standard_error_rpm: float
    spread_rpm: float
    drift_rpm_s: float  # NaN only with too few readings
    because: str = ""  # why there is no mean


def held_speed(log: xr.Dataset, span: LaunchSpan) -> Held:
    """Engine speed over the last 1.5 s of a hold, the climb left out. [rpm], [rpm/s]"""
    clock, values = _end_of_hold(*fresh_readings(log, "engine_speed_rpm"), span)
    if values.size < LEAST_READINGS:
        return Held(NAN, NAN, NAN, NAN, TOO_SHORT)
    drift = float(np.polyfit(clock - clock.mean(), values, 1)[0])
    level = float(values.mean())
    if drift > CLIMBING_PER_S * level:
        return Held(NAN, NAN, NAN, drift, CLIMBING)
    spread, hidden = float(values.std(ddof=1)), hidden_error(clock, values)
    if 1.96 * hidden > HIDDEN_MOST_RPM:
        return Held(NAN, NAN, spread, drift, SAME_PLACES)
    return Held(level, float(np.hypot(wander_error(values), hidden)), spread, drift)


def _end_of_hold(time: np.ndarray, speed: np.ndarray, span: LaunchSpan) -> tuple[np.ndarray, np.ndarray]:
    """Readings of the end of the hold, without the climb to it and without what the clutch has done; both (n,)."""
    end = min(span.release_s, span.moves_s) - BEFORE_RELEASE_S  # the row of the release may be a step late
    if span.released_by == "movement" and time.size > 1 and np.median(np.diff(time)) <= COARSE_S:
        end -= BEFORE_MOVEMENT_S
    own = (time >= max(span.hold_start_s, end - LAST_S)) & (time <= end)
    clock, values = time[own], speed[own]
    late = values[clock > end - LEVEL_S]
    if not late.size:
        return late, late
    level = float(np.median(late))
    first = int(np.argmax(values >= REACHED * level))
    last = int(np.flatnonzero(values >= LEFT * level)[-1])
    return clock[first : last + 1], values[first : last + 1]


def wander_error(values: np.ndarray) -> float:
    """Standard error of the mean of readings, shape (n,), by how far the means of its parts lie apart. [rpm]"""
    parts = np.array([part.mean() for part in np.array_split(values, min(5, values.size))])
    return float(parts.std(ddof=1) / np.sqrt(parts.size))


def hidden_error(clock: np.ndarray, values: np.ndarray) -> float:
    """Standard error that a limiter's swing leaves in the mean of few readings to each swing, by its harmonics. [rpm]

    Parameters
    ----------
    clock, values : arrays, shape (n,)
        Readings [s], [rpm], n at least 5, without NaN.

    Notes
    -----
    With m readings to a swing, the m-th harmonic reads the same every time and stays in the mean, however many swings
    there are; near m it averages out in part. The swing's frequency is the strongest that readings so far apart can
    show, its harmonics fall with the square of their number, as of a speed that rises and falls about evenly. A rise
    in less than a quarter of the swing, seen at the same two places throughout, can be off by more.
    """
    last = clock[-1] - clock[0]
    tried = np.linspace(0.6 / last, 0.5 * (clock.size - 1) / last, SWINGS_TRIED)  # [Hz]
    if np.ptp(values) == 0.0:
        return 0.0
    shown = scipy.signal.lombscargle(clock, values, 2.0 * np.pi * tried, floating_mean=True)
    swing = 2.0 * np.pi * tried[int(np.argmax(shown))]  # [rad/s]
    left = [abs(np.exp(1j * number * swing * clock).mean()) / number**2 for number in HARMONICS]
    return float(np.sqrt(2.0) * values.std(ddof=1) * np.hypot.reduce(left))
