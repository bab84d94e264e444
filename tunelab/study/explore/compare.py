"""Two plain comparisons for a first look: a straight line through two channels, and groups side by side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from tunelab.study.link.rate import require_confidence


@dataclass(frozen=True)
class LineFit:
    """Straight line y = intercept + slope x by least squares."""

    intercept: float
    intercept_standard_error: float
    slope: float
    slope_standard_error: float
    slope_lower: float
    slope_upper: float
    r_squared: float
    confidence: float
    samples_used: int
    samples_flagged: int
    method: str


def fit_line(x: ArrayLike, y: ArrayLike, *, confidence: float) -> LineFit:
    """Fit a straight line; pairs with a missing value are left out.

    Raises
    ------
    ValueError
        Fewer than three pairs, or all at one x.

    Notes
    -----
    The interval takes the pairs as independent. Samples of a log that follow each other are not: thin them first, or
    take one mean per hold.
    """
    require_confidence(confidence)
    across, up = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    known = np.isfinite(across) & np.isfinite(up)
    if known.sum() < 3 or not np.ptp(across[known]) > 0:
        raise ValueError(f"{int(known.sum())} pairs; at least three at different x are wanted for a line.")
    fit = scipy.stats.linregress(across[known], up[known])
    reach = float(scipy.stats.t.ppf(0.5 + confidence / 2, known.sum() - 2)) * fit.stderr
    return LineFit(
        intercept=float(fit.intercept),
        intercept_standard_error=float(fit.intercept_stderr),
        slope=float(fit.slope),
        slope_standard_error=float(fit.stderr),
        slope_lower=float(fit.slope - reach),
        slope_upper=float(fit.slope + reach),
        r_squared=float(fit.rvalue**2),
        confidence=confidence,
        samples_used=int(known.sum()),
        samples_flagged=int(known.size - known.sum()),
        method="least squares, pairs taken as independent",
    )


@dataclass(frozen=True)
class GroupDifference:
    """Whether groups differ more than what scatters within them."""

    f_ratio: float  # NaN where it is not known
    p_value: float
    groups: int
    samples_used: int
    because: str  # empty where it is known


def compare_groups(groups: Mapping[str, ArrayLike]) -> GroupDifference:
    """One-way analysis of variance of independent values, such as one figure per launch, by group.

    NaN is left out, and so is a group with fewer than two values. Source: R. A. Fisher, "Statistical Methods for
    Research Workers" (1925); scipy's f_oneway.
    """
    values = [np.asarray(group, dtype=float) for group in groups.values()]
    values = [group[np.isfinite(group)] for group in values]
    values = [group for group in values if group.size > 1]
    used = sum(group.size for group in values)
    if len(values) < 2:
        because = "fewer than two groups of two or more"
        return GroupDifference(float("nan"), float("nan"), len(values), used, because)
    result = scipy.stats.f_oneway(*values)
    return GroupDifference(float(result.statistic), float(result.pvalue), len(values), used, "")
