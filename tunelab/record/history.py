"""What the records and answers of a workspace give to its history: proposals, ledger, notes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tunelab.record.deciding import drive_of
from tunelab.record.driven import Driven
from tunelab.record.predicted import proposals_of
from tunelab.record.share.answer import GivenAnswer, read_answers
from tunelab.record.stored import StoredRecord, stored_records
from tunelab.study.ledger import Ledger, Proposed, keep_ledger
from tunelab.study.readiness import Drive
from tunelab.workspace import Workspace, open_usable
from tunelab.workspace.revision import Revision


@dataclass(frozen=True)
class History:
    """The ledger of a workspace, with what people wrote about its records."""

    workspace: Workspace
    drives: tuple[Drive, ...]
    ledger: Ledger
    answers: tuple[GivenAnswer, ...]
    left_out: tuple[str, ...]  # records and proposals that cannot be counted, with the reason

    def notes(self) -> pd.DataFrame:
        """One row per note of an answer: date, author, record, finding, text."""
        names = ["date", "author", "record", "finding", "text"]
        rows = [
            (
                answer.answer.date.isoformat(),
                answer.answer.author,
                answer.answer.record,
                note.finding or "all",
                note.text,
            )
            for answer in self.answers
            for note in answer.notes
        ]
        return pd.DataFrame(rows, columns=names)

    def curves(self) -> pd.DataFrame:
        """Meter curve of every revision: revision, reading, flow_kg_h, change_pct against the one it is based on."""
        rows = []
        for revision in self.workspace.revisions.values():
            base = self.workspace.revisions.get(revision.based_on or "")
            rows.append(_curve(revision, base))
        return pd.concat(rows, ignore_index=True)


def _curve(revision: Revision, base: Revision | None) -> pd.DataFrame:
    curve = revision.meter_curve
    flow = np.asarray(curve.flow_kg_h)
    before = np.interp(curve.reading, base.meter_curve.reading, base.meter_curve.flow_kg_h) if base else flow
    change = np.where(before > 0, 100 * (flow / np.where(before > 0, before, 1.0) - 1), 0.0)
    table = pd.DataFrame({"reading": curve.reading, "flow_kg_h": flow, "change_pct": change})
    return table.assign(revision=revision.name, based_on=revision.based_on or "")


def read_history(root: Path) -> History:
    """Put a workspace's history together.

    Raises
    ------
    WorkspaceError
        The workspace or an answer in it cannot be used as it stands.
    """
    workspace = open_usable(root)
    records, left_out = stored_records(workspace)
    answers = read_answers(workspace.root)
    driven = Driven(workspace)
    drives = tuple(drive_of(record, driven) for record in records)
    proposals, more = _proposals(records, answers)
    ledger = keep_ledger(workspace.revisions, drives, proposals)
    return History(workspace, drives, ledger, tuple(answers), (*left_out, *more))


def _content(revision: Revision) -> dict:
    return revision.model_dump(exclude={"date"})  # a proposal has none until it is entered


def _proposals(records: list[StoredRecord], answers: list[GivenAnswer]) -> tuple[list[Proposed], list[str]]:
    """Proposals of records and, where an answer changed one, of answers."""
    found, left_out = proposals_of(records)
    own = {proposed.source: proposed for proposed in found}
    for given in answers:
        base = own.get(given.answer.record)
        if given.proposal and (base is None or _content(given.proposal) != _content(base.revision)):
            found.append(Proposed(given.answer.record, given.answer.author, given.answer.date, given.proposal, None))
    return found, left_out
