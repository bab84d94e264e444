"""All logs of one session, read, mapped and put on one clock, with what earlier logs of the workspace say of the
logger's columns.

A log that the kit itself wrote, taken as it is: what was read, mapped and put on one clock need not be again.

What other logs of a workspace say of a logger's columns: what one leaves open, another one may settle.

All logs of one session, read, mapped and put on one clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import xarray as xr

from tunelab.log.flag import flag_log
from tunelab.log.map.candidates import Match
from tunelab.log.map.entry import map_file
from tunelab.log.map.join import join_files
from tunelab.log.map.marks import settle_marks
from tunelab.log.map.place import MappedFile
from tunelab.log.map.problem import MapError
from tunelab.log.map.quantity import Form
from tunelab.log.map.recognise import match_columns
from tunelab.log.once import shared_while_used
from tunelab.log.read import RawTable, ReadError, read_raw
from tunelab.log.read.netcdf import HDF5
from tunelab.log.store import StoreError, read_log
from tunelab.log.table_air import add_table_air
from tunelab.workspace import SessionFolder, Workspace

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
