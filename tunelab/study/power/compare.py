"""Whether two revisions differ in power by more than noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.study.finding import Finding, status_within
from tunelab.study.power.inputs import STANDARD_DAY_UNCERTAINTY, deviates
from tunelab.study.power.result import CONFIDENCE, PowerFit
from tunelab.study.shown import shows_its_table


@shows_its_table
@dataclass(frozen=True)
class PowerComparison:
    """Power of one revision over that of another, referred to a standard day, in percent difference.

    `lower` and `upper` hold at each engine speed by itself; `band_lower` and `band_upper` hold over the whole range at
    once. Arrays have shape (grid,), NaN where not both were measured.
    """

    shown: bool
    because: str
    before: str
    after: str
    engine_speed_rpm: np.ndarray
    difference_pct: np.ndarray
    lower_pct: np.ndarray
    upper_pct: np.ndarray
    band_lower_pct: np.ndarray
    band_upper_pct: np.ndarray
    mean_pct: float  # over the range both cover
    mean_interval: tuple[float, float]
    told_apart: bool  # the interval of the mean leaves out zero
    regions: tuple[
        tuple[float, float, float], ...
    ]  # from rpm, to rpm, mean difference, where the whole band leaves out 0
    sentence: str
    samples_used: int
    samples_flagged: int
    confidence: float = CONFIDENCE
    method: str = "draws of both measurements paired by what they share (mass, road load, tyres, inertias)"

    def table(self) -> pd.DataFrame:
        """One row per engine speed."""
        names = ["engine_speed_rpm", "difference_pct", "lower_pct", "upper_pct", "band_lower_pct", "band_upper_pct"]
        return pd.DataFrame({name: getattr(self, name) for name in names}).dropna(ignore_index=True)

    def findings(self) -> list[Finding]:
        """Build the comparison as one finding."""
        counts = (self.samples_used, self.samples_flagged)
        title = f"Power of {self.after} over {self.before}"
        if not self.shown:
            return [
                Finding("power.change", title, None, "%", None, None, None, *counts, "not_shown", None, self.because)
            ]
        status = status_within(self.mean_pct, *self.mean_interval)
        numbers = (self.mean_pct, "%", *self.mean_interval, self.confidence)
        return [Finding("power.change", title, *numbers, *counts, status, None, self.sentence)]


def compare_power(before: PowerFit, after: PowerFit) -> PowerComparison:
    """Compare two measurements made with the same `Drawing`.

    What they share (mass, road load, tyres, inertias) cancels, because its draws are the same in both; what
    differs from day to day and from pull to pull does not.
    """
    why = _why_not(before, after)
    if why:
        return _not_shown(before, after, why)
    grid, first, second = np.intersect1d(before.engine_speed_rpm, after.engine_speed_rpm, return_indices=True)[:3]
    ratio = _on_standard_day(after)[:, second] / _on_standard_day(before)[:, first]
    difference = 100 * (ratio - 1)
    difference[:, ~np.isfinite(difference[0])] = np.nan
    known = np.isfinite(difference[0])
    if not known.any():
        return _not_shown(before, after, "the two measurements share no engine speed.")
    return _compared(before, after, grid, difference, known)


def _why_not(before: PowerFit, after: PowerFit) -> str:
    for fit in (before, after):
        if not fit.shown:
            return f"no power figure of {fit.revision or fit.session}: {fit.because}"
    if before.draws_kw.shape[0] != after.draws_kw.shape[0]:
        return "the two measurements were made with different numbers of draws; use the same Drawing for both."
    return ""


def _on_standard_day(fit: PowerFit) -> np.ndarray:
    """Draws of power on a standard day, row 0 the estimate itself; shape (draws, grid)."""
    change = STANDARD_DAY_UNCERTAINTY * deviates(fit.draws_kw.shape[0], 0, f"day {fit.session}")
    change[0] = 0.0
    return fit.draws_kw * fit.standard_day.factor * (1 + change[:, None])


def _compared(before: PowerFit, after: PowerFit, grid, difference: np.ndarray, known: np.ndarray) -> PowerComparison:
    value = np.where(known, difference[0], np.nan)
    lower, upper = np.quantile(difference[1:], [0.025, 0.975], axis=0)
    spread = difference[1:].std(axis=0)
    off = np.abs(difference[1:, known] - difference[1:, known].mean(axis=0)) / np.maximum(spread[known], 1e-9)
    reach = np.quantile(off.max(axis=1), CONFIDENCE)
    band = value - reach * spread, value + reach * spread
    means = difference[:, known].mean(axis=1)
    mean, interval = float(means[0]), tuple(float(x) for x in np.quantile(means[1:], [0.025, 0.975]))
    apart = interval[0] > 0 or interval[1] < 0
    regions = _regions(grid, value, band)
    text = _sentence(before, after, grid[known], mean, interval, apart, regions)
    used, flagged = before.samples_used + after.samples_used, before.samples_flagged + after.samples_flagged
    return PowerComparison(
        True, "", before.revision, after.revision, grid, value, lower, upper, *band, mean, interval, apart, regions,
        text, used, flagged,
    )  # fmt: skip


def _regions(grid: np.ndarray, value: np.ndarray, band: tuple[np.ndarray, np.ndarray]) -> tuple:
    """Ranges of engine speed over which the band that holds everywhere at once leaves out zero."""
    clear = np.nan_to_num((band[0] > 0) | (band[1] < 0)).astype(bool)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], clear.astype(int), [0]))))
    return tuple(
        (float(grid[a]), float(grid[b - 1]), float(value[a:b].mean()))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


def _sentence(before, after, grid, mean: float, interval, apart: bool, regions) -> str:
    size = "more" if mean > 0 else "less"
    core = f"from {grid[0]:.0f} to {grid[-1]:.0f} rpm {after.revision} makes {abs(mean):.1f} % {size} than "
    core += before.revision
    core += f" (between {interval[0]:+.1f} and {interval[1]:+.1f} %)"
    text = f"{core}: that is {'more' if apart else 'no more'} than noise."
    where = ", ".join(f"{low:.0f} to {high:.0f} rpm ({change:+.1f} %)" for low, high, change in regions)
    return f"{text} Clear by itself at {where}." if regions else text


def _not_shown(before: PowerFit, after: PowerFit, why: str) -> PowerComparison:
    empty, nan = np.array([]), float("nan")
    return PowerComparison(
        False,
        why,
        before.revision,
        after.revision,
        *[empty] * 6,
        nan,
        (nan, nan),
        False,
        (),
        f"no comparison: {why}",
        0,
        0,
    )
