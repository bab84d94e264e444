"""What takes rows out of a pull: a shift, spinning wheels, a slipping clutch, a lifted throttle, missing readings."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from tunelab.constants import STANDARD_GRAVITY_M_S2
from tunelab.study.gearing.ratio import SLOWEST_KM_H
from tunelab.study.gearing.reading import at_rows, has, rolling, rows_in, runs
from tunelab.study.gearing.scale import CALM_RATE_PER_S, lateness_s, log_rate
from tunelab.units import convert
from tunelab.workspace.car import Car

if TYPE_CHECKING:
    from tunelab.study.pull.detect import Traces

# Common practice, no source.
OFF_PLATEAU = 0.04  # of the logarithm: a ratio this far above its plateau is slip, not tyre creep
FALLING_RPM_S = -150.0  # engine speed falls faster than this: a shift, the limiter, or grip coming back
HARDEST_G = {"front": 0.75, "rear": 0.9, "all": 1.2}  # no road tyre pulls a car harder
AHEAD = 0.04  # of the logarithm: wheels ahead of the car beyond creep
MOST_CREEP_PER_G = 0.25  # of a tyre with grip, where the owner states nothing
LATE_DOUBT_S = 0.1  # how far the lateness of GPS may be off
LONGEST_CROSSING_S = 0.8  # a change of ratio takes no longer


def doubts(log: xr.Dataset, car: Car, traces: Traces, first: int, last: int) -> dict[str, np.ndarray]:
    """Rows of a candidate that are not a pull, by reason; bool arrays of shape (last - first,)."""
    rows = slice(first, last)
    found = {
        "engine speed is missing or not to be trusted": ~np.isfinite(traces.rpm[rows]),
        "the clutch was pressed": _pressed(log, "clutch_pressed", rows),
        "the brake was pressed": _pressed(log, "brake_pressed", rows),
        "engine speed fell with the throttle open (a shift, the limiter, or grip coming back)": (
            traces.rise_rpm_s[rows] < FALLING_RPM_S
        ),
    }
    found |= _slip(log, car, traces, rows)
    return {reason: mask for reason, mask in found.items() if mask.any()}


def _pressed(log: xr.Dataset, name: str, rows: slice) -> np.ndarray:
    if not has(log, name):
        return np.zeros(rows.stop - rows.start, dtype=bool)
    return log[name].values[rows] > 0.5


def _slip(log: xr.Dataset, car: Car, traces: Traces, rows: slice) -> dict[str, np.ndarray]:
    """Wheelspin and clutch slip, as far as the speeds in the log can tell one from the other."""
    if traces.gears is None:
        return {}
    found = {}
    own = traces.gears.log_ratio[rows]
    engaged = traces.gears.gear[rows]
    above = np.zeros(own.size, dtype=bool)
    for gear in np.unique(engaged):
        above |= _above_plateau(np.where(engaged == gear, own, np.nan), traces.step_s)
    changed = _other_gear(engaged)
    spinning = _against_gps(log, car, traces, rows)
    found["a change of gear"] = changed
    name = "the clutch slipped" if spinning is not None else "the clutch slipped or the wheels spun"
    found[name] = above & ~changed
    found["the wheels spun: faster than the car by GPS"] = (
        spinning if spinning is not None else np.zeros(own.size, dtype=bool)
    )
    found["the wheels spun: their speed rose faster than any tyre can push the car"] = _too_hard(car, traces, rows)
    found["no gear fits engine speed over road speed"] = _no_gear(traces, rows)
    return found


def _above_plateau(log_ratio: np.ndarray, step_s: float) -> np.ndarray:
    """Rows where engine speed runs ahead of road speed: above the ratio that the later half settles to."""
    smooth = rolling(log_ratio, rows_in(0.3, step_s), "median")
    known = smooth[np.isfinite(smooth)]
    if known.size < 5:
        return np.zeros(log_ratio.size, dtype=bool)
    plateau = np.median(known[known.size // 2 :])
    return np.nan_to_num(smooth - plateau) > OFF_PLATEAU


def _other_gear(gear: np.ndarray) -> np.ndarray:
    """Rows where the gear changes within a candidate: the crossing itself, between two different gears."""
    mask = np.zeros(gear.size, dtype=bool)
    engaged = np.flatnonzero(gear > 0)
    for a, b in itertools.pairwise(engaged):
        if gear[a] != gear[b]:
            mask[a : b + 1] = True
    return mask


def _against_gps(log: xr.Dataset, car: Car, traces: Traces, rows: slice) -> np.ndarray | None:
    """Rows where the driven wheels run ahead of the car by more than a tyre creeps under load; None without two speeds.

    How late GPS is, is found where nothing accelerates hard, and taken out.
    """
    if not has(log, "gps_speed_km_h") or not has(log, "road_speed_km_h"):
        return None
    wheel, over_ground = at_rows(log, "road_speed_km_h"), at_rows(log, "gps_speed_km_h")
    with np.errstate(divide="ignore", invalid="ignore"):
        ahead = np.where(over_ground > SLOWEST_KM_H, np.log(wheel / over_ground), np.nan)
    rate = log_rate(over_ground, traces.time, traces.step_s)
    calm = np.isfinite(ahead) & (np.abs(rate) < CALM_RATE_PER_S)
    if calm.sum() < 5:
        return np.zeros(rows.stop - rows.start, dtype=bool)
    late = float(np.clip(lateness_s(rate[calm], ahead[calm]), 0.0, 1.0))
    on_time = ahead - late * rate
    pushed_g = convert(np.maximum(rate, 0) * over_ground, "km/h", "m/s") / STANDARD_GRAVITY_M_S2
    allowed = AHEAD + _creep(car) * pushed_g + LATE_DOUBT_S * np.maximum(rate, 0)
    wide = rolling(on_time - np.median(on_time[calm]), rows_in(0.4, traces.step_s), "median")
    return np.nan_to_num(wide - allowed, nan=-1.0)[rows] > 0


def _creep(car: Car) -> float:
    """Most that a tyre with grip creeps, per g of acceleration: what the owner states and twice its uncertainty."""
    tyres = car.tyres
    if tyres is None or tyres.slip_pct_per_g is None:
        return MOST_CREEP_PER_G
    return convert(tyres.slip_pct_per_g + 2 * (tyres.slip_uncertainty_pct_per_g or 0.0), "percent", "1")


def _too_hard(car: Car, traces: Traces, rows: slice) -> np.ndarray:
    """Rows where engine speed in gear rises faster than a tyre can push a car."""
    gears = traces.gears
    if not np.isfinite(gears.speed_factor):
        return np.zeros(rows.stop - rows.start, dtype=bool)
    line = np.append(np.nan, gears.gear_log_ratios)[gears.gear[rows]]
    km_h_s = gears.speed_factor * traces.rise_rpm_s[rows] / np.exp(line)
    axle = car.vehicle.driven_axle if car.vehicle else "all"
    hard = np.nan_to_num(convert(km_h_s, "km/h", "m/s")) > HARDEST_G[axle] * STANDARD_GRAVITY_M_S2
    return rolling(hard.astype(float), rows_in(0.2, traces.step_s), "median") > 0.5


def _no_gear(traces: Traces, rows: slice) -> np.ndarray:
    """Rows without a gear that last longer than a crossing."""
    mask = (traces.gears.gear[rows] == 0) & np.isfinite(traces.gears.log_ratio[rows])
    kept = np.zeros(mask.size, dtype=bool)
    for first, last in runs(mask):
        if (last - first) * traces.step_s >= 0.3:
            kept[first:last] = True
    return kept
