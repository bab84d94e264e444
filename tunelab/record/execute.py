"""Runs one notebook with papermill in the Python that runs tunelab, and says how it went."""

from __future__ import annotations

import functools
import os
import re
import sys
import tempfile
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from typing import TYPE_CHECKING, Any

from tunelab.lazy import as_if_missing
from tunelab.record.chapter import OUT
from tunelab.record.display import KEPT_IN, PAGE_RUN
from tunelab.record.kernels import manager
from tunelab.record.notebook import Notebook, Value

if TYPE_CHECKING:
    import nbformat

PREFIX = "TUNELAB_PREFIX"
LONGEST_SOCKET = 103  # bytes of its path, on macOS; Linux takes 107
QUIET = {"extra_arguments": ["--log-level=50"]}  # a kernel that is ended calls that an error, on the terminal
CHECK_TAG = "tunelab-kernel-check"
CHECK = f"""import gc, os, sys
gc.set_threshold(50_000, 20, 50)  # looking for garbage took a twelfth of a run
if sys.prefix != os.environ["{PREFIX}"]:
    raise RuntimeError(
        "This notebook runs in another Python than tunelab: the kernel named python3 belongs to "
        + sys.prefix + ". Run tunelab in an environment of its own, with JUPYTER_PATH unset."
    )"""


@dataclass(frozen=True)
class Run:
    """How the run of one notebook ended."""

    notebook: Notebook
    executed: nbformat.NotebookNode
    failure: str  # one line; empty when it ran to the end

    @property
    def failed(self) -> bool:
        """Whether it did not run to the end."""
        return bool(self.failure)


@contextmanager
def kernels_at(root: Path, record: Path, kept: Path | None = None) -> Iterator[None]:
    """Let kernels start in the workspace `root`, so that no path of this machine need be a parameter.

    Working directory and environment belong to the process: one block round all notebooks that run side by side. Inside
    it notebooks write into the folder `record`, and what they fit is kept in the folder `kept`, if one is given.
    """
    before = Path.cwd()
    variables = {PAGE_RUN: "1", OUT: str(record), PREFIX: sys.prefix} | ({KEPT_IN: str(kept)} if kept else {})
    with _environment(variables), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        os.chdir(root)
        try:
            yield
        finally:
            os.chdir(before)


def run_notebook(notebook: Notebook, parameters: Mapping[str, Value], record: Path) -> Run:
    """Execute a notebook from a clean kernel, with a progress bar on stderr; inside a block of `kernels_at`.

    Parameters
    ----------
    notebook : Notebook
        What to run; its file is not changed.
    parameters : mapping
        Checked parameters.
    record : Path
        Folder of the record being written: gets `<name>.ipynb`, finished cells even when a later one fails.
    """
    with as_if_missing("rfc3987_syntax"):  # it builds a grammar, in a second, for addresses that no notebook holds
        import nbformat  # here, because it takes a while, and papermill too
    import papermill
    from papermill.exceptions import PapermillException
    from traitlets.config import Config

    output = record / f"{notebook.name}.ipynb"
    prepared = _with_check(nbformat.read(notebook.path, as_version=4))
    failure = ""
    try:
        with _own_channel() as channel:
            executed = papermill.execute_notebook(
                prepared,
                _unformatted(str(output)),
                parameters=dict(parameters),
                engine_name=_engine(),
                kernel_name="python3",
                language="python",
                progress_bar={"desc": notebook.name, "file": sys.stderr, "leave": True},
                config=Config({"KernelManager": channel, "NotebookClient": QUIET}),
                kernel_manager_class=manager(),
            )
    except PapermillException as error:
        failure = _one_line(error)
    except RuntimeError as error:  # jupyter_client: the kernel died or never started
        failure = f"the kernel stopped: {first_line(str(error))}"
    if failure:
        executed = nbformat.read(output, as_version=4) if output.exists() else prepared
    nbformat.write(_tidy(executed), output)
    return Run(notebook, executed, failure)


@functools.cache
def _engine() -> str:
    """Name of papermill's own engine, but that it writes the notebook once at its end, however it ends.

    Left to itself it writes the whole notebook before and after each cell: with figures in it that takes longer than
    several of the studies, and nobody reads the file until the record is put together.
    """
    from papermill.engines import NBClientEngine, papermill_engines

    class WrittenAtTheEnd(NBClientEngine):
        @classmethod
        def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **kwargs: Any) -> None:
            path, nb_man.output_path = nb_man.output_path, None
            try:
                super().execute_managed_notebook(nb_man, kernel_name, **kwargs)
            finally:
                nb_man.output_path = path  # papermill writes it next, also after an error

    papermill_engines.register(WrittenAtTheEnd.__name__, WrittenAtTheEnd)
    return WrittenAtTheEnd.__name__


def _unformatted(path: str) -> str:
    """A path that papermill takes as it is: it fills parameters in between braces, and a path is no form."""
    return path.replace("{", "{{").replace("}", "}}")


@contextmanager
def _own_channel() -> Iterator[dict[str, str]]:
    """Settings of a channel that only this kernel and this process use, open to no network.

    The sockets lie in a folder of their own: left to itself the kernel manager takes the same names for every kernel
    that starts in one place, and two runs at once would talk into each other's. Where there are no such sockets
    (Windows), or no place for temporary files has a short enough path, it is a port of this computer alone, with a key.
    """
    place = next((p for p in (tempfile.gettempdir(), "/tmp") if os.access(p, os.W_OK) and _fits(p)), None)
    if place is None or os.name == "nt":
        yield {"transport": "tcp"}
        return
    with tempfile.TemporaryDirectory(prefix="tunelab-", dir=place, ignore_cleanup_errors=True) as folder:
        yield {"transport": "ipc", "ip": os.path.join(folder, "k")}


def _fits(folder: str) -> bool:
    """Whether the sockets of a kernel have room below a folder: systems hold 103 to 107 bytes of a socket's path."""
    return len(os.fsencode(os.path.join(folder, "tunelab-12345678", "k-5"))) <= LONGEST_SOCKET


def _with_check(node: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """The notebook with the check in front, and without what an earlier run showed: papermill copies and writes it."""
    from nbformat.v4 import new_code_cell

    for cell in (cell for cell in node.cells if cell.cell_type == "code"):
        cell.outputs, cell.execution_count = [], None
    cell = new_code_cell(CHECK, id="kernel-check", metadata={"tags": [CHECK_TAG]})
    node.cells.insert(0, cell)
    return node


def _tidy(node: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """Take out what tells of this machine and this moment, and the check when it has passed."""
    node.metadata.get("papermill", {}).clear()
    node.metadata.pop("papermill", None)
    node.cells = [cell for cell in node.cells if not _is_passed_check(cell)]
    for cell in node.cells:
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        for output in (output for output in cell.get("outputs", ()) if output.output_type == "error"):
            output.traceback = [_without_folders(line) for line in output.traceback]
    return node


# "File PATH.py:12" in a traceback, with the colours of a terminal round its parts.
_PLACE = re.compile(r"(?P<head>File (?:\x1b\[[0-9;]*m)*)(?P<path>[^\x1b\n\"]+?\.py)(?P<end>(?:\x1b\[[0-9;]*m)*:\d)")
_ROOTS = re.compile(r"site-packages|dist-packages|python3\.\d+|Lib")


def _without_folders(line: str) -> str:
    """A piece of a traceback with modules in place of paths: what a folder is called tells of this machine alone."""
    return _PLACE.sub(lambda found: f"{found['head']}{_module(found['path'])}{found['end']}", line)


def _module(path: str) -> str:
    parts = PureWindowsPath(path).with_suffix("").parts  # splits at either sign
    starts = [k + 1 for k, part in enumerate(parts[:-1]) if _ROOTS.fullmatch(part)]
    starts += [k for k, part in enumerate(parts[:-1]) if part == "tunelab"]
    return ".".join(parts[max(starts, default=len(parts) - 1) :])


def _is_passed_check(cell: nbformat.NotebookNode) -> bool:
    tags = cell.metadata.get("tags", [])
    return CHECK_TAG in tags and not any(o.output_type == "error" for o in cell.get("outputs", []))


def _one_line(error: Exception) -> str:
    name, value = getattr(error, "ename", ""), getattr(error, "evalue", "")
    return f"{name}: {first_line(value)}" if name else first_line(str(error))


def first_line(text: str) -> str:
    """The first line of a message that says anything."""
    return next((line.strip() for line in text.splitlines() if line.strip()), "no message")


@contextmanager
def _environment(variables: Mapping[str, str]) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in variables}
    os.environ.update(variables)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
