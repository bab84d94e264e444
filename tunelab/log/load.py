"""All logs of one session, read, mapped and put on one clock, with the air that the ECU takes from a table where no
meter is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import xarray as xr

from tunelab.log.flag import MASKS, flag_log
from tunelab.log.map import map_file
from tunelab.log.map.candidates import Match
from tunelab.log.map.join import join_files
from tunelab.log.map.place import MappedFile
from tunelab.log.map.quantity import Form
from tunelab.log.map.recognise import match_columns
from tunelab.log.map.text import MapError, settle_marks
from tunelab.log.once import shared_while_used
from tunelab.log.read import RawTable, ReadError, read_raw
from tunelab.log.read.netcdf import HDF5
from tunelab.log.store import StoreError, read_log
from tunelab.workspace import SessionFolder, Workspace
from tunelab.workspace.car import Car
from tunelab.workspace.revision import STANDARD_ATMOSPHERE_KPA, Inlet, Revision, load_channel, table_air_kg_h

ASSUMED_COOLANT_C = 88.0  # of a warm engine, where the coolant is not logged; common practice, no source
ASSUMED_INTAKE_C = 25.0  # where the intake air is not logged; common practice, no source
HELD_S = 5.0  # that a slow reading counts until its next one


def inlet_of(log: xr.Dataset, car: Car) -> tuple[Inlet, tuple[str, ...]]:
    """The readings that the ECU goes by, on every row of the log, and a sentence for each that was taken for granted.

    Raises
    ------
    ValueError
        The log has no engine speed or no reading of the load.
    """
    name = load_channel(car)
    absent = [wanted for wanted in ("engine_speed_rpm", name) if wanted not in log]
    if absent:
        raise ValueError(
            f"{' and '.join(absent)} is not in the log: this car's ECU takes the air from a table over engine speed "
            f'and {name} (load_from = "{car.load_from}" in car.toml). Log {"them" if len(absent) > 1 else "it"}, or '
            "name the column in channels.toml."
        )
    told: list[str] = []
    intake = _or_assumed(log, "intake_air_c", ASSUMED_INTAKE_C, "°C", told)
    coolant = _or_assumed(log, "coolant_c", ASSUMED_COOLANT_C, "°C", told)
    needed = car.load_from == "throttle"
    barometer = _or_assumed(log, "barometer_kpa", STANDARD_ATMOSPHERE_KPA, "kPa", told if needed else [])
    speed, load = (held(log, wanted) for wanted in ("engine_speed_rpm", name))
    return Inlet(speed, load, intake, coolant, barometer), tuple(told)


def held(log: xr.Dataset, name: str) -> np.ndarray:
    """A channel on every row, shape (time,): the last trusted reading held for HELD_S, then NaN."""
    values, time = log[name].to_numpy().astype(float), log["time"].to_numpy()
    known = np.isfinite(values)
    if f"{name}_flag" in log:
        known &= (log[f"{name}_flag"].to_numpy() & ~(MASKS["missing"] | MASKS["transient"])) == 0
    if not known.any():
        return np.full(values.size, np.nan)
    last = np.maximum.accumulate(np.where(known, np.arange(values.size), 0))
    return np.where(known[last] & (time - time[last] <= HELD_S), values[last], np.nan)


def _or_assumed(log: xr.Dataset, name: str, assumed: float, unit: str, told: list[str]) -> np.ndarray:
    if name in log and np.isfinite(log[name].to_numpy()).any():
        values = held(log, name)
        return np.where(np.isfinite(values), values, np.nanmedian(values))
    told.append(f"{name} is not logged: {assumed:g} {unit} was taken for all of it.")
    return np.full(log.sizes["time"], assumed)


def add_table_air(log: xr.Dataset, car: Car, revision: Revision) -> xr.Dataset:
    """Return the log with `air_flow_kg_h` as the ECU takes it from its table; a logged one is kept as it is.

    A log that lacks what the table needs is returned as it is: the question that wants the air says so.
    """
    if not load_channel(car) or revision.volumetric_efficiency is None or "air_flow_kg_h" in log:
        return log
    try:
        inlet, _ = inlet_of(log, car)
    except ValueError:
        return log
    attrs = {"units": "kg h-1", "long_name": f"air flow by the table of {revision.name}"}
    added = log.assign(air_flow_kg_h=("time", table_air_kg_h(car, revision, inlet), attrs))
    flags = [log[f"{name}_flag"] for name in ("engine_speed_rpm", load_channel(car)) if f"{name}_flag" in log]
    if flags:  # the air is no better than what it was computed from
        both = np.bitwise_or.reduce([flag.to_numpy() for flag in flags])
        added["air_flow_kg_h_flag"] = flags[0].copy(data=both)
        added["air_flow_kg_h"].attrs["ancillary_variables"] = "air_flow_kg_h_flag"
    line = f"air_flow_kg_h computed from engine speed and {load_channel(car)} by the table of {revision.name}"
    added.attrs["history"] = "\n".join(part for part in (log.attrs.get("history", ""), line) if part)
    return added


OWN = ("files", "columns", "set_aside", "session")  # attributes that no other netCDF file has all of


def read_own_log(path: Path) -> xr.Dataset | None:
    """Read a cleaned log of the kit's own as it was before flags were set; None for any other file.

    Its attributes still name the raw files that it came from, with their hashes and rows.
    """
    with open(path, "rb") as handle:
        if handle.read(len(HDF5)) != HDF5:
            return None
    try:
        log = read_log(path)
    except StoreError:
        return None
    if any(name not in log.attrs for name in OWN) or "episode" not in log:
        return None
    return _without_flags(log)


def _without_flags(log: xr.Dataset) -> xr.Dataset:
    bare = log.drop_vars([name for name in log.data_vars if str(name).endswith("_flag")])
    for values in bare.variables.values():
        values.attrs.pop("ancillary_variables", None)
    lines = [line for line in str(bare.attrs.get("history", "")).splitlines() if not line.startswith("flagged: ")]
    bare.attrs = {key: value for key, value in bare.attrs.items() if key != "exclusions"} | {
        "history": "\n".join(lines)
    }
    return bare


Seen = Mapping[str, tuple[Form, str]]  # column key -> the form, and the log in which it was settled
Recall = Callable[[RawTable], Seen]

_MOST_FILES = 8  # that are looked through, the latest sessions first


def recall_from(workspace: Workspace, path: Path) -> Recall:
    """Give a look at the other logs of a workspace, for one log that leaves columns open.

    Logs of the same logger have the same headings and units in the same order. Only what all of them that settle a
    column agree on counts. They are read when they are asked for, as most logs leave nothing open.
    """

    def recall(raw: RawTable) -> Seen:
        found: dict[str, set[Form]] = {}
        where: dict[str, str] = {}
        for other in _same_logger(workspace, path, raw):
            for match in match_columns(
                settle_marks(other, workspace.channel_map), workspace.channel_map, workspace.car
            ):
                if match.form is not None:
                    found.setdefault(match.column.key, set()).add(match.form)
                    where.setdefault(match.column.key, f"{other.path.parent.name}/{other.path.name}")
        return {key: (next(iter(forms)), where[key]) for key, forms in found.items() if len(forms) == 1}

    return recall


def take_remembered(raw: RawTable, matches: Sequence[Match], recall: Recall | None) -> list[Match]:
    """Settle open columns as other logs of the same logger have them, where that is one of the forms that fit."""
    if recall is None or all(match.sure != "open" for match in matches):
        return list(matches)
    seen = recall(raw)
    return [_as_seen(match, *seen[match.column.key]) if match.column.key in seen else match for match in matches]


def _as_seen(match: Match, form: Form, where: str) -> Match:
    if match.sure != "open" or form not in match.forms or match.column.marks or match.column.unit:
        return match
    why = f"no unit stated; {form} as in {where}, a log of the same logger"
    return replace(match, forms=(form,), sure="likely", why=why)


def _same_logger(workspace: Workspace, path: Path, raw: RawTable) -> Iterator[RawTable]:
    """Other logs of the workspace with the same columns."""
    columns = [(column.heading, column.unit) for column in raw.columns]
    files = [file for name in sorted(workspace.sessions, reverse=True) for file in workspace.sessions[name].files]
    for file in [file for file in files if file.resolve() != path.resolve()][:_MOST_FILES]:
        try:
            other = read_raw(file, workspace.channel_map)
        except ReadError:
            continue
        if [(column.heading, column.unit) for column in other.columns] == columns:
            yield other


class LoadError(ValueError):
    """A session whose logs cannot be loaded; the message says everything that stands in the way, file by file."""


def load_session(workspace: Workspace, session_name: str) -> xr.Dataset:
    """Load a session's logs.

    Parameters
    ----------
    workspace : Workspace
        From `open_workspace`.
    session_name : str
        Name of the session's folder.

    Returns
    -------
    Dataset
        The log as `map_raw` describes it, over all files, not yet flagged; the attributes `session` and `revision`
        name where it belongs. A cleaned log of the kit's own, alone in its session, is taken as it is.

    Raises
    ------
    KeyError
        No such session.
    LoadError
        A file cannot be read or mapped, or holds fewer than two moments; all such files are listed.
    """
    if session_name not in workspace.sessions:
        known = ", ".join(sorted(workspace.sessions)) or "none"
        raise KeyError(f"{session_name!r} is not a session of this workspace; there are: {known}.")
    folder = workspace.sessions[session_name]
    if not folder.files:
        raise LoadError(f"{folder.path}: no log lies in this session's folder; copy the logger's file there.")
    own = read_own_log(folder.files[0]) if len(folder.files) == 1 else None
    if own is not None:
        _require_rows(own, session_name)
        return _with_air(own.assign_attrs(session=session_name, revision=folder.session.revision), workspace)
    files = _map_all(workspace, folder)
    try:
        log = join_files(files, title=f"drive log of {session_name}", starts=folder.session.starts_of)
    except MapError as error:
        raise LoadError(f"{session_name}: {error}") from error
    return _with_air(log.assign_attrs(session=session_name, revision=folder.session.revision), workspace)


@shared_while_used
def load_flagged(workspace: Workspace, session_name: str) -> xr.Dataset:
    """Load a session's logs and flag them; raises as `load_session` and `flag_log`."""
    about = workspace.sessions[session_name].session
    log = load_session(workspace, session_name)
    return flag_log(log, workspace.car, about, revision=workspace.revisions[about.revision])


def _with_air(log: xr.Dataset, workspace: Workspace) -> xr.Dataset:
    """Add the air that the ECU of a car without an air meter takes from its table."""
    return add_table_air(log, workspace.car, workspace.revisions[log.attrs["revision"]])


def _require_rows(log: xr.Dataset, session_name: str) -> None:
    """Refuse a log in which no time passes: nothing can be learned from one moment."""
    if log.sizes["time"] < 2:
        raise LoadError(
            f"{session_name}: the log holds {log.sizes['time']} row that can be used; two moments are the least. "
            "Did the logger stop at once, or is this the beginning of a longer file?"
        )


def _map_all(workspace: Workspace, folder: SessionFolder) -> list[MappedFile]:
    files, problems = [], []
    for path in folder.files:
        try:
            files.append(_map_one(workspace, folder, path))
        except (ReadError, MapError) as error:
            problems.append(str(error))
    if problems:
        raise LoadError(f"{folder.name}: {len(problems)} of {len(folder.files)} files.\n" + "\n".join(problems))
    return files


def _map_one(workspace: Workspace, folder: SessionFolder, path: Path) -> MappedFile:
    raw = read_raw(path, workspace.channel_map)
    session = folder.session
    return map_file(
        raw,
        workspace.car,
        workspace.channel_map,
        weather=session.weather,
        steps=session.steps,
        settle_open=partial(take_remembered, recall=recall_from(workspace, path)),
    )
