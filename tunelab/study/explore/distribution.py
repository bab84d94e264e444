"""How the readings of a channel are distributed, trusted and flagged apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.log.flag import trusted
from tunelab.study.shown import shows_its_table

SHARES = (0.0, 0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99, 1.0)
FEWEST_BINS, MOST_BINS = 10, 120


@shows_its_table
@dataclass(frozen=True)
class Distribution:
    """Counts of readings in bins, and quantiles of the trusted ones."""

    channel: str
    edges: np.ndarray  # shape (bins + 1,), in the channel's unit
    trusted: np.ndarray  # shape (bins,), counts
    flagged: np.ndarray  # shape (bins,), counts
    quantiles: np.ndarray  # shape (9,), at `SHARES`; NaN without a trusted reading
    samples_used: int
    samples_flagged: int

    def summary(self) -> pd.DataFrame:
        """One row per share: share of the trusted readings below, and the reading."""
        below = [f"{100 * share:g} %" for share in SHARES]
        name = channel(self.channel).axis_label
        return pd.DataFrame({"readings below": below, name: self.quantiles}).set_index("readings below")


def distribute(log: xr.Dataset, name: str) -> Distribution:
    """Count the readings of a channel in bins of equal width.

    Parameters
    ----------
    log : Dataset
        Flagged log. Whole-sample reasons such as a transient do not make a reading doubtful here.
    name : str
        The channel; NaN is not counted.

    Raises
    ------
    KeyError
        The log has no such channel; the message names the nearest.
    ValueError
        It has no reading at all.

    Notes
    -----
    Width by D. Freedman and P. Diaconis, Z. Wahrscheinlichkeitstheorie 57 (1981) 453, at least 10 and at most 120 bins.
    """
    good = trusted(log, name, allow=("transient", "cold", "fuel_cut", "gap", "warming_up")).to_numpy()
    values = log[name].to_numpy()
    known = np.isfinite(values)
    if not known.any():
        raise ValueError(f"the log has no reading of {name}.")
    edges = _edges(values[known & good] if (known & good).any() else values[known], values[known])
    kept = values[known & good]
    quantiles = np.quantile(kept, SHARES) if kept.size else np.full(len(SHARES), np.nan)
    counts = [np.histogram(values[known & which], edges)[0] for which in (good, ~good)]
    return Distribution(name, edges, *counts, quantiles, int(kept.size), int(known.sum() - kept.size))


def _edges(kept: np.ndarray, everything: np.ndarray) -> np.ndarray:
    low, high = float(everything.min()), float(everything.max())
    some = kept[:: max(1, kept.size // 200_000)]
    width = 2.0 * float(np.subtract(*np.quantile(some, (0.75, 0.25)))) / np.cbrt(kept.size)
    bins = int(np.clip((high - low) / width if width > 0 else FEWEST_BINS, FEWEST_BINS, MOST_BINS))
    return np.linspace(low, high, bins + 1) if high > low else np.array([low - 0.5, low + 0.5])
