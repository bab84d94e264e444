"""Rates of rare events, two of them compared, and how much driving it takes to settle a change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from tunelab.study.statistics import require_confidence
from tunelab.units import convert

MOST_CONFIDENCE = 1 - 1e-12  # of an interval: above it rounding leaves no rest


def poisson_interval(events: ArrayLike, *, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    """Exact interval of a Poisson mean from one count.

    Parameters
    ----------
    events : array of counts, any shape
        Number of events seen; NaN gives NaN.
    confidence : float
        0.95 for a 95 % interval; half of the rest on either side.

    Returns
    -------
    lower, upper : arrays of the same shape
        The lower end is 0 where nothing was seen.

    Raises
    ------
    ValueError
        A negative count, or a confidence outside (0, 1).

    Notes
    -----
    Source: F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437, by quantiles of
    chi-square.
    """
    counts = np.asarray(events, dtype=float)
    require_confidence(confidence)
    if np.any(counts < 0):
        raise ValueError(f"events: a count below zero ({float(np.nanmin(counts)):g}); counts of events are wanted.")
    tail = (1 - confidence) / 2
    lower = np.where(counts > 0, scipy.stats.chi2.ppf(tail, 2 * np.maximum(counts, 1e-12)) / 2, 0.0 * counts)
    return lower, scipy.stats.chi2.ppf(1 - tail, 2 * counts + 2) / 2


def stricter(confidence: float, dispersion: float) -> float:
    """Confidence at which an interval for lone events is as wide as one for events that come in bunches has to be.

    `dispersion` is the variance of their counts over that of lone ones: the standard error grows with its root.
    """
    return min(1 - 2 * tail_of(confidence, dispersion), MOST_CONFIDENCE)


def tail_of(confidence: float, dispersion: float) -> float:
    """Chance left on either side of such an interval, however small."""
    reach = scipy.stats.norm.isf((1 - confidence) / 2) * np.sqrt(max(dispersion, 1.0))
    return float(scipy.stats.norm.sf(reach))


@dataclass(frozen=True)
class Rate:
    """Drop-outs per hour of logged time, with its exact interval."""

    events: int
    seconds: float  # exposure
    per_h: float  # NaN without exposure
    lower_per_h: float
    upper_per_h: float  # infinite without exposure
    confidence: float


def rate_of(events: int, seconds: float, *, confidence: float, dispersion: float = 1.0) -> Rate:
    """Rate of events over an exposure [s]; without exposure it is NaN, between 0 and infinity.

    `dispersion` widens the interval for events that come in bunches, see `stricter`.

    Raises
    ------
    ValueError
        A negative count or exposure, or a confidence outside (0, 1).
    """
    if not seconds >= 0:
        raise ValueError(f"seconds is {seconds!r}; an exposure of zero or more is wanted.")
    lower, upper = (float(end) for end in poisson_interval(events, confidence=stricter(confidence, dispersion)))
    if seconds == 0:
        return Rate(int(events), 0.0, float("nan"), 0.0, float("inf"), confidence)
    hours = float(convert(seconds, "s", "h"))
    return Rate(int(events), float(seconds), events / hours, lower / hours, upper / hours, confidence)


@dataclass(frozen=True)
class Chance:
    """How often something happens per try, with its exact (Clopper-Pearson) interval."""

    events: int
    tries: int
    share: float  # NaN without a try
    lower: float
    upper: float
    confidence: float


def chance_of(events: int, tries: int, *, confidence: float) -> Chance:
    """Chance of an event per try, such as a drop-out per start of the engine."""
    require_confidence(confidence)
    if not tries:
        return Chance(0, 0, float("nan"), 0.0, 1.0, confidence)
    ends = scipy.stats.binomtest(min(events, tries), tries).proportion_ci(confidence, method="exact")
    return Chance(events, tries, min(events, tries) / tries, float(ends.low), float(ends.high), confidence)


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


def _solve(rising: Callable[[float], float]) -> float:
    """Ratio at which a function that rises with it passes zero; 0 or infinite where that lies beyond WIDEST."""
    if rising(np.exp(-WIDEST)) > 0:
        return 0.0
    if rising(np.exp(WIDEST)) < 0:
        return float("inf")
    return float(
        np.exp(scipy.optimize.brentq(lambda log_ratio: rising(np.exp(log_ratio)), -WIDEST, WIDEST, xtol=1e-10))
    )


LONGEST_MIN = 3000.0  # no plan goes further

STEPS = 240

MANY = 300.0  # drop-outs from which the counts are taken to be normal


@dataclass(frozen=True)
class Settling:
    """Driving that is still needed to settle it."""

    minutes: float  # more driving with the new wiring; NaN where none would do
    minutes_each: float  # driving with either wiring, all anew, at the rate seen with the old one; NaN where not known
    factor: float  # improvement that would be found
    power: float  # with this chance
    confidence: float
    because: str


def power_of_comparison(per_h: float, factor: float, minutes: tuple[float, float], *, confidence: float) -> float:
    """Chance that two drives show an improvement that is there.

    Parameters
    ----------
    per_h : float
        True rate with the old wiring. [1/h]
    factor : float
        The new wiring's rate is `per_h / factor`.
    minutes : pair of float
        Driving with the old and with the new wiring. [min]
    confidence : float
        Of the comparison, as in `rate_ratio`.

    Returns
    -------
    float
        Probability, over both Poisson counts, that the exact interval of the ratio lies below 1.
    """
    require_confidence(confidence)
    old, new = (float(convert(value, "min", "h")) for value in minutes)
    mean_old, mean_new = per_h * old, per_h / factor * new
    counts = np.arange(int(scipy.stats.poisson.isf(1e-9, mean_old)) + 1)
    if min(mean_old, mean_new) > MANY:
        return _power_of_many(mean_old, mean_new, new / old, confidence)
    tail, share_old = (1 - confidence) / 2, old / (old + new)
    seen = np.arange(int(scipy.stats.poisson.isf(1e-9, mean_new)) + 1)
    shows = scipy.stats.binom.sf(counts[:, None] - 1, counts[:, None] + seen, share_old) <= tail
    return float(scipy.stats.poisson.pmf(counts, mean_old) @ shows @ scipy.stats.poisson.pmf(seen, mean_new))


def _power_of_many(mean_old: float, mean_new: float, exposure_ratio: float, confidence: float) -> float:
    """Power where both counts are large: the logarithm of their ratio is normal, within half a percent there."""
    spread = np.sqrt(1 / mean_old + 1 / mean_new)
    shift = np.log(mean_old * exposure_ratio / mean_new)
    return float(scipy.stats.norm.cdf(shift / spread - scipy.stats.norm.ppf(0.5 + confidence / 2)))


def minutes_to_settle(
    old: tuple[int, float], new: tuple[int, float], *, factor: float, power: float, confidence: float
) -> Settling:
    """How much more driving with the new wiring would show an improvement, if it is there.

    Parameters
    ----------
    old, new : pairs (drop-outs, seconds)
        What was seen so far; `new` may be (0, 0).
    factor : float
        Improvement worth finding: the new rate is the old one divided by it.
    power : float
        Chance with which it should be found.
    confidence : float
        Of the comparison.

    Notes
    -----
    The old rate is uncertain itself: it is averaged over a gamma distribution with shape drop-outs + 1/2 (Jeffreys),
    so further drop-outs are negative binomial. The states of the engine are taken to be mixed as they were.
    """
    require_confidence(confidence)
    (events, seconds), (seen, driven) = old, new
    stated = (factor, power, confidence)
    if not events or not seconds:
        because = "the old wiring showed no drop-out: there is nothing to improve on"
        return Settling(float("nan"), float("nan"), *stated, because)
    each = _minutes_each(events / float(convert(seconds, "s", "h")), stated)
    more = np.concatenate([[0.0], _lengths()])
    ahead = convert(more, "min", "s")
    critical = _critical(events, np.maximum(driven + ahead, 1e-9) / seconds, confidence)
    chance = scipy.stats.nbinom.cdf(critical - seen, events + 0.5, seconds / (seconds + ahead / factor))
    chance = np.where(critical >= seen, chance, 0.0)
    enough = _lasting(chance, power)
    if enough is None:
        because = (
            "driving with the new wiring alone, however long, shows it with a chance of "
            f"{100 * chance[-1]:.0f} % only, because the old wiring was driven too little for its rate to be known"
        )
        return Settling(float("nan"), each, *stated, because)
    return Settling(float(np.ceil(more[enough])), each, *stated, "if the states of the engine mix as they did")


def _lengths() -> np.ndarray:
    """Lengths of driving that are tried. [min]"""
    return np.geomspace(1.0, LONGEST_MIN, STEPS)


def _minutes_each(per_h: float, stated: tuple[float, float, float]) -> float:
    """Shortest drive with either wiring that shows the improvement with the chance wanted. [min]"""
    factor, power, confidence = stated
    lengths = _lengths()[::4]
    low, high = -1, lengths.size  # too short, and long enough or never
    while high - low > 1:
        middle = (low + high) // 2
        both = (lengths[middle], lengths[middle])
        enough = power_of_comparison(per_h, factor, both, confidence=confidence) >= power
        low, high = (low, middle) if enough else (middle, high)
    return float(np.ceil(lengths[high])) if high < lengths.size else float("nan")


def _lasting(chance: np.ndarray, wanted: float) -> int | None:
    """First position from which on the chance stays at or above what is wanted."""
    enough = np.minimum.accumulate(chance[::-1])[::-1] >= wanted
    return int(np.argmax(enough)) if enough.any() else None


def _critical(events: int, exposure_ratio: np.ndarray, confidence: float) -> np.ndarray:
    """Most drop-outs with the new wiring that still show it better, for each new over old exposure; -1: none would."""
    tail, share_old = (1 - confidence) / 2, 1 / (1 + exposure_ratio)
    low = np.full(exposure_ratio.shape, -1)
    high = (3 + 3 * (events + 3) * exposure_ratio).astype(int)  # so many show nothing, or something worse
    while (high - low > 1).any():
        middle = (low + high) // 2
        shows = (middle >= 0) & (scipy.stats.binom.sf(events - 1, events + np.maximum(middle, 0), share_old) <= tail)
        low, high = np.where(shows, middle, low), np.where(shows | (high - low <= 1), high, middle)
    return low
