"""Two sessions or two revisions of a workspace, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from tunelab.log.store import read_log
from tunelab.record.evidence import gather_evidence
from tunelab.record.notebook import hint
from tunelab.record.opened import OpenedSession
from tunelab.record.shown import begin_large
from tunelab.record.stored import StoredRecord, stored_records
from tunelab.study.compare import (
    QUANTITIES,
    FindingDifference,
    LogDifference,
    compare_findings,
    compare_visits,
    visits_of,
)
from tunelab.study.link.account import account_link
from tunelab.study.link.study import WiringChange, compare_wirings
from tunelab.study.revision_change import Difference, differences, way_between
from tunelab.workspace import Problem, Workspace, WorkspaceError, open_usable
from tunelab.workspace.car import Car

DROP_OUTS, CONFIDENCE = "link.drop_outs", 0.95
SHORTEST_S = 0.5  # as the link notebook has it
ONE_DRIVE = (
    "Each side is one drive: a difference may also come from the day (air, fuel, warmth, a sensor that ages). Two "
    "drives or more on each side would tell."
)


@dataclass(frozen=True)
class Side:
    """One side of a comparison."""

    name: str  # as it was asked for
    sessions: tuple[str, ...]
    revisions: tuple[str, ...]
    records: tuple[StoredRecord, ...]


@dataclass(frozen=True)
class Comparison:
    """Before against after, and what can be told apart from noise."""

    before: Side
    after: Side
    changes: tuple[Difference, ...]  # between the revisions, where each side has one
    findings: tuple[FindingDifference, ...]
    logs: tuple[LogDifference, ...]
    notes: tuple[str, ...]
    car: Car
    also: tuple[str, ...] = ()  # what the revisions between say was also changed, or that they do not say

    def sentences(self) -> list[str]:
        """Say what can be told apart, then what cannot, then what could not be compared."""
        rows = [*self.logs, *self.findings]
        told = [self._sentence(row) for row in rows if row.told_apart]
        same = [self._sentence(row) for row in rows if not row.told_apart and row.p_value == row.p_value]
        head = f"{len(told)} of {len(told) + len(same)} things that could be compared can be told apart from noise."
        return [head, *told, *same, *self.notes]

    @staticmethod
    def _sentence(row: FindingDifference | LogDifference) -> str:
        return f"{row.title}: {row.because}" if isinstance(row, FindingDifference) else _capital(row.because)

    def table(self) -> pd.DataFrame:
        """One row per thing compared: what, before, after, difference, lower, upper, told apart, because."""
        columns = ["what", "unit", "before", "after", "difference", "lower", "upper", "told apart", "because"]
        rows = [
            (r.quantity.title, r.quantity.unit, None, None, r.difference, r.lower, r.upper, r.told_apart, r.because)
            for r in self.logs
        ]
        rows += [
            (r.title, r.unit, r.before, r.after, r.difference, r.lower, r.upper, r.told_apart, r.because)
            for r in self.findings
        ]
        return pd.DataFrame(rows, columns=columns)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def compare(root: Path, before: str, after: str) -> Comparison:
    """Compare two sessions or two revisions of a workspace.

    Parameters
    ----------
    root : Path
        The workspace.
    before, after : str
        Names of sessions or of revisions; a revision stands for all its sessions that have logs.

    Raises
    ------
    WorkspaceError
        No such session or revision, or a revision that was never driven.
    """
    workspace = open_usable(root)
    records, left_out = stored_records(workspace)
    one, other = (_side(workspace, records, name) for name in (before, after))
    if one.sessions == other.sessions:
        raise _error(after, f"the same drives as {before}", "two different ones")
    changes, also = (), ()
    if len(one.revisions) == len(other.revisions) == 1 and one.revisions != other.revisions:
        pair = [workspace.revisions[side.revisions[0]] for side in (one, other)]
        changes = differences(*pair)
        also = way_between(*pair, workspace.revisions).sentences(pair[1].name)
    logs = [[_log(workspace, records, name) for name in side.sessions] for side in (one, other)]
    visits = [[visits_of(side, workspace.car, quantity) for quantity in QUANTITIES] for side in logs]
    found = [[f for record in side.records for f in record.findings] for side in (one, other)]
    return Comparison(
        before=one,
        after=other,
        changes=changes,
        findings=_by_link_study(compare_findings(*found), workspace, (one, other), logs),
        logs=compare_visits(*visits, workspace.car),
        notes=(*_notes(one, other), *left_out),
        car=workspace.car,
        also=also,
    )


def _by_link_study(rows, workspace: Workspace, sides, logs) -> tuple[FindingDifference, ...]:
    """Drop-outs compared as the link's own question compares them: two answers to one question would be one too many.

    Records keep rates and no counts, so the accounts are drawn up from the logs of both sides again.
    """
    if not any(row.id == DROP_OUTS and np.isfinite(row.before + row.after) for row in rows):
        return rows
    accounts = [
        [
            account_link(log, workspace.car, workspace.sessions[name].session, shortest_s=SHORTEST_S)
            for name, log in zip(side.sessions, own, strict=True)
        ]
        for side, own in zip(sides, logs, strict=True)
    ]
    change = compare_wirings(*accounts, factor=3.0, power=0.8, confidence=CONFIDENCE)
    return tuple(_of_change(row, change) if row.id == DROP_OUTS else row for row in rows)


def _of_change(row: FindingDifference, change: WiringChange) -> FindingDifference:
    ratio = change.ratio
    lower, upper = (row.before * (end - 1.0) for end in (ratio.lower, ratio.upper))
    apart = change.verdict != "cannot tell yet"
    because = f"from {row.before:.3g} to {row.after:.3g} {row.unit}. {change.because}"
    return replace(row, lower=lower, upper=upper, p_value=ratio.p_value, told_apart=apart, because=because)


def _side(workspace: Workspace, records: Sequence[StoredRecord], name: str) -> Side:
    if name in workspace.unusable:
        raise WorkspaceError(name, workspace.unusable[name])
    if name in workspace.sessions:
        sessions = (name,)
    elif name in workspace.revisions:
        driven = (n for n, folder in workspace.sessions.items() if folder.session.revision == name and folder.files)
        sessions = tuple(sorted(driven))
        if not sessions:
            raise _error(name, "a revision that no session with logs was driven with", "one that was driven")
    else:
        known = [*workspace.sessions, *workspace.revisions]
        raise _error(name, "neither a session nor a revision", "a name of one of this workspace", hint(name, known))
    revisions = tuple(sorted({workspace.sessions[session].session.revision for session in sessions}))
    return Side(name, sessions, revisions, tuple(r for r in records if r.session in sessions))


def _error(name: str, found: str, wanted: str, way_out: str = "") -> WorkspaceError:
    return WorkspaceError(name, [Problem(name, None, "", found, wanted, way_out)])


def _log(workspace: Workspace, records: Sequence[StoredRecord], session: str):
    """Give a session's flagged log: the record's, or read anew where there is none."""
    path = next((r.place / "log.nc" for r in records if r.session == session), None)
    if path is not None and path.exists():
        return read_log(path)
    return gather_evidence(OpenedSession(workspace, workspace.sessions[session])).log


def _notes(one: Side, other: Side) -> list[str]:
    notes = [ONE_DRIVE] if len(one.sessions) == 1 and len(other.sessions) == 1 else []
    for side in (one, other):
        missing = sorted(set(side.sessions) - {record.session for record in side.records})
        if missing:
            notes.append(f"Without a record, so compared by their logs only: {', '.join(missing)}.")
    return notes


def shown_changes(comparison: Comparison) -> list[str]:
    """Say what differs between the revisions of both sides."""
    before, after = comparison.before.revisions, comparison.after.revisions
    if before == after:
        return ["Both were driven with the same revision."]
    if len(before) != 1 or len(after) != 1:
        return ["Several revisions on one side."]
    found = [_capital(change.sentence) for change in comparison.changes] or ["No table of the revisions differs"]
    return [f"{sentence}." for sentence in (*found, *(begin_large(also) for also in comparison.also))]
