"""The standard analysis of one session; runs in whatever process has time, and leaves a file."""

from __future__ import annotations

import functools
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import nbformat

from tunelab.record.archive.part import Part, part_path, read_part, write_part
from tunelab.record.archive.stamps import Desk, Stamps, parameters_of
from tunelab.record.calculation import Calculation
from tunelab.record.chapter import Chapter, as_data
from tunelab.record.execute import Run
from tunelab.record.notebook import Value
from tunelab.record.opened import open_session
from tunelab.record.results import all_findings, tidy
from tunelab.workspace import Workspace, open_workspace

PAGES = "pages"


@dataclass(frozen=True)
class Task:
    """One session to analyse."""

    root: Path  # of the workspace
    folder: str  # the same, from the archive's folder on
    session: str
    leave_out: tuple[str, ...]  # sessions of the workspace that cannot be used
    calculations: tuple[Calculation, ...]
    settings: dict[str, dict[str, Value]]  # by notebook
    basis: str
    out: Path  # the archive's own folder
    pages: bool
    run: str  # name of this run: within one, a workspace is opened once

    @property
    def place(self) -> str:
        """Name for people."""
        return f"{self.folder}: {self.session}"


def analyse(task: Task) -> str:
    """Analyse a session, write its part, and return the path of it.

    A task that a lost worker had already done is not done again.

    Raises
    ------
    OSError
        The part cannot be written, or a log is on a disk that does not answer; another run may do better.
    """
    path = part_path(task.out, task.folder, task.session)
    workspace, stamps = _opened(task.root, task.leave_out, task.run)
    before = read_part(path)
    if before and is_current(before, task, stamps):
        return str(path)
    part = _analysed(task, workspace, stamps)
    write_part(path, _with_pages(part, task) if task.pages else part)
    return str(path)


def is_current(part: Part, task: Task, stamps: Stamps) -> bool:
    """Whether a part is what this task would give."""
    has_pages = not task.pages or (part.pages and (task.out / part.pages).is_dir())
    return part.basis == task.basis and bool(has_pages) and stamps.are(part.stamps)


@functools.lru_cache(maxsize=2)
def _opened(root: Path, leave_out: tuple[str, ...], run: str) -> tuple[Workspace, Stamps]:
    workspace = open_workspace(root, leave_out=leave_out)
    return workspace, Stamps(workspace)


def _analysed(task: Task, workspace: Workspace, stamps: Stamps) -> Part:
    desk = Desk(workspace, task.session)
    session = workspace.sessions[task.session].session
    stamps.of_all(desk.asked)  # before the log is read
    part = Part(
        folder=task.folder,
        session=task.session,
        car=workspace.car.name,
        date=session.date.isoformat(),
        steps=tuple(session.steps),
        revision=session.revision,
        basis=task.basis,
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # as the kernels of a record have it
        try:
            evidence = desk.gather_evidence(desk.opened)
        except ValueError as error:
            return replace(part, failure=str(error), stamps=stamps.of_all(desk.asked))
        chapters, runs = _run_all(task, desk)
    return replace(
        part,
        stamps=stamps.of_all(desk.asked),
        samples=int(evidence.log.sizes["time"]),
        duration_s=round(evidence.duration_s, 3),
        findings=tuple(_findings(chapters, runs)),
        tables={name: columns_of(table) for chapter in chapters for name, table in chapter.tables.items()},
    )


def _run_all(task: Task, desk: Desk) -> tuple[list[Chapter], list[Run]]:
    chapters, runs = [], []
    for calculation in task.calculations:
        failure = ""
        try:
            parameters = parameters_of(calculation, task.settings) | {"session": f"sessions/{task.session}"}
            chapters.append(calculation.run(parameters, desk.open_session, desk.gather_evidence))
        except (OSError, MemoryError):
            raise  # nothing that the log is to blame for
        except Exception as error:  # noqa: BLE001 - whatever stops one notebook stops only that one, as in a record
            failure = f"{type(error).__name__}: {_first_line(str(error))}"
        runs.append(Run(calculation.notebook, nbformat.v4.new_notebook(), failure))
    return chapters, runs


def _first_line(text: str) -> str:
    return next((line.strip() for line in text.splitlines() if line.strip()), "no message")


def _findings(chapters: Sequence[Chapter], runs: Sequence[Run]) -> list[dict[str, Any]]:
    """Findings as results.json has them, each with the notebook that it comes from."""
    data = [as_data(chapter) for chapter in chapters]
    failed = [run for run in runs if run.failed]
    found = [(item["notebook"], tidy(finding)) for item in data for finding in item["findings"]]
    found += list(zip((run.notebook.name for run in failed), all_findings([], failed), strict=True))
    return [{"notebook": name, **finding} for name, finding in found]


def columns_of(table: Any) -> dict[str, list]:
    """Columns of a table as plain data, numbers rounded as findings are; dates and other objects become text."""
    return {str(name): [_plain(value) for value in table[name].tolist()] for name in table.columns}


def _plain(value: Any) -> Any:
    value = tidy(value)
    return value if value is None or isinstance(value, (bool, int, float, str)) else str(value)


def _with_pages(part: Part, task: Task) -> Part:
    """Make the record with its pages too, in the archive's own folder: the cars' folders stay as they are."""
    from tunelab.record.session import record_session  # with all that pages need; most workers never do

    if part.failure:
        return part
    place = Path(PAGES, *Path(task.folder).parts, task.session)
    try:
        notebooks = [calculation.notebook for calculation in task.calculations]
        opened = open_session(task.root / "sessions" / task.session)
        record = record_session(opened, notebooks, task.settings, place=task.out / place)
    except ValueError as error:
        return replace(part, pages_failure=str(error))
    failed = [f"{run.notebook.name}: {run.failure}" for run in record.runs if run.failed]
    return replace(part, pages=place.with_name(record.place.name).as_posix(), pages_failure="; ".join(failed))
