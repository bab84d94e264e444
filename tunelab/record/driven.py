"""What a workspace's records and logs give to decide on, kept so that no log is opened for it again.

The files in `records/.driven` hold nothing that the logs do not: whoever removes them loses only the time to read
those once more.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.chart.first_page import day_of
from tunelab.log.load import load_flagged
from tunelab.log.once import content_of
from tunelab.log.store import read_log
from tunelab.record.evidence import KEPT, made_by, raw_inputs, sha256
from tunelab.record.notebook import kit_home
from tunelab.record.opened import refuse_unknown_parameters
from tunelab.record.place import write_whole
from tunelab.record.shown import limit_text, small, value_text
from tunelab.record.stored import RECORDS, RecordError, StoredRecord, changed_since, stored_records
from tunelab.record.to_enter import join
from tunelab.study.consistency import check_consistency, stops
from tunelab.study.coverage import Samples, pooled, samples_of
from tunelab.study.information import KEPT as OF_A_HOLD
from tunelab.study.information import CalmDrive, calm_drive
from tunelab.study.readiness import Breach, Drive, GateState, Reach, Readiness, judge_readiness, reach_of
from tunelab.study.readiness.gate import LOWER_IS_WORSE
from tunelab.study.readiness.judge import FRESH
from tunelab.workspace import CAR_FILE, CHANNELS_FILE, Workspace, open_usable
from tunelab.workspace.problem import nearest
from tunelab.workspace.revision import Revision

READ_BY = ("meter_curve", "volumetric_efficiency", "injectors", "dead_time", "fuelling")  # what a log is read by
FORM = "4"  # of the files; another number makes them anew


@dataclass(frozen=True)
class SteadyDrive:
    """What a plan needs of one session."""

    samples: Samples  # for the coverage
    calm: CalmDrive  # for what is known; without holds where the log does not go with itself
    inputs: tuple[dict, ...]  # its raw files: path, sha256, rows_in, rows_kept, rows_set_aside


@dataclass(frozen=True)
class Driven:
    """Looks up how far the drives of a workspace went; `read` names the records whose log had to be opened for it."""

    workspace: Workspace
    read: list[str] = field(default_factory=list)

    def reach(self, record: StoredRecord) -> Reach:
        """How far a record's drive went, as its own log tells; all unknown where the record has none."""
        car, path, key = self.workspace.car, record.place / "log.nc", self._reach_key(record)
        found = self._kept(record.session, "reach", key)
        if found is None:
            if not path.exists():
                return Reach()
            self.read.append(record.name)
            found = _of_reach(reach_of(read_log(path), car))
            self._keep(record.session, "reach", key, found)
        return _as_reach(found)

    def steady(self, session: str, record: StoredRecord | None) -> SteadyDrive:
        """What a plan needs of a session, by its record where there is one, else by its logs.

        Raises
        ------
        LoadError, ValueError
            The logs cannot be read.
        """
        if record is None:
            return self.of_log(session, self._raw(session))
        key = self._samples_key(record)
        found = self._kept(session, "steady", key)
        if found is None:
            self.read.append(record.name)
            log = read_log(record.place / "log.nc") if self._is_current(record) else self._raw(session)
            found = self._of_log(session, log)
            self._keep(session, "steady", key, found)
        return _as_steady(found)

    def of_log(self, session: str, log: xr.Dataset) -> SteadyDrive:
        """The same of a session's flagged log, to the same last digit as what is kept of it."""
        return _as_steady(self._of_log(session, log))

    def _of_log(self, session: str, log: xr.Dataset) -> Mapping[str, np.ndarray]:
        """The same as it is kept: made once for a log, however many notebooks and commands ask for it."""
        key = self._log_key(session, log)
        found = self._kept(session, "log", key)
        if found is None:
            found = _of_steady(self._made(session, log))
            self._keep(session, "log", key, found)
        return found

    def keep(self, record: StoredRecord, log: xr.Dataset) -> None:
        """Keep what will be asked of a record that was just made, while its log is at hand."""
        car = self.workspace.car
        self._keep(record.session, "reach", self._reach_key(record), _of_reach(reach_of(log, car)))
        if "steady" not in record.folder.session.steps:
            return
        try:
            found = self._of_log(record.session, log)
        except ValueError:  # a log that has no place in a coverage
            return
        self._keep(record.session, "steady", self._samples_key(record), found)

    def _made(self, session: str, log: xr.Dataset) -> SteadyDrive:
        car, revisions = self.workspace.car, self.workspace.revisions
        own = self.workspace.sessions[session].session.revision
        samples, calm = pooled(samples_of(log, car), car), calm_drive(log, car, revisions[own])
        if len(calm.holds) and (stopped := stops(check_consistency([log], car, revisions, own))):
            because = f"{session} counts for nothing: the check “{stopped[0].title}” says stop."
            calm = CalmDrive(calm.holds.iloc[:0], calm.sizes, because=because)
        return SteadyDrive(samples, calm, tuple(raw_inputs(log)) if "files" in log.attrs else ())

    def sentence(self) -> str:
        """Say which logs were opened; empty where none was."""
        many = len(set(self.read))
        if not many:
            return ""
        whose = f"log of record {self.read[0]} was" if many == 1 else f"logs of {many} records were"
        return f"The {whose} read to see how far it was driven; that is kept, so next time none is opened."

    def _raw(self, session: str) -> xr.Dataset:
        return load_flagged(self.workspace, session)

    def _reach_key(self, record: StoredRecord) -> str:
        car = self.workspace.car
        return _digest(record.digest, FORM, car.meter.channel, str(car.engine.idle_target_rpm))

    def _samples_key(self, record: StoredRecord) -> str:
        return _digest(record.digest, FORM, *self._read_by(record.session))

    def _log_key(self, session: str, log: xr.Dataset) -> str:
        """Every number and note of a flagged log, the car, all revisions, and the code that works on them."""
        workspace = self.workspace
        revisions = {name: revision.model_dump_json() for name, revision in sorted(workspace.revisions.items())}
        own = workspace.sessions[session].session.revision
        about = [FORM, own, workspace.car.model_dump_json(), _as_text(revisions), made_by()]
        return _digest(content_of(log), *about)

    def _read_by(self, session: str) -> list[str]:
        """Everything that reading and flagging a session's logs depends on, apart from the logs' own content."""
        workspace, folder = self.workspace, self.workspace.sessions[session]
        car, revision = workspace.car, workspace.revisions[folder.session.revision]
        files = [(path.name, path.stat().st_size) for path in folder.files]
        channels = workspace.root / CHANNELS_FILE
        return [
            car.model_dump_json(exclude={"limits"}),
            str(car.limits.coolant_min_c),
            revision.model_dump_json(include=set(READ_BY)),
            folder.session.model_dump_json(exclude={"notes", "driver", "place"}),
            sha256(channels) if channels.is_file() else "",
            json.dumps(files),
        ]

    def _is_current(self, record: StoredRecord) -> bool:
        """Whether a record's own log is what its session would give now."""
        if changed_since(record, self.workspace) or not (record.place / "log.nc").exists():
            return False
        made_of = {item["path"]: item["sha256"] for item in record.results.get("settings", ())}
        paths = {name: self.workspace.root / name for name in (CAR_FILE, CHANNELS_FILE)}
        return all(made_of.get(name, "") == (sha256(p) if p.is_file() else "") for name, p in paths.items())

    def _path(self, session: str, kind: str) -> Path:
        return self.workspace.root / RECORDS / KEPT / f"{session}.{kind}.npz"

    def _kept(self, session: str, kind: str, key: str) -> Mapping[str, np.ndarray] | None:
        try:
            with np.load(self._path(session, kind), allow_pickle=False) as kept:
                found = {name: kept[name] for name in kept.files}
        except (OSError, ValueError, EOFError, zipfile.BadZipFile):
            return None
        return found if str(found.pop("key", "")) == key else None

    def _keep(self, session: str, kind: str, key: str, values: Mapping[str, np.ndarray]) -> None:
        """Write what was found; a folder that takes no file, as on a read-only disk, is no reason to stop."""
        path, out = self._path(session, kind), io.BytesIO()
        arrays: dict[str, Any] = {"key": np.array(key), **values}
        np.savez_compressed(out, **arrays)
        try:
            path.parent.mkdir(exist_ok=True)
            write_whole(path, out.getvalue())
        except OSError:
            return


def _as_text(content: Mapping) -> str:
    return json.dumps({**content}, default=lambda value: np.asarray(value).tolist())


def _digest(*parts: str) -> str:
    return hashlib.sha256("\x00".join(parts).encode("utf-8")).hexdigest()


def _of_reach(reach: Reach) -> dict[str, np.ndarray]:
    return {
        name: np.atleast_1d(np.array([] if value is None else value, float)) for name, value in asdict(reach).items()
    }


def _as_reach(kept: Mapping[str, np.ndarray]) -> Reach:
    values = {name: tuple(values.tolist()) or None for name, values in kept.items()}
    top = values.pop("full_top_rpm")
    return Reach(**values, full_top_rpm=top[0] if top else None)


def _of_steady(drive: SteadyDrive) -> dict[str, np.ndarray]:
    calm = drive.calm
    holds = {f"hold_{name}": calm.holds[name].to_numpy(dtype=float) for name in OF_A_HOLD}
    about = {"pressure_known": calm.pressure_known, "because": calm.because, "inputs": drive.inputs}
    return _of_samples(drive.samples) | holds | {"sizes": calm.sizes, "about": np.array(json.dumps(about))}


def _as_steady(kept: Mapping[str, np.ndarray]) -> SteadyDrive:
    values = dict(kept)
    holds = pd.DataFrame({name: values.pop(f"hold_{name}") for name in OF_A_HOLD})
    sizes, about = values.pop("sizes"), json.loads(str(values.pop("about")))
    calm = CalmDrive(holds, sizes, about["pressure_known"], about["because"])
    return SteadyDrive(_as_samples(values), calm, tuple(about["inputs"]))


def _of_samples(samples: Samples) -> dict[str, np.ndarray]:
    found = {item.name: np.asarray(getattr(samples, item.name)) for item in fields(Samples)}
    packed = {name: values.astype(np.float32) for name, values in found.items() if values.dtype == np.float64}
    return found | packed | {"notes": np.array(json.dumps(samples.notes))}


def _as_samples(kept: Mapping[str, np.ndarray]) -> Samples:
    values: dict[str, Any] = {
        name: values.astype(float) if values.dtype == np.float32 else values for name, values in kept.items()
    }
    notes = tuple(json.loads(str(values.pop("notes"))))
    return Samples(**values | {"flagged": int(values["flagged"])}, notes=notes)


VERDICT_WORDS = {
    "may run": "met",
    "may run within bounds": "watch",
    "may not run": "stop",
    "not shown": "not_shown",
}  # readiness's own words, as a status


AT_FULL_THROTTLE = " at full throttle"  # said once of the checks that share it


def readiness_answer(readiness: Readiness) -> str:
    """Whether the car may run, in one sentence: which values passed which limit, and on which day."""
    car = f"with {readiness.revision} in the car"
    stops = [_passed(state) for state in readiness.gates if state.status == "stop"]
    if readiness.verdict == "may not run":
        return f"No, {car}: {'; '.join(stops)}."
    if readiness.verdict == "not shown":
        first = f" At stop: {'; '.join(stops)}." if stops else ""
        return f"Cannot be said yet, {car}: no drive that counts shows {_missing(readiness)}.{first}"
    if readiness.verdict == "may run within bounds":
        why = f", since {'; '.join(stops)}" if stops else ""
        return f"Yes, {car}, but only within the bounds below{why}."
    return f"Yes, {car}: all {len(readiness.gates)} checks are met."


def _passed(state: GateState) -> str:
    """What a gate at stop saw, and when."""
    found = state.finding
    if found is None or found.value is None:
        return f"{small(state.gate.title)}: {state.because.rstrip('.')}"
    reached = "fell to" if found.id in LOWER_IS_WORSE else "reached"
    limit = f" (limit {limit_text(vars(found))})" if found.limit is not None else ""
    day = f" on {day_of(state.date)}" if state.date else ""
    return f"{small(found.title)} {reached} {value_text(vars(found))}{limit}{day}"


def _missing(readiness: Readiness) -> str:
    """The checks without which nothing can be said, those of full throttle together."""
    left = [s.gate for s in readiness.gates if s.status == "not_shown" and not s.gate.lacking]
    titles = [small(gate.title) for gate in left if gate.name != FRESH.name]
    if not titles:
        return f"the car with {readiness.revision} in it"
    full = [title.removesuffix(AT_FULL_THROTTLE) for title in titles if title.endswith(AT_FULL_THROTTLE)]
    told = [title for title in titles if not title.endswith(AT_FULL_THROTTLE)]
    return join([*told, join(full) + AT_FULL_THROTTLE] if full else told)


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
    """Titles of the gates at stop that a step answers, or any drive; without those that a change may have ended."""
    states = (state for state in decided.readiness.gates if step in state.gate.steps or not state.gate.ids)
    stops = [state for state in states if state.status == "stop" and not state.to_show]
    return tuple(f"{s.gate.title}: {_passed(s)}" if _has_value(s) else s.gate.title for s in stops)


def _has_value(state: GateState) -> bool:
    return state.finding is not None and state.finding.value is not None


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
