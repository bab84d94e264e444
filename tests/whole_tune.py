"""A whole tune on a simulated car: drive, propose, enter, drive again, until the gates of these drives are met.

The car is the simulator's, drawn at random, with every optional table stated and wrong. Library functions are called as
the notebooks call them. The person drives the pulls of the sheet, drives steady again only while its gate is open, and
enters exactly what is proposed, but for a curve of which the page says that nothing has to be changed.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag import flag_log
from tunelab.record.to_enter import goes_in
from tunelab.simulate import Schedule, drive, random_car, steady_sweep
from tunelab.simulate.demo.cars import MARIT
from tunelab.simulate.schedule import DAY, cruise, full_throttle_pulls, idle, overrun, stop, tip_in
from tunelab.study.delay import estimate_delay
from tunelab.study.finding import Finding
from tunelab.study.fuel_cut_log import study_fuel_cut
from tunelab.study.full_load_error import join_setting
from tunelab.study.full_load_fuel import propose_full_load
from tunelab.study.full_throttle import check_full_throttle
from tunelab.study.high_flow import extend_curve
from tunelab.study.idle import study_idle
from tunelab.study.idle_tables import propose_idle
from tunelab.study.limits import watch_limits
from tunelab.study.proposal import propose
from tunelab.study.pull import find_pulls
from tunelab.study.readiness import Drive, judge_readiness
from tunelab.study.readiness.gate import GATES, reach_of
from tunelab.study.spark import study_spark
from tunelab.study.steady import Delay, fit_steady
from tunelab.study.step_sheet import sheet_for
from tunelab.study.tip_in_fuel import propose_cut, propose_tip_in_fuel
from tunelab.study.transient import study_transients
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision, SparkRetreat
from tunelab.workspace.session import Session

ASKED = ("steady", "full_throttle", "knock", "idle", "return")  # of the gates, by name: what these drives answer
SPEEDS = [2000.0, 3000.0, 4000.0, 5000.0, 6000.0]
LIMITS = {
    "idle_speed_error_max_rpm": 60, "idle_hunting_max_rpm": 50, "idle_undershoot_max_rpm": 250,
    "idle_settling_max_s": 8, "idle_actuator_margin_min_pct": 3, "idle_target_min_rpm": 600,
    "idle_target_max_rpm": 1300, "idle_base_change_max_pct": 8, "acceleration_fuel_change_max_pct": 50,
    "full_load_fuel_change_max_pct": 10, "steady_lambda_error_max_pct": 4,
}  # fmt: skip
RATE_HZ = 25.0
LOWER_LOAD = ("enrichment begin at a lower load", "load from which enrichment begins")
LESS_LOAD = 0.15  # of absolute load, by which the person lets enrichment begin lower


@dataclass(frozen=True)
class Tuned:
    """How one car's tune went."""

    drives: int
    seconds: float  # driven in all
    open_gates: tuple[str, ...]  # not met at the end, with the status
    leanest: tuple[float, ...]  # true lambda at full load, 99 % quantile, for each round
    rounds: tuple[str, ...]  # what was open after each, and why
    revisions: tuple[Revision, ...]
    car: Car


def first_tables(truth, car: Car, rng: np.random.Generator) -> dict:
    """Optional tables of the first revision, each somewhat wrong."""
    target, base = truth.ecu.idle_target_rpm, rng.uniform(20, 44, 3).round(1).tolist()
    return {
        "idle_base": {"coolant_c": [20.0, 60.0, 88.0], "actuator_pct": base},
        "idle_target": {"coolant_c": [20.0, 60.0, 88.0], "target_rpm": [target + 200.0, target, target]},
        "acceleration_fuel": {"coolant_c": [88.0], "engine_speed_rpm": [2200.0],
                              "amount": [[round(100 * truth.ecu.enrichment_gain * float(rng.uniform(0.5, 1.2)), 2)]]},
        "fuel_cut": {"entry_rpm": truth.ecu.cut_above_rpm, "return_rpm": truth.ecu.cut_ends_rpm},
        "full_load_fuel": {"engine_speed_rpm": SPEEDS, "commanded_lambda": [0.88] * len(SPEEDS)},
    }  # fmt: skip


def on_the_road(truth, car: Car, revision: Revision) -> Schedule:
    """Idle, tip-ins, overruns, returns to idle, and pulls at full throttle both ways as the sheet asks for them."""
    tips = tuple(tip_in(3, rpm, t) for rpm, t in ((2200.0, 35.0), (2000.0, 50.0), (2500.0, 40.0), (2300.0, 30.0)))
    home = tuple(part for km_h in (40.0, 45.0, 50.0, 42.0) for part in (cruise(3, km_h, 5.0), stop(10.0)))
    cuts = (overrun(3, 3200.0, truth.ecu.cut_ends_rpm - 150.0), overrun(3, 3000.0, truth.ecu.cut_ends_rpm - 150.0))
    asked = sheet_for("full-throttle", car, revision, car.limits.top_speed_km_h).runs.iloc[-1]
    ends = float(asked["from rpm"]), float(asked["to rpm"])
    pulls = full_throttle_pulls(int(asked["gear"]), *ends, repeats=2, grade=0.0)
    return Schedule("road", MARIT, DAY, (idle(30.0), *tips, *home, *cuts, *cuts, *pulls), 520.0)


@dataclass
class _Tune:
    """What a tune has come to so far."""

    car: Car
    line: list[Revision]
    drives: list[Drive]
    steady: tuple[Session, xr.Dataset] | None = None  # the newest steady drive
    seconds: float = 0.0
    fuel: pd.DataFrame | None = None  # as the pulls before found it
    lower_load: bool = False  # whether the page asks for enrichment from a lower load on
    by_pull: dict[str, tuple[pd.DataFrame, ...]] = field(default_factory=dict)  # of each revision's pulls

    @property
    def revisions(self) -> dict[str, Revision]:
        return {one.name: one for one in self.line}

    def open_gates(self) -> dict[str, str]:
        """Gates asked for that are not settled by the drives so far, each with its status and why."""
        gates = tuple(gate for gate in GATES if gate.name in ASKED)
        states = judge_readiness(self.drives, self.car, self.revisions, self.line[-1].name, gates=gates).gates
        return {
            s.gate.name: f"{s.gate.name} {s.status}: {s.because}"
            for s in states
            if s.gate.name in ASKED and not _settled(s)
        }


def tune(seed: int, *, most_rounds: int, tolerance_pct: float = LIMITS["steady_lambda_error_max_pct"]) -> Tuned:
    """Tune one car, one or two drives a round, until its gates are met or the rounds are over."""
    rng = np.random.default_rng([seed, 91])
    car, truth, first = random_car(rng)
    limits = car.limits.model_dump() | LIMITS | {"steady_lambda_error_max_pct": tolerance_pct}
    car = Car.model_validate(car.model_dump() | {"limits": limits})
    own = _Tune(car, [Revision.model_validate(first.model_dump() | first_tables(truth, car, rng))], [])
    leanest, retreats, rounds = [], [], []
    for number in range(most_rounds):
        in_ecu = own.line[-1].model_copy(update={"spark_retreat": retreats or None})
        wanted = {"road": on_the_road(truth, car, in_ecu)}
        if own.steady is None or "steady" in own.open_gates():
            wanted = {"steady": steady_sweep(truth, longest_s=450.0)} | wanted
        logs, lean = {}, 0.0
        for step, schedule in wanted.items():
            done = drive(truth, in_ecu, schedule, rng=np.random.default_rng([seed, number, step == "road"]))
            logs[step] = _logged(own, number, step, done)
            own.seconds += float(done.time[-1])
            lean = max(lean, _leanest(done))
        leanest.append(lean)
        own.steady = logs.get("steady", own.steady)
        found, changes = _studied(own, logs["road"])
        own.drives += [_drive(number, step, logs[step], found[step], car) for step in wanted]
        left = own.open_gates()
        if own.lower_load:
            truth = enriching_from_lower(truth)
            changes["also_changed"] = [
                {"kind": "commanded lambda", "where": "full load", "what": "from a lower load on"}
            ]
        rounds.append(f"{' and '.join(wanted)} with {own.line[-1].name}: {'; '.join(left.values()) or 'all met'}")
        if not left:
            break
        if not changes:
            continue
        retreats += [SparkRetreat.model_validate(cell) for cell in changes.get("spark_retreat") or ()]
        entered = DAY_ONE + datetime.timedelta(days=number + 1)
        own.line.append(own.line[-1].followed_by(f"r{len(own.line) + 1:02d}", entered, changes))
    names = tuple(text.partition(":")[0] for text in left.values())
    return Tuned(len(own.drives), own.seconds, names, tuple(leanest), tuple(rounds), tuple(own.line), car)


def _logged(own: _Tune, number: int, step: str, done) -> tuple[Session, xr.Dataset]:
    steps = ["steady"] if step == "steady" else ["road", "full-throttle"]
    date, name = DAY_ONE + datetime.timedelta(days=number), own.line[-1].name
    session = Session(date=date, steps=steps, revision=name)
    log = done.log(RATE_HZ).assign_attrs(session=f"{number} {step}", revision=name)
    return session, flag_log(log, own.car, session, revision=own.line[-1])


def _settled(state) -> bool:
    """Whether a gate is met; an engine that never knocks leaves a knock reading that never moves."""
    return state.status == "met" or (state.gate.name == "knock" and state.status == "not_shown")


DAY_ONE = datetime.date(2026, 5, 3)


def _leanest(done) -> float:
    """True lambda in the cylinders at settled full throttle. A hundredth of it may be leaner."""
    full = (done.channels["throttle_pct"] > 95) & (done.channels["fuel_mode"] == 4) & (done.true["mixture_lambda"] < 2)
    settled = full & np.roll(full, 60)
    return float(np.quantile(done.true["mixture_lambda"][settled], 0.99)) if settled.any() else 0.0


def _drive(number: int, step: str, logged, found: list[Finding], car: Car) -> Drive:
    session, log = logged
    steps = tuple(session.steps)
    return Drive(f"{number} {step}", session.date, session.revision, steps, tuple(found), reach=reach_of(log, car))


def _studied(own: _Tune, road) -> tuple[dict[str, list[Finding]], dict]:
    """Findings of both drives, and what is to be entered (keys of the revision)."""
    car, revision, (session, log), (_, steady_log) = own.car, own.line[-1], road, own.steady
    driven_with = own.revisions[steady_log.attrs["revision"]]
    known = estimate_delay(steady_log, car, driven_with)
    delay = Delay(known.delay_s, known.delay_flow_s_kg_h, known.lag_s)
    fit = fit_steady([steady_log], car, own.revisions, revision.name, delay=delay)
    proposal = propose(fit, car, revision)
    before = own.by_pull.get(revision.name, ())
    full = check_full_throttle(log, car, revision, find_pulls(log, car, session), known, earlier=before)
    high = None if fit.because or full.mixture is None else _high(log, car, revision, full, fit)
    helps = goes_in(fit, proposal, high, car.limits.steady_lambda_error_max_pct)
    joined = join_setting(revision, fit if helps else None, proposal if helps else None, high)
    idle, cut, moves = (
        study_idle(log, car),
        study_fuel_cut(log, car, revision),
        study_transients(log, car, revision, known),
    )
    spark = study_spark(log, car, revision)
    tables = (
        *propose_idle(log, car, revision, idle, cut), propose_tip_in_fuel(moves, car, revision),
        propose_cut(cut, car, revision),
    )  # fmt: skip
    changes = {t.key: getattr(revision, t.key).model_dump() | dict(t.content) for t in tables if t.changes}
    if joined.words:
        changes |= {
            "meter_curve": joined.setting.curve.model_dump(),
            "dead_time": joined.setting.dead_time.model_dump(),
        }
    if full.mixture is not None:
        own.by_pull[revision.name] = (*before, full.mixture.by_pull)
        fuel = propose_full_load(log, car, revision, full.mixture, joined, earlier=own.fuel)
        own.lower_load = any(word in " ".join((fuel.because, *fuel.capped, *fuel.notes)) for word in LOWER_LOAD)
        own.fuel = fuel.table if len(fuel.table) else own.fuel
        if fuel.parts():
            after = fuel.to_revision("next", session.date)
            changes |= {key: getattr(after, key).model_dump() for key in fuel.parts()}
        if fuel.missing_rpm is not None:
            now = changes.get("full_load_fuel") or revision.full_load_fuel.model_dump()
            changes["full_load_fuel"] = with_breakpoint(now, fuel.missing_rpm)
        elif joined.words and not fuel.shown and "Enter neither" in fuel.because:
            changes = {key: value for key, value in changes.items() if key not in ("meter_curve", "dead_time")}
    if spark.parts() == ("spark_retreat",):
        changes["spark_retreat"] = [c.model_dump() for c in spark.to_revision("next", session.date).spark_retreat]
    found = [*full.findings(), *idle.findings(car), *cut.findings(car), *moves.findings(car), *spark.findings()]
    found += watch_limits(log, car, revision, session, known).findings()
    return {"steady": fit.findings(car), "road": found}, changes


def enriching_from_lower(truth):
    """The car with enrichment from a lower load on, as the person sets it who is asked to."""
    return replace(truth, ecu=replace(truth.ecu, full_load_from=max(truth.ecu.full_load_from - LESS_LOAD, 0.4)))


def with_breakpoint(table: dict, rpm: float) -> dict:
    """Full-load fuel with a further breakpoint on its own straight line, as the person adds it who is asked to."""
    speeds = table["engine_speed_rpm"]
    more = sorted([*speeds, rpm])
    lists = {key: np.interp(more, speeds, value).tolist() for key, value in table.items() if isinstance(value, list)}
    return table | lists | {"engine_speed_rpm": more}


def _high(log: xr.Dataset, car: Car, own: Revision, full, fit):
    try:
        return extend_curve(log, car, own, full.mixture, fit)
    except ValueError:
        return None


def assert_within_limits(tuned: Tuned) -> None:
    """No revision passes a limit of the owner's, advances spark or makes full load leaner than it was and may be."""
    limits = tuned.car.limits
    for before, after in zip(tuned.revisions, tuned.revisions[1:], strict=False):
        assert after.fuelling.rev_limit_rpm <= min(before.fuelling.rev_limit_rpm, limits.rev_limit_rpm)
        assert all(cell.retreat_deg > 0 for cell in after.spark_retreat or ())
        assert after.spark is None
        assert all(
            limits.idle_target_min_rpm <= rpm <= limits.idle_target_max_rpm for rpm in after.idle_target.target_rpm
        )
        step = np.abs(after.idle_base.values - before.idle_base.values)
        assert (step <= limits.idle_base_change_max_pct + 0.051).all()
        assert max(after.full_load_fuel.target_lambda or [0.0]) <= limits.lambda_max_full_load
        assert after.fuel_cut.return_rpm >= before.fuel_cut.return_rpm
        ratio = after.acceleration_fuel.values / before.acceleration_fuel.values
        assert (np.abs(ratio - 1) <= limits.acceleration_fuel_change_max_pct / 100 + 0.01).all()
    allowed = max(limits.lambda_max_full_load, tuned.leanest[0])
    assert max(tuned.leanest) <= allowed * 1.02, tuned.leanest  # a sensor's own level apart
