"""Whether the logs show that the car may run: gates, bounds, and what is left to drive before a day."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd
import scipy

from tunelab.study.finding import CONFIDENCE, Status, counted, shows_its_table
from tunelab.study.readiness.gate import GATES, Breach, Drive, Reach, reach_of
from tunelab.study.readiness.judge import GateState, Readiness, judge_gates, judge_readiness
from tunelab.study.readiness.stale import Now
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

__all__ = [
    "GATES", "Breach", "Drive", "GateState", "Plan", "Reach", "Readiness", "judge_readiness", "plan_to_event",
    "reach_of",
]  # fmt: skip


@dataclass(frozen=True)
class Calendar:
    """The days that matter."""

    today: datetime.date
    event: datetime.date
    until: datetime.date  # last day on which the car can be worked on and driven before the event
    swap_days: int  # days that it takes to put the old parts back in and to try them


@dataclass(frozen=True)
class Closing:
    """How often a drive closed a gap so far: one step's gates, or all where a step has closed none."""

    step: str
    gaps_closed: int
    drives: int  # that could have closed one
    drives_per_gap: float  # NaN where none was closed
    lower: float
    upper: float  # inf where the drives so far cannot bound it
    pooled: bool  # counted over all steps, because this one has closed none yet


@shows_its_table
@dataclass(frozen=True)
class Plan:
    """What is left and whether it fits before the event."""

    calendar: Calendar
    left: tuple[str, ...]  # gates
    closings: tuple[Closing, ...]  # one per step that is left
    days_between: float  # median, between days of driving so far; NaN with fewer than two
    drives: float  # that are likely to be needed; NaN where not shown
    drives_lower: float
    drives_upper: float
    ready_on: datetime.date | None
    decide_by: datetime.date | None  # last day on which what is left would still fit before `until`
    old_parts_by: datetime.date  # day on which the old parts must go back in to make the event
    sentences: tuple[str, ...]

    def table(self) -> pd.DataFrame:
        """One row per step that is left: gaps closed so far, drives, drives per gap with interval."""
        names = ["step", "gaps_closed", "drives", "drives_per_gap", "lower", "upper", "pooled"]
        return pd.DataFrame([{name: getattr(c, name) for name in names} for c in self.closings], columns=names)


def plan_to_event(
    drives: Sequence[Drive], car: Car, revisions: Mapping[str, Revision], readiness: Readiness, calendar: Calendar
) -> Plan:
    """Hold what is left against the days that are left.

    The chance that a drive closes a gap is taken to be the same for every drive of a step; its interval is the exact
    binomial one (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404).

    Raises
    ------
    ValueError
        Days in a wrong order.
    """
    _check(calendar)
    ordered = sorted(drives, key=lambda drive: (drive.date, drive.record))
    left = readiness.left()
    counted = _count(ordered, car, revisions)
    steps = list(dict.fromkeys(state.gate.steps[0] for state in left if state.gate.steps))
    closings = tuple(_closing(step, counted) for step in steps)
    days = _days_between(ordered)
    likely, lower, upper = (sum(getattr(c, n) for c in closings) for n in ("drives_per_gap", "lower", "upper"))
    span = likely * days
    known = bool(closings) and math.isfinite(span)
    ready = calendar.today + datetime.timedelta(days=math.ceil(span)) if known else None
    decide = calendar.until - datetime.timedelta(days=math.ceil(span)) if known else None
    old = _old_parts_by(calendar)
    plan = Plan(
        calendar, tuple(state.gate.title for state in left), closings, days, float(likely), float(lower), float(upper),
        ready, decide, old, (),
    )  # fmt: skip
    return replace(plan, sentences=tuple(_sentences(plan)))


def _old_parts_by(calendar: Calendar) -> datetime.date:
    """Last day on which to begin with the old parts, so that they are in and tried by `until` and before the event."""
    done_until = calendar.until - datetime.timedelta(days=max(calendar.swap_days - 1, 0))
    return min(done_until, calendar.event - datetime.timedelta(days=calendar.swap_days))


def _check(calendar: Calendar) -> None:
    if calendar.until > calendar.event:
        raise ValueError(f"--until {calendar.until} lies after the event on {calendar.event}; name a day before it.")
    if calendar.event < calendar.today:
        raise ValueError(f"the event on {calendar.event} is over; today is {calendar.today}.")
    if calendar.swap_days < 0:
        raise ValueError(f"swap_days is {calendar.swap_days}; wanted 0 or more days.")


def _count(drives: list[Drive], car: Car, revisions: Mapping[str, Revision]) -> dict[str, tuple[int, int]]:
    """Gaps closed and drives that could have closed one, by step: every drive judged as of its own day."""
    closed: dict[str, int] = {}
    tried: dict[str, int] = {}
    before: dict[str, Status] = {}
    first = Now(car, revisions, "", "")
    for number, drive in enumerate(drives):
        if drive.revision not in revisions:
            continue
        as_of = replace(first, revision=drive.revision, wiring=drive.wiring)
        states = judge_gates(drives[: number + 1], as_of)
        now = {state.gate.name: state.status for state in states}
        for gate in (gate for gate in GATES if gate.ids and gate.name in now):  # the others are answered by any drive
            is_open = before.get(gate.name, "not_shown") in ("stop", "not_shown")
            if is_open and set(gate.steps) & set(drive.steps):
                tried[gate.steps[0]] = tried.get(gate.steps[0], 0) + 1
                closed[gate.steps[0]] = closed.get(gate.steps[0], 0) + (now[gate.name] in ("met", "watch"))
        before = now
    return {step: (closed.get(step, 0), tried[step]) for step in tried}


def _closing(step: str, counted: Mapping[str, tuple[int, int]]) -> Closing:
    gaps, drives = counted.get(step, (0, 0))
    pooled = gaps == 0
    if pooled:
        gaps, drives = (sum(pair[k] for pair in counted.values()) for k in (0, 1))
    if gaps == 0:
        return Closing(step, 0, drives, float("nan"), 1.0, float("inf"), pooled)
    low, high = scipy.stats.binomtest(gaps, drives).proportion_ci(CONFIDENCE, method="exact")
    return Closing(step, gaps, drives, drives / gaps, 1 / high, 1 / low if low > 0 else float("inf"), pooled)


def _days_between(drives: list[Drive]) -> float:
    days = sorted({drive.date for drive in drives})
    gaps = [(b - a).days for a, b in pairwise(days)]
    return float(np.median(gaps)) if gaps else float("nan")


def _sentences(plan: Plan) -> list[str]:
    calendar = plan.calendar
    to_go = (calendar.until - calendar.today).days
    found = [
        f"{_counted(max(to_go, 0), 'day')} left to work and drive, until {calendar.until}; the event is on "
        f"{calendar.event}."
    ]
    old = f"To make the event with the old parts, they must go back in on {plan.old_parts_by} at the latest"
    old += f" ({_counted(calendar.swap_days, 'day')} counted to put them in and try them)."
    if not plan.left:
        return [*found, "Nothing is left to show.", old]
    found.append(f"Left to show: {', '.join(plan.left)}.")
    if plan.ready_on is None:
        why = (
            "no gap has been closed so far"
            if not math.isfinite(plan.drives)
            else "there was only one day of driving so far"
        )
        return [*found, f"How long that takes is not shown: {why}.", old]
    for closing in plan.closings:
        over = " (over all steps; this one has closed none yet)" if closing.pooled else ""
        found.append(_pace_words(closing, over))
    found.append(
        f"About {counted(round(plan.drives), 'drives')} (between {plan.drives_lower:.0f} and "
        f"{_many(plan.drives_upper)}), one every {_counted(plan.days_between, 'day')} as so far: about "
        f"{plan.ready_on}, if each drive goes to one step."
    )
    if plan.ready_on > calendar.until:
        found.append(f"At that pace it does not fit before {calendar.until}. The day to decide was {plan.decide_by}.")
    else:
        found.append(f"If nothing more is shown by {plan.decide_by}, at that pace it no longer fits: decide then.")
    return [*found, old]


def _pace_words(closing: Closing, over: str) -> str:
    """How many drives an open point took so far."""
    step = f"{closing.step[:1].upper()}{closing.step[1:]}"
    if closing.drives == closing.gaps_closed:
        each = f"each of {_counted(closing.gaps_closed, 'open point')} took one drive"
        each = "the one open point took one drive" if closing.gaps_closed == 1 else each
    else:
        each = f"{_counted(closing.gaps_closed, 'open point')} closed in {counted(closing.drives, 'tries')}"
    return (
        f"{step}: so far {each}{over}; expect {closing.drives_per_gap:.2g} for one (between "
        f"{closing.lower:.1f} and {_many(closing.upper)})."
    )


def _counted(number: float, what: str) -> str:
    return f"{number:g} {what}{'' if number == 1 else 's'}"


def _many(value: float) -> str:
    return "many" if not math.isfinite(value) else f"{value:.0f}"
