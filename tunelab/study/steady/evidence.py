"""Marginal likelihood of the steady model: how rough the curve, how strong the nuisances, how large the noise.

A hold is one experiment: its blocks share an error of their own, which does not shrink with their number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.optimize import minimize

from tunelab.study.steady.design import (
    CONSTANT_SD,
    DEAD_TIME_SD_MS,
    FILM_SD_S,
    NODES,
    SCALLOP_MEAN_SD,
    Design,
    Onset,
    matern,
)

# What the data choose, each with a wide log-normal prior: median and spread of the logarithm.
CHOSEN = {
    "broad": (0.12, 0.8),  # size of the broad meter error, log units
    "broad_scale": (0.5, 0.5),  # its length along the curve's coordinate (the visited range is 1 to 1.4)
    "narrow": (0.012, 0.7),  # size of the narrow meter error
    "narrow_scale": (0.07, 0.4),
    "pulsation": (0.05, 1.0),  # size of the map beyond the onset
    "local": (0.001, 0.9),  # size of the model error over the whole map
    "session": (0.003, 0.5),  # one offset per session: weather, fuel, sensor
    "drift": (0.0015, 0.7),  # slow course within a session
    "block": (0.005, 1.0),  # noise of a usual block
    "hold": (0.002, 1.0),  # error that the blocks of a hold share
    "hold_disturbed": (0.006, 1.0),  # the same, in addition, in the pulsation
}
NAMES = tuple(CHOSEN)
_MEDIAN = np.log([median for median, _ in CHOSEN.values()])
_SPREAD = np.array([spread for _, spread in CHOSEN.values()])
N_CONSTANT, N_DEAD, N_FILM, N_SCALLOP = 1, 3, 1, 1


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
    blocks = {
        "curve": (design.curve_columns, 1.0),
        "constant": (np.ones((n, 1)), CONSTANT_SD),
        "scallop": (design.scallop[:, None], SCALLOP_MEAN_SD[1]),
        "dead_time": (dead, dead_time_sd),
        "film": (design.blocks[["slope"]].to_numpy(), FILM_SD_S),
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
    """Sum up what the likelihood needs; `weight` shape (blocks,), `hold_weight` shape (holds,)."""
    left = target - columns.offset
    holds = hold_weight.size
    member = np.zeros((holds, hold.size))
    member[hold, np.arange(hold.size)] = weight
    weighted = columns.matrix * weight[:, None]
    return Moments(
        square=weighted.T @ columns.matrix,
        by_hold=(member @ columns.matrix).T,
        cross=weighted.T @ left,
        target_by_hold=member @ left,
        target_square=float(weight @ left**2),
        weight_by_hold=member.sum(axis=1),
        log_weight=float(np.log(weight).sum()),
        blocks=hold.size,
        hold_gate=np.bincount(hold, columns.gate, holds) / np.bincount(hold, minlength=holds),
        hold_weight=hold_weight,
    )


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


def solve(theta: np.ndarray, columns: Columns, design: Design, moments: Moments, *, full: bool) -> Solution:
    """Posterior and evidence at log sizes `theta`; without `full`, mean and root are left empty."""
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
    half = solve_triangular(lower, cross, lower=True, check_finite=False)
    log_volume = moments.blocks * np.log(variance) - moments.log_weight + np.log1p(ratio).sum()
    fit = -0.5 * (log_volume + left - half @ half) - np.log(np.diag(lower)).sum()
    prior = -0.5 * np.sum(((theta - _MEDIAN) / _SPREAD) ** 2)
    if not full:
        return Solution(fit + prior, np.empty(0), np.empty((0, 0)))
    mean = cho_solve((lower, True), cross)
    root = solve_triangular(lower, np.eye(cross.size), lower=True, trans="T")
    return Solution(fit + prior, _scaled(mean, scale, curve, curve_root), _scaled(root, scale, curve, curve_root))


def _prior_roots(size: dict[str, float], columns: Columns, design: Design) -> tuple[np.ndarray, np.ndarray]:
    """Scale of every coefficient and the root of the curve's covariance."""
    distance = np.abs(design.nodes[:, None] - design.nodes)
    covariance = size["broad"] ** 2 * matern(distance, size["broad_scale"])
    covariance += size["narrow"] ** 2 * matern(distance, size["narrow_scale"])
    covariance[np.diag_indices(NODES)] += 1e-9 + 1e-7 * size["broad"] ** 2
    scale = columns.fixed_sd.copy()
    for name in ("pulsation", "local", "session", "drift"):
        scale[columns.parts[name]] = size[name]
    return scale, cholesky(covariance, lower=True, check_finite=False)


def _scaled(values: np.ndarray, scale: np.ndarray, curve: slice, curve_root: np.ndarray) -> np.ndarray:
    """Take standardised coefficients back to their own sizes."""
    out = values * (scale if values.ndim == 1 else scale[:, None])
    out[curve] = curve_root @ values[curve]
    return out


def choose_sizes(
    start: np.ndarray | None, columns: Columns, design: Design, moments: Moments, *, steps: int
) -> tuple[np.ndarray, float]:
    """Log sizes of largest evidence, from `start` (the priors' medians if None), and that evidence."""

    def cost(theta: np.ndarray) -> float:
        return -solve(theta, columns, design, moments, full=False).log_evidence

    begin = _MEDIAN if start is None else start
    bounds = list(zip(_MEDIAN - 4 * _SPREAD, _MEDIAN + 4 * _SPREAD, strict=True))
    best = minimize(cost, begin, method="L-BFGS-B", bounds=bounds, options={"maxiter": steps, "ftol": 1e-6})
    return best.x, -float(best.fun)


def default_dead_time_sd(*, level: bool, slope: bool) -> np.ndarray:
    """Prior spread of δ's coefficients; zero for what the drive cannot show."""
    return np.array(DEAD_TIME_SD_MS) * np.array([level, level and slope, level and slope])
