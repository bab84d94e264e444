"""A drive plan without a record: for one session, or for all steady sessions of a workspace taken together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from tunelab.record.chapter import Chapter, as_data
from tunelab.record.deciding import decide, titles_at_stop
from tunelab.record.driven import Driven
from tunelab.record.opened import open_session
from tunelab.record.plan import plan_chapter
from tunelab.record.shown import settle_first
from tunelab.record.stored import stored_records
from tunelab.record.summary import sheet_html
from tunelab.study.coverage import cover, pooled_together
from tunelab.study.drive_plan import DrivePlan, plan_drive
from tunelab.workspace import Workspace, open_usable
from tunelab.workspace.revision import Revision


@dataclass(frozen=True)
class Planned:
    """A drive plan and where it comes from."""

    title: str
    plan: DrivePlan
    chapter: Chapter
    first: str  # what stands at stop and comes before the drive; empty where nothing does
    asides: tuple[str, ...] = ()  # sessions that cannot be used, and logs that had to be opened

    def html(self) -> str:
        """The plan as one page that opens offline and prints on one sheet."""
        return sheet_html(self.title, [as_data(self.chapter)], self.plan.cautions, first=self.first)


def plan_for(path: Path, top_speed_km_h: float | None, *, without: Path | None = None) -> Planned:
    """Plan the next drive.

    Parameters
    ----------
    path : Path
        A session's folder, or a workspace: then every session with the step `steady` that has logs counts, none at all
        is allowed, and the newest revision is taken to be in the ECU.
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
        names = [n for n, folder in workspace.sessions.items() if "steady" in folder.session.steps and folder.files]
        revision = max(workspace.revisions.values(), key=lambda item: (item.date, item.name))
    else:
        opened = open_session(path)
        workspace, names, revision = opened.workspace, [opened.name], opened.revision
    return _plan(workspace, names, revision, top_speed_km_h)


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


def _plan(workspace: Workspace, names: list[str], revision: Revision, top_speed_km_h: float | None) -> Planned:
    driven = Driven(workspace)
    records = {record.session: record for record in stored_records(workspace)[0]}
    drives = pooled_together((driven.samples(name, records.get(name)) for name in names), workspace.car)
    coverage = cover(drives, workspace.car, revision)
    top = workspace.car.limits.top_speed_km_h if top_speed_km_h is None else top_speed_km_h
    plan = plan_drive(coverage, workspace.car, revision, top_speed_km_h=top)
    after = f"after {', '.join(names)}" if names else "nothing driven yet"
    decided = decide(workspace.root)
    first = settle_first(titles_at_stop(decided, "steady"))
    return Planned(
        f"{workspace.car.name}: drive plan, {after}",
        plan,
        plan_chapter(coverage, plan),
        first,
        tuple(sentence for sentence in (*workspace.left_out(), driven.sentence() or decided.read) if sentence),
    )
