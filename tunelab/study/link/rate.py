"""Rates of rare events: few decide, so the intervals are exact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

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


def require_confidence(confidence: float) -> None:
    """Refuse a confidence that is not between 0 and 1."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence!r}; a number between 0 and 1 is wanted, such as 0.95.")


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
