"""A channel over engine speed and load, how its readings are distributed, and which samples lie in a box."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.log.flag import trusted
from tunelab.physics.load import absolute_load
from tunelab.study.finding import shows_its_table
from tunelab.units import convert
from tunelab.workspace.car import Car

LOAD_CHANNELS = ("manifold_kpa", "throttle_pct", "pulse_width_ms")  # in place of airflow, in this order
TRIMS = ("trim_short_pct", "trim_long_pct")
DOES_NOT_MATTER = ("transient", "cold")  # a look at a log is not an estimate


@dataclass(frozen=True)
class EngineLoad:
    """What stands for load in this log."""

    values: np.ndarray  # shape (time,), NaN where not known
    label: str  # with its unit
    trusted: np.ndarray  # shape (time,)


@shows_its_table
@dataclass(frozen=True)
class LoadMap:
    """Mean, spread and count of a channel over engine speed and load. Cells without a sample hold NaN."""

    channel: str
    speed_edges_rpm: np.ndarray  # shape (speeds + 1,)
    load_edges: np.ndarray  # shape (loads + 1,)
    load_label: str
    count: np.ndarray  # shape (loads, speeds)
    mean: np.ndarray
    spread: np.ndarray  # standard deviation; NaN with fewer than two samples
    samples_used: int
    samples_flagged: int
    because: str = ""  # why it is empty

    def table(self) -> pd.DataFrame:
        """One row per cell with samples: its edges, count, mean, spread."""
        rows, columns = np.nonzero(self.count)
        return pd.DataFrame(
            {
                "speed_from_rpm": self.speed_edges_rpm[columns],
                "load_from": self.load_edges[rows],
                "speed_to_rpm": self.speed_edges_rpm[columns + 1],
                "load_to": self.load_edges[rows + 1],
                "count": self.count[rows, columns],
                "mean": self.mean[rows, columns],
                "spread": self.spread[rows, columns],
            }
        )


def engine_load(log: xr.Dataset, car: Car) -> EngineLoad:
    """Load of the engine: absolute load (SAE J1979) from the logged airflow, else manifold pressure, else throttle.

    A log with none of them has one load, zero, and a label that says so.
    """
    if {"air_flow_kg_h", "engine_speed_rpm"} <= set(log.data_vars):
        speed = log["engine_speed_rpm"].to_numpy()
        turning = np.where(speed > 0, speed, np.nan)
        load = absolute_load(log["air_flow_kg_h"].to_numpy(), turning, displacement_l=car.engine.displacement_l)
        good = trusted(log, "air_flow_kg_h", "engine_speed_rpm", allow=DOES_NOT_MATTER)
        return EngineLoad(load, "absolute load [%]", good.to_numpy() & np.isfinite(load))
    for name in LOAD_CHANNELS:
        if name in log:
            values = log[name].to_numpy()
            good = trusted(log, name, allow=DOES_NOT_MATTER).to_numpy() & np.isfinite(values)
            return EngineLoad(values, channel(name).axis_label, good)
    size = log.sizes["time"]
    return EngineLoad(np.zeros(size), "load: not logged", np.ones(size, dtype=bool))


def fullest_load(log: xr.Dataset, car: Car) -> EngineLoad:
    """Load of the engine, by airflow unless another channel knows it at more samples: a piece may lack airflow."""
    found = engine_load(log, car)
    if "air_flow_kg_h" not in log:
        return found
    other = engine_load(log.drop_vars("air_flow_kg_h"), car)
    return other if np.ptp(other.values) > 0 and other.trusted.sum() > found.trusted.sum() else found


def map_channel(log: xr.Dataset, name: str, load: EngineLoad, *, speed_step_rpm: float, loads: int) -> LoadMap:
    """Sort the trusted samples of a channel into cells of engine speed and load.

    Parameters
    ----------
    log : Dataset
        Flagged log with `engine_speed_rpm`.
    name : str
        The channel.
    load : EngineLoad
        From `engine_load`.
    speed_step_rpm : float
        Width of a cell. [rpm]
    loads : int
        Cells over the range of the load, from its 0.1 to its 99.9 % quantile, the ends reaching out to the extremes.

    Returns
    -------
    LoadMap
        Empty, with the reason, where the log has no engine speed or no sample may be used together with it.

    Raises
    ------
    KeyError
        The log has no such channel; the message names the nearest.
    """
    if "engine_speed_rpm" not in log:
        return _empty(log, name, load, "the log has no engine speed.")
    good = trusted(log, name, "engine_speed_rpm", allow=DOES_NOT_MATTER).to_numpy() & load.trusted
    return _map(log, name, log[name].to_numpy(), good, load, speed_step_rpm, loads)


def map_lambda_error(log: xr.Dataset, load: EngineLoad, *, speed_step_rpm: float, loads: int) -> LoadMap:
    """Sort lambda against commanded, in per cent lean, into cells of engine speed and load, the trims taken out.

    In closed loop the trims bring lambda to commanded whatever the curve is worth: without them it would have been
    measured times 1 + trim. Only steady moments of a warm engine count: elsewhere lambda arrives late, and belongs to
    another cell. A commanded lambda that never changes is no fault. Parameters and result as `map_channel`; empty,
    with the reason, where the log lacks one of the two.
    """
    name, needs = "lambda_measured", ("lambda_measured", "lambda_commanded", "engine_speed_rpm")
    absent = [need for need in needs if need not in log]
    if absent:
        return _empty(log, name, load, f"the log has no {absent[0]}.")
    good = trusted(log, "lambda_measured", "engine_speed_rpm").to_numpy() & load.trusted
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = log["lambda_measured"].to_numpy() / log["lambda_commanded"].to_numpy()
    for trim in (trim for trim in TRIMS if trim in log):
        ratio = ratio * (1 + convert(log[trim].to_numpy(), "percent", "1"))
    return _map(log, name, 100 * (ratio - 1), good, load, speed_step_rpm, loads)


def _map(
    log: xr.Dataset,
    name: str,
    values: np.ndarray,
    good: np.ndarray,
    load: EngineLoad,
    speed_step_rpm: float,
    loads: int,
) -> LoadMap:
    speed = log["engine_speed_rpm"].to_numpy()
    good = good & np.isfinite(values) & np.isfinite(speed)
    if not good.any():
        return _empty(log, name, load, f"no sample of {name} may be used together with engine speed and load.")
    speeds = _speed_edges(speed[good], speed_step_rpm)
    edges = _load_edges(load.values[good], loads)
    column = np.clip(np.searchsorted(speeds, speed[good], side="right") - 1, 0, speeds.size - 2)
    row = np.clip(np.searchsorted(edges, load.values[good], side="right") - 1, 0, edges.size - 2)
    count, mean, spread = _moments(row * (speeds.size - 1) + column, values[good], (edges.size - 1, speeds.size - 1))
    used = int(good.sum())
    return LoadMap(name, speeds, edges, load.label, count, mean, spread, used, int(good.size - used))


def _empty(log: xr.Dataset, name: str, load: EngineLoad, because: str) -> LoadMap:
    edges, cell = np.array([0.0, 1.0]), np.full((1, 1), np.nan)
    count = np.zeros((1, 1), dtype=int)
    return LoadMap(name, edges, edges, load.label, count, cell, cell, 0, int(log.sizes["time"]), because)


def _speed_edges(speed: np.ndarray, step: float) -> np.ndarray:
    first, last = np.floor(speed.min() / step), np.floor(speed.max() / step) + 1
    return np.arange(first, last + 1) * step


def _load_edges(load: np.ndarray, cells: int) -> np.ndarray:
    low, high = np.quantile(load[:: max(1, load.size // 100_000)], (0.001, 0.999))
    edges = np.linspace(low, max(high, low + 1e-9), cells + 1)
    edges[0], edges[-1] = min(edges[0], load.min()), max(edges[-1], load.max())
    return edges


def _moments(cell: np.ndarray, values: np.ndarray, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Count, mean and standard deviation of each cell; two passes, so that a large mean costs no digits."""
    size = shape[0] * shape[1]
    count = np.bincount(cell, minlength=size)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(cell, weights=values, minlength=size) / count
        square = np.bincount(cell, weights=(values - mean[cell]) ** 2, minlength=size)
        spread = np.where(count > 1, np.sqrt(square / (count - 1)), np.nan)
    return count.reshape(shape), mean.reshape(shape), spread.reshape(shape)


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
    counted, set_aside = (np.histogram(values[known & which], edges)[0] for which in (good, ~good))
    return Distribution(name, edges, counted, set_aside, quantiles, int(kept.size), int(known.sum() - kept.size))


def _edges(kept: np.ndarray, everything: np.ndarray) -> np.ndarray:
    low, high = float(everything.min()), float(everything.max())
    some = kept[:: max(1, kept.size // 200_000)]
    width = 2.0 * float(np.subtract(*np.quantile(some, (0.75, 0.25)))) / np.cbrt(kept.size)
    bins = int(np.clip((high - low) / width if width > 0 else FEWEST_BINS, FEWEST_BINS, MOST_BINS))
    return np.linspace(low, high, bins + 1) if high > low else np.array([low - 0.5, low + 0.5])


Box = tuple[float, float, float, float]  # left, bottom, right, top, in the units of what it lies over


def samples_inside(across: np.ndarray, up: np.ndarray, box: Box) -> np.ndarray:
    """Tell which samples lie in a box, its edges included.

    Parameters
    ----------
    across, up : arrays, shape (time,)
        What the box was drawn over: two channels, time and a channel, engine speed and load.
    box : tuple of float
        Left, bottom, right, top, in their units.

    Returns
    -------
    bool array, shape (time,)
        A sample with a missing reading of either lies outside.
    """
    left, bottom, right, top = box
    return (across >= left) & (across <= right) & (up >= bottom) & (up <= top)
