"""The steady study from flagged logs to its result."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr
from threadpoolctl import threadpool_limits

from tunelab.physics.load import absolute_load
from tunelab.study.steady.blocks import Delay, calm_blocks
from tunelab.study.steady.curve import (
    dead_time_error,
    dense_readings,
    meter_error,
    overall_constant,
    pulsation_map,
    suspected_leak,
)
from tunelab.study.steady.findings import WITHIN
from tunelab.study.steady.joint import Joint, fit_joint
from tunelab.study.steady.leak import CAM_CHANCE, CHANCE, LeakBelief, Suspicion, leak_belief, suspicion_of, with_leak
from tunelab.study.steady.levels import bank_difference, lean_at_load, level_course, level_doubt, split_half
from tunelab.study.steady.model import Design, coordinate_of, default_dead_time_sd
from tunelab.study.steady.points import Points, breakpoint_points, points_of, visited_places
from tunelab.study.steady.posterior import (
    UNKNOWN_DEAD_TIME_MS,
    Posterior,
    Shown,
    draw_posterior,
    model_sd_ms,
    what_is_shown,
    with_misplaced_reading,
    with_unknown_dead_time,
)
from tunelab.study.steady.prediction import in_force, predict_lambda_error
from tunelab.study.steady.result import DeadTimeError, Levels, MeterError, SteadyFit
from tunelab.study.steady.samples import NothingToFit, Samples, refer
from tunelab.study.steady.setting import Evidence, best_setting, expected_error, reached
from tunelab.study.steady.suspects import Suspects, suspects_of, with_bend
from tunelab.study.steady.unshown import measured_blocks, nothing_shown, too_little
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

LEAST_AIR = 0.02  # share of the driving with less air than what counts as the least
METHOD = (
    "Joint fit of meter error, dead-time error and intake pulsation to steady blocks of about 1 s: Gaussian-process "
    "curve on two length-scales, error shared by the blocks of a hold, heavy-tailed noise, sizes by marginal likelihood"
)


def fit_steady(
    logs: Sequence[xr.Dataset],
    car: Car,
    revisions: Mapping[str, Revision],
    reference: str,
    *,
    delay: Delay | None = None,
    rng: np.random.Generator | None = None,
) -> SteadyFit:
    """Fit the meter's error and the injectors' dead-time error to the steady driving of one or several sessions.

    Parameters
    ----------
    logs : sequence of Dataset
        Flagged logs; each names its session and its revision in its attributes.
    car : Car
        The car.
    revisions : mapping of str to Revision
        All revisions that the logs were driven with, and the reference.
    reference : str
        Name of the revision that the errors refer to.
    delay : Delay, optional
        Transport delay and lag of lambda, as a delay study found them; without it, what the car states.
    rng : Generator, optional
        For the draws behind the intervals; without it a fixed one, so that the same logs give the same result.

    Returns
    -------
    SteadyFit
        Where a channel is missing that nothing can stand in for, or steady driving is too little: one that shows
        nothing and says in `because` what is missing and in `notes` which drive would bring it.

    Raises
    ------
    ValueError
        No logs, or one that was not flagged.
    KeyError
        A revision that is not among `revisions`.
    """
    base, sessions = _revision(revisions, reference), [str(log.attrs.get("session", "")) for log in logs]
    try:
        samples = [refer(log, car, _revision(revisions, _own(log, reference)), base) for log in logs]
    except NothingToFit as problem:
        return nothing_shown(car, base, str(problem), sessions=sessions)
    blocks = _pool(samples, car, delay or stated_delay(car), reference)
    because = too_little(blocks)
    if because:
        return nothing_shown(car, base, because, samples=samples, blocks=blocks, sessions=sessions)
    design = Design(
        blocks, coordinate_of(base.meter_curve, blocks["reading"].to_numpy()), base.meter_curve, _mean_battery(blocks)
    )
    with threadpool_limits(limits=1):  # the matrices are small: threads only wait for one another
        return _fit_and_assemble(design, samples, car, base, np.random.default_rng(1) if rng is None else rng)


def _fit_and_assemble(
    design: Design, samples: list[Samples], car: Car, base: Revision, rng: np.random.Generator
) -> SteadyFit:
    referenced = car.injectors.pressure == "manifold-referenced"
    rail_kpa = car.injectors.rail_pressure_kpa if referenced else None
    fitted = _fit(design, all(s.pressure_known for s in samples), rail_kpa)
    reading = dense_readings(design.coordinate, base.meter_curve)
    posterior = draw_posterior(fitted.joint, reading, rng, level_sd=_level_sd(fitted))
    doubt_ms = model_sd_ms(design) if fitted.shown.level else UNKNOWN_DEAD_TIME_MS
    posterior = with_unknown_dead_time(posterior, design, doubt_ms, rng)
    posterior = with_misplaced_reading(posterior, max((s.misplaced for s in samples), key=abs), rng)
    return _assemble(fitted, posterior, samples, car=car, revision=base, rng=rng)


def _level_sd(fitted: _Fitted) -> float:
    return float(np.hypot(level_doubt(fitted.levels), fitted.suspects.level_doubt))


def stated_delay(car: Car) -> Delay:
    """Delay and lag that the car's file states."""
    sensor = car.lambda_sensor
    return Delay(sensor.delay_s, sensor.delay_flow_s_kg_h, sensor.lag_s)


def _own(log: xr.Dataset, reference: str) -> str:
    return str(log.attrs.get("revision") or reference)


def _revision(revisions: Mapping[str, Revision], name: str) -> Revision:
    if name not in revisions:
        near = difflib.get_close_matches(name, list(revisions), n=1)
        hint = f"; the nearest known one is {near[0]}" if near else ""
        raise KeyError(f"revision {name!r} is not among those given ({', '.join(revisions)}){hint}.")
    return revisions[name]


def _pool(samples: list[Samples], car: Car, delay: Delay, reference: str) -> pd.DataFrame:
    """Steady blocks of all logs, holds numbered through.

    `driven` is log lambda over commanded as it was driven; NaN where that was with another revision than `reference`.
    """
    if not samples:
        raise ValueError("no logs were given: the steady study needs at least one.")
    tables, holds = [], 0
    for own in samples:
        table = calm_blocks(own, delay)
        table["hold"] += holds
        commanded = table["lambda_commanded"].where(table["lambda_commanded"] > 0)
        table["driven"] = table["log_lambda"] - np.log(commanded) if own.revision == reference else np.nan
        holds += table["hold"].nunique()
        tables.append(table)
    pooled = pd.concat(tables, ignore_index=True)
    share = absolute_load(
        np.exp(pooled["log_air"]), np.exp(pooled["log_speed"]), displacement_l=car.engine.displacement_l
    )
    return pooled.assign(load=convert(share, "percent", "1"))


def _mean_battery(blocks: pd.DataFrame) -> float:
    return float(blocks["battery_v"].mean())


@dataclass(frozen=True)
class _Fitted:
    """The joint fit with all that the drive shows, and no more."""

    joint: Joint
    shown: Shown
    dead_time_sd: np.ndarray
    levels: Levels
    suspects: Suspects


def _fit(design: Design, pressure_known: bool, rail_kpa: float | None) -> _Fitted:
    """Fit with all that the drive may show, judge what it shows, and fit again without the rest."""
    joint = fit_joint(design, default_dead_time_sd(level=True, slope=True))
    shown = what_is_shown(joint, pressure_known=pressure_known)
    wanted = default_dead_time_sd(level=shown.level, slope=shown.slope)
    joint = joint if shown.slope else fit_joint(design, wanted)
    levels = level_course(joint, wanted)
    suspects = suspects_of(joint, rail_kpa=rail_kpa if shown.level else None)
    hidden = suspects.dead_time_hidden
    if levels.moved_within:
        hidden = f"{levels.moved_within} What changes with time cannot be separated from a dead-time error. {WITHIN}"
    if hidden and shown.level:
        because = hidden
        shown, wanted = Shown(False, because, False, because), default_dead_time_sd(level=False, slope=False)
        joint = fit_joint(design, wanted)
    return _Fitted(joint, shown, wanted, levels, suspects)


def _assemble(
    found: _Fitted, posterior: Posterior, samples: list[Samples], *, car: Car, revision: Revision,
    rng: np.random.Generator,
) -> SteadyFit:  # fmt: skip
    joint, design = found.joint, found.joint.design
    posterior, leak, suspicion = _allow_for_leak(found, posterior, samples, car, revision, rng)
    fitted = _fitted(joint)
    left = design.blocks["y"].to_numpy() - fitted
    points = points_of(design.blocks, left, posterior, design.reference_v, rev_limit_rpm=car.limits.rev_limit_rpm)
    places = visited_places(samples, points, design.coordinate, car)
    at = breakpoint_points(revision.meter_curve, places, design.coordinate, car.engine.idle_target_rpm)
    meter, dead_time = _errors(found, posterior, (at, reached(revision.meter_curve, places)), car, revision)
    best = best_setting(Evidence(points, places, at, posterior, meter, dead_time, car, revision))
    return SteadyFit(
        reference=revision.name,
        sessions=tuple(dict.fromkeys(s.session for s in samples)),
        confidence=0.95,
        method=METHOD,
        meter=meter,
        dead_time=dead_time,
        constant=overall_constant(joint, posterior),
        pulsation=pulsation_map(joint, posterior, points.disturbed),
        before=predict_lambda_error(points, posterior, in_force(revision), car, revision),
        predicted=predict_lambda_error(points, posterior, best, car, revision),
        banks=bank_difference(joint.design.blocks, car),
        split_half=split_half(joint, posterior.reading, found.dead_time_sd),
        blocks=_block_table(joint, posterior, fitted, points.disturbed),
        notes=tuple(dict.fromkeys(note for own in samples for note in own.notes)),
        samples_used=int(joint.design.blocks["samples"].sum()),
        samples_flagged=sum(s.flagged for s in samples),
        points=points,
        posterior=posterior,
        levels=found.levels,
        suspects=found.suspects,
        lean_at_load=lean_at_load(joint.design.blocks),
        places=places,
        at_breakpoints=at,
        leak=leak,
        suspicion=suspicion,
    )


def _errors(
    found: _Fitted, posterior: Posterior, reached_at: tuple[Points, np.ndarray], car: Car, revision: Revision
) -> tuple[MeterError, DeadTimeError]:
    wider = with_bend(posterior, found.joint, found.suspects.bend)
    error_now = expected_error(*reached_at, posterior, car, revision)
    meter = meter_error(found.joint, wider, car.meter.channel, revision, error_now)
    return meter, dead_time_error(found.joint, wider, found.shown, revision)


def _allow_for_leak(
    found: _Fitted, posterior: Posterior, samples: list[Samples], car: Car, revision: Revision,
    rng: np.random.Generator,
) -> tuple[Posterior, LeakBelief, Suspicion | None]:  # fmt: skip
    """The posterior that allows for air into the exhaust, what is believed of a leak, and where one is suspected."""
    joint = found.joint
    tight = replace(posterior, leak=suspected_leak(joint.design, revision.meter_curve, posterior))
    unknown = 0.0 if found.shown.level else UNKNOWN_DEAD_TIME_MS
    chance = CAM_CHANCE if car.engine.long_overlap_cam else CHANCE
    least = _least_reading(samples)
    leak = leak_belief(joint, tight, least_reading=least, unknown_dead_time_ms=unknown, chance=chance)
    return with_leak(tight, leak, rng), leak, suspicion_of(tight, leak, rng)


def _least_reading(samples: Sequence[Samples]) -> float:
    """Reading at the least air that the engine ran on for a while, steady or not."""
    reading = np.concatenate([own.reading[own.fuel_trusted & np.isfinite(own.log_air)] for own in samples])
    return float(np.quantile(reading, LEAST_AIR))


def _fitted(joint: Joint) -> np.ndarray:
    """What the whole model says of y, shape (blocks,)."""
    return sum(m.share * (m.columns.offset + m.columns.matrix @ m.solution.mean) for m in joint.members)


def _block_table(joint: Joint, posterior: Posterior, fitted: np.ndarray, disturbed: np.ndarray) -> pd.DataFrame:
    """Blocks with what was measured, what was fitted and what is left."""
    blocks = joint.design.blocks
    return measured_blocks(blocks).assign(
        fitted_pct=100 * np.expm1(fitted),
        residual_pct=100 * (blocks["y"] - fitted),
        weight=joint.weight,
        pulsation_pct=100 * np.expm1(-posterior.pulsation[0]),
        disturbed=disturbed,
    )
