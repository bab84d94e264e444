"""The kit's notebooks laid beside a workspace's sessions, and JupyterLab opened on them."""

from __future__ import annotations

import json
import os
import re
import secrets
import socket
from dataclasses import dataclass
from pathlib import Path

import nbformat

from tunelab.record.notebook import Notebook, find_notebooks
from tunelab.workspace import SessionFolder, Workspace
from tunelab.workspace.folder import SESSIONS_FOLDER

FOLDER = "notebooks"
FIRST = "explore"  # the notebook that is opened
LOOPBACK = "127.0.0.1"
SESSION_LINE = re.compile(r'^session = ".*?"', re.MULTILINE)
WORKSPACE_LINE = re.compile(r'^workspace = ".*?"', re.MULTILINE)  # of the notebooks that read a whole workspace


@dataclass(frozen=True)
class LaidOut:
    """Notebooks in a workspace."""

    folder: Path
    new: tuple[str, ...]  # names of those that were copied
    kept: tuple[str, ...]  # names of those that were there and stay as they are


def lay_out_notebooks(workspace: Workspace, source: Path) -> LaidOut:
    """Copy the kit's notebooks into a workspace, each set to the latest session that it serves.

    Parameters
    ----------
    workspace : Workspace
        Gets a folder `notebooks/`. What stands there already is the owner's and stays.
    source : Path
        The kit's own notebooks.
    """
    folder = workspace.root / FOLDER
    folder.mkdir(exist_ok=True)
    new, kept = [], []
    for notebook in find_notebooks(source):
        target = folder / notebook.path.name
        if target.exists():
            kept.append(notebook.name)
            continue
        nbformat.write(_set_to(notebook, _latest(workspace, notebook)), target)
        new.append(notebook.name)
    return LaidOut(folder, tuple(new), tuple(kept))


def _latest(workspace: Workspace, notebook: Notebook) -> SessionFolder | None:
    """Latest session with a log and a step that the notebook serves, else the latest with a log."""
    driven = [folder for folder in workspace.sessions.values() if folder.files]
    served = [folder for folder in driven if set(folder.session.steps) & set(notebook.steps)]
    return max(served or driven, key=lambda folder: (folder.session.date, folder.name), default=None)


def _set_to(notebook: Notebook, session: SessionFolder | None) -> nbformat.NotebookNode:
    """Give the notebook without outputs, and with its parameter `session` or `workspace` set."""
    node = nbformat.read(notebook.path, as_version=4)
    for cell in (cell for cell in node.cells if cell.cell_type == "code"):
        cell.outputs, cell.execution_count = [], None
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = WORKSPACE_LINE.sub('workspace = ".."', cell.source, count=1)
            if session is not None:
                place = json.dumps(f"../{SESSIONS_FOLDER}/{session.name}", ensure_ascii=False)
                cell.source = SESSION_LINE.sub(lambda _, place=place: f"session = {place}", cell.source, count=1)
    return node


@dataclass(frozen=True)
class LabStart:
    """How JupyterLab is started."""

    arguments: tuple[str, ...]
    address: str  # holds the key


def plan_lab(root: Path, *, port: int, opens_browser: bool) -> LabStart:
    """Choose a port and a new key for JupyterLab on a workspace: for this computer alone, and without the network.

    Parameters
    ----------
    root : Path
        The workspace.
    port : int
        Where it listens; the next free one where it is taken.
    opens_browser : bool
        Whether to open a browser.

    Raises
    ------
    OSError
        None of a hundred ports from `port` on is free.
    """
    port, key = _free_port(port), secrets.token_hex(24)
    page = f"/lab/tree/{FOLDER}/{FIRST}.ipynb"
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
    """Whether this runs as the superuser, which the server refuses unless told."""
    return hasattr(os, "geteuid") and os.geteuid() == 0
