"""Drives of the plain engine that mislead: one fault each, its truth, and what the steady question makes of the log.

The calls are those of `notebooks/steady.ipynb`, in its order. All faults are invented; their sizes are those that a
careful owner meets.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import plain_engine
import xarray as xr
from plain_engine import PlainEngine, lean_at_load, level_drift
from steady_trials import DAY

from tunelab.record.steady import prediction
from tunelab.study.consistency import check_consistency, withhold, withhold_findings
from tunelab.study.delay import estimate_delay
from tunelab.study.finding import Finding
from tunelab.study.proposal import Proposal, propose
from tunelab.study.steady import Delay, SteadyFit, fit_steady
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

IDLE_KG_H = 15.0  # least air at which a leak's share is stated


def _as_it_is(log: xr.Dataset) -> xr.Dataset:
    return log


def _right(revision: Revision) -> Revision:
    return revision


@dataclass(frozen=True)
class Kind:
    """One way in which a drive misleads."""

    says: str
    faults: Callable[[PlainEngine], Mapping[str, Callable]] = lambda engine: {}
    corrupt: Callable[[xr.Dataset], xr.Dataset] = _as_it_is  # what the logger makes of it
    stated: Callable[[Revision], Revision] = _right  # what the owner's file says in place of what is in the ECU
    with_manifold: bool = False
    assumption: str = ""  # words of the assumption that the numbers stand on, where no log can show it
    answered_by: tuple[str, ...] = field(default=())  # findings of which one has to speak


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


KINDS = {
    "honest": Kind("nothing is wrong"),
    "injector flow stated 10 % high": Kind("", stated=_flow_off(1.1)),
    "meter voltage logged 1.5 % high": Kind("", corrupt=_scaled("meter_v", 1.015)),
    "engine speed logged 3.3 % low": Kind("", corrupt=_scaled("engine_speed_rpm", 0.967)),
    "lambda drifts 6 %": Kind("", _drift(0.06)),
    "lambda drifts 15 %": Kind("", _drift(0.15)),
    "AFR by another ratio, 6 %": Kind("", corrupt=_scaled("lambda_measured", 1.06), assumption="lambda sensor reads"),
    "unmetered air, 10 % at idle": Kind("", unmetered_air(0.1), assumption="All air goes through the meter"),
    "unmetered air, 20 % at idle": Kind("", unmetered_air(0.2), assumption="All air goes through the meter"),
    "fuel pressure falls 20 % with load": Kind("", pressure_off(_falling), assumption="Fuel pressure"),
    "regulator off the manifold": Kind("", pressure_off(_unreferenced), assumption="Fuel pressure"),
    "lambda ground follows battery, 2.5 %/V": Kind("", _ground(0.025), assumption="ground"),
    "injectors 80 us short at short pulses": Kind("", _bent(-0.12, 0.8), assumption="short pulses"),
    "injectors 80 us long at short pulses": Kind("", _bent(0.12, 0.8), assumption="short pulses"),
    "lambda lean at idle, cam, 10 %": Kind("", _cam(0.10), assumption="leaks into the exhaust"),
    "exhaust leak, 10 % at 15 kg/h": Kind("", _leak(0.10), assumption="leaks into the exhaust"),
}  # fmt: skip


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
    def withheld(self) -> bool:
        """Whether nothing is proposed."""
        table = self.proposal.curve
        return bool((table["flow_proposed_kg_h"] == table["flow_in_force_kg_h"]).all())


def answer(kind: Kind, seed: int, *, with_manifold: bool = False, minutes: float = 10.0, delay: bool = True) -> Answer:
    """Drive a car with the fault in it and ask the steady question as its notebook does."""
    engine = plain_engine.invent(seed)
    faulty = replace(engine, **kind.faults(engine))
    log = plain_engine.drive(
        faulty, engine.revision, seed=100 + seed, minutes=minutes, rate_hz=25, with_manifold=with_manifold
    )
    log, stated, car = kind.corrupt(log), kind.stated(engine.revision), engine.car
    checks = tuple(check_consistency([log], car, {"r01": stated}, "r01"))
    late = estimate_delay(log, car, stated) if delay else car.lambda_sensor
    fit = fit_steady(
        [log], car, {"r01": stated}, "r01", delay=Delay(late.delay_s, late.delay_flow_s_kg_h, late.lag_s)
    )
    proposal = withhold(propose(fit, car, stated), checks)
    findings = (*checks, *withhold_findings((*fit.findings(car), prediction(fit, proposal, car)), checks))
    entered = proposal.to_revision("r02", DAY).model_copy(update={"injectors": engine.revision.injectors})
    scores = (plain_engine.score(faulty, revision, seed=seed) for revision in (engine.revision, entered))
    return Answer(faulty, car, stated, fit, proposal, checks, findings, *scores)
