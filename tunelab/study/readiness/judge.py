"""Every gate judged over all drives that still count for the revision in the car, and what follows for the car."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd

from tunelab.study.finding import Finding, Status, shows_its_table
from tunelab.study.readiness.gate import BY_METER, GATES, LOWER_IS_WORSE, Drive, Gate, passes_limit, share_used
from tunelab.study.readiness.stale import Emptied, Now, asked, why_emptied, why_touched
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

Verdict = Literal["may run", "may run within bounds", "may not run", "not shown"]
WORST = {"met": 0, "watch": 1, "not_shown": 2, "stop": 3}
NO_CERTIFICATE = (
    "This says what the logs show against the owner's limits, and nothing else. It is evidence, no certificate: "
    "brakes, tyres, leaks, bolts and whatever no sensor saw are not in it, nor a day that is unlike the days driven. "
    "Driver, owner and the event's scrutineers decide."
)
BELOW_BREACH_RPM = 200.0  # kept free below the lowest engine speed at which a limit was passed
LEAST_USEFUL_SHARE = 0.6  # of the rev limit; a bound below it is no way to run
NEARLY_LIMIT_RPM = 150.0  # full throttle driven to within this of the limit counts as driven to the limit


@dataclass(frozen=True)
class GateState:
    """How one gate stands."""

    gate: Gate
    status: Status
    because: str
    finding: Finding | None  # the one that decides
    record: str  # where it comes from; empty where nothing was shown
    emptied: tuple[Emptied, ...] = ()
    carried: bool = False  # shown with an earlier revision and not touched since
    to_show: bool = False  # at stop, what may have cured it is in the car, and a drive has to show it
    date: datetime.date | None = None  # of the drive


@shows_its_table
@dataclass(frozen=True)
class Readiness:
    """Whether the logs show that the car may run with one revision in it."""

    revision: str
    verdict: Verdict
    because: str
    bounds: tuple[str, ...]  # what holds while it runs
    gates: tuple[GateState, ...]
    asked: tuple[str, ...] = ()  # what the owner's revisions leave unsaid, with where to write it
    caution: str = NO_CERTIFICATE

    def table(self) -> pd.DataFrame:
        """One row per gate: gate, status, value, unit, limit, record, because."""
        rows = [
            {
                "gate": state.gate.title,
                "status": state.status,
                "value": state.finding.value if state.finding else None,
                "unit": state.finding.unit if state.finding else "",
                "limit": state.finding.limit if state.finding else None,
                "record": state.record,
                "because": state.because,
            }
            for state in self.gates
        ]
        return pd.DataFrame(rows)

    def margins(self) -> pd.DataFrame:
        """Gates that were compared with a limit or wait for a drive, the most pressing first.

        `gate` (its name), `title`, `status`, `id` (of the finding that decides), `value`, `unit`, `limit`, `is_least`
        (the limit is a minimum), `used_pct` and `reach_pct`: how much of the limit is used, and at the end of the
        interval, and `step`, what to drive to show it. Of a gate that is not shown all numbers are NaN.
        """
        rows = [_margin(state) for state in self.gates]
        names = [
            "gate",
            "title",
            "status",
            "id",
            "value",
            "unit",
            "limit",
            "is_least",
            "used_pct",
            "reach_pct",
            "step",
        ]
        table = pd.DataFrame(rows, columns=names)
        table = table[table["used_pct"].notna() | table["status"].eq("not_shown")]
        order = table["status"].map(WORST)
        by = table.assign(order=order).sort_values(["order", "used_pct"], ascending=False, kind="stable")
        return by.drop(columns="order").reset_index(drop=True)

    def left(self) -> tuple[GateState, ...]:
        """Gates that are neither met nor in doubt only."""
        return tuple(state for state in self.gates if state.status in ("stop", "not_shown"))

    def summary(self) -> pd.DataFrame:
        """One row per status with the number of gates."""
        counts = [(status, sum(state.status == status for state in self.gates)) for status in WORST]
        return pd.DataFrame(counts, columns=["status", "gates"])


def _margin(state: GateState) -> tuple[object, ...]:
    found = None if state.status == "not_shown" else state.finding
    if found is None:
        nan = (math.nan, "", math.nan, False, math.nan, math.nan)
        return state.gate.name, state.gate.title, state.status, "", *nan, next(iter(state.gate.steps), "")
    said = (found.id, found.value, found.unit, found.limit, found.id in LOWER_IS_WORSE)
    return state.gate.name, state.gate.title, state.status, *said, *share_used(found), next(iter(state.gate.steps), "")


FRESH = Gate("fresh", "Driven since the last change", (), steps=("steady",))


def judge_readiness(
    drives: Sequence[Drive],
    car: Car,
    revisions: Mapping[str, Revision],
    revision: str,
    *,
    gates: tuple[Gate, ...] = GATES,
) -> Readiness:
    """Judge every gate for the revision that is in the car now.

    Parameters
    ----------
    drives : sequence of Drive
        Recorded drives, of any revision; the order does not matter.
    car : Car
        The owner's limits.
    revisions : mapping
        All revisions by name.
    revision : str
        The one in the car.
    gates : tuple of Gate
        Which gates to judge.

    Raises
    ------
    KeyError
        No such revision.
    """
    if revision not in revisions:
        raise KeyError(f"no revision {revision!r}; there are: {', '.join(sorted(revisions)) or 'none'}.")
    ordered = sorted(drives, key=lambda drive: (drive.date, drive.record))
    now = Now(car, revisions, revision, ordered[-1].wiring if ordered else "")
    readiness = _conclude(judge_gates(ordered, now, gates), ordered, car, revisions[revision])
    return replace(readiness, asked=asked([drive.revision for drive in ordered], now))


def judge_gates(ordered: list[Drive], now: Now, gates: tuple[Gate, ...] = GATES) -> tuple[GateState, ...]:
    """Judge every gate over drives in the order they were driven, and whether the last change was driven at all."""
    states = [_judge(gate, ordered, now) for gate in gates if gate.name not in BY_METER or now.car.has_meter]
    return (*states, _freshness(ordered, now.revision, states))


def _judge(gate: Gate, drives: list[Drive], now: Now) -> GateState:
    missing = [key for key in gate.limits if getattr(now.car.limits, key, None) is None]
    if missing:
        because = f"car.toml states no limit to compare it with: limits.{missing[0]}."
        return GateState(gate, "not_shown", because, None, "")
    valid, gone = [], []
    for drive in drives:
        if not any(_shown(drive, name) for name in (*gate.ids, *gate.also)):
            continue
        why = why_emptied(gate, drive, now)
        if why:
            gone.append((drive, why))
        else:
            valid.append(drive)
    emptied = [why for _, why in gone]
    absent = [name for name in gate.ids if not any(_shown(drive, name) for drive in valid)]
    found = [_said(gate, valid, name) for name in (*gate.ids, *gate.also) if name not in absent]
    worst = max((item for item in found if item), key=lambda item: _badness(item[0], item[1]), default=None)
    standing = _standing(gate, drives, gone, now) if gate.lasting and (worst is None or worst[0] != "stop") else None
    if standing:
        return standing
    if worst is None or (absent and worst[0] != "stop"):
        because = _why_absent(gate, drives, absent or list(gate.also), emptied)
        return GateState(gate, "not_shown", because, None, "", tuple(emptied))
    status, finding, drive, note = worst
    carried = drive.revision != now.revision
    because = (
        finding.because
        + _others([item for item in found if item and item[1] is not finding], status)
        + note
        + (f" Shown with {drive.revision}; no change that is written down touches it." if carried else "")
    )
    return GateState(gate, status, because, finding, drive.record, tuple(emptied), carried, date=drive.date)


def _badness(status: Status, finding: Finding) -> tuple[int, float]:
    """How bad a finding is: its status first, then how much of its limit it used at most."""
    return WORST[status], max((share for share in share_used(finding) if math.isfinite(share)), default=0.0)


def _others(found: Sequence[Said], status: Status) -> str:
    """Name the gate's other findings that stand as badly as the one shown; nothing where all is met."""
    alike = [(finding, drive) for other, finding, drive, _ in found if other == status and status != "met"]
    told = [f"{f.title} {f.value:.3g} {f.unit} (limit {f.limit:g}) in {d.record}" for f, d in alike if f.limit]
    return f" Also: {'; '.join(told)}." if told else ""


def _standing(gate: Gate, drives: list[Drive], gone: list[tuple[Drive, Emptied]], now: Now) -> GateState | None:
    """Give the newest lasting stop that no drive has ended, though its own drive does not count any more.

    A stop ends when a change that is written down touches its gate and a later drive with that change shows the gate
    met, with an interval.
    """
    for drive, why in reversed(gone):
        stops = [f for f in map(drive.finding, (*gate.ids, *gate.also)) if f is not None and f.status == "stop"]
        if not stops or why_touched(gate, drive, now) is None:  # compared with another limit: to be recorded again
            continue
        open_ = [f for f in stops if not _is_ended(gate, drive, f.id, drives, now)]
        if not open_:
            continue
        emptied = tuple(item for _, item in gone)
        what = f"{open_[0].because} That was {drive.record}, with {drive.revision}"
        if why.may_cure:
            because = f"{what}; since then {why.because}. No later drive shows it met yet. {why.way_out}"
        else:
            because = f"{what}, and no change that could have ended it is written down: {why.because}. {why.way_out}"
        return GateState(gate, "stop", because, open_[0], drive.record, emptied, to_show=why.may_cure, date=drive.date)
    return None


def _is_ended(gate: Gate, stopped: Drive, name: str, drives: list[Drive], now: Now) -> bool:
    """Whether a later drive shows a finding met, with interval, under a written change that touches its gate."""
    for drive in drives[drives.index(stopped) + 1 :]:
        finding = drive.finding(name)
        if finding is None or finding.status != "met" or None in (finding.lower, finding.upper):
            continue
        if drive.revision in now.revisions:
            then = replace(now, revision=drive.revision, wiring=drive.wiring)
            why = why_touched(gate, stopped, then)
            if why is not None and why.may_cure:
                return True
    return False


def _shown(drive: Drive, name: str) -> bool:
    finding = drive.finding(name)
    return finding is not None and finding.status != "not_shown"


Said = tuple[Status, Finding, Drive, str]  # a note at the end
MOST_OF_A_DRIVE = (
    "limits.",
    "full_throttle.",
)  # findings that hold the worst of a drive: a gentler drive takes none back
# Of these, those that later drives of the revision measure together with the earlier ones.
OVER_DRIVES = ("full_throttle.lambda_error", "full_throttle.rich_error")


def _said(gate: Gate, valid: list[Drive], name: str) -> Said | None:
    """Give what the drives say of a finding: its worst of all of them, or the newest estimate; no stop is forgotten."""
    found = [(drive, drive.finding(name)) for drive in valid]
    said = [(drive, one) for drive, one in found if one is not None and one.status != "not_shown"]
    if not said:
        return None
    drive, finding = said[-1]
    stops = [(d, f) for d, f in said[:-1] if f.status == "stop"]
    if not stops or finding.status == "stop":
        if name.startswith(MOST_OF_A_DRIVE):  # of an earlier revision only where the newest drive is of one
            own = [one for one in said if one[0].revision == drive.revision]
            own = own[-1:] if name in OVER_DRIVES and _holds_all(own) else own
            drive, finding = max(own, key=lambda one: (*_badness(one[1].status, one[1]), one[0].date))
        return finding.status, finding, drive, ""
    earlier, stopped = max(stops, key=lambda one: _badness(one[1].status, one[1]))
    if gate.lasting:
        note = (
            f" The stop stays: {drive.record} did not show it again, but nothing that touches it was changed since. "
            "If you changed spark or anything else since, note it under also_changed in the revision file."
        )
        return "stop", stopped, earlier, note
    read = f"{stopped.value:.4g} {stopped.unit}" if stopped.value is not None else "none"
    note = f" {earlier.record} came to a stop here ({read}); with the same revision, so look what changed."
    return "watch", finding, drive, note


def _holds_all(own: list[tuple[Drive, Finding]]) -> bool:
    """Whether the newest finding rests on the readings of the earlier ones too: it has more than each of them."""
    return all(own[-1][1].samples_used > finding.samples_used for _, finding in own[:-1])


def _why_absent(gate: Gate, drives: list[Drive], absent: list[str], emptied: list[Emptied]) -> str:
    steps = " or ".join(gate.steps)
    if emptied:
        return f"{emptied[-1].record} showed it, but {emptied[-1].because}. {emptied[-1].way_out}"
    said = [found for name in absent for drive in reversed(drives) if (found := drive.finding(name))]
    if said:
        return f"{said[0].title}: {said[0].because}"
    return f"No record shows it. Drive the step {steps} and record it."


def _freshness(drives: list[Drive], revision: str, states: list[GateState]) -> GateState:
    own = [drive for drive in drives if drive.revision == revision]
    if not own:
        because = f"Nothing was driven and recorded with {revision} yet."
        return GateState(FRESH, "not_shown", because, None, "")
    failed = [drive.record for drive in own if drive.failed]
    carried = [state.gate.title.lower() for state in states if state.carried]
    if failed or carried:
        parts = [f"an analysis of {', '.join(failed)} failed"] if failed else []
        parts += [f"shown with an earlier revision, and not touched since: {', '.join(carried)}"] if carried else []
        return GateState(FRESH, "watch", f"{'; '.join(parts)}.", None, own[-1].record)
    return GateState(FRESH, "met", f"All of it was shown with {revision}.", None, own[-1].record)


def _conclude(states: tuple[GateState, ...], drives: list[Drive], car: Car, revision: Revision) -> Readiness:
    limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    bounds: list[str] = []
    stops: list[str] = []
    missing: list[str] = []
    for state in states:
        if state.status == "stop":
            bound = _bound_of_stop(state, drives, limit)
            (bounds if bound else stops).append(bound or f"{state.gate.title}: {state.because}")
        elif state.status == "not_shown":
            (bounds if state.gate.lacking else missing).append(state.gate.lacking or state.gate.title.lower())
        elif state.gate.stop_bounds and state.finding and passes_limit(state.finding):
            bounds.append(state.gate.lacking)
    if not stops and not missing:
        bounds += _speed_driven(states, drives, limit)
    verdict, because = _verdict(stops, missing, bounds)
    return Readiness(revision.name, verdict, because, tuple(dict.fromkeys(bounds)), states)


def _verdict(stops: list[str], missing: list[str], bounds: list[str]) -> tuple[Verdict, str]:
    if stops:
        return "may not run", " ".join(stops)
    if missing:
        return "not shown", f"No evidence that counts for: {', '.join(missing)}."
    if bounds:
        return "may run within bounds", "All mandatory checks pass; the others set conditions."
    return "may run", "Every gate is met."


def _bound_of_stop(state: GateState, drives: list[Drive], limit_rpm: float) -> str:
    """Bound within which the car may run in spite of a stop; empty where there is none."""
    if state.gate.stop_bounds:
        return state.gate.lacking
    if not state.gate.by_speed or state.finding is None:
        return ""
    speeds = [
        b.engine_speed_rpm
        for d in drives
        for b in d.breaches
        if d.record == state.record and b.check == state.finding.title
    ]
    if not speeds:
        return ""
    most = 100 * math.floor((min(speeds) - BELOW_BREACH_RPM) / 100)
    if most < LEAST_USEFUL_SHARE * limit_rpm:
        return ""
    return f"Rev limit {most:.0f} rpm: {state.gate.title.lower()} passed its limit from {min(speeds):.0f} rpm on."


def _speed_driven(states: tuple[GateState, ...], drives: list[Drive], limit_rpm: float) -> list[str]:
    """Bound full throttle to the engine speed that was driven."""
    records = {state.record for state in states if state.gate.region == "full"}
    tops = [d.reach.full_top_rpm for d in drives if d.record in records and d.reach.full_top_rpm is not None]
    if not tops or max(tops) >= limit_rpm - NEARLY_LIMIT_RPM:
        return []
    most = 50 * math.floor(max(tops) / 50)
    return [
        f"Rev limit {most:.0f} rpm at full throttle: nothing above was driven, and the limit is {limit_rpm:.0f} rpm."
    ]
