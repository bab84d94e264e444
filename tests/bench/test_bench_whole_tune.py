"""Whole tunes of random simulated cars: drives and seconds until every gate is met, printed. `pytest -m bench -s`.

`BENCH_CARS=8` takes more cars, `BENCH_ROUNDS=9` more rounds of one or two drives each, `BENCH_TOLERANCE=2` another
tolerance of lambda in per cent.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from whole_tune import assert_within_limits, tune

CARS, ROUNDS = int(os.environ.get("BENCH_CARS", "3")), int(os.environ.get("BENCH_ROUNDS", "6"))
TOLERANCE_PCT = float(os.environ.get("BENCH_TOLERANCE", "4"))


@pytest.mark.bench
def test_random_cars_are_tuned_within_their_owners_limits():
    found = []
    for seed in range(CARS):
        one = tune(seed, most_rounds=ROUNDS, tolerance_pct=TOLERANCE_PCT)
        assert_within_limits(one)
        found.append(one)
        left = ", ".join(one.open_gates) or "every gate met"
        print("".join(f"\ncar {seed}, round {k}: {text}" for k, text in enumerate(one.rounds, start=1)))
        lean = " ".join(f"{value:.3f}" for value in one.leanest)
        print(
            f"\ncar {seed}: {one.drives} drives, {one.seconds:.0f} s; {left}; leanest at full load {lean}", flush=True
        )
    drives, seconds = np.array([one.drives for one in found]), np.array([one.seconds for one in found])
    met = sum(not one.open_gates for one in found)
    print(
        f"{met} of {len(found)} cars met every gate; drives {np.median(drives):.0f} in the median, {drives.max()} at "
        f"worst; {np.median(seconds):.0f} s in the median, {seconds.max():.0f} s at worst"
    )
