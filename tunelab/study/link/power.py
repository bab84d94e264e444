"""How much driving it takes to settle whether a change helped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from tunelab.study.link.rate import require_confidence
from tunelab.units import convert

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
            f"driving with the new wiring alone, however long, shows it with a chance of {chance[-1]:.0%} only, "
            "because the old wiring was driven too little for its rate to be known"
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
