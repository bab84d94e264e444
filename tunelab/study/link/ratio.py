"""Two rates compared with each other: exact, and like with like where the engine's state matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from tunelab.study.link.rate import require_confidence, tail_of

WIDEST = 30.0  # of the logarithm of a ratio: beyond it, it is called zero or infinite


@dataclass(frozen=True)
class RateRatio:
    """Rate of the second over rate of the first; below 1 the second drops out less."""

    ratio: float  # NaN where there was no event or no common state
    lower: float
    upper: float
    p_value: float  # chance of a difference as large or larger, either way, if the rates are equal; 1 without events
    confidence: float
    events_first: int  # in the states that both were in
    events_second: int
    seconds_first: float
    seconds_second: float
    method: str

    @property
    def is_shown(self) -> bool:
        """Whether the interval excludes that the rates are equal."""
        return bool(self.upper < 1 or self.lower > 1)


def rate_ratio(
    events: Sequence[tuple[int, int]],
    seconds: Sequence[tuple[float, float]],
    *,
    confidence: float,
    dispersion: float = 1.0,
) -> RateRatio:
    """Compare two rates, state by state.

    Parameters
    ----------
    events, seconds : sequences of pairs (first, second), one pair per state
        Drop-outs and exposure [s]. A state that only one of the two was in says nothing and is left out.
    confidence : float
        0.95 for a 95 % interval.
    dispersion : float
        Variance of counts over that of lone events, of `dispersion_of`; above 1 interval and p-value allow for bunches.

    Returns
    -------
    RateRatio
        One ratio common to all states. 0 or infinite where all events lie on one side.

    Raises
    ------
    ValueError
        Not as many pairs of one as of the other, or negative numbers.

    Notes
    -----
    Given how many events each state had, the number that fall to the second is a sum of binomials, whose shares depend
    on the exposures and the ratio alone. The interval inverts that exact distribution; the p-value is twice the
    smaller tail. With one state this is the conditional test of J. Przyborowski and H. Wilenski, Biometrika 31 (1940)
    313, with a Clopper-Pearson interval.
    """
    require_confidence(confidence)
    table = _strata(events, seconds)
    n, observed = table.events.sum(axis=1), int(table.events[:, 1].sum())
    total, tail = int(n.sum()), tail_of(confidence, dispersion)
    bunched = f", widened for bunches ({dispersion:.1f} times the variance of lone events)" if dispersion > 1 else ""
    method = f"exact{bunched}, conditional on the events of each of {len(n)} states; p is twice the smaller tail"
    counts = (total - observed, observed, float(table.seconds[:, 0].sum()), float(table.seconds[:, 1].sum()))
    if not total:
        because = "no event" if len(n) else "no state that both were in"
        return RateRatio(float("nan"), 0.0, float("inf"), 1.0, confidence, *counts, f"{method}; {because}")
    lower = 0.0 if observed == 0 else _solve(lambda r: _tails(table, n, observed, r)[1] - tail)
    upper = float("inf") if observed == total else _solve(lambda r: tail - _tails(table, n, observed, r)[0])
    ratio = _estimate(table, n, observed)
    lone = min(1.0, 2 * min(_tails(table, n, observed, 1.0)))
    p_value = float(2 * scipy.stats.norm.sf(scipy.stats.norm.isf(lone / 2) / np.sqrt(max(dispersion, 1.0))))
    return RateRatio(ratio, lower, upper, p_value, confidence, *counts, method)


@dataclass(frozen=True)
class _Strata:
    events: np.ndarray  # shape (states, 2)
    seconds: np.ndarray  # shape (states, 2), all above zero


def _strata(events: Sequence[tuple[int, int]], seconds: Sequence[tuple[float, float]]) -> _Strata:
    counts, exposure = np.asarray(events, dtype=int).reshape(-1, 2), np.asarray(seconds, dtype=float).reshape(-1, 2)
    if counts.shape != exposure.shape or (counts < 0).any() or not (exposure >= 0).all():
        raise ValueError(
            f"rate_ratio: {len(counts)} pairs of counts and {len(exposure)} of exposures; as many of each are wanted, "
            "none below zero."
        )
    both = (exposure > 0).all(axis=1)
    return _Strata(counts[both], exposure[both])


def _tails(table: _Strata, n: np.ndarray, observed: int, ratio: float) -> tuple[float, float]:
    """P(at most observed), P(at least observed) for the second, given a ratio of the rates."""
    pmf = np.ones(1)
    for events, share in zip(n, _shares(table, ratio), strict=True):
        pmf = np.convolve(pmf, scipy.stats.binom.pmf(np.arange(events + 1), events, share))
    return float(pmf[: observed + 1].sum()), float(pmf[observed:].sum())


def _shares(table: _Strata, ratio: float) -> np.ndarray:
    weighted = ratio * table.seconds[:, 1]
    return weighted / (weighted + table.seconds[:, 0])


def _estimate(table: _Strata, n: np.ndarray, observed: int) -> float:
    """Ratio of greatest conditional likelihood: it expects what was seen."""
    if observed in (0, n.sum()):
        return 0.0 if observed == 0 else float("inf")
    return _solve(lambda r: float(n @ _shares(table, r)) - observed)


def _solve(rising) -> float:
    """Ratio at which a function that rises with it passes zero; 0 or infinite where that lies beyond WIDEST."""
    if rising(np.exp(-WIDEST)) > 0:
        return 0.0
    if rising(np.exp(WIDEST)) < 0:
        return float("inf")
    return float(
        np.exp(scipy.optimize.brentq(lambda log_ratio: rising(np.exp(log_ratio)), -WIDEST, WIDEST, xtol=1e-10))
    )
