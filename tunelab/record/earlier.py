"""What earlier drives give this one: those fitted together with it, and what a record predicted of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tunelab.record.evidence import Evidence, gather_evidence
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.stored import StoredRecord, stored_records
from tunelab.study.consistency import check_consistency, stops
from tunelab.study.filling import FillingFit, TableProposal
from tunelab.study.finding import LEAN_STOP_PCT, Finding, status_within
from tunelab.study.ledger import PREDICTED, PROMISES, STEADY, STEADY_PROMISE, PredictionVerdict, Proposed, keep_ledger
from tunelab.study.proposal import Proposal
from tunelab.study.readiness import Drive
from tunelab.study.readiness.gate import touches
from tunelab.study.revision_change import way_between
from tunelab.study.steady import SteadyFit
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml

OUTCOMES = {
    "held": "the prediction held",
    "better than predicted": "it came out better than predicted",
    "worse than predicted": "it came out worse than predicted",
    "not shown": "whether the prediction held is not shown",
}


def prediction_sentence(opened: OpenedSession, findings: Sequence[Finding]) -> str:
    """Say whether the prediction made for the current revision held in this drive.

    Parameters
    ----------
    opened : OpenedSession
        The session.
    findings : sequence of Finding
        What its record found.

    Returns
    -------
    str
        Empty where no record of the workspace proposed the revision, or this drive did not ask for its lambda error.
    """
    return " ".join(_sentence(verdict) for verdict in _verdicts(opened, findings))


def _sentence(verdict: PredictionVerdict) -> str:
    because = verdict.because.rstrip(".")
    of = "" if verdict.promise is STEADY_PROMISE else f", {verdict.promise.what}"
    return f"Revision {verdict.revision} as proposed by {verdict.source}{of}: {OUTCOMES[verdict.outcome]}; {because}."


def _verdicts(opened: OpenedSession, findings: Sequence[Finding]) -> list[PredictionVerdict]:
    revision, workspace = opened.revision, opened.workspace
    base = workspace.revisions.get(revision.based_on or "")
    asked = {finding.id for finding in findings}
    if base is None or not asked & {promise.measured for promise in (STEADY_PROMISE, *PROMISES)}:
        return []
    records, _ = stored_records(workspace)
    proposals, _ = proposals_of([record for record in records if record.session != opened.name])
    session = opened.folder.session
    drive = Drive(opened.name, session.date, revision.name, tuple(session.steps), tuple(findings))
    ledger = keep_ledger({item.name: item for item in (base, revision)}, [drive], proposals)
    found = [v for v in (*ledger.verdicts, *ledger.further) if v.revision == revision.name and v.source]
    return [v for v in found if v.promise.measured in asked]


def proposals_of(records: Sequence[StoredRecord]) -> tuple[list[Proposed], list[str]]:
    """Read what records proposed and predicted; the second list says what of them cannot be read, and why."""
    found, left_out = [], []
    for record in records:
        path = record.place / "proposal.toml"
        if not path.is_file():
            continue
        reading = read_toml(path, Revision, f"{record.name}/proposal.toml")
        if reading.problems:
            left_out += [str(problem) for problem in reading.problems]
            continue
        further = {p.predicted: said for p in PROMISES if (said := record.finding(p.predicted)) is not None}
        found.append(Proposed(record.name, "", record.date, reading.whole, record.finding(PREDICTED), further))
    return found, left_out


NOT_SHOWN = "not shown"


def prediction(fit: SteadyFit | FillingFit, proposal: Proposal | TableProposal, car: Car) -> Finding:
    """What the proposal is expected to leave, for the next session to be compared with."""
    after, limit = proposal.predicted, car.limits.steady_lambda_error_max_pct
    shown = bool(np.isfinite([after.p95_pct, after.lower_pct, after.upper_pct]).all())
    better = after.p95_pct <= fit.before.p95_pct
    because = (
        f"With the proposed values in the ECU and trims at zero, lambda should lie within {percent(after.p95_pct)} % "
        "of commanded in 95 of 100 undisturbed cells of engine speed and airflow. The worst hold should be "
        f"{after.worst_words}. Now it is {percent(fit.before.p95_pct)} %, and the worst hold "
        f"{fit.before.worst_words}."
    )
    status = status_within(after.p95_pct, after.lower_pct, after.upper_pct, most=limit)
    status = status if better and not after.worst_pct > LEAN_STOP_PCT else "watch"
    because = because if better else f"{because} It is not expected to help: drive again before entering it."
    leak = fit.leak if isinstance(fit, SteadyFit) else None
    if leak is not None and leak.possible and after.leaking_p95_pct > limit:
        status = "watch" if leak.suspected else status
        because += (
            f" The chance that air leaks into the exhaust ahead of the sensor is {100 * leak.chance:.0f} %: then "
            f"it may be up to {percent(after.leaking_p95_pct)} %, so look for a leak by hand first."
        )
    return Finding(
        id="steady.proposal_predicted",
        title="Lambda error predicted with this proposal",
        value=after.p95_pct if shown else None,
        unit="%",
        lower=after.lower_pct if shown else None,
        upper=after.upper_pct if shown else None,
        confidence=fit.confidence if shown else None,
        samples_used=fit.samples_used,
        samples_flagged=fit.samples_flagged,
        status=status if shown else "not_shown",
        limit=limit,
        because=fit.because or because,
    )


def percent(value: float) -> str:
    """A percentage to one decimal, "not shown" where it is not known."""
    return f"{value:.1f}" if np.isfinite(value) else NOT_SHOWN


EARLIER = "earlier"  # word for every steady session before this one that can be used


@dataclass(frozen=True)
class Pooled:
    """Further steady sessions that a fit may use beside the one that is recorded."""

    used: tuple[Evidence, ...]  # in the order driven
    left_out: tuple[str, ...]  # one plain sentence for each session that could not be used

    def sentences(self) -> tuple[str, ...]:
        """Say which sessions went into the fit beside this one, and which did not and why."""
        names = ", ".join(f"{own.session} (driven with {own.log.attrs['revision']})" for own in self.used)
        used = f"Fitted together with {names}." if names else "This session was fitted alone."
        return (used, *self.left_out)


def pool_sessions(opened: OpenedSession, names: Sequence[str]) -> Pooled:
    """Read the further sessions that a steady fit is to use.

    Parameters
    ----------
    opened : OpenedSession
        The session that is recorded.
    names : sequence of str
        Sessions of the workspace. The word `earlier` stands for every steady session before this one of which nothing
        that steady driving shows was changed since, but the tables; empty: this session alone.

    Returns
    -------
    Pooled
        What `earlier` stands for is left out, with the reason, where it cannot be read or misleads.

    Raises
    ------
    ValueError, OSError
        A session that is named cannot be found or read.
    """
    named = [name for name in names if name != EARLIER]
    used = [gather_evidence(open_session(path, beside=opened)) for path in named]
    left_out = []
    for name in _earlier(opened) if EARLIER in names else []:
        because = _changed_since(opened, name)
        found = None if because else _readable(opened, name)
        if isinstance(found, Evidence):
            used += [] if name in [own.session for own in used] else [found]
        else:
            left_out.append(f"{name} was not used: {because or found}")
    return Pooled(tuple(used), tuple(left_out))


def _earlier(opened: OpenedSession) -> list[str]:
    """Names of the steady sessions before this one, in the order driven."""
    day, sessions = opened.folder.session.date, opened.workspace.sessions
    before = [(own.session.date, name) for name, own in sessions.items() if "steady" in own.session.steps]
    return [name for date, name in sorted(before) if (date, name) < (day, opened.name)]


def _changed_since(opened: OpenedSession, name: str) -> str:
    """What was changed between a session and this one that steady driving shows and no table holds; empty: nothing."""
    revisions = opened.workspace.revisions
    driven = opened.workspace.sessions[name].session.revision
    if driven not in revisions:
        return f"its revision {driven} is not in the workspace."
    way = way_between(revisions[driven], opened.revision, revisions)
    stated = [item.sentence for item in way.stated if touches(item.change, STEADY)]
    if way.broken_at:
        return f"no chain of based_on leads from {driven} to {opened.revision.name}."
    return f"{'; '.join(stated)}." if stated else ""


def _readable(opened: OpenedSession, name: str) -> Evidence | str:
    """Give a session's evidence, or why it misleads or cannot be read."""
    try:
        found = gather_evidence(open_session(name, beside=opened))
        checks = check_consistency([found.log], opened.car, opened.workspace.revisions, opened.revision.name)
    except (ValueError, OSError) as error:
        return str(error)
    return next((finding.because for finding in stops(checks)), found)
