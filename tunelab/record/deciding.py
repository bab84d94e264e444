"""What the records of a workspace give to decide on: drives with their reach, the revision in the car, readiness."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from tunelab.log.store import read_log
from tunelab.record.injected import refuse_unknown_parameters
from tunelab.record.opened import CHECKOUT
from tunelab.record.stored import StoredRecord, changed_since, stored_records
from tunelab.study.pull.detect import is_full_throttle
from tunelab.study.readiness import Breach, Drive, Reach, Readiness, judge_readiness
from tunelab.workspace import Workspace, open_workspace
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.wanted import nearest

IDLE_WITHIN = 0.35  # of the target: engine speeds from which a return to idle and its catching read the meter
BATTERY_SHARE = (0.01, 0.99)  # quantiles: one dip while cranking is no range that was driven


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
    ValueError
        No such revision, with those that there are.
    """
    workspace = open_workspace(root)
    records, left_out = stored_records(workspace)
    current = _named(workspace, revision) if revision else newest(workspace)
    drives = tuple(drive_of(record, workspace.car) for record in records)
    readiness = judge_readiness(drives, workspace.car, workspace.revisions, current.name)
    done = {record.session for record in records}
    unrecorded = tuple(name for name, folder in workspace.sessions.items() if name not in done and folder.files)
    changed = tuple(sentence for record in records for sentence in changed_since(record, workspace))
    return Decided(workspace, current, drives, readiness, unrecorded, tuple(left_out), changed)


def _named(workspace: Workspace, name: str) -> Revision:
    if name in workspace.revisions:
        return workspace.revisions[name]
    near = nearest(name, list(workspace.revisions))
    known = ", ".join(sorted(workspace.revisions))
    like = f"; the nearest name is {near}" if near else ""
    raise ValueError(f"there is no revision {name!r} in this workspace, which has {known}{like}.")


def titles_at_stop(decided: Decided, step: str) -> tuple[str, ...]:
    """Titles of the gates that a step answers and that stand at stop."""
    states = (state for state in decided.readiness.gates if step in state.gate.steps)
    return tuple(state.gate.title for state in states if state.status == "stop")


def newest(workspace: Workspace) -> Revision:
    """Give the revision entered last: the one taken to be in the car."""
    return max(workspace.revisions.values(), key=lambda item: (item.date, item.name))


def find_root(path: str) -> Path:
    """Find a workspace by its folder; a relative path is looked for from here, then from the checkout."""
    refuse_unknown_parameters()
    here = Path(path)
    return here if here.exists() else CHECKOUT / path


def drive_of(record: StoredRecord, car: Car) -> Drive:
    """Make a drive for the gates out of a record."""
    session = record.folder.session
    path = record.place / "log.nc"
    return Drive(
        record=record.name,
        date=record.date,
        revision=record.revision,
        steps=tuple(session.steps),
        findings=record.findings,
        wiring=session.wiring,
        reach=reach_of(read_log(path), car) if path.exists() else Reach(),
        breaches=tuple(_breaches(record.place / "tables" / "breaches.csv")),
        failed=record.failed,
    )


def reach_of(log: xr.Dataset, car: Car) -> Reach:
    """Tell where a flagged log went: meter readings at idle, at full throttle and over all, battery, engine speed."""
    if car.meter.channel not in log or "engine_speed_rpm" not in log:
        return Reach()
    reading = _trusted(log, car.meter.channel)
    speed = _trusted(log, "engine_speed_rpm")
    running = np.nan_to_num(speed) > 0.5 * car.engine.idle_target_rpm
    idling = running & (np.nan_to_num(speed, nan=np.inf) < (1 + IDLE_WITHIN) * car.engine.idle_target_rpm)
    full = is_full_throttle(log)
    top = speed[full][np.isfinite(speed[full])]
    battery = _trusted(log, "battery_v") if "battery_v" in log else np.array([])
    return Reach(
        readings=_range(reading[running]),
        idle_readings=_range(reading[idling]),
        full_readings=_range(reading[full]),
        battery_v=_range(battery[running] if battery.size else battery, BATTERY_SHARE),
        full_top_rpm=float(np.quantile(top, 0.999)) if top.size else None,
    )


def _trusted(log: xr.Dataset, name: str) -> np.ndarray:
    values = log[name].values.astype(float)
    flag = log.get(f"{name}_flag")
    return values if flag is None else np.where(flag.values == 0, values, np.nan)


def _range(values: np.ndarray, share: tuple[float, float] = (0.0, 1.0)) -> tuple[float, float] | None:
    known = values[np.isfinite(values)]
    if known.size < 10:
        return None
    low, high = np.quantile(known, share)
    return float(low), float(high)


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
