"""What an earlier record predicted of the revision that was driven, compared with what this drive measured."""

from __future__ import annotations

from collections.abc import Sequence

from tunelab.record.opened import OpenedSession
from tunelab.record.stored import StoredRecord, stored_records
from tunelab.study.finding import Finding
from tunelab.study.ledger import PREDICTED, PROMISES, STEADY_PROMISE, PredictionVerdict, Proposed, keep_ledger
from tunelab.study.readiness import Drive
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
