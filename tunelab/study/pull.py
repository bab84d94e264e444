"""Finds pulls: open throttle, one gear, rising engine speed; everything else is refused with its reason."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from tunelab.log.align import at_rows, has, rolling, row_step_s, rows_in, runs
from tunelab.log.flag_sample import find_holes
from tunelab.log.once import made_once
from tunelab.physics import STANDARD_GRAVITY_M_S2
from tunelab.study.gear_trace import CALM_RATE_PER_S, GearTrace, lateness_s, log_rate, trace_gears
from tunelab.study.gearing import SLOWEST_KM_H
from tunelab.study.pull_result import Pull, PullSet, RefusedPull, directions
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.session import Session

# Common practice, no source.
OFF_PLATEAU = 0.04  # of the logarithm: a ratio this far above its plateau is slip, not tyre creep
FALLING_RPM_S = -150.0  # engine speed falls faster than this: a shift, the limiter, or grip coming back
HARDEST_G = {"front": 0.75, "rear": 0.9, "all": 1.2}  # no road tyre pulls a car harder
AHEAD = 0.04  # of the logarithm: wheels ahead of the car beyond creep
MOST_CREEP_PER_G = 0.25  # of a tyre with grip, where the owner states nothing
LATE_DOUBT_S = 0.1  # how far the lateness of GPS may be off


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
    found["the wheels spun: their speed rose faster than any tyre can push the car"] = _too_hard(
        car, traces, traces.gears, rows
    )
    found["no gear fits engine speed over road speed"] = _no_gear(traces, traces.gears, rows)
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
    return float(convert(tyres.slip_pct_per_g + 2 * (tyres.slip_uncertainty_pct_per_g or 0.0), "percent", "1"))


def _too_hard(car: Car, traces: Traces, gears: GearTrace, rows: slice) -> np.ndarray:
    """Rows where engine speed in gear rises faster than a tyre can push a car."""
    if not np.isfinite(gears.speed_factor):
        return np.zeros(rows.stop - rows.start, dtype=bool)
    line = np.append(np.nan, gears.gear_log_ratios)[gears.gear[rows]]
    km_h_s = gears.speed_factor * traces.rise_rpm_s[rows] / np.exp(line)
    axle = car.vehicle.driven_axle if car.vehicle else "all"
    hard = np.nan_to_num(convert(km_h_s, "km/h", "m/s")) > HARDEST_G[axle] * STANDARD_GRAVITY_M_S2
    return rolling(hard.astype(float), rows_in(0.2, traces.step_s), "median") > 0.5


def _no_gear(traces: Traces, gears: GearTrace, rows: slice) -> np.ndarray:
    """Rows without a gear that last longer than a crossing."""
    mask = (gears.gear[rows] == 0) & np.isfinite(gears.log_ratio[rows])
    kept = np.zeros(mask.size, dtype=bool)
    for first, last in runs(mask):
        if (last - first) * traces.step_s >= 0.3:
            kept[first:last] = True
    return kept


# Common practice, no source.
FULL_BELOW_TOP_PCT = 5.0  # full throttle reaches to within this of the highest reading of the log
LEAST_FULL_PCT = 70.0  # a log whose highest reading is below this holds no full throttle
PART_BAND_PCT = 6.0  # a part-throttle pull keeps its opening within this
LEAST_PART_PCT = 15.0
TIP_IN_S = 0.4  # after opening: the manifold fills and the drivetrain winds up
SHORTEST_S = 1.5
SLOWEST_STEP_S = 0.3
LEAST_READINGS = 6  # fewer show no course
LEAST_RISE = 1.15  # end over start of engine speed
LEAST_RISE_RPM_S = 60.0
CANDIDATE_S = 0.8  # a stretch of open throttle shorter than this is not worth a line
LONGEST_HOLE_S = 0.3  # a longer hole in the log ends a pull; common practice, no source


@dataclass(frozen=True)
class Traces:
    """What detection looks at, row by row; shape (rows,) each."""

    time: np.ndarray
    rpm: np.ndarray
    rise_rpm_s: np.ndarray
    throttle: np.ndarray
    full: np.ndarray  # bool
    part: np.ndarray  # bool
    step_s: float
    gears: GearTrace | None
    gear_source: str


@made_once
def find_pulls(log: xr.Dataset, car: Car, session: Session) -> PullSet:
    """Find the pulls of a log.

    Parameters
    ----------
    log : Dataset
        A flagged log. Engine speed and throttle (or pedal) are needed; without a road speed the gear stays 0.
    car, session
        Gearing, limits; when the car was turned round.

    Returns
    -------
    PullSet
        Without pulls `because` says why. Stretches that were refused are listed with the reason.
    """
    missing = [name for name in ("engine_speed_rpm",) if not has(log, name)]
    if not (has(log, "throttle_pct") or has(log, "pedal_pct")):
        missing.append("throttle_pct (or pedal_pct)")
    if missing:
        return PullSet((), (), f"no pull can be found: the log has no reading of {' or of '.join(missing)}.", "", 0, 0)
    if log.sizes["time"] < LEAST_READINGS:
        return PullSet((), (), f"no pull can be found: the log has {log.sizes['time']} rows.", "", 0, 0)
    traces = _traces(log, car)
    pulls, refused = [], []
    for first, last in _candidates(log, traces):
        found, why = _judge(log, car, traces, first, last)
        pulls += found
        refused += why
    return _numbered(log, session, traces, pulls, refused)


def _numbered(
    log: xr.Dataset, session: Session, traces: Traces, pulls: list[Pull], refused: list[RefusedPull]
) -> PullSet:
    ways = directions(log, [pull.rows for pull in pulls], session.turned_at_s)
    pulls = [replace(p, number=k + 1, direction=way) for k, (p, way) in enumerate(zip(pulls, ways, strict=True))]
    used = sum(pull.last - pull.first + 1 for pull in pulls)
    is_open = int((traces.full | traces.part).sum())
    because = "" if pulls else _why_none(traces, refused)
    return PullSet(tuple(pulls), tuple(refused), because, traces.gear_source, used, max(is_open - used, 0))


def _why_none(traces: Traces, refused: list[RefusedPull]) -> str:
    if traces.step_s > SLOWEST_STEP_S:
        return f"no pull: at one row in {traces.step_s:.2g} s no pull can be followed; log at least 10 a second."
    if refused:
        longest = max(refused, key=lambda stretch: stretch.end_s - stretch.start_s)
        return (
            f"no pull: {len(refused)} stretches of open throttle were refused, the longest because {longest.because}."
        )
    top = np.nanmax(traces.throttle)
    return f"no pull: the throttle (highest reading {top:.0f} %) never stayed open while engine speed rose."


def is_full_throttle(log: xr.Dataset) -> np.ndarray:
    """Rows at full throttle; bool, shape (time,); none without a throttle or pedal in the log.

    Full is whatever comes near the highest reading of the log, as long as that is not below LEAST_FULL_PCT.
    """
    name = "throttle_pct" if has(log, "throttle_pct") else "pedal_pct"
    if not has(log, name):
        return np.zeros(log.sizes["time"], dtype=bool)
    return _bridged(_is_full(at_rows(log, name)), row_step_s(log))


def _is_full(throttle: np.ndarray) -> np.ndarray:
    top = np.nanpercentile(throttle, 99.8) if np.isfinite(throttle).any() else 0.0
    return (throttle >= top - FULL_BELOW_TOP_PCT) & (top >= LEAST_FULL_PCT)


def _traces(log: xr.Dataset, car: Car) -> Traces:
    step = row_step_s(log)
    rpm = rolling(at_rows(log, "engine_speed_rpm"), rows_in(0.2, step), "median")
    throttle = at_rows(log, "throttle_pct" if has(log, "throttle_pct") else "pedal_pct")
    rows = rows_in(0.4, step)
    rise = rolling(np.gradient(rpm, log["time"].values), rows, "mean")
    full = _is_full(throttle)
    middle = rolling(throttle, rows_in(1.0, step), "median")
    part = (np.abs(throttle - middle) < PART_BAND_PCT) & (throttle > LEAST_PART_PCT) & ~full
    part &= rise > LEAST_RISE_RPM_S
    try:
        gears = trace_gears(log, car)
        source = gears.source
    except ValueError as problem:
        gears, source = None, str(problem)
    return Traces(log["time"].values, rpm, rise, throttle, full, part, step, gears, source)


def _candidates(log: xr.Dataset, traces: Traces) -> list[tuple[int, int]]:
    """Stretches of open throttle, cut at gaps of the log, as (first, one past the last)."""
    found = []
    gaps = find_holes(log, longest_s=LONGEST_HOLE_S)
    for mask in (traces.full, traces.part):
        for first, last in runs(_bridged(mask, traces.step_s)):
            cuts = [first, *[int(g) for g in gaps if first < g < last], last]
            found += list(itertools.pairwise(cuts))
    return sorted(c for c in found if traces.time[c[1] - 1] - traces.time[c[0]] >= CANDIDATE_S)


def _bridged(mask: np.ndarray, step_s: float) -> np.ndarray:
    """The mask without holes shorter than about 0.1 s: one bad reading of the throttle does not end a pull."""
    longest = max(1, round(0.1 / step_s)) if step_s > 0 else 1
    closed = mask.copy()
    for first, last in runs(~mask):
        if first > 0 and last < mask.size and last - first <= longest:
            closed[first:last] = True
    return closed


def _judge(log: xr.Dataset, car: Car, traces: Traces, first: int, last: int) -> tuple[list[Pull], list[RefusedPull]]:
    """Split a candidate into pulls and refusals."""
    bad = doubts(log, car, traces, first, last)
    pulls, refused = [], []
    good = np.ones(last - first, dtype=bool)
    for mask in bad.values():
        good &= ~mask
    for a, b in runs(good):
        start, end = _trimmed(traces, first, first + a, first + b)
        why = _too_little(traces, start, end)
        if why:
            reason = _reason_there(bad, a, b) if a > 0 or b < good.size else ""
            refused.append(RefusedPull(*_span(traces, first + a, first + b), "; ".join(x for x in (why, reason) if x)))
        else:
            pulls.append(_pull(traces, start, end, first, _note(bad, b)))
    for reason, mask in bad.items():
        refused += [
            RefusedPull(*_span(traces, first + a, first + b), reason)
            for a, b in runs(mask)
            if (b - a) * traces.step_s >= 0.15
        ]
    return pulls, refused


def _trimmed(traces: Traces, opened: int, first: int, last: int) -> tuple[int, int]:
    """Rows of a good stretch after tip-in, up to its highest engine speed."""
    start = max(first, int(np.searchsorted(traces.time, traces.time[opened] + TIP_IN_S)))
    if start >= last or not np.isfinite(traces.rpm[start:last]).any():
        return first, first
    return start, start + int(np.nanargmax(traces.rpm[start:last])) + 1


def _span(traces: Traces, first: int, last: int) -> tuple[float, float]:
    return float(traces.time[first]), float(traces.time[min(last, traces.time.size) - 1])


def _too_little(traces: Traces, start: int, end: int) -> str:
    """Why a stretch is no pull, or nothing."""
    seconds = traces.time[end - 1] - traces.time[start] if end > start else 0.0
    if seconds < SHORTEST_S:
        return f"only {max(seconds, 0):.1f} s of clean rise, {SHORTEST_S:g} s are wanted"
    if end - start < LEAST_READINGS:
        return f"only {end - start} readings, {LEAST_READINGS} are wanted"
    low, high = traces.rpm[start], np.nanmax(traces.rpm[start:end])
    if not high > LEAST_RISE * low:
        return f"engine speed rose from {low:.0f} to {high:.0f} rpm only"
    return ""


def _reason_there(bad: dict[str, np.ndarray], a: int, b: int) -> str:
    """Which doubts border on a stretch."""
    near = slice(max(a - 3, 0), b + 3)
    return ", ".join(reason for reason, mask in bad.items() if mask[near].any())


def _note(bad: dict[str, np.ndarray], end: int) -> str:
    """What was cut away before or inside a pull; the lift that ends it is no news."""
    cut = [reason for reason, mask in bad.items() if mask[:end].any()]
    return f"cut away: {', '.join(cut)}" if cut else ""


def _pull(traces: Traces, start: int, end: int, opened: int, note: str) -> Pull:
    rows = slice(start, end)
    gear = 0
    if traces.gears is not None:
        engaged = traces.gears.gear[rows]
        gear = int(np.bincount(engaged).argmax()) if engaged.size else 0
    is_full = traces.full[rows].mean() > 0.5
    span = _span(traces, start, end)
    opening = float(np.nanmedian(traces.throttle[rows]))
    low, high = float(traces.rpm[start]), float(np.nanmax(traces.rpm[rows]))
    return Pull(
        0, start, end - 1, *span, "full" if is_full else "part", opening, gear, "unknown", low, high, opened, note
    )
