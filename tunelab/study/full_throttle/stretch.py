"""Stretches of full throttle: everything in them is judged, whether or not it makes a pull."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from tunelab.study.gearing.reading import row_step_s, runs
from tunelab.study.pull.result import PullSet

# Common practice, no source.
SHORTEST_S = 0.5


@dataclass(frozen=True)
class Stretch:
    """One stretch of full throttle, from the row at which it opened."""

    number: int
    first: int
    last: int  # included
    start_s: float
    end_s: float
    pull: int  # number of the pull that lies in it; 0 where none does

    @property
    def rows(self) -> slice:
        """Rows of the stretch."""
        return slice(self.first, self.last + 1)

    @property
    def name(self) -> str:
        """How a reader finds it."""
        return f"pull {self.pull}" if self.pull else f"full throttle at {self.start_s:.1f} s"


def full_throttle_stretches(log: xr.Dataset, is_full: np.ndarray, pulls: PullSet) -> tuple[Stretch, ...]:
    """Stretches of full throttle of half a second and more, in the order driven.

    Parameters
    ----------
    log : Dataset
        Any log.
    is_full : bool array, shape (time,)
        Rows at full throttle.
    pulls : PullSet
        Pulls of the same log.
    """
    time, step = log["time"].values, row_step_s(log)
    found = [(a, b) for a, b in runs(is_full) if (b - a) * step >= SHORTEST_S]
    stretches = []
    for k, (a, b) in enumerate(found, start=1):
        own = next((p.number for p in pulls.full if p.first < b and p.last >= a), 0)
        stretches.append(Stretch(k, a, b - 1, float(time[a]), float(time[b - 1]), own))
    return tuple(stretches)
