"""Which way along the road a stretch was driven."""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.study.gearing.reading import has
from tunelab.study.pull.result import Direction

SHORTEST_WAY_M = 20.0  # a shorter way says nothing about the heading
ALONG = 0.7  # cosine to the first stretch beyond which it is the same road
METRES_PER_DEGREE = 111_195.0  # of latitude, on a sphere of 6371 km


def directions(log: xr.Dataset, rows: list[slice], turned_at_s: list[float]) -> list[Direction]:
    """Direction of each stretch: "out" is the way of the first one.

    The position decides where it is logged. Without one the moments decide at which the car was turned round
    (`turned_at_s` of session.toml); with neither, every direction is unknown.
    """
    if has(log, "latitude_deg") and has(log, "longitude_deg"):
        return _by_position([_way(log, part) for part in rows])
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


def _by_position(ways: list[np.ndarray]) -> list[Direction]:
    long_enough = [np.hypot(*way) >= SHORTEST_WAY_M for way in ways]
    if not any(long_enough):
        return ["unknown"] * len(ways)
    reference = ways[long_enough.index(True)] / np.hypot(*ways[long_enough.index(True)])
    found: list[Direction] = []
    for way, known in zip(ways, long_enough, strict=True):
        along = float(way @ reference / np.hypot(*way)) if known else 0.0
        found.append("out" if along > ALONG else "back" if along < -ALONG else "unknown")
    return found
