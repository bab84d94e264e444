"""Stretches of full throttle, one quantity compared with one limit over all of them, and what a watch over limits
returns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import row_step_s, runs
from tunelab.study.delay import DelayFit
from tunelab.study.finding import CONFIDENCE, NORMAL_95, Finding, Status, shows_its_table, status_within
from tunelab.study.pull_result import PullSet
from tunelab.workspace.car import stated

# Common practice, no source.
SHORTEST_S = 0.5


@dataclass(frozen=True)
class Stretch:
    """One stretch of full throttle, from the row at which it opened."""

    number: int
    first: int
    last: int  # included
    start_s: float
    end_s: float
    pull: int  # number of the pull that lies in it; 0 where none does

    @property
    def rows(self) -> slice:
        """Rows of the stretch."""
        return slice(self.first, self.last + 1)

    @property
    def name(self) -> str:
        """How a reader finds it."""
        return f"pull {self.pull}" if self.pull else f"full throttle at {self.start_s:.1f} s"


def full_throttle_stretches(log: xr.Dataset, is_full: np.ndarray, pulls: PullSet) -> tuple[Stretch, ...]:
    """Stretches of full throttle of half a second and more, in the order driven.

    Parameters
    ----------
    log : Dataset
        Any log.
    is_full : bool array, shape (time,)
        Rows at full throttle.
    pulls : PullSet
        Pulls of the same log.
    """
    time, step = log["time"].values, row_step_s(log)
    found = [(a, b) for a, b in runs(is_full) if (b - a) * step >= SHORTEST_S]
    stretches = []
    for k, (a, b) in enumerate(found, start=1):
        own = next((p.number for p in pulls.full if p.first < b and p.last >= a), 0)
        stretches.append(Stretch(k, a, b - 1, float(time[a]), float(time[b - 1]), own))
    return tuple(stretches)


SMOOTH_S = 0.25  # one wild reading is no breach: what counts is the mean over this long
SHORTEST_BREACH_S = 0.1
NEVER_MOVED = (
    "The reading never changed in this log, so the sensor may be dead; a log in which it moves, this "
    "one or another of the same car, would show that it is alive."
)


@dataclass(frozen=True)
class Quantity:
    """What is checked, as the finding will name it."""

    id: str
    title: str
    unit: str
    limit: float | None
    limit_key: str  # where the owner states it
    worse: Literal["higher", "lower"]
    lift: bool  # whether a driver should lift at a breach; False: it is a matter for the next revision
    worst_status: Status = "stop"
    never_below: float = float("-inf")  # what the quantity cannot fall below by its nature
    smooth_s: float = SMOOTH_S  # what counts is the mean over this long
    channel: str = ""  # whose readings are held as they are, or as their rise

    @property
    def bound(self) -> float:
        """The limit, to what cannot do without one; ValueError where the owner states none."""
        return stated(self.limit, f"{self.limit_key} in car.toml")


@dataclass(frozen=True)
class Breach:
    """A stretch of time beyond a limit."""

    check: str
    stretch: str
    start_s: float  # when it began, on the log's clock
    end_s: float
    seen_s: float  # when the driver could have seen it
    engine_speed_rpm: float
    worst: float
    lift: bool


@dataclass(frozen=True)
class Check:
    """Outcome of one quantity. NaN where it was not logged."""

    quantity: Quantity
    value: float
    lower: float
    upper: float
    at_s: float
    stretch: str
    engine_speed_rpm: float
    breaches: tuple[Breach, ...]
    samples_used: int
    samples_flagged: int
    because: str

    @property
    def moved(self) -> bool:
        """Whether the reading ever changed; one that did not cannot be distinguished from a dead sensor's."""
        return bool(np.isfinite(self.lower + self.upper))

    @property
    def status(self) -> Status:
        """Compared with the limit by the one rule of every study; inside it and never moved: not shown."""
        limit, bound = self.quantity.limit, "most" if self.quantity.worse == "higher" else "least"
        if not np.isfinite(self.value) or limit is None:
            return "not_shown"
        if not self.moved and self.margin >= 0:
            return "not_shown"
        return status_within(self.value, self.lower, self.upper, **{bound: limit}, beyond=self.quantity.worst_status)

    @property
    def margin(self) -> float:
        """How far inside the limit; negative beyond it, NaN without one."""
        if self.quantity.limit is None:
            return float("nan")
        sign = 1.0 if self.quantity.worse == "higher" else -1.0
        return sign * (self.quantity.limit - self.value)

    def finding(self) -> Finding:
        """Build the check as a finding."""
        q, counts = self.quantity, (self.samples_used, self.samples_flagged)
        if self.status == "not_shown":
            return Finding(q.id, q.title, None, q.unit, None, None, None, *counts, "not_shown", q.limit, self.because)
        known = bool(np.isfinite(self.lower + self.upper))
        lower, upper, sure = (self.lower, self.upper, CONFIDENCE) if known else (None, None, None)
        numbers = (self.value, q.unit, lower, upper, sure)
        return Finding(q.id, q.title, *numbers, *counts, self.status, q.limit, self.because)


@dataclass(frozen=True)
class Series:
    """Readings of one quantity inside full throttle. Shapes (readings,)."""

    time: np.ndarray  # s: the moment that the reading speaks of
    seen: np.ndarray  # s: when it was to be seen
    value: np.ndarray
    rpm: np.ndarray
    stretch: np.ndarray  # number of the stretch, from 1
    flagged: int  # readings inside full throttle that were not to be trusted
    step: float  # smallest step between two readings of the log; NaN where they never differ


def hold_against(quantity: Quantity, series: Series, stretches: tuple[Stretch, ...]) -> Check:
    """Find the worst mean over SMOOTH_S, its interval from scatter and half a step of the reading, and every breach.

    A reading that never moved has no interval. What lies past the limit has a breach, however few its readings are.
    """
    if series.value.size == 0:
        return missing(quantity, "no reading to be trusted at full throttle", series.flagged)
    smooth, spread = _smooth(series, quantity.smooth_s)
    pick = int(np.argmax(smooth) if quantity.worse == "higher" else np.argmin(smooth))
    half = float(np.hypot(NORMAL_95 * spread[pick], series.step / 2))
    where = stretches[int(series.stretch[pick]) - 1]
    at, rpm, value = float(series.time[pick]), float(series.rpm[pick]), float(smooth[pick])
    breaches = () if quantity.limit is None else _breaches(quantity, series, smooth, stretches, pick)
    text = f"worst in {where.name}, {at - where.start_s:.1f} s after opening ({at:.1f} s), {rpm:.0f} rpm"
    if quantity.limit is None:
        text = f"{value:.3g} {quantity.unit}, {text}; no limit is stated ({quantity.limit_key} in car.toml)."
    elif breaches:
        total = sum(b.end_s - b.start_s for b in breaches)
        often = {1: "once", 2: "twice"}.get(len(breaches), f"{len(breaches)} times")
        text = f"{text}; beyond the limit {often}, {total:.1f} s in all."
    else:
        text = f"{text}."
    if not np.isfinite(half):
        text = f"{value:.4g} {quantity.unit} throughout, {text} {NEVER_MOVED}"
    return Check(
        quantity,
        value,
        max(value - half, quantity.never_below),
        value + half,
        at,
        where.name,
        rpm,
        breaches,
        series.value.size,
        series.flagged,
        text,
    )


def _smooth(series: Series, smooth_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Centred means over `smooth_s` within a stretch, and their standard errors; shapes (readings,)."""
    mean, error = np.empty(series.value.size), np.empty(series.value.size)
    for number in np.unique(series.stretch):
        inside = series.stretch == number
        time, value = series.time[inside], series.value[inside]
        first = np.searchsorted(time, time - smooth_s / 2 - 1e-9)
        last = np.searchsorted(time, time + smooth_s / 2 + 1e-9)
        total = np.append(0.0, np.cumsum(value))
        count = last - first
        mean[inside] = (total[last] - total[first]) / count
        error[inside] = _scatter(value) / np.sqrt(count)
    return mean, error


def _scatter(value: np.ndarray) -> float:
    """Standard deviation of reading-to-reading noise, from second differences; 0 with fewer than four readings."""
    if value.size < 4:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(value, 2))) / np.sqrt(6))


def _breaches(
    quantity: Quantity, series: Series, smooth: np.ndarray, stretches: tuple[Stretch, ...], worst: int
) -> tuple[Breach, ...]:
    """Runs of readings past the limit; a reading lasts until the next. Short ones count only if they hold the worst."""
    sign = 1.0 if quantity.worse == "higher" else -1.0
    beyond = sign * (smooth - quantity.bound) > 0
    new = np.diff(series.stretch, prepend=-1) != 0
    until = np.array([stretches[int(number) - 1].end_s for number in series.stretch])
    until[:-1] = np.where(new[1:], until[:-1], series.time[1:])
    until = np.maximum(until, series.time)
    edges = np.flatnonzero(beyond & (new | ~np.append(False, beyond[:-1])))
    found = []
    for first in edges:
        last = first
        while last + 1 < beyond.size and beyond[last + 1] and not new[last + 1]:
            last += 1
        if until[last] - series.time[first] >= SHORTEST_BREACH_S or first <= worst <= last:
            found.append(_breach(quantity, series, smooth, int(first), int(last), until[last], stretches))
    return tuple(found)


def _breach(
    quantity: Quantity,
    series: Series,
    smooth: np.ndarray,
    first: int,
    last: int,
    until: float,
    stretches: tuple[Stretch, ...],
) -> Breach:
    part = smooth[first : last + 1]
    worst = float(part.max() if quantity.worse == "higher" else part.min())
    name = stretches[int(series.stretch[first]) - 1].name
    return Breach(
        quantity.title, name, float(series.time[first]), float(until), float(series.seen[first]),
        float(series.rpm[first]), worst, quantity.lift,
    )  # fmt: skip


def missing(quantity: Quantity, why: str, flagged: int) -> Check:
    """Build a check of something that was not logged."""
    nan = float("nan")
    return Check(quantity, nan, nan, nan, nan, "", nan, (), 0, flagged, f"{why}.")


COLUMNS = [
    "check", "value", "lower", "upper", "unit", "limit", "margin", "status", "at_s", "engine_speed_rpm", "throttle_pct",
    "load_pct", "gear", "seconds_beyond", "lift_s", "because",
]  # fmt: skip
CONDITIONS = COLUMNS[8:15]


@dataclass(frozen=True)
class Watched:
    """One limit over a whole log: the check, and what was driven at its worst moment. NaN where not known."""

    check: Check
    channel: str  # that was compared with the limit, empty where it was calculated from several
    throttle_pct: float
    load_pct: float  # absolute load
    gear: int  # 0: not known, or none
    lift_s: float  # first moment at which the driver could have seen it and should have lifted; NaN without one

    @property
    def seconds_beyond(self) -> float:
        """Time beyond the limit, all stretches together. [s]"""
        return sum(breach.end_s - breach.start_s for breach in self.check.breaches)

    @property
    def is_passed(self) -> bool:
        """Whether the value itself lies beyond the limit."""
        return self.check.status in ("stop", "watch") and self.check.margin < 0


@shows_its_table
@dataclass(frozen=True)
class LimitWatch:
    """Every limit of the owner's that a log can speak of."""

    watched: tuple[Watched, ...]
    readings: pd.DataFrame  # of lambda under load: seen_s, fuelled_s, engine_speed_rpm, lambda, commanded, judged
    load_from_pct: float
    seconds_running: float
    seconds_loaded: float
    delay: DelayFit
    because: str  # why nothing could be compared with anything; empty where something was
    confidence: float = 0.95

    @property
    def checks(self) -> tuple[Check, ...]:
        """The checks alone."""
        return tuple(item.check for item in self.watched)

    @property
    def passed(self) -> tuple[Check, ...]:
        """Limits that were passed, stops first."""
        found = [item.check for item in self.watched if item.is_passed]
        return tuple(sorted(found, key=lambda check: check.status != "stop"))

    def findings(self) -> list[Finding]:
        """One finding per limit."""
        return [check.finding() for check in self.checks]

    def summary(self) -> pd.DataFrame:
        """One row per limit: value, interval, unit, limit, margin, status, and in words when and how long beyond."""
        return self.table().drop(columns=CONDITIONS)

    def table(self) -> pd.DataFrame:
        """The summary with the conditions at each worst moment in columns of their own."""
        rows = [
            (
                item.check.quantity.title, item.check.value, item.check.lower, item.check.upper,
                item.check.quantity.unit, item.check.quantity.limit, item.check.margin, item.check.status,
                item.check.at_s, item.check.engine_speed_rpm, item.throttle_pct, item.load_pct, item.gear,
                item.seconds_beyond, item.lift_s, item.check.because,
            )
            for item in self.watched
        ]  # fmt: skip
        return pd.DataFrame(rows, columns=COLUMNS).set_index("check")

    def lift(self) -> pd.DataFrame:
        """Limits passed in the order in which the driver could have seen them: check, lift_s, worst, seconds beyond."""
        found = sorted((i for i in self.watched if np.isfinite(i.lift_s)), key=lambda item: item.lift_s)
        rows = [
            (i.check.quantity.title, i.lift_s, i.check.value, i.check.quantity.unit, i.seconds_beyond) for i in found
        ]
        return pd.DataFrame(rows, columns=["check", "lift_s", "worst", "unit", "seconds_beyond"])


LIFT_COLUMNS = ["stretch", "lift_s", "seconds_after_opening", "engine_speed_rpm", "check", "worst"]


def first_breaches(checks: Sequence[Check], stretches: Sequence[Stretch]) -> pd.DataFrame:
    """First breach of each stretch that the driver should have answered by lifting, with LIFT_COLUMNS."""
    rows = []
    for stretch in stretches:
        found = [b for c in checks for b in c.breaches if b.lift and b.stretch == stretch.name]
        if found:
            first = min(found, key=lambda breach: breach.seen_s)
            after = first.seen_s - stretch.start_s
            rows.append((stretch.name, first.seen_s, after, first.engine_speed_rpm, first.check, first.worst))
    return pd.DataFrame(rows, columns=LIFT_COLUMNS)
