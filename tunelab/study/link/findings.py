"""What the link study says: the evidence, the findings, and the wiring check sheet.

All of it is common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from tunelab.log.segment import CRANKING, STOPPED
from tunelab.study.finding import Finding, Status, status_within
from tunelab.study.link.noise import STILL, NoiseTable, Supply
from tunelab.study.link.order import OrderNoise
from tunelab.study.link.study import LinkStudy
from tunelab.workspace.car import Car

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


FEWEST_FOR_A_HUNDREDTH = 100  # readings: below that no reading is the lowest 1 % of them


def link_findings(
    study: LinkStudy, orders: Sequence[OrderNoise], car: Car, *, tolerable_per_h: float, supply: Supply | None
) -> list[Finding]:
    """Findings of the link study, in the order in which a reader wants them.

    Parameters
    ----------
    study, orders, supply
        The finished parts of the study.
    car : Car
        Its lowest supply voltage.
    tolerable_per_h : float
        Drop-outs per hour that a drive can live with. [1/h]
    """
    return [
        _rate(study, tolerable_per_h),
        _change(study),
        _per_start(study),
        _in_step(study, orders),
        _supply(study, supply, car.limits.battery_min_v),
    ]


def _finding(study: LinkStudy, name: str, title: str, unit: str, **rest: Any) -> Finding:
    """Fill in what the findings share; numbers that are not finite become None."""
    numbers: dict[str, Any] = {key: _number(rest.pop(key, None)) for key in ("value", "lower", "upper", "limit")}
    counts: dict[str, Any] = {"samples_used": study.here.samples_used, "samples_flagged": study.here.samples_flagged}
    return Finding(id=f"link.{name}", title=title, unit=unit, confidence=study.confidence, **numbers, **(counts | rest))


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and np.isfinite(value) else None


def _rate(study: LinkStudy, limit: float) -> Finding:
    rate, here = study.rate, study.here
    title, unit = "How often the link drops out", "1/h"
    if not rate.seconds:
        because = "No logged time."
        return _finding(study, "drop_outs", title, unit, status="not_shown", limit=limit, because=because)
    status = status_within(rate.per_h, rate.lower_per_h, rate.upper_per_h, most=limit)
    status = "not_shown" if status == "watch" and not rate.events else status
    because = (
        f"{rate.events or 'no'} drop-out{'' if rate.events == 1 else 's'} in {rate.seconds / 60:.1f} min of logged "
        f"time; {rate.lower_per_h:.2g} to {rate.upper_per_h:.2g} per hour fit that."
    )
    if status == "not_shown":
        because += " Too short a drive to show that the link holds."
        return _finding(study, "drop_outs", title, unit, status=status, limit=limit, because=because)
    if here.ends_running:
        because += " The log ends with the engine running: if the link broke there, note it in session.toml."
    ends = {"value": rate.per_h, "lower": rate.lower_per_h, "upper": rate.upper_per_h}
    return _finding(study, "drop_outs", title, unit, status=status, limit=limit, because=because, **ends)


def _change(study: LinkStudy) -> Finding:
    title, unit, change = "Drop-out rate after the rewiring over the rate before", "1", study.change
    if change is None:
        because = "No other wiring was driven before, or session.toml does not name it, so there is nothing to compare."
        return _finding(study, "wiring_change", title, unit, status="not_shown", because=because, limit=1.0)
    if change.verdict == "not shown yet":
        return _finding(study, "wiring_change", title, unit, status="not_shown", because=change.because, limit=1.0)
    status = status_within(change.ratio.ratio, change.ratio.lower, change.ratio.upper, most=1.0)
    ends = {"value": change.ratio.ratio, "lower": change.ratio.lower, "upper": change.ratio.upper}
    return _finding(study, "wiring_change", title, unit, status=status, because=change.because, limit=1.0, **ends)


def _per_start(study: LinkStudy) -> Finding:
    title, unit, chance = "Drop-outs per start of the engine", "1", study.per_start
    if not chance.tries:
        because = "No start of the engine was logged with this wiring."
        return _finding(study, "starts", title, unit, status="not_shown", because=because)
    because = f"{chance.events} of {chance.tries} starts with this wiring came with a drop-out."
    if not chance.events:
        because += f" Up to {100 * chance.upper:.0f} % of the starts may still drop it."
    status: Status = "watch" if chance.events else "not_shown"
    ends = {"value": chance.share, "lower": chance.lower, "upper": chance.upper} if chance.events else {}
    return _finding(study, "starts", title, unit, status=status, because=because, **ends)


def _in_step(study: LinkStudy, orders: Sequence[OrderNoise]) -> Finding:
    title = "Noise that keeps step with the engine: channels that show it"
    tested = [item for item in orders if item.was_tested]
    if not tested:
        why = next((item.because for item in orders), "the log has no engine speed, or no analog channel")
        because = f"It could not be tested: {why}."
        return _finding(study, "noise_in_step", title, "channels", status="not_shown", because=because)
    found = [item for item in tested if item.p_value <= (1 - study.confidence) / len(tested)]
    channels = sorted({item.channel for item in found})
    if found:
        worst = min(found, key=lambda item: item.p_value)
        because = f"{', '.join(channels)}; clearest is {worst.channel} with {worst.source}."
    else:
        because = (
            f"None of {len(tested)} pairs of channel and source is above the noise; weaker noise may still be there."
        )
    counts = {"samples_used": max(i.samples_used for i in tested), "samples_flagged": 0}
    counts["samples_flagged"] = min(i.samples_flagged for i in tested)
    status: Status = "watch" if found else "not_shown"
    value = len(channels) if found else None
    return _finding(
        study, "noise_in_step", title, "channels", status=status, because=because, value=value, limit=0.0, **counts
    )


def _supply(study: LinkStudy, supply: Supply | None, limit: float) -> Finding:
    title, unit = "Lowest supply voltage with the engine running (1 % of readings are lower)", "V"
    if supply is None or not np.isfinite(supply.dip_v):
        because = "No supply voltage was logged with the engine running."
        return _finding(study, "supply", title, unit, status="not_shown", limit=limit, because=because)
    if supply.running < FEWEST_FOR_A_HUNDREDTH:
        because = f"Only {supply.running} readings with the engine running; {FEWEST_FOR_A_HUNDREDTH} are the least."
        return _finding(study, "supply", title, unit, status="not_shown", limit=limit, because=because)
    lower, upper = supply.dip_interval_v
    status = status_within(supply.dip_v, lower, upper, least=limit)
    because = f"The owner's limit is {limit:g} V."
    if supply.drop_outs_seen:
        because += f" {supply.dips} of {supply.drop_outs_seen} drop-outs began below {supply.dip_v:.1f} V"
        because += ", more than chance." if supply.p_dips < BY_CHANCE else "; chance alone may do that."
    if not np.isfinite(lower):
        because = f"It read {supply.dip_v:g} V throughout, so the reading may be dead. {because}"
        if status != "watch" or supply.dip_v >= limit:
            return _finding(study, "supply", title, unit, status="not_shown", limit=limit, because=because)
    ends = {"value": supply.dip_v, "lower": lower, "upper": upper}
    counts = {"samples_used": supply.samples_used, "samples_flagged": supply.samples_flagged}
    return _finding(study, "supply", title, unit, status=status, limit=limit, because=because, **ends, **counts)


BASIS = "common practice, no source"
CAUTIONS = (
    "Ignition: coils and leads carry tens of thousands of volts and can kill, a person with a pacemaker at a distance "
    "too. Engine off, key out and battery disconnected before any connector, coil or lead is touched; never pull a "
    "lead or a coil off a running engine.",
    "Feeds: disconnect the battery's negative lead first and connect it last; every new feed gets its own fuse at the "
    "battery end, sized for its wire.",
    "Engine running in a workshop: exhaust led outside, hands, hair, clothes and leads clear of belt and fan, a fire "
    "extinguisher at hand.",
)


@dataclass(frozen=True)
class Check:
    """One thing to look at or to change."""

    what: str
    how: str
    answers: tuple[str, ...]  # what clues may point to it


CHECKS = (
    Check(
        "ECU feed of its own",
        "A fused wire from the battery itself to the ECU's supply pin, off neither the coils' feed nor the charging "
        "wire; measure at the ECU while cranking: not more than 0.5 V below the battery.",
        ("starter", "supply", "charging"),
    ),
    Check(
        "Coils on a feed of their own",
        "Coils by their own relay and fuse, no wire shared with ECU, sensors or laptop.",
        ("ignition", "speed", "supply"),
    ),
    Check(
        "Grounds",
        "ECU and sensor grounds to one bright point at the engine block, a heavy strap from block to chassis and from "
        "chassis to battery; measure block to battery minus while cranking: not more than 0.2 V.",
        ("starter", "supply", "speed", "noise", "ignition", "charging"),
    ),
    Check(
        "Suppression capacitor at the coil feed",
        "The kind sold for ignition coils, from the coil's feed to the block, its lead short.",
        ("ignition", "speed"),
    ),
    Check(
        "Variable-reluctance sensors",
        "Twisted pair, its shield grounded at the ECU end only, routed away from coils, leads and starter cable.",
        ("ignition", "noise", "speed"),
    ),
    Check(
        "Cable of the data link",
        "Another, shorter cable; ferrites clipped on at both ends; away from coils and leads; relieved of strain. "
        "Shake and bend it with the key on and the engine off: the log must go on.",
        ("still", "speed", "frozen", "ignition"),
    ),
    Check(
        "Laptop and its supply",
        "Run it off its own battery: a charger in the car closes a loop over ground. Screen saver, sleep and power "
        "saving of the port off.",
        ("still", "frozen", "charging"),
    ),
    Check(
        "Plugs and pins",
        "Pull gently at each pin of the ECU's connector, look for green, bent or spread ones; wiggle the loom with the "
        "key on and the engine off.",
        ("still", "speed", "starter"),
    ),
    Check(
        "Battery and charging",
        "Terminals tight and bright; at rest above 12.4 V, while cranking above 9.5 V, running 13.5 to 14.7 V. The "
        "charging wire away from the loom. With the alternator's small plug taken off before the start, one short "
        "idle: noise that is gone was charging.",
        ("supply", "charging", "starter", "noise"),
    ),
    Check(
        "A portable AM radio as a noise finder",
        "Between stations, engine idling, along loom and cable without touching: a crackle that follows the throttle "
        "is ignition, a whine that follows it is charging; it is loudest where it gets in.",
        ("ignition", "charging", "noise", "speed"),
    ),
)


def wiring_checks(clues: Sequence[Clue]) -> pd.DataFrame:
    """Order the checks by how much of the evidence points to each.

    Returns
    -------
    DataFrame
        number, check, how, evidence (what points to it; empty where nothing does), basis. Checks that as much points to
        keep the order of what is commonly at fault.
    """
    scored = []
    for check in CHECKS:
        own = [clue for clue in clues if clue.points_to in check.answers]
        weight = sum(1.0 / (1 + check.answers.index(clue.points_to)) for clue in own)
        scored.append((weight, check, "; ".join(dict.fromkeys(clue.sentence for clue in own))))
    scored.sort(key=lambda row: -row[0])
    rows = [(n, check.what, check.how, text, BASIS) for n, (_, check, text) in enumerate(scored, start=1)]
    return pd.DataFrame(rows, columns=["number", "check", "how", "evidence", "basis"])
