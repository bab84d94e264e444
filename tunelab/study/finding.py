"""A finding: one statement of a record, its value with interval and evidence, and how it compares with the owner's
limit.
"""

from __future__ import annotations

import html
import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeVar

import numpy as np
import pandas as pd
import scipy
from numpy.typing import ArrayLike

Status = Literal["met", "watch", "stop", "not_shown"]

LEAN_STOP_PCT = 10.0  # lean of commanded under load; where the owner states no limit. Common practice, no source


def status_word(status: str, limit: float | None, *, has_interval: bool = True) -> str:
    """How a page says a status: `measured` for a value that there was nothing to hold against.

    A value without limit and without interval is one too: only a study that saw reason to look gives such a status to
    one that has an interval.
    """
    unlimited = status == "met" or (status == "watch" and not has_interval)
    return "measured" if unlimited and limit is None else status


def status_within(
    value: float | None,
    lower: float | None,
    upper: float | None,
    *,
    least: float | None = None,
    most: float | None = None,
    beyond: Status = "watch",
) -> Status:
    """Hold a value with its interval against limits: the one rule of every study.

    Parameters
    ----------
    value, lower, upper : float or None
        The value and the ends of its interval, in the unit of the limits; NaN or None where there is none. An end may
        be infinite.
    least, most : float, optional
        What the value may not fall below, and not rise above; both, for a distance from zero either way. A value that
        lies on a limit keeps it.
    beyond : Status
        What a value past its limit earns.

    Returns
    -------
    Status
        `not_shown` without a value; `beyond` where the value itself lies past a limit; `met` only where the value and
        the whole interval lie inside; `watch` for the rest: an interval that crosses a limit, and a value that has no
        interval, however good it looks and whether or not there is a limit.
    """
    if _missing(value):
        return "not_shown"
    if _past(value, least, most):
        return beyond
    if _missing(lower) or _missing(upper):
        return "watch"
    return "watch" if _past(lower, least, most) or _past(upper, least, most) else "met"


def _missing(value: float | None) -> bool:
    return value is None or math.isnan(value)


def _past(value: float | None, least: float | None, most: float | None) -> bool:
    if value is None:
        return False
    return (least is not None and value < least) or (most is not None and value > most)


@dataclass(frozen=True)
class Finding:
    """One statement with its interval, its evidence and what it was compared with.

    `value`, `lower` and `upper` are None where nothing was shown; the status is then `not_shown`.
    """

    id: str  # stable, such as "steady.lambda_error"
    title: str
    value: float | None
    unit: str
    lower: float | None
    upper: float | None
    confidence: float | None  # 0.95 for a 95 % interval
    samples_used: int
    samples_flagged: int
    status: Status
    limit: float | None  # what the value was compared with; None where there is no limit
    because: str  # one plain sentence: why this status

    @property
    def word(self) -> str:
        """Status as a page says it."""
        return status_word(self.status, self.limit, has_interval=has_interval(self.id, self.value, self.lower))


def has_interval(name: str, value: float | None, lower: float | None) -> bool:
    """Whether a finding has an interval, or needs none: a check of the log against itself judges without."""
    return lower is not None or value is None or name.startswith("consistency.")


CONFIDENCE = 0.95
NORMAL_95 = 1.959964  # standard deviations on either side that hold 95 % of a normal distribution
POOLED_FREEDOM = 10  # degrees of freedom of a spread taken from other blocks of the same drive
LEAST_FOR_INTERVAL = 3  # events or blocks; fewer give a value without an interval
DUST = 1e-6  # of the span of the readings: what conversion leaves between two equal readings
ROUNDING = 1e-9  # of a mean: what arithmetic leaves between values that never differ
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
            return f"{text} ({'too few for an' if 'too few' in self.method else 'no'} interval)"
        return f"{text} ({self.lower:.{digits}f} to {self.upper:.{digits}f})"


@dataclass(frozen=True)
class Question:
    """What a finding asks: its name, and the limit that it is compared with."""

    id: str
    title: str
    limit: float | None = None
    limit_key: str = ""  # where the owner states it; empty: nothing to be compared with, only measured
    worse: Literal["higher", "lower", "away"] = "higher"  # away: from zero, either way


def estimate_table(parts: Mapping[str, Estimate], of: str) -> pd.DataFrame:
    """One row per estimate by its name: value, lower, upper, unit, and in a column called `of` what it rests on."""
    rows = [(name, e.value, e.lower, e.upper, e.unit, e.samples_used) for name, e in parts.items()]
    return pd.DataFrame(rows, columns=["quantity", "value", "lower", "upper", "unit", of]).set_index("quantity")


def nothing(unit: str, why: str, *, flagged: int = 0) -> Estimate:
    """Build an estimate of something that was not shown."""
    return Estimate(NAN, NAN, NAN, unit, 0, flagged, why)


def counted(number: int, what: str) -> str:
    """A number of things, one of them in the singular: `1 re-entry, foot at rest`, `2 stretches with loads`."""
    if number != 1:
        return f"{number} {what}"
    many, space, rest = what.partition(" ")
    many, comma = many.rstrip(","), "," if many.endswith(",") else ""
    one = re.sub(r"ies$", "y", many) if many.endswith("ies") else re.sub(r"(?<=ch)es$|(?<=s)es$|s$", "", many)
    return f"1 {one}{comma}{space}{rest}"


def mean_estimate(
    values: ArrayLike, unit: str, *, used: int, flagged: int, what: str, echo: float = 0.0, spread: float = NAN
) -> Estimate:
    """Mean with a Student interval, of values that are independent or lean on their neighbours.

    Parameters
    ----------
    values : array, shape (n,)
        One for each event or block; NaN are left out.
    unit, what : str
        Unit of the values; what they are, for `method`.
    used, flagged : int
        Samples behind them.
    echo : float
        Correlation of neighbouring values, of `echo_of`; 0: independent.
    spread : float
        Standard deviation of such values as others show it; it stands in where there are too few of them.

    Notes
    -----
    n values with the correlation r of a first-order autoregression count as n (1 - r) / (1 + r) independent ones.
    """
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if not known.size:
        return nothing(unit, f"no {what}", flagged=flagged)
    mean, few = float(known.mean()), known.size < LEAST_FOR_INTERVAL
    if few and not np.isfinite(spread):
        return Estimate(
            mean, NAN, NAN, unit, used, flagged, f"mean of {counted(known.size, what)}, too few for an interval"
        )
    worth = max(known.size * (1.0 - echo) / (1.0 + echo), 1.0)
    if few:
        error, freedom = spread / np.sqrt(worth), POOLED_FREEDOM
    else:
        short = (known.size - 1) / max(known.size - known.size / worth, 1.0)  # neighbours alike hide some of the spread
        error, freedom = known.std(ddof=1) * np.sqrt(short / worth), max(worth - 1.0, 1.0)
    reach = float(scipy.special.stdtrit(freedom, 0.5 + CONFIDENCE / 2) * error)
    method = f"mean of {known.size} {what}, Student interval"
    if not reach > ROUNDING * max(abs(mean), 1e-300):
        return Estimate(mean, NAN, NAN, unit, used, flagged, f"mean of {known.size} {what} that never differ")
    method += f", as {worth:.0f} independent ones" if echo else ""
    return Estimate(mean, mean - reach, mean + reach, unit, used, flagged, method)


def echo_of(groups: Sequence[np.ndarray]) -> float:
    """Correlation of neighbouring block means, pooled over groups that each have a mean of their own; 0 to 0.9.

    Each group, shape (n,), is in the order driven. A mean taken from few blocks makes them look less alike than they
    are, by (1 + 4 r) / n (Marriott and Pope 1954, from memory); that is put back.
    """
    groups = [np.asarray(group, dtype=float) for group in groups if len(group) >= LEAST_FOR_INTERVAL]
    total = sum(float(np.sum((g - g.mean()) ** 2)) * (g.size - 1) / g.size for g in groups)  # of n - 1 pairs
    if not total > 0:
        return 0.0
    together = sum(float(np.sum((g[1:] - g.mean()) * (g[:-1] - g.mean()))) for g in groups)
    each = sum(g.size for g in groups) / len(groups)
    seen = together / total
    return float(np.clip((seen + 1.0 / each) / max(1.0 - 4.0 / each, 0.25), 0.0, 0.9))


def worst_estimate(values: ArrayLike, unit: str, *, step: float, flagged: int, what: str) -> Estimate:
    """Largest of several events, for a limit that none may pass.

    The interval begins one reading's step below it and ends where the next event may come to (Student prediction
    interval), or a step above it if that is further. NaN bounds with fewer than three events.
    """
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if not known.size:
        return nothing(unit, f"no {what}", flagged=flagged)
    largest, text = float(known.max()), f"largest of {counted(known.size, what)}"
    if known.size < LEAST_FOR_INTERVAL:
        return Estimate(largest, NAN, NAN, unit, known.size, flagged, f"{text}, too few for an interval")
    reach = (
        scipy.special.stdtrit(known.size - 1, 0.5 + CONFIDENCE / 2) * known.std(ddof=1) * np.sqrt(1 + 1 / known.size)
    )
    upper = max(float(known.mean() + reach), largest + step)
    text += "; the interval reaches up to the next one expected"
    return Estimate(largest, largest - step, upper, unit, known.size, flagged, text)


def spread_estimate(
    block_variances: ArrayLike, unit: str, *, used: int, flagged: int, what: str, echo: float = 0.0
) -> Estimate:
    """Root of the mean variance of blocks, with an interval from how the blocks differ.

    `block_variances`, shape (n,), are mean squared departures within blocks; `echo` as in `mean_estimate`.
    """
    known = np.asarray(block_variances, dtype=float)
    mean = mean_estimate(known, unit, used=used, flagged=flagged, what=what, echo=echo)
    if not mean.shown:
        return mean
    value, lower, upper = (float(v) for v in np.sqrt(np.maximum([mean.value, mean.lower, mean.upper], 0.0)))
    return Estimate(value, lower, upper, unit, used, flagged, f"root of the {mean.method}")


def step_of(values: np.ndarray) -> float:
    """Smallest step between two readings that differ; NaN where none do. NaN readings are left out."""
    known = np.unique(values[np.isfinite(values)])
    steps = np.diff(known)
    real = steps[steps > DUST * (known[-1] - known[0])] if steps.size else steps
    return float(real.min()) if real.size else float("nan")


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
    """Hold an estimate against its limit by the one rule of `status_within`.

    Without a limit to be compared with (`limit_key` empty) what was measured with an interval counts as met; where the
    owner has stated none, nothing is judged.
    """
    counts = (estimate.samples_used, estimate.samples_flagged)
    if not estimate.shown:
        return _not_shown(question, estimate, because, counts)
    if question.limit is None and question.limit_key:
        text = f"{estimate.words(2)}. {because} No limit is stated ({question.limit_key} in car.toml)."
        return _not_shown(question, estimate, text, counts)
    lower, upper = (None if not np.isfinite(v) else v for v in (estimate.lower, estimate.upper))
    status = status_of(question, estimate)
    if lower is None or upper is None:
        lower = upper = None
        inside = question.limit is not None and status_of(question, _bare(estimate)) == "met"
        said = f"{'Inside the limit, but without' if inside else 'Without'} an interval: not called met."
        because = f"{because.rstrip('.')}. {said}"
    confidence = None if lower is None else estimate.confidence
    return Finding(
        question.id, question.title, estimate.value, estimate.unit, lower, upper, confidence, *counts, status,
        question.limit, because,
    )  # fmt: skip


def _bare(estimate: Estimate) -> Estimate:
    """The value alone, as if it were exact."""
    return replace(estimate, lower=estimate.value, upper=estimate.value)


def status_of(question: Question, estimate: Estimate) -> Status:
    """Status of an estimate: `watch` where the value or its interval passes the limit, or there is no interval."""
    least = {"lower": question.limit, "away": None if question.limit is None else -question.limit}.get(question.worse)
    most = None if question.worse == "lower" else question.limit
    return status_within(estimate.value, estimate.lower, estimate.upper, least=least, most=most)


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


Result = TypeVar("Result", bound=type)
ROWS = 30  # shown of a longer table
WIDTH = 120  # of a line of text


def shows_its_table(kind: Result) -> Result:
    """Let a result's `repr` be its `summary()`, or its `table()` where it has no summary, with why anything is missing.

    A class decorator, above `@dataclass`. Long tables are cut in the middle, and say so.
    """
    shown: Any = kind
    shown.__repr__, shown._repr_html_ = _as_text, _as_html
    return kind


def _as_text(result: Any) -> str:
    table = _table(result).to_string(max_rows=ROWS, max_colwidth=60, line_width=WIDTH)
    return "\n".join([type(result).__name__, table, *_reason(result)])


def _as_html(result: Any) -> str:
    with pd.option_context("display.max_colwidth", 200):
        table = _table(result).to_html(max_rows=ROWS, border=0)
    return table + "".join(f"<p>{html.escape(text)}</p>" for text in _reason(result))


def _table(result: Any) -> pd.DataFrame:
    return result.summary() if hasattr(result, "summary") else result.table()


def _reason(result: Any) -> list[str]:
    because = getattr(result, "because", "")
    return [because] if because else []
