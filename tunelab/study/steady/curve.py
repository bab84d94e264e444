"""The meter's error, the dead-time error and the over-reading by pulsation, as results."""

from __future__ import annotations

import numpy as np
import pandas as pd
import scipy

from tunelab.study.steady.joint import Joint
from tunelab.study.steady.leak import leak_allowance
from tunelab.study.steady.model import NAMES, Coordinate, Design, hat_matrix, log_flow_in_force, smooth_log_flow
from tunelab.study.steady.posterior import Posterior, Shown, local_mean
from tunelab.study.steady.result import DeadTimeError, MeterError, OverallConstant, PulsationMap
from tunelab.workspace.revision import MeterCurve, Revision

GRID = 160  # readings of the dense result, beside the breakpoints
NEAR = 0.03  # along the curve's coordinate (the visited range is 1 to 1.4): how far a block speaks for a reading
LEAST_SECONDS = 3.0  # of steady driving within reach, for a reading to count as measured
LEAST_FOLLOW = 0.05  # share of the expected error below which a breakpoint is left as it is
# What moves lambda's level from day to day over what the fit finds to move it within a drive; the former is 0.2 % for a
# usual drive. Common practice, no source.
DAY_TO_DRIFT = 1.35
BETWEEN = 4  # readings of the dense result between two breakpoints beyond the visited range
ZERO_SHIFT = 0.008  # of the visited range of readings: half of the interval in which a meter's zero lies; toward it the
# curve steepens in log flow, and the same shift is a larger share. About what air meters are sold with; from memory.


def dense_readings(coordinate: Coordinate, curve: MeterCurve) -> np.ndarray:
    """Readings of the dense result: dense over the visited range, all breakpoints, and a few between those beyond."""
    low, high = coordinate.reading[[0, -1]]
    even = coordinate.reading_at(np.linspace(coordinate.place[0], coordinate.place[-1], GRID))
    place = np.arange(BETWEEN * (curve.reading.size - 1) + 1) / BETWEEN
    coarse = np.interp(place, np.arange(curve.reading.size), curve.reading)
    beyond = coarse[(coarse < low) | (coarse > high)]
    return np.unique(np.concatenate([even, curve.reading, beyond]))


def interval_width(joint: Joint) -> float:
    """Multiplier of a standard deviation for 95 %, wider where there are few holds (Student's t)."""
    holds = int(joint.design.blocks["hold"].max()) + 1
    return float(scipy.special.stdtrit(max(holds - 12, 3), 0.975))


def _day_sd(joint: Joint) -> float:
    """Doubt of the curve's level that the day leaves, log units: one drive's level is what lambda read that day.

    What moves it during a drive moves it from day to day, too. Several drives tell it by themselves. It is no part of
    the draws: `predict_next_drive` takes both days as one.
    """
    if joint.design.session_columns.shape[1] > 1:
        return 0.0
    return float(DAY_TO_DRIFT * sum(m.share * np.exp(m.sizes[NAMES.index("drift")]) for m in joint.members))


def reach_seconds(design: Design, reading: np.ndarray) -> np.ndarray:
    """Seconds of steady driving within reach of each reading."""
    blocks = design.blocks
    return reach_of(design.coordinate, blocks["reading"].to_numpy(), float(blocks["seconds"].mean()), reading)


def reach_of(coordinate: Coordinate, visited: np.ndarray, each_s: float, reading: np.ndarray) -> np.ndarray:
    """Seconds within reach of each reading, from visited readings of `each_s` seconds each."""
    place, at = coordinate.at(reading), np.sort(coordinate.at(visited))
    return each_s * (np.searchsorted(at, place + NEAR, side="right") - np.searchsorted(at, place - NEAR))


def meter_error(
    joint: Joint, posterior: Posterior, channel: str, revision: Revision, error_now: np.ndarray
) -> MeterError:
    """Meter error with its interval; `error_now` are draws of log lambda's error at each breakpoint as it is."""
    design, curve, reading = joint.design, revision.meter_curve, posterior.reading
    width = interval_width(joint) * np.hypot(posterior.log_factor_sd, _day_sd(joint))
    measured = reach_seconds(design, reading) >= LEAST_SECONDS
    log_factor = np.where(measured, posterior.log_factor[0], np.nan)
    edges = np.concatenate([[-np.inf], (reading[1:] + reading[:-1]) / 2, [np.inf]])
    counted, _ = np.histogram(design.blocks["reading"], edges, weights=design.blocks["seconds"])
    return MeterError(
        channel=channel,
        reading=reading,
        flow_in_force_kg_h=np.exp(log_flow_in_force(curve, reading)),
        factor=np.exp(log_factor),
        lower=np.exp(np.minimum(log_factor - width, _lowest(posterior, log_factor))),
        upper=np.exp(log_factor + width + lean_at_load(design, posterior, reading)),
        seconds=counted,
        points=_points(design, curve, posterior, log_factor, width, error_now),
    )


def _lowest(posterior: Posterior, log_factor: np.ndarray) -> np.ndarray:
    """Lower end by the draws, which know of a leak that is only possible; NaN where nothing was measured."""
    return np.where(np.isfinite(log_factor), np.quantile(posterior.log_factor[1:], 0.025, axis=0), np.nan)


def _points(
    design: Design,
    curve: MeterCurve,
    posterior: Posterior,
    log_factor: np.ndarray,
    width: np.ndarray,
    error_now: np.ndarray,
) -> pd.DataFrame:
    """What is known at each breakpoint, by the joint posterior."""
    at, reading = curve.reading, posterior.reading
    visited = design.blocks["reading"].to_numpy()
    driven, touching = _evidence(design.coordinate, at, reading[np.isfinite(log_factor)], visited)
    follow = np.where(driven | touching, 1.0, _trust(error_now))
    known = follow > 0
    target = np.interp(at, reading, posterior.log_factor[0])
    spread = np.hypot(np.interp(at, reading, width), beyond_the_driven(design, at, visited))
    leak = leak_allowance(
        log_flow_in_force(curve, reading) + log_factor, log_factor, log_flow_in_force(curve, at) + target
    )
    dent, lean = below_the_driven(curve, driven | touching), lean_at_load(design, posterior, at)
    lines = np.where(driven, 0.0, below_for_lines(design, at, visited))
    down = np.hypot(spread, leak) - np.minimum(np.minimum(dent, lines), 0.0)
    up = spread + lean + np.maximum(np.maximum(dent, lines), 0.0)
    return pd.DataFrame(
        {
            "reading": at,
            "flow_in_force_kg_h": curve.flow_kg_h,
            "factor": np.where(known, np.exp(target), np.nan),
            "factor_lower": np.where(known, np.exp(target - down), np.nan),
            "factor_upper": np.where(known, np.exp(target + up), np.nan),
            "seconds": hat_matrix(at, visited).T @ design.blocks["seconds"].to_numpy(),
            "basis": np.where(driven, "measured", np.where(known, "extended", "unchanged")),
            "follow": follow,
        }
    )


def lean_at_load(design: Design, posterior: Posterior, reading: np.ndarray) -> np.ndarray:
    """How much higher the curve may lie at readings where the fit finds lambda lean with load, log units.

    Pulsation makes a meter read too much, never too little. So fuel goes missing there, or the curve was drawn too low
    by that much and by what the meter over-reads besides, for which as much again is allowed.
    """
    lean, visited = np.maximum(posterior.pulsation[0], 0.0), design.blocks["reading"].to_numpy()
    return 2.0 * local_mean(design.coordinate.at(visited), lean, design.coordinate.at(reading))


def beyond_the_driven(design: Design, at: np.ndarray, visited: np.ndarray) -> np.ndarray:
    """Half-width of what no driven reading tells of breakpoints beyond the driven ones, log units; 0 between them.

    A breakpoint may have been set off the meter's curve for the straight line from it to serve where was driven, by as
    much as line and curve lie apart there; and the meter's zero is only known so well.
    """
    low, high = float(visited.min()), float(visited.max())
    edge = np.clip(at, low, high)
    between = edge[:, None] + (at - edge)[:, None] * np.linspace(0.0, 1.0, 9)
    bent = np.abs(design.scallop_at(between.ravel())).reshape(between.shape).max(axis=1)
    steeper = np.maximum(_steepness(design.curve, at) - _steepness(design.curve, edge), 0.0)
    return np.where(at == edge, 0.0, np.hypot(bent, ZERO_SHIFT * (high - low) * steeper))


def below_for_lines(design: Design, at: np.ndarray, visited: np.ndarray) -> np.ndarray:
    """How far each breakpoint may have been set below the meter's curve, log units; below 0 where above it.

    A curve that was chosen for its straight lines, as the kit's own are, has its breakpoints off a bent meter for the
    lines to serve where was driven: by about what line and curve lie apart in the wider of the gaps beside it that were
    visited. The fit sees that where a breakpoint itself was driven, not where only its neighbours were.
    """
    share = np.linspace(0.0, 1.0, 9)[1:-1]
    gaps = design.scallop_at((at[:-1, None] + np.diff(at)[:, None] * share).ravel()).reshape(-1, share.size)
    apart = np.take_along_axis(gaps, np.abs(gaps).argmax(axis=1)[:, None], axis=1)[:, 0]
    apart = np.where((at[1:] > visited.min()) & (at[:-1] < visited.max()), apart, 0.0)
    beside_it = np.column_stack([np.append(0.0, apart), np.append(apart, 0.0)])
    widest = np.abs(beside_it).argmax(axis=1)
    return -beside_it[np.arange(at.size), widest]


def below_the_driven(curve: MeterCurve, driven: np.ndarray) -> np.ndarray:
    """How far breakpoints between the driven ones lie below a smooth curve through these, log units; 0 at all others.

    The fit takes the meter's error to run smoothly from one to the next. Where an earlier revision moved only the
    driven ones, or a hand only some, the curve in force has a dent between them, and the error may be larger by it.
    """
    flow = np.asarray(curve.flow_kg_h, dtype=float)
    kept = np.flatnonzero(driven & (flow > 0))
    if kept.size < 3:
        return np.zeros(flow.size)
    smooth = scipy.interpolate.PchipInterpolator(curve.reading[kept], np.log(flow[kept]), extrapolate=False)
    apart = smooth(curve.reading) - np.log(np.maximum(flow, 1e-3))
    return np.where(driven, 0.0, np.nan_to_num(apart))


def _steepness(curve: MeterCurve, reading: np.ndarray) -> np.ndarray:
    """Rise of the smooth curve's log flow by the reading."""
    step = 0.01 * float(np.ptp(curve.reading)) * np.array([[-1.0], [1.0]])
    at = np.clip(reading + step, curve.reading[0], curve.reading[-1])
    low, high = (smooth_log_flow(curve, row) for row in at)
    return (high - low) / np.maximum(at[1] - at[0], 1e-9)


def _trust(error_now: np.ndarray) -> np.ndarray:
    """Share of the expected error to be taken out where nothing was measured, from draws of it, shape (points,).

    None where the error may as well be none, nearly all where it is many times its own spread: what is left is never
    expected to be more than what there was.
    """
    mean, spread = error_now[0], error_now[1:].std(axis=0)
    share = 1.0 - (spread / np.maximum(np.abs(mean), 1e-9)) ** 2
    return np.where(share >= LEAST_FOLLOW, share, 0.0)


def _evidence(
    coordinate: Coordinate, at: np.ndarray, measured: np.ndarray, visited: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Which breakpoints lie at a measured reading, and from which the ECU draws a straight line into a visited one."""
    if not measured.size:
        return np.zeros(at.size, dtype=bool), np.zeros(at.size, dtype=bool)
    driven = np.abs(coordinate.at(at)[:, None] - coordinate.at(measured)).min(axis=1) <= NEAR
    return driven, beside(at, visited)


def beside(at: np.ndarray, visited: np.ndarray) -> np.ndarray:
    """Which breakpoints bound an interval that was visited, shape (breakpoints,)."""
    touching = np.zeros(at.size, dtype=bool)
    right = np.clip(np.searchsorted(at, visited), 1, at.size - 1)
    touching[right] = touching[right - 1] = True
    return touching


def suspected_leak(design: Design, curve: MeterCurve, posterior: Posterior) -> np.ndarray:
    """How far lower the curve lies at each reading if its rise toward little air is an exhaust leak, log units."""
    reading = posterior.reading
    measured = reach_seconds(design, reading) >= LEAST_SECONDS
    log_factor, log_flow = posterior.log_factor[0], log_flow_in_force(curve, reading)
    known = np.where(measured, log_factor, np.nan)
    return leak_allowance(log_flow + known, known, log_flow + log_factor, suspected=True)


def overall_constant(joint: Joint, posterior: Posterior) -> OverallConstant:
    """The mean level of the measured curve, weighted by where was driven."""
    at = joint.design.blocks["reading"].to_numpy()
    level = np.array([np.interp(at, posterior.reading, row).mean() for row in posterior.log_factor])
    width = interval_width(joint) * np.hypot(level[1:].std(), _day_sd(joint))
    return OverallConstant(
        factor=float(np.exp(level[0])),
        lower=float(np.exp(level[0] - width)),
        upper=float(np.exp(level[0] + width)),
        because=(
            "Injector flow, the scale of the meter, the gain of the lambda sensor and the fuel's own stoichiometric "
            "ratio all multiply lambda alike: no log can show which of them is off. Applied to the curve it sets "
            "lambda right in any case."
        ),
    )


REACH_V = 0.3  # beyond the visited voltages, up to which a row counts as measured
CARRY_V = 1.0  # beyond the visited voltages, up to which a change with voltage is carried on
UNKNOWN_SLOPE_MS_V = 0.04  # standard deviation of the unknown change with voltage further out; common practice


def dead_time_error(joint: Joint, posterior: Posterior, shown: Shown, revision: Revision) -> DeadTimeError:
    """Dead-time error with intervals; NaN where not shown."""
    z, reference = interval_width(joint), joint.design.reference_v
    mean, spread = posterior.dead_time_ms[0], np.sqrt(np.diag(posterior.dead_time_cov))
    visited = np.quantile(joint.design.blocks["battery_v"], [0.01, 0.99])
    level = (mean[0], mean[0] - z * spread[0], mean[0] + z * spread[0]) if shown.level else (np.nan,) * 3
    slope = (mean[1], mean[1] - z * spread[1], mean[1] + z * spread[1]) if shown.slope else (np.nan,) * 3
    return DeadTimeError(
        shown=shown.level,
        because=shown.level_because,
        slope_shown=shown.slope,
        slope_because=shown.slope_because,
        level_ms=float(level[0]),
        lower_ms=float(level[1]),
        upper_ms=float(level[2]),
        slope_ms_v=float(slope[0]),
        slope_lower_ms_v=float(slope[1]),
        slope_upper_ms_v=float(slope[2]),
        reference_v=reference,
        visited_v=(float(visited[0]), float(visited[1])),
        rows=_rows(posterior, shown, revision, reference, visited, z),
    )


def _rows(
    posterior: Posterior, shown: Shown, revision: Revision, reference_v: float, visited: np.ndarray, z: float
) -> pd.DataFrame:
    """Change at each row of the table; far from the visited voltages the level goes on and the interval opens."""
    table = revision.dead_time
    battery = np.asarray(table.battery_v, dtype=float)
    away = np.maximum(np.maximum(visited[0] - battery, battery - visited[1]), 0.0)
    single = battery.size == 1
    near = (away <= REACH_V) | single
    held = np.clip(battery, visited[0] - CARRY_V, visited[1] + CARRY_V)
    powers = ((reference_v if single else held) - reference_v) * np.ones(battery.size)
    powers = powers[:, None] ** np.arange(3)
    change = powers @ posterior.dead_time_ms[0]
    spread = np.sqrt(np.einsum("ij,jk,ik->i", powers, posterior.dead_time_cov, powers))
    slope_unknown = away if shown.slope else np.abs(battery - reference_v)
    spread = np.hypot(spread, 0.0 if single else UNKNOWN_SLOPE_MS_V * slope_unknown)
    basis = np.where(near, "measured", "extended") if shown.level else np.full(battery.size, "unchanged")
    known = shown.level
    return pd.DataFrame(
        {
            "battery_v": battery,
            "dead_time_in_force_ms": np.asarray(table.dead_time_ms, dtype=float),
            "change_ms": change if known else np.nan,
            "change_lower_ms": change - z * spread if known else np.nan,
            "change_upper_ms": change + z * spread if known else np.nan,
            "basis": basis,
        }
    )


SPEED_STEP_RPM = 400.0
LOAD_STEP = 0.08
LEAST_PCT = 0.5  # an over-reading below it is not worth a word
COUNTED = "It counts in the lambda error; look at the fuel pressure under load and at what the ECU adds or takes there."


def pulsation_map(joint: Joint, posterior: Posterior, disturbed: np.ndarray) -> PulsationMap:
    """Average the fitted over-reading by cells; cells that were not driven are NaN.

    `disturbed`, shape (blocks,), says which blocks were set aside for it.
    """
    blocks = joint.design.blocks
    speed_edges = _edges(np.exp(blocks["log_speed"].to_numpy()), SPEED_STEP_RPM)
    load_edges = _edges(blocks["load"].to_numpy(), LOAD_STEP)
    speed = np.digitize(np.exp(blocks["log_speed"]), speed_edges) - 1
    load = np.digitize(blocks["load"], load_edges) - 1
    shape = (load_edges.size - 1, speed_edges.size - 1)
    cell = load * shape[1] + speed
    over = 100 * np.expm1(-posterior.pulsation)
    count = np.bincount(cell, minlength=shape[0] * shape[1])
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.array([np.bincount(cell, row, count.size) / count for row in over])
    lower, upper = np.quantile(means[1:], [0.025, 0.975], axis=0)
    sure = (count > 0) & (np.abs(means[0]) > LEAST_PCT) & ((lower > 0) | (upper < 0))
    return PulsationMap(
        engine_speed_rpm=(speed_edges[1:] + speed_edges[:-1]) / 2,
        load=(load_edges[1:] + load_edges[:-1]) / 2,
        over_reading_pct=means[0].reshape(shape),
        lower_pct=lower.reshape(shape),
        upper_pct=upper.reshape(shape),
        seconds=np.bincount(cell, blocks["seconds"], count.size).reshape(shape),
        shown=bool(sure.any()),
        because=_because(joint, sure, means[0], bool(disturbed.any())),
    )


def _edges(values: np.ndarray, step: float) -> np.ndarray:
    low, high = np.floor(values.min() / step), np.floor(values.max() / step) + 1
    return step * np.arange(low, high + 1)


def _because(joint: Joint, sure: np.ndarray, mean: np.ndarray, set_aside: bool) -> str:
    never = sum(member.share for member in joint.members if not np.isfinite(member.onset.value))
    if not sure.any():
        if never > 0.5:
            return "Nothing beyond the curve and the dead time shows at high load."
        return f"No cell of the map is clear of its interval and of {LEAST_PCT:g} %."
    rich, lean = max(0.0, float(mean[sure].max())), max(0.0, -float(mean[sure].min()))
    told = []
    if rich and set_aside:
        told.append(
            f"Up to {rich:.1f} % at high load, beyond what the curve says there. A curve of flow against reading "
            "cannot remove it; the curve was fitted without it."
        )
    elif rich:
        told.append(
            f"At high load the mixture is up to {rich:.1f} % richer than curve and dead time say, at high engine speed "
            f"as at low. Pulsation fades as engine speed rises, so this is something else. {COUNTED}"
        )
    if lean:
        told.append(
            f"At high load the mixture is up to {lean:.1f} % leaner than curve and dead time say. A meter in pulsating "
            f"air reads too much, never too little, so this is no pulsation. {COUNTED}"
        )
    return " ".join(told)
