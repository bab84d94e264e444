"""Kernels of a record's notebooks, copied from one process that has loaded what they import.

Loading takes two seconds of processor time, as much as most notebooks need for themselves. `kernels_copied` starts one
process that loads it once and does nothing else; each notebook gets a fresh copy of it (a fork), so none sees what
another did, and one that dies hurts no other. On Linux only: macOS does not allow a copy of a process that has loaded
its libraries, and Windows has none. There, and wherever no copy can be made, each kernel starts by itself.
"""

from __future__ import annotations

import ast
import functools
import gc
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from importlib import import_module
from pathlib import Path
from typing import Any, NoReturn

from tunelab.lazy import without_dask
from tunelab.record.notebook import NotebookError, read_cells

KERNEL = "ipykernel_launcher"  # the module that starts a kernel of its own
LOADED = (  # what any notebook comes to, beside what its cells import
    "ipykernel.ipkernel",
    "ipykernel.kernelapp",
    "holoviews.plotting.bokeh",
    "bokeh.embed",
    "pandas.io.formats.html",
    "scipy.interpolate",
    "tunelab.record.opened",
    "tunelab.record.earlier",
)
BEGIN = "import sys; from tunelab.record.kernels import copy_until_closed as go; go(int(sys.argv[1]), sys.argv[2:])"
PATIENCE_S = 60.0  # for the first copy, which waits until everything is loaded


class _Source:
    """The process that kernels are copied from, seen from the one that runs the record."""

    def __init__(self, wanted: Sequence[str]):
        self._lock = threading.Lock()
        self._has_copies = self._is_broken = False
        self._channel, theirs = socket.socketpair()
        self._channel.settimeout(PATIENCE_S)
        with theirs:
            command = [sys.executable, "-P", "-c", BEGIN, str(theirs.fileno()), *wanted]
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, pass_fds=[theirs.fileno()])

    def copy(self, command: Sequence[str], environment: Mapping[str, str]) -> _Copy | None:
        """A new kernel by the command that would start one; None where none can be made this way."""
        asked = {"argv": command[command.index(KERNEL) :], "environment": dict(environment), "folder": os.getcwd()}
        with self._lock:
            pid = 0 if self._is_broken else self._ask(asked)
            if not pid:
                self._give_up()
                return None
            self._has_copies = True
        try:
            return _Copy(pid)
        except OSError:  # a system that gives no handle of a process
            os.kill(pid, signal.SIGKILL)
            return None

    def _ask(self, asked: Mapping[str, object]) -> int:
        """Number of the copy's process; 0 where none was made."""
        try:
            self._channel.sendall(json.dumps(asked).encode() + b"\n")
            return int(self._channel.recv(32) or 0)
        except OSError:
            return 0

    def _give_up(self) -> None:
        """Ask for no more copies; those that run keep their source."""
        self._is_broken = True
        if not self._has_copies:
            self._process.kill()  # else it would make the copy that nobody waits for any more

    def close(self) -> None:
        """End the process, and with it every kernel that still runs."""
        self._channel.close()
        if not self._has_copies:
            self._process.kill()
        try:
            self._process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


class _Copy:
    """A copied kernel as `subprocess.Popen` would show it; its handle is of this process and never of a later one."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int):
        self.pid = pid
        self._handle = os.pidfd_open(pid)

    def poll(self) -> int | None:
        """None while it runs; then a number, though not the one that it ended with."""
        ended, _, _ = select.select([self._handle], [], [], 0)
        return 0 if ended else None

    def wait(self) -> int:
        """Wait for its end."""
        select.select([self._handle], [], [])
        return 0

    def send_signal(self, number: int) -> None:
        """Send a signal; one that has ended gets none."""
        with suppress(ProcessLookupError):
            signal.pidfd_send_signal(self._handle, number)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def __del__(self) -> None:
        with suppress(OSError, AttributeError):
            os.close(self._handle)


_sources: list[_Source] = []


@contextmanager
def kernels_copied(notebooks: Iterable[Path]) -> Iterator[None]:
    """Let kernels of notebooks that run inside the block be copies of one process that has loaded their imports.

    The process loads while the block does something else. A kernel that still runs at the end of the block ends. A
    block within such a block adds nothing.
    """
    if sys.platform != "linux" or _sources:
        yield
        return
    try:
        source = _Source([*LOADED, *dict.fromkeys(name for path in notebooks for name in imported_by(path))])
    except OSError:  # no process to be had
        yield
        return
    _sources.append(source)
    try:
        yield
    finally:
        _sources.remove(source)
        source.close()


def imported_by(notebook: Path) -> list[str]:
    """What a notebook's cells import, as `module` or `module:name`; nothing where it cannot be read."""
    try:
        cells = read_cells(notebook)[1]
    except NotebookError:
        return []
    found = []
    for cell in cells:
        with suppress(SyntaxError, ValueError):
            body = ast.parse(cell["source"]).body if cell["cell_type"] == "code" else []
            found += [name for statement in body for name in _names(statement)]
    return found


def _names(statement: ast.stmt) -> list[str]:
    if isinstance(statement, ast.Import):
        return [alias.name for alias in statement.names]
    if isinstance(statement, ast.ImportFrom) and statement.module and not statement.level:
        return [f"{statement.module}:{alias.name}" for alias in statement.names]
    return []


def manager() -> Any:
    """The class by which papermill is to start kernels here."""
    from jupyter_client.manager import AsyncKernelManager

    return _copying_manager() if _sources else AsyncKernelManager


@functools.cache
def _copying_manager() -> Any:
    from jupyter_client.kernelspec import KernelSpec
    from jupyter_client.manager import AsyncKernelManager
    from jupyter_client.provisioning import LocalProvisioner

    start = [sys.executable, "-m", KERNEL, "-f", "{connection_file}"]  # asked for it, Jupyter would load IPython here

    class CopiedKernel(LocalProvisioner):
        async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> Any:
            made: Any = _sources[-1].copy(cmd, kwargs["env"]) if _sources and not kwargs.get("cwd") else None
            if made is None:
                return await super().launch_kernel(cmd, **kwargs)
            self.process, self.pid, self.pgid = made, made.pid, made.pid
            return self.connection_info

    class CopyingManager(AsyncKernelManager):
        kernel_spec = KernelSpec(argv=start, language="python")

        async def _async_launch_kernel(self, kernel_cmd: list[str], **kw: Any) -> None:
            prepared: Any = self.provisioner
            copied = CopiedKernel(
                kernel_id=self.kernel_id, kernel_spec=self.kernel_spec, parent=self, ports_cached=prepared.ports_cached
            )
            copied.connection_info, self.provisioner = prepared.connection_info, copied
            await super()._async_launch_kernel(kernel_cmd, **kw)

    return CopyingManager


def copy_until_closed(channel: int, wanted: Sequence[str]) -> None:
    """Load what is wanted, then become one kernel more for each line on a channel, until that is closed."""
    os.environ["JPY_PARENT_PID"] = str(os.getpid())  # a kernel whose source is gone ends
    gc.disable()
    with without_dask():
        for name in wanted:
            _load(name)
        from tunelab.record.evidence import arrays_are_plain  # which loads xarray

        arrays_are_plain()
    gc.freeze()  # what a copy never touches stays shared
    gc.enable()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl+C in a terminal reaches the record, which ends its kernels
    kernels = []
    with socket.socket(fileno=channel) as answers, answers.makefile("rb") as lines:
        for line in lines:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of threads: those of the linear algebra know how to be copied
                pid = os.fork()
            if pid == 0:
                _be_kernel(answers, **json.loads(line))
            kernels.append(pid)
            answers.sendall(str(pid).encode())
    for pid in kernels:  # nobody has asked how they ended, so no other process can have their number
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)


def _load(name: str) -> None:
    """Import a module, or a name of one; what cannot be imported shows in the notebook that wants it."""
    module, _, attribute = name.partition(":")
    with suppress(Exception):
        loaded = import_module(module)
        if attribute and not hasattr(loaded, attribute):
            import_module(f"{module}.{attribute}")


def _be_kernel(channel: socket.socket, argv: Sequence[str], environment: Mapping[str, str], folder: str) -> NoReturn:
    """Go on as a kernel: with its own environment and folder, in a session of its own, and never back to the source."""
    status = 1
    try:
        channel.close()
        os.setsid()
        os.chdir(folder)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        os.environ.clear()
        os.environ.update(environment)
        sys.argv = list(argv)
        from ipykernel.kernelapp import launch_new_instance

        launch_new_instance()
        status = 0
    finally:
        with suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(status)
