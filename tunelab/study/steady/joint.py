"""The joint fit: robust weights, the sizes that the data choose, and its posterior at these sizes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import scipy
from scipy.linalg import cho_solve, cholesky, solve_triangular

from tunelab.study.steady.model import (
    MEDIAN,
    NAMES,
    SPREAD,
    Columns,
    Design,
    Moments,
    Onset,
    columns_of,
    matern,
    matern_by_log_scale,
    moments_of,
)

REACH = 3.0  # spreads of their priors within which the sizes are looked for
_ORDER = ("einsum_path", (0, 1), (0, 1))  # in which three factors are multiplied: looking for it takes longer
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
    rest_spread = np.einsum("ih,ij,jh->h", moments.by_hold, spread, moments.by_hold, optimize=_ORDER)
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


NEVER = Onset("load", np.inf)
ONSETS = (
    NEVER,
    *(Onset("load", at) for at in (0.45, 0.55, 0.65, 0.75, 0.85)),
    *(Onset("load", at, 0.5) for at in (0.4, 0.5, 0.6, 0.7)),
)
ONSETS_BY_PRESSURE = (
    *(Onset("pressure_ratio", at) for at in (0.65, 0.75, 0.85)),
    Onset("pressure_ratio", 0.65, 0.4),
)
EARLY_LOAD, EARLY_LOG_ODDS = 0.5, -2.0  # intake pulsation seldom sets in below this load; common practice, no source
FREEDOM = 5.0  # degrees of freedom of the heavy-tailed noise; common practice, no source
FIRST, FIRST_STEPS = Onset("load", 0.5, 0.5), 15
STEPS = (5, 5, 5)  # of the search for sizes, in each pass; weights are renewed in between
RULED_OUT = 7.0  # log evidence behind the best at which an onset is dropped
LEAST_SHARE = 0.01


@dataclass(frozen=True)
class Member:
    """The posterior for one onset and its share of the evidence."""

    share: float
    onset: Onset
    sizes: np.ndarray  # log sizes that the evidence chose
    columns: Columns
    solution: Solution


@dataclass(frozen=True)
class Joint:
    """Posterior of the joint model as a mixture over the onset of the pulsation."""

    design: Design
    members: tuple[Member, ...]  # largest share first
    weight: np.ndarray  # robust weight of each block, 0 to 1
    dead_time_ms: np.ndarray  # coefficients about which δ was linearised


@dataclass(frozen=True)
class _Data:
    """Blocks with their weights."""

    target: np.ndarray
    hold: np.ndarray
    own: np.ndarray  # weight before the residual is known
    hold_own: np.ndarray  # the same of the error that a hold's blocks share
    robust: np.ndarray
    hold_robust: np.ndarray


def fit_joint(
    design: Design,
    dead_time_sd: np.ndarray,
    *,
    held_ms: np.ndarray | None = None,
    onsets: Sequence[Onset] | None = None,
) -> Joint:
    """Fit the model to steady blocks.

    `dead_time_sd` is the prior spread of δ's coefficients; where zero they are held at `held_ms` (zero if None).
    `onsets` are those of the pulsation to choose from, all that are known if None; each may also die out with speed.
    Every onset is tried with sizes of its own: a bad onset with the sizes of another would look better than it is.
    """
    blocks = design.blocks
    hold = blocks["hold"].to_numpy()
    whole = np.ones(hold.size), np.ones(hold.max() + 1)
    data = _Data(blocks["y"].to_numpy(), hold, base_weight(blocks), hold_weight(blocks), *whole)
    dead_time = np.zeros(3) if held_ms is None else np.asarray(held_ms, dtype=float)
    if onsets is None:
        onsets = ONSETS + ONSETS_BY_PRESSURE if np.isfinite(blocks["pressure_ratio"]).mean() > 0.95 else ONSETS
    onsets = (*onsets, *(replace(onset, dies_out=True) for onset in onsets if onset != NEVER))
    first = _member(design, FIRST, data, dead_time_sd, (None, dead_time), FIRST_STEPS)
    tried = {onset: (first.sizes, _dead_time(first, dead_time_sd, dead_time)) for onset in onsets}
    for steps in STEPS:
        members = [_member(design, onset, data, dead_time_sd, start, steps) for onset, start in tried.items()]
        members = _shared_out(members)
        best = members[0]
        left = data.target - best.columns.offset - best.columns.matrix @ best.solution.mean
        robust, hold_robust = _robust_weights(left, data, best)
        data = replace(data, robust=robust, hold_robust=hold_robust)
        tried = {m.onset: (m.sizes, _dead_time(m, dead_time_sd, dead_time)) for m in members}
    kept = [m for m in members if m.share >= LEAST_SHARE]
    total = sum(m.share for m in kept)
    shares = tuple(replace(m, share=m.share / total) for m in kept)
    return Joint(design, shares, data.robust, _dead_time(shares[0], dead_time_sd, dead_time))


def base_weight(blocks: pd.DataFrame) -> np.ndarray:
    """Weight of each block before its residual is known: fewer lambda readings and less steady ones weigh less."""
    readings = blocks["lambda_readings"].to_numpy(dtype=float)
    thin = 0.4 + 0.6 * np.median(readings) / np.maximum(readings, 1.0)
    return 1.0 / (thin * blocks["unrest"].to_numpy())


def hold_weight(blocks: pd.DataFrame) -> np.ndarray:
    """Weight of the error that a hold's blocks share, shape (holds,): what unrest does to one it does to the next."""
    return (1.0 / blocks.groupby("hold")["unrest"].mean()).to_numpy()


def _dead_time(member: Member, dead_time_sd: np.ndarray, held_ms: np.ndarray) -> np.ndarray:
    return np.where(dead_time_sd > 0, member.solution.mean[member.columns.parts["dead_time"]], held_ms)


def _member(design: Design, onset: Onset, data: _Data, dead_time_sd: np.ndarray, start: tuple, steps: int) -> Member:
    """Sizes and posterior for one onset; δ is linearised anew once the sizes are chosen."""
    sizes, dead_time = start
    columns = columns_of(design, onset, dead_time, dead_time_sd)
    moments = _moments(columns, data)
    sizes, _ = choose_sizes(sizes, columns, design, moments, steps=steps)
    solution = solve(sizes, columns, design, moments)
    for _ in range(2):
        dead_time = np.where(dead_time_sd > 0, solution.mean[columns.parts["dead_time"]], dead_time)
        columns = columns_of(design, onset, dead_time, dead_time_sd)
        solution = solve(sizes, columns, design, _moments(columns, data))
    return Member(0.0, onset, sizes, columns, solution)


def _moments(columns: Columns, data: _Data) -> Moments:
    return moments_of(columns, data.target, data.hold, data.own * data.robust, data.hold_own * data.hold_robust)


def _shared_out(members: list[Member]) -> list[Member]:
    """Members with their shares, largest first; those that the evidence rules out are dropped."""
    evidence = np.array([m.solution.log_evidence + _log_odds(m.onset) for m in members])
    share = np.exp(evidence - evidence.max())
    share /= share.sum()
    order = np.argsort(-evidence)
    return [replace(members[i], share=float(share[i])) for i in order if evidence[i] > evidence.max() - RULED_OUT]


def _log_odds(onset: Onset) -> float:
    """Log odds of an onset before the drive."""
    return EARLY_LOG_ODDS if onset.quantity == "load" and onset.value < EARLY_LOAD else 0.0


def _robust_weights(left: np.ndarray, data: _Data, member: Member) -> tuple[np.ndarray, np.ndarray]:
    """Weights of blocks and of holds under noise with heavy tails, between 0 and 1.

    Source: K. L. Lange, R. J. A. Little and J. M. G. Taylor, "Robust statistical modeling using the t distribution",
    JASA 84 (1989) 881: weight (ν + 1) / (ν + r²), here divided by its largest value.
    """
    hold, own, holds = data.hold, data.own, data.hold_robust.size
    gate = np.bincount(hold, member.columns.gate, holds) / np.bincount(hold, minlength=holds)
    variance = np.exp(2 * member.sizes[NAMES.index("block")])
    shared = hold_variance(member.sizes, gate, data.hold_own)
    weight = np.bincount(hold, own, gate.size)
    mean = np.bincount(hold, own * left, gate.size) / weight
    effect = mean * shared / (shared + variance / weight)
    squared = own * (left - effect[hold]) ** 2 / variance
    hold_squared = mean**2 / (shared + variance / weight)
    return FREEDOM / (FREEDOM + squared), FREEDOM / (FREEDOM + hold_squared)
