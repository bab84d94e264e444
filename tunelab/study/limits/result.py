"""What the watch over the owner's limits returns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.study.delay import DelayFit
from tunelab.study.finding import Finding, shows_its_table
from tunelab.study.full_throttle.check import Check

COLUMNS = [
    "check", "value", "lower", "upper", "unit", "limit", "margin", "status", "at_s", "engine_speed_rpm", "throttle_pct",
    "load_pct", "gear", "seconds_beyond", "lift_s", "because",
]  # fmt: skip
CONDITIONS = COLUMNS[8:15]


@dataclass(frozen=True)
class Watched:
    """One limit over a whole log: the check, and what was driven at its worst moment. NaN where not known."""

    check: Check
    channel: str  # that was compared with the limit, empty where it was calculated from several
    throttle_pct: float
    load_pct: float  # absolute load
    gear: int  # 0: not known, or none
    lift_s: float  # first moment at which the driver could have seen it and should have lifted; NaN without one

    @property
    def seconds_beyond(self) -> float:
        """Time beyond the limit, all stretches together. [s]"""
        return sum(breach.end_s - breach.start_s for breach in self.check.breaches)

    @property
    def is_passed(self) -> bool:
        """Whether the value itself lies beyond the limit."""
        return self.check.status in ("stop", "watch") and self.check.margin < 0


@shows_its_table
@dataclass(frozen=True)
class LimitWatch:
    """Every limit of the owner's that a log can speak of."""

    watched: tuple[Watched, ...]
    readings: pd.DataFrame  # of lambda under load: seen_s, fuelled_s, engine_speed_rpm, lambda, commanded, judged
    load_from_pct: float
    seconds_running: float
    seconds_loaded: float
    delay: DelayFit
    because: str  # why nothing could be compared with anything; empty where something was
    confidence: float = 0.95

    @property
    def checks(self) -> tuple[Check, ...]:
        """The checks alone."""
        return tuple(item.check for item in self.watched)

    @property
    def passed(self) -> tuple[Check, ...]:
        """Limits that were passed, stops first."""
        found = [item.check for item in self.watched if item.is_passed]
        return tuple(sorted(found, key=lambda check: check.status != "stop"))

    def findings(self) -> list[Finding]:
        """One finding per limit."""
        return [check.finding() for check in self.checks]

    def summary(self) -> pd.DataFrame:
        """One row per limit: value, interval, unit, limit, margin, status, and in words when and how long beyond."""
        return self.table().drop(columns=CONDITIONS)

    def table(self) -> pd.DataFrame:
        """The summary with the conditions at each worst moment in columns of their own."""
        rows = [
            (
                item.check.quantity.title, item.check.value, item.check.lower, item.check.upper,
                item.check.quantity.unit, item.check.quantity.limit, item.check.margin, item.check.status,
                item.check.at_s, item.check.engine_speed_rpm, item.throttle_pct, item.load_pct, item.gear,
                item.seconds_beyond, item.lift_s, item.check.because,
            )
            for item in self.watched
        ]  # fmt: skip
        return pd.DataFrame(rows, columns=COLUMNS).set_index("check")

    def lift(self) -> pd.DataFrame:
        """Limits passed in the order in which the driver could have seen them: check, lift_s, worst, seconds beyond."""
        found = sorted((i for i in self.watched if np.isfinite(i.lift_s)), key=lambda item: item.lift_s)
        rows = [
            (i.check.quantity.title, i.lift_s, i.check.value, i.check.quantity.unit, i.seconds_beyond) for i in found
        ]
        return pd.DataFrame(rows, columns=["check", "lift_s", "worst", "unit", "seconds_beyond"])
