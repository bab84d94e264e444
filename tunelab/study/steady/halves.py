"""Does it hold? The first half of every drive and the second, fitted apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tunelab.study.steady.curve import LEAST_SECONDS, reach_seconds
from tunelab.study.steady.evidence import columns_of, moments_of
from tunelab.study.steady.joint import Joint, Member, base_weight, hold_weight
from tunelab.study.steady.posterior import draw_posterior
from tunelab.study.steady.result import SplitHalf
from tunelab.study.steady.solution import solve

LEAST_HOLDS = 16
NOTHING = 1e-9  # weight of a block that is left out


def split_half(joint: Joint, reading: np.ndarray, dead_time_sd: np.ndarray) -> SplitHalf | None:
    """Fit the first halves of all drives and the second halves apart, with the sizes of the whole.

    Halves by time, so that a slow change shows; None if there are too few holds.
    """
    blocks = joint.design.blocks
    if blocks["hold"].max() + 1 < LEAST_HOLDS:
        return None
    numbers = blocks.groupby("session")["hold"]
    second = (blocks["hold"] > (numbers.transform("min") + numbers.transform("max")) / 2).to_numpy()
    curves, spreads, dead_times = [], [], []
    for kept in (~second, second):
        posterior = draw_posterior(_refit(joint, kept, dead_time_sd), reading, np.random.default_rng(0))
        seconds = reach_seconds(replace(joint.design, blocks=joint.design.blocks[kept]), reading)
        curves.append(np.where(seconds >= LEAST_SECONDS / 2, posterior.log_factor[0], np.nan))
        spreads.append(posterior.log_factor_sd)
        dead_times.append(float(posterior.dead_time_ms[0, 0]) if dead_time_sd[0] > 0 else np.nan)
    both = np.isfinite(curves[0]) & np.isfinite(curves[1])
    apart = (curves[0] - curves[1])[both]
    return SplitHalf(
        reading=reading,
        factor_first=np.exp(curves[0]),
        factor_second=np.exp(curves[1]),
        dead_time_first_ms=dead_times[0],
        dead_time_second_ms=dead_times[1],
        difference_rms_pct=100 * float(np.sqrt(np.mean(apart**2))) if both.any() else np.nan,
        expected_rms_pct=100 * float(np.sqrt(np.mean((spreads[0] ** 2 + spreads[1] ** 2)[both])))
        if both.any()
        else np.nan,
    )


def _refit(joint: Joint, kept: np.ndarray, dead_time_sd: np.ndarray) -> Joint:
    """Posterior from the kept blocks alone, for the onset with most evidence."""
    blocks = joint.design.blocks
    member = joint.members[0]
    columns = columns_of(joint.design, member.onset, joint.dead_time_ms, dead_time_sd)
    weight = np.where(kept, base_weight(blocks) * joint.weight, NOTHING)
    hold = blocks["hold"].to_numpy()
    moments = moments_of(columns, blocks["y"].to_numpy(), hold, weight, hold_weight(blocks))
    solution = solve(member.sizes, columns, joint.design, moments)
    return replace(joint, members=(Member(1.0, member.onset, member.sizes, columns, solution),))
