"""The joint fit: robust weights, dead time linearised again and again, onset of the pulsation averaged over."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tunelab.study.steady.design import Design, Onset
from tunelab.study.steady.evidence import NAMES, Columns, Moments, columns_of, moments_of
from tunelab.study.steady.solution import Solution, choose_sizes, hold_variance, solve

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


def fit_joint(design: Design, dead_time_sd: np.ndarray, *, held_ms: np.ndarray | None = None) -> Joint:
    """Fit the model to steady blocks.

    `dead_time_sd` is the prior spread of δ's coefficients; where zero they are held at `held_ms` (zero if None).
    Every onset is tried with sizes of its own: a bad onset with the sizes of another would look better than it is.
    """
    blocks = design.blocks
    hold = blocks["hold"].to_numpy()
    whole = np.ones(hold.size), np.ones(hold.max() + 1)
    data = _Data(blocks["y"].to_numpy(), hold, base_weight(blocks), hold_weight(blocks), *whole)
    dead_time = np.zeros(3) if held_ms is None else np.asarray(held_ms, dtype=float)
    onsets = ONSETS + ONSETS_BY_PRESSURE if np.isfinite(blocks["pressure_ratio"]).mean() > 0.95 else ONSETS
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
    kept = tuple(replace(m, share=m.share / total) for m in kept)
    return Joint(design, kept, data.robust, _dead_time(kept[0], dead_time_sd, dead_time))


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
    sizes, _ = choose_sizes(sizes, columns, design, _moments(columns, data), steps=steps)
    solution = solve(sizes, columns, design, _moments(columns, data))
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
