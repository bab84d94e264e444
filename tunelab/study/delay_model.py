"""Follows the gas from the injector to the reading, and finds the delay and the lag that fit best."""

from __future__ import annotations

import functools
import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from scipy.linalg.blas import dtbsv
from threadpoolctl import threadpool_limits

from tunelab.study.delay_signal import GRID_S, DelaySignal

NAMES = (
    "delay_s", "delay_flow", "lag_s", "film", "log_film_s", "gain", "slow_air", "middle_air", "ripple", "air_lead_s",
    "by_pressure", "dead_time_ms",
)  # fmt: skip
# What is known before looking: first-order sensors of 60 to 150 ms, films of a tenth to a third that empty in 0.15 to
# 0.6 s, dead times known to a tenth of a millisecond. Common practice, no source. Delays: next to nothing. The meter's
# noise reaches the fuel, which is real, but is no air: the faster the reading moves, the less of it is air. The air
# may be ahead of the meter (its own lag) or behind (the manifold fills); manifold pressure, where logged, may be as
# good as the meter or better.
PRIOR = {
    "delay_s": (0.08, 0.15), "delay_flow": (5.0, 8.0), "lag_s": (0.10, 0.04), "film": (0.2, 0.1),
    "log_film_s": (np.log(0.3), 0.45), "gain": (1.0, 0.08), "slow_air": (1.0, 0.15), "middle_air": (0.9, 0.3),
    "ripple": (0.3, 0.4), "air_lead_s": (0.0, 0.05), "by_pressure": (0.5, 0.5), "dead_time_ms": (0.0, 0.08),
}  # fmt: skip
PRIOR_MEAN, PRIOR_SPREAD = np.array([PRIOR[name] for name in NAMES]).T
LOWER = np.array([0.0, 0.0, 0.005, 0.0, np.log(0.05), 0.2, -1.0, -1.0, -1.0, -0.4, -1.0, -0.4])
UPPER = np.array([1.0, 60.0, 0.6, 0.7, np.log(2.0), 2.5, 2.0, 2.0, 2.0, 0.4, 2.0, 0.4])
RANGES_S = (0.17, 0.3, 0.5)  # of delay at the usual flow, between which the search begins anew
RIVAL = 50.0  # squared standard errors by which another delay must fit worse to be ruled out
EDGE_S = 0.001  # by which a search leaves its range at the price of one standard error
ANOTHER_S = 0.06  # delays that lie this far apart are two answers, not one with its error
FEW_STEPS, HOPELESS = 6, 400.0  # steps of a search, and squared standard errors that it then may not lack
MORE_STEPS = 40  # of a search that is not hopeless
ORDER = 12  # of the autoregression that whitens the residuals
KEPT = 3  # newest results of a part of the model: a search for slopes moves one parameter at a time


@dataclass(frozen=True)
class GasFit:
    """Best parameters, in the order of NAMES, and what they rest on."""

    values: np.ndarray
    covariance: np.ndarray
    gain_evidence: float  # how much better the fit is than with no gas at all, in squared standard errors
    typical_flow_kg_h: float
    flow_ratio: float  # 90th over 10th percentile of the exhaust flow in use
    swing: float  # see `fuel_swing`, in all
    quick_swing: float  # and within 2 s
    noise: float  # standard deviation of the whitened residual, in the logarithm of lambda
    rivals: tuple[np.ndarray, ...] = ()  # parameters found from other starts that fit nearly as well


def follow(values: np.ndarray, step_s: float, tau_s: float) -> np.ndarray:
    """First-order lag of a signal that runs straight between samples, shape (n,); exact for ramps."""
    keep = np.exp(-step_s / tau_s)
    share = (1.0 - keep) * tau_s / step_s
    pushed = (1.0 - share) * values
    pushed[1:] += (share - keep) * values[:-1]
    pushed[0] += share * values[0]
    bands = np.empty((2, values.size), order="F")  # each value less `keep` of the one before
    bands[0], bands[1] = 1.0, -keep
    return dtbsv(1, bands, pushed, lower=1, diag=1, overwrite_x=True)


def fuelled_at(signal: DelaySignal, parameters: np.ndarray) -> np.ndarray:
    """Time at which the gas seen at each reading was fuelled [s], shape (readings,)."""
    return _left_cylinder(signal, float(parameters[1]), float(parameters[11])) - parameters[0]


@functools.lru_cache(maxsize=KEPT)
def _left_cylinder(signal: DelaySignal, delay_flow_s_kg_h: float, dead_time_ms: float) -> np.ndarray:
    """Time at which the gas seen at each reading set out for the sensor [s], shape (readings,)."""
    pushed, at_reading = _pushed(signal, dead_time_ms)
    return np.interp(at_reading - delay_flow_s_kg_h, pushed, signal.grid_s)


@functools.lru_cache(maxsize=KEPT)
def _pushed(signal: DelaySignal, dead_time_ms: float) -> tuple[np.ndarray, np.ndarray]:
    """Exhaust that has passed by each time of the grid and at each reading [kg/h s]."""
    exhaust = signal.exhaust_kg_h * _more_fuel(signal, dead_time_ms) ** signal.fuel_share
    pushed = np.append(0.0, np.cumsum(0.5 * GRID_S * (exhaust[1:] + exhaust[:-1])))
    return pushed, np.interp(signal.time_s, signal.grid_s, pushed)


def predict(signal: DelaySignal, parameters: np.ndarray) -> np.ndarray:
    """Logarithm of lambda as the sensor would show it, less its mean and trend in each block, shape (readings,)."""
    lag_s, film, log_film_s, gain = (float(value) for value in parameters[2:6])
    log_burnt = _log_burnt(signal, film, log_film_s, float(parameters[11]))
    seen = follow(_air(signal, parameters) - gain * log_burnt, GRID_S, lag_s)
    return detrend(np.interp(fuelled_at(signal, parameters), signal.grid_s, seen), signal)


@functools.lru_cache(maxsize=KEPT)
def _log_burnt(signal: DelaySignal, film: float, log_film_s: float, dead_time_ms: float) -> np.ndarray:
    """Logarithm of the fuel that gets past the wall film, shape (grid,)."""
    fuel = signal.fuel * _more_fuel(signal, dead_time_ms)
    return np.log((1.0 - film) * fuel + film * follow(fuel, GRID_S, np.exp(log_film_s)))


def _more_fuel(signal: DelaySignal, dead_time_ms: float) -> np.ndarray:
    """Fuel over that by the revision's dead time, shape (grid,)."""
    return np.maximum(1.0 + dead_time_ms / signal.open_ms, 0.1)


def _air(signal: DelaySignal, parameters: np.ndarray) -> np.ndarray:
    """Logarithm of the air that the cylinders draw, up to a constant, shape (grid,). No film holds it up."""
    bands, lead_s, by_pressure = parameters[6:9], parameters[9], parameters[10]
    return bands @ signal.air + lead_s * _rise(signal) + by_pressure * signal.by_pressure


@functools.lru_cache(maxsize=1)
def _rise(signal: DelaySignal) -> np.ndarray:
    """Slope of the air's logarithm without its ripple [1/s], shape (grid,)."""
    return np.gradient(signal.air[0] + signal.air[1], GRID_S)


def detrend(values: np.ndarray, signal: DelaySignal) -> np.ndarray:
    """Values less the straight line through each block, shape (readings,)."""
    block, (count, time, square) = signal.block, _own_clock(signal)
    slope = np.bincount(block, weights=time * values) / square
    return values - (np.bincount(block, weights=values) / count)[block] - slope[block] * time


@functools.lru_cache(maxsize=1)
def _own_clock(signal: DelaySignal) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Readings of each block, time of each reading from its block's middle, and the blocks' sums of its square."""
    block, count = signal.block, np.bincount(signal.block)
    time = signal.time_s - (np.bincount(block, weights=signal.time_s) / count)[block]
    return count, time, np.bincount(block, weights=time * time)


def fuel_swing(signal: DelaySignal) -> tuple[float, float]:
    """Robust spread of what moves the fuel and not the air (trims, commanded lambda), in all and within 2 s. [1]

    Fuel that only follows the meter says little: half of it is the meter's noise, which no lambda follows the same way.
    A trim that swings slowly says little either: it is as much the answer to lambda as its cause.
    """
    alone = np.log(signal.fuel) - signal.air.sum(axis=0)
    smooth, slow = _running_mean(alone, 0.5), _running_mean(alone, 2.0)
    in_all = detrend(np.interp(signal.time_s, signal.grid_s, smooth), signal)
    quick = np.interp(signal.time_s, signal.grid_s, smooth - slow)
    robust = [1.4826 * float(np.median(np.abs(part))) for part in (in_all, quick)]
    return robust[0], robust[1]


def _running_mean(values: np.ndarray, width_s: float) -> np.ndarray:
    """Mean over `width_s` around each point of the grid, shape (grid,)."""
    width = max(1, round(width_s / GRID_S))
    return np.convolve(values, np.full(width, 1.0 / width), mode="same")


def whiten(residual: np.ndarray, signal: DelaySignal, coefficients: np.ndarray) -> np.ndarray:
    """Residual less what its own past predicts, within each block, shape (readings,)."""
    white = residual.copy()
    for lag, (coefficient, same) in enumerate(zip(coefficients, _same_block(signal), strict=True), start=1):
        white[lag:] -= coefficient * np.where(same, residual[:-lag], 0.0)
    return white


@functools.lru_cache(maxsize=1)
def _same_block(signal: DelaySignal) -> tuple[np.ndarray, ...]:
    """For each lag of the autoregression, whether a reading and the one so many before it share a block."""
    return tuple(signal.block[lag:] == signal.block[:-lag] for lag in range(1, ORDER + 1))


def autoregression(residual: np.ndarray, signal: DelaySignal) -> np.ndarray:
    """Coefficients with which the past predicts the residual, shape (ORDER,)."""
    rows = np.arange(ORDER, residual.size)
    rows = rows[signal.block[rows] == signal.block[rows - ORDER]]
    past = np.stack([residual[rows - lag] for lag in range(1, ORDER + 1)], axis=1)
    return np.linalg.lstsq(past, residual[rows], rcond=None)[0]


def fit_gas(signal: DelaySignal) -> GasFit:
    """Fit delay, lag, film and gains by least squares on whitened, robustly weighted residuals with weak priors.

    A swing that comes again and again fits nearly as well when it is laid one swing too late. So each of several ranges
    of delay is searched by itself, without leaving it; what is found besides the best is kept as its rivals.
    """
    with threadpool_limits(limits=1):  # the matrices are narrow: threads only wait for one another
        return _fit_gas(signal)


def _fit_gas(signal: DelaySignal) -> GasFit:
    measured = detrend(signal.measured, signal)
    guesses = _first_guesses(signal, measured)
    solution, white = _settle(signal, measured, guesses[0].parameters)
    others = _others(signal, measured, white, guesses[1:], solution.cost)
    best = min((solution, *others), key=lambda found: found.cost)
    if solution.cost - best.cost > 0.5:
        solution, white = _settle(signal, measured, best.x)
        others = _others(signal, measured, white, guesses, solution.cost)
    coefficients, noise = white
    return _judge(signal, measured, coefficients, noise, solution, others)


Whitened = tuple[np.ndarray, float]  # the autoregression and the noise that whiten a residual


def _others(
    signal: DelaySignal, measured: np.ndarray, white: Whitened, guesses: list[Guess], best: float
) -> list[scipy.optimize.OptimizeResult]:
    """Best solutions inside each range; one that is hopeless after a few steps is not followed to its end."""
    found = []
    coefficients, noise = white
    for guess in guesses:
        own = _solve(signal, measured, coefficients, noise, guess.parameters, within=guess, steps=FEW_STEPS)
        if 2.0 * (own.cost - best) < HOPELESS:
            own = _solve(signal, measured, coefficients, noise, own.x, within=guess, steps=MORE_STEPS)
            own.at_edge = guess.beyond(own.x) > 0.0
            found.append(own)
    return found


def _settle(
    signal: DelaySignal, measured: np.ndarray, start: np.ndarray
) -> tuple[scipy.optimize.OptimizeResult, Whitened]:
    """Solution from a start, with the autoregression and the noise that whitened its residuals."""
    parameters = start
    for _ in range(3):
        residual = measured - predict(signal, parameters)
        coefficients = autoregression(residual, signal)
        white = whiten(residual, signal, coefficients)
        noise = max(1.4826 * float(np.median(np.abs(white))), 1e-5)
        solution = _solve(signal, measured, coefficients, noise, parameters)
        parameters = solution.x
    return solution, (coefficients, noise)


@dataclass(frozen=True)
class Guess:
    """Where a search begins, and the range of delay at the usual flow that it may not leave."""

    parameters: np.ndarray
    flow_kg_h: float
    from_s: float
    to_s: float

    def beyond(self, parameters: np.ndarray) -> float:
        """How far the delay at the usual flow lies outside the range [s]; 0 inside."""
        delay_s = parameters[0] + parameters[1] / self.flow_kg_h
        return float(max(self.from_s - delay_s, delay_s - self.to_s, 0.0))


def _first_guesses(signal: DelaySignal, measured: np.ndarray) -> list[Guess]:
    """Best of a coarse grid for each range of delay at the usual flow, the rest as expected; best of all first."""
    flow_kg_h = float(np.median(np.interp(signal.time_s, signal.grid_s, signal.exhaust_kg_h)))
    edges = (0.0, *RANGES_S, np.inf)
    best: dict[int, tuple[float, np.ndarray]] = {}
    for delay_s in (0.03, 0.1, 0.2, 0.35, 0.5):
        for delay_flow in (0.5, 3.0, 6.0, 10.0, 18.0):
            trial = np.r_[delay_s, delay_flow, PRIOR_MEAN[2:]]
            misfit = float(np.sum(np.abs(np.diff(measured - predict(signal, trial)))))
            band = int(np.searchsorted(RANGES_S, delay_s + delay_flow / flow_kg_h))
            if band not in best or misfit < best[band][0]:
                best[band] = (misfit, trial)
    found = [
        Guess(trial, flow_kg_h, edges[band], edges[band + 1])
        for band, (_, trial) in sorted(best.items(), key=lambda item: item[1][0])
    ]
    return [*found, Guess(PRIOR_MEAN.copy(), flow_kg_h, 0.0, np.inf)]


def _solve(
    signal: DelaySignal,
    measured: np.ndarray,
    coefficients: np.ndarray,
    noise: float,
    start: np.ndarray,
    *,
    within: Guess | None = None,
    steps: int | None = None,
) -> scipy.optimize.OptimizeResult:
    def misfit(parameters: np.ndarray) -> np.ndarray:
        white = whiten(measured - predict(signal, parameters), signal, coefficients) / noise
        outside = within.beyond(parameters) / EDGE_S if within else 0.0
        return np.r_[robust(white), (parameters - PRIOR_MEAN) / PRIOR_SPREAD, outside]

    inside = np.clip(start, LOWER + 1e-6, UPPER - 1e-6)
    return scipy.optimize.least_squares(
        misfit, inside, bounds=(LOWER, UPPER), x_scale=PRIOR_SPREAD, diff_step=1e-3, ftol=1e-6, xtol=1e-6,
        max_nfev=steps,
    )  # fmt: skip


def robust(white: np.ndarray) -> np.ndarray:
    """Residual whose square grows only like its size beyond two standard errors, shape (n,)."""
    return np.sign(white) * np.sqrt(8.0 * (np.sqrt(1.0 + white**2 / 4.0) - 1.0))


def _judge(
    signal: DelaySignal,
    measured: np.ndarray,
    coefficients: np.ndarray,
    noise: float,
    solution: scipy.optimize.OptimizeResult,
    others: Sequence[scipy.optimize.OptimizeResult],
) -> GasFit:
    """Covariance that allows for what is left of correlation within blocks, and whether there was gas to see at all."""
    data = solution.jac[: measured.size]
    information = data.T @ data + np.diag(PRIOR_SPREAD**-2.0)
    covariance = _jackknifed(signal, data, solution.fun[: measured.size], information)
    flow = np.interp(signal.time_s, signal.grid_s, signal.exhaust_kg_h)
    low, typical, high = np.quantile(flow, (0.1, 0.5, 0.9))
    covariance *= _widening(solution, others, covariance, at_flow(typical)) ** 2
    without = robust(whiten(measured, signal, coefficients) / noise)
    swing, quick_swing = fuel_swing(signal)
    return GasFit(
        values=solution.x,
        covariance=covariance,
        gain_evidence=float(np.sum(without**2) - np.sum(solution.fun[: measured.size] ** 2)),
        typical_flow_kg_h=float(typical),
        flow_ratio=float(high / low),
        swing=swing,
        quick_swing=quick_swing,
        noise=noise,
        rivals=tuple(o.x for o in others if not o.at_edge and 2.0 * (o.cost - solution.cost) < RIVAL),
    )


def at_flow(flow_kg_h: float) -> np.ndarray:
    """Weights of the parameters in the delay at an exhaust flow, shape (parameters,)."""
    weights = np.zeros(len(NAMES))
    weights[0], weights[1] = 1.0, 1.0 / flow_kg_h
    return weights


def _widening(
    solution: scipy.optimize.OptimizeResult,
    others: Sequence[scipy.optimize.OptimizeResult],
    covariance: np.ndarray,
    weights: np.ndarray,
) -> float:
    """How many times further than the covariance says another delay has to lie before it fits as much worse; 1 or more.

    Held with the best solutions of other ranges, which may rest on the edge that is nearest.
    """
    off = np.array([weights @ (other.x - solution.x) for other in others])
    worse = np.array([2.0 * (other.cost - solution.cost) for other in others])
    far = np.abs(off) > ANOTHER_S
    by_cost = np.abs(off[far]) / np.sqrt(np.maximum(worse[far], 1.0))
    return float(max([1.0, *by_cost / np.sqrt(weights @ covariance @ weights)]))


def _jackknifed(signal: DelaySignal, slopes: np.ndarray, misfit: np.ndarray, information: np.ndarray) -> np.ndarray:
    """Covariance from leaving out one block at a time, one Newton step each, plus the priors' own share.

    Blocks are left out whole, so correlation inside them does not matter, and a parameter that hangs on a few blocks
    gets the wide interval that it deserves.
    """
    edges = np.searchsorted(signal.block, np.arange(signal.blocks + 1))
    moves = np.zeros((signal.blocks, information.shape[0]))
    for number, (first, last) in enumerate(itertools.pairwise(edges)):
        own = slopes[first:last]
        moves[number] = np.linalg.solve(information - own.T @ own, own.T @ misfit[first:last])
    inverse = np.linalg.inv(information)
    return moves.T @ moves + inverse @ np.diag(PRIOR_SPREAD**-2.0) @ inverse
