"""Statistics by plain formulas: do drivers differ (random effects), and time to an event (survival).

A driver's repeats scatter about the driver's own mean; the means scatter between drivers. Both variances are
estimated from the analysis of variance, with intervals.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import scipy
from numpy.typing import ArrayLike

from tunelab.study.finding import CONFIDENCE, NAN

LEAST_REPEATS = 2


@dataclass(frozen=True)
class OneWay:
    """One-way analysis of variance and the components of variance behind it."""

    groups: tuple[str, ...]
    counts: tuple[int, ...]
    means: tuple[float, ...]
    between_square: float  # mean square between groups
    within_square: float
    freedom_between: int
    freedom_within: int
    f: float
    p: float
    within_sd: float  # standard deviation of repeats
    within_lower: float
    within_upper: float
    between_sd: float  # standard deviation between drivers; 0 where repeats alone explain how the means differ
    between_lower: float
    between_upper: float
    confidence: float = CONFIDENCE
    method: str = "one-way random effects: mean squares, chi-squared and Satterthwaite-type (modified large-sample)"


@dataclass(frozen=True)
class DriverContrast:
    """Two drivers compared with each other in one quantity."""

    quantity: str
    unit: str
    first: str
    second: str
    difference: float  # first less second
    lower: float
    upper: float
    repeats: tuple[int, int]
    sentence: str


def one_way(groups: Mapping[str, Sequence[float]]) -> OneWay:
    """Analyse groups of repeats.

    Parameters
    ----------
    groups : mapping
        Name of each group → its values; NaN are left out, groups with less than two values too.

    Raises
    ------
    ValueError
        Fewer than two groups with two values each.

    Notes
    -----
    The interval of the between-variance is the modified large-sample one: R. K. Burdick, F. A. Graybill, "Confidence
    Intervals on Variance Components" (1992), ch. 3, with the harmonic mean of the group sizes where they differ
    (J. D. Thomas, R. A. Hultquist, Ann. Stat. 6 (1978) 582; both from memory). With two drivers it is wide.
    """
    kept = {name: np.asarray(values, dtype=float) for name, values in groups.items()}
    kept = {name: values[np.isfinite(values)] for name, values in kept.items()}
    kept = {name: values for name, values in kept.items() if values.size >= LEAST_REPEATS}
    if len(kept) < 2:
        raise ValueError(f"{len(kept)} groups have {LEAST_REPEATS} repeats or more; two are wanted.")
    centre = float(np.concatenate(list(kept.values())).mean())  # taken off first: large offsets cost digits
    shifted = [values - centre for values in kept.values()]
    return _analysed(kept, shifted)


def _analysed(kept: Mapping[str, np.ndarray], shifted: list[np.ndarray]) -> OneWay:
    counts = np.array([values.size for values in shifted])
    means = np.array([values.mean() for values in shifted])
    grand = float(np.sum(counts * means) / counts.sum())
    free_between, free_within = counts.size - 1, int(counts.sum() - counts.size)
    between = float(np.sum(counts * (means - grand) ** 2) / free_between)
    within = float(sum(np.sum((v - v.mean()) ** 2) for v in shifted) / free_within)
    ratio = between / within if within > 0 else np.inf
    harmonic = counts.size / float(np.sum(1.0 / counts))
    low, high = (scipy.stats.chi2.ppf(q, free_within) for q in (0.5 - CONFIDENCE / 2, 0.5 + CONFIDENCE / 2))
    return OneWay(
        groups=tuple(kept),
        counts=tuple(int(c) for c in counts),
        means=tuple(float(v.mean()) for v in kept.values()),
        between_square=between,
        within_square=within,
        freedom_between=free_between,
        freedom_within=free_within,
        f=ratio,
        p=float(scipy.stats.f.sf(ratio, free_between, free_within)),
        within_sd=float(np.sqrt(within)),
        within_lower=float(np.sqrt(free_within * within / high)),
        within_upper=float(np.sqrt(free_within * within / low)),
        **_between(harmonic * float(np.var(means, ddof=1)), within, (free_between, free_within), harmonic),
    )


def _between(square: float, within: float, freedom: tuple[int, int], size: float) -> dict[str, Any]:
    """Standard deviation between groups with its modified large-sample interval."""
    tail = 0.5 - CONFIDENCE / 2
    a, b = freedom
    g1, g2 = 1.0 - 1.0 / scipy.stats.f.ppf(1 - tail, a, 1e9), 1.0 - 1.0 / scipy.stats.f.ppf(1 - tail, b, 1e9)
    h1, h2 = 1.0 / scipy.stats.f.ppf(tail, a, 1e9) - 1.0, 1.0 / scipy.stats.f.ppf(tail, b, 1e9) - 1.0
    upper_f, lower_f = scipy.stats.f.ppf(1 - tail, a, b), scipy.stats.f.ppf(tail, a, b)
    g12 = ((upper_f - 1.0) ** 2 - g1**2 * upper_f**2 - h2**2) / upper_f
    h12 = ((1.0 - lower_f) ** 2 - h1**2 * lower_f**2 - g2**2) / lower_f
    middle = square - within
    down = g1**2 * square**2 + h2**2 * within**2 + g12 * square * within
    up = h1**2 * square**2 + g2**2 * within**2 + h12 * square * within
    ends = (middle - np.sqrt(max(down, 0.0)), middle + np.sqrt(max(up, 0.0)))
    values = np.sqrt(np.maximum(np.array([middle, *ends]) / size, 0.0))
    return {"between_sd": float(values[0]), "between_lower": float(values[1]), "between_upper": float(values[2])}


def contrast(
    groups: Mapping[str, Sequence[float]], quantity: str, unit: str, *, of: str = "drivers"
) -> list[DriverContrast]:
    """Hold every two groups against each other (Welch, with Bonferroni's allowance for the number of pairs).

    Groups with fewer than two values are left out. The sentence says by how much they differ, or that they cannot be
    separated; `of` is what the groups are, in the plural.
    """
    kept = {name: np.asarray(v, dtype=float)[np.isfinite(v)] for name, v in groups.items()}
    names = [name for name, values in kept.items() if values.size >= LEAST_REPEATS]
    pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    return [_pair(kept, pair, (quantity, unit, of), len(pairs)) for pair in pairs]


def _pair(
    kept: Mapping[str, np.ndarray], pair: tuple[str, str], what: tuple[str, str, str], count: int
) -> DriverContrast:
    a, b = (kept[name] for name in pair)
    quantity, unit, of = what
    difference = float(a.mean() - b.mean())
    parts = [v.var(ddof=1) / v.size for v in (a, b)]
    total = float(sum(parts))
    if total <= 0.0:
        return DriverContrast(quantity, unit, *pair, difference, NAN, NAN, (a.size, b.size), "repeats do not scatter")
    freedom = total**2 / sum(p**2 / (v.size - 1) for p, v in zip(parts, (a, b), strict=True))
    half = float(scipy.stats.t.ppf(1 - (1 - CONFIDENCE) / 2 / count, freedom)) * float(np.sqrt(total))
    lower, upper = difference - half, difference + half
    digits = 0 if max(abs(lower), abs(upper)) >= 20 else 2
    shown = [f"{round(float(value), digits) + 0.0:+.{digits}f}" for value in (difference, lower, upper)]  # no "-0"
    span = f"{shown[0]} {unit} ({shown[1]} to {shown[2]})"
    if lower <= 0.0 <= upper:
        text = f"{quantity}: no difference shown between {pair[0]} and {pair[1]}, {span}."
    else:
        text = f"{quantity}: the {of} differ by {span}, {pair[0]} less {pair[1]}."
    return DriverContrast(quantity, unit, *pair, difference, lower, upper, (a.size, b.size), text)


def effects_table(effects: Mapping[str, OneWay]) -> pd.DataFrame:
    """One row per quantity: spread within and between drivers with intervals, F and its chance."""
    rows = [
        (name, e.within_sd, e.within_lower, e.within_upper, e.between_sd, e.between_lower, e.between_upper, e.f, e.p)
        for name, e in effects.items()
    ]
    names = [
        "quantity",
        "within",
        "within_lower",
        "within_upper",
        "between",
        "between_lower",
        "between_upper",
        "f",
        "p",
    ]
    return pd.DataFrame(rows, columns=names).set_index("quantity")


def require_confidence(confidence: float) -> None:
    """Refuse a confidence that is not between 0 and 1."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence!r}; a number between 0 and 1 is wanted, such as 0.95.")


@dataclass(frozen=True)
class SurvivalCurve:
    """Share of stretches of driving that last longer than a time: a step function from 1 at 0 s."""

    label: str
    seconds: np.ndarray  # shape (times,): times of drop-outs, rising
    share: np.ndarray  # shape (times,), from each time on
    standard_error: np.ndarray  # shape (times,), Greenwood
    lower: np.ndarray  # shape (times,), NaN where the share is 0
    upper: np.ndarray
    at_risk: np.ndarray  # shape (times,), stretches still going just before
    longest_s: float  # longest stretch, drop-out or not: beyond it nothing is known
    stretches: int
    drop_outs: int
    confidence: float
    method: str

    @property
    def median_s(self) -> float:
        """Time by which half of the stretches have dropped out; NaN where fewer than half did."""
        below = np.flatnonzero(self.share <= 0.5)
        return float(self.seconds[below[0]]) if below.size else float("nan")


@dataclass(frozen=True)
class LogRank:
    """Whether two sets of stretches last equally long."""

    chi_square: float  # one degree of freedom; NaN without drop-outs
    p_value: float
    drop_outs: tuple[int, int]
    method: str


def survival_curve(seconds: ArrayLike, dropped: ArrayLike, *, label: str, confidence: float) -> SurvivalCurve:
    """Estimate how long the link lasts.

    Parameters
    ----------
    seconds : array, shape (stretches,)
        Length of each stretch, above zero. [s]
    dropped : array of bool, shape (stretches,)
        True where a drop-out ended it, False where it ended well.
    label : str
        What the stretches have in common.
    confidence : float
        Of the pointwise interval.

    Returns
    -------
    SurvivalCurve
        Empty arrays where nothing dropped out.

    Raises
    ------
    ValueError
        Lengths that are not above zero, or another number of them than of ends.

    Notes
    -----
    Kaplan-Meier with Greenwood's standard error and log-log intervals. Source: E. L. Kaplan, P. Meier, J. Am. Stat.
    Assoc. 53 (1958) 457; J. D. Kalbfleisch, R. L. Prentice, "The Statistical Analysis of Failure Time Data".
    """
    length, ended = _checked(seconds, dropped)
    require_confidence(confidence)
    method = f"Kaplan-Meier, Greenwood, log-log {100 * confidence:.0f} % intervals"
    longest = float(length.max(initial=0.0))
    if not ended.any():
        none = np.zeros(0)
        because = f"{method}; not shown: no drop-out in {length.size} stretches"
        return SurvivalCurve(label, none, none, none, none, none, none, longest, length.size, 0, confidence, because)
    survival = scipy.stats.ecdf(scipy.stats.CensoredData(uncensored=length[ended], right=length[~ended])).sf
    times = np.unique(length[ended])
    share = survival.evaluate(times)
    at_risk = np.array([(length >= time).sum() for time in times])
    events = np.array([((length == time) & ended).sum() for time in times])
    error, lower, upper = _greenwood(share, events, at_risk, confidence)
    return SurvivalCurve(
        label, times, share, error, lower, upper, at_risk, longest, length.size, int(ended.sum()), confidence, method
    )


def _greenwood(
    share: np.ndarray, events: np.ndarray, at_risk: np.ndarray, confidence: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Greenwood's standard error of each share, and its log-log interval."""
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.sqrt(np.cumsum(events / (at_risk * (at_risk - events))))
        reach = scipy.stats.norm.ppf(0.5 + confidence / 2) * relative / np.log(share)
        lower, upper = share ** np.exp(-reach), share ** np.exp(reach)
    known = np.isfinite(relative) & (share > 0)
    return (
        np.where(known, share * np.where(known, relative, 0.0), np.nan),
        np.where(known, lower, np.nan),
        np.where(known, upper, np.nan),
    )


def compare_survival(first: tuple[ArrayLike, ArrayLike], second: tuple[ArrayLike, ArrayLike]) -> LogRank:
    """Log-rank test of two sets of stretches, each (seconds, dropped); two-sided.

    Notes
    -----
    Source: N. Mantel, Cancer Chemother. Rep. 50 (1966) 163. Approximate: with fewer than about ten drop-outs in all
    the method says so.
    """
    (a, a_ended), (b, b_ended) = _checked(*first), _checked(*second)
    drop_outs = (int(a_ended.sum()), int(b_ended.sum()))
    if not sum(drop_outs) or not a.size or not b.size:
        return LogRank(float("nan"), 1.0, drop_outs, "log-rank; not shown: no drop-out, or nothing to compare with")
    result = scipy.stats.logrank(
        scipy.stats.CensoredData(uncensored=a[a_ended], right=a[~a_ended]),
        scipy.stats.CensoredData(uncensored=b[b_ended], right=b[~b_ended]),
    )
    few = "; rough, as there are fewer than ten drop-outs" if sum(drop_outs) < 10 else ""
    return LogRank(float(result.statistic) ** 2, float(result.pvalue), drop_outs, f"log-rank, two-sided{few}")


def _checked(seconds: ArrayLike, dropped: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    length, ended = np.asarray(seconds, dtype=float), np.asarray(dropped, dtype=bool)
    if length.shape != ended.shape or not (length > 0).all():
        raise ValueError(
            f"survival: {length.size} lengths and {ended.size} ends; one end for each length is wanted, and every "
            "length above zero."
        )
    return length, ended
