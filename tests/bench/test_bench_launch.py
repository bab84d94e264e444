"""Launches of many cars: held speed and time to a distance with its coverage printed. `pytest -m bench -s`."""

from __future__ import annotations

import numpy as np
import pytest
from true_launch import known_launches

from tunelab.simulate.demo.cars import MARIT, PIA

ALONE = ("launch_active", "clutch_pressed")
LOGGED = {"all": (), "no satellite": ("gps_speed_km_h",), "no acceleration": ("acceleration_m_s2", *ALONE)}


@pytest.mark.bench
@pytest.mark.parametrize(("logged", "rate_hz"), [("all", 20.0), ("no satellite", 25.0), ("no acceleration", 10.0)])
def test_launches_over_many_cars(logged, rate_hz):
    rows = [
        known
        for seed in range(24)
        for driver in (MARIT, PIA)
        for known in known_launches(seed, driver, without=LOGGED[logged], rate_hz=rate_hz)
    ]
    level = [known for known in rows if np.isfinite(known.launch.held_rpm)]
    held = np.array([known.launch.held_rpm - known.held_rpm for known in level])
    known_to = 1.96 * np.array([known.launch.held_se_rpm for known in level])
    both = [
        (k.launch, k.time_to_distance_s)
        for k in rows
        if np.isfinite(k.time_to_distance_s + k.launch.time_to_distance_s)
    ]
    off = np.array([launch.time_to_distance_s - true for launch, true in both])
    inside = np.mean([launch.time_lower_s <= true <= launch.time_upper_s for launch, true in both])
    slip = np.array([known.launch.slip_peak_pct - known.slip_pct for known in rows])
    print(
        f"{logged}, {rate_hz:g} Hz: {len(rows)} launches; held speed of {len(level)} off by {np.abs(held).max():.1f} "
        f"rpm at most, {np.sum(np.abs(held) >= 10.0)} by 10 or more, covered {np.mean(np.abs(held) < known_to):.0%}; "
        f"time to 50 m off by {off.mean():+.3f} s, spread {off.std():.3f} s, covered {inside:.0%} of {len(both)}; "
        f"largest slip over 0.2 s off by {np.nanmedian(slip):+.1f} points, "
        f"covered {np.mean([k.slip_is_covered for k in rows]):.0%}"
    )
    assert len(rows) > 135
    assert len(level) > 0.97 * len(rows)
    assert np.all(np.abs(held) < np.maximum(10.0, known_to))
    assert np.abs(held).max() < 10.0  # missed at 10 Hz (13.6), where a log has two readings in a limiter's swing
    assert np.mean(np.abs(held) < known_to) > 0.93
    assert inside > 0.9
