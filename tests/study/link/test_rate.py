"""Exact intervals against printed tables."""

import numpy as np
import pytest

from tunelab.study.link.rate import chance_of, poisson_interval, rate_of


# F. Garwood, Biometrika 28 (1936) 437, and E. S. Pearson, H. O. Hartley, "Biometrika Tables for Statisticians", vol. 1,
# table 40, 95 %; from memory.
@pytest.mark.parametrize(
    ("events", "lower", "upper"),
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (2, 0.242, 7.225), (5, 1.623, 11.668), (10, 4.795, 18.390)],
)
def test_poisson_interval_matches_the_tables(events, lower, upper):
    ends = poisson_interval(events, confidence=0.95)
    np.testing.assert_allclose(ends, (lower, upper), atol=6e-4)


def test_poisson_interval_of_99_per_cent():
    # As above, table 40, 99 %; from memory.
    np.testing.assert_allclose(poisson_interval(10, confidence=0.99), (3.717, 21.398), atol=6e-4)


def test_poisson_interval_of_an_array_is_that_of_each_and_keeps_nan():
    lower, upper = poisson_interval([0.0, 5.0, np.nan], confidence=0.95)
    each = [poisson_interval(n, confidence=0.95) for n in (0.0, 5.0)]
    np.testing.assert_array_equal(lower[:2], [float(ends[0]) for ends in each])
    np.testing.assert_array_equal(upper[:2], [float(ends[1]) for ends in each])
    assert np.isnan([lower[2], upper[2]]).all()


def test_rate_matches_a_worked_example():
    # The example of poisson.test in R's documentation (package stats), after Campbell, "Statistics for Biologists":
    # 137 events in 24.19893: 5.661407, 95 % interval 4.753125 to 6.692709; from memory.
    rate = rate_of(137, 24.19893 * 3600, confidence=0.95)
    np.testing.assert_allclose(
        (rate.per_h, rate.lower_per_h, rate.upper_per_h), (5.661407, 4.753125, 6.692709), rtol=1e-6
    )


@pytest.mark.parametrize("mean", [0.4, 2.0, 7.0])
def test_intervals_cover_the_true_mean(mean):
    counts = np.random.default_rng(3).poisson(mean, size=4000)
    lower, upper = poisson_interval(counts, confidence=0.95)
    covered = np.mean((lower <= mean) & (mean <= upper))
    assert covered > 0.95 - 3 * np.sqrt(0.05 * 0.95 / 4000)


def test_without_exposure_nothing_is_known():
    rate = rate_of(0, 0.0, confidence=0.95)
    assert np.isnan(rate.per_h)
    assert (rate.lower_per_h, rate.upper_per_h) == (0.0, float("inf"))


def test_chance_matches_a_printed_interval():
    # C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404: 0 of 10 and 1 of 10, 95 %: 0 to 0.3085 and 0.0025 to
    # 0.4450; from memory.
    none, one = chance_of(0, 10, confidence=0.95), chance_of(1, 10, confidence=0.95)
    np.testing.assert_allclose((none.lower, none.upper, one.lower, one.upper), (0, 0.3085, 0.0025, 0.4450), atol=6e-5)
    assert np.isnan(chance_of(0, 0, confidence=0.95).share)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: poisson_interval(-1, confidence=0.95), "below zero"),
        (lambda: poisson_interval(1, confidence=95), "between 0 and 1"),
        (lambda: rate_of(1, -1.0, confidence=0.95), "zero or more"),
        (lambda: chance_of(1, 2, confidence=1.0), "between 0 and 1"),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
