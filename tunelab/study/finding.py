"""A finding: one statement that a record makes, with its evidence."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Status = Literal["met", "watch", "stop", "not_shown"]

LEAN_STOP_PCT = 10.0  # lean of commanded under load; where the owner states no limit. Common practice, no source


def status_word(status: str, limit: float | None) -> str:
    """How a page says a status: `measured` for a value that there was nothing to hold against."""
    return "measured" if status == "met" and limit is None else status


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


def _past(value: float, least: float | None, most: float | None) -> bool:
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
        return status_word(self.status, self.limit)
