"""Time to a drop-out as survival data: a drive that ended well is censored, not thrown away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from tunelab.study.link.rate import require_confidence


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
