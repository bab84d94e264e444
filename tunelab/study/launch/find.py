"""Finds launches and the holds before them, the engine speed that was held, and the speed over the ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
import xarray as xr

from tunelab.channels import in_words
from tunelab.log.align import at_rows, fresh_readings, has, rate_hz, row_step_s, runs
from tunelab.log.flag_sample import closed_throttle, find_gaps
from tunelab.study.finding import NAN
from tunelab.units import convert
from tunelab.workspace.car import Car

# Common practice, no source.
RESTING_KM_H, FAST_KM_H, FAST_WITHIN_S = 2.0, 25.0, 6.0
HIGH_IDLE = 1.7  # times the idle target: standing engine speed of a launch
HOLD_SHORTEST_S, HOLD_LEAST_ROWS = 0.4, 5
COARSEST_S = 0.25  # between rows: in a coarser log every take-off looks like a launch
MOVING_KM_H = 1.0  # above what a speed sensor shows at rest
RUN_LONGEST_S = 20.0


@dataclass(frozen=True)
class LaunchSpan:
    """Rows of one launch. NaN times where the log does not show them."""

    number: int  # from 1, in the order driven
    hold_first: int  # first row of the raised engine speed at rest
    release: int  # row at which the car is let go: the clutch, or the first movement
    last: int  # last row of the run
    hold_start_s: float
    release_s: float
    moves_s: float  # the driven wheels begin to turn
    end_s: float
    released_by: str  # how the release was found: "launch hold", "clutch" or "movement"


def find_launches(log: xr.Dataset, car: Car) -> tuple[tuple[LaunchSpan, ...], str]:
    """Find the launches of a flagged log and, where there are none, say why.

    A launch leaves rest from an engine speed well above idle and reaches 25 km/h within 6 s, without a gap in the log.
    """
    needed = [name for name in ("engine_speed_rpm", "road_speed_km_h", "throttle_pct") if not has(log, name)]
    if needed:
        return (), f"the log has no {in_words(*needed)}, so no launch can be found."
    if not row_step_s(log) <= COARSEST_S:
        return (
            (),
            f"the rows lie more than {COARSEST_S:g} s apart: too coarse to distinguish a launch from pulling away.",
        )
    time, road, speed = log["time"].values, at_rows(log, "road_speed_km_h"), at_rows(log, "engine_speed_rpm")
    gaps = time[find_gaps(log)]
    found: list[LaunchSpan] = []
    resting = road < RESTING_KM_H
    for first, last in runs(resting):
        span = _span(log, car, (time, road, speed), (first, last), len(found) + 1)
        if span is not None and not ((gaps > span.hold_start_s) & (gaps <= span.release_s + 3.0)).any():
            found.append(span)
    why = "" if found else "no start from rest with a raised engine speed is in the log."
    return tuple(found), why


def _span(
    log: xr.Dataset, car: Car, rows: tuple[np.ndarray, np.ndarray, np.ndarray], rest: tuple[int, int], number: int
) -> LaunchSpan | None:
    """Launch that ends a stand, None where the car merely takes off."""
    time, road, speed = rows
    first, last = rest
    if last >= time.size:
        return None
    ahead = slice(last, int(np.searchsorted(time, time[last] + FAST_WITHIN_S)))
    if not (road[ahead] >= FAST_KM_H).any():
        return None
    throttle = at_rows(log, "throttle_pct")
    is_open = throttle > closed_throttle(throttle) + 3.0
    high = (speed > HIGH_IDLE * car.engine.idle_target_rpm) & is_open
    back = last - 1
    while back > first and high[back - 1]:
        back -= 1
    if not high[max(last - 2, 0) : last + 1].any() or time[last] - time[back] < HOLD_SHORTEST_S:
        return None
    if last - back < HOLD_LEAST_ROWS:
        return None
    moves = _first_move(time, road, last)
    release, how = _release(log, back, moves, time)
    lifts = np.flatnonzero(~is_open[last:] & (time[last:] > time[last] + 2.0) & _stays_shut(is_open[last:], log))
    end = int(np.searchsorted(time, time[last] + RUN_LONGEST_S))
    end = min(end, last + int(lifts[0]) if lifts.size else time.size - 1, time.size - 1)
    gaps = find_gaps(log)
    broken = gaps[(gaps > last) & (gaps <= end)]
    end = int(broken[0]) - 1 if broken.size else end
    return LaunchSpan(number, back, release, end, float(time[back]), float(time[release]), moves, float(time[end]), how)


def _stays_shut(is_open: np.ndarray, log: xr.Dataset) -> np.ndarray:
    """Whether the throttle stays shut for 1.5 s from each row: the lift of a gear change does not end a run."""
    count = max(1, round(1.5 / row_step_s(log)))
    later = np.concatenate([np.cumsum(is_open[::-1])[::-1], np.zeros(count)])
    return later[: is_open.size] - later[count : count + is_open.size] == 0


def _first_move(time: np.ndarray, road: np.ndarray, row: int) -> float:
    """When the wheels began to turn: where road speed passes 1 km/h for good, between two readings. [s]"""
    before = row
    while before > 0 and not road[before - 1] < MOVING_KM_H and time[row] - time[before - 1] < 0.5:
        before -= 1
    low, high = road[before - 1], road[before]
    if not (np.isfinite(low) and high > low):
        return float(time[before])
    share = (MOVING_KM_H - low) / (high - low)
    return float(time[before - 1] + np.clip(share, 0.0, 1.0) * (time[before] - time[before - 1]))


def _release(log: xr.Dataset, first: int, moves: float, time: np.ndarray) -> tuple[int, str]:
    """Row at which the car is let go: the clutch switch, else the end of the hold at rest, else the first movement."""
    span = slice(max(first, int(np.searchsorted(time, moves - 1.5))), int(np.searchsorted(time, moves + 0.6)))
    for name, how in (("clutch_pressed", "clutch"), ("launch_active", "launch hold")):
        if not has(log, name):
            continue
        down = log[name].values[span] > 0.5
        ends = np.flatnonzero(down[:-1] & ~down[1:]) + 1
        if ends.size and (how == "clutch" or time[span][ends[-1]] <= moves + 0.05):
            begins = span.start + int(ends[-1])
            return min(begins, int(np.searchsorted(time, moves))), how
    return int(np.clip(np.searchsorted(time, moves), first + 1, time.size - 1)), "movement"


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
