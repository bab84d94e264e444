"""Checks of whole samples: beside a gap, engine cold, fuel cut and its aftermath, not steady."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import xarray as xr

from tunelab.channels import FUEL_MODES
from tunelab.log.flag_channel import RUNNING_RPM
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

AFTERMATH_S = 1.6  # nothing is trusted for so long after a fuel cut
CUT_PULSE_MS = 0.35  # a shorter pulse injects nothing with any injector; common practice, no source
GAP_MULTIPLE = 2.7  # time between samples, over the local median: one lost row (2) is no gap, two lost rows are
CUT_MODE = next(number for number, name in FUEL_MODES.items() if name == "fuel_cut")

# Steady: means over 0.2 s within 0.6 s on either side stay this close. Common practice, no source; tight enough
# that wall film and a timing error of 20 ms cost less than 0.5 %, wide enough for closed-loop trim swings.
CALM_STEP_S = 0.2
CALM_STEPS = 6
CALM_AIR = 0.06  # of the airflow
CALM_SPEED = 0.03  # of the engine speed
CALM_PULSE = 0.12  # of the pulse width
CALM_THROTTLE_PCT = 2.0  # points of throttle


def _mask(log: xr.Dataset, flagged: np.ndarray) -> xr.DataArray:
    return xr.DataArray(flagged, coords={"time": log["time"]}, dims="time")


def find_gaps(log: xr.Dataset) -> np.ndarray:
    """Rows before which time is missing, shape (gaps,): the step is 2.7 times the usual one there, or a new episode.

    The usual step is the larger of the medians of the 15 steps before and after, so a change of rate is no gap.
    """
    time = log["time"].to_numpy()
    if time.size < 3:
        return np.empty(0, dtype=int)
    step = np.diff(time)
    even = step.max() <= GAP_MULTIPLE * step.min()  # the usual step is no shorter than the shortest
    missing = np.zeros(step.size, dtype=bool) if even else step > GAP_MULTIPLE * _usual_step(step)
    if "episode" in log:
        missing |= np.diff(log["episode"].to_numpy()) != 0
    return np.flatnonzero(missing) + 1


def find_holes(log: xr.Dataset, *, longest_s: float) -> np.ndarray:
    """Gaps that no stretch of driving may be laid across: over `longest_s`, or a new episode; rows, shape (holes,)."""
    gaps, time = find_gaps(log), log["time"].to_numpy()
    hole = time[gaps] - time[gaps - 1] > longest_s
    if "episode" in log:
        episode = log["episode"].to_numpy()
        hole |= episode[gaps] != episode[gaps - 1]
    return gaps[hole]


def _usual_step(step: np.ndarray) -> np.ndarray:
    """Larger of the medians of 15 steps before and 15 after each step, shape (steps,)."""
    overall = float(np.median(step))
    suspects = np.flatnonzero(step > 0.999 * GAP_MULTIPLE * min(overall, float(np.quantile(step, 0.02))))
    usual = np.full(step.size, np.inf)
    padded = np.pad(step, 15, constant_values=np.nan)
    for chunk in np.array_split(suspects, max(1, suspects.size // 20000)):
        around = padded[chunk[:, None] + np.r_[np.arange(15), np.arange(16, 31)]]
        before, after = _median_rows(around[:, :15]), _median_rows(around[:, 15:])
        usual[chunk] = np.where(np.isnan(before), after, np.where(np.isnan(after), before, np.maximum(before, after)))
    return np.where(np.isnan(usual), overall, usual)


def _median_rows(rows: np.ndarray) -> np.ndarray:
    """Median of each row without its NaN; NaN where a row has nothing else."""
    ordered = np.sort(rows, axis=1)
    count = np.sum(np.isfinite(ordered), axis=1)
    middle = ordered[np.arange(len(rows)), np.maximum(count - 1, 0) // 2]
    return np.where(count > 0, middle, np.nan)


def flag_gap(log: xr.Dataset) -> xr.DataArray:
    """Flag the samples on both sides of missing time.

    After a gap as much time is flagged as was missed, 1.6 s at most: what happened unseen may still be in the exhaust.
    """
    time = log["time"].to_numpy()
    flagged = np.zeros(time.size, dtype=bool)
    gaps = find_gaps(log)
    missed = np.minimum(time[gaps] - time[gaps - 1], AFTERMATH_S)
    if "episode" in log:
        episode = log["episode"].to_numpy()
        missed = np.where(episode[gaps] != episode[gaps - 1], AFTERMATH_S, missed)
    flagged[gaps - 1] = True
    for first, last in zip(gaps, np.searchsorted(time, time[gaps] + missed), strict=True):
        flagged[first : last + 1] = True
    return _mask(log, flagged)


def flag_cold(log: xr.Dataset, *, coolant_min_c: float) -> xr.DataArray:
    """Flag samples with the coolant below `coolant_min_c`; between readings the last one holds.

    A log without coolant temperature flags nothing.
    """
    if "coolant_c" not in log:
        return _mask(log, np.zeros(log.sizes["time"], dtype=bool))
    coolant = log["coolant_c"].to_numpy()
    known = np.isfinite(coolant)
    if not known.any():
        return _mask(log, np.zeros(coolant.size, dtype=bool))
    if known.all():
        return _mask(log, coolant < coolant_min_c)
    source = np.maximum.accumulate(np.where(known, np.arange(coolant.size), -1))
    source[source < 0] = np.flatnonzero(known)[0]
    return _mask(log, coolant[source] < coolant_min_c)


def is_cut(log: xr.Dataset, car: Car, revision: Revision | None = None) -> np.ndarray:
    """Whether no fuel is injected, shape (time,), without the aftermath.

    Any of: the ECU says so; the pulse is too short to inject (below the dead time, where a revision gives it); lambda
    at its lean rail with a closed throttle well above idle, reaching back by the stated delay.
    """
    cut = np.zeros(log.sizes["time"], dtype=bool)
    if "fuel_mode" in log:
        cut |= log["fuel_mode"].to_numpy() == CUT_MODE
    if "pulse_width_ms" in log:
        cut[_too_short(log, revision)] = True
    return cut | _leans_out_closed(log, car)


def _too_short(log: xr.Dataset, revision: Revision | None) -> np.ndarray:
    """Rows whose pulse injects nothing, int."""
    pulse = log["pulse_width_ms"].to_numpy()
    if revision is None:
        return np.flatnonzero(pulse <= CUT_PULSE_MS)
    table = revision.dead_time
    if "battery_v" not in log:
        return np.flatnonzero(pulse <= max(CUT_PULSE_MS, 0.9 * min(table.dead_time_ms)))
    rows = np.flatnonzero(pulse <= max(CUT_PULSE_MS, *table.dead_time_ms))  # longer than any dead time: injects
    dead_time = np.interp(log["battery_v"].to_numpy()[rows], table.battery_v, table.dead_time_ms)
    shortest = np.maximum(CUT_PULSE_MS, np.nan_to_num(dead_time, nan=min(table.dead_time_ms)))
    return rows[pulse[rows] <= shortest]


def _leans_out_closed(log: xr.Dataset, car: Car) -> np.ndarray:
    """Lambda at the lean rail, throttle closed, engine well above idle; begins earlier by the stated delay and lag."""
    lean = np.zeros(log.sizes["time"], dtype=bool)
    if not {"lambda_measured", "throttle_pct", "engine_speed_rpm"} <= set(log.variables):
        return lean
    sensor, time = car.lambda_sensor, log["time"].to_numpy()
    lean = log["lambda_measured"].to_numpy() >= min(0.99 * sensor.rail_high, 2.0)
    if not lean.any():
        return lean
    throttle = log["throttle_pct"].to_numpy()
    closed = throttle <= closed_throttle(throttle) + 3.0
    lean &= closed & (log["engine_speed_rpm"].to_numpy() > 1.25 * car.engine.idle_target_rpm)
    next_lean = np.minimum.accumulate(np.where(lean, time, np.inf)[::-1])[::-1]
    reach = sensor.delay_s + 3.0 * sensor.lag_s + min(sensor.delay_flow_s_kg_h / 20.0, 0.5)
    return lean | (closed & (next_lean - time <= reach))


def closed_throttle(throttle_pct: np.ndarray) -> float:
    """Reading of the closed throttle: the lowest percent of what is logged, NaN for an empty channel."""
    finite = throttle_pct[np.isfinite(throttle_pct)]
    return float(np.quantile(finite[:: max(1, finite.size // 5000)], 0.01)) if finite.size else float("nan")


def flag_fuel_cut(log: xr.Dataset, car: Car, *, revision: Revision | None = None) -> xr.DataArray:
    """Flag fuel cut and the 1.6 s after it; see `is_cut` for what counts. A stopped engine counts as cut."""
    time = log["time"].to_numpy()
    cut = is_cut(log, car, revision)
    if "engine_speed_rpm" in log:
        cut |= log["engine_speed_rpm"].to_numpy() < RUNNING_RPM
    if not cut.any():
        return _mask(log, cut)
    last_cut = np.maximum.accumulate(np.where(cut, time, -np.inf))
    return _mask(log, time - last_cut <= AFTERMATH_S)


def flag_transient(log: xr.Dataset, car: Car, *, revision: Revision | None = None) -> xr.DataArray:
    """Flag samples that are not steady: airflow, engine speed, pulse width or throttle move within 0.6 s of them.

    Means over 0.2 s are compared, with an allowance for the noise of such a mean. Noise alone is no transient, and a
    hold that drifts slowly is steady. Lambda referred back brings along the flag of the moment of its measurement, so a
    sample is used only if it was steady when fuel was metered and when lambda was measured.
    """
    time = log["time"].to_numpy()
    samples = _usual_samples(time)
    levels = [_sum_up(level, allowed, samples) for level, allowed in _levels(log, car, revision)]
    clock = _even_clock(time)
    parts = [slice(first, min(first + _ROWS, time.size)) for first in range(0, time.size, _ROWS)]
    moving = [_is_moving(clock, levels, part) for part in parts]
    return _mask(log, np.concatenate([np.zeros(0, dtype=bool), *moving]))


_ROWS = 16384  # are worked on at a time: what they take stays in the processor's cache
_REACH = 1  # rows by which an edge may lie off from where even steps would have it; others are looked up


@dataclass(frozen=True)
class _Clock:
    """The log's clock, with room on either side for a window that reaches beyond its ends."""

    time: np.ndarray  # shape (n,)
    padded: np.ndarray  # shape (n + 2 margin,), infinite beyond the ends
    margin: int
    rows_per_step: float  # of the window, at the usual rate


def _even_clock(time: np.ndarray) -> _Clock:
    every = max(1, time.size // 20000)
    steps = np.diff(time[::every]) if time.size > 1 else np.ones(1)
    rows_per_step = min(CALM_STEP_S * every / float(np.median(steps)), float(max(time.size, 1)))
    margin = int(np.ceil(CALM_STEPS // 2 * rows_per_step)) + 2 * _REACH + 1
    return _Clock(time, np.pad(time, margin, constant_values=(-np.inf, np.inf)), margin, rows_per_step)


@dataclass(frozen=True)
class _Level:
    """What must be steady, summed up, so that the mean of any stretch takes two look-ups."""

    total: np.ndarray  # shape (n + 1,), of the readings before each row
    count: np.ndarray | None  # shape (n + 1,), of the readings before each row; None: as many as rows
    limit: float  # most that means within the window may lie apart


def _sum_up(level: np.ndarray, allowed: float, samples: float) -> _Level:
    known = np.isfinite(level)
    limit = float(np.hypot(allowed, 3.0 * _noise_of_mean(level[known] if not known.all() else level, samples)))
    total = np.empty(level.size + 1)
    total[0] = 0.0
    if known.all():
        np.cumsum(level, out=total[1:])
        return _Level(total, None, limit)
    np.cumsum(np.where(known, level, 0.0), out=total[1:])
    return _Level(total, np.append(0, np.cumsum(known)), limit)


def _is_moving(clock: _Clock, levels: list[_Level], part: slice) -> np.ndarray:
    """Whether any level moves in the window around each sample of a part of the log, shape (part,)."""
    moving = np.zeros(part.stop - part.start, dtype=bool)
    edges = [_edge(clock, part, step) for step in range(-CALM_STEPS // 2, CALM_STEPS // 2 + 1)]
    rows = _differences(edges)
    calm = None  # rows to look at: all of them, until many have been seen to move
    for level in levels:
        samples = rows if level.count is None else _differences([level.count[edge] for edge in edges])
        moved = _spread(level.total, edges, samples) > level.limit
        moving[slice(None) if calm is None else calm] |= moved
        if np.count_nonzero(moved) > 0.4 * moved.size:
            left = np.flatnonzero(~moved)
            calm = left if calm is None else calm[left]
            edges, rows = [edge[left] for edge in edges], [count[left] for count in rows]
    return moving


def _differences(counts: list[np.ndarray]) -> list[np.ndarray]:
    """From each count to the next, as float; shape (n,) each."""
    return [np.subtract(after, before, dtype=float) for before, after in itertools.pairwise(counts)]


def _edge(clock: _Clock, part: slice, step: int) -> np.ndarray:
    """First row of a step of the window around each sample, shape (part,); of the one beyond the last its end."""
    wanted = clock.time[part] + CALM_STEP_S * step
    last = step == CALM_STEPS // 2
    below = np.less_equal if last else np.less
    lead = round(step * clock.rows_per_step) - _REACH  # an edge is the first row of three that is not below it
    below_count = np.zeros(wanted.size, dtype=np.int8)
    for start in range(part.start + clock.margin + lead, part.start + clock.margin + lead + 2 * _REACH + 1):
        below_count += below(clock.padded[start : start + wanted.size], wanted).view(np.int8)
    edge = np.arange(part.start + lead, part.stop + lead) + below_count
    beyond = np.flatnonzero((below_count == 0) | (below_count == 2 * _REACH + 1))
    edge[beyond] = np.searchsorted(clock.time, wanted[beyond], side="right" if last else "left")
    return edge


def _levels(log: xr.Dataset, car: Car, revision: Revision | None) -> list[tuple[np.ndarray, float]]:
    """What must be steady, each with its allowance; logarithms where the allowance is relative."""
    levels = [(_log_air(log, car, revision), CALM_AIR)]
    for name, allowed in (("engine_speed_rpm", CALM_SPEED), ("pulse_width_ms", CALM_PULSE)):
        if name in log:
            levels.append((_safe_log(log[name].to_numpy()), allowed))
    if "throttle_pct" in log:
        levels.append((log["throttle_pct"].to_numpy(), CALM_THROTTLE_PCT))
    return [(level, allowed) for level, allowed in levels if level is not None]


def _log_air(log: xr.Dataset, car: Car, revision: Revision | None) -> np.ndarray | None:
    """Logarithm of the airflow up to a constant, or None where nothing tells it."""
    meter = car.meter.channel
    if meter in log and revision is not None:
        curve = revision.meter_curve
        return _safe_log(np.interp(log[meter].to_numpy(), curve.reading, np.maximum(curve.flow_kg_h, 0.1)))
    if "air_flow_kg_h" in log:
        return _safe_log(log["air_flow_kg_h"].to_numpy())
    if meter not in log:
        return None
    if car.meter.kind == "frequency":
        return 2.5 * _safe_log(log[meter].to_numpy())  # typical slope of such meters; common practice, no source
    # A hot-film meter spends about 4 V on a factor of 100 in flow; common practice, no source.
    return log[meter].to_numpy() * (5.0 / (car.meter.rail_high - car.meter.rail_low))


def _safe_log(values: np.ndarray) -> np.ndarray:
    if values.size and values.min() > 0:
        return np.log(values)
    return np.log(np.where(values > 0, values, np.nan))


def _spread(total: np.ndarray, edges: list[np.ndarray], samples: list[np.ndarray]) -> np.ndarray:
    """Highest less lowest mean of the steps of the window around each sample, shape (n,); empty steps are left out."""
    sums = [total.take(edge, mode="clip") for edge in edges]  # in range; clipping spares the check
    means = [after - before for before, after in itertools.pairwise(sums)]
    with np.errstate(invalid="ignore"):
        for mean, count in zip(means, samples, strict=True):
            mean /= count  # NaN for an empty step: zero over zero
    highest, lowest = means[0].copy(), means[0]
    for mean in means[1:]:
        np.fmax(highest, mean, out=highest)
        np.fmin(lowest, mean, out=lowest)
    return np.nan_to_num(highest - lowest, copy=False, nan=0.0)


def _usual_samples(time: np.ndarray) -> float:
    """Usual number of samples in one step of the window, at least 1."""
    rows = np.arange(0, time.size, max(1, time.size // 20000))
    inside = np.searchsorted(time, time[rows] + CALM_STEP_S) - rows
    return max(1.0, float(np.median(inside))) if rows.size else 1.0


def _noise_of_mean(level: np.ndarray, samples: float) -> float:
    """Standard deviation of the mean over one step, from second differences of the whole log; immune to drifts."""
    if level.size < 3:
        return 0.0
    every = max(1, (level.size - 2) // 20000)
    bend = np.abs(level[2::every] - 2.0 * level[1:-1:every] + level[:-2:every])
    return 1.4826 * float(np.median(bend)) / np.sqrt(6.0 * samples)
