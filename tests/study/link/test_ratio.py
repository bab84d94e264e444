"""Comparing two rates: printed examples, a scipy cross-check, coverage and false alarms over simulated links."""

import numpy as np
import pytest
from scipy.stats import binomtest

from tunelab.study.link.rate import rate_ratio


def test_ratio_matches_a_worked_example():
    # The second example of poisson.test in R's documentation (package stats): 11 in 800 against 21 in 3011; ratio
    # 1.971488, 95 % interval 0.8584264 to 4.2772659; from memory. (Its p-value takes the two-sided tail another way.)
    found = rate_ratio([(21, 11)], [(3011.0, 800.0)], confidence=0.95)
    np.testing.assert_allclose((found.ratio, found.lower, found.upper), (1.971488, 0.8584264, 4.2772659), rtol=1e-6)
    assert not found.is_shown


@pytest.mark.parametrize("events", [(7, 2), (3, 0), (0, 4), (12, 30)])
def test_one_state_is_clopper_pearson_of_scipy(events):
    found = rate_ratio([events], [(1000.0, 2500.0)], confidence=0.9)
    ends = binomtest(events[1], sum(events)).proportion_ci(0.9, method="exact")
    to_ratio = [end / (1 - end) / 2.5 if end < 1 else np.inf for end in (ends.low, ends.high)]
    np.testing.assert_allclose((found.lower, found.upper), to_ratio, rtol=1e-7)


def test_like_is_compared_with_like():
    # Both wirings drop out ten times as often under load; the second was simply driven more under load.
    found = rate_ratio([(1, 1), (10, 100)], [(1000.0, 1000.0), (1000.0, 10000.0)], confidence=0.95)
    pooled = rate_ratio([(11, 101)], [(2000.0, 11000.0)], confidence=0.95)
    assert found.ratio == pytest.approx(1.0, rel=1e-6)
    assert pooled.ratio > 1.6


def test_swapping_the_two_inverts_the_ratio():
    there = rate_ratio([(5, 2), (3, 1)], [(60.0, 90.0), (20.0, 80.0)], confidence=0.95)
    back = rate_ratio([(2, 5), (1, 3)], [(90.0, 60.0), (80.0, 20.0)], confidence=0.95)
    np.testing.assert_allclose(
        (there.ratio, there.lower, there.upper, there.p_value),
        (1 / back.ratio, 1 / back.upper, 1 / back.lower, back.p_value),
        rtol=1e-7,
    )


def test_a_state_of_one_alone_says_nothing():
    with_it = rate_ratio([(5, 2), (9, 0)], [(60.0, 90.0), (50.0, 0.0)], confidence=0.95)
    without = rate_ratio([(5, 2)], [(60.0, 90.0)], confidence=0.95)
    assert (with_it.lower, with_it.upper, with_it.events_first) == (without.lower, without.upper, 5)


def test_without_events_nothing_is_shown():
    found = rate_ratio([(0, 0)], [(60.0, 90.0)], confidence=0.95)
    assert np.isnan(found.ratio)
    assert (found.lower, found.upper, found.p_value) == (0.0, float("inf"), 1.0)
    assert "no event" in found.method


def test_pairs_must_match():
    with pytest.raises(ValueError, match="1 pairs of counts and 2 of exposures"):
        rate_ratio([(1, 2)], [(1.0, 1.0), (2.0, 2.0)], confidence=0.95)


def simulated(rng, factor, draws):
    """Links over three states; the second's rate is the first's over `factor`. Each outcome with how often it came."""
    seconds = np.array([[600.0, 900.0], [900.0, 900.0], [200.0, 400.0]])
    rates = np.array([1.0, 5.0, 20.0])[:, None] / 3600 * np.array([1.0, 1 / factor])
    outcomes, times = np.unique(rng.poisson(rates * seconds, size=(draws, 3, 2)), axis=0, return_counts=True)
    return [rate_ratio(events, seconds, confidence=0.95) for events in outcomes], times / draws


def false_alarms(draws):
    found, share = simulated(np.random.default_rng(11), 1.0, draws)
    return share @ np.array([item.is_shown for item in found])


def not_covered(factor, draws):
    found, share = simulated(np.random.default_rng(12), factor, draws)
    return share @ np.array([not item.lower <= 1 / factor <= item.upper for item in found])


def test_no_difference_is_not_called_one():
    assert false_alarms(400) <= 0.05


@pytest.mark.parametrize("factor", [1.0, 3.0])
def test_intervals_cover_the_true_ratio(factor):
    assert not_covered(factor, 200) <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 200)


@pytest.mark.bench
def test_intervals_and_false_alarms_over_many_links():
    assert false_alarms(6000) <= 0.05
    for factor in (1.0, 3.0, 10.0):
        assert not_covered(factor, 3000) <= 0.05


def test_few_events_in_wild_bunches_have_an_interval_that_says_next_to_nothing():
    found = rate_ratio([(1, 2)], [(600.0, 600.0)], confidence=0.95, dispersion=90.0)
    assert found.lower < 1e-3 < 1e3 < found.upper
    assert not found.is_shown


def test_interval_and_p_value_agree():
    found, _ = simulated(np.random.default_rng(13), 2.0, 60)
    assert all(item.is_shown == (item.p_value < 0.05) for item in found)
