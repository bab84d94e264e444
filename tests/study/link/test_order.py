"""Folding by sampling: arithmetic by hand."""

import numpy as np
import pytest

from tunelab.study.link.order import alias_frequency, order_frequency


@pytest.mark.parametrize(
    ("frequency", "rate", "shows_at"),
    [
        (3.0, 20.0, 3.0),  # below half the rate: as it is
        (10.0, 20.0, 10.0),  # at half the rate
        (13.0, 20.0, 7.0),  # mirrored at 10: 20 - 13
        (20.0, 20.0, 0.0),  # in step with the samples: stands still
        (42.5, 25.0, 7.5),  # 2 × 25 - 42.5
        (150.0, 20.0, 10.0),  # 150 - 7 × 20, or 8 × 20 - 150: both 10
        (147.0, 40.0, 13.0),  # 4 × 40 - 147
        (233.0, 50.0, 17.0),  # 5 × 50 - 233
    ],
)
def test_alias_is_what_one_works_out_by_hand(frequency, rate, shows_at):
    assert alias_frequency(frequency, rate) == pytest.approx(shows_at, abs=1e-9)


def test_samples_of_a_tone_and_of_its_alias_are_the_same():
    # The sampling theorem itself: cosines at both frequencies agree at every sample.
    time = np.arange(200) / 25.0
    for frequency in (42.5, 101.3, 260.0):
        folded = float(alias_frequency(frequency, 25.0))
        np.testing.assert_allclose(np.cos(2 * np.pi * frequency * time), np.cos(2 * np.pi * folded * time), atol=1e-9)


def test_order_frequency_by_hand():
    # 3000 rpm is 50 turns a second; a four-stroke six fires three times a turn, one cylinder every second turn.
    assert order_frequency(3000.0, 3.0) == pytest.approx(150.0)
    assert order_frequency(3000.0, 0.5) == pytest.approx(25.0)


def test_arrays_and_nan():
    both = order_frequency(np.array([600.0, np.nan]), 4.0)  # the firing of an eight
    assert both[0] == pytest.approx(40.0)
    assert np.isnan(both[1])
    assert np.isnan(alias_frequency(np.nan, 20.0))


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="above zero"):
        alias_frequency(10.0, 0.0)
