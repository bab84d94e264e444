"""Lambda error at the visited points with a given curve and dead time in the ECU, trims at zero."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tunelab.study.hold import flow_edges, speed_edges
from tunelab.study.steady.points import UNDISTURBED, Points
from tunelab.study.steady.posterior import Posterior
from tunelab.study.steady.result import LambdaError
from tunelab.study.steady.samples import log_air_fuelled, smooth_dead_time
from tunelab.workspace.car import Car
from tunelab.workspace.revision import DeadTime, MeterCurve, Revision

FULL_CELL = 3  # blocks of about a second from which a cell weighs in full: one that was brushed weighs less
LEAST_OPEN_MS = 0.05  # an injector is not counted on below it
REPEATS = 6  # of what the next drive may measure, for each draw of what is true


@dataclass(frozen=True)
class Setting:
    """What goes into the ECU: flows at the curve's breakpoints and dead times at the table's rows."""

    curve: MeterCurve
    dead_time: DeadTime


def in_force(revision: Revision) -> Setting:
    """Give what the current revision has."""
    return Setting(revision.meter_curve, revision.dead_time)


def fuel_error(
    points: Points, coefficients_ms: np.ndarray, setting: Setting, car: Car, reference: Revision
) -> np.ndarray:
    """Log of the fuel that arrives over the fuel that the ECU meant, at each point, shape (draws, blocks).

    `coefficients_ms`, shape (draws, 3), are those of the dead-time error off the reference's smooth table.
    """
    opened = opened_ms(points, setting, car, reference)
    powers = (points.battery_v - points.reference_v)[:, None] ** np.arange(3)
    true = smooth_dead_time(reference.dead_time, points.battery_v) + coefficients_ms @ powers.T
    entered = np.interp(points.battery_v, setting.dead_time.battery_v, setting.dead_time.dead_time_ms)
    arrives = np.log(np.maximum(opened + entered - true, LEAST_OPEN_MS) / opened)
    return arrives if car.injectors.ecu_compensates_pressure else arrives + points.log_pressure


def opened_ms(points: Points, setting: Setting, car: Car, reference: Revision) -> np.ndarray:
    """Opening time beyond the dead time that the ECU means to give at each point [ms], shape (points,)."""
    flow = np.interp(points.reading, setting.curve.reading, setting.curve.flow_kg_h)
    wanted = np.log(np.maximum(flow, 1e-3)) - np.log(points.commanded)
    opened = np.exp(wanted - log_air_fuelled(np.ones(flow.size), points.engine_speed_rpm, car, reference))
    return opened * np.exp(-points.log_pressure) if car.injectors.ecu_compensates_pressure else opened


def predict_lambda_error(
    points: Points, posterior: Posterior, setting: Setting, car: Car, reference: Revision
) -> LambdaError:
    """Size of the lambda error over the undisturbed points, its interval from the draws.

    Every cell of engine speed and airflow weighs alike. Where all points are disturbed, all of them count. The interval
    takes it that no air leaks into the exhaust; `leaking_p95_pct` is what the size may be if the curve's rise toward
    little air is such a leak, which no log tells from a meter that reads low there.
    """
    calm = ~points.disturbed
    if not calm.any():
        calm = np.ones_like(calm)
    error = lambda_error_draws(points, posterior, setting, car, reference)[:, calm]
    cell = _cells(points, car, reference)[calm]
    size, weight = np.abs(error), 1.0 / np.maximum(np.bincount(cell)[cell], FULL_CELL)
    p95, median = _weighted_quantiles(size[1:], weight, (0.95, 0.5))
    leak = 0.0 if posterior.leak is None else np.interp(points.reading[calm], posterior.reading, posterior.leak)
    leaking = 100 * np.abs((1 + error[:1] / 100) * np.exp(-leak) - 1)
    worst = _worst_hold(error[0], points.hold[calm])
    at = np.flatnonzero(calm)[worst]
    hold = error[:, worst].mean(axis=1)
    return LambdaError(
        p95_pct=float(np.median(p95)),
        lower_pct=float(np.quantile(p95, 0.025)),
        upper_pct=float(np.quantile(p95, 0.975)),
        median_pct=float(np.median(median)),
        worst_pct=float(hold[0]),
        worst_reading=float(points.reading[at].mean()),
        worst_speed_rpm=float(points.engine_speed_rpm[at].mean()),
        worst_load=float(points.load[at].mean()),
        seconds=float(points.seconds[calm].sum()),
        worst_lower_pct=float(min(hold[0], np.quantile(hold[1:], 0.025))),
        worst_upper_pct=float(max(hold[0], np.quantile(hold[1:], 0.975))),
        cells=int(np.unique(cell).size),
        leaking_p95_pct=float(_weighted_quantile(leaking, weight, 0.95)[0]),
    )


def predict_everywhere(
    points: Points, posterior: Posterior, setting: Setting, car: Car, reference: Revision
) -> LambdaError:
    """Size of the lambda error over all that was driven, with the over-reading from pulsation where there is any."""
    nowhere = replace(points, disturbed=np.zeros_like(points.disturbed))
    return predict_lambda_error(nowhere, posterior, setting, car, reference)


def predict_next_drive(
    points: Points, posterior: Posterior, setting: Setting, car: Car, reference: Revision, rng: np.random.Generator
) -> LambdaError:
    """Size of the lambda error with a setting, its interval wide enough for what the next drive will measure, too.

    The next drive measures no better than this one: its own curve and dead time lie off the truth and are spread about
    that, both of which add to the size. Lambda's level differs from day to day, other places are driven, and which of
    them count as disturbed by pulsation is only fitted. What the fit leaves of single holds need not come again.

    Cells weigh at random as in a Bayesian bootstrap, with twice its variance: those of this drive and of the next are
    both a sample. So do ranges of airflow, whose cells share the curve's error.
    Source: D. B. Rubin, "The Bayesian bootstrap", Annals of Statistics 9 (1981) 130.
    """
    now = predict_lambda_error(points, posterior, setting, car, reference)
    measured = _next_sizes(points, posterior, setting, car, reference, rng)
    lower, upper = np.quantile(measured, [0.025, 0.975])
    lower = min(now.lower_pct, float(lower), _expected_size(points, posterior, setting, car, reference))
    return replace(now, lower_pct=lower, upper_pct=max(now.upper_pct, float(upper)))


def _expected_size(points: Points, posterior: Posterior, setting: Setting, car: Car, reference: Revision) -> float:
    """p95 [%] of what is expected at the points that over-read nowhere: what is left if the fit is right throughout."""
    over = points.disturbed | (posterior.pulsation[0] < -UNDISTURBED)
    calm = ~over if (~over).any() else np.ones_like(over)
    error = log_error_draws(points, posterior, setting, car, reference)[:1] + posterior.local[:1]
    cell = _cells(points, car, reference)[calm]
    weight = 1.0 / np.maximum(np.bincount(cell)[cell], FULL_CELL)
    return float(100 * _weighted_quantile(np.abs(np.expm1(error[:, calm])), weight, 0.95)[0])


def _next_sizes(
    points: Points, posterior: Posterior, setting: Setting, car: Car, reference: Revision, rng: np.random.Generator
) -> np.ndarray:
    """p95 [%] that the next drive will measure, for each draw, shape (draws,)."""
    curve = log_error_draws(points, posterior, setting, car, reference)
    error = curve + posterior.local + posterior.pulsation
    noise = np.sqrt(posterior.sessions) * (error - error[0])[1:]
    count = len(noise)
    day = posterior.session_sd * rng.normal(size=(count, 1))
    estimate = error[1:] + day + noise[rng.permutation(count)]
    weight = _next_weight(points, posterior, car, reference, rng)
    size = [np.abs(np.expm1(estimate + noise[rng.permutation(count)])) for _ in range(REPEATS)]
    return 100 * np.median([_weighted_quantile(one, weight, 0.95) for one in size], axis=0)


def _next_weight(
    points: Points, posterior: Posterior, car: Car, reference: Revision, rng: np.random.Generator
) -> np.ndarray:
    """Weight of each point in the next drive for each draw, shape (draws, points); 0 where it counts as disturbed.

    Whether over-reading at high engine speed can be pulsation hangs on the few blocks there, so that the next drive may
    find more of it: every other draw takes all over-reading for it.
    """
    over = -posterior.pulsation[1:]
    disturbed = np.broadcast_to(points.disturbed, over.shape).copy()
    disturbed[::2] |= over[::2] > UNDISTURBED
    _, cell = np.unique(_cells(points, car, reference), return_inverse=True)
    _, flow = np.unique(_flow_cells(points, reference)[0], return_inverse=True)
    visits = rng.gamma(0.5, size=(len(over), cell.max() + 1))[:, cell]
    visits = visits * rng.exponential(size=(len(over), flow.max() + 1))[:, flow]
    weight = visits / np.maximum(np.bincount(cell)[cell], FULL_CELL)
    return np.where(disturbed & ~disturbed.all(axis=1, keepdims=True), 0.0, weight)


def _cells(points: Points, car: Car, reference: Revision) -> np.ndarray:
    """Number of the cell of engine speed and airflow that each point lies in, shape (blocks,)."""
    flow, count = _flow_cells(points, reference)
    speeds = speed_edges(car.engine.idle_target_rpm, car.limits.rev_limit_rpm)
    return np.digitize(points.engine_speed_rpm, speeds) * count + flow


def _flow_cells(points: Points, reference: Revision) -> tuple[np.ndarray, int]:
    """Number of the range of airflow that each point lies in, shape (blocks,), and a number above all of them."""
    curve = reference.meter_curve
    flow = np.maximum(np.interp(points.reading, curve.reading, curve.flow_kg_h), 1e-3)
    flows = flow_edges(float(flow.min()), float(flow.max()), curve.flow_kg_h)
    return np.digitize(flow, flows[1:-1]), flows.size + 1


def _weighted_quantile(values: np.ndarray, weight: np.ndarray, share: float) -> np.ndarray:
    """Smallest value of each row that `share` of the weight does not pass; weights for all rows, or for each."""
    return _weighted_quantiles(values, weight, (share,))[0]


def _weighted_quantiles(values: np.ndarray, weight: np.ndarray, shares: tuple[float, ...]) -> list[np.ndarray]:
    """The same for several shares of the weight."""
    order = np.argsort(values, axis=1)
    weight = np.broadcast_to(weight, values.shape)
    reached = np.cumsum(np.take_along_axis(weight, order, axis=1), axis=1) / weight.sum(axis=1, keepdims=True)
    rows = np.arange(len(values))
    return [values[rows, order[rows, np.argmax(reached >= share - 1e-12, axis=1)]] for share in shares]


def lambda_error_draws(
    points: Points, posterior: Posterior, setting: Setting, car: Car, reference: Revision
) -> np.ndarray:
    """Lambda over commanded, less one, at every steady block, shape (draws, blocks). [%]

    Points that are set aside as disturbed go without the pulsation, all others with everything that was measured.
    """
    beyond = posterior.local + np.where(points.disturbed, 0.0, posterior.pulsation) + points.unexplained
    return 100 * np.expm1(log_error_draws(points, posterior, setting, car, reference) + beyond)


def log_error_draws(
    points: Points, posterior: Posterior, setting: Setting, car: Car, reference: Revision
) -> np.ndarray:
    """Log of lambda over commanded at any points, by curve and dead time alone, shape (draws, points)."""
    factor = np.array([np.interp(points.reading, posterior.reading, row) for row in posterior.log_factor])
    now = np.interp(points.reading, reference.meter_curve.reading, reference.meter_curve.flow_kg_h)
    then = np.interp(points.reading, setting.curve.reading, setting.curve.flow_kg_h)
    change = np.log(np.maximum(then, 1e-3) / np.maximum(now, 1e-3))
    return factor - change - fuel_error(points, posterior.dead_time_ms, setting, car, reference)


def _worst_hold(error: np.ndarray, hold: np.ndarray) -> np.ndarray:
    """Positions of the hold with the largest mean error."""
    holds, which = np.unique(hold, return_inverse=True)
    mean = np.bincount(which, error) / np.bincount(which)
    return np.flatnonzero(which == int(np.argmax(np.abs(mean[: holds.size]))))
