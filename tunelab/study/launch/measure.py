"""Measures one launch: held speed, release, bog, slip, distance and time, limiter, and the zero-speed condition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from tunelab.log.align import at_rows, has, rolling, row_step_s, rows_in
from tunelab.log.flag_sample import is_cut
from tunelab.study.finding import NAN
from tunelab.study.launch.find import Ground, Held, LaunchSpan, ground_speed, held_speed, rows_of
from tunelab.units import convert
from tunelab.workspace.car import Car

BOG_WITHIN_S = 1.5
RETARDED_DEG = 5.0  # spark after this before top centre counts as retarded by the hold
LATE_GRACE_S = 0.05
# Common practice, no source.
WIDE_PCT = 40.0  # a free engine under more throttle than this runs to its rev limit
SHUT_PCT = 10.0  # below so much throttle a fuel cut is the overrun's
STILL_RPM_S, STILL_SHARE = 150.0, 0.05  # drift and spread of an engine speed that something holds


@dataclass(frozen=True)
class Launch:
    """One launch, measured. NaN where the log does not show it."""

    number: int
    session: str
    driver: str
    hold_start_s: float
    release_s: float
    moves_s: float
    released_by: str
    held_rpm: float  # mean of the last 1.5 s of the hold without the climb; NaN: see held_because
    held_se_rpm: float
    held_spread_rpm: float
    held_drift_rpm_s: float
    held_because: str  # why there is no held speed
    hold_seconds: float
    engaged: bool | None  # the hold limited engine speed; None: the log cannot tell
    let_go_s: float  # when the hold let go, after the car moved; below zero: before
    bog_rpm: float  # held speed less the least within 1.5 s of the release
    recovery_s: float  # from the release until engine speed is back at the held speed
    slip_peak_pct: float  # largest mean over 0.2 s of the driven wheels' slip over the ground, not the momentary peak
    slip_se_pct: float  # its standard error by scale and lateness of the ground speed
    slip_source: str
    time_to_distance_s: float  # from the first movement
    time_lower_s: float
    time_upper_s: float
    end_distance_m: float  # driven when the log or the run ends
    fuel_cut_share: float  # of the hold
    spark_retard_share: float
    exhaust_peak_c: float
    samples: int


def measure(log: xr.Dataset, car: Car, span: LaunchSpan, *, driver: str, distance_m: float) -> Launch:
    """Measure one launch of a flagged log.

    Parameters
    ----------
    log, car
        The log; gearing and limits.
    span : LaunchSpan
        From `find_launches`.
    driver : str
        Who drove.
    distance_m : float
        Distance for which the time is wanted. [m]
    """
    held = held_speed(log, span)
    bog, recovery = _bog(log, span, held.rpm)
    ground = ground_speed(log, span)
    slip, slip_error = _slip(log, span, ground)
    return Launch(
        number=span.number,
        session=str(log.attrs.get("session", "")),
        driver=driver,
        hold_start_s=span.hold_start_s,
        release_s=span.release_s,
        moves_s=span.moves_s,
        released_by=span.released_by,
        held_rpm=held.rpm,
        held_se_rpm=held.standard_error_rpm,
        held_spread_rpm=held.spread_rpm,
        held_drift_rpm_s=held.drift_rpm_s,
        held_because=held.because,
        hold_seconds=span.release_s - span.hold_start_s,
        engaged=_engaged(log, car, span, held),
        let_go_s=_let_go(log, car, span),
        bog_rpm=bog,
        recovery_s=recovery,
        slip_peak_pct=slip,
        slip_se_pct=slip_error,
        slip_source=ground.source,
        **_distance(log, span, ground, distance_m),
        **_limiter(log, car, span),
        samples=span.last - span.hold_first + 1,
    )


def _bog(log: xr.Dataset, span: LaunchSpan, held_rpm: float) -> tuple[float, float]:
    """Drop below the held speed after the release [rpm], and time until engine speed is back there [s]."""
    rows = rows_of(log, span.release_s, min(span.release_s + BOG_WITHIN_S, span.end_s))
    speed = rolling(at_rows(log, "engine_speed_rpm"), rows_in(0.1, row_step_s(log)), "median")
    if not np.isfinite(held_rpm) or not np.isfinite(speed[rows]).any():
        return NAN, NAN
    lowest = rows.start + int(np.nanargmin(speed[rows]))
    drop = held_rpm - float(speed[lowest])
    if drop <= 0.0:
        return 0.0, 0.0
    later = rows_of(log, float(log["time"].values[lowest]), span.end_s)
    back = np.flatnonzero(speed[later] >= held_rpm)
    recovery = float(log["time"].values[later.start + int(back[0])] - span.release_s) if back.size else NAN
    return drop, recovery


def _slip(log: xr.Dataset, span: LaunchSpan, ground: Ground) -> tuple[float, float]:
    """Largest mean over 0.2 s of the driven wheels' slip, from 8 km/h of wheel speed on, and its standard error. [%]

    Not the momentary peak, which a log of 10 or 25 Hz does not hold.
    """
    rows = rows_of(log, span.moves_s, span.moves_s + 4.0)
    wheels, time = at_rows(log, "road_speed_km_h")[rows], log["time"].values[rows]
    smooth = rows_in(0.2, row_step_s(log))
    driven, over = (rolling(v, smooth, "mean") for v in (wheels, ground.speed_km_h[rows]))
    fast = np.flatnonzero((driven > 8.0) & np.isfinite(over))
    if not fast.size:
        return NAN, NAN
    slip = 100.0 * (1.0 - over[fast] / driven[fast])
    peak = fast[int(np.argmax(slip))]
    gains = over[fast[-1]] / max(time[fast[-1]] - span.moves_s, 0.1)  # [km/h per s], mean of the start
    doubt = np.hypot(ground.late_error_s * gains, ground.scale_pct / 100.0 * over[peak])  # [km/h]
    # what a mean over 0.2 s takes off a peak: about as much as taking it once more does
    taken_off = float(np.max(slip) - np.nanmax(rolling(slip, smooth, "mean"))) if slip.size >= smooth else 0.0
    return float(np.max(slip)), float(np.hypot(100.0 * doubt / driven[peak], max(taken_off, 0.0)))


def _distance(log: xr.Dataset, span: LaunchSpan, ground: Ground, distance_m: float) -> dict[str, float]:
    """Time to a distance from the first movement, with the interval of speed scale, start and timing.

    Not shown without a speed over the ground: driven wheels that slip reach any distance too soon.
    """
    rows = rows_of(log, span.moves_s, span.end_s)
    time, speed = log["time"].values[rows], ground.speed_km_h[rows]
    known = np.isfinite(speed)
    if known.sum() < 3:
        return dict.fromkeys(("time_to_distance_s", "time_lower_s", "time_upper_s", "end_distance_m"), NAN)
    metres_s, clock = convert(speed[known], "km/h", "m/s"), np.append(0.0, time[known] - span.moves_s)
    covered = np.append(0.0, np.cumsum(np.append(metres_s[0] / 2, (metres_s[1:] + metres_s[:-1]) / 2) * np.diff(clock)))
    out = {"end_distance_m": float(covered[-1])}
    if covered[-1] < distance_m:
        return out | {"time_to_distance_s": NAN, "time_lower_s": NAN, "time_upper_s": NAN}
    seconds = float(np.interp(distance_m, covered, clock))
    there = max(float(np.interp(distance_m, covered[1:], metres_s)), 0.5)
    by_scale = ground.scale_pct / 100.0 * distance_m / there
    half = 1.96 * float(np.linalg.norm([by_scale, row_step_s(log) / np.sqrt(6.0), ground.late_error_s]))
    return out | {"time_to_distance_s": seconds, "time_lower_s": seconds - half, "time_upper_s": seconds + half}


def _limiter(log: xr.Dataset, car: Car, span: LaunchSpan) -> dict[str, float]:
    """How engine speed was held: share of the hold with fuel cut and with retarded spark; hottest exhaust. [°C]"""
    rows = rows_of(log, span.hold_start_s, span.release_s)
    cut = is_cut(log.drop_vars("lambda_measured", errors="ignore"), car)[rows]
    can_tell = has(log, "fuel_mode") or has(log, "pulse_width_ms")
    spark = at_rows(log, "spark_deg")[rows] if has(log, "spark_deg") else np.full(1, NAN)
    after = rows_of(log, span.hold_start_s, span.release_s + 3.0)
    hot = at_rows(log, "exhaust_c")[after] if has(log, "exhaust_c") else np.full(1, NAN)
    return {
        "fuel_cut_share": float(cut.mean()) if can_tell and cut.size else NAN,
        "spark_retard_share": float(np.nanmean(spark < RETARDED_DEG)) if np.isfinite(spark).any() else NAN,
        "exhaust_peak_c": float(np.nanmax(hot)) if np.isfinite(hot).any() else NAN,
    }


def _engaged(log: xr.Dataset, car: Car, span: LaunchSpan, held: Held) -> bool | None:
    """Whether something held the engine: the ECU says so, or speed stood still at a limit under open throttle."""
    rows = rows_of(log, span.hold_start_s, span.release_s)
    if has(log, "launch_active"):
        return bool((log["launch_active"].values[rows] > 0.5).any())
    limiter = _limiter(log, car, span)
    shares = [v for v in (limiter["fuel_cut_share"], limiter["spark_retard_share"]) if np.isfinite(v)]
    if not np.isfinite(held.drift_rpm_s):  # too few readings of it
        return None
    if _stands_under_throttle(log, car, rows, held):
        return True
    return bool(max(shares) > 0.1) if shares else None


def _stands_under_throttle(log: xr.Dataset, car: Car, rows: slice, held: Held) -> bool:
    """Whether engine speed stood still below the rev limit while the throttle was wide open and the car at rest.

    A free engine runs away there, so something held it: cut sparks, for one, which no channel tells.
    """
    if not has(log, "throttle_pct") or not np.isfinite(held.rpm):
        return False
    wide = float(np.nanmedian(at_rows(log, "throttle_pct")[rows])) >= WIDE_PCT
    still = abs(held.drift_rpm_s) < STILL_RPM_S and held.spread_rpm < STILL_SHARE * held.rpm
    return bool(wide and still and held.rpm < 0.9 * car.limits.rev_limit_rpm)


def _let_go(log: xr.Dataset, car: Car, span: LaunchSpan) -> float:
    """When the hold let go, counted from the first movement [s]; NaN where the log cannot tell."""
    time = log["time"].values
    ahead = rows_of(log, span.moves_s - 1.0, span.moves_s + 3.0)
    if has(log, "launch_active"):
        active = log["launch_active"].values[ahead] > 0.5
        if not active.any():
            return NAN
        return float(time[ahead][np.flatnonzero(active)[-1]] - span.moves_s)
    if not (has(log, "fuel_mode") or has(log, "pulse_width_ms")):
        return NAN
    cut = is_cut(log.drop_vars("lambda_measured", errors="ignore"), car)[ahead]
    road, speed = at_rows(log, "road_speed_km_h")[ahead], at_rows(log, "engine_speed_rpm")[ahead]
    limit = car.limits.launch_hold_rpm
    low = speed < (1.15 * limit if limit else 0.85 * car.limits.rev_limit_rpm)
    # a foot that lifts shuts the throttle, and the ECU then cuts the fuel for another reason
    pressed = at_rows(log, "throttle_pct")[ahead] > SHUT_PCT if has(log, "throttle_pct") else np.ones(cut.size, bool)
    held = cut & low & (road < 30.0) & pressed
    return float(time[ahead][np.flatnonzero(held)[-1]] - span.moves_s) if held.any() else NAN


def is_late(launch: Launch, allowed_s: float, step_s: float) -> bool:
    """Whether the hold still held after the car had moved for longer than allowed and the log's own step."""
    return bool(np.isfinite(launch.let_go_s) and launch.let_go_s > allowed_s + step_s + LATE_GRACE_S)
