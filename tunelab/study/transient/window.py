"""Stretches in which the mixture was disturbed: around tip-ins, tip-outs and the ends of fuel cuts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.segment import find_segments
from tunelab.study.fuel_cut.cut import find_cuts
from tunelab.study.gearing.reading import at_rows, has
from tunelab.study.idle.stretch import rows_between
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

BEFORE_S, AFTER_S = 0.8, 2.5
LEAST_READINGS = 12
EVENT_COLUMNS = [
    "kind", "at_s", "throttle_from_pct", "throttle_to_pct", "rate_pct_s", "engine_speed_rpm", "coolant_c",
    "disturbed_by",
]  # fmt: skip
DISTURBED_S = 2.0  # another event this shortly before or after lets neither be judged alone


@dataclass(frozen=True)
class Window:
    """One disturbed stretch on the signal's clock; neighbouring events share one."""

    start_s: float
    end_s: float
    kinds: tuple[str, ...]
    engine_speed_rpm: float  # at its first event
    coolant_c: float


def find_events(log: xr.Dataset, car: Car, revision: Revision) -> pd.DataFrame:
    """One row per tip-in, tip-out and end of a fuel cut, sorted by time.

    `rate_pct_s` is the mean rate of the throttle over the movement, `disturbed_by` the kind of another event within
    2 s (or a fuel cut before), empty where the event stands alone.
    """
    table = find_segments(log, car)
    cuts = find_cuts(log, car, revision)
    throttle, speed = at_rows(log, "throttle_pct"), at_rows(log, "engine_speed_rpm")
    coolant = at_rows(log, "coolant_c") if has(log, "coolant_c") else np.full(log.sizes["time"], np.nan)
    rows = []
    for row in table[table["kind"].isin(["tip-in", "tip-out"])].itertuples():
        inside = rows_between(log, (row.start_s, row.end_s))
        before, after = throttle[max(inside.start - 2, 0)], throttle[min(inside.stop + 1, throttle.size - 1)]
        seconds = max(row.end_s - row.start_s, float(np.median(np.diff(log["time"].values))))
        rate = (throttle[inside][-1] - throttle[inside][0]) / seconds
        rows.append((row.kind, row.start_s, before, after, rate, speed[inside.start], coolant[inside.start]))
    for row in cuts[cuts["ended_by"] != "gap"].itertuples():
        at = rows_between(log, (row.end_s, row.end_s + 1.0)).start
        rows.append(("fuel back", row.end_s, throttle[at], throttle[at], 0.0, row.exit_rpm, coolant[at]))
    found = pd.DataFrame(rows, columns=EVENT_COLUMNS[:-1]).sort_values("at_s", ignore_index=True)
    return found.assign(disturbed_by=_disturbed(found, cuts))


def _disturbed(events: pd.DataFrame, cuts: pd.DataFrame) -> list[str]:
    """For each event the kind of what stands too near to judge it alone, empty where nothing does."""
    at = events["at_s"].to_numpy(dtype=float)
    reasons = []
    for k, row in enumerate(events.itertuples()):
        near = np.flatnonzero((np.abs(at - at[k]) < DISTURBED_S) & (np.arange(at.size) != k))
        later_tip_out = row.kind == "tip-in" and all(at[n] - at[k] > 0.8 for n in near)
        inside = (cuts["start_s"] < at[k] + 1.0) & (cuts["end_s"] > at[k] - DISTURBED_S)
        if row.kind != "fuel back" and inside.any():
            reasons.append("fuel cut")
        elif near.size and not later_tip_out:
            reasons.append(str(events["kind"].iloc[near[0]]))
        else:
            reasons.append("")
    return reasons


def windows_of(events: pd.DataFrame, grid_time) -> list[Window]:
    """Windows on the signal's clock from `BEFORE_S` before to `AFTER_S` after each event; overlapping ones joined.

    `grid_time` turns a time of the log into one of the grid.
    """
    found: list[Window] = []
    for row in events.itertuples():
        at = float(grid_time(row.at_s))
        if found and at - BEFORE_S < found[-1].end_s and at + AFTER_S - found[-1].start_s < 12.0:
            last = found.pop()
            kinds = (*last.kinds, row.kind)
            found.append(Window(last.start_s, at + AFTER_S, kinds, last.engine_speed_rpm, last.coolant_c))
        else:
            start = max(at - BEFORE_S, found[-1].end_s) if found else at - BEFORE_S
            found.append(Window(start, at + AFTER_S, (row.kind,), row.engine_speed_rpm, row.coolant_c))
    return found


def number_readings(reading_s: np.ndarray, usable: np.ndarray, windows: list[Window]) -> np.ndarray:
    """Number of the window of each reading, -1 outside of all and in windows with too few, shape (readings,)."""
    number = np.full(reading_s.size, -1)
    for k, window in enumerate(windows):
        inside = usable & (reading_s >= window.start_s) & (reading_s <= window.end_s)
        if inside.sum() >= LEAST_READINGS:
            number[inside] = k
    return number
