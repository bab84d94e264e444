"""Hunting of simulated idles over many cars: errors and coverage printed, nothing timed. `pytest -m bench -s`."""

from __future__ import annotations

import numpy as np
import pytest
from hunting_idle import hunting


@pytest.mark.bench
@pytest.mark.parametrize("rate_hz", [25.0, 10.0])
def test_hunting_over_many_cars(rate_hz):
    rows = [hunting(seed, rate_hz) for seed in range(24)]
    assert all(found is not None and found.shown for *_, found in rows)
    bins = np.array([abs(found.frequency_hz - hz) / found.bin_hz for hz, _, found in rows])
    size = np.array([found.amplitude_rpm / rpm - 1.0 for _, rpm, found in rows])
    inside = np.mean([found.amplitude_lower_rpm <= rpm <= found.amplitude_upper_rpm for _, rpm, found in rows])
    print(
        f"{rate_hz:g} Hz: frequency off by {np.median(bins):.2f} bins in the median, {bins.max():.2f} at most; "
        f"amplitude off by {np.median(np.abs(size)):.1%}, {np.abs(size).max():.1%} at most, covered {inside:.0%}"
    )
    assert bins.max() < 1.0
    assert np.abs(size).max() < 0.2
    assert inside > 0.85
