"""The wiring check sheet: what to look at, in the order in which the evidence points.

All of it is common practice of the trade, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from tunelab.study.link.evidence import Clue

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
