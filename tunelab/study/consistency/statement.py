"""How a check becomes a finding."""

from __future__ import annotations

import numpy as np

from tunelab.study.finding import Finding, Status


def statement(
    key: str, title: str, because: str, *, status: Status, figure: tuple[float, str, float], samples: int
) -> Finding:
    """Finding of one check; `figure` is value, unit and limit. A check that could not be made has the value NaN."""
    value, unit, limit = figure
    shown = bool(np.isfinite(value))
    return Finding(
        id=f"consistency.{key}",
        title=title,
        value=float(value) if shown else None,
        unit=unit,
        lower=None,
        upper=None,
        confidence=None,
        samples_used=samples,
        samples_flagged=0,
        status=status if shown else "not_shown",
        limit=float(limit) if np.isfinite(limit) else None,
        because=because,
    )


def not_made(key: str, title: str, because: str, unit: str = "%") -> Finding:
    """Finding of a check for which the log has not enough."""
    return statement(key, title, because, status="not_shown", figure=(np.nan, unit, np.nan), samples=0)


def graded(value: float, watch: float, stop: float) -> Status:
    """Status of a value that is better small."""
    return "stop" if value > stop else "watch" if value > watch else "met"
