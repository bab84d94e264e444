"""The joint fit: robust weights, dead time linearised again and again, onset of the pulsation averaged over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.study.steady.design import Design, Onset
from tunelab.study.steady.evidence import (
    Columns,
    Solution,
    choose_sizes,
    columns_of,
    hold_variance,
    moments_of,
    solve,
)

NEVER = Onset("load", np.inf)
ONSETS = (NEVER, *(Onset("load", at) for at in (0.4, 0.5, 0.6, 0.7, 0.8, 0.9)))
ONSETS_BY_PRESSURE = tuple(Onset("pressure_ratio", at) for at in (0.5, 0.6, 0.7, 0.8, 0.9))
FREEDOM = 5.0  # degrees of freedom of the heavy-tailed noise; common practice, no source
PASSES = 3


@dataclass(frozen=True)
class Member:
    """The posterior for one onset and its share of the evidence."""

    share: float
    onset: Onset
    columns: Columns
    solution: Solution


@dataclass(frozen=True)
class Joint:
    """Posterior of the joint model as a mixture over the onset of the pulsation."""

    design: Design
    members: tuple[Member, ...]
    sizes: np.ndarray  # log sizes that the evidence chose
    weight: np.ndarray  # robust weight of each block, 0 to 1
    dead_time_ms: np.ndarray  # coefficients about which δ was linearised

    def mean(self, name: str) -> np.ndarray:
        """Posterior mean of one part's coefficients; for parts whose columns do not hang on the onset."""
        return sum(m.share * m.solution.mean[m.columns.parts[name]] for m in self.members)


def fit_joint(design: Design, dead_time_sd: np.ndarray, *, held_ms: np.ndarray | None = None) -> Joint:
    """Fit the model to calm blocks.

    `dead_time_sd` is the prior spread of δ's coefficients; where zero they are held at `held_ms` (zero if None).
    """
    blocks = design.blocks
    target, hold = blocks["y"].to_numpy(), blocks["hold"].to_numpy()
    own = base_weight(blocks)
    robust, hold_robust = np.ones(hold.size), np.ones(hold.max() + 1)
    dead_time = np.zeros(3) if held_ms is None else np.asarray(held_ms, dtype=float)
    sizes, onset = None, Onset("load", 0.65)
    for step in range(PASSES):
        columns = columns_of(design, onset, dead_time, dead_time_sd)
        moments = moments_of(columns, target, hold, own * robust, hold_robust)
        sizes, _ = choose_sizes(sizes, columns, design, moments, steps=(25, 10, 10)[step])
        if step == 0:
            onset = _best_onset(design, sizes, dead_time, dead_time_sd, (target, hold, own * robust, hold_robust))
            columns = columns_of(design, onset, dead_time, dead_time_sd)
            moments = moments_of(columns, target, hold, own * robust, hold_robust)
        solution = solve(sizes, columns, design, moments, full=True)
        dead_time = np.where(dead_time_sd > 0, solution.mean[columns.parts["dead_time"]], dead_time)
        left = target - columns.offset - columns.matrix @ solution.mean
        robust, hold_robust = _robust_weights(left, hold, own, sizes, moments.hold_gate)
    data = (target, hold, own * robust, hold_robust)
    return Joint(design, _members(design, sizes, dead_time, dead_time_sd, data), sizes, robust, dead_time)


def base_weight(blocks) -> np.ndarray:
    """Weight of each block before its residual is known: fewer lambda readings and less calm weigh less."""
    readings = blocks["lambda_readings"].to_numpy(dtype=float)
    thin = 0.4 + 0.6 * np.median(readings) / np.maximum(readings, 1.0)
    return 1.0 / (thin * (1.0 + (blocks["apart"].to_numpy() / 0.04) ** 2))


def _onsets(design: Design) -> tuple[Onset, ...]:
    known = np.isfinite(design.blocks["pressure_ratio"]).mean() > 0.95
    return ONSETS + ONSETS_BY_PRESSURE if known else ONSETS


def _best_onset(
    design: Design, sizes: np.ndarray, dead_time: np.ndarray, dead_time_sd: np.ndarray, data: tuple
) -> Onset:
    evidence = [
        _at_onset(design, onset, sizes, dead_time, dead_time_sd, data)[1].log_evidence for onset in _onsets(design)
    ]
    return _onsets(design)[int(np.argmax(evidence))]


def _at_onset(
    design: Design, onset: Onset, sizes: np.ndarray, dead_time: np.ndarray, dead_time_sd: np.ndarray, data: tuple
) -> tuple[Columns, Solution]:
    columns = columns_of(design, onset, dead_time, dead_time_sd)
    return columns, solve(sizes, columns, design, moments_of(columns, *data), full=True)


def _members(
    design: Design, sizes: np.ndarray, dead_time: np.ndarray, dead_time_sd: np.ndarray, data: tuple
) -> tuple[Member, ...]:
    """Posteriors for every onset that the evidence does not rule out."""
    found = [(onset, *_at_onset(design, onset, sizes, dead_time, dead_time_sd, data)) for onset in _onsets(design)]
    evidence = np.array([solution.log_evidence for _, _, solution in found])
    share = np.exp(evidence - evidence.max())
    share[share < 0.01] = 0.0
    share /= share.sum()
    return tuple(Member(float(s), *row) for s, row in zip(share, found, strict=True) if s > 0)


def _robust_weights(
    left: np.ndarray, hold: np.ndarray, own: np.ndarray, sizes: np.ndarray, gate: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Weights of blocks and of holds under noise with heavy tails, between 0 and 1.

    Source: K. L. Lange, R. J. A. Little and J. M. G. Taylor, "Robust statistical modeling using the t distribution",
    JASA 84 (1989) 881: weight (ν + 1) / (ν + r²), here divided by its largest value.
    """
    variance = np.exp(2 * sizes[8])
    shared = hold_variance(sizes, gate, np.ones(gate.size))
    weight = np.bincount(hold, own, gate.size)
    mean = np.bincount(hold, own * left, gate.size) / weight
    effect = mean * shared / (shared + variance / weight)
    squared = own * (left - effect[hold]) ** 2 / variance
    hold_squared = mean**2 / (shared + variance / weight)
    return FREEDOM / (FREEDOM + squared), FREEDOM / (FREEDOM + hold_squared)
