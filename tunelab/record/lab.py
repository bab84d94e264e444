"""A workspace to work in: the kit's notebooks beside its sessions in JupyterLab, and a copy of the demo."""

from __future__ import annotations

import filecmp
import hashlib
import itertools
import json
import os
import re
import secrets
import socket
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tunelab.lazy import as_if_missing
from tunelab.record.notebook import Notebook, NotebookError, find_notebooks, kit_folder, read_notebook
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.place import folder_beside, put_in_free_place, write_whole
from tunelab.record.stored import RECORDS
from tunelab.workspace import SESSIONS_FOLDER, Problem, SessionFolder, Workspace, WorkspaceError, open_workspace
from tunelab.workspace.disk import copy_folder

with as_if_missing("rfc3987_syntax"):  # a second, for addresses that no notebook holds
    import nbformat


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


FOLDER = "notebooks"
FIRST = "explore"  # the kit's notebook to begin with, whatever was driven
START = "start"  # the page that is opened: what to run next
KERNEL = {"name": "python3", "display_name": "Python 3", "language": "python"}  # named, so that nobody is asked for one
SEAL = "sealed"  # in its metadata: digest of its text as the kit wrote it
LOOPBACK = "127.0.0.1"
SESSION_LINE = re.compile(r'^session = ".*?"', re.MULTILINE)
WORKSPACE_LINE = re.compile(r'^workspace = ".*?"', re.MULTILINE)  # of the notebooks that read a whole workspace


@dataclass(frozen=True)
class LaidOut:
    """Notebooks in a workspace."""

    folder: Path
    new: tuple[str, ...]  # names of those that were copied
    kept: tuple[str, ...]  # names of those that were there and stay as they are
    beside: dict[str, str]  # name of one that was there and is not the kit's own -> name of the kit's own beside it
    start: str = START  # name of the page that says what to run next

    @property
    def first(self) -> str:
        """Name of the kit's own notebook that is opened."""
        return self.beside.get(FIRST, FIRST)


def lay_out_notebooks(workspace: Workspace, source: Path) -> LaidOut:
    """Copy the kit's notebooks into a workspace, each set to the latest session that it serves.

    Parameters
    ----------
    workspace : Workspace
        Gets a folder `notebooks/`. What stands there already stays. Where it is not the kit's own, by its cells, it may
        be the owner's work or somebody else's: the kit's own is laid beside it, as `<name>-kit`.
    source : Path
        The kit's own notebooks.
    """
    folder = workspace.root / FOLDER
    folder.mkdir(exist_ok=True)
    new, kept, beside = [], [], {}
    for notebook in find_notebooks(source):
        name = notebook.name
        if (folder / f"{name}.ipynb").exists():
            kept.append(name)
            if _is_the_kits(folder / f"{name}.ipynb", notebook):
                continue
            name = _free_name(folder, notebook)
            beside[notebook.name] = name
        if not (folder / f"{name}.ipynb").exists():
            _write(_set_to(notebook, _latest(workspace, notebook)), folder / f"{name}.ipynb")
            new.append(name)
    start = _write_start(folder, start_text(workspace, find_notebooks(source), beside))
    return LaidOut(folder, tuple(new), tuple(kept), beside, start)


def start_text(workspace: Workspace, notebooks: Sequence[Notebook], beside: Mapping[str, str]) -> str:
    """Say what to run next in a workspace, as Markdown: the latest drive, its notebooks in order, what has no record.

    Parameters
    ----------
    workspace : Workspace
        Its sessions are read off its folders; no log is opened.
    notebooks : sequence of Notebook
        The kit's own.
    beside : mapping
        Under which other name the kit's own stands, where its name was taken.
    """
    driven = [folder for folder in workspace.sessions.values() if folder.files]
    lines = [f"# {_plain(workspace.car.name)}: what to run next", ""]
    if not driven:
        lines.append("No session has a log yet. Put one into a folder below `sessions/`, beside its `session.toml`.")
        return "\n".join(lines)
    latest = max(driven, key=lambda folder: (folder.session.date, folder.name))
    steps = set(latest.session.steps)
    lines += [f"The latest drive is `{_plain(latest.name)}` ({', '.join(latest.session.steps)}).", ""]
    served = [notebook for notebook in notebooks if steps & set(notebook.steps)]
    for number, notebook in enumerate(sorted(served, key=lambda own: (own.order, own.name)), start=1):
        name = beside.get(notebook.name, notebook.name)
        lines.append(f"{number}. [{name}]({name}.ipynb): {notebook.question}")
    first = beside.get(FIRST, FIRST)
    lines += [
        "",
        f"Whatever was driven, [{first}]({first}.ipynb) shows what is in the log.",
        "",
        "In a notebook choose Run, Run All Cells. What you may set is in its first cells, under `session`.",
        "",
    ]
    waiting = [folder.name for folder in driven if not (workspace.root / RECORDS / folder.name).is_dir()]
    if waiting:
        lines += ["These drives have no record yet; in a terminal, in this workspace:", ""]
        lines += [f"    tunelab record {SESSIONS_FOLDER}/{_plain(name)}" for name in sorted(waiting)]
    return "\n".join(lines)


def _plain(text: str) -> str:
    """A name without what Markdown would take for a mark or a line of its own."""
    return re.sub(r"[^\w\s.,:()+-]", "", " ".join(text.split()))


def _write_start(folder: Path, text: str) -> str:
    """Write the page anew, beside one that somebody changed; its name. It holds text alone: nothing in it runs."""
    cell = nbformat.v4.new_markdown_cell(text, id="what-to-run-next")
    node = nbformat.v4.new_notebook(cells=[cell], metadata={"kernelspec": KERNEL, "tunelab": {SEAL: _seal([cell])}})
    names = (START, *(f"{START}-kit{'' if k == 1 else f'-{k}'}" for k in range(1, 100)))
    name = next(name for name in names if _may_be_replaced(folder / f"{name}.ipynb"))
    _write(node, folder / f"{name}.ipynb")
    return name


def _write(node: nbformat.NotebookNode, path: Path) -> None:
    text = nbformat.writes(node)
    write_whole(path, text if text.endswith("\n") else f"{text}\n")


def _may_be_replaced(path: Path) -> bool:
    """Whether nothing stands there, or a start page as the kit wrote it."""
    if not path.exists():
        return True
    try:
        node = nbformat.read(path, as_version=4)
        return node.metadata.tunelab[SEAL] == _seal(node.cells)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):  # whatever else it is
        return False


def _seal(cells: Sequence[nbformat.NotebookNode]) -> str:
    text = "\0".join(f"{cell.cell_type}\0{cell.source}" for cell in cells)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _free_name(folder: Path, notebook: Notebook) -> str:
    """First name for the kit's own notebook under which it stands already, or nothing does."""
    names = (f"{notebook.name}-kit{'' if k == 1 else f'-{k}'}" for k in itertools.count(1))
    places = ((name, folder / f"{name}.ipynb") for name in names)
    return next(name for name, path in places if not path.exists() or _is_the_kits(path, notebook))


def _is_the_kits(path: Path, notebook: Notebook) -> bool:
    """Whether a notebook has the cells of the kit's own; plain values of its parameters and outputs may be others."""
    try:
        names = [parameter.name for parameter in read_notebook(path).parameters]
        here, own = (_told_apart(nbformat.read(place, as_version=4)) for place in (path, notebook.path))
    except (NotebookError, ValueError, KeyError, TypeError, AttributeError, RecursionError):  # whatever else it is
        return False
    return here == own and names == [parameter.name for parameter in notebook.parameters]


def _told_apart(node: nbformat.NotebookNode) -> list[tuple[str, str]]:
    """Kind and text of each cell; of the parameters, which hold plain values only, just that they stand there."""
    tagged = [cell.cell_type == "code" and "parameters" in cell.metadata.get("tags", []) for cell in node.cells]
    return [
        ("parameters", "") if is_set else (c.cell_type, c.source) for c, is_set in zip(node.cells, tagged, strict=True)
    ]


def _latest(workspace: Workspace, notebook: Notebook) -> SessionFolder | None:
    """Latest session with a log and a step that the notebook serves, else the latest with a log."""
    driven = [folder for folder in workspace.sessions.values() if folder.files]
    served = [folder for folder in driven if set(folder.session.steps) & set(notebook.steps)]
    return max(served or driven, key=lambda folder: (folder.session.date, folder.name), default=None)


def _set_to(notebook: Notebook, session: SessionFolder | None) -> nbformat.NotebookNode:
    """Give the notebook without outputs, and with its parameter `session` or `workspace` set."""
    node = nbformat.read(notebook.path, as_version=4)
    line = "session = " + json.dumps(f"../{SESSIONS_FOLDER}/{session.name}", ensure_ascii=False) if session else ""
    for cell in (cell for cell in node.cells if cell.cell_type == "code"):
        cell.outputs, cell.execution_count = [], None
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = WORKSPACE_LINE.sub('workspace = ".."', cell.source, count=1)
            if session is not None:
                cell.source = SESSION_LINE.sub(lambda _: line, cell.source, count=1)
    return node


@dataclass(frozen=True)
class LabStart:
    """How JupyterLab is started."""

    arguments: tuple[str, ...]
    address: str  # holds the key


def plan_lab(root: Path, *, port: int, opens_browser: bool, first: str = FIRST) -> LabStart:
    """Choose a port and a new key for JupyterLab on a workspace: for this computer alone, and without the network.

    Parameters
    ----------
    root : Path
        The workspace.
    port : int
        Where it listens; the next free one where it is taken.
    opens_browser : bool
        Whether to open a browser.
    first : str
        Name of the notebook that it opens.

    Raises
    ------
    OSError
        None of a hundred ports from `port` on is free.
    """
    port, key = _free_port(port), secrets.token_hex(24)
    page = f"/lab/tree/{FOLDER}/{first}.ipynb"
    arguments = (
        f"--ServerApp.ip={LOOPBACK}",
        "--ServerApp.allow_remote_access=False",
        f"--ServerApp.port={port}",
        "--ServerApp.port_retries=0",
        f"--ServerApp.root_dir={root.resolve()}",
        f"--ServerApp.open_browser={opens_browser}",
        f"--ServerApp.allow_root={_is_root()}",
        "--ServerApp.log_level=WARN",
        f"--IdentityProvider.token={key}",
        f"--LabApp.default_url={page}",
        "--LabApp.log_level=WARN",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.news_url=None",
        "--LabApp.extension_manager=readonly",
    )
    return LabStart(arguments, f"http://{LOOPBACK}:{port}{page}?token={key}")


def _free_port(first: int) -> int:
    for port in range(first, min(first + 100, 65536)):
        with socket.socket() as probe:
            try:
                probe.bind((LOOPBACK, port))
            except OSError:
                continue
            return port
    raise OSError(f"no port from {first} to {first + 99} is free for JupyterLab; name another with --port.")


def _is_root() -> bool:
    """Whether this runs as the superuser, which the server refuses unless asked."""
    return hasattr(os, "geteuid") and os.geteuid() == 0
