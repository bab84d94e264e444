"""What goes into the ECU: the flows at the curve's own breakpoints that serve the measured curve best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from tunelab.study.steady.coordinate import Coordinate, coordinate_of
from tunelab.study.steady.curve import WIDEST, reach_of
from tunelab.study.steady.design import hat_matrix
from tunelab.study.steady.points import Points
from tunelab.study.steady.posterior import Posterior, local_mean
from tunelab.study.steady.prediction import Setting, fuel_error
from tunelab.study.steady.result import DeadTimeError, MeterError
from tunelab.workspace.car import Car
from tunelab.workspace.revision import DeadTime, MeterCurve, Revision

ENOUGH_SECONDS = 10.0  # of evidence within reach, beyond which a reading weighs no more
SPARSE = 0.3  # weight of a reading without any, between readings that have some
SURE = 0.004  # standard deviation of the log factor beyond which a reading weighs less
HOME = 0.1  # weight of a breakpoint's own measured value beside the straight lines that it draws
ROUNDS = 3
DIGITS = 3  # of flows in kg/h and of dead times in ms


@dataclass(frozen=True)
class Evidence:
    """All that a setting is judged by."""

    points: Points
    posterior: Posterior
    meter: MeterError
    dead_time: DeadTimeError
    car: Car
    revision: Revision


def full_dead_time(evidence: Evidence) -> DeadTime:
    """Dead times with the whole measured change, not below zero; as in force where it is not shown."""
    change = np.nan_to_num(evidence.dead_time.rows["change_ms"].to_numpy())
    return shifted_dead_time(evidence.revision.dead_time, change)


def shifted_dead_time(table: DeadTime, change_ms: np.ndarray) -> DeadTime:
    """Table with a change at every row, not below zero; a row without a change stays exactly as it is."""
    now = np.asarray(table.dead_time_ms)
    moved = np.where(change_ms == 0, now, np.round(np.maximum(now + change_ms, 0.0), DIGITS))
    return table.model_copy(update={"dead_time_ms": moved.tolist()})


def best_curve(evidence: Evidence, dead_time: DeadTime, *, most_change: float) -> MeterCurve:
    """Curve in the revision's breakpoints that leaves the least lambda error with `dead_time` in the ECU.

    The ECU draws straight lines between breakpoints, so their flows are chosen for the lines to follow the measured
    curve where the evidence lies. What a dead time other than the fitted one leaves is taken into the curve, on the
    average of where was driven: a curve never goes in on the assumption of a dead time that does not. `most_change`
    is the largest relative change of a flow.
    """
    curve = evidence.revision.meter_curve
    flow = np.asarray(curve.flow_kg_h, dtype=float)
    basis = evidence.meter.points["basis"].to_numpy()
    proposed = curve
    for _ in range(ROUNDS):
        factor = np.clip(_factors(evidence, Setting(proposed, dead_time)), 1 - most_change, 1 + most_change)
        moved = np.where(basis == "unchanged", flow, flow * factor)
        weight = np.where(basis == "unchanged", 1e6, np.where(basis == "measured", 1.0, 0.05))
        rising = np.asarray(scipy.optimize.isotonic_regression(moved, weights=weight).x)
        rising = np.where(basis == "unchanged", flow, np.round(np.maximum(rising, 0.0), DIGITS))
        proposed = curve.model_copy(update={"flow_kg_h": rising.tolist()})
    return proposed


def _factors(evidence: Evidence, setting: Setting) -> np.ndarray:
    """Factor of each breakpoint's flow, by weighted least squares on the relative error of the straight lines."""
    curve = evidence.revision.meter_curve
    coordinate = coordinate_of(curve, evidence.points.reading)
    reading, target, weight = _targets(evidence, setting, coordinate)
    flow = np.maximum(np.asarray(curve.flow_kg_h, dtype=float), 1e-6)
    lines = hat_matrix(curve.reading, reading) * flow
    wanted = (lines.sum(axis=1)) * np.exp(target)
    home = _home(evidence, setting, coordinate)
    rows = np.vstack([lines / wanted[:, None] * weight[:, None], HOME * np.eye(flow.size)])
    aim = np.concatenate([weight, HOME * home])
    fixed = evidence.meter.points["basis"].to_numpy() == "unchanged"
    factor = np.ones(flow.size)
    if (~fixed).any():
        left = aim - rows[:, fixed].sum(axis=1)
        factor[~fixed] = np.linalg.lstsq(rows[:, ~fixed], left, rcond=None)[0]
    return factor


def _targets(evidence: Evidence, setting: Setting, coordinate: Coordinate) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Readings from the first to the last measured one, log change wanted at each, and its weight."""
    meter, posterior, points = evidence.meter, evidence.posterior, evidence.points
    measured = np.flatnonzero(np.isfinite(meter.factor) & (np.log(meter.upper / meter.factor) <= WIDEST))
    if not measured.size:
        return np.empty(0), np.empty(0), np.empty(0)
    between = slice(measured[0], measured[-1] + 1)
    reading, log_factor = posterior.reading[between], posterior.log_factor[0, between]
    seconds = reach_of(coordinate, points.reading, float(points.seconds.mean()), reading)
    driven = SPARSE + (1 - SPARSE) * np.minimum(seconds, ENOUGH_SECONDS) / ENOUGH_SECONDS
    weight = np.sqrt(driven / (1 + (posterior.log_factor_sd[between] / SURE) ** 2))
    return reading, log_factor - _fuel_at(evidence, setting, coordinate, reading), weight


def _home(evidence: Evidence, setting: Setting, coordinate: Coordinate) -> np.ndarray:
    """Factor that each breakpoint would take by itself; 1 where unchanged."""
    table = evidence.meter.points
    factor = table["factor"].fillna(1.0).to_numpy()
    fuel = _fuel_at(evidence, setting, coordinate, table["reading"].to_numpy())
    fade = np.where(table["basis"] == "measured", 1.0, np.where(table["basis"] == "extended", 0.5, 0.0))
    return factor * np.exp(-fade * fuel)


def _fuel_at(evidence: Evidence, setting: Setting, coordinate: Coordinate, reading: np.ndarray) -> np.ndarray:
    """Mean fuel error about each reading with the setting in the ECU, over the undisturbed points."""
    points = evidence.points
    error = fuel_error(points, evidence.posterior.dead_time_ms[:1], setting, evidence.car, evidence.revision)[0]
    kept = ~points.disturbed if (~points.disturbed).any() else points.disturbed
    return local_mean(coordinate.at(points.reading[kept]), error[kept], coordinate.at(reading))


def best_setting(evidence: Evidence) -> Setting:
    """All of the fit in the ECU, no caps."""
    dead_time = full_dead_time(evidence)
    return Setting(best_curve(evidence, dead_time, most_change=np.inf), dead_time)
