"""Held speed of made-up holds whose mean is known by construction: climbs, limiters, clutches, coarse logs."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from tunelab.study.launch.find import SAME_PLACES, LaunchSpan, held_speed, hidden_error

RELEASE_S = 3.0


def held(speed_rpm, rate_hz: float, moves_s: float = RELEASE_S, how: str = "clutch"):
    """Held speed of a log that reads `speed_rpm`, a function of time, evenly."""
    time = np.arange(0.0, 4.0, 1.0 / rate_hz)
    clear = ("time", np.zeros(time.size, dtype=np.int32))
    data = {"engine_speed_rpm": ("time", speed_rpm(time)), "engine_speed_rpm_flag": clear, "sample_flag": clear}
    span = LaunchSpan(1, 0, 0, time.size - 1, 0.5, RELEASE_S, moves_s, 4.0, how)
    return held_speed(xr.Dataset(data, coords={"time": time}), span)


def saw(time_s, cycle_s: float, rise: float, phase: float):
    """A swing of 200 rpm from trough to crest whose mean is 4100 rpm: up in a share of it, then down."""
    at = (time_s / cycle_s + phase) % 1.0
    return 4000.0 + 200.0 * np.where(at < rise, at / rise, (1.0 - at) / (1.0 - rise))


@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 100.0])
@pytest.mark.parametrize("climbed_s", [1.0, 2.0])
def test_the_climb_is_not_part_of_it(rate_hz, climbed_s):
    found = held(lambda t: 4200.0 - 2500.0 * np.maximum(climbed_s - t, 0.0), rate_hz)
    assert found.rpm == pytest.approx(4200.0, abs=10.0)


def test_an_engine_on_its_way_to_the_hold_has_no_held_speed():
    found = held(lambda t: 3000.0 + 400.0 * t, 20.0)
    assert np.isnan(found.rpm)
    assert np.isnan(found.standard_error_rpm)
    assert found.drift_rpm_s == pytest.approx(400.0)


def test_a_creeping_hold_keeps_its_speed_and_says_that_it_drifts():
    found = held(lambda t: 4200.0 + 40.0 * (t - RELEASE_S), 20.0)
    assert found.rpm == pytest.approx(4200.0 - 40.0 * 0.9, abs=2.0)
    assert found.drift_rpm_s == pytest.approx(40.0)


def test_what_the_clutch_does_before_the_wheels_show_it_is_not_part_of_it():
    found = held(lambda t: np.where(t > 2.6, 4200.0 - 8000.0 * (t - 2.6), 4200.0), 20.0)
    assert found.rpm == pytest.approx(4200.0, abs=10.0)


def test_where_only_the_wheels_tell_the_release_the_clutch_has_its_time_before():
    """The clutch bites 0.3 s before wheel speed shows it, and takes less than the twentieth that would tell."""
    biting = held(lambda t: 4200.0 - 600.0 * np.maximum(t - 2.7, 0.0), 20.0, how="movement")
    assert biting.rpm == pytest.approx(4200.0, abs=0.5)


@pytest.mark.parametrize("rate_hz", [20.0, 25.0, 50.0])
def test_a_limiter_that_the_log_resolves_is_averaged_out(rate_hz):
    for phase in np.arange(0.0, 1.0, 0.1):
        found = held(lambda t, phase=phase: saw(t, 0.2, 0.4, phase), rate_hz)
        assert found.rpm == pytest.approx(4100.0, abs=10.0)


@pytest.mark.parametrize(("rate_hz", "rise"), [(10.0, 0.2), (10.0, 0.3), (10.0, 0.45), (20.0, 0.3), (25.0, 0.3)])
def test_the_interval_holds_the_truth_over_limiters_of_any_cycle(rate_hz, rise):
    rng = np.random.default_rng(8)
    cycles, phases = rng.uniform(0.12, 0.4, 300), rng.uniform(size=300)
    found = [
        held(lambda t, c=cycle, p=phase: saw(t, c, rise, p), rate_hz)
        for cycle, phase in zip(cycles, phases, strict=True)
    ]
    inside = [abs(one.rpm - 4100.0) < 1.96 * one.standard_error_rpm for one in found]
    assert np.mean(inside) > 0.92


@pytest.mark.parametrize("rise", [0.3, 0.4, 0.5])
def test_a_limiter_seen_at_two_places_of_its_swing_is_not_shown_or_widens_the_interval(rise):
    """At 10 Hz every reading of a 0.2 s swing stands at one of two places, and the mean is off by up to 30 rpm."""
    phases = np.arange(0.05, 1.0, 0.1)
    found = [held(lambda t, phase=phase: saw(t, 0.2, rise, phase), 10.0) for phase in phases]
    shown = [one for one in found if not one.because]
    assert all(abs(one.rpm - 4100.0) <= 1.96 * one.standard_error_rpm for one in shown)
    assert {one.because for one in found} == {SAME_PLACES, ""}  # beside each other the two places tell little
    unknown = [one for one in found if one.because]
    assert np.isnan([[one.rpm, one.standard_error_rpm] for one in unknown]).all()
    assert np.isfinite([[one.spread_rpm, one.drift_rpm_s] for one in unknown]).all()


@pytest.mark.parametrize("number", [2, 3])
def test_what_is_hidden_is_the_harmonic_that_reads_the_same_every_time(number):
    """With m readings to a swing the m-th harmonic is a constant; far from it, little of it is left."""
    time = np.arange(30) / 10.0
    same = hidden_error(time, np.cos(2 * np.pi * 10.0 / number * time + 0.4))
    between = hidden_error(time, np.cos(2 * np.pi * 10.0 / (number + 0.4) * time + 0.4))
    amplitude = np.sqrt(2.0) * np.cos(2 * np.pi / number * np.arange(30) + 0.4).std(ddof=1)
    assert same == pytest.approx(amplitude * np.hypot(1 / number**2, 1 / 16 if number == 2 else 0), rel=0.15)
    assert between < 0.2 * same


def test_a_speed_that_reads_the_same_throughout_hides_nothing():
    found = held(lambda t: np.full(t.size, 4200.0), 10.0)
    assert found.standard_error_rpm == 0.0
    assert found.because == ""


def test_too_few_readings_show_nothing():
    found = held(lambda t: np.full(t.size, 4200.0), 2.0)
    assert np.isnan([found.rpm, found.standard_error_rpm, found.spread_rpm, found.drift_rpm_s]).all()
