"""The sheet of one step as text and as a page that prints on one sheet of paper."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tunelab.record.display import table_item
from tunelab.record.driven import Decided, decide, newest, titles_at_stop
from tunelab.record.filling import plan_table_drive
from tunelab.record.page import fill
from tunelab.record.plan import plan_for
from tunelab.record.shown import settle_first
from tunelab.study.drive_plan import cautions_for
from tunelab.study.step_sheet import StepSheet, sheet_for
from tunelab.workspace import find_workspace, open_usable


@dataclass(frozen=True)
class PrintedSheet:
    """A sheet with the car it is for."""

    title: str
    sheet: StepSheet
    cautions: tuple[str, ...]
    asides: tuple[str, ...] = ()  # sessions that cannot be used, and logs that had to be opened
    first: str = ""  # what has to be settled before any of it is driven

    def html(self) -> str:
        """The page."""
        values = {
            "title": self.title,
            "sheet": self.sheet,
            "first": self.first,
            "runs": table_item(self.sheet.runs),
            "cautions": self.cautions,
        }
        return fill("step_sheet.html", [], values)

    def text(self) -> str:
        """The same for a terminal."""
        sheet = self.sheet
        runs = sheet.runs.to_string(index=False) if len(sheet.runs) else ""
        parts = [
            self.title,
            self.first,
            sheet.why,
            runs,
            *sheet.notes,
            "The passenger watches:",
            *_bullets(sheet.watch),
        ]
        parts += [
            "Stop at once on:",
            *_bullets(sheet.abort),
            f"Log: {', '.join(sheet.must_log) or 'everything there is'}",
        ]
        parts += [f"If you can: {', '.join(sheet.log_too)}"] if sheet.log_too else []
        return "\n".join(part for part in [*parts, "Before you drive:", *_bullets(self.cautions)] if part)


def _bullets(items: tuple[str, ...]) -> list[str]:
    return [f"- {item}" for item in items]


def _still_to_show(step: str, decided: Decided) -> tuple[str, ...]:
    """Say what this step has still to answer for the revision in the car, and up to where full throttle was driven."""
    asked = [state for state in decided.readiness.gates if step in state.gate.steps]
    named = [state for state in asked if state.gate.ids]  # what any drive answers need not be named
    missing = [state.gate.title.lower() for state in named if state.status == "not_shown"]
    again = [state.gate.title.lower() for state in asked if state.to_show]
    watched = [state.gate.title.lower() for state in named if state.status == "watch"]
    is_done = asked and not missing and not again and not watched and not titles_at_stop(decided, step)
    name = decided.revision.name
    found = [f"Still to show with {name}: {', '.join(missing)}."] if missing else []
    found += (
        [f"Near or past a limit that can wait with {name}, to be driven again: {', '.join(watched)}."]
        if watched
        else []
    )
    once = "One run first; read its log, then go on."
    found += [f"At stop before the last change, to be shown again: {', '.join(again)}. {once}"] if again else []
    found += [f"All that this drive answers is shown with {name}; drive it to confirm."] if is_done else []
    pulled = (d for d in decided.drives if d.revision == name and "full-throttle" in d.steps)
    top = max((d.reach.full_top_rpm or 0.0 for d in pulled), default=0.0) if step == "full-throttle" else 0.0
    return (*found, f"Full throttle was driven up to {50 * (top // 50):.0f} rpm so far.") if top else tuple(found)


def print_sheet(step: str, path: Path, top_speed_km_h: float | None) -> PrintedSheet:
    """Make the sheet of a step for the workspace that a path belongs to, with the newest revision in the car.

    Raises
    ------
    WorkspaceError, LoadError
        The files cannot be used as they stand.
    ValueError
        No such step, or a top speed that is none.
    """
    root = find_workspace(path)
    workspace = open_usable(root)
    top = workspace.car.limits.top_speed_km_h if top_speed_km_h is None else top_speed_km_h
    decided = decide(root)
    if step == "steady":
        planned = (plan_table_drive if workspace.car.has_table else plan_for)(root, top_speed_km_h)
        holds, notes = planned.holds, (planned.sentence, *(planned.plan.notes if planned.plan else ()))
    else:
        holds, notes = (), _still_to_show(step, decided)
    sheet = sheet_for(step, workspace.car, newest(workspace), top, holds=holds, notes=notes)
    first = settle_first(titles_at_stop(decided, step))
    cautions = tuple(dict.fromkeys([*sheet.cautions, *cautions_for(workspace.car)]))
    title = f"{sheet.title}: {workspace.car.name}, {newest(workspace).name}"
    return PrintedSheet(title, sheet, cautions, tuple(s for s in (*workspace.left_out(), decided.read) if s), first)
