"""The gear at every row of a log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.study.gearing.ratio import SpeedRatio, speed_ratio
from tunelab.study.gearing.ratios import estimate_ratios
from tunelab.study.gearing.reading import rolling, rows_in, runs
from tunelab.study.gearing.scale import against_gearing, expected_log_ratios
from tunelab.study.shown import shows_its_table
from tunelab.workspace.car import Car

WIDEST = 0.12  # of the logarithm: a ratio further from every gear belongs to none
SHARE_OF_STEP = 0.4  # of the distance to the neighbouring gear
CROSSING_PER_S = 0.15  # a logarithm that moves faster at either end of a gear is the clutch's doing
SHORTEST_S = 0.3  # a gear engaged for less than this is a crossing, not a gear


@shows_its_table
@dataclass(frozen=True)
class GearTrace:
    """The gear at every row; 0 where none fits: clutch, neutral, standstill, spinning wheels."""

    time: np.ndarray  # s, shape (rows,)
    gear: np.ndarray  # int
    deviation: np.ndarray  # log of the ratio over that of the gear, NaN without a gear
    log_ratio: np.ndarray  # natural logarithm of rpm per km/h
    steady: np.ndarray  # bool
    gear_log_ratios: np.ndarray  # as used, the scale of the speed sensor included; shape (gears,)
    speed_factor: float  # on the speed reading, found against the gearing
    source: str  # where the ratios come from
    samples_used: int
    samples_flagged: int

    def summary(self) -> pd.DataFrame:
        """One row per gear: rows and seconds engaged."""
        step = float(np.median(np.diff(self.time)))
        counts = [(k, int((self.gear == k).sum())) for k in range(self.gear_log_ratios.size + 1)]
        rows = [(k, n, n * step) for k, n in counts]
        return pd.DataFrame(rows, columns=["gear", "rows", "seconds"]).set_index("gear")


def trace_gears(log: xr.Dataset, car: Car) -> GearTrace:
    """Name the gear at every row by its speed ratio.

    With the car's gearing the scale of the speed sensor is found first, so that a sensor some per cent off does not
    shift gears. Without it the gears are numbered as the log shows them, shortest first.

    Raises
    ------
    ValueError
        The log has no engine speed or no speed of the car.
    """
    trace = speed_ratio(log)
    lines, factor, source = _gear_lines(log, trace, car)
    gear, deviation = _assign(trace, lines)
    used = int((gear > 0).sum())
    return GearTrace(
        trace.time, gear, deviation, trace.log_ratio, trace.steady, lines, factor, source, used, gear.size - used
    )


def _gear_lines(log: xr.Dataset, trace: SpeedRatio, car: Car) -> tuple[np.ndarray, float, str]:
    if car.gearing is None or car.tyres is None:
        found = estimate_ratios(log)
        lines = np.log([gear.rpm_per_km_h for gear in found.gears])
        return lines, float("nan"), "the log itself: car.toml states no gearing or no tyres"
    expected = expected_log_ratios(car)
    scale, _ = against_gearing(trace, expected)
    if not scale.shown:
        return expected, 1.0, f"car.toml, unchecked: {scale.because}"
    return expected + np.log(scale.factor), scale.factor, "car.toml, with the scale of the speed sensor found"


def _assign(trace: SpeedRatio, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if lines.size == 0:
        return np.zeros(trace.time.size, dtype=int), np.full(trace.time.size, np.nan)
    smooth = rolling(trace.log_ratio, rows_in(0.4, trace.step_s), "median")
    distance = smooth[:, None] - lines
    nearest = np.argmin(np.where(np.isfinite(distance), np.abs(distance), 9.0), axis=1)
    deviation = distance[np.arange(nearest.size), nearest]
    gear = np.where((np.abs(deviation) < _tolerance(lines)[nearest]) & ~trace.free, nearest + 1, 0)
    moved = (np.abs(np.gradient(smooth)) / trace.step_s > CROSSING_PER_S) & (trace.step_s < SHORTEST_S)
    gear = _without_crossings(gear, moved, trace.step_s)
    return gear, np.where(gear > 0, deviation, np.nan)


def _tolerance(lines: np.ndarray) -> np.ndarray:
    """How far the ratio may lie from each gear's line; shape (gears,)."""
    gap = np.abs(np.diff(np.sort(lines)[::-1])) if lines.size > 1 else np.array([1.0])
    nearest_gap = np.minimum(np.append(gap, gap[-1]), np.insert(gap, 0, gap[0]))
    return np.minimum(SHARE_OF_STEP * nearest_gap[: lines.size], WIDEST)


def _without_crossings(gear: np.ndarray, moved: np.ndarray, step_s: float) -> np.ndarray:
    """Drop the ends of stretches in a gear at which the ratio still moves, and stretches too short to be a gear."""
    kept = gear.copy()
    for number in np.unique(gear[gear > 0]):
        for first, last in runs(gear == number):
            held = first + np.flatnonzero(~moved[first:last])
            begin, end = (held[0], held[-1] + 1) if held.size else (last, last)
            kept[first:begin] = kept[end:last] = 0
            if (end - begin) * step_s < SHORTEST_S:
                kept[first:last] = 0
    return kept
