"""Columns of the steady model and the priors of their coefficients.

y = c + s(reading) + p(speed, load) + q(speed, load) − log(1 − δ(battery) / open) + session + drift + film + noise,
each term linear in its coefficients but for δ, which is linearised about its last value.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from tunelab.study.steady.coordinate import Coordinate, log_flow_in_force, smooth_log_flow
from tunelab.workspace.revision import MeterCurve

NODES = 60  # of the meter's curve
SPEED_NODES, LOAD_NODES = 9, 8  # of the maps
MAP_SCALE = (0.35, 0.22)  # length-scales of the maps in log speed and load
DRIFT_NODE_S = 150.0  # the drift of a session bends no faster
# Prior standard deviations that the data do not choose. None is an interval; all are wide against what cars show.
CONSTANT_SD = 0.4
DEAD_TIME_SD_MS = (0.25, 0.06, 0.02)  # level, per volt, per volt squared
SCALLOP_MEAN_SD = (0.5, 0.4)  # share of the ECU's interpolation error that is seen
FILM_SD_S = (0.1, 0.3)  # per 1/s of log air (film, meter) and of log speed
FILLING_SD = 2.5  # manifold between meter and valves over displacement, of usual filling; common practice, no source


@dataclass(frozen=True)
class Onset:
    """Where intake pulsation sets in: at a load or at a pressure ratio; infinity means never."""

    quantity: Literal["load", "pressure_ratio"]
    value: float
    width: float = 0.2  # from there to where it has fully set in


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
        """How far the pulsation has set in, 0 to 1, shape (blocks,); exactly 0 below the onset or where not logged.

        With a tail to low load it would take the place of the dead time.
        """
        beyond = np.clip((self.blocks[onset.quantity].to_numpy() - onset.value) / onset.width, 0.0, 1.0)
        return np.nan_to_num(beyond**2 * (3.0 - 2.0 * beyond))

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
        """Rates of log air and log speed [1/s], and the rise of log manifold pressure in one cycle, shape (blocks, 3).

        What fills the manifold passed the meter and not the valves: manifold volume over displacement times that rise.
        Source: conservation of mass with the ideal gas law at constant temperature, as in E. Hendricks and
        S. C. Sorenson, "Mean Value Modelling of Spark Ignition Engines", SAE 900616 (1990); cited from memory.
        """
        air, speed = (self.blocks[name].to_numpy() for name in ("slope", "speed_slope"))
        cycle_s = 120.0 / np.exp(self.blocks["log_speed"].to_numpy())
        return np.column_stack([air, speed, (air - speed) * cycle_s])

    def dead_time_columns(self, coefficients: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Columns of δ's coefficients linearised about `coefficients`, and what they leave of the exact term."""
        opened = np.exp(self.blocks["log_open"].to_numpy())
        error = np.minimum(self.volts @ coefficients, 0.7 * opened)
        columns = self.volts / (opened - error)[:, None]
        return columns, -np.log1p(-error / opened) - columns @ coefficients


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
