"""Survival against the published figures of the 6-MP leukaemia trial and scipy's own intervals."""

import numpy as np
import pytest
from published import assert_agrees, entries, matching
from scipy.stats import CensoredData, ecdf

from tunelab.study.statistics import compare_survival, survival_curve

TREATED = entries()["s_km_6"]["inputs"]
PLACEBO = entries()["s_km_median_placebo"]["inputs"]["times"]


@pytest.fixture(scope="module")
def treated():
    return survival_curve(TREATED["times"], TREATED["event"], label="6-MP", confidence=0.95)


def at(curve, values, time):
    return values[np.searchsorted(curve.seconds, time, side="right") - 1]


@pytest.mark.parametrize("entry", [e for e in matching("s_km_") if "s_km_se" not in e.id and "median" not in e.id])
def test_share_matches_the_printed_table(treated, entry):
    assert_agrees(at(treated, treated.share, entry["inputs"]["t"]), entry)


@pytest.mark.parametrize("entry", matching("s_km_se_"))
def test_standard_error_matches_the_printed_table(treated, entry):
    assert_agrees(at(treated, treated.standard_error, entry["inputs"]["t"]), entry)


def test_medians_match(treated):
    placebo = survival_curve(PLACEBO, np.ones(21), label="placebo", confidence=0.95)
    assert_agrees(placebo.median_s, entries()["s_km_median_placebo"])
    assert_agrees(treated.median_s, entries()["s_km_median_6mp"])


def test_log_rank_matches_the_published_chi_square():
    # D. G. Kleinbaum, M. Klein, "Survival Analysis", chapter 2: log-rank 16.793 for the two groups; from memory.
    found = compare_survival((TREATED["times"], TREATED["event"]), (PLACEBO, np.ones(21)))
    assert found.chi_square == pytest.approx(16.793, abs=6e-4)
    assert found.p_value < 1e-4


def test_intervals_match_scipy(treated):
    times, ended = np.array(TREATED["times"]), np.array(TREATED["event"], dtype=bool)
    survival = ecdf(CensoredData(uncensored=times[ended], right=times[~ended])).sf
    ends = survival.confidence_interval(0.95, method="log-log")
    np.testing.assert_allclose(treated.lower, ends.low.evaluate(treated.seconds), rtol=1e-9)
    np.testing.assert_allclose(treated.upper, ends.high.evaluate(treated.seconds), rtol=1e-9)


def test_a_link_that_never_dropped_has_no_curve():
    curve = survival_curve([60.0, 90.0], [False, False], label="new loom", confidence=0.95)
    assert curve.seconds.size == 0
    assert curve.longest_s == 90.0
    assert np.isnan(curve.median_s)
    assert "no drop-out in 2 stretches" in curve.method


def test_nothing_to_compare_is_said():
    found = compare_survival(([60.0], [False]), ([90.0], [False]))
    assert found.p_value == 1.0
    assert "no drop-out" in found.method


def test_intervals_cover_a_known_link():
    rng = np.random.default_rng(5)
    covered = []
    for _ in range(400):
        until, end = rng.exponential(300.0, 25), rng.uniform(100.0, 800.0, 25)
        curve = survival_curve(np.minimum(until, end), until <= end, label="", confidence=0.95)
        truth = np.exp(-200.0 / 300.0)
        covered.append(at(curve, curve.lower, 200.0) <= truth <= at(curve, curve.upper, 200.0))
    assert 0.915 <= np.mean(covered) <= 0.985


def test_log_rank_seldom_calls_alike_links_different():
    rng = np.random.default_rng(6)
    alarms = []
    for _ in range(400):
        until, end = rng.exponential(300.0, (2, 20)), rng.uniform(100.0, 800.0, (2, 20))
        pairs = [(np.minimum(u, e), u <= e) for u, e in zip(until, end, strict=True)]
        alarms.append(compare_survival(*pairs).p_value < 0.05)
    assert np.mean(alarms) <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 400)


@pytest.mark.parametrize(("seconds", "dropped"), [([1.0, 0.0], [True, True]), ([1.0], [True, False])])
def test_nonsense_is_refused(seconds, dropped):
    with pytest.raises(ValueError, match="above zero"):
        survival_curve(seconds, dropped, label="", confidence=0.95)
