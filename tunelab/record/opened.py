"""A session opened for a notebook or a record: its workspace, its revision, its place for a record."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tunelab.record.injected import refuse_unknown_parameters
from tunelab.record.notebook import hint, kit_home
from tunelab.workspace import Problem, SessionFolder, Workspace, WorkspaceError, find_workspace, open_usable
from tunelab.workspace.car import Car
from tunelab.workspace.folder import SESSIONS_FOLDER
from tunelab.workspace.revision import Revision


@dataclass(frozen=True)
class OpenedSession:
    """One session with the workspace that it belongs to."""

    workspace: Workspace
    folder: SessionFolder

    @property
    def name(self) -> str:
        """Name of the session's folder."""
        return self.folder.name

    @property
    def car(self) -> Car:
        """The car as `car.toml` has it."""
        return self.workspace.car

    @property
    def revision(self) -> Revision:
        """The revision that was in the ECU during the session."""
        return self.workspace.revisions[self.folder.session.revision]

    @property
    def place(self) -> Path:
        """Where its record goes unless another place is named."""
        return self.workspace.root / "records" / self.name


def open_session(path: str | Path, *, beside: OpenedSession | None = None) -> OpenedSession:
    """Open a session by its folder.

    Parameters
    ----------
    path : path
        The session's folder, or a file in it. A relative path is looked for from the working directory, then from the
        kit's own folder, so that the notebooks' defaults work wherever they are started.
    beside : OpenedSession, optional
        A session that is open already: another of its workspace can be named by its bare name, wherever this runs.

    Raises
    ------
    WorkspaceError
        No such session, or a workspace that cannot be used as it stands.
    NotebookError
        In a notebook run by papermill: a parameter that it does not have.
    """
    refuse_unknown_parameters()
    folder = _beside(Path(path), beside) or _existing(Path(path))
    workspace = open_usable(find_workspace(folder))
    for session in workspace.sessions.values():
        if _is_in(folder, session.path):
            return OpenedSession(workspace, session)
    for name, problems in workspace.unusable.items():
        if _is_in(folder, workspace.root / SESSIONS_FOLDER / name):
            raise WorkspaceError(name, problems)
    raise _no_session(str(path), list(workspace.sessions))


def _is_in(path: Path, folder: Path) -> bool:
    """Whether a path is a folder or lies in it, as the disk has it: names may differ in case, or lead through links."""
    return any(place.samefile(folder) for place in (path.resolve(), *path.resolve().parents))


def _beside(path: Path, opened: OpenedSession | None) -> Path | None:
    if opened is None:
        return None
    root = opened.workspace.root
    return next((place / path for place in (root / "sessions", root, root.parent) if (place / path).exists()), None)


def _existing(path: Path) -> Path:
    for candidate in (path, kit_home() / path):
        if candidate.exists():
            return candidate
    beside = path.parent if path.parent.is_dir() else kit_home() / path.parent
    names = sorted(p.name for p in beside.iterdir() if p.is_dir()) if beside.is_dir() else []
    raise _no_session(str(path), names)


def _no_session(path: str, known: list[str]) -> WorkspaceError:
    way_out = f"{hint(Path(path).name, known)}"
    wanted = "the folder of a session, such as my-car/sessions/2026-05-03-steady"
    return WorkspaceError(path, [Problem(path, None, "", "no session", wanted, way_out)])
