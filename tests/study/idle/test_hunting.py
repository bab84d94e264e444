"""The swing of an idle against synthetic tones in noise."""

import numpy as np
import pytest
from hunting_idle import hunting
from scipy.signal import lfilter

from tunelab.study.idle import find_hunting


def tone(seed: int, seconds: float, frequency_hz: float, amplitude_rpm: float, *, red: float = 0.0):
    """A sine of known frequency and amplitude on white or red noise of 5 rpm, sampled unevenly at about 20 Hz."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, 0.05) + rng.uniform(-0.005, 0.005, round(seconds / 0.05))
    noise = lfilter([np.sqrt(1 - red**2)], [1, -red], 5.0 * rng.normal(size=time.size))
    return time, 880.0 + noise + amplitude_rpm * np.sin(2 * np.pi * frequency_hz * time + rng.uniform(0, 6))


@pytest.mark.parametrize(("seconds", "frequency_hz", "amplitude_rpm"), [(20, 0.8, 30), (40, 0.37, 18), (12, 1.9, 40)])
def test_a_tone_is_found_within_one_bin_and_at_its_size(seconds, frequency_hz, amplitude_rpm):
    for seed in range(5):
        found = find_hunting(*tone(seed, seconds, frequency_hz, amplitude_rpm))
        assert found.shown
        assert abs(found.frequency_hz - frequency_hz) <= found.bin_hz
        assert found.lower_hz <= frequency_hz <= found.upper_hz
        assert found.amplitude_rpm == pytest.approx(amplitude_rpm, rel=0.15)
        assert found.period_s == pytest.approx(1.0 / frequency_hz, rel=0.2)


@pytest.mark.parametrize("rate_hz", [25.0, 10.0])
def test_an_idle_controller_that_swings_is_found_within_one_bin_and_at_its_size(rate_hz):
    """The simulator's true swings, counted by their crossings; tests/bench holds 24 cars."""
    for seed in range(3):
        true_hz, true_rpm, found = hunting(seed, rate_hz)
        assert found.shown
        assert abs(found.frequency_hz - true_hz) <= found.bin_hz
        assert found.amplitude_rpm == pytest.approx(true_rpm, rel=0.1)


@pytest.mark.parametrize("red", [0.0, 0.8])
def test_noise_alone_seldom_shows_a_swing(red):
    found = [find_hunting(*tone(seed, 20, 1.0, 0.0, red=red)) for seed in range(60)]
    assert sum(h.shown for h in found) <= 2
    assert all(h.amplitude_lower_rpm == 0.0 for h in found if not h.shown)


def test_what_could_have_hidden_is_said():
    hidden = find_hunting(*tone(3, 20, 1.0, 0.0)).amplitude_upper_rpm
    seen = [find_hunting(*tone(seed, 20, 1.3, hidden)).shown for seed in range(10)]
    assert sum(seen) >= 9


def test_a_short_stretch_says_that_it_is_short():
    found = find_hunting(*tone(1, 0.6, 1.0, 20.0))
    assert not found.shown
    assert "too short" in found.because
    assert np.isnan(found.frequency_hz)
