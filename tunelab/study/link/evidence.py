"""What the log points to: statements that a wiring check can be chosen by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tunelab.study.link.noise import STILL, NoiseTable, Supply
from tunelab.study.link.order import OrderNoise
from tunelab.study.link.state import CRANKING, STOPPED
from tunelab.study.link.study import LinkStudy

NOISIER = 2.0  # times the noise with the engine off: from here it counts; common practice, no source
BY_CHANCE = 0.05  # so likely, or more, a share of drop-outs at low voltage is no clue
LOW_CRANKING_V = 9.5  # a supply below this while cranking may stop an ECU; common practice, no source


@dataclass(frozen=True)
class Clue:
    """One thing that the log shows."""

    points_to: str  # "starter", "supply", "speed", "still", "ignition", "charging", "noise", "frozen" or "log ends"
    sentence: str


def find_clues(
    study: LinkStudy, noise: NoiseTable | None, orders: Sequence[OrderNoise], *, supply: Supply | None
) -> tuple[Clue, ...]:
    """List what the evidence points to; empty where nothing stands out."""
    clues = [*_by_state(study), *_by_supply(supply), *_by_order(study, orders), *_by_noise(noise)]
    frozen = [drop for drop in study.here.drop_outs if "same frame" in drop.kind]
    if frozen:
        clues.append(Clue("frozen", f"drop-outs in which one frame came again and again: {len(frozen)}"))
    return tuple(clues)


def _by_state(study: LinkStudy) -> list[Clue]:
    clues = []
    start = study.per_start
    if start.events:
        clues.append(Clue("starter", f"{start.events} of {start.tries} starts of the engine came with a drop-out"))
    still = study.by_state[study.by_state["state"] == STOPPED]
    if still["drop_outs"].sum():
        clues.append(Clue("still", f"drop-outs with the engine standing still: {still['drop_outs'].sum()}"))
    for row in study.by_state.itertuples():
        if row.times_lower > 1 and row.state not in (STOPPED, CRANKING):
            sentence = f"{row.times_others:.2g} times the rate of the other states at {row.state}"
            clues.append(Clue("speed", sentence))
    return clues


def _by_supply(supply: Supply | None) -> list[Clue]:
    if supply is None:
        return []
    clues = []
    if supply.p_dips < BY_CHANCE:
        seen = f"{supply.dips} of {supply.drop_outs_seen} drop-outs"
        sentence = f"{seen} began below {supply.dip_v:.1f} V, more than chance"
        clues.append(Clue("supply", sentence))
    if supply.lowest_cranking_v < LOW_CRANKING_V:
        clues.append(Clue("starter", f"{supply.lowest_cranking_v:.1f} V while cranking"))
    return clues


def _by_order(study: LinkStudy, orders: Sequence[OrderNoise]) -> list[Clue]:
    tested = [item for item in orders if item.was_tested]
    limit = (1 - study.confidence) / max(1, len(tested))
    found = [item for item in tested if item.p_value <= limit]
    return [
        Clue("charging" if "charging" in item.source else "ignition", f"{item.channel} keeps step with {item.source}")
        for item in found
    ]


def _by_noise(noise: NoiseTable | None) -> list[Clue]:
    if noise is None:
        return []
    grown = noise.table[(noise.table["times_off"] >= NOISIER) & noise.table["channel"].isin(STILL)]
    grown = grown[np.isfinite(grown["lower"])]
    worst = grown.groupby("channel", sort=False)["times_off"].max()
    return [
        Clue("noise", f"{name} is {times:.1f} times as noisy as with the engine off") for name, times in worst.items()
    ]
