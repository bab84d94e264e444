"""A copy of the demo workspace that comes with the kit."""

from __future__ import annotations

import filecmp
from pathlib import Path

from tunelab.record.notebook import kit_folder
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.place import folder_beside, put_in_free_place
from tunelab.record.stored import RECORDS
from tunelab.workspace import Problem, WorkspaceError, open_workspace
from tunelab.workspace.disk import copy_folder


def copy_demo(target: Path) -> Path:
    """Copy the demo workspace to a folder that does not exist yet; returns it.

    A copy that a run left which was killed before its first record stood, and that nobody changed, is taken as it is.

    Raises
    ------
    FileExistsError
        Something of that name exists; nothing was changed.
    NotebookError
        The installation has no demo data.
    """
    source = kit_folder("data_demo")
    target = target.absolute()
    if target.exists() and _is_unrecorded_copy(source, target):
        return target
    if target.exists():
        raise FileExistsError(f"{target} exists already and stays as it is; name another folder: tunelab demo DIR")
    with folder_beside(target) as folder:
        copy_folder(source, folder, leave_out=lambda name: name.startswith(".") or name == RECORDS)
        if not put_in_free_place(folder, target):
            raise FileExistsError(f"{target} was made meanwhile and stays as it is; name another folder.")
    return target


def _is_unrecorded_copy(source: Path, target: Path) -> bool:
    """Whether a folder is the demo as it was copied, by a run that was killed before its first record stood."""
    if not target.is_dir() or (target / RECORDS / "index.html").exists():
        return False
    theirs, ours = _files(target), _files(source)
    same = theirs.keys() == ours.keys()
    return same and all(filecmp.cmp(theirs[name], ours[name], shallow=False) for name in ours)


def _files(root: Path) -> dict[str, Path]:
    """Every file by its path but records and what a system hides."""
    paths = {path.relative_to(root): path for path in root.rglob("*") if path.is_file()}
    hidden = [name for name in paths if name.parts[0] == RECORDS or any(part.startswith(".") for part in name.parts)]
    return {name.as_posix(): path for name, path in paths.items() if name not in hidden}


def first_steady_session(root: Path) -> OpenedSession:
    """Open the first session of a workspace, by name, that drove the steady step.

    Raises
    ------
    WorkspaceError
        There is none, or the workspace cannot be used.
    """
    sessions = open_workspace(root).sessions
    for name in sorted(sessions):
        if "steady" in sessions[name].session.steps:
            return open_session(sessions[name].path)
    raise WorkspaceError(str(root), [Problem("sessions", None, "", "no session with the step steady", "one")])
