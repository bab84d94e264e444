"""What the full-throttle study returns."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from tunelab.study.finding import Finding
from tunelab.study.full_throttle.check import Breach, Check
from tunelab.study.full_throttle.mixture import Mixture
from tunelab.study.full_throttle.stretch import Stretch
from tunelab.study.shown import shows_its_table


@shows_its_table
@dataclass(frozen=True)
class FullThrottle:
    """Every check of full throttle, and the first moment in each stretch at which the driver should have lifted."""

    shown: bool
    because: str  # why nothing was judged
    stretches: tuple[Stretch, ...]
    checks: tuple[Check, ...]
    mixture: Mixture | None
    limit_lambda: float
    lift: pd.DataFrame
    """`stretch, lift_s, seconds_after_opening, engine_speed_rpm, check, worst`: the first breach that the driver could
    have seen, per stretch that has one."""
    samples_used: int  # rows of full throttle
    samples_flagged: int  # of those, rows with a doubt about the whole sample

    def summary(self) -> pd.DataFrame:
        """One row per check: value, interval, limit, margin, status, where."""
        rows = [
            (
                c.quantity.title,
                c.value,
                c.lower,
                c.upper,
                c.quantity.unit,
                c.quantity.limit,
                c.margin,
                c.status,
                c.because,
            )
            for c in self.checks
        ]
        names = ["check", "value", "lower", "upper", "unit", "limit", "margin", "status", "because"]
        return pd.DataFrame(rows, columns=names).set_index("check")

    def breaches(self) -> pd.DataFrame:
        """One row per breach, in the order in which they were to be seen."""
        found: list[Breach] = sorted((b for c in self.checks for b in c.breaches), key=lambda b: b.seen_s)
        names = ["stretch", "check", "start_s", "end_s", "seen_s", "engine_speed_rpm", "worst", "lift"]
        return pd.DataFrame([{name: getattr(b, name) for name in names} for b in found], columns=names)

    def findings(self) -> list[Finding]:
        """One finding per check; where nothing was driven a single one that says so."""
        if not self.shown:
            title = "Full throttle"
            return [Finding("full_throttle", title, None, "1", None, None, None, 0, 0, "not_shown", None, self.because)]
        return [check.finding() for check in self.checks]
