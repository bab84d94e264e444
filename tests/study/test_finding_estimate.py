"""Values with intervals, and how limits judge them."""

import numpy as np
import pytest
from published import assert_agrees, entries
from scipy import signal, stats

from tunelab.study.finding import (
    Estimate,
    Question,
    blocks,
    echo_of,
    judge,
    mean_estimate,
    nothing,
    spread_estimate,
    step_of,
    worst_estimate,
)  # fmt: skip


def estimate(value, lower, upper):
    return Estimate(value, lower, upper, "rpm", 5, 1, "made")


def test_mean_interval_agrees_with_scipy():
    values = np.random.default_rng(1).normal(3, 2, 12)
    found = mean_estimate(values, "s", used=12, flagged=0, what="events")
    low, high = stats.t.interval(0.95, 11, loc=values.mean(), scale=stats.sem(values))
    assert (found.value, found.lower, found.upper) == pytest.approx((values.mean(), low, high))


@pytest.mark.parametrize("name", ["s_tcrit95_5", "s_tcrit95_7", "s_tcrit95_20", "s_tcrit95_30"])
def test_mean_interval_reaches_as_far_as_the_published_table_of_student(name):
    entry = entries()[name]
    values = np.arange(entry["inputs"]["dof"] + 1.0)
    found = mean_estimate(values, "s", used=values.size, flagged=0, what="events")
    assert_agrees((found.upper - found.value) / (values.std(ddof=1) / np.sqrt(values.size)), entry)


def test_mean_and_spread_match_the_published_example():
    mean, spread = entries()["s_mean"], entries()["s_sd"]
    found = mean_estimate(mean["inputs"]["y"], "1", used=3, flagged=0, what="readings")
    assert_agrees(found.value, mean)
    assert_agrees((found.upper - found.value) * np.sqrt(3) / stats.t.ppf(0.975, 2), spread)


def test_mean_interval_covers():
    rng = np.random.default_rng(2)
    found = [mean_estimate(rng.normal(1, 3, 6), "s", used=6, flagged=0, what="events") for _ in range(400)]
    assert 0.92 <= np.mean([f.lower <= 1 <= f.upper for f in found]) <= 0.98


def test_too_few_values_give_no_interval_and_none_give_nothing():
    two = mean_estimate([1.0, 3.0, np.nan], "s", used=2, flagged=0, what="events")
    assert two.value == 2.0
    assert np.isnan(two.lower)
    assert "too few" in two.words(1)
    assert not mean_estimate([np.nan], "s", used=0, flagged=4, what="events").shown


def test_spread_is_the_root_of_the_mean_square():
    found = spread_estimate([3.0, 5.0, 3.5, 4.5], "rpm", used=4, flagged=0, what="blocks")
    assert found.value == pytest.approx(2.0)
    assert found.lower < 2.0 < found.upper


def test_values_that_never_differ_have_no_interval():
    for found in (
        mean_estimate([0.0] * 9, "rpm", used=9, flagged=0, what="blocks"),
        spread_estimate([4.0] * 4, "rpm", used=4, flagged=0, what="blocks"),
    ):
        assert not np.isfinite([found.lower, found.upper]).any()
        assert found.words(0).endswith("(no interval)")
        assert judge(Question("a", "A"), found, "made.").status == "watch"


@pytest.mark.parametrize(("r", "groups", "blocks_each"), [(0.0, 1, 20), (0.5, 1, 20), (0.5, 8, 10), (0.7, 1, 40)])
def test_means_of_blocks_that_lean_on_their_neighbours_cover(r, groups, blocks_each):
    """An autoregression of first order; taken for independent, its intervals cover as little as 0.55."""
    rng = np.random.default_rng(3)
    plain, allowed = [], []
    for _ in range(160 // groups + 20):
        noise = rng.normal(size=(groups, blocks_each + 50))
        rows = signal.lfilter([np.sqrt(1 - r * r)], [1, -r], noise, axis=1)[:, 50:]
        echo = echo_of(list(rows))
        for values in rows:
            for kind, keep in ((0.0, plain), (echo, allowed)):
                found = mean_estimate(values, "%", used=1, flagged=0, what="blocks", echo=kind)
                keep.append(found.lower <= 0.0 <= found.upper)
    assert np.mean(allowed) > 0.89
    assert r == 0.0 or np.mean(plain) < 0.85


def test_the_worst_of_several_is_held_against_a_maximum():
    sizes = [4.0, 5.0, 4.5, 9.0]
    found = worst_estimate(sizes, "%", step=0.5, flagged=0, what="tip-ins")
    mean, spread = np.mean(sizes), np.std(sizes, ddof=1)
    # Student prediction interval of a next value: ISO 16269-8, from memory
    assert found.value == 9.0
    assert found.upper == pytest.approx(max(mean + stats.t.ppf(0.975, 3) * spread * np.sqrt(1.25), 9.5))
    assert judge(Question("a", "A", 8.0, "limits.a"), found, "made.").status == "watch"
    assert judge(Question("a", "A", 40.0, "limits.a"), found, "made.").status == "met"
    assert not np.isfinite(worst_estimate(sizes[:2], "%", step=0.5, flagged=0, what="tip-ins").upper)
    assert found.lower == 8.5
    assert worst_estimate([4.0, 4.0, 4.0], "%", step=0.5, flagged=0, what="tip-ins").upper == 4.5  # a step above


def test_two_values_take_the_spread_of_others_with_its_ten_degrees_of_freedom():
    found = mean_estimate([1.0, 3.0], "s", used=2, flagged=0, what="events", spread=2.0)
    assert found.upper - 2.0 == pytest.approx(stats.t.ppf(0.975, 10) * 2.0 / np.sqrt(2))


def test_the_smallest_step_is_one_of_the_readings_and_not_what_conversion_left():
    readings = np.array([10.0, 10.0 + 1e-7, 10.5, 12.0, np.nan])
    assert step_of(readings) == pytest.approx(0.5, abs=1e-6)
    assert np.isnan(step_of(np.array([3.0, 3.0, np.nan])))


def test_blocks_stay_within_unbroken_stretches():
    time = np.r_[np.arange(0, 6, 0.1), np.arange(20, 23, 0.1), np.arange(40, 40.5, 0.1)]
    found = blocks(time, 3.0)
    assert len(found) == 3
    assert len(blocks(np.arange(0, 1.75, 0.1), 3.0)) == 0  # less than 0.6 of a block
    assert len(blocks(np.arange(0, 1.85, 0.1), 3.0)) == 1
    assert all(np.ptp(time[part]) < 3.2 for part in found)
    assert blocks(np.array([1.0]), 3.0) == []


def test_a_gap_breaks_a_stretch_from_five_times_the_usual_step_and_half_a_second_on():
    time = np.arange(0, 4, 0.05)
    assert len(blocks(np.r_[time, 4.4 + time], 8.0)) == 1
    assert len(blocks(np.r_[time, 4.6 + time], 8.0)) == 0  # either part is too short by itself
    slow = np.arange(0, 40, 1.0)
    assert len(blocks(np.r_[slow, 43.5 + slow], 80.0)) == 1
    assert len(blocks(np.r_[slow, 45.5 + slow], 80.0)) == 0


@pytest.mark.parametrize(
    ("ends", "worse", "status"),
    [
        ((10, 8, 12), "higher", "met"), ((10, 8, 22), "higher", "watch"), ((25, 22, 28), "higher", "watch"),
        ((30, 25, 35), "lower", "met"), ((30, 15, 35), "lower", "watch"), ((-10, -12, -8), "away", "met"),
        ((-30, -35, -25), "away", "watch"), ((10, np.nan, np.nan), "higher", "watch"),
    ],
)  # fmt: skip
def test_met_only_where_the_whole_interval_is_inside(ends, worse, status):
    question = Question("x", "X", 20.0, "limits.x", worse)
    assert judge(question, estimate(*ends), "made").status == status


def test_no_limit_stated_judges_nothing_and_nothing_measured_is_never_met():
    unstated = judge(Question("x", "X", None, "limits.x"), estimate(10, 8, 12), "made.")
    assert (unstated.status, unstated.value) == ("not_shown", None)
    assert "limits.x in car.toml" in unstated.because
    assert judge(Question("x", "X"), estimate(10, 8, 12), "made").status == "met"
    assert judge(Question("x", "X", 20.0, "limits.x"), nothing("rpm", "why"), "why").status == "not_shown"


# By hand from the docstring's formula: 12 blocks in pairs, 6 neighbours alike and 5 not, seen 0.25 of 2.75; 5 blocks,
# seen -0.16 of 2.56; three more of a second drive, -4/9 of 4/9.
@pytest.mark.parametrize(
    ("groups", "echo"),
    [
        ([[0, 0, 1, 1] * 3], (1 / 11 + 1 / 12) / (1 - 4 / 12)),
        ([[0, 0, 1, 2, 0]], (-0.0625 + 0.2) / 0.25),
        ([[0, 0, 1, 1] * 3, [0, 1, 0]], ((0.25 - 4 / 9) / (2.75 + 4 / 9) + 1 / 7.5) / (1 - 4 / 7.5)),
        ([[0, 0, 1, 1] * 3, [0, 1]], (1 / 11 + 1 / 12) / (1 - 4 / 12)),
        ([[2.0, 2.0, 2.0]], 0.0),
    ],
)
def test_the_echo_of_few_blocks_is_what_the_formula_gives_by_hand(groups, echo):
    assert echo_of(groups) == pytest.approx(echo)


def test_blocks_leave_no_reading_of_a_stretch_out():
    time = np.r_[np.arange(0, 7, 0.1), np.arange(20, 26, 0.1)]
    assert sorted(k for part in blocks(time, 3.0) for k in range(time.size)[part]) == list(range(time.size))
