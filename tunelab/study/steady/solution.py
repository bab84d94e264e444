"""Posterior and marginal likelihood of the steady model at given sizes, and the sizes of largest likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from scipy.linalg import cho_solve, cholesky, solve_triangular

from tunelab.study.steady.design import Design, matern, matern_by_log_scale
from tunelab.study.steady.evidence import MEDIAN, NAMES, SPREAD, Columns, Moments

REACH = 3.0  # spreads of their priors within which the sizes are looked for
AMPLITUDES = ("pulsation", "local", "session", "drift")


def hold_variance(theta: np.ndarray, gate: np.ndarray, hold_weight: np.ndarray) -> np.ndarray:
    """Variance of the error that each hold's blocks share, shape (holds,)."""
    size = dict(zip(NAMES, np.exp(theta), strict=True))
    return (size["hold"] ** 2 + (size["hold_disturbed"] * gate) ** 2) / hold_weight


@dataclass(frozen=True)
class Solution:
    """Gaussian posterior of the coefficients at one choice of sizes."""

    log_evidence: float  # with the priors of the sizes
    mean: np.ndarray  # of the coefficients
    root: np.ndarray  # coefficients = mean + root @ standard normal draws


@dataclass(frozen=True)
class _State:
    """What evidence, its slope and the posterior are made of; coefficients are standardised by their priors."""

    size: dict[str, float]
    scale: np.ndarray
    curve_root: np.ndarray
    lower: np.ndarray  # Cholesky factor of the posterior precision
    mean: np.ndarray
    ratio: np.ndarray  # of each hold: shared variance over that of its mean's noise
    log_evidence: float


def solve(theta: np.ndarray, columns: Columns, design: Design, moments: Moments) -> Solution:
    """Posterior and evidence at log sizes `theta`."""
    state = _state(theta, columns, design, moments)
    root = solve_triangular(state.lower, np.eye(state.mean.size), lower=True, trans="T")
    return Solution(state.log_evidence, _unscaled(state.mean, state, columns), _unscaled(root, state, columns))


def choose_sizes(
    start: np.ndarray | None, columns: Columns, design: Design, moments: Moments, *, steps: int
) -> tuple[np.ndarray, float]:
    """Log sizes of largest evidence, from `start` (the priors' medians if None), and that evidence."""

    def cost(theta: np.ndarray) -> tuple[float, np.ndarray]:
        state = _state(theta, columns, design, moments)
        return -state.log_evidence, -_slope(theta, state, columns, design, moments)

    begin = MEDIAN if start is None else start
    bounds = list(zip(MEDIAN - REACH * SPREAD, MEDIAN + REACH * SPREAD, strict=True))
    best = scipy.optimize.minimize(
        cost, begin, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": steps, "ftol": 1e-7}
    )
    return best.x, -float(best.fun)


def _state(theta: np.ndarray, columns: Columns, design: Design, moments: Moments) -> _State:
    size = dict(zip(NAMES, np.exp(theta), strict=True))
    variance = size["block"] ** 2
    shared = hold_variance(theta, moments.hold_gate, moments.hold_weight)
    ratio = shared * moments.weight_by_hold / variance
    gain = shared / variance**2 / (1.0 + ratio)
    square = moments.square / variance - (moments.by_hold * gain) @ moments.by_hold.T
    cross = moments.cross / variance - moments.by_hold @ (gain * moments.target_by_hold)
    left = moments.target_square / variance - gain @ moments.target_by_hold**2
    scale, curve_root = _prior_roots(size, columns, design)
    curve = columns.parts["curve"]
    square, cross = square * np.outer(scale, scale), cross * scale
    square[curve] = curve_root.T @ square[curve]
    square[:, curve] = square[:, curve] @ curve_root
    cross[curve] = curve_root.T @ cross[curve]
    lower = cholesky(square + np.eye(cross.size), lower=True, check_finite=False)
    mean = cho_solve((lower, True), cross, check_finite=False)
    log_volume = moments.blocks * np.log(variance) - moments.log_weight + np.log1p(ratio).sum()
    fit = -0.5 * (log_volume + left - cross @ mean) - np.log(np.diag(lower)).sum()
    prior = -0.5 * np.sum(((theta - MEDIAN) / SPREAD) ** 2)
    return _State(size, scale, curve_root, lower, mean, ratio, float(fit + prior))


def _slope(theta: np.ndarray, state: _State, columns: Columns, design: Design, moments: Moments) -> np.ndarray:
    """Derivative of the log evidence by the log sizes.

    Source: the trace formulas of C. E. Rasmussen and C. K. I. Williams, "Gaussian Processes for Machine Learning"
    (2006), equation 5.9, written in the posterior's mean and covariance.
    """
    covariance = cho_solve((state.lower, True), np.eye(state.mean.size), check_finite=False)
    slope = dict.fromkeys(NAMES, 0.0)
    for name in AMPLITUDES:
        part = columns.parts[name]
        here = state.mean[part]
        slope[name] = float(here @ here + np.trace(covariance[part, part]) - here.size)
    slope |= _curve_slope(state, covariance, columns, design)
    slope |= _noise_slope(state, covariance, columns, moments)
    return np.array([slope[name] for name in NAMES]) - (theta - MEDIAN) / SPREAD**2


def _curve_slope(state: _State, covariance: np.ndarray, columns: Columns, design: Design) -> dict[str, float]:
    part, size = columns.parts["curve"], state.size
    inner = np.outer(state.mean[part], state.mean[part]) + covariance[part, part]
    inner[np.diag_indices_from(inner)] -= 1.0
    half = solve_triangular(state.curve_root, inner, lower=True, trans="T", check_finite=False)
    pull = solve_triangular(state.curve_root, half.T, lower=True, trans="T", check_finite=False)
    distance = np.abs(design.nodes[:, None] - design.nodes)
    slope = {}
    for name in ("broad", "narrow"):
        scale = size[f"{name}_scale"]
        slope[name] = float(size[name] ** 2 * np.sum(pull * matern(distance, scale)))
        slope[f"{name}_scale"] = float(0.5 * size[name] ** 2 * np.sum(pull * matern_by_log_scale(distance, scale)))
    return slope


def _noise_slope(state: _State, covariance: np.ndarray, columns: Columns, moments: Moments) -> dict[str, float]:
    """By the sizes of block and hold errors; sums over residuals are taken from the moments."""
    variance, gate = state.size["block"] ** 2, moments.hold_gate
    mean = _unscaled(state.mean, state, columns)
    root = _unscaled(np.eye(mean.size), state, columns)
    spread = root @ covariance @ root.T
    rest = moments.target_by_hold - moments.by_hold.T @ mean
    rest_spread = np.einsum("ih,ij,jh->h", moments.by_hold, spread, moments.by_hold, optimize=True)
    second = (rest**2 + rest_spread) / (variance * (1.0 + state.ratio)) ** 2
    pull = 0.5 * (second - moments.weight_by_hold / variance / (1.0 + state.ratio)) / moments.hold_weight
    shrink = state.ratio / (1.0 + state.ratio)
    weight = moments.weight_by_hold
    total = moments.target_square - 2 * mean @ moments.cross + mean @ moments.square @ mean
    total += np.sum(spread * moments.square)
    total -= np.sum((2 * shrink - shrink**2) / weight * (rest**2 + rest_spread))
    return {
        "hold": float(2 * state.size["hold"] ** 2 * pull.sum()),
        "hold_disturbed": float(2 * state.size["hold_disturbed"] ** 2 * (pull @ gate**2)),
        "block": float(total / variance - moments.blocks + shrink.sum()),
    }


def curve_covariance(theta: np.ndarray, apart: np.ndarray) -> np.ndarray:
    """Prior covariance of the meter's log error at places `apart` along the curve's coordinate, same shape."""
    size, distance = dict(zip(NAMES, np.exp(theta), strict=True)), np.abs(apart)
    broad = size["broad"] ** 2 * matern(distance, size["broad_scale"])
    return broad + size["narrow"] ** 2 * matern(distance, size["narrow_scale"])


def _prior_roots(size: dict[str, float], columns: Columns, design: Design) -> tuple[np.ndarray, np.ndarray]:
    """Scale of every coefficient and the root of the curve's covariance."""
    covariance = curve_covariance(np.log([size[name] for name in NAMES]), design.nodes[:, None] - design.nodes)
    covariance[np.diag_indices_from(covariance)] += 1e-9 + 1e-7 * size["broad"] ** 2
    scale = columns.fixed_sd.copy()
    for name in AMPLITUDES:
        scale[columns.parts[name]] = size[name]
    return scale, cholesky(covariance, lower=True, check_finite=False)


def _unscaled(values: np.ndarray, state: _State, columns: Columns) -> np.ndarray:
    """Take standardised coefficients back to their own sizes."""
    out = values * (state.scale if values.ndim == 1 else state.scale[:, None])
    curve = columns.parts["curve"]
    out[curve] = state.curve_root @ values[curve]
    return out
