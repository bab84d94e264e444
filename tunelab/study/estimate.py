"""A value with its interval and its evidence, and how it is held against a limit of the owner's."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy
from numpy.typing import ArrayLike

from tunelab.study.finding import Finding, Status

CONFIDENCE = 0.95
LEAST_FOR_INTERVAL = 3  # events or blocks; fewer give a value without an interval
NAN = float("nan")


@dataclass(frozen=True)
class Estimate:
    """One value with its interval; NaN where nothing was shown, NaN bounds where too little was for an interval."""

    value: float
    lower: float
    upper: float
    unit: str
    samples_used: int
    samples_flagged: int
    method: str
    confidence: float = CONFIDENCE

    @property
    def shown(self) -> bool:
        """Whether there is a value."""
        return bool(np.isfinite(self.value))

    def words(self, digits: int) -> str:
        """Write value and interval as text, with so many digits behind the point."""
        if not self.shown:
            return "not shown"
        text = f"{self.value:.{digits}f} {self.unit}".strip()
        if not np.isfinite(self.lower + self.upper):
            return f"{text} (too few for an interval)"
        return f"{text} ({self.lower:.{digits}f} to {self.upper:.{digits}f})"


@dataclass(frozen=True)
class Question:
    """What a finding asks: its name, and the limit that it is held against."""

    id: str
    title: str
    limit: float | None = None
    limit_key: str = ""  # where the owner states it; empty: nothing to be held against, only measured
    worse: Literal["higher", "lower", "away"] = "higher"  # away: from zero, either way


def nothing(unit: str, why: str, *, flagged: int = 0) -> Estimate:
    """Build an estimate of something that was not shown."""
    return Estimate(NAN, NAN, NAN, unit, 0, flagged, why)


def mean_estimate(values: ArrayLike, unit: str, *, used: int, flagged: int, what: str) -> Estimate:
    """Mean of independent values with a Student interval.

    Parameters
    ----------
    values : array, shape (n,)
        One for each event or block; NaN are left out.
    unit, what : str
        Unit of the values; what they are, for `method`.
    used, flagged : int
        Samples behind them.
    """
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if not known.size:
        return nothing(unit, f"no {what}", flagged=flagged)
    mean = float(known.mean())
    method = f"mean of {known.size} {what}, Student interval"
    if known.size < LEAST_FOR_INTERVAL:
        return Estimate(mean, NAN, NAN, unit, used, flagged, f"mean of {known.size} {what}, too few for an interval")
    reach = scipy.stats.t.ppf(0.5 + CONFIDENCE / 2, known.size - 1) * known.std(ddof=1) / np.sqrt(known.size)
    return Estimate(mean, mean - float(reach), mean + float(reach), unit, used, flagged, method)


def spread_estimate(block_variances: ArrayLike, unit: str, *, used: int, flagged: int, what: str) -> Estimate:
    """Root of the mean variance of blocks, with an interval from how the blocks differ.

    `block_variances`, shape (n,), are mean squared departures within blocks long enough to be independent.
    """
    known = np.asarray(block_variances, dtype=float)
    mean = mean_estimate(known, unit, used=used, flagged=flagged, what=what)
    if not mean.shown:
        return mean
    root = np.sqrt(np.maximum([mean.value, mean.lower, mean.upper], 0.0))
    return Estimate(*(float(v) for v in root), unit, used, flagged, f"root of the {mean.method}")


def blocks(time_s: np.ndarray, block_s: float) -> list[slice]:
    """Slices of about `block_s` within the unbroken stretches of a rising clock, shape (n,); short rests are left out.

    A step of more than five times the usual one, and 0.5 s, breaks a stretch.
    """
    if time_s.size < 2:
        return []
    step = np.diff(time_s)
    broken = np.flatnonzero(step > max(5.0 * float(np.median(step)), 0.5)) + 1
    found = []
    for part in np.split(np.arange(time_s.size), broken):
        span = time_s[part[-1]] - time_s[part[0]]
        pieces = max(1, round(span / block_s))
        if span < 0.6 * block_s:
            continue
        edges = np.searchsorted(time_s, time_s[part[0]] + span / pieces * np.arange(pieces + 1))
        edges[-1] = part[-1] + 1
        found += [slice(int(a), int(b)) for a, b in itertools.pairwise(edges) if b - a > 1]
    return found


def judge(question: Question, estimate: Estimate, because: str) -> Finding:
    """Hold an estimate against its limit: met only where the whole interval is inside.

    Without a limit to be held against (`limit_key` empty) what was measured counts as met; where the owner has stated
    none, nothing is judged.
    """
    counts = (estimate.samples_used, estimate.samples_flagged)
    if not estimate.shown:
        return _not_shown(question, estimate, because, counts)
    if question.limit is None and question.limit_key:
        text = f"{estimate.words(2)}. {because} No limit is stated ({question.limit_key} in car.toml)."
        return _not_shown(question, estimate, text, counts)
    bounds = [None if not np.isfinite(v) else v for v in (estimate.lower, estimate.upper)]
    status = status_of(question, estimate)
    if question.limit is not None and None in bounds and not _beyond(question, np.array([estimate.value])):
        because = f"{because} Inside the limit, but too few for an interval: not called met."
    confidence = estimate.confidence if None not in bounds else None
    return Finding(
        question.id, question.title, estimate.value, estimate.unit, *bounds, confidence, *counts, status,
        question.limit, because,
    )  # fmt: skip


def status_of(question: Question, estimate: Estimate) -> Status:
    """Status of a shown estimate: `watch` where the value or its interval passes the limit, or there is no interval."""
    if question.limit is None:
        return "met"
    ends = np.array([estimate.value, estimate.lower, estimate.upper])
    if not np.isfinite(ends).all():
        return "watch"
    return "watch" if _beyond(question, ends) else "met"


def _beyond(question: Question, ends: np.ndarray) -> bool:
    """Whether any of some values lies beyond the limit."""
    if question.worse == "away":
        ends = np.abs(ends)
    return bool((ends < question.limit if question.worse == "lower" else ends > question.limit).any())


def _not_shown(question: Question, estimate: Estimate, because: str, counts: tuple[int, int]) -> Finding:
    return Finding(
        question.id,
        question.title,
        None,
        estimate.unit,
        None,
        None,
        None,
        *counts,
        "not_shown",
        question.limit,
        because,
    )
