"""Which way along the road a stretch was driven."""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.study.gearing.reading import has
from tunelab.study.pull.result import Direction

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
    middle = _mean(longitude), _mean(latitude)
    metres = METRES_PER_DEGREE * np.array([np.cos(np.radians(middle[1])), 1.0])
    degrees = np.array([(_mean(longitude[part]), _mean(latitude[part])) for part in rows]).reshape(-1, 2)
    return metres * (degrees - middle)


def _mean(values: np.ndarray) -> float:
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
