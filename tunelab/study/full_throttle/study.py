"""Judges every stretch of full throttle against the owner's limits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import fresh_readings, has
from tunelab.study.delay import DelayFit
from tunelab.study.finding import Finding, shows_its_table, step_of
from tunelab.study.full_throttle.check import (
    LIFT_COLUMNS,
    NEVER_MOVED,
    Breach,
    Check,
    Quantity,
    Stretch,
    first_breaches,
    full_throttle_stretches,
    missing,
)
from tunelab.study.full_throttle.margin import check_margins
from tunelab.study.full_throttle.mixture import Mixture, check_mixture
from tunelab.study.pull import is_full_throttle
from tunelab.study.pull_result import PullSet
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision


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


def check_full_throttle(
    log: xr.Dataset,
    car: Car,
    revision: Revision,
    pulls: PullSet,
    delay: DelayFit,
    *,
    beside: tuple[xr.Dataset, ...] = (),
) -> FullThrottle:
    """Judge full throttle: mixture, injectors, meter, knock, temperatures, supply, fuelling mode.

    Parameters
    ----------
    log : Dataset
        A flagged log.
    car, revision
        The owner's limits are the authority; curve and current dead time.
    pulls : PullSet
        Of `find_pulls` on the same log. Stretches of full throttle that make no pull are judged too.
    delay : DelayFit
        Transport delay and lag of the lambda sensor, from `estimate_delay`.
    beside : tuple of Dataset
        Other flagged logs of the same car and logger. A reading that never moves in this log is alive if it does there.

    Returns
    -------
    FullThrottle
        A check whose channel or limit is missing is not shown and says so; it never counts as met. Nor does a reading
        that never changed.
    """
    stretches = full_throttle_stretches(log, is_full_throttle(log), pulls)
    if not stretches:
        because = pulls.because or "the throttle was never fully open for half a second."
        empty = pd.DataFrame(columns=LIFT_COLUMNS)
        return FullThrottle(False, because, (), (), None, car.limits.lambda_max_full_load, empty, 0, log.sizes["time"])
    mixture = check_mixture(log, car, revision, stretches, delay)
    first = (
        _no_mixture(car, mixture)
        if isinstance(mixture, str)
        else [mixture.lean, mixture.against_commanded, mixture.rich]
    )
    checks = tuple(_alive_beside(c, beside) for c in (*first, *check_margins(log, car, revision, stretches)))
    rows = np.concatenate([np.arange(s.first, s.last + 1) for s in stretches])
    flagged = int((log["sample_flag"].values[rows] != 0).sum())
    known = None if isinstance(mixture, str) else mixture
    limit = car.limits.lambda_max_full_load
    return FullThrottle(
        True, "", stretches, checks, known, limit, first_breaches(checks, stretches), rows.size, flagged
    )


def _alive_beside(check: Check, beside: tuple[xr.Dataset, ...]) -> Check:
    """Give a reading that never moved in this log the step that it shows in another log of the car."""
    channel = check.quantity.channel
    if check.moved or not channel or not np.isfinite(check.value):
        return check
    steps = [step_of(fresh_readings(log, channel)[1]) for log in beside if has(log, channel)]
    if not np.isfinite(steps).any():
        return check
    half = float(np.nanmin(steps)) / 2
    lower = max(check.value - half, check.quantity.never_below)
    text = f"{check.because.removesuffix(NEVER_MOVED)}It never changed in this log, but does in another of the car."
    return replace(check, lower=lower, upper=check.value + half, because=text)


def _no_mixture(car: Car, why: str) -> list[Check]:
    limit, key = car.limits.lambda_max_full_load, "limits.lambda_max_full_load"
    title = "Leanest lambda at full throttle"
    return [missing(Quantity("full_throttle.lambda", title, "1", limit, key, "higher", lift=True), why, 0)]
