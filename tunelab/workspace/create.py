"""A new workspace to fill in. It holds no made-up number: `open_workspace` refuses it until the owner has filled it."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from tunelab.workspace.folder import CAR_FILE, CHANNELS_FILE, REVISIONS_FOLDER, SESSIONS_FOLDER, UNDATED
from tunelab.workspace.problem import Problem, WorkspaceError
from tunelab.workspace.session import SESSION_FILE

PLACES = {
    "car.toml": CAR_FILE,
    "channels.toml": CHANNELS_FILE,
    "r01.toml": f"{REVISIONS_FOLDER}/r01.toml",
    "session.toml": f"{SESSIONS_FOLDER}/{UNDATED}-steady/{SESSION_FILE}",
}
"""Template to its place in the workspace."""
TOP = (SESSIONS_FOLDER, REVISIONS_FOLDER, CHANNELS_FILE, CAR_FILE)
"""What stands in the workspace itself, in the order in which it is moved in; with car.toml it is a workspace."""
WAITING = ".new-workspace"  # a whole one that is being moved in; a run that was killed leaves it, and the next goes on
UNWRITTEN = f"{WAITING}-unwritten"


def create_workspace(root: str | Path) -> list[Path]:
    """Write a commented workspace to fill in; a run that was killed half-way is brought to its end.

    Parameters
    ----------
    root : path
        The folder; made if it is not there. May hold other files, but none that would be overwritten.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    WorkspaceError
        Something stands where the workspace would go; nothing was written.
    """
    root = Path(root)
    if root.exists() and not root.is_dir():
        raise WorkspaceError(str(root), [Problem(str(root), None, "", "a file", "a folder, or a name that is free")])
    waiting, is_made = root / WAITING, not root.exists()
    if not waiting.is_dir():
        _require_free(root, TOP)
        try:
            _write_templates(root, waiting)
        except OSError:  # such as a full disk: what was there is left as it was
            shutil.rmtree(root if is_made else root / UNWRITTEN, ignore_errors=True)
            raise
    left = [name for name in TOP if (waiting / name).exists()]  # of a run that was killed here the rest is in place
    _require_free(root, left)
    for name in left:
        (waiting / name).rename(root / name)
    waiting.rmdir()
    return [root / place for place in PLACES.values()]


def _write_templates(root: Path, waiting: Path) -> None:
    """Write everything below a passing name; only when it is whole does the folder get the name from which it goes on.

    What a run that was killed before that left behind is the kit's own, and is written anew.
    """
    beside = root / UNWRITTEN
    if beside.is_dir():
        shutil.rmtree(beside)
    for name, place in PLACES.items():
        target = beside / place
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(files("tunelab.workspace").joinpath("template", name).read_bytes())
    beside.rename(waiting)


def _require_free(root: Path, names: Sequence[str]) -> None:
    problems = _in_the_way(root, names)
    if problems:
        raise WorkspaceError(str(root), problems)


def _in_the_way(root: Path, names: Sequence[str]) -> list[Problem]:
    way_out = "name another folder; nothing was written"
    return [
        Problem(name, None, "", "something that is already there", "a free place", way_out)
        for name in names
        if (root / name).exists()
    ]
