"""All logs of one session, read, mapped and put on one clock."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import xarray as xr

from tunelab.log.map.entry import map_file
from tunelab.log.map.join import join_files
from tunelab.log.map.mapped import MappedFile
from tunelab.log.map.problem import MapError
from tunelab.log.own import read_own_log
from tunelab.log.read import ReadError, read_raw
from tunelab.log.remember import recall_from, take_remembered
from tunelab.log.table_air import add_table_air
from tunelab.workspace import SessionFolder, Workspace


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
