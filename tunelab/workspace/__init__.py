"""What the owner keeps on disk, car, revisions and sessions: the folder found, read, checked as a whole, or begun."""

from __future__ import annotations

import re
import shutil
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel

from tunelab.workspace.car import Car
from tunelab.workspace.channel_map import ChannelMap, ColumnRule, check_channel_map
from tunelab.workspace.check_car import check_car
from tunelab.workspace.check_revision import check_lineage, check_revision
from tunelab.workspace.problem import Problem, WorkspaceError
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import SESSION_FILE, Session, check_session
from tunelab.workspace.toml_file import Reading, read_toml
from tunelab.workspace.write import write_revision

__all__ = [
    "ChannelMap",
    "ColumnRule",
    "Problem",
    "SessionFolder",
    "Workspace",
    "WorkspaceError",
    "create_workspace",
    "find_workspace",
    "open_usable",
    "open_workspace",
    "write_revision",
]

CAR_FILE = "car.toml"
CHANNELS_FILE = "channels.toml"
REVISIONS_FOLDER = "revisions"
SESSIONS_FOLDER = "sessions"
UNDATED = "YYYY-MM-DD"  # how a new workspace names its first session's folder
LOG_NAME = re.compile(
    r".+\.(csv|tsv|tab|txt|log|dat|asc)(\.gz)?|.+\.(parquet|pq|nc|nc4|cdf|mf4|mdf|dat)", re.IGNORECASE
)

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True)
class SessionFolder:
    """One session on disk."""

    name: str  # name of the folder
    path: Path
    session: Session
    files: tuple[Path, ...]  # the raw logs in the order driven; may be empty before the drive


@dataclass(frozen=True)
class Workspace:
    """Everything the owner keeps, read and checked."""

    root: Path
    car: Car
    revisions: dict[str, Revision]
    sessions: dict[str, SessionFolder]
    channel_map: ChannelMap  # empty where there is no channels.toml
    unusable: dict[str, tuple[Problem, ...]] = field(default_factory=dict)  # sessions left out, with what is wrong

    def left_out(self) -> list[str]:
        """Say of each session that was left out why, one sentence each."""
        return [f"{SESSIONS_FOLDER}/{name} is left out: {_first(of)}" for name, of in self.unusable.items()]


def find_workspace(path: str | Path) -> Path:
    """Find the workspace that a file or folder belongs to: the nearest folder above with a `car.toml`.

    Parameters
    ----------
    path : path
        A workspace, or anything inside one. Need not exist.

    Returns
    -------
    Path
        The workspace's own folder.

    Raises
    ------
    WorkspaceError
        No folder from `path` upwards has a `car.toml`.
    """
    start = Path(path).absolute()
    for folder in (start, *start.parents):
        if (folder / CAR_FILE).is_file():
            return folder
    wrong = next(_misnamed(start if start.is_dir() else start.parent, CAR_FILE), None)
    if wrong is not None:
        raise WorkspaceError(str(path), [_rename(wrong.name, wrong.name, CAR_FILE)])
    way_out = "name a folder inside a workspace, or make one with: tunelab new DIR"
    raise WorkspaceError(str(path), [Problem(str(path), None, "", f"no {CAR_FILE} here or above", "one", way_out)])


def open_workspace(root: str | Path, *, leave_out: Collection[str] = ()) -> Workspace:
    """Read and check the owner's folder. Raw logs are listed, not opened.

    Parameters
    ----------
    root : path
        The folder that holds `car.toml`.
    leave_out : collection of str
        Names of sessions to do as if they were not there, such as those that another call has found unusable.

    Returns
    -------
    Workspace

    Raises
    ------
    WorkspaceError
        Lists every problem over all files: file, line, key, what stands there, what is wanted, the way out.
    """
    root = Path(root)
    if not root.is_dir():
        raise WorkspaceError(str(root), [Problem(str(root), None, "", "no such folder", "a workspace's folder")])
    car = _read(root, root / CAR_FILE, Car)
    mapping = _read(root, root / CHANNELS_FILE, ChannelMap) if (root / CHANNELS_FILE).exists() else None
    revisions = {path.stem: _read(root, path, Revision) for path in _toml_files(root / REVISIONS_FOLDER)}
    folders = {path.name: path for path in _folders(root / SESSIONS_FOLDER) if path.name not in leave_out}
    sessions = {name: _read(root, path / SESSION_FILE, Session) for name, path in folders.items()}
    problems = [*_names(root, folders), *_problems(root, car, mapping, revisions, sessions)]
    if problems:
        raise WorkspaceError(root.name or str(root), problems)
    return Workspace(
        root=root,
        car=car.whole,
        revisions={name: reading.whole for name, reading in revisions.items()},
        sessions={name: _session_folder(folders[name], reading.whole) for name, reading in sessions.items()},
        channel_map=mapping.whole if mapping else ChannelMap(),
    )


def open_usable(root: str | Path) -> Workspace:
    """Open a workspace as `open_workspace` does; a session whose own file is not in order keeps nothing but itself out.

    Raises
    ------
    WorkspaceError
        Anything else is wrong; then lists the problems of the sessions as well.
    """
    try:
        return open_workspace(root)
    except WorkspaceError as error:
        unusable = _at_fault(error)
        if not unusable:
            raise
        try:
            workspace = open_workspace(root, leave_out=unusable)
        except WorkspaceError:
            raise error from None
        return replace(workspace, unusable=unusable)


def _at_fault(error: WorkspaceError) -> dict[str, tuple[Problem, ...]]:
    """Sessions whose own file has a problem, each with all of its problems."""
    found: dict[str, tuple[Problem, ...]] = {}
    for problem in error.problems:
        parts = problem.file.split("/")
        if len(parts) == 3 and parts[0] == SESSIONS_FOLDER and parts[2] == SESSION_FILE:
            found[parts[1]] = (*found.get(parts[1], ()), problem)
    return found


def _first(problems: Sequence[Problem]) -> str:
    """Say the first problem in a line, and how many more there are."""
    first = problems[0]
    place = ", ".join(part for part in (SESSION_FILE, f"line {first.line}" if first.line else "", first.key) if part)
    more = f" ({len(problems) - 1} more to put right)" if len(problems) > 1 else ""
    return f"{place}: found {first.found}, wanted {first.wanted}{more}."


def _names(root: Path, folders: Mapping[str, Path]) -> Iterator[Problem]:
    """Files that were meant to be read and are called otherwise: car.toml.txt, r02 without its ending."""
    for folder, name in [(root, CAR_FILE), (root, CHANNELS_FILE), *((path, SESSION_FILE) for path in folders.values())]:
        if not (folder / name).exists():
            for path in _misnamed(folder, name):
                yield _rename(path.relative_to(root).as_posix(), path.name, name)
    for path in _entries(root / REVISIONS_FOLDER):
        name = re.sub(r"(?i)\.toml(?:\.\w+)?$", "", path.name) + ".toml"
        if path.is_file() and (not path.suffix or ".toml." in path.name.casefold()):
            yield _rename(path.relative_to(root).as_posix(), path.name, name)


def _misnamed(folder: Path, name: str) -> Iterator[Path]:
    """Files of a folder that look as if they were meant to carry a name: a second ending, none, or another case."""
    stem = re.escape(Path(name).stem)
    for path in _entries(folder):
        if path.is_file() and re.fullmatch(rf"{stem}(?:\.toml(?:\.\w+)?)?", path.name, re.IGNORECASE):
            yield path


def _rename(place: str, found: str, name: str) -> Problem:
    way_out = f"rename it to {name}; if the computer hides endings of names, let it show them first"
    return Problem(place, None, "", f"a file called {found}", f"the name {name}", way_out)


def _read(root: Path, path: Path, model: type[Model]) -> Reading[Model]:
    return read_toml(path, model, path.relative_to(root).as_posix())


def _problems(
    root: Path,
    car: Reading[Car],
    mapping: Reading[ChannelMap] | None,
    revisions: Mapping[str, Reading[Revision]],
    sessions: Mapping[str, Reading[Session]],
) -> Iterator[Problem]:
    yield from _in_line_order(car, check_car(car))
    if mapping:
        yield from _in_line_order(mapping, check_channel_map(mapping))
    if not revisions:
        way_out = "describe what is in the ECU; tunelab new DIR shows the form"
        yield Problem(REVISIONS_FOLDER, None, "", "no *.toml file", "at least one revision", way_out)
    lineage = list(check_lineage(revisions))
    for reading in revisions.values():
        family = [problem for problem in lineage if problem.file == reading.file]
        yield from _in_line_order(reading, [*check_revision(reading, car.partial), *family])
    yield from _alike(REVISIONS_FOLDER, revisions)
    for name, described in sessions.items():
        folder = root / SESSIONS_FOLDER / name
        yield from _undated(described, name)
        yield from _in_line_order(described, check_session(described, folder, revisions))
    yield from _alike(SESSIONS_FOLDER, sessions)


def _in_line_order(reading: Reading, more: Iterator[Problem] | list[Problem]) -> list[Problem]:
    return sorted([*reading.problems, *more], key=lambda problem: problem.line or 0)


def _alike(place: str, names: Mapping[str, object]) -> Iterator[Problem]:
    """Two names that differ in letter case only are one name on some computers, and to the eye."""
    seen: dict[str, str] = {}
    for name in names:
        first = seen.setdefault(name.casefold(), name)
        if first != name:
            yield Problem(place, None, "", f"{first!r} and {name!r}", "names that differ in more than letter case")


def _undated(reading: Reading[Session], name: str) -> Iterator[Problem]:
    if UNDATED in name:
        way_out = "rename the folder, such as 2026-05-03-steady"
        yield Problem(reading.file, None, "", f"the folder name {name!r}", "the date of the drive in it", way_out)


def _session_folder(folder: Path, session: Session) -> SessionFolder:
    files = tuple(folder / name for name in session.files) or tuple(_logs(folder))
    return SessionFolder(folder.name, folder, session, files)


def _logs(folder: Path) -> list[Path]:
    """Every log in the folder by name, a number inside a name by its value: log2 before log10."""
    files = [path for path in _entries(folder) if path.is_file() and ".toml." not in path.name.casefold()]
    logs = [path for path in files if LOG_NAME.fullmatch(path.name)]
    return sorted(logs, key=lambda path: _natural(path.name))


def _natural(name: str) -> list[tuple[int, int, str]]:
    parts = re.findall(r"\d+|\D+", name.casefold())
    return [(0, int(part), part) if part.isdecimal() else (1, 0, part) for part in parts]


def _toml_files(folder: Path) -> list[Path]:
    return [path for path in _entries(folder) if path.suffix.casefold() == ".toml"]


def _folders(folder: Path) -> list[Path]:
    return [path for path in _entries(folder) if path.is_dir()]


def _entries(folder: Path) -> list[Path]:
    """List a folder by name, without what the computer put there for itself; nothing if there is no folder."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if not path.name.startswith((".", "~", "__")))


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
