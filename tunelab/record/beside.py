"""Other sessions of the workspace that a study leans on, and logs to look at together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import pandas as pd
import xarray as xr

from tunelab.log.flag import channels_of
from tunelab.log.load import load_flagged
from tunelab.record.chapter import Verdict
from tunelab.record.display import show_duration
from tunelab.record.evidence import Evidence, gather_evidence
from tunelab.record.notebook import hint
from tunelab.record.opened import OpenedSession
from tunelab.record.stored import stored_records
from tunelab.record.to_enter import goes_in
from tunelab.study.coast_down import CoastDownFit, fit_coast_down
from tunelab.study.consistency import check_consistency, stops
from tunelab.study.delay import DelayFit, better_known, estimate_delay
from tunelab.study.explore_events import EventSet
from tunelab.study.filling import FillingFit, TableProposal, fit_filling, propose_table
from tunelab.study.finding import counted
from tunelab.study.full_load_error import join_setting
from tunelab.study.full_load_fuel import FullLoadProposal, no_full_load, propose_full_load
from tunelab.study.full_throttle import FullThrottle
from tunelab.study.high_flow import HighFlow, extend_curve, no_high_flow
from tunelab.study.part_throttle import PartThrottle
from tunelab.study.power import PowerFit, RoadDoubt, Standard, fit_power
from tunelab.study.power.pulls import Drawing
from tunelab.study.power.result import nothing_shown
from tunelab.study.proposal import Proposal, propose
from tunelab.study.pull import find_pulls
from tunelab.study.steady import Delay, SteadyFit, fit_steady
from tunelab.workspace import SessionFolder


def gather_logs(opened: OpenedSession, evidence: Evidence, others: Sequence[str]) -> dict[str, xr.Dataset]:
    """Flagged logs by session: the opened one first, then the others of the same workspace.

    Raises
    ------
    ValueError
        A name that is no session of the workspace, or a log that cannot be read.
    """
    sessions = opened.workspace.sessions
    unknown = [name for name in others if name not in sessions]
    if unknown:
        raise ValueError(f"{unknown[0]!r} is no session of this workspace; {hint(unknown[0], list(sessions))}")
    return {opened.name: evidence.log} | {name: flagged_log(opened, name) for name in others if name != opened.name}


def flagged_log(opened: OpenedSession, name: str) -> xr.Dataset:
    """Read and flag the log of another session of the same workspace."""
    return load_flagged(opened.workspace, name)


# Parts of a log as the page on road manners calls them; elsewhere by their own names.
PARTS = {"launch": "take-offs", "pull": "pulls", "cut": "cuts of fuel",
         "coast": "stretches of coasting", "start": "starts", "stop": "stops"}  # fmt: skip


def log_verdict(evidence: Evidence, events: EventSet) -> Verdict:
    """Say how much was logged, how much of it carries no flag, and how often what was looked for happened."""
    log = evidence.log
    clean = 100 * float(evidence.flags.set_index("reason").loc["none", "share"])
    count = len(events.traces)
    parts = PARTS.get(events.kind, f"{events.kind}s")
    happened = f"{counted(count, parts) if count else f'No {parts}'} found"
    return Verdict(
        f"{show_duration(evidence.duration_s)} of log, {len(channels_of(log))} channels; {clean:.0f} % of the samples "
        f"carry no flag. {happened}."
    )


def first_present(log: xr.Dataset, names: Sequence[str]) -> str:
    """First of some channels that the log has.

    Raises
    ------
    ValueError
        It has none of them; the message names those that it has.
    """
    for name in names:
        if name in log:
            return name
    raise ValueError(f"the log has none of {', '.join(names)}; it has {', '.join(channels_of(log))}.")


NEWEST, NONE = "newest", "none"
PULL_KG_H = 300.0  # exhaust flow of a pull, to choose a delay by; common practice, no source


@dataclass(frozen=True)
class Beside:
    """Another session that was asked for; without one `because` says why."""

    opened: OpenedSession | None
    evidence: Evidence | None
    because: str

    @property
    def there(self) -> OpenedSession:
        """The session where there is one; ValueError with the reason where there is none."""
        if self.opened is None:
            raise ValueError(f"There is no other session: {self.because}")
        return self.opened


def find_beside(opened: OpenedSession, wanted: str, step: str, *, fits: Callable[[SessionFolder], bool]) -> Beside:
    """Find and read another session with a given step.

    Parameters
    ----------
    opened : OpenedSession
        The session that is asked about.
    wanted : str
        A session's name, "newest" of the workspace up to the session's own date, or "none".
    step : str
        What it must hold.
    fits : callable
        Whether a session will do, besides its step and date.

    Raises
    ------
    ValueError
        No session of that name, or it cannot be read.
    """
    if wanted == NONE:
        return Beside(None, None, "none was asked for.")
    sessions = opened.workspace.sessions
    if wanted != NEWEST and wanted not in sessions:
        raise ValueError(f"There is no session {wanted!r} in this workspace; {hint(wanted, list(sessions))}")
    if wanted != NEWEST:
        return _read(opened, sessions[wanted])
    date = opened.folder.session.date
    found = [
        folder
        for folder in sessions.values()
        if step in folder.session.steps
        and folder.session.date <= date
        and folder.files
        and folder.name != opened.name
        and fits(folder)
    ]
    if not found:
        return Beside(None, None, f"this workspace has no other session with the step {step} up to {date} that fits.")
    return _read(opened, max(found, key=lambda folder: (folder.session.date, folder.name)))


def _read(opened: OpenedSession, folder: SessionFolder) -> Beside:
    other = OpenedSession(opened.workspace, folder)
    return Beside(other, gather_evidence(other), "")


def inputs_of(beside: Beside) -> tuple[dict, ...]:
    """Raw files of the other session, for a chapter's inputs."""
    if beside.evidence is None:
        return ()
    return tuple(item | {"path": f"{beside.evidence.session}/{item['path']}"} for item in beside.evidence.inputs)


@dataclass(frozen=True)
class CoastDownBeside:
    """The coast-down that a power study leans on."""

    beside: Beside
    fit: CoastDownFit | None

    def sentence(self) -> str:
        """Say which road load is used."""
        if self.fit is None:
            return f"Road load: the owner's; no coast-down was used, {self.beside.because}"
        name = self.beside.there.name
        if not self.fit.shown:
            return f"Road load: the owner's; the coast-down {name} shows nothing: {self.fit.because}"
        return f"Road load: of the coast-down {name}, carried over to this session's weather."


def coast_down_beside(opened: OpenedSession, wanted: str) -> CoastDownBeside:
    """Find and fit the coast-down that goes with a session; ValueError where it is named and not there.

    A session that holds both pulls and coast-downs is its own.
    """
    if wanted == NEWEST and "coast-down" in opened.folder.session.steps:
        found = _read(opened, opened.folder)
    else:
        found = find_beside(opened, wanted, "coast-down", fits=_any_session)
    if found.evidence is None:
        return CoastDownBeside(found, None)
    return CoastDownBeside(found, fit_coast_down(found.evidence.log, opened.car, found.there.folder.session))


def _any_session(folder: SessionFolder) -> bool:
    return True


@dataclass(frozen=True)
class PowerQuestion:
    """How power is to be measured, the same for every session that is compared."""

    doubt: RoadDoubt
    drawing: Drawing
    standard: Standard


@dataclass(frozen=True)
class EarlierPower:
    """Power of an earlier session on another revision."""

    beside: Beside
    fit: PowerFit


def power_of(opened: OpenedSession, evidence: Evidence, road: CoastDownBeside, question: PowerQuestion) -> PowerFit:
    """Find the pulls of a session and measure its power."""
    session = opened.folder.session
    pulls = find_pulls(evidence.log, opened.car, session)
    return fit_power(
        evidence.log,
        opened.car,
        session,
        pulls,
        question.doubt,
        coast_down=road.fit,
        drawing=question.drawing,
        standard=question.standard,
    )


def earlier_power(opened: OpenedSession, wanted: str, road: CoastDownBeside, question: PowerQuestion) -> EarlierPower:
    """Measure the power of an earlier session with full throttle on another revision, the same way."""
    own = opened.folder.session.revision
    found = find_beside(opened, wanted, "full-throttle", fits=lambda folder: folder.session.revision != own)
    if found.opened is None or found.evidence is None:
        return EarlierPower(found, nothing_shown(found.because, "", "an earlier revision", 0))
    return EarlierPower(found, power_of(found.opened, found.evidence, road, question))


@dataclass(frozen=True)
class SteadyBeside:
    """The steady study that pulls extend."""

    beside: Beside
    fit: SteadyFit | FillingFit | None
    because: str  # why there is none
    delay: DelayFit | None = None  # of the lambda sensor, by the steady drive

    @property
    def logs(self) -> tuple[xr.Dataset, ...]:
        """Its log, if there is one."""
        return () if self.beside.evidence is None else (self.beside.evidence.log,)

    def sentence(self) -> str:
        """Say which steady drive is extended."""
        if self.fit is None:
            return f"The meter's curve at high flow: not extended, {self.because}"
        name = self.beside.there.name
        if isinstance(self.fit, FillingFit):
            return f"What the steady drive {name} proposes of table and dead times goes in with the fuel at full load."
        return f"The steady drive {name} is extended; its own range stays as the steady question has it."


def steady_beside(opened: OpenedSession, wanted: str) -> SteadyBeside:
    """Find and fit the steady session that goes with pulls, against the revision of the pulls.

    A session that holds both is its own.
    """
    if wanted == NEWEST and "steady" in opened.folder.session.steps:
        found = _read(opened, opened.folder)
    else:
        found = find_beside(opened, wanted, "steady", fits=_any_session)
    if found.evidence is None:
        return SteadyBeside(found, None, found.because)
    lag = None
    try:
        lag = estimate_delay(found.evidence.log, opened.car, found.there.revision)
        delay = Delay(lag.delay_s, lag.delay_flow_s_kg_h, lag.lag_s)
        revisions, name = opened.workspace.revisions, opened.revision.name
        fitted = fit_filling if opened.car.has_table else fit_steady
        fit = fitted([found.evidence.log], opened.car, revisions, name, delay=delay)
    except (ValueError, KeyError) as problem:
        return SteadyBeside(found, None, f"the steady drive {found.there.name} gives no fit: {problem}", lag)
    if fit.because:
        return SteadyBeside(found, None, f"the steady drive {found.there.name} gives no fit: {fit.because}", lag)
    return SteadyBeside(found, fit, "", lag)


def delay_for_pulls(opened: OpenedSession, evidence: Evidence, steady: SteadyBeside) -> DelayFit:
    """Delay of the lambda sensor at full throttle: by this log or by the steady drive, whichever knows it better."""
    own = estimate_delay(evidence.log, opened.car, opened.revision)
    return own if steady.delay is None else better_known((own, steady.delay), PULL_KG_H)


def high_flow_of(
    opened: OpenedSession, evidence: Evidence, full: FullThrottle | PartThrottle, steady: SteadyBeside
) -> HighFlow:
    """Extend the steady study by the pulls of a session, or say why not."""
    channel = opened.car.meter.channel
    if steady.fit is None:
        return no_high_flow(steady.because, channel)
    if isinstance(steady.fit, FillingFit):
        return no_high_flow("this car has no air meter, so there is no curve to extend.", channel)
    if full.mixture is None:
        return no_high_flow("no lambda of a pull was judged.", channel)
    try:
        return extend_curve(evidence.log, opened.car, opened.revision, full.mixture, steady.fit)
    except ValueError as problem:
        return no_high_flow(str(problem), channel)


def full_load_fuel_of(
    opened: OpenedSession, evidence: Evidence, full: FullThrottle, steady: SteadyBeside, high: HighFlow
) -> FullLoadProposal:
    """Propose fuel at full load over engine speed, on top of what the steady drive and the pulls propose of the meter.

    Nothing is proposed from logs that a consistency check stops: of the pulls themselves, or of the steady drive.
    """
    revision, revisions = opened.revision, opened.workspace.revisions
    if full.mixture is None:
        return no_full_load(revision, full.because or "no lambda of a pull was judged.")
    stopped = stops(check_consistency([evidence.log], opened.car, revisions, revision.name))
    if steady.fit is not None and not stopped:
        stopped = stops(check_consistency(steady.logs, opened.car, revisions, steady.beside.there.revision.name))
    if stopped:
        return no_full_load(revision, f"withheld. {stopped[0].title}: {stopped[0].because}")
    proposal: Proposal | TableProposal | None = None
    if isinstance(steady.fit, FillingFit):
        proposal = propose_table(steady.fit, opened.car, revision)
    elif steady.fit is not None:
        proposal = propose(steady.fit, opened.car, revision)
    tolerance = opened.car.limits.steady_lambda_error_max_pct
    if steady.fit is None or proposal is None or not goes_in(steady.fit, proposal, high, tolerance):
        proposal = None
    joined = join_setting(revision, steady.fit, proposal, high)
    earlier = earlier_pulls(opened)
    return propose_full_load(evidence.log, opened.car, revision, full.mixture, joined, earlier=earlier)


BY_PULL = "lambda_by_pull"  # table of a record: what every pull was off


def pulls_on_this_revision(opened: OpenedSession) -> tuple[pd.DataFrame, ...]:
    """What the pulls of earlier recorded drives with the same revision were off (`by_pull` of their mixture).

    A record from before this table was written has none, and does not count.
    """
    now, own = (opened.folder.session.date, opened.name), opened.revision.name
    before = sorted(
        (record for record in stored_records(opened.workspace)[0] if record.revision == own),
        key=lambda record: (record.date, record.session),
    )
    places = [r.place / "tables" / f"{BY_PULL}.csv" for r in before if (r.date, r.session) < now]
    return tuple(pd.read_csv(place) for place in places if place.is_file())


def earlier_pulls(opened: OpenedSession) -> pd.DataFrame | None:
    """What the newest record before this session found of the fuel at full load with another revision, if any did."""
    now = (opened.folder.session.date, opened.name)
    before = [
        record
        for record in stored_records(opened.workspace)[0]
        if (record.date, record.session) < now and record.revision != opened.revision.name
    ]
    for record in sorted(before, key=lambda record: (record.date, record.session), reverse=True):
        path = record.place / "tables" / "full_load_fuel.csv"
        if path.is_file():
            return pd.read_csv(path)
    return None
