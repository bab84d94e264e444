"""The same finding before and after: whether the two can be distinguished, and how sure each of several tests may
be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from tunelab.study.finding import CONFIDENCE, Finding

# A comparison may raise any false alarm with a chance of 5 % in all; what it looks at shares that.
FINDINGS_LEVEL, LOGS_LEVEL, POINTS_LEVEL = 0.02, 0.02, 0.01
# What a finding's title begins with where it is the worst of a drive: of several drives the worst of all counts.
HIGH_ENDS, LOW_ENDS, FAR_ENDS = (
    ("Highest", "Hottest", "Leanest", "Longest"),
    ("Lowest", "Smallest", "Coldest"),
    ("Largest",),
)


def holm(p_values: ArrayLike) -> np.ndarray:
    """Adjust p-values so that the chance of any false alarm among them stays below the level each is compared with.

    Parameters
    ----------
    p_values : array, shape (n,)
        Between 0 and 1; NaN: not tested, stays NaN and counts for nothing.

    Returns
    -------
    array, shape (n,)
        Adjusted p-values, at most 1.

    Notes
    -----
    Source: S. Holm, "A simple sequentially rejective multiple test procedure", Scand. J. Statist. 6 (1979) 65.
    """
    values = np.asarray(p_values, dtype=float)
    if np.any((values < 0) | (values > 1)):
        raise ValueError("p_values: wanted numbers from 0 to 1.")
    adjusted = np.full(values.shape, np.nan)
    known = np.flatnonzero(np.isfinite(values))
    order = known[np.argsort(values[known])]
    steps = values[order] * np.arange(order.size, 0, -1)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted


@dataclass(frozen=True)
class FindingDifference:
    """One finding after less before. NaN where nothing was shown on one side or an interval is missing."""

    id: str
    title: str
    unit: str
    before: float
    after: float
    difference: float
    lower: float  # of the difference, each by itself
    upper: float
    p_value: float  # adjusted for all findings compared
    told_apart: bool
    because: str


def compare_findings(before: Sequence[Finding], after: Sequence[Finding]) -> tuple[FindingDifference, ...]:
    """Hold findings of the same id against each other.

    Parameters
    ----------
    before, after : sequence of Finding
        Findings of each side; an id may come several times, from several drives.

    Returns
    -------
    tuple of FindingDifference
        One for each id on either side, in order of first mention. The chance of any false alarm among all of them is
        at most FINDINGS_LEVEL as far as the findings' own intervals are honest. Where each side has two drives or more,
        what the drives differ by among themselves counts as well. Of several drives the mean is compared; of what is
        the worst of a drive, the worst of all drives.
    """
    ids = list(dict.fromkeys(finding.id for finding in (*before, *after)))
    raw = [_compare_one([f for f in before if f.id == name], [f for f in after if f.id == name]) for name in ids]
    adjusted = holm([row.p_value for row in raw])
    return tuple(_conclude(row, float(p)) for row, p in zip(raw, adjusted, strict=True))


def _compare_one(before: list[Finding], after: list[Finding]) -> FindingDifference:
    any_one = (before + after)[0]
    sides = [_side(before), _side(after)]
    nan = float("nan")
    values = [side[0] if side else nan for side in sides]
    about = (any_one.id, any_one.title, any_one.unit)
    blank = FindingDifference(*about, values[0], values[1], nan, nan, nan, nan, False, "")
    for side, name, found in zip(sides, ("before", "after"), (before, after), strict=True):
        if side is None:
            because = f"not shown {name}: {found[-1].because}" if found else f"no record of it {name}."
            return _with(blank, because=because)
    known = [side for side in sides if side is not None]
    difference = values[1] - values[0]
    variances = [side[1] for side in known]
    if not np.isfinite(variances).all():
        return _with(blank, difference=difference, because="it has no interval, so it cannot be compared with noise.")
    error = float(np.sqrt(sum(variances)))
    freedom = _freedom(known)
    if error == 0:
        return _with(blank, difference=difference, because="it has no spread, so it cannot be compared with noise.")
    half = float(scipy.stats.t.ppf((1 + CONFIDENCE) / 2, freedom) * error)
    p = float(2 * scipy.stats.t.sf(abs(difference) / error, freedom))
    return _with(blank, difference=difference, lower=difference - half, upper=difference + half, p_value=p)


def _side(found: list[Finding]) -> tuple[float, float, float] | None:
    """Mean or worst, its variance and degrees of freedom of one side; None where nothing was shown.

    Drives scatter: the worst of several is known no better than one of them, which is more than it varies.
    """
    shown = [f for f in found if f.status != "not_shown" and f.value is not None]
    if not shown:
        return None
    values = np.array([f.value for f in shown], dtype=float)
    own = np.array([_variance(f) for f in shown])
    from_intervals = float(own.sum() / own.size**2)
    if values.size == 1:
        return float(values[0]), from_intervals, np.inf
    worst = worst_of(shown[0].title, values)
    if worst is not None:
        return float(values[worst]), max(float(values.var(ddof=1)), float(np.nan_to_num(own[worst]))), values.size - 1.0
    between = float(values.var(ddof=1) / values.size)
    return float(values.mean()), max(between, from_intervals if np.isfinite(from_intervals) else 0), values.size - 1.0


def worst_of(title: str, values: ArrayLike) -> int | None:
    """Place of the worst of several drives' values, by what the title says they are; None where it is no worst."""
    numbers, kind = np.asarray(values, dtype=float), title.split(" ", 1)[0]
    if kind in HIGH_ENDS:
        return int(np.argmax(numbers))
    if kind in LOW_ENDS:
        return int(np.argmin(numbers))
    return int(np.argmax(np.abs(numbers))) if kind in FAR_ENDS else None


def _variance(finding: Finding) -> float:
    """Variance of an estimate, from the wider half of its interval; NaN without one."""
    if finding.value is None or finding.lower is None or finding.upper is None or not finding.confidence:
        return float("nan")
    half = max(finding.upper - finding.value, finding.value - finding.lower)
    return float((half / scipy.stats.norm.ppf((1 + finding.confidence) / 2)) ** 2)


def _freedom(sides: list[tuple[float, float, float]]) -> float:
    """Degrees of freedom of a difference (F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110)."""
    total = sum(variance for _, variance, _ in sides)
    below = sum(variance**2 / freedom for _, variance, freedom in sides)
    return float(total**2 / below) if below > 0 else np.inf


def _with(row: FindingDifference, **changes: object) -> FindingDifference:
    return FindingDifference(**{**vars(row), **changes})


def plain(value: float, *, sign: bool = False, most: int = 6) -> str:
    """Write a number with three digits, never with an exponent; a real minus, and a plus where `sign` is asked for.

    `most` decimals are written at most, as many as the trade reads of the quantity; a zero has no minus.
    """
    places = 0 if abs(value) >= 100 else min(_places(value), most)
    text = f"{round(value, places) + 0.0:+.{places}f}"
    return (text if sign else text.removeprefix("+")).replace("-", "−")


def _places(value: float) -> int:
    """Decimals that leave three digits; of a value below a thousandth none more than six."""
    if not np.isfinite(value) or value == 0:
        return 0
    return int(np.clip(2 - np.floor(np.log10(abs(value))), 0, 6))


def say_apart(apart: bool, lower: float, upper: float) -> str:
    """Say whether a difference is more than noise, and why not where its interval by itself would say so."""
    if apart:
        return "more than noise"
    if lower > 0 or upper < 0:
        return "clear on its own, but not after allowing for all that was compared"
    return "no more than noise"


def _conclude(row: FindingDifference, p: float) -> FindingDifference:
    if not np.isfinite(p):
        return row
    apart = p < FINDINGS_LEVEL
    sizes = f"from {plain(row.before)} to {plain(row.after)} {row.unit if row.unit != '1' else ''}".strip()
    because = f"{sizes}, a change between {plain(row.lower, sign=True)} and {plain(row.upper, sign=True)}: "
    because += say_apart(apart, row.lower, row.upper) + "."
    return _with(row, p_value=p, told_apart=apart, because=because)
