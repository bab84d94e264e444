"""A clean copy of a log: no position, height counted from its start, and every text cleaned."""

from __future__ import annotations

import json

import numpy as np
import xarray as xr

from tunelab.record.share.clean_text import clean_json
from tunelab.record.share.private import Box, Scrubber
from tunelab.study.consistency.motion import MOVED, moved_m

POSITION = ("latitude_deg", "longitude_deg")
STEP_M = 20.0  # a shorter way says nothing about the heading
BACK = -0.7  # cosine to the way before beyond which the car was turned round
METRES_PER_DEGREE = 111_195.0  # of latitude, on a sphere of 6371 km


def clean_log(log: xr.Dataset, scrubber: Scrubber, where: str, *, keep_place: bool = False) -> xr.Dataset:
    """Return a copy of a log without what is private.

    Parameters
    ----------
    log : Dataset
        A log with or without flags; it is not changed.
    scrubber : Scrubber
        Cleans the texts of all attributes.
    where : str
        Name of the file in the account.
    keep_place : bool
        Leave latitude, longitude and height as they are.
    """
    cleaned = log if keep_place else _without_position(log, scrubber, where)
    cleaned = cleaned.copy()
    cleaned.attrs = {key: _clean_attribute(value, scrubber, where) for key, value in cleaned.attrs.items()}
    for values in cleaned.variables.values():
        values.attrs = {key: _clean_attribute(value, scrubber, where) for key, value in values.attrs.items()}
    return cleaned


def _without_position(log: xr.Dataset, scrubber: Scrubber, where: str) -> xr.Dataset:
    gone = [str(n) for n in log.variables if str(n).startswith(POSITION)]
    for name in gone:
        scrubber.note("position", f"channel {name}", where)
    cleaned = log.drop_vars(gone)
    if (moved := moved_m(log)) is not None:
        known = [value if np.isfinite(value) else None for value in moved.tolist()]
        cleaned = cleaned.assign_attrs({MOVED: json.dumps(known)})
    if "altitude_m" in cleaned:
        known = np.flatnonzero(np.isfinite(cleaned["altitude_m"].values))
        if known.size:
            scrubber.note("position", "height above sea; counted from the start instead", where)
            height = cleaned["altitude_m"]
            cleaned = cleaned.assign(altitude_m=(height - float(height.values[known[0]])).assign_attrs(height.attrs))
    return cleaned


def _clean_attribute(value: object, scrubber: Scrubber, where: str) -> object:
    if not isinstance(value, str):
        return value
    if value[:1] in "[{" and value:
        try:
            return json.dumps(clean_json(json.loads(value), scrubber, where), ensure_ascii=False)
        except ValueError:
            pass
    return scrubber.text(value, where)


def box_of(log: xr.Dataset) -> Box | None:
    """Tell where a log's positions lie; None without any."""
    if not all(name in log for name in POSITION):
        return None
    latitude, longitude = (log[name].values[np.isfinite(log[name].values)] for name in POSITION)
    if not latitude.size or not longitude.size:
        return None
    return Box(float(latitude.min()), float(latitude.max()), float(longitude.min()), float(longitude.max()))


def turned_at(log: xr.Dataset) -> list[float]:
    """Moments at which the car was turned round, by its positions; they can go out where positions may not. [s]

    A turn is where the way of the next 20 m runs against the way before.
    """
    if box_of(log) is None:
        return []
    time = log["time"].values
    latitude, longitude = (log[name].values for name in POSITION)
    known = np.isfinite(latitude) & np.isfinite(longitude)
    time, latitude, longitude = time[known], latitude[known], longitude[known]
    north = METRES_PER_DEGREE * (latitude - latitude[0])
    east = METRES_PER_DEGREE * (longitude - longitude[0]) * np.cos(np.radians(latitude[0]))
    return _reversals(time, east, north)


def _reversals(time: np.ndarray, east: np.ndarray, north: np.ndarray) -> list[float]:
    found: list[float] = []
    start, before = 0, None
    for row in range(1, time.size):
        way = np.array([east[row] - east[start], north[row] - north[start]])
        length = float(np.hypot(*way))
        if length < STEP_M:
            continue
        heading = way / length
        if before is not None and float(heading @ before) < BACK:
            found.append(round(float((time[start] + time[row]) / 2), 1))
            before = heading
        elif before is None or float(heading @ before) > -BACK:
            before = heading
        start = row
    return found
