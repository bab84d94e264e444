"""The log's clock and the gearing against how the car moved."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.study.consistency.statement import graded, not_made, statement
from tunelab.study.finding import Finding
from tunelab.study.gearing import estimate_ratios, speed_ratio
from tunelab.study.gearing.reading import at_rows, has, rolling, row_step_s, rows_in
from tunelab.study.gearing.scale import against_gearing, expected_log_ratios
from tunelab.units import convert
from tunelab.workspace.car import Car

# Bounds of this module are common practice, no source.
CLOCK_WATCH, CLOCK_STOP = 0.1, 0.3  # of the logarithm of seconds driven over seconds logged
GEAR_WATCH = 0.04  # of the logarithm
OFFSET_WATCH = 0.06
IDLE = 1.3  # below this multiple of the idle target the car may roll out of gear
LEAST_DISTANCE_M = 300.0
WINDOW_S = 10.0
MOVING_KM_H = 15.0
EARTH_RADIUS_M = 6_371_000.0  # mean radius, IUGG
MOVED = "moved_m"  # attribute of a log whose positions were taken out: JSON list of what `moved_m` gave before
CLOCK = "The log's clock against the car's motion"
GEARS = "Speed ratios against the gears of car.toml"


def check_clock(log: xr.Dataset) -> Finding:
    """Seconds by the clock against the distance between positions, or acceleration against speed."""
    speed = next((name for name in ("gps_speed_km_h", "road_speed_km_h") if has(log, name)), "")
    if not speed:
        return not_made("clock", CLOCK, "The log has no speed of the car.")
    if moved_m(log) is not None:
        factor, samples, how = _by_position(log, speed)
    elif has(log, "acceleration_m_s2"):
        factor, samples, how = _by_acceleration(log, speed)
    else:
        return not_made("clock", CLOCK, "Needs positions or a measured acceleration beside the speed.")
    if not np.isfinite(factor) or factor <= 0:
        return not_made("clock", CLOCK, f"Too little driving to compare {how} with the speed.")
    off = abs(float(np.log(factor)))
    status = graded(off, CLOCK_WATCH, CLOCK_STOP)
    text = f"By {how} a second of the log's clock lasted {factor:.2f} s."
    text += " The clock runs wrong, or the speed has another unit (km/h, mph)." if status != "met" else ""
    figure = (100 * float(np.expm1(off)), "%", 100 * float(np.expm1(CLOCK_STOP)))
    return statement("clock", CLOCK, text, status=status, figure=figure, samples=samples)


def _by_position(log: xr.Dataset, speed: str) -> tuple[float, int, str]:
    """Distance of window ends apart over the distance by the speed; the largest ratios are the straight roads."""
    time = log["time"].values
    at = np.arange(time[0], time[-1], WINDOW_S)
    rows = np.searchsorted(time, at)
    walked = np.cumsum(np.nan_to_num(at_rows(log, speed)) / 3.6 * np.gradient(time))
    near = np.diff(time[rows]) < 1.5 * WINDOW_S
    by_speed = np.diff(walked[rows])[near]
    by_place = moved_m(log)[near]
    use = np.isfinite(by_place) & (by_speed > convert(MOVING_KM_H, "km/h", "m/s") * WINDOW_S)
    if by_speed[use].sum() < LEAST_DISTANCE_M:
        return float("nan"), 0, "positions"
    return float(np.quantile(by_place[use] / by_speed[use], 0.75)), int(use.sum()), "positions"


def moved_m(log: xr.Dataset) -> np.ndarray | None:
    """Straight distance between the positions at both ends of every window of WINDOW_S; it tells no place. [m]

    Returns
    -------
    array, shape (windows,), or None
        NaN where a position is missing; None where the log has no positions, nor an account of what they gave.
    """
    if has(log, "latitude_deg") and has(log, "longitude_deg"):
        time = log["time"].values
        east, north = _metres(log)
        rows = np.searchsorted(time, np.arange(time[0], time[-1], WINDOW_S))
        return np.hypot(np.diff(east[rows]), np.diff(north[rows]))
    kept = log.attrs.get(MOVED)
    return None if kept is None else np.array(json.loads(kept), dtype=float)


def _metres(log: xr.Dataset) -> tuple[np.ndarray, np.ndarray]:
    latitude, longitude = (np.radians(at_rows(log, name)) for name in ("latitude_deg", "longitude_deg"))
    return EARTH_RADIUS_M * longitude * np.cos(np.nanmean(latitude)), EARTH_RADIUS_M * latitude


def _by_acceleration(log: xr.Dataset, speed: str) -> tuple[float, int, str]:
    """Slope of the speed's change per logged second over measured acceleration, offset of the sensor aside."""
    rows = rows_in(1.0, row_step_s(log))
    pace = rolling(convert(at_rows(log, speed), "km/h", "m/s"), rows, "mean")
    change = rolling(np.gradient(pace, log["time"].values), rows, "mean")
    felt = rolling(rolling(at_rows(log, "acceleration_m_s2"), rows, "mean"), rows, "mean")
    table = pd.DataFrame({"change": change, "felt": felt})[pace > convert(MOVING_KM_H, "km/h", "m/s")].dropna()
    if len(table) < 20 * rows or table["felt"].std() < 0.2 or table["change"].std() < 1e-3:
        return float("nan"), 0, "acceleration"
    if table.corr().iloc[0, 1] < 0.7:
        return float("nan"), 0, "acceleration"
    return float(table["change"].std() / table["felt"].std()), len(table), "acceleration"


def check_gears(log: xr.Dataset, car: Car) -> Finding:
    """Every speed ratio that held still must be a stated gear, up to one common offset of the speed sensor."""
    if car.gearing is None or car.tyres is None:
        return not_made("gears", GEARS, "car.toml states no gearing or no tyres.")
    if not any(has(log, name) for name in ("road_speed_km_h", "gps_speed_km_h")) or not has(log, "engine_speed_rpm"):
        return not_made("gears", GEARS, "Needs engine speed and the speed of the car.")
    driven = _driven(log, car)
    if not has(driven, "engine_speed_rpm"):
        return not_made("gears", GEARS, "The engine never turned faster than its idle.")
    found, expected = estimate_ratios(driven).gears, expected_log_ratios(car)
    scale, _ = against_gearing(speed_ratio(driven), expected)
    if not found:
        return not_made("gears", GEARS, "No gear was held long enough.")
    offset = float(np.log(scale.factor)) if scale.shown else 0.0
    apart = [float(np.abs(np.log(gear.rpm_per_km_h) - expected - offset).min()) for gear in found]
    worst = int(np.argmax(apart))
    size, samples = max(apart[worst], abs(offset)), sum(gear.samples for gear in found)
    status = "watch" if apart[worst] > GEAR_WATCH or abs(offset) > OFFSET_WATCH else "met"
    text = (
        f"The speed reads {100 * np.expm1(-offset):+.1f} % by the gearing; the gear at "
        f"{found[worst].rpm_per_km_h:.1f} rpm per km/h then lies {100 * apart[worst]:.1f} % off any stated one."
    )
    text += (
        " A ratio, the final drive, the tyre or the unit of the speed is not as stated." if status == "watch" else ""
    )
    return statement("gears", GEARS, text, status=status, figure=(100 * size, "%", 100 * OFFSET_WATCH), samples=samples)


def _driven(log: xr.Dataset, car: Car) -> xr.Dataset:
    """The log without engine speeds near idle: rolling out of gear they pass for a gear."""
    return log.assign(
        engine_speed_rpm=log["engine_speed_rpm"].where(log["engine_speed_rpm"] > IDLE * car.engine.idle_target_rpm)
    )
