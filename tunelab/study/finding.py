"""A finding: one statement that a record makes, with its evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Status = Literal["met", "watch", "stop", "not_shown"]


def status_word(status: str, limit: float | None) -> str:
    """How a page says a status: `measured` for a value that there was nothing to hold against."""
    return "measured" if status == "met" and limit is None else status


@dataclass(frozen=True)
class Finding:
    """One statement with its interval, its evidence and what it was held against.

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
    limit: float | None  # what the value was held against; None where there is no limit
    because: str  # one plain sentence: why this status

    @property
    def word(self) -> str:
        """Status as a page says it."""
        return status_word(self.status, self.limit)
