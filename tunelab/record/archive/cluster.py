"""Which sessions an archive holds, and where they are analysed: on this computer or a Dask cluster.

Which sessions an archive holds, and which of them need a run.

Where an archive's sessions are analysed: processes of this computer, or a Dask cluster that is already there.
"""

from __future__ import annotations

import logging
import os
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from tunelab.record.archive.one import Task, analyse
from tunelab.record.evidence import code_stamp, digest, versions
from tunelab.workspace import Workspace, WorkspaceError, open_usable
from tunelab.workspace.folder import CAR_FILE, REVISIONS_FOLDER, SESSIONS_FOLDER

NOT_SEARCHED = (SESSIONS_FOLDER, REVISIONS_FOLDER, "records")  # inside a workspace


class ArchiveError(ValueError):
    """An archive cannot be run as asked; the message is for people."""


@dataclass(frozen=True)
class FoundCar:
    """One workspace of an archive; sessions that cannot be used stand apart from the rest."""

    folder: str  # from the archive's folder on, "." for itself
    workspace: Workspace | None  # without the sessions in `unusable`; None where the car itself cannot be used
    unusable: dict[str, str]  # session → why
    because: str = ""  # why there is no workspace

    @property
    def opened(self) -> Workspace:
        """The workspace of a car that can be used; ValueError with the reason for another one."""
        if self.workspace is None:
            raise ValueError(f"{self.folder}: {self.because}")
        return self.workspace


def find_cars(folder: Path, *, skip: Path) -> list[Path]:
    """Find every workspace in and below a folder; hidden folders and `skip` are not searched.

    Raises
    ------
    ArchiveError
        No such folder, or no `car.toml` in it.
    """
    if not folder.is_dir():
        raise ArchiveError(f"{folder} is no folder; wanted one with the workspaces of one or more cars below it.")
    cars = sorted(_cars(folder, skip.absolute()))
    if not cars:
        raise ArchiveError(f"{folder}: no {CAR_FILE} in it or below; make a workspace with: tunelab new DIR")
    return cars


def _cars(folder: Path, skip: Path) -> Iterator[Path]:
    for place, names, files in os.walk(folder):
        here = Path(place)
        own = NOT_SEARCHED if CAR_FILE in files else ()
        names[:] = [n for n in names if not n.startswith(".") and n not in own and (here / n).absolute() != skip]
        if CAR_FILE in files:
            yield here


def open_car(root: Path, folder: str) -> FoundCar:
    """Open a workspace; a session whose session.toml is wrong does not keep the others from being used."""
    try:
        workspace = open_usable(root)
    except WorkspaceError as error:
        return FoundCar(folder, None, {}, str(error))
    unusable = {name: "\n".join(map(str, problems)) for name, problems in workspace.unusable.items()}
    return FoundCar(folder, workspace, unusable)


MISSING = "tunelab archive needs Dask, which is not installed: pip install 'tunelab[archive]'"
CONNECT_S = 15  # to wait for a cluster that does not answer
TRIES_AFTER_LOSS = 2  # a session that takes three workers down with it is given up
GIVES_BACK = {"MALLOC_TRIM_THRESHOLD_": "65536"}  # Dask's own default, which naming others would take out
ONE_THREAD = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "MKL", "OPENBLAS")} | {"POLARS_MAX_THREADS": "1"}


@dataclass(frozen=True)
class Done:
    """How one task ended."""

    task: Task
    part: Path | None
    failure: str = ""


@contextmanager
def local_client(workers: int) -> Iterator[Any]:
    """Start worker processes on this computer, one thread each; the client answers nobody but this computer.

    Raises
    ------
    ArchiveError
        Dask is not installed.
    """
    dask, distributed = _dask()
    settings = {
        "distributed.scheduler.allowed-failures": TRIES_AFTER_LOSS,
        "distributed.nanny.pre-spawn-environ": ONE_THREAD | GIVES_BACK,
    }
    with (
        dask.config.set(settings),
        warnings.catch_warnings(action="ignore", category=UserWarning),  # a port is taken where another archive runs
        distributed.LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address=None,
            silence_logs=logging.CRITICAL,
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        yield client


@contextmanager
def client_of(address: str, *, folders: Sequence[Path]) -> Iterator[Any]:
    """Connect to the scheduler of a cluster.

    Parameters
    ----------
    address : str
        Such as `tcp://10.0.0.5:8786`.
    folders : sequence of Path
        What every worker must see under the same path.

    Raises
    ------
    ArchiveError
        Dask is not installed, nothing answers there, the cluster has no worker, or one that differs from here.
    """
    _, distributed = _dask()
    try:
        client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise ArchiveError(
            f"No scheduler answers at {address} ({error}); start one with `dask scheduler` and workers with "
            "`dask worker ADDRESS`, or leave --scheduler out to use this computer."
        ) from error
    with client:
        if not client.scheduler_info(n_workers=-1)["workers"]:
            raise ArchiveError(f"The scheduler at {address} has no worker; start some with `dask worker {address}`.")
        _check_workers(client, [str(path) for path in folders])
        yield client


def _dask() -> tuple[Any, Any]:
    try:
        import dask
        import distributed
    except ImportError as error:
        raise ArchiveError(MISSING) from error
    return dask, distributed


def _check_workers(client: Any, folders: list[str]) -> None:
    """Hold every worker against this process: the same tunelab and packages, and it sees the same folders."""
    own = seen_from_here(folders)
    for address, seen in client.run(seen_from_here, folders).items():
        for what, mine in own.items():
            if seen[what] != mine:
                raise ArchiveError(
                    f"The worker {address} differs in {what}; every worker needs the same tunelab, the same packages, "
                    "and the archive's folders under the same path as here."
                )


def seen_from_here(folders: list[str]) -> dict[str, str]:
    """What a process has: its tunelab, its packages, its view of some folders."""
    names = [sorted(os.listdir(path)) if os.path.isdir(path) else "not there" for path in folders]
    return {"its tunelab": code_stamp(), "its packages": digest(versions()), "what lies in the folders": digest(names)}


def run_tasks(client: Any, tasks: Sequence[Task]) -> Iterator[Done]:
    """Have tasks done, and yield each as it ends, in whatever order.

    A task leaves its result on disk and returns a path, so a worker that is lost takes with it only what it was at: the
    scheduler gives that to another.

    Raises
    ------
    ArchiveError
        The cluster is gone; parts that were written stay.
    """
    _, distributed = _dask()
    waiting, ended = iter(tasks), distributed.as_completed([])
    at_work: dict[Any, Task] = {}
    while True:
        for task in islice(waiting, _threads(client) - len(at_work)):
            future = client.submit(analyse, task, pure=False)
            at_work[future] = task
            ended.add(future)
        if not at_work:
            return
        future = next(ended)
        yield _ended(future, at_work.pop(future))
        future.release()


def _threads(client: Any) -> int:
    """How many tasks to hand out at a time: a task that only waits at a worker would be blamed for its loss."""
    return max(1, sum(client.nthreads().values()))


def _ended(future: Any, task: Task) -> Done:
    if future.cancelled():
        raise ArchiveError("The cluster is gone; run the command again: what is done is not done twice.")
    error = future.exception()
    if error is None:
        return Done(task, Path(future.result()))
    if type(error).__name__ == "KilledWorker":
        lost = f"{TRIES_AFTER_LOSS + 1} workers were lost over it; it may need more memory than they have."
        return Done(task, None, lost)
    return Done(task, None, f"{type(error).__name__}: {error}")
