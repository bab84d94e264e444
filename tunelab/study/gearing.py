"""Gear ratios: engine speed over road speed at every row, the tyre's radius, and an unknown gearbox."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.log.align import at_rows, has, rolling, row_step_s, rows_in, runs
from tunelab.physics.driveline import tyre_radius
from tunelab.study.finding import CONFIDENCE, NORMAL_95, shows_its_table
from tunelab.units import convert
from tunelab.workspace.car import Car, stated

# A loaded tyre rolls on a radius 2 to 4 % below that of its size code. Common practice, no source.
LOADED_OVER_NOMINAL = 0.97
UNCERTAINTY_MEASURED_PCT = 0.5  # one standard deviation, where the owner states none. Common practice, no source.
UNCERTAINTY_FROM_CODE_PCT = 1.0
ASSUMED = "assumed (tyres.rolling_radius_uncertainty_pct is not stated)"


@dataclass(frozen=True)
class RollingRadius:
    """Rolling radius with one standard deviation, and where it comes from."""

    radius_m: float
    uncertainty_m: float
    source: str
    is_stated: bool = True  # whether the uncertainty is the owner's own, or what such a radius is usually good for

    @property
    def doubt(self) -> str:
        """How well the radius is known, and who says so."""
        return (
            f"{100 * self.uncertainty_m / self.radius_m:.2g} %, {'stated in car.toml' if self.is_stated else ASSUMED}"
        )


def rolling_radius(car: Car) -> RollingRadius:
    """Rolling radius from `car.toml`: the measured one, or that of the size code less 3 % for the load.

    Raises
    ------
    ValueError
        `car.toml` has no tyres.
    """
    if car.tyres is None:
        raise ValueError("car.toml has no [tyres]: add `rolling_radius_m`, or `size` as printed on the tyre.")
    told = car.tyres.rolling_radius_uncertainty_pct
    if car.tyres.rolling_radius_m is not None:
        radius, usual, source = car.tyres.rolling_radius_m, UNCERTAINTY_MEASURED_PCT, "car.toml: rolling_radius_m"
    else:
        radius = LOADED_OVER_NOMINAL * float(
            tyre_radius(stated(car.tyres.size, "size or rolling_radius_m in [tyres] of car.toml"))
        )
        usual, source = UNCERTAINTY_FROM_CODE_PCT, f"car.toml: {car.tyres.size}, less 3 % for the load (assumed)"
    return RollingRadius(radius, radius * (usual if told is None else told) / 100, source, told is not None)


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


def speed_ratio(log: xr.Dataset) -> SpeedRatio:
    """Ratio trace of a log, formed with the road speed channel, or with GPS speed where there is no other.

    Raises
    ------
    ValueError
        The log has no engine speed or no speed of the car.
    """
    channel = next((name for name in SPEED_CHANNELS if has(log, name)), "")
    if not channel:
        raise ValueError(f"no gear can be found: the log has no reading of {' or '.join(SPEED_CHANNELS)}.")
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


BIN = 0.004  # of the logarithm: 0.4 %
SMOOTHING = 0.012
REACH = 0.05  # rows within this of a peak belong to it; gears lie at least 15 % apart
APART = 0.09
LEAST_SECONDS = 3.0
LEAST_FOLLOWED_S = 1.0  # of them with engine speed seen to follow road speed
LEAST_MOVED = 0.1  # of the logarithm of road speed: an engine that settles to idle follows a coasting car over less
BLOCK_S = 2.0
LATE_S = 0.02  # one standard deviation of how far a logger dates the two speeds apart. Common practice, no source.
NO_GEAR = f"no gear was found: no speed ratio was held for {LEAST_SECONDS:g} s while engine and road moved together."


@dataclass(frozen=True)
class GearRatio:
    """One gear as the log shows it. NaN bounds where there are fewer than four separate stretches of two seconds."""

    rank: int  # 1 is the shortest gear seen; a gear that was never driven is not counted
    rpm_per_km_h: float
    lower: float
    upper: float
    seconds: float
    samples: int
    blocks: int  # separate stretches of BLOCK_S behind the interval


@shows_its_table
@dataclass(frozen=True)
class RatioFit:
    """Gears found in a log, shortest first, as engine speed per road speed of the log's own speed channel."""

    shown: bool
    because: str
    gears: tuple[GearRatio, ...]
    speed_channel: str
    samples_used: int
    samples_flagged: int
    confidence: float = CONFIDENCE
    method: str = "peaks of the logarithm of the speed ratio over steady rows, mean of 2 s blocks, Student interval"

    def summary(self) -> pd.DataFrame:
        """One row per gear: rpm per km/h with interval, step to the next gear, seconds."""
        ratio = np.array([gear.rpm_per_km_h for gear in self.gears])
        step = np.append(ratio[:-1] / ratio[1:], np.nan) if ratio.size else ratio
        rows = [(g.rank, g.rpm_per_km_h, g.lower, g.upper, s, g.seconds) for g, s in zip(self.gears, step, strict=True)]
        columns = ["gear seen", "rpm per km/h", "lower", "upper", "step to next", "seconds"]
        return pd.DataFrame(rows, columns=columns).set_index("gear seen")

    def overall(self, radius: RollingRadius) -> pd.DataFrame:
        """One row per gear: ratio of gearbox and final drive together, with the radius's doubt in its interval."""
        ratio, lower, upper = (
            np.array([getattr(g, n) for g in self.gears]) for n in ("rpm_per_km_h", "lower", "upper")
        )
        value = ratio * convert(1.0, "rpm", "rad/s") / convert(1.0, "km/h", "m/s") * radius.radius_m
        doubt = NORMAL_95 * radius.uncertainty_m / radius.radius_m
        half = np.hypot(np.log(upper / lower) / 2, doubt)
        columns = {"overall ratio": value, "lower": value * np.exp(-half), "upper": value * np.exp(half)}
        return pd.DataFrame(columns, index=pd.Index([g.rank for g in self.gears], name="gear seen"))


def estimate_ratios(log: xr.Dataset) -> RatioFit:
    """Find the gears of a car whose ratios are unknown.

    A gear is a ratio that is held while engine speed moves with road speed. An idling engine gives any ratio while the
    car rolls, and a ratio that was only ever held at one speed may be one of those: neither counts.

    The overall ratio follows with the rolling radius (`RatioFit.overall`). Intervals hold what varies
    within the log (tyre slip under power among it) and a speed that is dated late where the car mostly gains or mostly
    loses speed, not the scale of the speed sensor.

    Raises
    ------
    ValueError
        The log has no engine speed or no speed of the car.
    """
    trace = speed_ratio(log)
    peaks = _peaks(trace)
    gears = [gear for gear in (_gear(trace, peak) for peak in peaks) if gear is not None]
    gears = sorted(gears, key=lambda gear: -gear.rpm_per_km_h)
    ranked = tuple(GearRatio(k + 1, *_rest(gear)) for k, gear in enumerate(gears))
    because = "" if ranked else NO_GEAR
    used = sum(gear.samples for gear in ranked)
    return RatioFit(bool(ranked), because, ranked, trace.speed_channel, used, trace.time.size - used)


def _rest(gear: GearRatio) -> tuple:
    return gear.rpm_per_km_h, gear.lower, gear.upper, gear.seconds, gear.samples, gear.blocks


def _peaks(trace: SpeedRatio) -> np.ndarray:
    """Logarithms of the ratios at which the steady rows pile up."""
    values = trace.log_ratio[trace.steady]
    if values.size * trace.step_s < LEAST_SECONDS:
        return np.array([])
    edges = np.arange(values.min() - 0.1, values.max() + 0.1, BIN)
    density = scipy.ndimage.gaussian_filter1d(np.histogram(values, edges)[0].astype(float), SMOOTHING / BIN)
    least = 0.25 * LEAST_SECONDS / trace.step_s * BIN / (SMOOTHING * np.sqrt(2 * np.pi))
    return (edges[:-1] + BIN / 2)[find_peaks(density, least, round(APART / BIN))]


def find_peaks(values: np.ndarray, least: float, apart: int) -> np.ndarray:
    """Places of the peaks of values, shape (n,), that rise by `least` above zero and above the saddles around them.

    Of two that are less than `apart` places from each other the higher one counts.
    """
    tops = np.flatnonzero((values[1:-1] > values[:-2]) & (values[1:-1] >= values[2:])) + 1
    tops = tops[values[tops] >= least]
    kept: list[int] = []
    for top in tops[np.argsort(-values[tops], kind="stable")]:
        if all(abs(int(top) - other) >= apart for other in kept):
            kept.append(int(top))
    return np.array([top for top in sorted(kept) if _rise(values, top) >= least], dtype=int)


def _rise(values: np.ndarray, top: int) -> float:
    """How far a peak rises above the higher of the two lowest places on the way to a higher one or to the end."""
    left, right = values[top::-1], values[top:]
    higher = [np.flatnonzero(side > values[top]) for side in (left, right)]
    lows = [side[: at[0] if at.size else None].min() for side, at in zip((left, right), higher, strict=True)]
    return float(values[top] - max(lows))


def _gear(trace: SpeedRatio, peak: float) -> GearRatio | None:
    near = trace.steady & (np.abs(trace.log_ratio - peak) < REACH)
    near &= np.abs(trace.log_ratio - np.median(trace.log_ratio[near])) < REACH
    seconds = float(near.sum() * trace.step_s)
    followed = near & trace.follows
    if seconds < LEAST_SECONDS or followed.sum() * trace.step_s < LEAST_FOLLOWED_S:
        return None
    if np.ptp(np.quantile(trace.log_speed[followed], (0.05, 0.95))) < LEAST_MOVED:
        return None
    mean, lower, upper, blocks = block_interval(trace, near)
    half = np.hypot((upper - lower) / 2, NORMAL_95 * LATE_S * np.nanmean(trace.pace_per_s[near]))
    ratio, low, high = (float(np.exp(x)) for x in (mean, mean - half, mean + half))
    return GearRatio(0, ratio, low, high, seconds, int(near.sum()), blocks)


def block_interval(trace: SpeedRatio, near: np.ndarray) -> tuple[float, float, float, int]:
    """Mean of the logarithm over chosen rows and its interval from block means; NaN bounds below four blocks."""
    means = _block_means(trace, near)
    centre = float(np.median(trace.log_ratio[near])) if means.size < 4 else _trimmed_mean(means)
    if means.size < 4:
        return centre, float("nan"), float("nan"), means.size
    error = means.std(ddof=1) / np.sqrt(means.size) * scipy.special.stdtrit(means.size - 1, 0.5 + CONFIDENCE / 2)
    return centre, centre - error, centre + error, means.size


def _trimmed_mean(values: np.ndarray) -> float:
    """Mean without a tenth of the values at either end."""
    off = int(0.1 * values.size)
    return float(np.sort(values)[off : values.size - off].mean())


def _block_means(trace: SpeedRatio, near: np.ndarray) -> np.ndarray:
    rows = max(2, round(BLOCK_S / trace.step_s))
    means = []
    for first, last in runs(near):
        means += [trace.log_ratio[k : k + rows].mean() for k in range(first, last - rows + 1, rows)]
    return np.asarray(means)
