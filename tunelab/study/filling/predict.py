"""Lambda error at the places that were driven, with a table and dead times in the ECU and the trims at zero."""

from __future__ import annotations

import numpy as np

from tunelab.physics.filling import Surface
from tunelab.physics.injectors import dead_time_at
from tunelab.study.filling.model import scallop
from tunelab.study.filling.result import Draws, Visited
from tunelab.study.steady.prediction import FULL_CELL, LEAST_OPEN_MS
from tunelab.study.steady.result import LambdaError
from tunelab.study.steady.samples import smooth_dead_time
from tunelab.workspace.car import Car
from tunelab.workspace.filling import surface_of
from tunelab.workspace.revision import DeadTime, Revision


def error_draws(
    places: Visited, draws: Draws, base: Revision, *, change: np.ndarray | None = None,
    dead_time: DeadTime | None = None,
) -> np.ndarray:  # fmt: skip
    """Log of lambda over commanded at each place, shape (draws, places).

    Parameters
    ----------
    places, draws
        From the fit.
    base : Revision
        The reference.
    change : array, shape (cells,), optional
        Log of the entered over the in-force value of each cell; none: as in force.
    dead_time : DeadTime, optional
        The dead times that go in with it; none: as in force.

    Notes
    -----
    What the drive cannot tell of the dead time acts only where the pulse comes out longer or shorter than it was.
    """
    surface, table = surface_of(base.volumetric_efficiency), base.volumetric_efficiency.values.ravel()
    at = surface.weights(places.engine_speed_rpm, places.load)
    now = at @ table
    then = now if change is None else at @ (table * np.exp(change))
    true = (table * np.exp(draws.cell)) @ at.T
    mean = table * np.exp(draws.cell[0])
    bend = draws.scallop[:, None] * scallop(surface, mean, places.engine_speed_rpm, places.load, rough=draws.rough)
    entered = entered_ms(places.battery_v, base, dead_time)
    volts = (places.battery_v - draws.reference_v)[:, None] ** np.arange(3)
    was, opened = np.exp(places.log_open), np.exp(places.log_meant) * then / now
    told = draws.dead_time_ms @ volts.T
    unknown = draws.unknown_ms[:, None]
    fuel = np.log(np.maximum(opened + entered - told - unknown, LEAST_OPEN_MS) / opened)
    hidden = np.log(np.maximum(was - unknown, LEAST_OPEN_MS) / was)  # stands in the cells already
    return np.log(true / then) + bend + places.unexplained - (fuel - hidden)


def entered_ms(battery_v: np.ndarray, base: Revision, dead_time: DeadTime | None) -> np.ndarray:
    """Dead time that the ECU uses, by its straight lines, less the smooth curve of the reference. [ms]"""
    table = dead_time or base.dead_time
    return dead_time_at(battery_v, table.battery_v, table.dead_time_ms) - smooth_dead_time(base.dead_time, battery_v)


def shift_of(places: Visited, draws: Draws, base: Revision, dead_time: DeadTime | None = None) -> np.ndarray:
    """What dead times that go in add to the correction of every cell, log units, shape (cells,).

    By the driven places around each cell; without any, by the nearest one in the order of the table.
    """
    surface = surface_of(base.volumetric_efficiency)
    volts = (places.battery_v - draws.reference_v)[:, None] ** np.arange(3)
    off = entered_ms(places.battery_v, base, dead_time) - volts @ draws.dead_time_ms[0]
    at = surface.weights(places.engine_speed_rpm, places.load)
    opened = np.exp(places.log_meant + at @ draws.cell[0])
    change = -np.log(np.maximum(1 + off / opened, 0.2))
    speed, load = surface.cells.T
    own = [np.log(speed / speed[0]) / 0.3, load / np.ptp(surface.load) / 0.1]
    there = [np.log(places.engine_speed_rpm / speed[0]) / 0.3, places.load / np.ptp(surface.load) / 0.1]
    apart = (own[0][:, None] - there[0]) ** 2 + (own[1][:, None] - there[1]) ** 2
    near = np.exp(-0.5 * (apart - apart.min(axis=1, keepdims=True)))
    return near @ change / near.sum(axis=1)


def predict_error(
    places: Visited, draws: Draws, car: Car, base: Revision, *, change: np.ndarray | None = None,
    dead_time: DeadTime | None = None,
) -> LambdaError:  # fmt: skip
    """Size of the lambda error over the places driven, each rectangle of the table alike; its interval by the draws."""
    error = 100 * np.expm1(error_draws(places, draws, base, change=change, dead_time=dead_time))
    cell = rectangle(surface_of(base.volumetric_efficiency), places)
    weight = 1.0 / np.maximum(np.bincount(cell)[cell], FULL_CELL)
    p95, median = (_quantile(np.abs(error[1:]), weight, share) for share in (0.95, 0.5))
    likeliest = _quantile(np.abs(error[:1]), weight, 0.95)[0]  # whatever is not known only adds to the draws' size
    worst = _worst(error[0], places.hold)
    hold = error[:, worst].mean(axis=1)
    return LambdaError(
        p95_pct=float(np.median(p95)),
        lower_pct=float(min(np.quantile(p95, 0.025), likeliest)),
        upper_pct=float(np.quantile(p95, 0.975)),
        median_pct=float(np.median(median)),
        worst_pct=float(hold[0]),
        worst_reading=float(places.load[worst].mean()),
        worst_speed_rpm=float(places.engine_speed_rpm[worst].mean()),
        worst_load=float(places.absolute_load[worst].mean()),
        seconds=float(places.seconds.sum()),
        worst_lower_pct=float(min(hold[0], np.quantile(hold[1:], 0.025))),
        worst_upper_pct=float(max(hold[0], np.quantile(hold[1:], 0.975))),
        cells=int(np.unique(cell).size),
    )


def rectangle(surface: Surface, places: Visited) -> np.ndarray:
    """Number of the rectangle between four breakpoints that each place lies in, shape (places,)."""
    column = np.digitize(places.engine_speed_rpm, surface.engine_speed_rpm[1:-1])
    return np.digitize(places.load, surface.load[1:-1]) * len(surface.engine_speed_rpm) + column


def _quantile(values: np.ndarray, weight: np.ndarray, share: float) -> np.ndarray:
    """Smallest value of each row that `share` of the weight does not pass, shape (rows,)."""
    order = np.argsort(values, axis=1)
    reached = np.cumsum(weight[order], axis=1) / weight.sum()
    first = np.argmax(reached >= share - 1e-12, axis=1)
    return np.take_along_axis(values, np.take_along_axis(order, first[:, None], axis=1), axis=1)[:, 0]


def _worst(error: np.ndarray, hold: np.ndarray) -> np.ndarray:
    holds, which = np.unique(hold, return_inverse=True)
    mean = np.bincount(which, error, holds.size) / np.bincount(which)
    return np.flatnonzero(which == int(np.argmax(np.abs(mean))))
