"""The record of one session: run its notebooks, put the pages and files together, move the whole into place."""

from __future__ import annotations

import datetime
import os
import shutil
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tunelab.log.store import write_log
from tunelab.record.chapter import read_chapters, write_table
from tunelab.record.driven import Driven
from tunelab.record.evidence import KEPT, Evidence, arrays_are_plain, fits_kept, gather_evidence, hand_evidence
from tunelab.record.execute import Run, kernels_at, run_notebook
from tunelab.record.history import write_shelf
from tunelab.record.kernels import kernels_copied
from tunelab.record.link import unasked_link
from tunelab.record.notebook import Notebook, Value
from tunelab.record.opened import OpenedSession
from tunelab.record.page import notebook_page
from tunelab.record.place import CHAPTERS, folder_beside, put_in_place, require_room
from tunelab.record.results import results_data, results_text, stopped_checks, tidy, write_crate
from tunelab.record.shown import stops_for
from tunelab.record.stored import FAILED, RECORDS, RecordError, StoredRecord, findings_of, read_results
from tunelab.record.summary import sheet_page, summary_page
from tunelab.study.delay import estimate_delay

AT_ONCE = 4  # notebooks that run side by side, where there are as many processors


@dataclass(frozen=True)
class Record:
    """A record that was written."""

    place: Path
    kept: Path | None  # where the record went that was there before
    runs: tuple[Run, ...]
    stopped: tuple[str, ...] = ()  # checks of the log that withheld what rests on it, each with its reason
    good: Path | None = None  # a record without a failure that stays in the place, because this one failed
    short: tuple[str, ...] = ()  # the short answer, as the summary begins with it

    @property
    def index(self) -> Path:
        """The page to open first."""
        return self.place / "index.html"

    @property
    def failed(self) -> bool:
        """Whether any analysis did not run to its end."""
        return any(run.failed for run in self.runs)


def record_session(
    opened: OpenedSession,
    notebooks: Sequence[Notebook],
    settings: Mapping[str, Mapping[str, Value]],
    *,
    place: Path | None = None,
) -> Record:
    """Run notebooks on a session and write its record.

    Parameters
    ----------
    opened : OpenedSession
        The session.
    notebooks : sequence of Notebook
        What to ask of it.
    settings : mapping
        For each notebook's name the parameters to set, already checked.
    place : Path, optional
        Where the record goes; None: `records/<session>` of the workspace.

    Returns
    -------
    Record
        Also when a notebook failed: its page then shows how far it came, and the summary is marked failed. It takes no
        good record's place: that one stays, and the failed one stands beside it as `<place>.failed`.

    Raises
    ------
    ValueError, OSError
        The log cannot be read or the record cannot be written, or what stands in its place is no record; nothing in
        the place has changed then.
    """
    place = (place or opened.place).absolute()
    require_room(place)
    started = _now()
    arrays_are_plain()
    with kernels_copied(notebook.path for notebook in notebooks), fits_kept(_kept(opened, place)):
        evidence = gather_evidence(opened)
        return _record(opened, notebooks, settings, place, started, evidence)


def _kept(opened: OpenedSession, place: Path) -> Path | None:
    """Where fits are kept beside a record; None where it is no record of the workspace's own."""
    records = (opened.workspace.root / RECORDS).absolute()
    return records / KEPT if place.parent == records else None


def _record(
    opened: OpenedSession,
    notebooks: Sequence[Notebook],
    settings: Mapping[str, Mapping[str, Value]],
    place: Path,
    started: str,
    evidence: Evidence,
) -> Record:
    with folder_beside(place) as folder, ThreadPoolExecutor(max_workers=1) as beside:
        hand_evidence(evidence, opened, folder)
        beside.submit(estimate_delay, evidence.log, opened.car, opened.revision)  # nearly every notebook asks for it
        runs, seconds = _run_all(opened, notebooks, settings, folder)
        timestamps = {"started": started, "finished": _now(), "notebook_seconds": seconds}
        results, short = _write_files(folder, opened, evidence, runs, timestamps)
        good = place if any(run.failed for run, _ in runs) and _is_good(place) else None
        place = place.with_name(f"{place.name}{FAILED}") if good else place
        kept = put_in_place(folder, place)
    if _kept(opened, place):
        if good is None:  # else the good record's own is kept
            stored = StoredRecord(place, opened.folder, results, findings_of(results))
            Driven(opened.workspace).keep(stored, evidence.log)
        write_shelf(opened.workspace.root)
    return Record(place, kept, tuple(run for run, _ in runs), tuple(stopped_checks(results["findings"])), good, short)


def _is_good(place: Path) -> bool:
    """Whether a record stands there that can be read and in which every analysis came to its end."""
    try:
        results = read_results(place)
    except RecordError:
        return False
    return not any(notebook["failed"] for notebook in results.get("notebooks", ()))


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def _run_all(
    opened: OpenedSession, notebooks: Sequence[Notebook], settings: Mapping[str, Mapping[str, Value]], folder: Path
) -> tuple[list[tuple[Run, dict[str, Value]]], dict[str, float]]:
    """Run the notebooks, a few at a time, each in a kernel of its own; results in the order of the notebooks."""
    root = opened.workspace.root.absolute()
    session = opened.folder.path.absolute().relative_to(root).as_posix()
    seconds: dict[str, float] = {}

    def run_one(notebook: Notebook) -> tuple[Run, dict[str, Value]]:
        parameters = {p.name: p.default for p in notebook.parameters if p.name != "out"}
        parameters |= {**settings.get(notebook.name, {}), "session": session}
        begin = time.monotonic()
        run = run_notebook(notebook, parameters, folder)
        seconds[notebook.name] = round(time.monotonic() - begin, 1)
        return run, parameters

    kept = _kept(opened, folder) or folder / CHAPTERS
    with kernels_at(root, folder, kept), ThreadPoolExecutor(max_workers=min(AT_ONCE, os.cpu_count() or 1)) as pool:
        runs = list(pool.map(run_one, notebooks))
    return runs, {notebook.name: seconds[notebook.name] for notebook in notebooks}


def _write_files(
    folder: Path,
    opened: OpenedSession,
    evidence: Evidence,
    runs: Sequence[tuple[Run, Mapping[str, Value]]],
    timestamps: Mapping[str, object],
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Write everything but what the notebooks wrote; the summary and its crate last, since they list the rest.

    Returns what stands in results.json, and the short answer.
    """
    chapters = read_chapters(folder, [run.notebook.name for run, _ in runs if not run.failed])
    chapters += unasked_link(opened, evidence, [run.notebook.name for run, _ in runs])
    # Pages round what results.json holds, not what was there before: else the last digit of two pages may differ.
    chapters = [chapter | {"findings": tidy(chapter["findings"])} for chapter in chapters]
    shutil.rmtree(folder / CHAPTERS, ignore_errors=True)
    write_table(folder / "tables" / "set_aside.csv", evidence.set_aside)
    write_table(folder / "tables" / "flagged_spans.csv", evidence.spans)
    write_log(evidence.log, folder / "log.nc")
    results = results_data(opened, evidence, chapters, runs, timestamps)
    (folder / "results.json").write_text(results_text(results), encoding="utf-8", newline="\n")
    about = {"car": opened.car.name, "session": opened.name, "date": opened.folder.session.date.isoformat()}
    handed = {chapter["notebook"]: chapter for chapter in chapters}
    for run, _ in runs:
        beside = stops_for(run.notebook.name, results["findings"])
        page = notebook_page(run, about, handed.get(run.notebook.name), beside)
        (folder / f"{run.notebook.name}.html").write_text(page, encoding="utf-8", newline="\n")
    sheet = sheet_page(opened, chapters, results["findings"])
    if sheet:
        (folder / "drive_sheet.html").write_text(sheet, encoding="utf-8", newline="\n")
    page, short = summary_page(folder, opened, evidence, chapters, results)
    (folder / "index.html").write_text(page, encoding="utf-8", newline="\n")
    write_crate(folder, results, opened.car.name)
    return results, short
