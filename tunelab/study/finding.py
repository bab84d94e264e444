"""A finding: one statement that a record makes, with its evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Status = Literal["met", "watch", "stop", "not_shown"]


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
