"""Thinning of a trace for drawing: nothing that shows is lost."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tunelab.chart.look import reduce_trace


def steady_clock(n, step=0.02):
    return np.arange(n) * step


def test_a_spike_of_one_sample_survives():
    values = np.zeros(180_000)
    values[77_777], values[77_778] = 9.0, -9.0
    time, thinned = reduce_trace(steady_clock(values.size), values, 1200)
    assert thinned.max() == 9.0
    assert thinned.min() == -9.0
    assert time[np.argmax(thinned)] == pytest.approx(77_777 * 0.02)


def test_it_is_as_small_as_promised_and_rising():
    values = np.random.default_rng(1).normal(size=180_000)
    time, thinned = reduce_trace(steady_clock(values.size), values, 1200)
    assert thinned.size <= 2400
    assert (np.diff(time) >= 0).all()


def test_what_is_short_enough_stays_as_it_is():
    values = np.random.default_rng(1).normal(size=2400)
    time, same = reduce_trace(steady_clock(2400), values, 1200)
    np.testing.assert_array_equal(same, values)
    np.testing.assert_array_equal(time, steady_clock(2400))


def test_the_line_breaks_at_a_pause():
    clock = steady_clock(20_000)
    clock[10_000:] += 30.0
    time, thinned = reduce_trace(clock, np.ones(20_000), 500)
    assert np.isnan(thinned).sum() == 1
    assert time[np.isnan(thinned)][0] <= clock[9_999]


def test_the_line_breaks_where_readings_are_missing():
    values = np.ones(20_000)
    values[9_000:11_000] = np.nan
    _, thinned = reduce_trace(steady_clock(20_000), values, 500)
    assert np.isnan(thinned).sum() >= 1


@pytest.mark.parametrize("values", [[], [np.nan], [1.0], [np.nan] * 5000])
def test_little_or_nothing_is_drawn_as_little_or_nothing(values):
    values = np.asarray(values, dtype=float)
    time, thinned = reduce_trace(steady_clock(values.size), values, 100)
    assert time.size == thinned.size <= max(1, values.size)
    assert np.isfinite(thinned).sum() == min(np.isfinite(values).sum(), 1)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6) | st.just(float("nan")), min_size=50, max_size=400), st.integers(2, 20))
def test_extremes_are_kept_and_nothing_is_made_up(values, columns):
    values = np.asarray(values)
    time, thinned = reduce_trace(steady_clock(values.size), values, columns)
    known = values[np.isfinite(values)]
    drawn = thinned[np.isfinite(thinned)]
    assert set(drawn) <= set(known)
    if known.size:
        assert drawn.min() == known.min()
        assert drawn.max() == known.max()
    at = np.searchsorted(steady_clock(values.size), time[np.isfinite(thinned)])
    np.testing.assert_array_equal(values[at], drawn)
