"""Runs the standard analysis over the sessions of many cars, again only where something changed."""

from __future__ import annotations

import logging
import os
import sys
import uuid
import warnings
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from tqdm import tqdm

from tunelab.record.archive.one import Part, Task, analyse, gather, is_current, nothing_shown, part_path, read_part
from tunelab.record.archive.stamps import Stamps, basis
from tunelab.record.evidence import code_stamp, digest, versions
from tunelab.record.notebook import Notebook, Value, choose_notebooks, find_notebooks, is_for, notebooks_folder
from tunelab.record.quick import Calculation, read_calculation
from tunelab.workspace import CAR_FILE, REVISIONS_FOLDER, SESSIONS_FOLDER, Workspace, WorkspaceError, open_usable

__all__ = ["ArchiveError", "Archived", "Wanted", "client_of", "local_client", "run_archive", "standard_notebooks"]

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


@dataclass(frozen=True)
class Wanted:
    """What to do with each session of an archive."""

    notebooks: tuple[Notebook, ...]  # each is run on the sessions that have a step which it serves
    settings: dict[str, dict[str, Value]] = field(default_factory=dict)  # by notebook, checked
    pages: bool = False  # make the record with its pages too


@dataclass(frozen=True)
class Archived:
    """How a run over an archive ended."""

    out: Path
    cars: int
    sessions: int  # with a log, and a step that an analysis serves
    not_driven: int  # without a log yet
    not_served: int  # with a log, but no step that any of these analyses serves: nothing was done with them
    run: int  # analysed now; the others were as they were
    failures: dict[str, str]  # place → why; of this run and of earlier ones that still stand
    rows: dict[str, int]  # by data set


@dataclass(frozen=True)
class _Plan:
    tasks: tuple[Task, ...]  # every session with a log and a step that is served
    due: tuple[Task, ...]  # those that need a run
    lost: tuple[Part, ...]  # cars and sessions that cannot be used
    not_served: tuple[Part, ...]
    cars: int
    not_driven: int


def standard_notebooks(names: tuple[str, ...]) -> tuple[Notebook, ...]:
    """Notebooks of the standard analysis: those named, or all that serve any step.

    Raises
    ------
    NotebookError
        A name that is none, or of a notebook that reads a whole workspace.
    """
    if names:
        return choose_notebooks(notebooks_folder(), (), names)
    return tuple(notebook for notebook in find_notebooks(notebooks_folder()) if notebook.steps)


def run_archive(folder: Path, out: Path, wanted: Wanted, client: AbstractContextManager[Any]) -> Archived:
    """Analyse every session below a folder that is new or changed, and gather all results.

    Parameters
    ----------
    folder : Path
        Holds the workspaces of one or more cars, at any depth. Nothing in them is changed.
    out : Path
        The archive's own folder: parts, data sets, pages.
    wanted : Wanted
        What to do with each session.
    client : context manager
        From `local_client` or `client_of`; entered only when something needs a run.

    Raises
    ------
    ArchiveError
        No car in the folder, no Dask, a cluster that does not answer or that has another tunelab.
    OSError
        The archive's folder cannot be written.
    """
    folder, out = folder.resolve(), out.resolve()
    cars = [open_car(root, root.relative_to(folder).as_posix()) for root in find_cars(folder, skip=out)]
    out.mkdir(parents=True, exist_ok=True)
    plan = _plan(cars, out, wanted)
    lost = {}
    if plan.due:
        with client as entered:
            lost = _run(entered, plan.due)
    failures = {part.place: part.failure for part in plan.lost} | lost
    rows = gather(_parts(plan, lost, failures), out)
    left = (plan.not_driven, len(plan.not_served))
    return Archived(out, plan.cars, len(plan.tasks), *left, len(plan.due), failures, rows)


def _plan(cars: Sequence[FoundCar], out: Path, wanted: Wanted) -> _Plan:
    calculations = [read_calculation(notebook) for notebook in wanted.notebooks]
    run = uuid.uuid4().hex
    tasks, due, not_served, not_driven = [], [], [], 0
    for car in cars:
        if car.workspace is None:
            continue
        stamps = Stamps(car.workspace)
        for name, folder in car.workspace.sessions.items():
            if not folder.files:
                not_driven += 1
                continue
            task = _task(car, name, calculations, wanted, (out, run))
            if not task.calculations:
                not_served.append(_not_served(car, name, wanted))
                continue
            tasks.append(task)
            part = read_part(part_path(out, car.folder, name))
            if part is None or not is_current(part, task, stamps):
                due.append(task)
    return _Plan(tuple(tasks), tuple(due), tuple(_unusable(cars)), tuple(not_served), len(cars), not_driven)


def _task(
    car: FoundCar, name: str, calculations: Sequence[Calculation], wanted: Wanted, where: tuple[Path, str]
) -> Task:
    steps = set(car.opened.sessions[name].session.steps)
    kind = car.opened.car.load_from
    serving = [item for item in calculations if steps & set(item.notebook.steps) and is_for(item.notebook, kind)]
    names = [item.notebook.name for item in serving]
    settings = {key: value for key, value in wanted.settings.items() if key in names}
    out, run = where
    return Task(
        root=car.opened.root,
        folder=car.folder,
        session=name,
        leave_out=tuple(sorted(car.unusable)),
        calculations=tuple(serving),
        settings=settings,
        basis=basis(serving, settings),
        out=out,
        pages=wanted.pages,
        run=run,
    )


def _not_served(car: FoundCar, name: str, wanted: Wanted) -> Part:
    session = car.opened.sessions[name].session
    steps, analyses = ", ".join(session.steps), ", ".join(notebook.name for notebook in wanted.notebooks)
    because = f"Its steps ({steps}) are none that the analyses asked for serve ({analyses})."
    about = (car.opened.car.name, session.date.isoformat(), tuple(session.steps), session.revision)
    return Part(car.folder, name, *about, findings=(nothing_shown(because),))


def _unusable(cars: Sequence[FoundCar]) -> Iterator[Part]:
    for car in cars:
        if car.workspace is None:
            yield Part(car.folder, "", failure=car.because)
        name = car.workspace.car.name if car.workspace else ""
        for session, because in car.unusable.items():
            yield Part(car.folder, session, car=name, failure=because)


def _run(client: Any, due: Sequence[Task]) -> dict[str, str]:
    """Have tasks done under a progress bar; returns those that left no part, with the reason."""
    lost = {}
    with tqdm(total=len(due), desc="archive", unit="session", file=sys.stderr, leave=True) as bar:
        for done in run_tasks(client, due):
            if done.part is None:
                lost[done.task.place] = done.failure
                bar.set_postfix_str(f"{len(lost)} lost")
            bar.update()
    return lost


def _parts(plan: _Plan, lost: dict[str, str], failures: dict[str, str]) -> Iterator[Part]:
    """Read part after part; note the failure of each in passing."""
    yield from (*plan.lost, *plan.not_served)
    for task in plan.tasks:
        part = read_part(part_path(task.out, task.folder, task.session)) if task.place not in lost else None
        if part is None:
            part = Part(task.folder, task.session, failure=lost.get(task.place, "its part is missing."))
        if part.failure or part.pages_failure:
            failures[part.place] = part.failure or part.pages_failure
        yield part
