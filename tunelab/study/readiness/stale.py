"""Which drives do not count any more, and why: a revision, another wiring or another limit came after them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tunelab.study.readiness.drive import Drive
from tunelab.study.readiness.gate import Gate
from tunelab.study.readiness.limit import MEASURED_FROM, other_limit, other_setting
from tunelab.study.revision_change import curve_difference, dead_time_difference, differences
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision


@dataclass(frozen=True)
class Emptied:
    """A drive that answered a gate and does not any more."""

    record: str
    because: str
    way_out: str


@dataclass(frozen=True)
class Now:
    """What drives are held against: the car as it is."""

    car: Car
    revisions: Mapping[str, Revision]
    revision: str  # in the car
    wiring: str  # in the car


def why_emptied(gate: Gate, drive: Drive, now: Now) -> Emptied | None:
    """Say why a drive does not count for a gate any more; None where it does."""
    if because := why_touched(gate, drive, now):
        return Emptied(drive.record, because, f"Drive the step {' or '.join(gate.steps)} again.")
    found = [f for f in map(drive.finding, (*gate.ids, *gate.also)) if f is not None and f.status != "not_shown"]
    for finding in found:
        whole = drive.finding(MEASURED_FROM[finding.id][0]) if finding.id in MEASURED_FROM else None
        if because := other_limit(finding, now.car) or other_setting(finding, whole, now.car):
            return Emptied(drive.record, because, "Record that session again.")
    return None


def why_touched(gate: Gate, drive: Drive, now: Now) -> str:
    """Say what was changed since that touches a gate; empty where nothing was.

    What counts is what the two revisions hold, where the drive went: a curve changed only at high flow leaves the idle
    as it was shown.
    """
    if "wiring" in gate.touched_by and drive.wiring != now.wiring:
        return f"another wiring was in the car: {drive.wiring or 'not named'}"
    before, after = now.revisions.get(drive.revision), now.revisions[now.revision]
    if before is None:
        return f"its revision {drive.revision} is not in the workspace"
    if drive.revision == now.revision:
        return ""
    found = [
        d for d in differences(before, after) if d.part in gate.touched_by and d.part not in ("curve", "dead_time")
    ]
    found = [d for d in found if d.part != "rev_limit" or d.change > 0]
    if "curve" in gate.touched_by:
        found.append(curve_difference(before, after, drive.reach.readings_of(gate.region)))
    if "dead_time" in gate.touched_by:
        found.append(dead_time_difference(before, after, drive.reach.battery_v))
    sentences = [difference.sentence for difference in found if difference is not None]
    return f"{now.revision} changed it: {'; '.join(sentences)}" if sentences else ""
