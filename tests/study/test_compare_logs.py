"""What can be told apart from noise: false alarms and power over simulated pairs, Holm against his own rule."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from ready_drives import car, finding
from scipy import stats
from visit_pairs import CASES, found, side

from tunelab.study.compare_findings import POINTS_LEVEL, compare_findings, holm
from tunelab.study.compare_logs import QUANTITIES, Visits, compare_visits, visits_of

LAMBDA = QUANTITIES[0]


# R's p.adjust(c(0.01, 0.02, 0.03, 0.04, 0.05), "holm") prints 0.05 0.08 0.09 0.09 0.09 (its help page, from memory).
def test_holm_against_the_printed_example():
    np.testing.assert_allclose(holm([0.01, 0.02, 0.03, 0.04, 0.05]), [0.05, 0.08, 0.09, 0.09, 0.09])
    np.testing.assert_allclose(holm([0.04, np.nan, 0.01]), [0.04, np.nan, 0.02])
    assert holm([]).size == 0
    with pytest.raises(ValueError, match="0 to 1"):
        holm([1.2])


@pytest.mark.parametrize("case", CASES)
def test_false_alarms_stay_at_five_in_a_hundred(case):
    rng, pairs = np.random.default_rng(6), 150
    alarms = sum(found(rng, **CASES[case]).told_apart for _ in range(pairs))
    # A true rate of 5 % gives more than this in one of a hundred tries of the test.
    assert alarms <= stats.binom.ppf(0.99, pairs, 0.05)


@pytest.mark.parametrize("case", CASES)
def test_the_interval_covers_the_true_difference(case):
    rng, pairs = np.random.default_rng(7), 80
    covered = sum((r := found(rng, shift=1.5, **CASES[case])).lower <= 1.5 <= r.upper for _ in range(pairs))
    assert covered >= stats.binom.ppf(0.01, pairs, 0.95)


def test_a_difference_a_little_larger_than_the_noise_is_found():
    rng = np.random.default_rng(8)
    assert sum(found(rng, sessions=1, shift=1.25).told_apart for _ in range(15)) >= 14


def test_cells_give_no_false_alarms_either():
    rng = np.random.default_rng(9)
    alarms = sum(found(rng, **CASES["drives that differ"]).by_cell["told_apart"].any() for _ in range(60))
    assert alarms <= stats.binom.ppf(0.99, 60, POINTS_LEVEL)


def test_a_single_point_that_differs_is_found_where_the_others_do_not():
    rng, hits = np.random.default_rng(15), 0
    for _ in range(5):
        one, other = side(rng, sessions=1, visits=120), side(rng, sessions=1, visits=120)
        other.table.loc[other.table["reading"] == 7, "value"] += 4.0
        by_cell = compare_visits([one], [other], car())[0].by_cell
        hits += by_cell["told_apart"].sum() == 1
    assert hits >= 4


def test_other_loads_make_no_difference_of_their_own():
    rng = np.random.default_rng(10)
    one, other = side(rng, sessions=1, visits=400), side(rng, sessions=1, visits=400)
    low = Visits(LAMBDA, one.table[(one.table["reading"] < 6) | (one.table.index % 9 == 0)])
    high = Visits(LAMBDA, other.table[(other.table["reading"] >= 6) | (other.table.index % 9 == 0)])
    plain = high.table["value"].mean() - low.table["value"].mean()
    result = compare_visits([low], [high], car())[0]
    assert plain > 1.5
    assert result.lower <= 0 <= result.upper


def log(rng, lean=0.0, *, seconds=400, name="s"):
    """A log that walks over steady points, with a lambda that is lean by so many per cent and slow sensor noise."""
    time = np.arange(0, seconds, 0.1)
    point = np.repeat(rng.integers(0, 8, size=time.size // 50 + 1), 50)[: time.size]
    noise = np.zeros(time.size)
    for k in range(1, time.size):
        noise[k] = 0.95 * noise[k - 1] + 0.003 * rng.standard_normal()
    values = {
        "engine_speed_rpm": 1400 + 400.0 * (point % 4) + 5 * rng.standard_normal(time.size),
        "meter_v": 1.55 + 0.2 * (point // 2) + 0.002 * rng.standard_normal(time.size),
        "lambda_commanded": np.ones(time.size),
        "lambda_measured": (1 + 0.01 * (point % 3)) * np.exp(lean / 100 + noise),
    }
    data = {n: ("time", v) for n, v in values.items()}
    data |= {f"{n}_flag": ("time", np.zeros(time.size, dtype=np.int32)) for n in values}
    data["sample_flag"] = ("time", np.zeros(time.size, dtype=np.int32))
    return xr.Dataset(data, coords={"time": time}, attrs={"session": name})


def compared(first, second):
    plain = car()
    sides = [[visits_of(logs, plain, q) for q in QUANTITIES] for logs in (first, second)]
    return {r.quantity.name: r for r in compare_visits(*sides, plain)}


def test_logs_before_and_after_are_told_apart_and_what_was_not_logged_says_so():
    rng = np.random.default_rng(11)
    result = compared([log(rng)], [log(rng, 2.0)])
    assert result["lambda_error"].told_apart
    assert result["lambda_error"].lower < 2.0 < result["lambda_error"].upper
    assert result["lambda_error"].cells >= 6
    assert not result["spark"].told_apart
    assert "no operating point" in result["spark"].because


def test_flagged_samples_make_no_visit():
    rng = np.random.default_rng(12)
    one = log(rng)
    one["sample_flag"][:] = 1
    assert visits_of([one], car(), LAMBDA).table.empty


def test_logs_of_the_same_car_are_not_told_apart():
    rng = np.random.default_rng(13)
    alarms = sum(
        compared([log(rng, seconds=200)], [log(rng, seconds=200)])["lambda_error"].told_apart for _ in range(25)
    )
    assert alarms <= stats.binom.ppf(0.99, 12, 0.05)


def f(value, half, name="steady.lambda_error", **more):
    return finding(name, value=value, lower=value - half, upper=value + half, **more)


@pytest.mark.parametrize(("before", "after", "apart"), [
    ([f(21.5, 0.3)], [f(3.0, 0.3)], True),
    ([f(3.0, 0.5)], [f(3.4, 0.5)], False),
    ([f(3.0, 0.1), f(5.0, 0.1)], [f(4.5, 0.1), f(6.5, 0.1)], False),  # drives differ more than their intervals say
    ([f(3.0, 0.1), f(3.1, 0.1), f(2.9, 0.1)], [f(6.0, 0.1), f(6.1, 0.1), f(5.9, 0.1)], True),
])  # fmt: skip
def test_findings_are_told_apart_by_their_intervals_and_by_their_drives(before, after, apart):
    (row,) = compare_findings(before, after)
    assert row.told_apart is apart
    assert row.lower < row.difference < row.upper


@pytest.mark.parametrize(("title", "worst"), [
    ("Highest engine speed", 6826.0), ("Lowest supply voltage", 5346.0), ("Spread of something", 5940.67),
])  # fmt: skip
def test_of_several_drives_a_maximum_stays_a_maximum(title, worst):
    speeds = [5346.0, 5650.0, 6826.0]
    named = [replace(f(v, 5.0), title=title) for v in speeds]
    (row,) = compare_findings([replace(f(6000.0, 5.0), title=title)], named)
    assert row.after == pytest.approx(worst, abs=0.01)
    assert row.lower < row.difference < row.upper


def test_the_worst_of_drives_that_do_not_differ_raises_few_alarms():
    rng, alarms = np.random.default_rng(15), 0
    for _ in range(200):
        sides = [[replace(f(v, 0.2), title="Highest of it") for v in rng.standard_normal(3)] for _ in range(2)]
        alarms += any(row.told_apart for row in compare_findings(*sides))
    assert alarms <= stats.binom.ppf(0.99, 200, 0.05)


def test_findings_that_cannot_be_compared_say_why():
    rows = {r.id: r for r in compare_findings(
        [f(3.0, 0.1), finding("a"), finding("b", "not_shown"), finding("c", lower=None, upper=None)],
        [f(3.0, 0.1), finding("b"), finding("c"), finding("d")])}  # fmt: skip
    assert not any(row.told_apart for row in rows.values())
    assert "no record of it after" in rows["a"].because
    assert "not shown before" in rows["b"].because
    assert "no interval" in rows["c"].because
    assert "no record of it before" in rows["d"].because


def test_false_alarms_among_many_findings():
    rng, alarms = np.random.default_rng(14), 0
    for _ in range(200):
        rows = [[f(v, 1.96, name=str(k)) for k, v in enumerate(rng.standard_normal(15))] for _ in range(2)]
        alarms += any(row.told_apart for row in compare_findings(*rows))
    assert alarms <= stats.binom.ppf(0.99, 200, 0.05)
