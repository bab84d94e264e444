"""What readiness and history say in a record of their own, and the notebooks behind it run on a workspace."""

from __future__ import annotations

import datetime
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from tunelab.chart.first_page import draw_gates
from tunelab.record.chapter import Chapter, Section, Verdict, read_chapters
from tunelab.record.driven import VERDICT_WORDS, Decided, decide, readiness_answer
from tunelab.record.execute import Run, kernels_at, run_notebook
from tunelab.record.history import History, write_shelf
from tunelab.record.kernels import kernels_copied
from tunelab.record.notebook import Value, find_notebooks, notebooks_folder
from tunelab.record.page import fill, notebook_page
from tunelab.record.part_throttle import SETTLE, SETTLE_AS
from tunelab.record.place import CHAPTERS, folder_beside, put_in_place
from tunelab.record.shown import begin_large, called, reading, small, value_text
from tunelab.record.stored import RECORDS
from tunelab.record.to_enter import join
from tunelab.study.drive_plan import cautions_for
from tunelab.study.readiness import Calendar, GateState, Plan, Readiness, plan_to_event
from tunelab.study.readiness.judge import WORST

DECISIONS = "decisions"  # folder of the pages under records/; no session can have that name, since none begins so
NOTEBOOKS = ("readiness", "history")


@dataclass(frozen=True)
class Decisions:
    """Pages that were written."""

    index: Path
    failures: tuple[str, ...]  # one line for each notebook that did not run to its end


def plan_for_event(decided: Decided, event: str, until: str, *, today: str, swap_days: int) -> Plan | None:
    """Hold what is left against the calendar; None without an event.

    Parameters
    ----------
    event, until, today : str
        Days as 2026-06-10; an empty `until` is the day before the event, an empty `today` the day this runs.
    swap_days : int
        Days that it takes to put the old parts back in and to try them.

    Raises
    ------
    ValueError
        A text that is no day, or days in a wrong order.
    """
    if not event:
        return None
    on = read_day(event, "event")
    last = read_day(until, "until") if until else on - datetime.timedelta(days=1)
    now = read_day(today, "today") if today else datetime.date.today()
    calendar = Calendar(now, on, last, swap_days)
    workspace = decided.workspace
    return plan_to_event(decided.drives, workspace.car, workspace.revisions, decided.readiness, calendar)


def read_day(text: str, name: str) -> datetime.date:
    """Read a day; ValueError says how one is written."""
    try:
        return datetime.date.fromisoformat(text)
    except ValueError as error:
        raise ValueError(f"--{name} {text}: wanted a day such as 2026-06-10.") from error


def read_sentences(decided: Decided) -> list[str]:
    """Say which records were read, and which sessions count for nothing because they have none."""
    found = [f"{drive.record}: {drive.revision}, {len(drive.findings)} findings" for drive in decided.drives]
    found += [f"no record, so not counted: {name}" for name in decided.unrecorded]
    return [*found, *decided.left_out, *decided.changed] or ["No session has logs yet."]


def emptied_sentences(readiness: Readiness) -> list[str]:
    """Say which drives answered checks and do not any more, and why; a drive that one change emptied stands once."""
    told: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for state in readiness.gates:
        for emptied in state.emptied:
            change = emptied.because.split(":")[0]  # what follows are the ranges, which differ from check to check
            told.setdefault((emptied.record, change), []).append((state.gate.title, emptied.because))
    found = [
        f"{record} does not count any more for {join([small(title) for title, _ in checks])}: "
        f"{max((because for _, because in checks), key=len)}."
        for (record, _), checks in told.items()
    ]
    return found or ["No evidence was emptied by a later revision."]


def readiness_sentences(readiness: Readiness) -> list[str]:
    """Say the verdict, its bounds and doubts, and that it is no certificate."""
    return [readiness_answer(readiness), *_bound_to(readiness), readiness.caution]


def _bound_to(readiness: Readiness) -> list[str]:
    """What the car's running is bound to, what to look after, and what the owner is asked."""
    found = []
    if readiness.verdict == "may run within bounds":
        found += [f"Bound: {bound}" for bound in readiness.bounds]
        found.append("Every bound has to be kept on the day. One that cannot is a reason not to run.")
    found += [f"Look after {small(s.gate.title)}: {_in_brief(s)}" for s in readiness.gates if s.status == "watch"]
    return found + [f"Asked of the owner: {question}" for question in readiness.asked]


def to_settle(readiness: Readiness) -> list[str]:
    """What stands in the way of the car's running and how to settle it, then what its running is bound to."""
    stops = [f"{_in_brief(state)} {_way_out(state)}" for state in readiness.gates if state.status == "stop"]
    return [*(begin_large(stop.strip()) for stop in stops), *_bound_to(readiness)]


def _in_brief(state: GateState) -> str:
    """The value that decides beside its limit, and its record; where none is known, the reason."""
    found = state.finding
    if found is None or found.value is None:
        return state.because
    return f"{called(vars(found))}, {state.record}."


def _way_out(state: GateState) -> str:
    """What to do about a stop before the next drive, and how the check comes to be met."""
    if state.to_show:
        return "What was changed since may have settled it: drive it again to show that."
    own = state.finding.id if state.finding else ""
    settle = SETTLE.get(SETTLE_AS.get(own, own.removeprefix("limits.")))
    noted = "Note the change in the revision file (also_changed), and drive it again."
    again = noted if state.gate.lasting else "Then drive it again."
    return " ".join(part for part in [f"{begin_large(settle)}." if settle else "", again] if part)


def gate_lines(readiness: Readiness) -> list[str]:
    """One line for each gate, the worst first: its status, the value that decides or why there is none, its record."""
    states = sorted(readiness.gates, key=lambda state: WORST[state.status], reverse=True)
    return [f"{state.status.replace('_', ' '):9}  {state.gate.title}: {_said(state, why=False)}" for state in states]


def _said(state: GateState, *, why: bool = True) -> str:
    """The value that decides with its record, and `why` it stands so; where none is known, the reason."""
    record = f"  [{state.record}]" if state.record else ""
    found = state.finding
    if found is None or found.value is None:
        return f"{state.because}{record}"
    numbers = f"{small(found.title)} {reading({**vars(found), 'confidence': None})}."
    if state.status == "met":
        carried = " It was shown before the last revision, and no change that is written down touches it."
        return f"{numbers}{carried if state.carried else ''}{record}"
    return f"{numbers}{f' {begin_large(state.because)}' if why else ''}{record}"


def gate_margins(readiness: Readiness) -> pd.DataFrame:
    """What `Readiness.margins` gives, with a column `said`: each value as the pages write it, without its unit."""
    words = {
        state.gate.name: value_text(vars(state.finding)).split(" ")[0].rstrip("°")
        for state in readiness.gates
        if state.finding is not None
    }
    table = readiness.margins()
    return table.assign(said=table["gate"].map(words).fillna(""))


def readiness_chapter(decided: Decided, plan: Plan | None) -> Chapter:
    """Put readiness into a chapter."""
    tables = {"readiness": decided.readiness.table()}
    if plan is not None:
        tables["pace"] = plan.table()
    return Chapter(
        notebook="readiness",
        verdict=Verdict(readiness_sentences(decided.readiness)[0], VERDICT_WORDS[decided.readiness.verdict]),
        tables=tables,
        driven=Section(tuple(readiness_sentences(decided.readiness))),
        change=Section(tuple(to_settle(decided.readiness))),
        drive_next=Section(plan.sentences if plan else ()),
    )


def history_chapter(history: History) -> Chapter:
    """Put the history into a chapter."""
    ledger = history.ledger
    tables = {"ledger": ledger.table(), "predictions": ledger.verdict_table(), "convergence": ledger.convergence,
              "curves": history.curves(), "notes": history.notes()}  # fmt: skip
    if ledger.further:
        tables["further_predictions"] = ledger.further_table()
    verdict = Verdict(" ".join(ledger.sentences()[-2:]))
    return Chapter(notebook="history", verdict=verdict, tables=tables, driven=Section(ledger.sentences()))


def write_decisions(root: Path, parameters: Mapping[str, Mapping[str, Value]]) -> Decisions:
    """Run the notebooks of a workspace and write their pages to `records/decisions`.

    Parameters
    ----------
    root : Path
        The workspace.
    parameters : mapping
        For a notebook's name the parameters to set beside `workspace`.
    """
    place = root.absolute() / RECORDS / DECISIONS
    known = {notebook.name: notebook for notebook in find_notebooks(notebooks_folder())}
    with folder_beside(place) as folder:
        with kernels_copied(known[n].path for n in NOTEBOOKS), kernels_at(root.absolute(), folder):
            runs = [run_notebook(known[n], {"workspace": ".", **parameters.get(n, {})}, folder) for n in NOTEBOOKS]
        handed = {chapter["notebook"]: chapter for chapter in read_chapters(folder, NOTEBOOKS)}
        for run in runs:
            about = {"workspace": root.absolute().name}
            page = notebook_page(run, about, handed.get(run.notebook.name))
            (folder / f"{run.notebook.name}.html").write_text(page, encoding="utf-8", newline="\n")
        asked = str(parameters.get("readiness", {}).get("revision", ""))
        (folder / "index.html").write_text(_index(root, runs, asked), encoding="utf-8", newline="\n")
        shutil.rmtree(folder / CHAPTERS, ignore_errors=True)
        put_in_place(folder, place)
    write_shelf(root)  # which leads to these pages, and says the verdict
    return Decisions(place / "index.html", tuple(f"{run.notebook.name}: {run.failure}" for run in runs if run.failed))


def _index(root: Path, runs: Sequence[Run], revision: str) -> str:
    decided = decide(root, revision or None)
    readiness = decided.readiness
    states = sorted(readiness.gates, key=lambda state: WORST[state.status], reverse=True)
    values = {
        "title": f"{decided.workspace.car.name}: may it run?",
        "verdict": readiness_answer(readiness),
        "word": VERDICT_WORDS[readiness.verdict],
        "bounds": readiness.bounds if readiness.verdict == "may run within bounds" else (),
        "gates": [
            {"word": state.status, "title": state.gate.title, "text": begin_large(_said(state))} for state in states
        ],
        "questions": [
            {"name": run.notebook.name, "question": run.notebook.question, "failure": run.failure} for run in runs
        ],
        "picture": draw_gates(gate_margins(readiness), len(readiness.gates)),
        "caution": readiness.caution,
        "cautions": cautions_for(decided.workspace.car),
    }
    return fill("decisions.html", [], values)
