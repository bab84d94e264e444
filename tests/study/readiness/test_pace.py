"""Dates and how many drives a gap took, against arithmetic by hand and published binomial intervals."""

import datetime
from dataclasses import replace

import pytest
from ready_drives import EVERY, car, drive, revision
from scipy import stats

from tunelab.study.readiness import Calendar, _closing, judge_readiness, plan_to_event

DAY = datetime.date
STEADY, FULL = ("steady.lambda_error", "steady.lean_at_load"), tuple(n for n in EVERY if n.startswith("full_throttle."))
WATCHED = tuple(n for n in EVERY if n.startswith("limits."))  # what any drive answers


def planned(drives, calendar=None):
    revisions = {"r01": revision()}
    readiness = judge_readiness(drives, car(), revisions, "r01")
    calendar = calendar or Calendar(DAY(2026, 5, 20), DAY(2026, 6, 10), DAY(2026, 6, 8), 2)
    return plan_to_event(drives, car(), revisions, readiness, calendar)


def one(day, ids, steps):
    return replace(drive(day, ids=ids), steps=steps)


def test_the_days_follow_from_the_drives_by_hand():
    # Three steady drives until their two gates closed (2 in 3), then full throttle at once (8 gates in 1 drive), days
    # apart 4, 4, 4: what is left is road (2 gates, none closed yet), launch and link.
    drives = [
        one(3, WATCHED, ("steady",)),
        one(7, (), ("steady",)),
        one(11, STEADY, ("steady",)),
        one(15, FULL, ("full-throttle",)),
    ]
    plan = planned(drives)
    assert plan.days_between == 4
    assert set(plan.left) == {"Idle", "Return to idle", "Data link good enough to go on working", "Launch hold"}
    assert {c.step for c in plan.closings} == {"road", "launch", "link"}
    assert all(c.pooled for c in plan.closings)
    # 10 gaps closed; tries: 3 of each steady gate, 8 of full throttle, and 3 of the link, which steady drives could
    # have shown.
    assert {(c.gaps_closed, c.drives) for c in plan.closings} == {(10, 17)}
    assert plan.drives == pytest.approx(3 * 17 / 10)
    assert plan.ready_on == DAY(2026, 5, 20) + datetime.timedelta(days=21)  # 5.1 drives of 4 days: 20.4
    assert plan.decide_by == DAY(2026, 6, 8) - datetime.timedelta(days=21)
    assert plan.old_parts_by == DAY(
        2026, 6, 7
    )  # the two days of the swap are the 7th and the 8th, the last one to work


def test_the_old_parts_go_back_in_before_the_event_by_what_the_swap_takes():
    late = Calendar(DAY(2026, 5, 20), DAY(2026, 6, 10), DAY(2026, 6, 9), 4)
    assert planned([], late).old_parts_by == DAY(2026, 6, 6)


def test_with_nothing_left_nothing_is_left():
    plan = planned([drive(3), drive(9)])
    assert plan.left == ()
    assert "Nothing is left to show." in plan.sentences


@pytest.mark.parametrize("drives", [[], [one(3, (), ("steady",))], [one(3, STEADY, ("steady",))]])
def test_what_cannot_be_known_is_not_shown(drives):
    plan = planned(drives)
    assert plan.ready_on is None
    assert any("is not shown" in sentence for sentence in plan.sentences)


def test_a_pace_that_does_not_fit_says_so():
    drives = [one(3, (), ("steady",)), one(17, STEADY, ("steady",))]
    tight = Calendar(DAY(2026, 5, 20), DAY(2026, 5, 24), DAY(2026, 5, 23), 1)
    text = " ".join(planned(drives, tight).sentences)
    assert "does not fit before 2026-05-23" in text


def test_a_gate_at_a_stop_is_a_gap_that_the_next_drive_has_to_close():
    # Eight gates of full throttle in the first drive, of which knock came to a stop; it stands in the second. By hand.
    knock = replace(drive(3, ids=FULL, status={"full_throttle.knock_retard": "stop"}), steps=("full-throttle",))
    plan = planned([knock, one(7, FULL, ("full-throttle",))])
    found = next(c for c in plan.closings if c.step == "full-throttle")
    assert (found.gaps_closed, found.drives) == (7, 9)


# Clopper and Pearson's exact interval, against the beta quantiles that define it (scipy.stats.beta).
def test_the_interval_of_drives_per_gap_is_the_exact_binomial_one():
    closing = _closing("steady", {"steady": (4, 10)})
    low, high = stats.beta.ppf(0.025, 4, 7), stats.beta.ppf(0.975, 5, 6)
    assert (closing.lower, closing.upper) == pytest.approx((1 / high, 1 / low), rel=1e-6)
    assert closing.drives_per_gap == 2.5


@pytest.mark.parametrize("wrong", [{"until": DAY(2026, 6, 11)}, {"event": DAY(2026, 5, 1), "until": DAY(2026, 5, 1)},
                                   {"swap_days": -1}])  # fmt: skip
def test_days_in_a_wrong_order_are_an_error(wrong):
    calendar = Calendar(DAY(2026, 5, 20), DAY(2026, 6, 10), DAY(2026, 6, 8), 2)
    with pytest.raises(ValueError, match=r"until|event|swap"):
        planned([], replace(calendar, **wrong))
