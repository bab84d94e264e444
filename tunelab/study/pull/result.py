"""What pull detection returns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.study.shown import shows_its_table

Direction = Literal["out", "back", "unknown"]


@dataclass(frozen=True)
class Pull:
    """One stretch of rising engine speed in one gear, from the first to the last row that counts."""

    number: int  # from 1, in the order driven
    first: int  # row of the log
    last: int  # row of the log, included
    start_s: float
    end_s: float
    throttle: Literal["full", "part"]
    throttle_pct: float  # median
    gear: int  # 0 where the log cannot tell it
    direction: Direction  # "out" is the way of the first pull
    from_rpm: float
    to_rpm: float
    open_first: int  # row at which the throttle was open; the pull begins after tip-in
    note: str = ""  # what was cut away at its ends, and why

    @property
    def seconds(self) -> float:
        """Length. [s]"""
        return self.end_s - self.start_s

    @property
    def rows(self) -> slice:
        """Rows of the pull."""
        return slice(self.first, self.last + 1)


@dataclass(frozen=True)
class RefusedPull:
    """A stretch of open throttle that is no pull, or not as a whole."""

    start_s: float
    end_s: float
    because: str


@shows_its_table
@dataclass(frozen=True)
class PullSet:
    """Pulls of a log and what was refused."""

    pulls: tuple[Pull, ...]
    refused: tuple[RefusedPull, ...]
    because: str  # why there are none; empty otherwise
    gear_source: str  # where the gear comes from, or why it is unknown
    samples_used: int  # rows inside pulls
    samples_flagged: int  # rows of open throttle that lie in no pull

    @property
    def full(self) -> tuple[Pull, ...]:
        """Pulls at full throttle only."""
        return tuple(pull for pull in self.pulls if pull.throttle == "full")

    def summary(self) -> pd.DataFrame:
        """One row per pull."""
        columns = ["start_s", "end_s", "throttle", "throttle_pct", "gear", "direction", "from_rpm", "to_rpm", "note"]
        rows = [{"pull": p.number} | {name: getattr(p, name) for name in columns} for p in self.pulls]
        return pd.DataFrame(rows, columns=["pull", *columns]).set_index("pull")

    def refusals(self) -> pd.DataFrame:
        """One row per stretch refused: start_s, end_s, because."""
        rows = [(r.start_s, r.end_s, r.because) for r in self.refused]
        return pd.DataFrame(rows, columns=["start_s", "end_s", "because"])


def inside(log: xr.Dataset, pull: Pull) -> np.ndarray:
    """Times of a pull's rows. [s]"""
    return log["time"].values[pull.rows]
