"""The drive plan of a session or a workspace, and what it says in the summary."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.load import LoadError
from tunelab.log.store import StoreError
from tunelab.record.chapter import Chapter, Section, Verdict, as_data
from tunelab.record.driven import Driven, decide, newest, titles_at_stop
from tunelab.record.evidence import Evidence
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.shown import settle_first
from tunelab.record.stored import stored_records
from tunelab.record.summary import sheet_html
from tunelab.study.coverage import Coverage, Samples, cover, pooled_together
from tunelab.study.drive_plan import DrivePlan, Hold, gear_word, hold_lines, lines_legend, plan_drive
from tunelab.study.finding import Finding, status_within
from tunelab.study.information import CalmDrive
from tunelab.workspace import Workspace, open_usable
from tunelab.workspace.revision import Revision

USUAL = {"slope": "level", "lamps, fan, heater": "as they are"}  # a column that says only this is left out
UNKNOWN_PCT = 20.0  # beyond it lambda is called unknown


def plan_chapter(coverage: Coverage, plan: DrivePlan, *, inputs: Sequence[Mapping[str, Any]] = ()) -> Chapter:
    """Put coverage and drive plan into a chapter of the record; `inputs` are the raw files of other sessions."""
    reachable, missing = int(coverage.reachable.sum()), int(coverage.missing.sum())
    have = "has its" if reachable - missing == 1 else "have their"
    driven = (
        f"Of {reachable} cells of engine speed and airflow that the car can hold, {reachable - missing} {have} "
        "seconds of steady driving."
    )
    level = ", on the level" if all(hold.slope == "level" for hold in plan.holds) else ""
    tables = ((lines_legend(plan.holds), hold_lines(plan.holds)), (f"The same in full{level}", plan_table(plan)))
    return Chapter(
        notebook="drive_plan",
        verdict=Verdict(plan_sentence(plan)),
        findings=(coverage_finding(coverage, is_enough=plan.is_enough), known_finding(coverage, plan)),
        tables={"coverage": coverage.table(), "drive_plan": plan.table()},
        driven=Section((driven,)),
        drive_next=Section((plan_sentence(plan), *plan.notes), tables if plan.holds else (), _in_short(plan)),
        cautions=Section(plan.cautions if plan.holds else ()),
        inputs=tuple(inputs),
    )


def known_finding(coverage: Coverage, plan: DrivePlan) -> Finding:
    """How far lambda may be off over what can be held, once all that was driven so far is in the ECU."""
    known, limit = plan.before, plan.limit_pct
    shown = coverage.samples_used > 0 and known.p95_pct <= UNKNOWN_PCT
    status = status_within(known.p95_pct, known.lower_pct, known.upper_pct, most=limit)
    because = " ".join(("There was not enough steady driving to show it.", *coverage.notes))
    if coverage.samples_used > 0:
        because = "What was driven leaves lambda unknown over much of what can be held."
    if shown:
        because = (
            f"With the correction from all steady drives in the ECU, lambda should lie within {known.p95_pct:.1f} % of "
            "commanded. That is for 95 of 100 places of engine speed and airflow that can be held. The interval is "
            f"{known.lower_pct:.1f} to {known.upper_pct:.1f} %, the limit {limit:g} %."
        )
    if shown and status == "met" and not plan.is_enough:
        status, because = "watch", f"{because} The dead time is not shown yet."
    return Finding(
        id="drive_plan.known",
        title="How well lambda is known over the range that can be held",
        value=known.p95_pct if shown else None,
        unit="%",
        lower=known.lower_pct if shown else None,
        upper=known.upper_pct if shown else None,
        confidence=0.95 if shown else None,
        samples_used=coverage.samples_used,
        samples_flagged=coverage.samples_flagged,
        status=status if shown else "not_shown",
        limit=limit,
        because=because,
    )


def coverage_finding(coverage: Coverage, *, is_enough: bool) -> Finding:
    """How much of what the car can hold has its usable seconds; a count, so without an interval."""
    reachable, missing = int(coverage.reachable.sum()), int(coverage.missing.sum())
    shown = reachable > 0 and coverage.samples_used > 0
    because = f"{reachable - missing} of {reachable} cells of engine speed and airflow have enough steady driving."
    because += " What was driven covers the others." if is_enough and missing else ""
    return Finding(
        id="drive_plan.coverage",
        title="How much of the range was driven steadily enough",
        value=100 * coverage.share_covered if shown else None,
        unit="%",
        lower=None,
        upper=None,
        confidence=None,
        samples_used=coverage.samples_used,
        samples_flagged=coverage.samples_flagged,
        status="not_shown" if not shown else "met" if is_enough or not missing else "watch",
        limit=None,
        because=because if shown else " ".join(["Nothing was driven steadily enough to count.", *coverage.notes]),
    )


def _in_short(plan: DrivePlan) -> str:
    if plan.is_enough:
        return "No steady hold is needed. The next drive shows whether what is entered holds."
    if not plan.holds:
        return ""
    return (
        f"{_count(plan)}, about {rounded_seconds(plan.seconds)} of driving, up to {plan.top_speed_km_h:.0f} km/h"
        f"{_later(plan, '; then ', ' in a later drive')}."
    )


def plan_sentence(plan: DrivePlan) -> str:
    """Say whether it is enough; else how many holds, how long, under which limits, and what they bring."""
    if plan.is_enough:
        helps = "is needed" if plan.before.upper_pct <= plan.limit_pct else "helps"
        return (
            f"No steady hold {helps}. Lambda is known to within {plan.before.p95_pct:.1f} %, at most "
            f"{plan.before.upper_pct:.1f} %, in 95 of 100 "
            f"places of engine speed and airflow that can be held here, once the correction is in (limit "
            f"{plan.limit_pct:g} %)."
        )
    if not plan.holds:
        return "No further hold can be driven here."
    reached = (
        f"With them lambda is known to within {plan.after.upper_pct:.1f} % in 95 of 100 places that may be held so far"
        if plan.after.upper_pct < UNKNOWN_PCT
        else "They lead up to what is not known yet"
    )
    reached += f" (limit {plan.limit_pct:g} %)"
    return (
        f"{_count(plan)}, about {rounded_seconds(plan.seconds)} of driving, {rounded_seconds(plan.hold_s)} of it "
        f"holding; not above {plan.top_speed_km_h:.0f} km/h and {plan.rev_limit_rpm:.0f} rpm. {reached}"
        f"{_later(plan, '; what must wait for gentler holds then takes about ', ' more')}. Hold each one still for the "
        "whole time; a passenger calls the numbers."
    )


def _count(plan: DrivePlan) -> str:
    return f"{len(plan.holds)} hold{'s' if len(plan.holds) != 1 else ''}"


def _later(plan: DrivePlan, before: str, behind: str) -> str:
    return f"{before}{rounded_seconds(plan.later_s)}{behind}" if plan.later_s > 0 else ""


def rounded_seconds(seconds: float) -> str:
    """A time of driving as a plan says it: up to the next five seconds."""
    return f"{5 * np.ceil(seconds / 5):.0f} s"


def plan_table(plan: DrivePlan) -> pd.DataFrame:
    """The holds as a driver reads them from one sheet of paper."""
    rows = [
        {
            "no.": str(number),
            "gear": gear_word(hold.gear),
            "engine speed [rpm]": round(hold.engine_speed_rpm),
            "road speed [km/h]": hold.road_speed_km_h if hold.gear == 0 else round(hold.road_speed_km_h, 0),
            "air flow [kg/h]": f"{hold.air_flow_from_kg_h:.0f}–{hold.air_flow_to_kg_h:.0f}",
            "throttle, about [%]": round(hold.throttle_pct, 0),
            "brake": hold.brake,
            "slope": hold.slope,
            "lamps, fan, heater": hold.consumers,
            "hold [s]": round(hold.seconds, 0),
            "then roll [s]": round(hold.roll_s, 0),
            "why": hold.why + ("; high load: only a few seconds" if hold.is_high_load else ""),
        }
        for number, hold in enumerate(plan.holds, start=1)
    ]
    table = pd.DataFrame(rows)
    usual = [name for name, value in USUAL.items() if len(table) and (table[name] == value).all()]
    return table.drop(columns=usual)


NAMED = 3  # sessions that a title names


@dataclass(frozen=True)
class Planned:
    """A drive plan and where it comes from."""

    title: str
    plan: DrivePlan
    coverage: Coverage
    chapter: Chapter
    first: str = ""  # what stands at stop and comes before the drive; empty where nothing does
    asides: tuple[str, ...] = ()  # sessions that cannot be used, and logs that had to be opened

    @property
    def holds(self) -> tuple[Hold, ...]:
        """What to hold."""
        return self.plan.holds

    @property
    def sentence(self) -> str:
        """What to drive, in a sentence or two."""
        return plan_sentence(self.plan)

    def html(self) -> str:
        """The plan as one page that opens offline and prints on one sheet."""
        return sheet_html(self.title, [as_data(self.chapter)], self.plan.cautions, first=self.first)


def plan_for(path: Path, top_speed_km_h: float | None, *, without: Path | None = None) -> Planned:
    """Plan the next drive.

    Parameters
    ----------
    path : Path
        A workspace: then every session with the step `steady` that has logs counts, none at all is allowed, and the
        newest revision is taken to be in the ECU. Or a session's folder: then this session counts, and the steady ones
        before it, and its revision is taken to be in the ECU.
    top_speed_km_h : float or None
        Highest road speed that may be driven there; None: the owner's own limit. [km/h]
    without : Path, optional
        A log of the workspace that does not count yet, such as one that is still being written.

    Raises
    ------
    WorkspaceError, LoadError
        The files cannot be used as they stand.
    """
    if (path / "car.toml").is_file():
        workspace = without_log(open_usable(path), without)
        planned = _plan(workspace, _steady(workspace), newest(workspace), top_speed_km_h, Driven(workspace))
    else:
        opened = open_session(path)
        workspace, names = opened.workspace, _up_to(opened)
        planned = _plan(workspace, names, opened.revision, top_speed_km_h, Driven(workspace), asked=opened.name)
    decided = decide(workspace.root)
    first = settle_first(titles_at_stop(decided, "steady"))
    asides = (*workspace.left_out(), *planned.asides, "" if planned.asides else decided.read)
    return replace(planned, first=first, asides=tuple(sentence for sentence in asides if sentence))


def plan_after(opened: OpenedSession, evidence: Evidence, top_speed_km_h: float | None) -> Planned:
    """Plan the next drive after a session whose log is at hand, as `plan_for` does by its folder."""
    driven = Driven(opened.workspace)
    own = {opened.name: evidence.log}
    return _plan(opened.workspace, _up_to(opened), opened.revision, top_speed_km_h, driven, own)


def without_log(workspace: Workspace, log: Path | None) -> Workspace:
    """The workspace as if one of its logs were not there."""
    if log is None:
        return workspace
    left = log.resolve()
    return replace(
        workspace,
        sessions={
            name: replace(folder, files=tuple(file for file in folder.files if file.resolve() != left))
            for name, folder in workspace.sessions.items()
        },
    )


def _steady(workspace: Workspace) -> list[str]:
    """Names of the steady sessions that have logs, by date and name."""
    steady = [f for f in workspace.sessions.values() if "steady" in f.session.steps and f.files]
    return [folder.name for folder in sorted(steady, key=lambda folder: (folder.session.date, folder.name))]


def _up_to(opened: OpenedSession) -> list[str]:
    """Names of the steady sessions before a session, and its own: what came later was not known then."""
    day = (opened.folder.session.date, opened.name)
    sessions = opened.workspace.sessions
    before = [n for n in _steady(opened.workspace) if (sessions[n].session.date, n) < day]
    return [*before, opened.name]


def _plan(
    workspace: Workspace,
    names: list[str],
    revision: Revision,
    top_speed_km_h: float | None,
    driven: Driven,
    own: Mapping[str, xr.Dataset] = MappingProxyType({}),
    asked: str = "",
) -> Planned:
    """Plan after the named sessions; one whose log cannot be read is left out in words, unless it was asked for."""
    records = {record.session: record for record in stored_records(workspace)[0]}
    calm: list[CalmDrive] = []
    inputs: list[Mapping[str, Any]] = []
    counted: list[str] = []
    asides: list[str] = []

    def samples() -> Iterator[Samples]:
        for name in names:
            try:
                drive = driven.of_log(name, own[name]) if name in own else driven.steady(name, records.get(name))
            except (LoadError, StoreError) as error:
                if name == asked:
                    raise
                asides.append(f"{name} counts for nothing, as its log cannot be read: {str(error).splitlines()[0]}")
                continue
            counted.append(name)
            calm.append(drive.calm)
            if name not in own:
                inputs.extend(item | {"path": f"{name}/{item['path']}"} for item in drive.inputs)
            yield drive.samples

    car = workspace.car
    coverage = cover(pooled_together(samples(), car), car, revision)
    top = car.limits.top_speed_km_h if top_speed_km_h is None else top_speed_km_h
    plan = plan_drive(coverage, car, revision, top_speed_km_h=top, drives=calm)
    chapter = plan_chapter(coverage, plan, inputs=inputs)
    asides += [driven.sentence()] if driven.sentence() else []
    return Planned(f"{car.name}: drive plan, {_after(counted)}", plan, coverage, chapter, asides=tuple(asides))


def _after(names: list[str]) -> str:
    if not names:
        return "nothing driven yet"
    if len(names) <= NAMED:
        return f"after {', '.join(names)}"
    return f"after {names[-1]} and {len(names) - 1} steady sessions before it"
