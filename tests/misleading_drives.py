"""Drives of the plain engine that mislead: one fault each, its truth, and what the steady question makes of the log.

The calls are those of `notebooks/steady.ipynb`, in its order. All faults are invented; their sizes are those that a
careful owner meets.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import plain_engine
import xarray as xr
from plain_engine import PlainEngine, level_drift
from steady_trials import DAY

from tunelab.record.earlier import prediction
from tunelab.study.consistency import assumptions_table, check_consistency, withhold, withhold_findings
from tunelab.study.delay import estimate_delay
from tunelab.study.finding import Finding
from tunelab.study.hold import flow_edges, speed_edges
from tunelab.study.proposal import Proposal, propose
from tunelab.study.steady import Delay, SteadyFit, fit_steady
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

IDLE_KG_H = 15.0  # least air at which a leak's share is stated


def _as_it_is(log: xr.Dataset) -> xr.Dataset:
    return log


def _right(revision: Revision) -> Revision:
    return revision


def _own_car(car: Car) -> Car:
    return car


@dataclass(frozen=True)
class Kind:
    """One way in which a drive misleads, and what has to come of it."""

    faults: Callable[[PlainEngine], Mapping[str, Callable]] = lambda engine: {}
    corrupt: Callable[[xr.Dataset], xr.Dataset] = _as_it_is  # what the logger makes of it
    stated: Callable[[Revision], Revision] = _right  # what the owner's file says in place of what is in the ECU
    car: Callable[[Car], Car] = _own_car  # what the owner states of the car
    caught_by: tuple[str, ...] = ()  # findings of which one speaks, where this is not small
    assumption: str = ""  # words of the one that the page says the numbers stand on, where no log can show it


def _least_air(engine: PlainEngine) -> float:
    return float(0.15 * plain_engine.LITRE_DENSITY * engine.car.engine.displacement_l * 850 / 2 * 60)


def unmetered_air(share: float) -> Callable[[PlainEngine], Mapping[str, Callable]]:
    """A hole behind the meter: choked at low manifold pressure, a share of the air at idle."""

    def faults(engine: PlainEngine) -> Mapping[str, Callable]:
        def flow(rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
            ratio = np.clip((engine.manifold_kpa(load) / 101.3 - 0.53) / 0.47, 0, 1)
            return share * _least_air(engine) * np.sqrt(1 - ratio**2)

        return {"unmetered": flow}

    return faults


def pressure_off(drop: Callable[[PlainEngine, np.ndarray, np.ndarray], np.ndarray]):
    """Fuel pressure across the injectors, as a share of the stated, at (rpm, load); flow goes with its root."""

    def faults(engine: PlainEngine) -> Mapping[str, Callable]:
        return {"starved": lambda rpm, load: -0.5 * np.log(drop(engine, np.asarray(rpm), np.asarray(load)))}

    return faults


def _falling(engine: PlainEngine, rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
    """A fifth less at the largest flow of the sweep."""
    return 1 - 0.2 * np.clip(rpm * load / (5200 * 0.92), 0, 1)


def _unreferenced(engine: PlainEngine, rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
    rail = engine.car.injectors.rail_pressure_kpa
    return (rail + 101.3 - engine.manifold_kpa(load)) / rail


def _ground(per_volt: float):
    return lambda engine: {"misread": lambda rpm, air, battery: per_volt * (14.0 - battery)}


def _leak(share: float):
    return lambda engine: {"misread": lambda rpm, air, battery: np.log1p(share * IDLE_KG_H / np.maximum(air, 5.0))}


def _cam(share: float):
    """Fresh air that passes through the cylinder while both valves are open: at low speed and load alone."""

    def faults(engine: PlainEngine) -> Mapping[str, Callable]:
        def lean(rpm: np.ndarray, air: np.ndarray, battery: np.ndarray) -> np.ndarray:
            closed = np.clip((0.45 - engine.load(air, rpm)) / 0.3, 0, 1)
            return np.log1p(share) * closed * np.exp(-np.maximum(rpm - 850, 0) / 700)

        return {"misread": lean}

    return faults


def _bent(ms: float, decay_ms: float):
    """Injectors whose short pulses deliver otherwise than the straight line through the long ones."""
    return lambda engine: {"bend": lambda opened: ms * np.exp(-np.asarray(opened) / decay_ms)}


def _scaled(channel: str, factor: float):
    return lambda log: log.assign({channel: log[channel] * factor})


def _flow_off(factor: float):
    def stated(revision: Revision) -> Revision:
        flow = {"flow_g_min": factor * revision.injectors.flow_g_min}
        return revision.model_copy(update={"injectors": revision.injectors.model_copy(update=flow)})

    return stated


def _drift(share: float):
    return lambda engine: {"sensor_shift": level_drift(share, over_s=600.0)}


def _long_overlap(car: Car) -> Car:
    return car.model_copy(update={"engine": car.engine.model_copy(update={"long_overlap_cam": True})})


PRESSURE, LEAKS, LINE = "Fuel pressure stays", "No air leaks into the exhaust", "short pulses too"
BEHIND = "All air goes through the meter"
KINDS = {
    "nothing wrong": Kind(),
    "injector flow stated 10 % high": Kind(stated=_flow_off(1.1), caught_by=("consistency.pulse",)),
    "meter voltage logged 1.5 % high": Kind(corrupt=_scaled("meter_v", 1.015), caught_by=("consistency.pulse",)),
    "engine speed logged 3.3 % low": Kind(corrupt=_scaled("engine_speed_rpm", 0.967), caught_by=("consistency.pulse",)),
    "lambda drifts by 6 %": Kind(_drift(0.06), caught_by=("steady.halves",)),
    "lambda drifts by 15 %": Kind(_drift(0.15), caught_by=("steady.halves",)),
    "AFR by another ratio, 6 %": Kind(
        corrupt=_scaled("lambda_measured", 1.06), assumption="The lambda sensor reads right"
    ),
    "unmetered air, 10 % of idle": Kind(unmetered_air(0.1), assumption=BEHIND),
    "unmetered air, 20 % of idle": Kind(unmetered_air(0.2), assumption=BEHIND),
    "fuel pressure falls 20 % with load": Kind(pressure_off(_falling), assumption=PRESSURE),
    "regulator off the manifold": Kind(
        pressure_off(_unreferenced), caught_by=("steady.regulator",), assumption=PRESSURE
    ),
    "lambda ground follows battery, 2.5 %/V": Kind(_ground(0.025), caught_by=("steady.battery",)),
    "injectors short at short pulses": Kind(_bent(-0.12, 0.8), assumption=LINE),
    "injectors long at short pulses": Kind(_bent(0.12, 0.8), assumption=LINE),
    "lambda lean at idle, long-overlap cam, 10 %": Kind(_cam(0.10), car=_long_overlap, assumption=LEAKS),
    "exhaust leak, 10 % at 15 kg/h": Kind(_leak(0.10), assumption=LEAKS),
}


@dataclass(frozen=True)
class Answer:
    """What the steady question answers to a misleading drive, beside the truth."""

    engine: PlainEngine  # with its fault
    car: Car
    stated: Revision
    fit: SteadyFit
    proposal: Proposal
    checks: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    before_pct: float  # true p95 of lambda, as it was driven
    after_pct: float  # with the proposal entered

    @property
    def speaking(self) -> dict[str, str]:
        """Findings that are a stop or a watch, but for those that say how far off the car itself is."""
        own = {"steady.lambda_error", "steady.meter", "steady.lambda_predicted"}
        return {f.id: f.status for f in self.findings if f.status in {"stop", "watch"} and f.id not in own}

    @property
    def held(self) -> bool:
        """Whether the true error does not pass the upper end of what was predicted."""
        return self.after_pct <= self.proposal.predicted.upper_pct

    @property
    def dead_time_held(self) -> bool:
        """Whether the dead time's interval holds the true one, or none is told."""
        dead = self.fit.dead_time
        return not dead.shown or dead.lower_ms <= self.true_dead_time_ms <= dead.upper_ms

    @property
    def true_dead_time_ms(self) -> float:
        """True error of the dead time in force."""
        at, table = np.array([self.fit.dead_time.reference_v]), self.stated.dead_time
        return float((self.engine.true_dead_time(at) - np.interp(at, table.battery_v, table.dead_time_ms))[0])

    def says(self, words: str) -> bool:
        """Whether the page names an assumption by these words, with its test by hand."""
        table = assumptions_table(self.checks)
        named = table[table["taken as true"].str.contains(words, regex=False)]
        return bool(len(named) and named["how to test it by hand"].str.len().min() > 40)

    def comes_of(self, kind: Kind) -> str:
        """How the fault is answered; empty where it is not."""
        spoke = [name for name in kind.caught_by if name in self.speaking]
        if self.withheld:
            return "withheld"
        if self.held and (spoke or self.dead_time_held):
            return "caught, interval holds" if spoke else "interval holds"
        if kind.assumption and self.says(kind.assumption) and self.after_pct < self.before_pct:
            return "stated, to be tested by hand"
        return ""

    @property
    def withheld(self) -> bool:
        """Whether nothing is proposed to enter."""
        table = self.proposal.curve
        return bool((table["flow_proposed_kg_h"] == table["flow_in_force_kg_h"]).all())


def drive_of(kind: Kind, seed: int, *, minutes: float) -> tuple[Car, Revision, xr.Dataset]:
    """What the owner states of car and revision, and the log of a drive with the fault in it."""
    engine = plain_engine.invent(seed)
    faulty = replace(engine, **kind.faults(engine))
    log = plain_engine.drive(faulty, engine.revision, seed=100 + seed, minutes=minutes, rate_hz=25)
    return kind.car(engine.car), kind.stated(engine.revision), kind.corrupt(log)


def answer(kind: Kind, seed: int, *, minutes: float = 10.0, delay: bool = True) -> Answer:
    """Drive a car with the fault in it and ask the steady question as its notebook does.

    Without `delay` the car's own stands in for the one that the log would show.
    """
    engine = plain_engine.invent(seed)
    faulty = replace(engine, **kind.faults(engine))
    car, stated, log = drive_of(kind, seed, minutes=minutes)
    checks = tuple(check_consistency([log], car, {"r01": stated}, "r01"))
    late = estimate_delay(log, car, stated) if delay else car.lambda_sensor
    fit = fit_steady([log], car, {"r01": stated}, "r01", delay=Delay(late.delay_s, late.delay_flow_s_kg_h, late.lag_s))
    proposal = withhold(propose(fit, car, stated), checks)
    findings = (*checks, *withhold_findings((*fit.findings(car), prediction(fit, proposal, car)), checks))
    entered = proposal.to_revision("r02", DAY).model_copy(update={"injectors": engine.revision.injectors})
    scores = (true_p95_pct(faulty, revision, seed) for revision in (engine.revision, entered))
    return Answer(faulty, car, stated, fit, proposal, checks, findings, *scores)


def true_p95_pct(engine: PlainEngine, revision: Revision, seed: int) -> float:
    """95th percentile of true lambda's error over the cells of speed and airflow of the sweep, each alike. [%]

    Over undisturbed places, trims at zero, up to the sensor's constant gain: what the kit's own figure speaks of.
    """
    plan = plain_engine.schedule(np.random.default_rng([100 + seed, 23]), 600, "grid")[:, 1:]
    rng = np.random.default_rng([seed, 29])
    rpm, load = np.repeat(plan, 12, axis=0).T * np.exp(rng.normal(0, [[0.006], [0.01]], (2, 12 * len(plan))))
    calm = engine.over_reading(rpm, load) < 0.003
    rpm, load = rpm[calm], load[calm]
    size = np.abs(plain_engine.error_at(engine, revision, rpm, load, battery=13.5))
    air = load * plain_engine.LITRE_DENSITY * engine.car.engine.displacement_l * rpm / 2 * 60
    speeds = speed_edges(engine.car.engine.idle_target_rpm, engine.car.limits.rev_limit_rpm)
    flows = flow_edges(float(air.min()), float(air.max()), engine.revision.meter_curve.flow_kg_h)
    cell = np.digitize(rpm, speeds) * 1000 + np.digitize(air, flows[1:-1])
    weight = 1.0 / np.unique(cell, return_counts=True)[1][np.unique(cell, return_inverse=True)[1]]
    order = np.argsort(size)
    return float(size[order][np.searchsorted(np.cumsum(weight[order]), 0.95 * weight.sum())])
