"""All records of a workspace: the page over them with their verdicts, and what they give to the workspace's history."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.chart.first_page import Moment, day_of, draw_trend
from tunelab.record.driven import VERDICT_WORDS, Driven, decide, drive_of, readiness_answer
from tunelab.record.earlier import proposals_of
from tunelab.record.page import fill
from tunelab.record.place import held, write_whole
from tunelab.record.results import renew_file
from tunelab.record.share import GivenAnswer, read_answers
from tunelab.record.shown import MAIN, limit_text, shown_findings, value_text, verdicts
from tunelab.record.stored import RECORDS, StoredRecord, stored_records
from tunelab.record.to_enter import join
from tunelab.study.drive_plan import cautions_for
from tunelab.study.finding import Finding
from tunelab.study.ledger import Ledger, Proposed, keep_ledger
from tunelab.study.readiness import Drive
from tunelab.study.readiness.judge import NO_CERTIFICATE
from tunelab.workspace import Workspace, open_usable
from tunelab.workspace.car import stated
from tunelab.workspace.revision import Revision, surface_of


@dataclass(frozen=True)
class History:
    """The ledger of a workspace, with what people wrote about its records."""

    workspace: Workspace
    drives: tuple[Drive, ...]
    ledger: Ledger
    answers: tuple[GivenAnswer, ...]
    left_out: tuple[str, ...]  # records and proposals that cannot be counted, with the reason

    def notes(self) -> pd.DataFrame:
        """One row per note of an answer: date, author, record, finding, text."""
        names = ["date", "author", "record", "finding", "text"]
        rows = [
            (
                answer.answer.date.isoformat(),
                answer.answer.author,
                answer.answer.record,
                note.finding or "all",
                note.text,
            )
            for answer in self.answers
            for note in answer.notes
        ]
        return pd.DataFrame(rows, columns=names)

    def curves(self) -> pd.DataFrame:
        """What each revision takes the air from, and how it changes the one that it is based on, in percent.

        `revision, based_on, reading, change_pct`, and `flow_kg_h` of a meter's curve; of a car without an air meter
        every cell of its table, with its load as the reading, and `engine_speed_rpm`.
        """
        rows = []
        for revision in self.workspace.revisions.values():
            base = self.workspace.revisions.get(revision.based_on or "")
            rows.append((_curve if revision.volumetric_efficiency is None else _cells)(revision, base))
        return pd.concat(rows, ignore_index=True)

    @property
    def reading_label(self) -> str:
        """Label of the axis over which these changes are drawn: the meter's reading, or the load of the table."""
        table = list(self.workspace.revisions.values())[-1].volumetric_efficiency
        return channel(table.load_key if table else self.workspace.car.meter.channel).axis_label


def _curve(revision: Revision, base: Revision | None) -> pd.DataFrame:
    curve = revision.meter_curve
    flow = np.asarray(curve.flow_kg_h)
    before = np.interp(curve.reading, base.meter_curve.reading, base.meter_curve.flow_kg_h) if base else flow
    change = np.where(before > 0, 100 * (flow / np.where(before > 0, before, 1.0) - 1), 0.0)
    table = pd.DataFrame({"reading": curve.reading, "flow_kg_h": flow, "change_pct": change})
    return table.assign(revision=revision.name, based_on=revision.based_on or "")


def _cells(revision: Revision, base: Revision | None) -> pd.DataFrame:
    table = stated(revision.volumetric_efficiency, "[volumetric_efficiency] of the revision")
    before = base.volumetric_efficiency if base else table
    speed, load = np.meshgrid(table.engine_speed_rpm, table.load)
    change = np.full(speed.shape, np.nan)  # of a table of another kind nothing can be said
    if before is not None and (before.key, before.load_key) == (table.key, table.load_key):
        change = 100 * (table.values / surface_of(before).at(speed, load, before.values) - 1)
    cells = {"reading": load.ravel(), "engine_speed_rpm": speed.ravel(), "change_pct": change.ravel()}
    return pd.DataFrame(cells).assign(revision=revision.name, based_on=revision.based_on or "")


def read_history(root: Path) -> History:
    """Put a workspace's history together.

    Raises
    ------
    WorkspaceError
        The workspace or an answer in it cannot be used as it stands.
    """
    workspace = open_usable(root)
    records, left_out = stored_records(workspace)
    answers = read_answers(workspace.root)
    driven = Driven(workspace)
    drives = tuple(drive_of(record, driven) for record in records)
    proposals, more = _proposals(records, answers)
    ledger = keep_ledger(workspace.revisions, drives, proposals)
    return History(workspace, drives, ledger, tuple(answers), (*left_out, *more))


def _content(revision: Revision) -> dict:
    return revision.model_dump(exclude={"date"})  # a proposal has none until it is entered


def _proposals(records: list[StoredRecord], answers: list[GivenAnswer]) -> tuple[list[Proposed], list[str]]:
    """Proposals of records and, where an answer changed one, of answers."""
    found, left_out = proposals_of(records)
    own = {proposed.source: proposed for proposed in found}
    for given in answers:
        base = own.get(given.answer.record)
        if given.proposal and (base is None or _content(given.proposal) != _content(base.revision)):
            found.append(Proposed(given.answer.record, given.answer.author, given.answer.date, given.proposal, None))
    return found, left_out


TRENDS_SHOWN = 12
TRENDS_FIRST = 2  # that stand above the records
AMONG = re.compile(r'(<nav class="among[^>]*>).*?</nav>', re.DOTALL)
WORST_FIRST = ("stop", "watch", "not_shown", "met", "measured")
NO_TREND = ("consistency.", "drive_plan.", "feasibility.", "shift.")  # of a log or a plan, not of the car


def write_shelf(root: Path) -> Path:
    """Write `records/index.html` of a workspace; returns it.

    Raises
    ------
    WorkspaceError
        The workspace cannot be used as it stands.
    """
    workspace = open_usable(root)
    target = workspace.root / RECORDS / "index.html"
    target.parent.mkdir(parents=True, exist_ok=True)
    with held(target.parent):  # of two runs the later one sees what the other has put there
        records, left_out = stored_records(workspace)
        _link_neighbours(records)
        return write_whole(target, shelf_page(workspace, records, left_out))


def _link_neighbours(records: Sequence[StoredRecord]) -> None:
    """Let each record's first page lead to the drive before and the drive after it, as records come and go."""
    names = ["", *(record.name for record in records), ""]
    for record, before, after in zip(records, names, names[2:], strict=False):
        path = record.place / "index.html"
        page = path.read_text(encoding="utf-8") if path.is_file() else ""
        linked = with_neighbours(page, "../index.html", before, after)
        if linked != page:
            write_whole(path, linked)
            renew_file(record.place, path)


def with_neighbours(page: str, up: str, before: str, after: str) -> str:
    """A record's first page with links `up` to all records, to the one before and the one after; empty names: none."""
    links = [f'<a rel="up" href="{up}">All records of this car</a>']
    for way, name, words in (("prev", before, f"← {before}"), ("next", after, f"{after} →")):
        if name:
            said = escape(f"{'Before' if way == 'prev' else 'After'}: {name}")
            href = f"../{quote(name)}/index.html"
            links.append(f'<a rel="{way}" href="{href}" aria-label="{said}">{escape(words)}</a>')
    return AMONG.sub(lambda found: f"{found[1]}{' '.join(links)}</nav>", page, count=1)


def shelf_page(
    workspace: Workspace, records: Sequence[StoredRecord], left_out: Sequence[str], *, shared: bool = False
) -> str:
    """Fill the page; `shared`: as the first page of a zip, which holds these records alone, in a folder below."""
    done = {record.session for record in records}
    decisions = workspace.root / RECORDS / "decisions" / "index.html"
    trends = _trends(records)
    values = {
        "title": f"{workspace.car.name}: all records",
        **(_verdict(workspace) if records else {"verdict": [], "word": ""}),
        "records": [_row(record, workspace) for record in reversed(records)],
        "trends": trends[:TRENDS_FIRST],
        "more_trends": trends[TRENDS_FIRST:],
        "unrecorded": [] if shared else sorted(n for n, f in workspace.sessions.items() if n not in done and f.files),
        "base": f"{RECORDS}/" if shared else "",
        "shared": shared,
        "left_out": list(left_out),
        "cautions": [NO_CERTIFICATE, *cautions_for(workspace.car)],
        "decisions": decisions.is_file() and not shared,
    }
    return fill("shelf.html", [], values)


def _verdict(workspace: Workspace) -> dict[str, Any]:
    """Whether the car may run by these records, as `tunelab ready` says it: verdict, why and bounds; its status."""
    readiness = decide(workspace.root).readiness
    bounds = readiness.bounds if readiness.verdict == "may run within bounds" else ()
    said = [readiness_answer(readiness), *bounds]
    return {"verdict": said, "word": VERDICT_WORDS[readiness.verdict]}


def _row(record: StoredRecord, workspace: Workspace) -> dict[str, Any]:
    counts = Counter(finding.word for finding in record.findings)
    steps = list(record.folder.session.steps)
    return {
        "name": record.name,
        "date": record.date.isoformat(),
        "steps": ", ".join(steps),
        "revision": record.revision,
        "counts": [(status, counts[status]) for status in WORST_FIRST if counts[status]],
        "verdicts": _verdicts(record, steps),
        "proposal": _proposal(record, workspace),
        "failed": record.failed,
    }


def _verdicts(record: StoredRecord, steps: Sequence[str]) -> list[dict[str, str]]:
    """Limits that were passed, then one verdict for each step, as the record's own page begins."""
    found = shown_findings(record.results["findings"], [])
    passed = [f for f in found["attention"] if f["id"].startswith("limits.")]
    lines = [{"word": f["word"], "text": f"{f['title']}: {f['value_limit']}."} for f in passed]
    return [*lines, *verdicts(found, steps)]


def _proposal(record: StoredRecord, workspace: Workspace) -> str:
    """What became of the revision that a record proposed; empty where it proposed none."""
    if not (record.place / "proposal.toml").is_file():
        return ""
    entered = [r.name for r in workspace.revisions.values() if r.proposed_in == record.session]
    if entered:
        return f"Its proposal was entered as {join(sorted(entered))}."
    base = workspace.revisions[record.revision]
    newer = sorted(r.name for r in workspace.revisions.values() if (r.date, r.name) > (base.date, base.name))
    if newer:
        return f"Its proposal was not entered; {join(newer)} came after {base.name}."
    error = record.finding("steady.lambda_error")
    if error is not None and error.status == "met":
        return "Nothing has to be changed; its proposal was not entered."
    return "Its proposal is not entered yet."


def _trends(records: Sequence[StoredRecord]) -> list[dict[str, Any]]:
    """Findings that at least two records show: what tells most of the car first, then what has a limit."""
    ids = dict.fromkeys(f.id for record in records for f in record.findings if not f.id.startswith(NO_TREND))
    found = []
    for name in ids:
        shown = [(r, f) for r in records for f in [r.finding(name)] if f is not None and f.value is not None]
        if len(shown) >= 2:
            found.append(shown)
    found.sort(key=_weight)
    return [_trend(shown) for shown in found[:TRENDS_SHOWN]]


def _weight(shown: Sequence[tuple[StoredRecord, Finding]]) -> tuple[int, bool, int]:
    last = shown[-1][1]
    main = MAIN.index(last.id) if last.id in MAIN else len(MAIN)
    return main, last.limit is None, -len(shown)


def _stopped(shown: Sequence[tuple[StoredRecord, Finding]]) -> str:
    """The newest drive before the last one that came to a stop, where the last one did not."""
    stops = [(record, finding) for record, finding in shown if finding.status == "stop"]
    if not stops or shown[-1][1].status == "stop":
        return ""
    record, finding = stops[-1]
    value = f" with {value_text(vars(finding))}" if record is not shown[0][0] else ""  # which the title begins with
    return f"; last at stop on {day_of(record.date)}{value}"


def _trend(shown: Sequence[tuple[StoredRecord, Finding]]) -> dict[str, Any]:
    first, last = shown[0][1], shown[-1][1]
    moments = [
        Moment(r.date, *(math.nan if one is None else one for one in (f.value, f.lower, f.upper))) for r, f in shown
    ]
    days = Counter(record.date for record, _ in shown)
    said = [
        (record.name if days[record.date] > 1 else day_of(record.date), value_text(vars(finding)))
        for record, finding in shown
    ]
    limit = "" if last.limit is None else f"; limit {limit_text(vars(last))}"
    then = f"{value_text(vars(last))} on {day_of(shown[-1][0].date)}, the last to show it"
    return {
        "title": f"{last.title}: {value_text(vars(first))}, then {then}{_stopped(shown)}{limit}",
        "status": last.word,
        "text": "; ".join(f"{when} {value}" for when, value in said),
        "picture": draw_trend(last.title, moments, last.limit),
    }
