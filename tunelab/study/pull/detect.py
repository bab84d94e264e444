"""Finds pulls: open throttle, one gear, rising engine speed; everything else is refused with its reason."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from tunelab.log.flag_sample import find_holes
from tunelab.study.gearing.reading import at_rows, has, rolling, row_step_s, rows_in, runs
from tunelab.study.gearing.trace import GearTrace, trace_gears
from tunelab.study.pull.direction import directions
from tunelab.study.pull.doubt import doubts
from tunelab.study.pull.result import Pull, PullSet, RefusedPull
from tunelab.workspace.car import Car
from tunelab.workspace.session import Session

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


def _numbered(log, session: Session, traces: Traces, pulls: list[Pull], refused: list[RefusedPull]) -> PullSet:
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


def _judge(log, car: Car, traces: Traces, first: int, last: int) -> tuple[list[Pull], list[RefusedPull]]:
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
