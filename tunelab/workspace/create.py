"""A new workspace to fill in. It holds no made-up number: `open_workspace` refuses it until the owner has filled it."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from tunelab.workspace.check_session import SESSION_FILE
from tunelab.workspace.folder import CAR_FILE, CHANNELS_FILE, REVISIONS_FOLDER, SESSIONS_FOLDER, UNDATED
from tunelab.workspace.problem import Problem, WorkspaceError

PLACES = {
    "car.toml": CAR_FILE,
    "channels.toml": CHANNELS_FILE,
    "r01.toml": f"{REVISIONS_FOLDER}/r01.toml",
    "session.toml": f"{SESSIONS_FOLDER}/{UNDATED}-steady/{SESSION_FILE}",
}
"""Template to its place in the workspace."""


def create_workspace(root: str | Path) -> list[Path]:
    """Write a commented workspace to fill in.

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
    targets = {name: root / place for name, place in PLACES.items()}
    problems = list(_in_the_way(root))
    if problems:
        raise WorkspaceError(str(root), problems)
    for name, target in targets.items():
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("xb") as file:
            file.write(files("tunelab.workspace").joinpath("template", name).read_bytes())
    return list(targets.values())


def _in_the_way(root: Path) -> list[Problem]:
    if root.exists() and not root.is_dir():
        return [Problem(str(root), None, "", "a file", "a folder, or a name that is free")]
    kept = (CAR_FILE, CHANNELS_FILE, REVISIONS_FOLDER, SESSIONS_FOLDER)
    way_out = "name another folder; nothing was written"
    return [
        Problem(name, None, "", "something that is already there", "a free place", way_out)
        for name in kept
        if (root / name).exists()
    ]
