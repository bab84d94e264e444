"""Verdicts on a link whose drop-outs bunch, and intervals of trims that wander. `pytest -m bench -s`."""

import numpy as np
import pytest
from driven_log import CAR, REVISION, flagged
from link_pairs import bunched
from scipy.signal import lfilter

from tunelab.study.link.study import compare_wirings
from tunelab.study.trims import study_trims

HOW = {"factor": 3.0, "power": 0.8, "confidence": 0.95}
PAIRS, DRIVES = 300, 150


@pytest.mark.bench
@pytest.mark.parametrize(("each", "visits"), [(2, 8), (4, 4), (4, 8), (4, 16), (8, 8)])
def test_bench_links_alike(each, visits):
    """Two drives of an hour with one link, `visits` bunches an hour of `each` drop-outs: no verdict is right."""
    rng = np.random.default_rng(7)
    pairs = [[bunched(rng, name, visits_per_h=visits, each=each) for name in "AB"] for _ in range(PAIRS)]
    said = [compare_wirings([a], [b], **HOW).verdict for a, b in pairs]
    helped, worse = (np.mean([one == word for one in said]) for word in ("helped", "made it worse"))
    print(f"\nbunches of {each}, {visits} an hour: false 'helped' {helped:.1%}, 'made it worse' {worse:.1%}")
    assert helped < 0.05
    assert worse < 0.05


def wandering(seed, lasts_s):
    """Closed loop in three cells of 80 s with true means of 3, 5 and -2 %, about which the trim wanders for so long."""
    rng = np.random.default_rng(seed)
    time = np.arange(0, 240, 0.05)
    cell = (time // 80).astype(int)
    speed, air = np.array([2200.0, 3200.0, 4000.0])[cell], np.array([55.0, 120.0, 200.0])[cell]
    keep = np.exp(-0.05 / lasts_s)
    slow = lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.normal(size=time.size + 4000))[4000:]
    mean = np.array([3.0, 5.0, -2.0])[cell]
    short = mean + 0.8 * slow + 1.5 * np.sign(np.sin(2 * np.pi * 1.1 * time)) + 0.2 * rng.normal(size=time.size)
    reading = np.interp(air, REVISION.meter_curve.flow_kg_h, REVISION.meter_curve.reading)
    return flagged(
        time, engine_speed_rpm=speed, meter_v=reading,
        trim_short_pct=short, trim_long_pct=0.0 * time, fuel_mode=np.full(time.size, 2.0),
    )  # fmt: skip


@pytest.mark.bench
@pytest.mark.parametrize("lasts_s", [0.3, 1.5, 3.0, 6.0])
def test_bench_trims(lasts_s):
    """How often a cell's interval holds its true mean, and how much too narrow it is: 1.96 errors over half of it."""
    held, ratio = [], []
    for seed in range(DRIVES):
        cells = study_trims(wandering(seed, lasts_s), CAR, REVISION).cells
        for row, true in zip(cells.itertuples(), (3.0, 5.0, -2.0), strict=True):
            held.append(row.lower_pct <= true <= row.upper_pct)
            ratio.append((row.total_pct - true, (row.upper_pct - row.lower_pct) / 2))
    error, half = np.array(ratio).T
    print(
        f"\ntrims that wander for {lasts_s:g} s: {np.mean(held):.1%} of {len(held)} cells hold the truth; "
        f"intervals {1.96 * error.std() / np.median(half):.2f} times too narrow"
    )
    assert np.mean(held) > 0.92
