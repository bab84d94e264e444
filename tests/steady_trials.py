"""Trials of the steady study on two engines whose truth is known: the tests' own plain one and the kit's simulator."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import plain_engine
import xarray as xr

from tunelab.log.flag import flag_log
from tunelab.physics.load import absolute_load
from tunelab.simulate import drive, random_car, steady_sweep
from tunelab.simulate.engine import (
    ecu_injector_flow_g_s,
    meter_reading,
    true_dead_time_ms,
    true_flow_kg_h,
    true_injector_flow_g_s,
)
from tunelab.study.hold_choice import MOVE_S
from tunelab.study.information import reading_at
from tunelab.study.proposal import propose
from tunelab.study.steady import SteadyFit, fit_steady
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

DAY = datetime.date(2026, 5, 3)
CONSUMERS_V = 0.9  # by which the battery voltage falls with all consumers on
POINTS = ("engine_speed_rpm", "battery_v", "manifold_kpa", "barometer_kpa", "lambda_commanded")


@dataclass(frozen=True)
class Trial:
    """An engine of known truth with its first revision."""

    car: Car
    revision: Revision
    run: Callable[[Revision, int], xr.Dataset]  # drive with a revision, as the n-th session
    true_flow: Callable[[np.ndarray], np.ndarray]  # kg/h at a reading
    true_dead_time: Callable[[np.ndarray], np.ndarray]  # ms at a battery voltage
    constant: float  # log of what no log can separate: sensor gain and injector flow
    score: Callable[[Revision], float]  # p95 of the lambda error, %, over visited and undisturbed points


def plain_trial(
    seed: int, *, kind: str = "grid", faults: Mapping[str, Callable] | None = None, from_session: int = 1
) -> Trial:
    """A trial on the plain engine; `faults` (fields of the engine) are in its drives from a session on."""
    engine = plain_engine.invent(seed)
    faulty = replace(engine, **faults or {})

    def run(revision: Revision, session: int) -> xr.Dataset:
        driven = faulty if session >= from_session else engine
        log = plain_engine.drive(driven, revision, seed=100 * session + seed, minutes=10, rate_hz=25, kind=kind)
        return log.assign_attrs(session=f"drive {session}", revision=revision.name)

    return Trial(
        engine.car,
        engine.revision,
        run,
        engine.true_flow,
        engine.true_dead_time,
        engine.traits["gain"],
        lambda revision: plain_engine.score(engine, revision, seed=seed),
    )


def simulated_trial(seed: int, *, schedule: Callable = steady_sweep) -> Trial:
    """A trial on the kit's own simulator."""
    car, truth, first = random_car(np.random.default_rng([seed, 77]))
    meter, injectors = truth.meter, truth.injectors
    seen: dict[str, np.ndarray] = {}

    def run(revision: Revision, session: int) -> xr.Dataset:
        done = drive(truth, revision, schedule(truth, longest_s=600.0), rng=np.random.default_rng([seed, 78, session]))
        log = done.log(25.0).assign_attrs(session=f"drive {session}", revision=revision.name)
        flagged = flag_log(log, car, Session(date=DAY, steps=["steady"], revision=revision.name), revision=revision)
        if not seen:
            calm = flagged["sample_flag"].to_numpy() == 0
            step = round(len(done.time) / log.sizes["time"])
            air, over = (done.true[name][::step][: calm.size] for name in ("cylinder_flow_kg_h", "over_read"))
            calm &= over < 0.003
            seen.update({name: flagged[name].to_numpy()[calm] for name in POINTS})
            seen.update(air=air[calm], over=over[calm])
        return flagged

    at_rail = injectors.flow_g_min * (injectors.rail_pressure_kpa / injectors.rated_pressure_kpa) ** 0.5
    banks = 1.0 if truth.sensor.bank_2 is None else (1 + truth.sensor.bank_2) / 2
    constant = np.log(truth.sensor.gain * banks * first.injectors.flow_g_min / at_rail)

    def score(revision: Revision) -> float:
        reading = meter_reading(meter, seen["air"] * (1 + seen["over"]))
        believed = np.interp(reading, revision.meter_curve.reading, revision.meter_curve.flow_kg_h)
        per_injection = 2 * 1000 / 60 / seen["engine_speed_rpm"] / injectors.count / injectors.injections_per_cycle
        wanted = believed * per_injection / (revision.fuelling.stoich_afr * seen["lambda_commanded"])
        vacuum = seen["barometer_kpa"] - seen["manifold_kpa"]
        entered = np.interp(seen["battery_v"], revision.dead_time.battery_v, revision.dead_time.dead_time_ms)
        flows = [
            (
                ecu_injector_flow_g_s(injectors, revision.injectors.flow_g_min, v),
                true_injector_flow_g_s(
                    injectors, injectors.rail_pressure_kpa + v * (not injectors.is_manifold_referenced)
                ),
            )
            for v in vacuum
        ]
        ecu, true = np.array(flows).T
        opened = wanted / ecu + (entered - true_dead_time_ms(injectors, seen["battery_v"])) / 1000
        lam = seen["air"] * per_injection / (truth.stoich_afr * opened * true)
        ratio = lam * truth.sensor.gain * banks / seen["lambda_commanded"]
        return float(np.percentile(100 * np.abs(ratio - 1), 95))

    return Trial(
        car,
        first,
        run,
        lambda reading: true_flow_kg_h(meter, reading),
        lambda battery: true_dead_time_ms(injectors, battery),
        float(constant),
        score,
    )


@dataclass(frozen=True)
class Outcome:
    """How a fit compares with the truth."""

    before: float  # p95 of lambda, %
    after: float  # with one proposal
    predicted: float
    dead_time_error_us: float  # at the reference voltage; NaN where not shown
    curve_covered: float  # share of the dense curve's measured readings whose interval holds the truth
    rows_covered: float  # share of the dead-time rows called measured
    curve_rms: float  # %
    level_error: float  # mean error of the curve, %


def outcome(trial: Trial, fit: SteadyFit) -> Outcome:
    """Hold a fit that refers to the trial's first revision against the truth."""
    revision, meter, dead = trial.revision, fit.meter, fit.dead_time
    proposal = propose(fit, trial.car, revision).to_revision("next", DAY)
    true = trial.true_flow(meter.reading) / meter.flow_in_force_kg_h * np.exp(trial.constant)
    known = np.isfinite(meter.factor)
    error = 100 * np.log(meter.factor / true)[known]
    rows = dead.rows[(dead.rows["basis"] == "measured")]
    change = trial.true_dead_time(rows["battery_v"].to_numpy()) - rows["dead_time_in_force_ms"].to_numpy()
    held = (rows["change_lower_ms"] <= change) & (change <= rows["change_upper_ms"])
    at = np.array([dead.reference_v])
    entered = np.interp(at, revision.dead_time.battery_v, revision.dead_time.dead_time_ms)
    return Outcome(
        before=trial.score(revision),
        after=trial.score(proposal),
        predicted=fit.predicted.p95_pct,
        dead_time_error_us=float(1000 * (dead.level_ms - (trial.true_dead_time(at) - entered))[0]),
        curve_covered=float(np.mean(((meter.lower <= true) & (true <= meter.upper))[known])),
        rows_covered=float(held.mean()) if len(rows) else float("nan"),
        curve_rms=float(error.std()),
        level_error=float(error.mean()),
    )


def true_flow(trial, flow_kg_h):
    """Air that passes when the ECU says so much."""
    return trial.true_flow(reading_at(trial.revision, np.asarray(flow_kg_h)))


def driven_plain(seed, trial, holds, drive):
    """Log of a plan's holds on the plain engine: on the way from one to the next it is anywhere."""
    engine, rng = plain_engine.invent(seed), np.random.default_rng([seed, drive])
    rows, at = [], 0.0
    for one in holds:
        air = true_flow(trial, one.air_flow_kg_h * np.exp(rng.normal(0, 0.02)))
        load = float(absolute_load(air, one.engine_speed_rpm, displacement_l=trial.car.engine.displacement_l)) / 100
        drop = CONSUMERS_V * (one.consumers == "all on")
        rows += [
            (at, rng.uniform(1300, 3500), rng.uniform(0.2, 0.5), drop),
            (at + MOVE_S, one.engine_speed_rpm, load, drop),
        ]
        at += MOVE_S + one.seconds
    log = plain_engine.drive(
        engine, trial.revision, seed=1000 * drive + seed, minutes=at / 60, rate_hz=25, holds=np.array(rows)
    )
    return log.assign_attrs(session=f"drive {drive}", revision=trial.revision.name)


def fit_first(trial: Trial, logs: list[xr.Dataset], revisions: dict[str, Revision]) -> SteadyFit:
    """Fit logs against the trial's first revision."""
    return fit_steady(logs, trial.car, revisions, trial.revision.name)
