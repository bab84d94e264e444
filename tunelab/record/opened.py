"""A session opened for a notebook or a record, and the parameters that it is run with."""

from __future__ import annotations

import ast
import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tunelab.record.notebook import SET_BY_THE_RUN, Notebook, NotebookError, Parameter, Value, hint, kit_home
from tunelab.workspace import (
    SESSIONS_FOLDER,
    Problem,
    SessionFolder,
    Workspace,
    WorkspaceError,
    find_workspace,
    open_usable,
)
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

INJECTED = "# Parameters"  # how papermill's own cell begins; it stands behind the cell tagged `parameters`


def refuse_unknown_parameters() -> None:
    """Hold what papermill put into the running notebook against its cell of parameters; outside of one, do nothing.

    Raises
    ------
    NotebookError
        A name that the notebook does not have, with the nearest known one.
    """
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    if shell is not None:
        refuse_unknown(shell.user_ns.get("In", []))


def refuse_unknown(cells: Sequence[str]) -> None:
    """Do the same for the sources of the cells that ran so far, oldest first."""
    for before, cell in zip(["", *cells], cells, strict=False):
        if not cell.lstrip().startswith(INJECTED):
            continue
        known = _assigned(before)
        for name in _assigned(cell):
            if name not in known:
                raise NotebookError(f"The notebook has no parameter {name!r}; {hint(name, known)}")


def _assigned(source: str) -> list[str]:
    statements = [part for part in ast.parse(source).body if isinstance(part, ast.Assign)]
    return [target.id for part in statements for target in part.targets if isinstance(target, ast.Name)]


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
    if beside is not None and str(path) in beside.workspace.sessions:
        return OpenedSession(beside.workspace, beside.workspace.sessions[str(path)])
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


SESSIONS = {
    "more_sessions": ("earlier",),
    "others": (),
    "compare_with": ("newest", "none"),
    "steady_session": ("newest", "none"),
    "coast_down": ("newest", "none"),
}
"""Parameters that name other sessions, each with the words that may stand instead of a name."""
WORDS = {"true": True, "yes": True, "false": False, "no": False}


def settings_for(notebooks: Sequence[Notebook], assignments: Sequence[str]) -> dict[str, dict[str, Value]]:
    """Read `NAME=VALUE` texts and give each notebook those that it takes.

    Returns
    -------
    dict
        For each notebook's name the parameters to set, in the type of the notebook's own default.

    Raises
    ------
    NotebookError
        A text without `=`, a name given twice or known to no notebook, a value of another type.
    """
    given = _split(assignments)
    known = {p.name for notebook in notebooks for p in notebook.parameters} - set(SET_BY_THE_RUN)
    for name in given:
        if name in SET_BY_THE_RUN:
            raise NotebookError(f"--set {name}: the command fills this one in itself.")
        if name not in known:
            names = ", ".join(notebook.name for notebook in notebooks)
            raise NotebookError(f"--set {name}: no such parameter in {names}; {hint(name, sorted(known))}")
    return {
        notebook.name: {p.name: read_value(p, given[p.name]) for p in notebook.parameters if p.name in given}
        for notebook in notebooks
    }


def require_sessions(opened: OpenedSession, settings: Mapping[str, Mapping[str, Value]]) -> None:
    """Find every other session that settings name, before anything runs.

    Raises
    ------
    NotebookError
        A name that is no session of the workspace, with the nearest one.
    """
    for given in settings.values():
        for parameter in sorted(set(given) & set(SESSIONS)):
            value = given[parameter]
            for name in value if isinstance(value, list) else [value]:
                if name not in SESSIONS[parameter] and not _is_session(opened, name):
                    known = [*SESSIONS[parameter], *opened.workspace.sessions]
                    raise NotebookError(f"--set {parameter}: there is no session {name!r}; {hint(str(name), known)}")


def _is_session(opened: OpenedSession, name: object) -> bool:
    if name in opened.workspace.sessions:
        return True
    try:
        return isinstance(name, str) and bool(open_session(name, beside=opened))
    except ValueError:
        return False


def _split(assignments: Sequence[str]) -> dict[str, str]:
    given: dict[str, str] = {}
    for text in assignments:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise NotebookError(f"--set {text}: wanted NAME=VALUE, such as --set seed=2.")
        if name.strip() in given:
            raise NotebookError(f"--set {name.strip()} is given twice.")
        given[name.strip()] = value.strip()
    return given


def read_value(parameter: Parameter, text: str) -> Value:
    """Read a value in the type of the parameter's default.

    Raises
    ------
    NotebookError
        The text is not of that type, or not a finite number.
    """
    kind = type(parameter.default)
    if kind is str:
        return text
    if kind is bool:
        return _read_word(parameter, text)
    try:
        value = ast.literal_eval(text)
    except (ValueError, SyntaxError) as error:
        raise _wrong(parameter, text) from error
    return _as_kind(parameter, value, text)


def _read_word(parameter: Parameter, text: str) -> bool:
    if text.lower() not in WORDS:
        raise _wrong(parameter, text)
    return WORDS[text.lower()]


def _as_kind(parameter: Parameter, value: Value, text: str) -> Value:
    kind = type(parameter.default)
    is_plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    number = value if isinstance(value, (int, float)) and is_plain and math.isfinite(value) else None
    if kind is float and number is not None:
        return float(number)
    if kind is int and isinstance(number, int):
        return number
    if kind is list and isinstance(value, list):
        return value
    if parameter.default is None and (value is None or number is not None):
        return value
    raise _wrong(parameter, text)


def _wrong(parameter: Parameter, text: str) -> NotebookError:
    wanted = {bool: "true or false", int: "a whole number", float: "a number", list: "a list such as [1, 2]"}
    kind = wanted.get(type(parameter.default), "a number or None")
    meaning = f" ({parameter.comment})" if parameter.comment else ""
    return NotebookError(f"--set {parameter.name}={text}: wanted {kind}{meaning}, such as {parameter.default!r}.")
