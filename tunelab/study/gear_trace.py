"""The gear at every row of a log, and whether the speed sensor's scale is right."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import at_rows, has, rolling, rows_in, runs
from tunelab.physics.driveline import engine_speed_rpm
from tunelab.study.finding import shows_its_table
from tunelab.study.gearing import (
    CONFIDENCE,
    NORMAL_95,
    RollingRadius,
    SpeedRatio,
    block_interval,
    estimate_ratios,
    log_ratio,
    rolling_radius,
    speed_ratio,
)
from tunelab.workspace.car import Car

LARGEST_OFFSET = 0.30  # of the logarithm: a speed sensor further off than this has another fault
EXPECTED_OFFSET = 0.10  # standard deviation before looking
NEAR = 0.05
GPS_SLOWEST_KM_H = 25.0
CALM_RATE_PER_S = 0.05  # of the logarithm of speed; GPS is late, and under power tyres slip
NEAREST_RIVAL = 0.9  # a second offset that explains this share of the rows makes the first one doubtful


@dataclass(frozen=True)
class ScaleEstimate:
    """Factor by which a speed reading must be multiplied. NaN where not shown; NaN bounds with too few stretches."""

    shown: bool
    because: str
    factor: float
    lower: float
    upper: float
    seconds: float
    samples: int


@shows_its_table
@dataclass(frozen=True)
class SpeedCheck:
    """The speed sensor against the gearing and against GPS, and the correction that follows."""

    speed_channel: str
    against_gearing: ScaleEstimate
    against_gps: ScaleEstimate
    rolling_radius: ScaleEstimate  # factor on the radius of car.toml, from GPS and gearing; not shown without both
    gears_seen: tuple[int, ...]
    proposed_factor: float  # 1.0 where nothing was shown or the interval holds 1
    because: str  # what the proposal rests on
    samples_used: int
    samples_flagged: int
    confidence: float = CONFIDENCE
    method: str = "best common offset of steady speed ratios to the stated gears; mean of 2 s blocks, Student interval"

    def summary(self) -> pd.DataFrame:
        """One row per comparison: factor, interval, seconds."""
        parts = (
            ("against gearing", self.against_gearing),
            ("against GPS", self.against_gps),
            ("rolling radius", self.rolling_radius),
        )
        rows = [(name, e.factor, e.lower, e.upper, e.seconds, e.because) for name, e in parts]
        columns = ["comparison", "factor", "lower", "upper", "seconds", "because"]
        return pd.DataFrame(rows, columns=columns).set_index("comparison")


def expected_log_ratios(car: Car) -> np.ndarray:
    """Natural logarithm of rpm per km/h of every gear, without tyre slip; shape (gears,).

    Raises
    ------
    ValueError
        `car.toml` states no gearing or no tyres.
    """
    if car.gearing is None:
        raise ValueError("car.toml has no [gearing]: add `ratios` and `final_drive`, or read them from a log.")
    overall = np.asarray(car.gearing.ratios) * car.gearing.final_drive
    return np.log(engine_speed_rpm(1.0, overall, rolling_radius(car).radius_m))


def check_speed(log: xr.Dataset, car: Car) -> SpeedCheck:
    """Hold the log's speed channel against gearing and GPS.

    Raises
    ------
    ValueError
        The log has no engine speed or no speed of the car; `car.toml` has no gearing or tyres.
    """
    trace = speed_ratio(log)
    expected = expected_log_ratios(car)
    gearing, gears = against_stated_gearing(trace, car)
    gps = _against_gps(log, trace)
    radius = _radius(log, trace, expected, gearing)
    factor, because = _proposal(gearing, gps, rolling_radius(car))
    used = max(gearing.samples, gps.samples)
    flagged = trace.time.size - used
    return SpeedCheck(trace.speed_channel, gearing, gps, radius, gears, factor, because, used, flagged)


def against_gearing(trace: SpeedRatio, expected: np.ndarray) -> tuple[ScaleEstimate, tuple[int, ...]]:
    """Factor on the speed reading that makes the steady ratios fall onto the stated gears, and the gears seen."""
    values = trace.log_ratio[trace.steady]
    if values.size * trace.step_s < 2.0:
        return nothing("no stretch of steady speed ratio long enough to compare"), ()
    offset, rival = _best_offset(values, expected)
    distance = trace.log_ratio[:, None] - expected - offset
    nearest = np.nanargmin(np.where(np.isfinite(distance), np.abs(distance), np.inf), axis=1)
    residual = np.take_along_axis(distance, nearest[:, None], axis=1)[:, 0]
    near = trace.steady & (np.abs(residual) < NEAR)
    gears = tuple(int(k) + 1 for k in np.unique(nearest[near]) if (near & (nearest == k)).sum() * trace.step_s > 1.0)
    if rival > NEAREST_RIVAL and len(gears) < 2:
        text = "only one gear was driven steadily, so the gear was taken that needs the smallest correction"
    else:
        text = "" if rival <= NEAREST_RIVAL else "two different corrections fit about equally well"
    return _estimate(replace(trace, log_ratio=residual), near, offset, text), gears


def against_stated_gearing(trace: SpeedRatio, car: Car) -> tuple[ScaleEstimate, tuple[int, ...]]:
    """`against_gearing` with the doubt of the owner's rolling radius in the interval: speed by gearing is in its scale.

    Raises
    ------
    ValueError
        `car.toml` states no gearing or no tyres.
    """
    found, gears = against_gearing(trace, expected_log_ratios(car))
    if not found.shown:
        return found, gears
    radius = rolling_radius(car)
    half = np.hypot(np.log(found.upper / found.lower) / 2, NORMAL_95 * radius.uncertainty_m / radius.radius_m)
    lower, upper = (float(found.factor * np.exp(sign * half)) for sign in (-1.0, 1.0))
    return ScaleEstimate(True, found.because, found.factor, lower, upper, found.seconds, found.samples), gears


def _best_offset(values: np.ndarray, expected: np.ndarray) -> tuple[float, float]:
    """Offset of the logarithm that most rows agree with, and how well the best rival does beside it."""
    sample = values[:: max(1, values.size // 4000)]
    offsets = np.arange(-LARGEST_OFFSET, LARGEST_OFFSET, 0.005)
    gap = np.abs(sample[:, None, None] - expected[None, :, None] - offsets).min(axis=1)
    explained = np.exp(-0.5 * (gap / 0.015) ** 2).mean(axis=0)
    score = explained * np.exp(-0.5 * (offsets / EXPECTED_OFFSET) ** 2)
    best = int(np.argmax(score))
    far = np.abs(offsets - offsets[best]) > 0.06
    return float(offsets[best]), float(explained[far].max() / max(explained[best], 1e-9))


def _estimate(trace: SpeedRatio, near: np.ndarray, offset: float, because: str) -> ScaleEstimate:
    seconds = float(near.sum() * trace.step_s)
    if seconds < 2.0:
        return nothing("no gear of car.toml comes near the speed ratios of the log")
    mean, lower, upper, _ = block_interval(trace, near)
    factor, low, high = (float(np.exp(offset + x)) for x in (mean, lower, upper))
    return ScaleEstimate(True, because, factor, low, high, seconds, int(near.sum()))


def _against_gps(log: xr.Dataset, trace: SpeedRatio) -> ScaleEstimate:
    if trace.speed_channel == "gps_speed_km_h" or not has(log, "gps_speed_km_h"):
        return nothing("the log has no second speed to compare with")
    gps, own = at_rows(log, "gps_speed_km_h"), at_rows(log, trace.speed_channel)
    ratio = np.where(own > GPS_SLOWEST_KM_H, log_ratio(gps, own), np.nan)
    return _compare(replace(trace, log_ratio=ratio), own)


def _compare(trace: SpeedRatio, speed_km_h: np.ndarray) -> ScaleEstimate:
    """Ratio of GPS speed to another, with the lateness of GPS taken out: it shows as a slope over rate of change."""
    rate = log_rate(speed_km_h, trace.time, trace.step_s)
    near = np.isfinite(trace.log_ratio) & (np.abs(rate) < CALM_RATE_PER_S)
    if near.sum() * trace.step_s < 2.0:
        return nothing("GPS speed and road speed overlap for less than 2 s of steady driving")
    near &= np.abs(trace.log_ratio - np.median(trace.log_ratio[near])) < NEAR
    late = lateness_s(rate[near], trace.log_ratio[near])
    return _estimate(replace(trace, log_ratio=trace.log_ratio - late * rate), near, 0.0, "")


def log_rate(speed_km_h: np.ndarray, time_s: np.ndarray, step_s: float) -> np.ndarray:
    """Rate of change of the logarithm of speed over about a second; shape (rows,). [1/s]"""
    smooth = rolling(np.log(np.maximum(speed_km_h, 1.0)), rows_in(1.0, step_s), "mean")
    return rolling(np.gradient(smooth, time_s), rows_in(0.6, step_s), "mean")


def lateness_s(rate: np.ndarray, log_ratio_: np.ndarray) -> float:
    """Slope of the log ratio over the rate of change: minus the seconds that GPS is late; 0 at constant speed. [s]"""
    change = rate - rate.mean()
    if float((change**2).mean()) < 1e-6:
        return 0.0
    return float(np.clip((change @ (log_ratio_ - log_ratio_.mean())) / (change @ change), -2.0, 0.5))


def _radius(log: xr.Dataset, own: SpeedRatio, expected: np.ndarray, gearing: ScaleEstimate) -> ScaleEstimate:
    """Factor on the stated rolling radius: speed by GPS over speed by gearing, in the gears that the log showed."""
    if not has(log, "gps_speed_km_h"):
        return nothing("the log has no GPS speed")
    if not gearing.shown:
        return gearing
    lines = expected + np.log(gearing.factor)
    nearest = np.argmin(np.abs(np.nan_to_num(own.log_ratio, nan=9.0)[:, None] - lines), axis=1)
    in_gear = own.steady & (np.abs(own.log_ratio - lines[nearest]) < NEAR)
    by_gps = log_ratio(at_rows(log, "engine_speed_rpm"), at_rows(log, "gps_speed_km_h"))
    fast = at_rows(log, "gps_speed_km_h") > GPS_SLOWEST_KM_H
    ratio = np.where(in_gear & fast, expected[nearest] - by_gps, np.nan)
    return _compare(replace(own, log_ratio=ratio, steady=in_gear), at_rows(log, own.speed_channel))


def _proposal(gearing: ScaleEstimate, gps: ScaleEstimate, radius: RollingRadius) -> tuple[float, str]:
    by_gearing = f"the gearing and the rolling radius of car.toml (good to {radius.doubt})"
    source, text = (gps, "GPS") if gps.shown else (gearing, by_gearing)
    if not source.shown:
        return 1.0, f"nothing is proposed: {source.because}."
    if not np.isfinite(source.lower):
        return 1.0, f"nothing is proposed: too few separate stretches for an interval by {text}."
    if source.lower <= 1.0 <= source.upper:
        return 1.0, f"the speed reading agrees with {text} within its interval; leave it."
    return source.factor, f"multiply the speed reading by {source.factor:.4f}, by {text}."


def nothing(because: str) -> ScaleEstimate:
    """Build an estimate that shows nothing."""
    nan = float("nan")
    return ScaleEstimate(False, because, nan, nan, nan, 0.0, 0)


WIDEST = 0.12  # of the logarithm: a ratio further from every gear belongs to none
SHARE_OF_STEP = 0.4  # of the distance to the neighbouring gear
CROSSING_PER_S = 0.15  # a logarithm that moves faster at either end of a gear is the clutch's doing
SHORTEST_S = 0.3  # a gear engaged for less than this is a crossing, not a gear


@shows_its_table
@dataclass(frozen=True)
class GearTrace:
    """The gear at every row; 0 where none fits: clutch, neutral, standstill, spinning wheels."""

    time: np.ndarray  # s, shape (rows,)
    gear: np.ndarray  # int
    deviation: np.ndarray  # log of the ratio over that of the gear, NaN without a gear
    log_ratio: np.ndarray  # natural logarithm of rpm per km/h
    steady: np.ndarray  # bool
    gear_log_ratios: np.ndarray  # as used, the scale of the speed sensor included; shape (gears,)
    speed_factor: float  # on the speed reading, found against the gearing
    source: str  # where the ratios come from
    samples_used: int
    samples_flagged: int

    def summary(self) -> pd.DataFrame:
        """One row per gear: rows and seconds engaged."""
        step = float(np.median(np.diff(self.time)))
        counts = [(k, int((self.gear == k).sum())) for k in range(self.gear_log_ratios.size + 1)]
        rows = [(k, n, n * step) for k, n in counts]
        return pd.DataFrame(rows, columns=["gear", "rows", "seconds"]).set_index("gear")


def trace_gears(log: xr.Dataset, car: Car) -> GearTrace:
    """Name the gear at every row by its speed ratio.

    With the car's gearing the scale of the speed sensor is found first, so that a sensor some per cent off does not
    shift gears. Without it the gears are numbered as the log shows them, shortest first.

    Raises
    ------
    ValueError
        The log has no engine speed or no speed of the car.
    """
    trace = speed_ratio(log)
    lines, factor, source = _gear_lines(log, trace, car)
    gear, deviation = _assign(trace, lines)
    used = int((gear > 0).sum())
    return GearTrace(
        trace.time, gear, deviation, trace.log_ratio, trace.steady, lines, factor, source, used, gear.size - used
    )


def _gear_lines(log: xr.Dataset, trace: SpeedRatio, car: Car) -> tuple[np.ndarray, float, str]:
    if car.gearing is None or car.tyres is None:
        found = estimate_ratios(log)
        lines = np.log([gear.rpm_per_km_h for gear in found.gears])
        return lines, float("nan"), "the log itself: car.toml states no gearing or no tyres"
    expected = expected_log_ratios(car)
    scale, _ = against_gearing(trace, expected)
    if not scale.shown:
        return expected, 1.0, f"car.toml, unchecked: {scale.because}"
    return expected + np.log(scale.factor), scale.factor, "car.toml, with the scale of the speed sensor found"


def _assign(trace: SpeedRatio, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if lines.size == 0:
        return np.zeros(trace.time.size, dtype=int), np.full(trace.time.size, np.nan)
    smooth = rolling(trace.log_ratio, rows_in(0.4, trace.step_s), "median")
    distance = smooth[:, None] - lines
    nearest = np.argmin(np.where(np.isfinite(distance), np.abs(distance), 9.0), axis=1)
    deviation = distance[np.arange(nearest.size), nearest]
    gear = np.where((np.abs(deviation) < _tolerance(lines)[nearest]) & ~trace.free, nearest + 1, 0)
    moved = (np.abs(np.gradient(smooth)) / trace.step_s > CROSSING_PER_S) & (trace.step_s < SHORTEST_S)
    gear = _without_crossings(gear, moved, trace.step_s)
    return gear, np.where(gear > 0, deviation, np.nan)


def _tolerance(lines: np.ndarray) -> np.ndarray:
    """How far the ratio may lie from each gear's line; shape (gears,)."""
    gap = np.abs(np.diff(np.sort(lines)[::-1])) if lines.size > 1 else np.array([1.0])
    nearest_gap = np.minimum(np.append(gap, gap[-1]), np.insert(gap, 0, gap[0]))
    return np.minimum(SHARE_OF_STEP * nearest_gap[: lines.size], WIDEST)


def _without_crossings(gear: np.ndarray, moved: np.ndarray, step_s: float) -> np.ndarray:
    """Drop the ends of stretches in a gear at which the ratio still moves, and stretches too short to be a gear."""
    kept = gear.copy()
    for number in np.unique(gear[gear > 0]):
        for first, last in runs(gear == number):
            held = first + np.flatnonzero(~moved[first:last])
            begin, end = (held[0], held[-1] + 1) if held.size else (last, last)
            kept[first:begin] = kept[end:last] = 0
            if (end - begin) * step_s < SHORTEST_S:
                kept[first:last] = 0
    return kept
