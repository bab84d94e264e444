"""The steady model: place along the meter's curve, columns and priors, and the weighted sums that it takes from the
data.

y = c + s(reading) + p(speed, load) + q(speed, load) − log(1 − δ(battery) / open) + session + drift + film + noise,
each term linear in its coefficients but for δ, which is linearised about its last value.

A hold is one experiment: its blocks share an error of their own, which does not shrink with their number.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd
import scipy
from numpy.typing import ArrayLike

from tunelab.workspace.revision import MeterCurve

MARGIN = 0.02  # of the visited range, on either side


@dataclass(frozen=True)
class Coordinate:
    """Length along the current curve in the plane of reading and log flow, both scaled to their visited range.

    Equal steps are equal steps of reading where the curve is flat in log flow and of log flow where it is steep.
    """

    reading: np.ndarray  # dense, rising, shape (n,)
    place: np.ndarray  # coordinate at each, shape (n,); 0 at the lowest visited reading

    def at(self, reading: np.ndarray) -> np.ndarray:
        """Coordinate of readings; beyond the visited range it goes on in a straight line."""
        low, high = self.reading[[0, -1]]
        slope = (self.place[-1] - self.place[0]) / (high - low)
        beyond = np.minimum(reading - low, 0.0) + np.maximum(reading - high, 0.0)
        return np.interp(reading, self.reading, self.place) + slope * beyond

    def reading_at(self, place: np.ndarray) -> np.ndarray:
        """Reading at coordinates inside the range."""
        return np.interp(place, self.place, self.reading)


def coordinate_of(curve: MeterCurve, visited: np.ndarray) -> Coordinate:
    """Coordinate over the visited readings [lowest, highest] of a curve."""
    low, high = float(np.min(visited)), float(np.max(visited))
    margin = MARGIN * (high - low)
    reading = np.linspace(low - margin, high + margin, 400)
    log_flow = smooth_log_flow(curve, reading)
    scaled = np.diff(reading) / (high - low), np.diff(log_flow) / max(float(np.ptp(log_flow)), 1e-6)
    return Coordinate(reading, np.append(0.0, np.cumsum(np.hypot(*scaled))))


def log_flow_in_force(curve: MeterCurve, reading: np.ndarray) -> np.ndarray:
    """Log of the flow as the ECU interpolates it, in straight lines between breakpoints."""
    flow = np.interp(reading, curve.reading, curve.flow_kg_h)
    return np.log(np.maximum(flow, 1e-3))


def smooth_log_flow(curve: MeterCurve, reading: np.ndarray) -> np.ndarray:
    """Log of the flow by a smooth, monotone curve through the same breakpoints.

    The meter itself bends smoothly, so part of its error is that the ECU's straight lines do not.
    """
    flow = np.asarray(curve.flow_kg_h)
    known = flow > 0
    if known.sum() < 3:
        return log_flow_in_force(curve, reading)
    at = curve.reading[known]
    inside = np.clip(reading, at[0], at[-1])
    smooth = scipy.interpolate.PchipInterpolator(at, np.log(flow[known]))(inside)
    return np.where((reading < at[0]) | (reading > at[-1]), log_flow_in_force(curve, reading), smooth)


NODES = 60  # of the meter's curve
SPEED_NODES, LOAD_NODES = 9, 8  # of the maps
MAP_SCALE = (0.35, 0.22)  # length-scales of the maps in log speed and load
DRIFT_NODE_S = 150.0  # the drift of a session bends no faster
# Prior standard deviations that the data do not choose. None is an interval; all are wide against what cars show.
CONSTANT_SD = 0.4
DEAD_TIME_SD_MS = (0.25, 0.06, 0.02)  # level, per volt, per volt squared
SCALLOP_MEAN_SD = (0.5, 0.4)  # share of the ECU's interpolation error that is seen
FILM_SD_S = (0.1, 0.3)  # per 1/s of log air (film, meter) and of log speed
FILM_S = {"wetted_short": 0.2, "wetted_long": 0.6}  # time constants of a film; what lies between is a mix of both
FILM_SHARE_SD = 0.2  # of the injected fuel that passes a film; common practice, no source
# Engine speeds [rpm] between which pulsation that dies out does so, and from which any other falls as one over the
# speed: the faster the strokes follow one another, the more evenly the meter is passed. Common practice, no source.
SPEEDS_OUT, LESS_FROM = (2500.0, 3600.0), 2000.0
FILLING_SD = 2.5  # manifold between meter and valves over displacement, of usual filling; common practice, no source


@dataclass(frozen=True)
class Onset:
    """Where intake pulsation sets in: at a load or at a pressure ratio; infinity means never."""

    quantity: Literal["load", "pressure_ratio"]
    value: float
    width: float = 0.2  # from there to where it has fully set in
    dies_out: bool = False  # gone above SPEEDS_OUT; else it only grows less with engine speed


@dataclass(frozen=True)
class Design:
    """Columns and coefficient blocks of the model for a set of blocks; arrays have shape (blocks, ·)."""

    blocks: pd.DataFrame
    coordinate: Coordinate
    curve: MeterCurve
    reference_v: float

    @cached_property
    def nodes(self) -> np.ndarray:
        """Places of the curve's nodes, shape (NODES,)."""
        return np.linspace(self.coordinate.place[0], self.coordinate.place[-1], NODES)

    @cached_property
    def curve_columns(self) -> np.ndarray:
        """Linear interpolation from the curve's nodes to the blocks."""
        return hat_matrix(self.nodes, self.coordinate.at(self.blocks["reading"].to_numpy()))

    @cached_property
    def scallop(self) -> np.ndarray:
        """How far a smooth curve through the breakpoints lies off the ECU's straight lines, shape (blocks,)."""
        return self.scallop_at(self.blocks["reading"].to_numpy())

    def scallop_at(self, reading: np.ndarray) -> np.ndarray:
        """The same at any readings."""
        return smooth_log_flow(self.curve, reading) - log_flow_in_force(self.curve, reading)

    @cached_property
    def map_columns(self) -> np.ndarray:
        """Reduced columns of a smooth map over speed and load of unit variance, shape (blocks, modes)."""
        speed, load = self.blocks["log_speed"].to_numpy(), self.blocks["load"].to_numpy()
        at_speed = np.linspace(speed.min(), speed.max() + 1e-6, SPEED_NODES)
        at_load = np.linspace(load.min(), load.max() + 1e-6, LOAD_NODES)
        both = hat_matrix(at_speed, speed)[:, :, None] * hat_matrix(at_load, load)[:, None, :]
        apart = [
            matern(np.abs(at[:, None] - at), scale) for at, scale in zip((at_speed, at_load), MAP_SCALE, strict=True)
        ]
        value, vector = np.linalg.eigh(np.kron(*apart))
        kept = value > 6e-3 * value[-1]
        return both.reshape(len(speed), -1) @ (vector[:, kept] * np.sqrt(value[kept]))

    def gate(self, onset: Onset) -> np.ndarray:
        """How large the pulsation may be, 0 to 1, shape (blocks,); exactly 0 below the onset or where not logged.

        With a tail to low load it would take the place of the dead time, with one to high engine speed that of the
        curve: the highest readings come with high load alone.
        """
        set_in = _smooth_step((self.blocks[onset.quantity].to_numpy() - onset.value) / onset.width)
        speed = np.exp(self.blocks["log_speed"].to_numpy())
        low, high = SPEEDS_OUT
        left = _smooth_step((high - speed) / (high - low)) if onset.dies_out else np.minimum(LESS_FROM / speed, 1.0)
        return np.nan_to_num(set_in) * left

    @cached_property
    def volts(self) -> np.ndarray:
        """Powers 0, 1, 2 of the battery voltage off its reference, shape (blocks, 3)."""
        return (self.blocks["battery_v"].to_numpy() - self.reference_v)[:, None] ** np.arange(3)

    @cached_property
    def drift_columns(self) -> np.ndarray:
        """One offset per session and a slow course within each, of unit variance each."""
        parts = []
        for name, own in self.blocks.groupby("session", sort=False):
            start = own["start_s"].to_numpy()
            nodes = np.arange(start.min(), start.max() + 2 * DRIFT_NODE_S, DRIFT_NODE_S)
            root = np.linalg.cholesky(matern(np.abs(nodes[:, None] - nodes), DRIFT_NODE_S) + 1e-8 * np.eye(nodes.size))
            part = np.zeros((len(self.blocks), nodes.size))
            part[(self.blocks["session"] == name).to_numpy()] = hat_matrix(nodes, start) @ root
            parts.append(part)
        return np.hstack(parts)

    @cached_property
    def session_columns(self) -> np.ndarray:
        """Indicator of each session."""
        return pd.get_dummies(self.blocks["session"]).to_numpy(dtype=float)

    @cached_property
    def dynamic_columns(self) -> np.ndarray:
        """Rates of log air and log speed [1/s], rise of log manifold pressure in one cycle, and the film's shares.

        Shape (blocks, 5); what a film takes is 0 where the blocks do not know it.

        What fills the manifold passed the meter and not the valves: manifold volume over displacement times that rise.
        Source: conservation of mass with the ideal gas law at constant temperature, as in E. Hendricks and
        S. C. Sorenson, "Mean Value Modelling of Spark Ignition Engines", SAE 900616 (1990); cited from memory.
        """
        air, speed = (self.blocks[name].to_numpy() for name in ("slope", "speed_slope"))
        cycle_s = 120.0 / np.exp(self.blocks["log_speed"].to_numpy())
        wetted = self.blocks.reindex(columns=list(FILM_S), fill_value=0.0).to_numpy(dtype=float)
        return np.column_stack([air, speed, (air - speed) * cycle_s, wetted])

    def dead_time_columns(self, coefficients: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Columns of δ's coefficients linearised about `coefficients`, and what they leave of the exact term."""
        opened = np.exp(self.blocks["log_open"].to_numpy())
        error = np.minimum(self.volts @ coefficients, 0.7 * opened)
        columns = self.volts / (opened - error)[:, None]
        return columns, -np.log1p(-error / opened) - columns @ coefficients


def _smooth_step(share: np.ndarray) -> np.ndarray:
    """From 0 at 0 to 1 at 1, level at both ends."""
    inside = np.clip(share, 0.0, 1.0)
    return inside**2 * (3.0 - 2.0 * inside)


def hat_matrix(nodes: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Linear interpolation from rising nodes to places, shape (places, nodes); end values beyond."""
    at = np.clip(at, nodes[0], nodes[-1])
    right = np.clip(np.searchsorted(nodes, at, side="right"), 1, nodes.size - 1)
    share = (at - nodes[right - 1]) / (nodes[right] - nodes[right - 1])
    matrix = np.zeros((at.size, nodes.size))
    rows = np.arange(at.size)
    matrix[rows, right - 1] = 1.0 - share
    matrix[rows, right] = share
    return matrix


def matern_by_log_scale(distance: np.ndarray, scale: float) -> np.ndarray:
    """Derivative of `matern` by the logarithm of its length-scale."""
    ratio = np.sqrt(5.0) * distance / scale
    return ratio**2 * (1.0 + ratio) / 3.0 * np.exp(-ratio)


def matern(distance: np.ndarray, scale: float) -> np.ndarray:
    """Matérn covariance of smoothness 5/2 and unit variance.

    Source: C. E. Rasmussen and C. K. I. Williams, "Gaussian Processes for Machine Learning" (2006), equation 4.17.
    """
    ratio = np.sqrt(5.0) * distance / scale
    return (1.0 + ratio + ratio**2 / 3.0) * np.exp(-ratio)


# What the data choose, each with a wide log-normal prior: median and spread of the logarithm.
CHOSEN = {
    "broad": (0.12, 0.6),  # size of the broad meter error, log units
    "broad_scale": (0.5, 0.5),  # its length along the curve's coordinate (the visited range is 1 to 1.4)
    "narrow": (0.012, 0.7),  # size of the narrow meter error
    "narrow_scale": (0.07, 0.4),
    "pulsation": (0.05, 0.7),  # size of the map beyond the onset
    "local": (0.001, 0.3),  # size of the model error over the whole map; held short, or it takes the dead time's place
    "session": (0.003, 0.5),  # one offset per session: weather, fuel, sensor
    "drift": (0.0015, 0.5),  # slow course within a session
    "block": (0.005, 1.0),  # noise of a usual block
    "hold": (0.002, 1.0),  # error that the blocks of a hold share
    "hold_disturbed": (0.006, 1.0),  # the same, in addition, in the pulsation
}
NAMES = tuple(CHOSEN)
MEDIAN = np.log([median for median, _ in CHOSEN.values()])
SPREAD = np.array([spread for _, spread in CHOSEN.values()])


@dataclass(frozen=True)
class Columns:
    """The whole design for one onset of the pulsation, its coefficients standardised where their prior is fixed."""

    matrix: np.ndarray  # shape (blocks, coefficients)
    offset: np.ndarray  # part of y that is not a column's, shape (blocks,)
    parts: dict[str, slice]
    gate: np.ndarray  # shape (blocks,)
    held_ms: np.ndarray  # dead-time coefficients that are held and not fitted, 0 where fitted, shape (3,)
    fixed_sd: np.ndarray  # prior standard deviation of each coefficient whose size the data do not choose, else 1


def columns_of(design: Design, onset: Onset, dead_time_ms: np.ndarray, dead_time_sd: np.ndarray) -> Columns:
    """Assemble the columns, linearised about dead-time coefficients; `dead_time_sd` of zero holds one at its value."""
    gate = design.gate(onset)
    dead, rest = design.dead_time_columns(dead_time_ms)
    n = len(gate)
    blocks: dict[str, tuple[np.ndarray, ArrayLike]] = {
        "curve": (design.curve_columns, 1.0),
        "constant": (np.ones((n, 1)), CONSTANT_SD),
        "scallop": (design.scallop[:, None], SCALLOP_MEAN_SD[1]),
        "dead_time": (dead, dead_time_sd),
        "film": (design.dynamic_columns, (*FILM_SD_S, FILLING_SD, *[FILM_SHARE_SD] * len(FILM_S))),
        "pulsation": (gate[:, None] * design.map_columns, 1.0),
        "local": (design.map_columns, 1.0),
        "session": (design.session_columns, 1.0),
        "drift": (design.drift_columns, 1.0),
    }
    parts, at = {}, 0
    for name, (matrix, _) in blocks.items():
        parts[name] = slice(at, at + matrix.shape[1])
        at += matrix.shape[1]
    held = np.where(np.asarray(dead_time_sd) > 0, 0.0, dead_time_ms)
    offset = rest + dead @ held + SCALLOP_MEAN_SD[0] * design.scallop
    sd = np.concatenate([np.broadcast_to(scale, matrix.shape[1]) for matrix, scale in blocks.values()])
    return Columns(np.hstack([matrix for matrix, _ in blocks.values()]), offset, parts, gate, held, sd)


@dataclass(frozen=True)
class Moments:
    """Weighted sums over blocks and holds: all that the likelihood needs of the data."""

    square: np.ndarray  # columns' W columns
    by_hold: np.ndarray  # columns' w summed by hold, shape (coefficients, holds)
    cross: np.ndarray
    target_by_hold: np.ndarray
    target_square: float
    weight_by_hold: np.ndarray
    log_weight: float
    blocks: int
    hold_gate: np.ndarray  # mean gate of each hold
    hold_weight: np.ndarray  # robust weight of each hold


def moments_of(
    columns: Columns, target: np.ndarray, hold: np.ndarray, weight: np.ndarray, hold_weight: np.ndarray
) -> Moments:
    """Sum up what the likelihood needs; `hold` rising from 0, `weight` shape (blocks,), `hold_weight` (holds,)."""
    left = target - columns.offset
    holds = hold_weight.size
    begins = np.searchsorted(hold, np.arange(holds))  # blocks come hold by hold
    weighted = columns.matrix * weight[:, None]
    return Moments(
        square=weighted.T @ columns.matrix,
        by_hold=np.add.reduceat(weighted, begins, axis=0).T,
        cross=weighted.T @ left,
        target_by_hold=np.bincount(hold, weight * left, holds),
        target_square=float(weight @ left**2),
        weight_by_hold=np.bincount(hold, weight, holds),
        log_weight=float(np.log(weight).sum()),
        blocks=hold.size,
        hold_gate=np.bincount(hold, columns.gate, holds) / np.bincount(hold, minlength=holds),
        hold_weight=hold_weight,
    )


def default_dead_time_sd(*, level: bool, slope: bool) -> np.ndarray:
    """Prior spread of δ's coefficients; zero for what the drive cannot show."""
    return np.array(DEAD_TIME_SD_MS) * np.array([level, level and slope, level and slope])
