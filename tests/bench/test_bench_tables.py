"""Idle and tip-in tables over many engines that are not the kit's simulator: recovery and coverage, printed.

`pytest -m bench -s tests/bench/test_bench_tables.py`; `BENCH_SEEDS=60` takes more engines.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import plain_film
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "study"))
from plain_idle import invent
from test_idle_tables import off_by, proposed
from test_tip_in_fuel import AMOUNT, owner, stating, studied

from tunelab.study.table_proposal import NOT_MEASURED
from tunelab.study.tip_in_fuel import propose_tip_in_fuel

STEPS = 14  # tip-ins of a drive
SEEDS = int(os.environ.get("BENCH_SEEDS", "24"))


@pytest.mark.bench
def test_idle_openings_over_many_engines():
    inside, off, left, predicted = [], [], [], 0
    for seed in range(SEEDS):
        engine = invent(seed)
        by = np.random.default_rng([seed, 3]).uniform(-8, 8, 4)
        (base, _, _), _ = proposed(engine, off_by(engine, *by), seed=seed)
        known = base.table.dropna(subset=["measured"])
        wanted = engine.wanted(known["coolant_c"].to_numpy(), 850.0)
        inside += ((known["lower"] <= wanted) & (wanted <= known["upper"])).tolist()
        off += np.abs(known["in_force"] - wanted).tolist()
        left += np.abs(known["proposed"] - wanted).tolist()
        if len(base.found) > 1:
            then = base.found[1]
            predicted += bool(then.lower <= np.abs(known["proposed"] - wanted).max() <= then.upper)
    print(
        f"\nidle base: {len(inside)} breakpoints of {SEEDS} engines, {np.mean(inside):.1%} inside; off by "
        f"{np.median(off):.2f} points in the median before and {np.median(left):.2f} after, {max(off):.1f} and "
        f"{max(left):.1f} at most; what is left lies in the predicted interval in {predicted} of {SEEDS}"
    )


@pytest.mark.bench
def test_tip_in_fuel_over_many_engines():
    """Engines whose walls take more than their ECU adds are driven, the amount entered, and driven again."""
    before, after, share, tau, held = [], [], [], [], 0
    for seed in range(SEEDS // 2):
        rng = np.random.default_rng([seed, 5])
        engine = replace(plain_film.invent(seed), share=rng.uniform(0.35, 0.5), tau_s=rng.uniform(0.35, 0.5),
                         enrichment=0.12)  # fmt: skip
        study = studied(engine, seed=seed, steps=STEPS)
        found = propose_tip_in_fuel(study, owner(), stating(AMOUNT))
        films = [film for film in study.films if film.told_apart]
        share += [film.share.lower <= engine.share <= film.share.upper for film in films]
        tau += [film.tau_s.lower <= engine.tau_s <= film.tau_s.upper for film in films]
        own = found.table[found.table["basis"] != NOT_MEASURED]
        if not found.changes:
            continue
        ratio = float((own["proposed"] / own["in_force"]).max())
        later = propose_tip_in_fuel(
            studied(replace(engine, enrichment=0.12 * ratio), seed=seed + 500), owner(), found.base
        )
        now, then, came = found.found[0], found.found[1], later.found[0]
        if came.value is None:
            continue
        before.append(now.value)
        after.append(came.value)
        held += abs(came.value - then.value) <= np.hypot(then.upper - then.lower, came.upper - came.lower) / 2
    assert before
    print(
        f"\ntip-in fuel: {len(before)} of {SEEDS // 2} engines change; off by {np.median(before):.0f} % in the median "
        f"before and {np.median(after):.0f} % after; the prediction held in {held} of {len(before)}; X covered "
        f"{np.mean(share):.0%}, tau {np.mean(tau):.0%} of {len(share)} regions"
    )
