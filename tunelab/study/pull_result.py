"""What pull detection returns, with the direction along the road."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import has
from tunelab.study.finding import shows_its_table

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


SHORTEST_WAY_M = 20.0  # a shorter way says nothing about the heading
ALONG = 0.7  # cosine to the first stretch beyond which it is the same road
BESIDE_M, APART_M = 150.0, 2000.0  # a stretch further from the first one, across or along, is another piece of road
METRES_PER_DEGREE = 111_195.0  # of latitude, on a sphere of 6371 km


def directions(log: xr.Dataset, rows: list[slice], turned_at_s: list[float]) -> list[Direction]:
    """Direction of each stretch: "out" is the way of the first one.

    The position decides where it is logged. Without one the moments decide at which the car was turned round
    (`turned_at_s` of session.toml); with neither, every direction is unknown. So is that of a stretch somewhere else:
    its slope has nothing to do with that of the first one.
    """
    if has(log, "latitude_deg") and has(log, "longitude_deg"):
        return _by_position([_way(log, part) for part in rows], _places(log, rows))
    if turned_at_s:
        middle = [float(log["time"].values[part].mean()) for part in rows]
        turns = [int(np.searchsorted(sorted(turned_at_s), moment)) for moment in middle]
        return ["out" if (turn - turns[0]) % 2 == 0 else "back" for turn in turns]
    return ["unknown"] * len(rows)


def _way(log: xr.Dataset, part: slice) -> np.ndarray:
    """Way from the first to the last position, east and north. [m]"""
    latitude, longitude = log["latitude_deg"].values[part], log["longitude_deg"].values[part]
    known = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    if known.size < 2:
        return np.full(2, np.nan)
    first, last = known[0], known[-1]
    east = (longitude[last] - longitude[first]) * np.cos(np.radians(latitude[first]))
    return METRES_PER_DEGREE * np.array([east, latitude[last] - latitude[first]])


def _places(log: xr.Dataset, rows: list[slice]) -> np.ndarray:
    """Mean position of each stretch from that of the log, east and north; shape (stretches, 2). [m]"""
    latitude, longitude = log["latitude_deg"].values, log["longitude_deg"].values
    middle = known_mean(longitude), known_mean(latitude)
    metres = METRES_PER_DEGREE * np.array([np.cos(np.radians(middle[1])), 1.0])
    degrees = np.array([(known_mean(longitude[part]), known_mean(latitude[part])) for part in rows]).reshape(-1, 2)
    return metres * (degrees - middle)


def known_mean(values: np.ndarray) -> float:
    """Mean of what is known, NaN where nothing is."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _by_position(ways: list[np.ndarray], places: np.ndarray) -> list[Direction]:
    long_enough = [np.hypot(*way) >= SHORTEST_WAY_M for way in ways]
    if not any(long_enough):
        return ["unknown"] * len(ways)
    first = long_enough.index(True)
    reference = ways[first] / np.hypot(*ways[first])
    found: list[Direction] = []
    for way, place, known in zip(ways, places - places[first], long_enough, strict=True):
        across = abs(place[0] * reference[1] - place[1] * reference[0])
        is_here = known and across <= BESIDE_M and abs(float(place @ reference)) <= APART_M
        along = float(way @ reference / np.hypot(*way)) if is_here else 0.0
        found.append("out" if along > ALONG else "back" if along < -ALONG else "unknown")
    return found
