"""What the steady study of a car without an air meter says in the summary: the table, cell by cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.record.chapter import Chapter, NextRevision, Section, as_data
from tunelab.record.driven import decide, newest, titles_at_stop
from tunelab.record.earlier import EARLIER, NOT_SHOWN, Pooled, percent, pool_sessions, prediction
from tunelab.record.evidence import gather_evidence
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.plan import without_log
from tunelab.record.shown import settle_first, small
from tunelab.record.steady import ELSEWHERE, STOPPED, TAKEN_AS_TRUE, dead_time_table, trims_replaced, with_trims
from tunelab.record.summary import sheet_html
from tunelab.record.to_enter import entered_as, heading_of, need_of, next_name, standing_sentence, with_interval
from tunelab.study.consistency import assumptions_table, stops, withhold_findings
from tunelab.study.filling import FillingFit, TableProposal, fit_filling, plan_cells, table_of, withheld
from tunelab.study.filling.plan import CellHold, CellPlan, hold_table
from tunelab.study.finding import Finding
from tunelab.study.ledger import MEASURED, MEASURED_ALONE
from tunelab.workspace import open_usable

HOW = (
    "Keep a copy of what is in the ECU now. Enter each cell marked * at its own engine speed and load, read the table "
    "back, and note in the revision's file what was entered and when. proposal.toml holds the same numbers in full as "
    "a revision file: when it is in the car, copy it to revisions/ under its name."
)
TOGETHER = "Enter the table and the dead times together, or neither: each was measured with the other."
WITH_DEAD = "The dead times stay, and the table was measured with them as they are."


def withhold_table(proposal: TableProposal, fit: FillingFit, checks: Sequence[Finding]) -> TableProposal:
    """Give the proposal as it is, or one that changes nothing and says why where a check stands at `stop`."""
    stopped = stops(checks)
    return withheld(proposal, fit, f"{stopped[0].title}: {stopped[0].because}") if stopped else proposal


def filling_chapter(
    opened: OpenedSession,
    fit: FillingFit,
    proposal: TableProposal,
    *,
    plan: CellPlan | None = None,
    others: Pooled | None = None,
    alone: FillingFit | None = None,
    checks: Sequence[Finding] = (),
    log: xr.Dataset | None = None,
) -> Chapter:
    """Put the result into a chapter of the record; `steady_chapter` says what the arguments are.

    `plan` is what to drive next, in the table's own cells.
    """
    name = next_name(proposal.base.name, list(opened.workspace.revisions))
    used, helps = others.used if others else (), _helps(fit, proposal)
    trims = None if log is None or not helps else trims_replaced(opened, fit, proposal, log)
    found = [*fit.findings(opened.car), prediction(fit, proposal, opened.car)]
    if alone is not None:
        own = next(finding for finding in alone.findings(opened.car) if finding.id == MEASURED)
        found.append(_renamed(own))
    return Chapter(
        notebook="filling",
        findings=(*checks, *withhold_findings(found, checks)),
        inputs=tuple(item | {"path": f"{other.session}/{item['path']}"} for other in used for item in other.inputs),
        tables={"table_cells": proposal.cells, "dead_time": proposal.dead_time}
        | ({} if trims is None or trims.because else {"trims_replaced": trims.cells}),
        proposal=_next(opened, proposal, name) if helps else None,
        driven=Section((_driven(fit), *(others.sentences() if others else ()))),
        change=with_trims(_change(opened, fit, proposal, name), trims),
        cannot_show=Section() if stops(checks) else _cannot_show(fit, checks),
        drive_next=_drive_next(plan),
        cautions=Section(plan.cautions if plan is not None and len(plan.holds) else ()),
    )


def _renamed(finding: Finding) -> Finding:
    return replace(finding, id=MEASURED_ALONE, title=f"{finding.title}, by this session alone")


def _drive_next(plan: CellPlan | None) -> Section:
    if plan is None:
        return Section()
    tables = (("Holds by what they show of the table, the one that shows most first", hold_table(plan)),)
    return Section((plan.sentence, *plan.notes), tables if len(plan.holds) else (), plan.sentence)


def _helps(fit: FillingFit, proposal: TableProposal) -> bool:
    return proposal.changes and proposal.predicted.p95_pct <= fit.before.p95_pct


def _next(opened: OpenedSession, proposal: TableProposal, name: str) -> NextRevision:
    revision = proposal.to_revision(name, opened.folder.session.date).model_copy(update={"proposed_in": opened.name})
    dead = _dead_changes(proposal)
    comments = {
        "": f"A proposal from the session {opened.name}, based on {proposal.base.name}. "
        f"Not in any ECU until a person enters it.\n{TOGETHER if dead else WITH_DEAD}",
        "date": "The day of the drive that it follows from: write the day on which you enter it.",
        "also_changed": (
            "Review: this says that nothing else is changed with it. If anything is, such as spark, commanded lambda\n"
            'or a part of the car, name it: [{ kind = "spark", what = "4 degrees out above 5000 rpm" }].'
        ),
        "volumetric_efficiency": "Cells without evidence are unchanged; see tables/table_cells.csv.",
        "dead_time": "Goes in together with the table; see tables/dead_time.csv." if dead else "Unchanged.",
    }
    return NextRevision(revision, comments)


def _dead_changes(proposal: TableProposal) -> bool:
    dead = proposal.dead_time
    return bool((dead["dead_time_proposed_ms"] != dead["dead_time_in_force_ms"]).any())


def _driven(fit: FillingFit) -> str:
    blocks, name = fit.blocks, fit.load_channel
    if fit.because:
        return f"Steady enough to use: {blocks['seconds'].sum():.0f} s, too little for any fit."
    unit, holds = channel(name).shown_unit, blocks.groupby("session")["hold"].nunique().sum()
    counts = fit.cells["basis"].value_counts()
    return (
        f"Steady enough to use: {blocks['seconds'].sum():.0f} s in {holds} holds, "
        f"{blocks['engine_speed_rpm'].min():.0f} to {blocks['engine_speed_rpm'].max():.0f} rpm, "
        f"{blocks[name].min():.0f} to {blocks[name].max():.0f} {unit}; {counts.get('measured', 0)} of "
        f"{len(fit.cells)} cells of the table were driven."
    )


def _change(opened: OpenedSession, fit: FillingFit, proposal: TableProposal, name: str) -> Section:
    limit, after, now = opened.car.limits.steady_lambda_error_max_pct, proposal.predicted, fit.before
    if proposal.notes and proposal.notes[0].startswith("Withheld"):
        return Section((STOPPED, *proposal.notes), short="Nothing: what is at stop has to be settled first.")
    if not proposal.changes:
        reasons = (fit.because,) if fit.because else proposal.capped
        return Section(("Nothing: this drive gives no ground for a change.", *reasons), short="Nothing.")
    if not _helps(fit, proposal):
        return Section(("Nothing yet: what follows from this drive is not expected to help.", *proposal.notes))
    standing = standing_sentence(opened, proposal.base, proposal.table)
    entered = entered_as(opened, proposal.base)
    what = "table and dead times, both together" if _dead_changes(proposal) else "table; the dead times stay"
    short = (
        f"Enter {name} on top of {proposal.base.name} ({what}): lambda error {percent(now.p95_pct)} % now, "
        f"{percent(after.p95_pct)} % expected; worst hold {now.worst_words} now, {after.worst_words} expected."
    )
    if not entered and need_of(now.lower_pct, now.upper_pct, limit) == "nothing":
        short = (
            f"Nothing has to be changed: lambda error {percent(now.p95_pct)} % ({percent(now.lower_pct)} to "
            f"{percent(now.upper_pct)} %) lies within your {limit:g} %; {name} would leave "
            f"{percent(after.p95_pct)} %."
        )
        return Section((f"{short} {ELSEWHERE}", *((standing,) if standing else ())), short=short)
    sentences = (
        *((standing,) if standing else ()),
        f"{heading_of(proposal.base, name, entered)}: {small(proposal.notes[0])}",
        f"Predicted once it is in, trims at zero: 95 % of the driven cells within {percent(after.p95_pct)} % of "
        f"commanded lambda (interval {percent(after.lower_pct)} to {percent(after.upper_pct)} %), the worst hold "
        f"{after.worst_words}. The next session will show whether that holds.",
        *proposal.notes[1:],
        *proposal.capped,
        *(() if entered else (HOW,)),
    )
    whole = f"The whole table [{_unit(proposal)}], changed cells marked *"
    tables: tuple[tuple[str, pd.DataFrame], ...] = ((whole, table_of(proposal)),)
    tables += (("Dead time", dead_time_table(proposal)),) if _dead_changes(proposal) else ()
    short = f"Nothing now. {standing}" if entered else f"{standing} {short}" if standing else short
    return Section(sentences, tables, short)


@dataclass(frozen=True)
class TablePlanned:
    """What to drive next for a table, and where it comes from."""

    title: str
    plan: CellPlan | None
    because: str  # why there is no plan; empty where there is one
    first: str  # what stands at stop and comes before the drive; empty where nothing does
    asides: tuple[str, ...]

    @property
    def holds(self) -> tuple[CellHold, ...]:
        """What to hold; none where there is no plan."""
        return () if self.plan is None else self.plan.to_drive

    @property
    def sentence(self) -> str:
        """What to drive, or why nothing can be planned, in one sentence or two."""
        return f"No plan yet. {self.because}" if self.plan is None else self.plan.sentence

    def lines(self) -> list[str]:
        """The plan as text."""
        if self.plan is None:
            return [self.title, "", self.sentence]
        table = hold_table(self.plan)
        rows = [table.to_string(index=False, na_rep="-"), ""] if len(table) else []
        cautions = self.plan.cautions if len(table) else ()
        first = [self.first, ""] if self.first else []
        return [
            self.title,
            "",
            *first,
            self.plan.sentence,
            "",
            *rows,
            *(f"- {text}" for text in (*self.plan.notes, *cautions)),
        ]

    def html(self) -> str:
        """The same as one page that opens offline and prints on one sheet."""
        chapter = Chapter(notebook="filling", drive_next=_drive_next(self.plan) if self.plan else Section(
            (self.sentence,)))  # fmt: skip
        cautions = self.plan.cautions if self.plan is not None and len(self.plan.holds) else ()
        return sheet_html(self.title, [as_data(chapter)], cautions, first=self.first)


def plan_table_drive(path: Path, top_speed_km_h: float | None, *, without: Path | None = None) -> TablePlanned:
    """Plan the next drive of a car whose ECU takes the air from a table; `plan_for` says what the arguments may be.

    Raises
    ------
    WorkspaceError, ValueError, OSError
        The files cannot be used as they stand.
    """
    if (path / "car.toml").is_file():
        workspace = without_log(open_usable(path), without)
        steady = [f for f in workspace.sessions.values() if "steady" in f.session.steps and f.files]
        last = max(steady, key=lambda folder: (folder.session.date, folder.name), default=None)
        title = f"{workspace.car.name}: drive plan, {f'after {last.name}' if last else 'nothing driven yet'}"
        if last is None:
            because = "Hold a few engine speeds and loads for about 8 s each, and put the log into a steady session."
            return TablePlanned(title, None, because, "", tuple(workspace.left_out()))
        opened, revision = OpenedSession(workspace, last), newest(workspace)
    else:
        opened = open_session(path)
        revision = opened.revision
        title = f"{opened.car.name}: drive plan, after {opened.name}"
    evidence, others = gather_evidence(opened), pool_sessions(opened, [EARLIER])
    first = settle_first(titles_at_stop(decide(opened.workspace.root), "steady"))
    logs = [evidence.log, *(other.log for other in others.used)]
    fit = fit_filling(logs, opened.car, opened.workspace.revisions, revision.name)
    plan = plan_cells(fit, opened.car, revision, top_speed_km_h=top_speed_km_h)
    return TablePlanned(title, plan, fit.because, first, (*opened.workspace.left_out(), *others.left_out))


def _unit(proposal: TableProposal) -> str:
    return "%" if proposal.key == "efficiency_pct" else "mg per cylinder and cycle"


def cells_table(proposal: TableProposal) -> pd.DataFrame:
    """The cells that change, one row each: place, value now and proposed, measured error with its interval, basis."""
    moved = proposal.cells[proposal.cells["changed"]]
    errors = zip(*(100 * (moved[name] - 1) for name in ("factor", "factor_lower", "factor_upper")), strict=True)
    unit = channel(proposal.load_channel).shown_unit
    return pd.DataFrame({
        "engine speed [rpm]": moved["engine_speed_rpm"].round(),
        f"load [{unit}]": moved[proposal.load_channel],
        f"now [{_unit(proposal)}]": moved["in_force"],
        f"proposed [{_unit(proposal)}]": moved["proposed"],
        "measured error [%]": [with_interval(value, low, high, 1) for value, low, high in errors],
        "steady [s]": moved["seconds"].round(1),
        "basis": moved["basis"],
    })  # fmt: skip


def filling_lines(fit: FillingFit, proposal: TableProposal) -> tuple[str, ...]:
    """The result in a few lines, rounded to what it is worth; a figure that is not known is called not shown."""
    counts = fit.cells["basis"].value_counts()
    before, after = (
        (f"{error.p95_pct:.1f} %" if np.isfinite(error.p95_pct) else NOT_SHOWN, error.worst_words)
        for error in (fit.before, proposal.predicted)
    )
    return (
        f"lambda error, 95 % of cells below: {before[0]} now, {after[0]} predicted",
        f"worst hold: {before[1]} now, {after[1]} predicted",
        f"cells: {counts.get('measured', 0)} driven, {counts.get('extended', 0)} near, "
        f"{int(proposal.cells['changed'].sum())} changed of {len(fit.cells)}",
        f"samples used {fit.samples_used}, flagged {fit.samples_flagged}; {len(fit.blocks)} steady blocks",
    )


def _cannot_show(fit: FillingFit, checks: Sequence[Finding]) -> Section:
    if fit.because:
        return Section((f"The error of the table, of the injectors and of lambda. {fit.because}", *fit.notes),
                       short=fit.because)  # fmt: skip
    flat, dead = fit.constant, fit.dead_time
    sentences = [
        f"One overall constant: {flat.factor:.3f} ({flat.lower:.3f} to {flat.upper:.3f}). {flat.because}",
        "Any cell that was not driven, nor lies next to one that was: it is left as it is.",
    ]
    sentences += [] if dead.shown else [f"The injectors' dead time. {dead.because}"]
    sentences += [] if dead.slope_shown else [f"How the dead-time error changes with voltage. {dead.slope_because}"]
    short = "Which of injector flow, size of the table, lambda sensor and fuel is off: they act as one constant."
    return Section((*sentences, *fit.notes), ((TAKEN_AS_TRUE, assumptions_table(checks)),), short)
