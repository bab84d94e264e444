"""The short answer of a session without its record: what decides the next drive, at the roadside.

The calculations are the notebooks' own statements, the words those of the summary. No kernel is started, nothing is
drawn and no record is written; what was fitted is kept, as a record keeps it, so that the next one need not fit it.
"""

from __future__ import annotations

import datetime
import gc
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tunelab.record.calculation import Shared, read_calculation
from tunelab.record.chapter import read_chapters, write
from tunelab.record.evidence import KEPT, Evidence, fits_kept, gather_evidence
from tunelab.record.link import unasked_link
from tunelab.record.notebook import Notebook, Value
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.results import results_data, stopped_checks
from tunelab.record.stored import RECORDS
from tunelab.record.summary import summary_page


@dataclass(frozen=True)
class Ran:
    """How the calculation of one notebook ended; what a record says of a run."""

    notebook: Notebook
    failure: str  # one line; empty when it came to its end

    @property
    def failed(self) -> bool:
        """Whether it did not come to its end."""
        return bool(self.failure)


@dataclass(frozen=True)
class QuickAnswer:
    """What a record would begin with."""

    short: tuple[str, ...]
    stopped: tuple[str, ...]  # checks of the log that withheld what rests on it, each with its reason
    runs: tuple[Ran, ...]
    results: Mapping[str, Any]  # what would stand in results.json


def answer_quickly(
    opened: OpenedSession, notebooks: Sequence[Notebook], settings: Mapping[str, Mapping[str, Value]]
) -> QuickAnswer:
    """Give the short answer that `record_session` would, without a record.

    Parameters
    ----------
    opened : OpenedSession
        The session.
    notebooks : sequence of Notebook
        What to ask of it.
    settings : mapping
        For each notebook's name the parameters to set, already checked.

    Raises
    ------
    ValueError, OSError
        The log cannot be read.
    """
    kept = opened.workspace.root / RECORDS / KEPT
    with fits_kept(kept), TemporaryDirectory(prefix="tunelab-") as folder, warnings.catch_warnings():
        gc.freeze()  # what was imported stays: no need to look through it for garbage time and again
        evidence, desk = gather_evidence(opened), Shared()
        warnings.simplefilter("ignore")  # as the kernels of a record have it
        place = Path(folder)
        runs = [
            _run(desk, notebook, settings.get(notebook.name, {}), evidence, opened, place) for notebook in notebooks
        ]
        names = [run.notebook.name for run, _ in runs]
        chapters = read_chapters(place, names) + unasked_link(opened, evidence, names)
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        results = results_data(opened, evidence, chapters, runs, {"finished": now})
        _, short = summary_page(place, opened, evidence, chapters, results)
    stopped = tuple(stopped_checks(results["findings"]))
    return QuickAnswer(short, stopped, tuple(run for run, _ in runs), results)


def _run(
    desk: Shared,
    notebook: Notebook,
    given: Mapping[str, Value],
    evidence: Evidence,
    opened: OpenedSession,
    place: Path,
) -> tuple[Ran, dict[str, Value]]:
    """Make one notebook's calculation, and leave its chapter where a record's notebooks leave theirs."""

    def open_one(path: str | Path, *, beside: OpenedSession | None = None) -> OpenedSession:
        return opened if str(path) == opened.name else open_session(path, beside=beside or opened)

    def read_one(one: OpenedSession) -> Evidence:
        return evidence if one.name == opened.name else gather_evidence(one)

    parameters = {p.name: p.default for p in notebook.parameters if p.name != "out"}
    parameters |= {**given, "session": opened.name}
    try:
        write(str(place), desk.run(read_calculation(notebook), parameters, open_one, read_one))
    except OSError:
        raise  # nothing that the log is to blame for
    except Exception as error:  # noqa: BLE001 - whatever stops one notebook stops only that one, as in a record
        first = next((line.strip() for line in str(error).splitlines() if line.strip()), "no message")
        return Ran(notebook, f"{type(error).__name__}: {first}"), parameters
    return Ran(notebook, ""), parameters
