"""Two sessions or two revisions of a workspace, side by side, and the page that shows it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.store import read_log
from tunelab.record.display import SHOWN_UNITS, most_decimals, table_item
from tunelab.record.evidence import gather_evidence
from tunelab.record.notebook import hint
from tunelab.record.opened import OpenedSession
from tunelab.record.page import fill
from tunelab.record.shown import MAIN, SAME_LIMIT, begin_large, list_names, small
from tunelab.record.stored import StoredRecord, stored_records
from tunelab.study.compare_findings import FindingDifference, compare_findings, plain, worst_of
from tunelab.study.compare_logs import QUANTITIES, LogDifference, compare_visits, visits_of
from tunelab.study.drive_plan import cautions_for
from tunelab.study.finding import Finding
from tunelab.study.ledger import MEASURED_ALONE, PROMISES
from tunelab.study.link.account import account_link
from tunelab.study.link.study import WiringChange, compare_wirings
from tunelab.study.revision_change import Difference, differences, way_between
from tunelab.workspace import Problem, Workspace, WorkspaceError, open_usable
from tunelab.workspace.car import Car

DROP_OUTS, CONFIDENCE = "link.drop_outs", 0.95
WITHIN_NOISE, NOT_COMPARED = "within noise", "not compared"
VERDICTS = ("worse", "better", "changed", WITHIN_NOISE)  # what is worse comes first
NOT_OF_THE_CAR = (
    "drive_plan.", "steady.lambda_predicted", "steady.proposal_predicted", "feasibility.", "consistency.",
    *(promise.predicted for promise in PROMISES),
)  # fmt: skip
# Which way each number is the better one; of a number that is in none of these only the change is said.
LESS_IS_BETTER = frozenset({
    "steady.lambda_error", MEASURED_ALONE, "steady.lean_at_load", "steady.pulsation", "limits.lean_under_load",
    "limits.knock_retard",
    "limits.lambda_full_load", "limits.fuel_pressure_drop", "limits.coolant_rise", "limits.intake_air_rise",
    "full_throttle.lambda_error", "full_throttle.rich_error", "full_throttle.knock_retard",
    "full_throttle.fuel_pressure_drop", "full_throttle.fuel_mode", "part_throttle.lean",
    "part_throttle.knock_retard", "part_throttle.lambda_error", "spark.retard", "link.drop_outs", "link.starts",
    "idle.speed_spread", "idle.hunting", "idle.flare", "idle.spark_spread", "return.undershoot", "return.settling",
    "return.hang", "transient.lean", "transient.rich", "fuel_cut.stumble", "trims.total", "trims.learning",
    "launch.time", "launch.repeat", "launch.bog", "launch.recovery", "coast_down.force_100", "coast_down.drag_area",
    "coast_down.rolling", "full_load_fuel.error", "idle.base_error", "idle.load_cost",
    "acceleration.error", "fuel_cut.dip",
})  # fmt: skip
MORE_IS_BETTER = frozenset({
    "power.wheel_peak", "power.change", "limits.meter_headroom", "limits.oil_pressure", "limits.battery",
    "full_throttle.meter_headroom", "full_throttle.oil_pressure", "full_throttle.battery", "link.supply",
    "idle.actuator_margin",
})  # fmt: skip
NEAR_ZERO_IS_BETTER = frozenset({
    "steady.meter", "steady.table", "steady.dead_time", "steady.dead_time_slope", "steady.halves", "idle.speed_error",
    "idle.lambda_error", "idle.load_step", "high_flow.agreement", "part_throttle.meter_agreement",
    "launch.held_speed", "transient.missing_fuel", "heat.per_coolant", "heat.per_intake",
})  # fmt: skip
SHORTEST_S = 0.5  # as the link notebook has it
ONE_DRIVE = (
    "Each side is one drive: a difference may also come from the day (air, fuel, warmth, a sensor that ages). Two "
    "drives or more on each side would show."
)


@dataclass(frozen=True)
class Side:
    """One side of a comparison."""

    name: str  # as it was asked for
    sessions: tuple[str, ...]
    revisions: tuple[str, ...]
    records: tuple[StoredRecord, ...]


@dataclass(frozen=True)
class Comparison:
    """Before against after, and what is more than noise."""

    before: Side
    after: Side
    changes: tuple[Difference, ...]  # between the revisions, where each side has one
    findings: tuple[FindingDifference, ...]
    logs: tuple[LogDifference, ...]
    notes: tuple[str, ...]
    car: Car
    also: tuple[str, ...] = ()  # what the revisions between say was also changed, or that they do not say

    def sentences(self) -> list[str]:
        """Say what is better, worse or otherwise changed, the weightiest first, then what is within noise, and why."""
        rows = sorted(self._of_the_car(), key=_weight)
        by_word = {word: [row for row in rows if verdict_of(row) == word] for word in VERDICTS}
        counts = ", ".join(f"{len(found)} {word}" for word, found in by_word.items())
        told = [self._sentence(row, word) for word in VERDICTS[:3] for row in by_word[word]]
        open_rows = by_word[WITHIN_NOISE]
        named = [row for row in open_rows if _name(row) in MAIN]
        told += [f"Within noise: {_small_title(row)}, {_sizes(row)}" for row in named]
        rest = [f"{_small_title(row)} ({_sizes(row, short=True)})" for row in open_rows if row not in named]
        told += [f"Within noise too: {'; '.join(rest)}."] if rest else []
        stops = [sentence for side in (self.before, self.after) for sentence in _stops(side)]
        return [f"Of {len(rows)} things that could be compared: {counts}.", *stops, *told, *self.notes]

    def _of_the_car(self) -> list[FindingDifference | LogDifference]:
        """What could be compared and speaks of the car, not of a plan or a prediction; the same readings once."""
        once = {(SAME_LIMIT.get(r.id, r.id), f"{r.before:.2g}", f"{r.after:.2g}"): r for r in reversed(self.findings)}
        rows: list[FindingDifference | LogDifference] = [*self.logs, *reversed(once.values())]
        return [row for row in rows if row.p_value == row.p_value and not _name(row).startswith(NOT_OF_THE_CAR)]

    @staticmethod
    def _sentence(row: FindingDifference | LogDifference, word: str) -> str:
        return f"{begin_large(word)}: {_small_title(row)}, {_sizes(row)}"

    def table(self) -> pd.DataFrame:
        """One row per thing compared: what, before, after, difference, lower, upper, told apart, because, verdict."""
        columns = ["what", "unit", "before", "after", "difference", "lower", "upper", "told apart", "because"]
        rows: list[tuple[object, ...]] = [
            (r.quantity.title, r.quantity.unit, None, None, r.difference, r.lower, r.upper, r.told_apart, r.because)
            for r in self.logs
        ]
        rows += [
            (r.title, r.unit, r.before, r.after, r.difference, r.lower, r.upper, r.told_apart, r.because)
            for r in self.findings
        ]
        table = pd.DataFrame(rows, columns=columns)
        compared: list[FindingDifference | LogDifference] = [*self.logs, *self.findings]
        return table.assign(verdict=[verdict_of(row) for row in compared])


def verdict_of(row: FindingDifference | LogDifference) -> str:
    """Better, worse, changed (where neither way is the better one), within noise; or not compared.

    What only one side shows, or one side without an interval, is not compared.
    """
    if not row.told_apart:
        return WITHIN_NOISE if row.p_value == row.p_value else NOT_COMPARED
    name = _name(row)
    if name in MORE_IS_BETTER:
        return "better" if row.difference > 0 else "worse"
    if name in LESS_IS_BETTER:
        return "better" if row.difference < 0 else "worse"
    if name in NEAR_ZERO_IS_BETTER and isinstance(row, FindingDifference):
        return "better" if abs(row.after) < abs(row.before) else "worse"
    return "changed"


def _stops(side: Side) -> list[str]:
    """What stands at stop in the records of one side, each with its worst value; one sentence, or none."""
    found: dict[str, list[Finding]] = {}
    for finding in (f for record in side.records for f in record.findings if f.status == "stop"):
        found.setdefault(finding.id, []).append(finding)
    if not found:
        return []
    worst = [own[worst_of(own[0].title, [f.value or np.nan for f in own]) or 0] for own in found.values()]
    return [f"At stop with {side.name}: {list_names([f'{small(f.title)}{_against(f)}' for f in worst])}."]


def _against(finding: Finding) -> str:
    """A stopped value and its limit in brackets; empty where it has none."""
    if finding.value is None or finding.limit is None:
        return ""
    unit = SHOWN_UNITS.get(finding.unit, finding.unit)
    unit = "" if unit == "1" else unit if unit == "°" else f" {unit}"
    return f" {plain(finding.value, most=most_decimals(finding.unit))}{unit} (limit {finding.limit:g}{unit})"


def _name(row: FindingDifference | LogDifference) -> str:
    return row.id if isinstance(row, FindingDifference) else row.quantity.name


def _weight(row: FindingDifference | LogDifference) -> int:
    name = _name(row)
    return MAIN.index(name) if name in MAIN else len(MAIN)


def _small_title(row: FindingDifference | LogDifference) -> str:
    return small(row.title) if isinstance(row, FindingDifference) else row.quantity.title


def _sizes(row: FindingDifference | LogDifference, *, short: bool = False) -> str:
    """Before, after and what the change lies between, in plain numbers."""
    unit = row.quantity.unit if isinstance(row, LogDifference) else row.unit
    unit = SHOWN_UNITS.get(unit, unit)

    places = min(most_decimals(unit), _places(row))

    def change(value: float) -> str:
        return plain(value, sign=True, most=places)

    between = f"{change(row.lower)} to {change(row.upper)}"
    if isinstance(row, LogDifference):
        if short:
            return f"{change(row.difference)} {unit}, {between}"
        return f"by {change(row.difference)} {unit} ({between}) at {row.cells} operating points."
    if row.id == DROP_OUTS:
        return row.because
    sizes = " to ".join(plain(value, most=places) for value in (row.before, row.after))
    sizes += "" if unit == "1" else unit if unit == "°" else f" {unit}"
    if short:
        return sizes
    clear = not row.told_apart and (row.lower > 0 or row.upper < 0)
    doubt = ": clear on its own, but not after allowing for all that was compared" if clear else ""
    return f"from {sizes} (change {between}){doubt}."


def _places(row: FindingDifference | LogDifference) -> int:
    """Decimals that the larger of both sides needs for three digits, and no fewer than tell the change's ends apart."""
    ends = [end for end in (row.lower, row.upper) if np.isfinite(end)]
    sides = [row.difference, *ends] if isinstance(row, LogDifference) else [row.before, row.after]
    largest = max((abs(side) for side in sides if np.isfinite(side)), default=0.0)
    width = max(ends) - min(ends) if ends else 0.0
    digits = [2 - math.floor(math.log10(largest))] if largest > 0 else []
    digits += [-math.floor(math.log10(width))] if width > 0 else []
    return max(digits, default=0)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def compare(root: Path, before: str, after: str) -> Comparison:
    """Compare two sessions or two revisions of a workspace.

    Parameters
    ----------
    root : Path
        The workspace.
    before, after : str
        Names of sessions or of revisions; a revision stands for all its sessions that have logs.

    Raises
    ------
    WorkspaceError
        No such session or revision, or a revision that was never driven.
    """
    workspace = open_usable(root)
    records, left_out = stored_records(workspace)
    one, other = (_side(workspace, records, name) for name in (before, after))
    if one.sessions == other.sessions:
        raise _error(after, f"the same drives as {before}", "two different ones")
    changes: tuple[Difference, ...] = ()
    also: tuple[str, ...] = ()
    if len(one.revisions) == len(other.revisions) == 1 and one.revisions != other.revisions:
        old, new = (workspace.revisions[side.revisions[0]] for side in (one, other))
        changes = differences(old, new)
        also = way_between(old, new, workspace.revisions).sentences(new.name)
    logs = [[_log(workspace, records, name) for name in side.sessions] for side in (one, other)]
    visits = [[visits_of(side, workspace.car, quantity) for quantity in QUANTITIES] for side in logs]
    found = [[f for record in side.records for f in record.findings] for side in (one, other)]
    return Comparison(
        before=one,
        after=other,
        changes=changes,
        findings=_by_link_study(compare_findings(*found), workspace, (one, other), logs),
        logs=compare_visits(visits[0], visits[1], workspace.car),
        notes=(*_notes(one, other), *left_out),
        car=workspace.car,
        also=also,
    )


def _by_link_study(
    rows: tuple[FindingDifference, ...], workspace: Workspace, sides: tuple[Side, Side], logs: list[list[xr.Dataset]]
) -> tuple[FindingDifference, ...]:
    """Drop-outs compared as the link's own question compares them: two answers to one question would be one too many.

    Records keep rates and no counts, so the accounts are drawn up from the logs of both sides again.
    """
    if not any(row.id == DROP_OUTS and np.isfinite(row.before + row.after) for row in rows):
        return rows
    accounts = [
        [
            account_link(log, workspace.car, workspace.sessions[name].session, shortest_s=SHORTEST_S)
            for name, log in zip(side.sessions, own, strict=True)
        ]
        for side, own in zip(sides, logs, strict=True)
    ]
    change = compare_wirings(*accounts, factor=3.0, power=0.8, confidence=CONFIDENCE)
    return tuple(_of_change(row, change) if row.id == DROP_OUTS else row for row in rows)


def _of_change(row: FindingDifference, change: WiringChange) -> FindingDifference:
    ratio = change.ratio
    lower, upper = (row.before * (end - 1.0) for end in (ratio.lower, ratio.upper))
    apart = change.verdict != "not shown yet"
    because = f"from {row.before:.3g} to {row.after:.3g} {SHOWN_UNITS.get(row.unit, row.unit)}. {change.because}"
    return replace(row, lower=lower, upper=upper, p_value=ratio.p_value, told_apart=apart, because=because)


def _side(workspace: Workspace, records: Sequence[StoredRecord], name: str) -> Side:
    if name in workspace.unusable:
        raise WorkspaceError(name, workspace.unusable[name])
    sessions: tuple[str, ...]
    if name in workspace.sessions:
        sessions = (name,)
    elif name in workspace.revisions:
        driven = (n for n, folder in workspace.sessions.items() if folder.session.revision == name and folder.files)
        sessions = tuple(sorted(driven))
        if not sessions:
            raise _error(name, "a revision that no session with logs was driven with", "one that was driven")
    else:
        known = [*workspace.sessions, *workspace.revisions]
        raise _error(name, "neither a session nor a revision", "a name of one of this workspace", hint(name, known))
    revisions = tuple(sorted({workspace.sessions[session].session.revision for session in sessions}))
    return Side(name, sessions, revisions, tuple(r for r in records if r.session in sessions))


def _error(name: str, found: str, wanted: str, way_out: str = "") -> WorkspaceError:
    return WorkspaceError(name, [Problem(name, None, "", found, wanted, way_out)])


def _log(workspace: Workspace, records: Sequence[StoredRecord], session: str) -> xr.Dataset:
    """Give a session's flagged log: the record's, or read anew where there is none."""
    path = next((r.place / "log.nc" for r in records if r.session == session), None)
    if path is not None and path.exists():
        return read_log(path)
    return gather_evidence(OpenedSession(workspace, workspace.sessions[session])).log


def _notes(one: Side, other: Side) -> list[str]:
    notes = [ONE_DRIVE] if len(one.sessions) == 1 and len(other.sessions) == 1 else []
    for side in (one, other):
        missing = sorted(set(side.sessions) - {record.session for record in side.records})
        if missing:
            notes.append(f"Without a record, so compared by their logs only: {', '.join(missing)}.")
    return notes


def shown_changes(comparison: Comparison) -> list[str]:
    """Say what differs between the revisions of both sides."""
    before, after = comparison.before.revisions, comparison.after.revisions
    if before == after:
        return ["Both were driven with the same revision."]
    if len(before) != 1 or len(after) != 1:
        return ["Several revisions on one side."]
    found = [_capital(change.sentence) for change in comparison.changes] or ["No table of the revisions differs"]
    return [f"{sentence}." for sentence in (*found, *(begin_large(also) for also in comparison.also))]


def comparison_page(found: Comparison) -> str:
    """Write a comparison as one HTML page that asks for nothing from any network.

    Parameters
    ----------
    found : Comparison
        Before against after; what is more than noise comes first, and what could not be compared is said as well.
    """
    table = found.table()
    rows: list[FindingDifference | LogDifference] = [*found.logs, *found.findings]
    table = table.loc[np.array([not _name(row).startswith(NOT_OF_THE_CAR) for row in rows], dtype=bool)]
    order = {word: place for place, word in enumerate(VERDICTS)}
    compared = table[table["verdict"] != NOT_COMPARED]
    compared = compared.sort_values("verdict", key=lambda words: words.map(order), kind="stable")
    alone = table[(table["verdict"] == NOT_COMPARED) & table[["before", "after"]].notna().any(axis=1)]
    values = {
        "title": f"{found.after.name} against {found.before.name}",
        "sides": [("Before", _words(found.before)), ("After", _words(found.after))],
        "changes": shown_changes(found),
        "head": found.sentences()[0],
        "sentences": found.sentences()[1:],
        "differences": table_item(compared.drop(columns=["because", "told apart"])),
        "alone": table_item(alone[["what", "unit", "before", "after"]]),
        "cautions": cautions_for(found.car),
    }
    return fill("comparison.html", [], values)


def _words(side: Side) -> str:
    return f"{side.name}: sessions {', '.join(side.sessions)}; revision {', '.join(side.revisions)}"
