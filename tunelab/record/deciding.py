"""What the records of a workspace give to decide on: drives with their reach, the revision in the car, readiness."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tunelab.record.driven import Driven
from tunelab.record.notebook import kit_home
from tunelab.record.opened import refuse_unknown_parameters
from tunelab.record.stored import RecordError, StoredRecord, changed_since, stored_records
from tunelab.study.readiness import Breach, Drive, Readiness, judge_readiness
from tunelab.workspace import Workspace, open_usable
from tunelab.workspace.problem import nearest
from tunelab.workspace.revision import Revision

VERDICT_WORDS = {
    "may run": "met",
    "may run within bounds": "watch",
    "may not run": "stop",
    "not shown": "not_shown",
}  # readiness's own words, as a status


@dataclass(frozen=True)
class Decided:
    """Readiness of a workspace's car, and what it rests on."""

    workspace: Workspace
    revision: Revision  # taken to be in the car
    drives: tuple[Drive, ...]
    readiness: Readiness
    unrecorded: tuple[str, ...]  # sessions without a record
    left_out: tuple[str, ...]  # records that cannot be counted, with the reason
    changed: tuple[str, ...]  # what records rest on and was edited since
    read: str = ""  # which logs had to be opened; empty where none had


def decide(root: Path, revision: str | None = None) -> Decided:
    """Judge readiness from all records of a workspace.

    Parameters
    ----------
    root : Path
        The workspace.
    revision : str or None
        The revision in the car; None: the newest by date.

    Raises
    ------
    WorkspaceError
        The workspace cannot be used.
    RecordError
        No such revision.
    """
    workspace = open_usable(root)
    records, left_out = stored_records(workspace)
    current = _named(workspace, revision) if revision else newest(workspace)
    driven = Driven(workspace)
    drives = tuple(drive_of(record, driven) for record in records)
    readiness = judge_readiness(drives, workspace.car, workspace.revisions, current.name)
    done = {record.session for record in records}
    unrecorded = tuple(name for name, folder in workspace.sessions.items() if name not in done and folder.files)
    changed = tuple(sentence for record in records for sentence in changed_since(record, workspace))
    read = driven.sentence()
    return Decided(workspace, current, drives, readiness, unrecorded, tuple(left_out), changed, read)


def titles_at_stop(decided: Decided, step: str) -> tuple[str, ...]:
    """Titles of the gates at stop that a step answers, those left out that a change in the car may have ended."""
    states = (state for state in decided.readiness.gates if step in state.gate.steps)
    return tuple(state.gate.title for state in states if state.status == "stop" and not state.to_show)


def _named(workspace: Workspace, name: str) -> Revision:
    if name not in workspace.revisions:
        known = ", ".join(sorted(workspace.revisions))
        near = nearest(name, list(workspace.revisions))
        like = f"; the nearest name is {near}" if near else ""
        raise RecordError(f"there is no revision {name!r} in this workspace, which has {known}{like}.")
    return workspace.revisions[name]


def newest(workspace: Workspace) -> Revision:
    """Give the revision entered last: the one taken to be in the car."""
    return max(workspace.revisions.values(), key=lambda item: (item.date, item.name))


def find_root(path: str) -> Path:
    """Find a workspace by its folder; a relative path is looked for from here, then from the kit."""
    refuse_unknown_parameters()
    here = Path(path)
    return here if here.exists() else kit_home() / path


def drive_of(record: StoredRecord, driven: Driven) -> Drive:
    """Make a drive for the gates out of a record."""
    session = record.folder.session
    return Drive(
        record=record.name,
        date=record.date,
        revision=record.revision,
        steps=tuple(session.steps),
        findings=record.findings,
        wiring=session.wiring,
        reach=driven.reach(record),
        breaches=tuple(_breaches(record.place / "tables" / "breaches.csv")),
        failed=record.failed,
    )


def _breaches(path: Path) -> list[Breach]:
    if not path.is_file():
        return []
    with open(path, encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    return [Breach(row["check"], float(row["engine_speed_rpm"])) for row in rows if _is_whole(row)]


def _is_whole(row: dict[str, str]) -> bool:
    try:
        return bool(row["check"]) and np.isfinite(float(row["engine_speed_rpm"]))
    except (KeyError, TypeError, ValueError):
        return False
