"""A channel as the rows of a log need it: trusted, and fresh values apart from held ones."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.log.flag import trusted_rows
from tunelab.log.once import made_once

# What must not take a reading away from a study of pulls and coast-downs: they are transient by nature, and whether the
# engine is warm or its fuel cut says nothing about speeds.
OF_NO_MATTER = ("transient", "cold", "fuel_cut")

LONGEST_BRIDGE_S = 0.6  # between two fresh readings further apart than this nothing is drawn,
LONGEST_BRIDGE_STEPS = 2.2  # unless the channel is slow by itself: then this many of its usual steps


def has(log: xr.Dataset, name: str) -> bool:
    """Whether the log holds at least one reading of a channel."""
    return name in log and bool(np.isfinite(log.variables[name].values).any())


def never_moves(log: xr.Dataset, name: str) -> bool:
    """Whether a channel is logged and stands at one value throughout: a dead sensor reads the same."""
    values = log.variables[name].values if has(log, name) else np.array([])
    known = values[np.isfinite(values)]
    return bool(known.size) and bool(np.ptp(known) == 0)


def trusted_values(log: xr.Dataset, name: str) -> np.ndarray:
    """Readings of one channel, NaN where a flag of its own, a gap or an exclusion stands; shape (time,)."""
    return np.where(trusted_rows(log, name, allow=OF_NO_MATTER), log.variables[name].values, np.nan)


def fresh_readings(log: xr.Dataset, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Times and values of the trusted, fresh readings of one channel; shapes (readings,)."""
    values = trusted_values(log, name)
    keep = np.isfinite(values)
    if f"{name}_fresh" in log:
        keep &= log.variables[f"{name}_fresh"].values == 1
    return log.variables["time"].values[keep], values[keep]


def rate_hz(log: xr.Dataset, name: str) -> float:
    """Fresh readings per second, by the median step between them; NaN with fewer than three readings. [Hz]"""
    time, _ = fresh_readings(log, name)
    return float(1 / np.median(np.diff(time))) if time.size > 2 else float("nan")


@made_once
def at_rows(log: xr.Dataset, name: str) -> np.ndarray:
    """One channel at every row: fresh readings joined by straight lines.

    Returns
    -------
    array, shape (time,)
        NaN where the neighbouring fresh readings lie more than LONGEST_BRIDGE_S (of a slow channel more than
        LONGEST_BRIDGE_STEPS of its usual steps) apart, or in two episodes; everywhere where the channel is not logged.

    Raises
    ------
    KeyError
        No channel has that name.
    """
    row_time = log.variables["time"].values
    if name not in log:
        if name not in CHANNELS:
            raise KeyError(f"{name!r} is no channel; tunelab list --channels names them.")
        return np.full(row_time.size, np.nan)
    time, values = fresh_readings(log, name)
    if time.size < 2:
        return np.full(row_time.size, np.nan)
    after = np.clip(np.searchsorted(time, row_time), 1, time.size - 1)
    longest = max(LONGEST_BRIDGE_S, LONGEST_BRIDGE_STEPS * float(np.median(np.diff(time))))
    reach = (row_time >= time[0]) & (row_time <= time[-1]) & (time[after] - time[after - 1] <= longest)
    held = np.isclose(row_time, time[np.clip(np.searchsorted(time, row_time), 0, time.size - 1)])
    drawn = np.where(reach | held, np.interp(row_time, time, values), np.nan)
    return np.where(_same_episode(log, time, after) | held, drawn, np.nan)


def _same_episode(log: xr.Dataset, time: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Whether the readings before and after each row belong to one episode."""
    if "episode" not in log:
        return np.ones(after.size, dtype=bool)
    episode = log.variables["episode"].values[np.searchsorted(log.variables["time"].values, time)]
    return episode[after] == episode[after - 1]


def row_step_s(log: xr.Dataset) -> float:
    """Median step between rows. [s]"""
    time = log.variables["time"].values
    return float(np.median(np.diff(time))) if time.size > 1 else float("nan")


def rows_in(seconds: float, step_s: float) -> int:
    """Odd number of rows that spans about `seconds`; at least 3, also where a log of one row has no step."""
    if not step_s > 0.0:
        return 3
    return max(3, 2 * round(seconds / step_s / 2) + 1)


def rolling(values: np.ndarray, rows: int, how: str) -> np.ndarray:
    """Centred rolling statistic (`median`, `std`, `mean`, `max`, `min`); NaN with less than half the rows present."""
    return getattr(pd.Series(values).rolling(rows, center=True, min_periods=rows // 2 + 1), how)().to_numpy()


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """Stretches of True as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], np.asarray(mask, dtype=np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
