"""The archive as a whole: what is there, what needs a run, the runs, the data sets."""

from __future__ import annotations

import sys
import uuid
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tqdm import tqdm

from tunelab.record.archive.cluster import FoundCar, find_cars, open_car, run_tasks
from tunelab.record.archive.one import Task, is_current
from tunelab.record.archive.part import Part, gather, nothing_shown, part_path, read_part
from tunelab.record.archive.stamps import Stamps, basis
from tunelab.record.calculation import Calculation, read_calculation
from tunelab.record.notebook import Notebook, Value, choose_notebooks, find_notebooks, is_for, notebooks_folder


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
