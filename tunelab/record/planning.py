"""The drive plan of a session or a workspace: one function for the record, the command and the printed sheet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

import xarray as xr

from tunelab.log.load import LoadError
from tunelab.log.store import StoreError
from tunelab.record.chapter import Chapter, as_data
from tunelab.record.deciding import decide, newest, titles_at_stop
from tunelab.record.driven import Driven
from tunelab.record.evidence import Evidence
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.plan import plan_chapter
from tunelab.record.shown import settle_first
from tunelab.record.stored import stored_records
from tunelab.record.summary import sheet_html
from tunelab.study.coverage import Coverage, Samples, cover, pooled_together
from tunelab.study.drive_plan import DrivePlan, plan_drive
from tunelab.workspace import Workspace, open_usable
from tunelab.workspace.revision import Revision

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
        workspace = _without(open_usable(path), without)
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


def _without(workspace: Workspace, log: Path | None) -> Workspace:
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
    calm, inputs, counted, asides = [], [], [], []

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
