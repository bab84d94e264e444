"""The one rule by which every study holds a value against its limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tunelab.study.finding import counted, has_interval, status_within, status_word, worst_estimate

NAN = math.nan


@pytest.mark.parametrize(
    ("values", "limits", "status"),
    [
        ((1.0, 0.5, 1.5), {"most": 2.0}, "met"),
        ((1.0, 0.5, 2.0), {"most": 2.0}, "met"),  # on the limit is within it
        ((1.0, 0.5, 2.1), {"most": 2.0}, "watch"),
        ((2.1, 1.5, 2.5), {"most": 2.0}, "stop"),
        ((1.0, NAN, NAN), {"most": 2.0}, "watch"),  # no interval is never met
        ((1.0, 0.5, None), {"most": 2.0}, "watch"),
        ((1.0, None, None), {}, "watch"),
        ((1.0, 0.5, 1.5), {}, "met"),
        ((NAN, NAN, NAN), {"most": 2.0}, "not_shown"),
        ((None, None, None), {}, "not_shown"),
        ((-1.0, -2.1, 0.1), {"least": -2.0, "most": 2.0}, "watch"),
        ((-2.5, -3.0, -1.0), {"least": -2.0, "most": 2.0}, "stop"),
        ((300.0, 250.0, 350.0), {"least": 200.0}, "met"),
        ((300.0, 150.0, 350.0), {"least": 200.0}, "watch"),
        ((100.0, 50.0, 350.0), {"least": 200.0}, "stop"),
        ((1.0, -math.inf, 1.5), {"most": 2.0}, "met"),  # a one-sided interval
        ((1.0, 0.5, math.inf), {"most": 2.0}, "watch"),
    ],
)
def test_a_value_is_met_only_with_its_whole_interval_inside(values, limits, status):
    assert status_within(*values, **limits, beyond="stop") == status


NUMBER = st.floats(-10, 10)


@given(st.tuples(NUMBER, NUMBER, NUMBER), st.floats(0, 10))
def test_met_leaves_no_part_of_an_interval_beyond(values, limit):
    """Even where the value lies outside its own interval, none of the three may be past the limit."""
    if status_within(*values, least=-limit, most=limit) == "met":
        assert np.abs(values).max() <= limit


@pytest.mark.parametrize(("what", "one"), [
    ("tip-ins", "1 tip-in"), ("launches", "1 launch"), ("starts", "1 start"),
    ("stretches with loads", "1 stretch with loads"),
    ("re-entries, foot and clutch at rest", "1 re-entry, foot and clutch at rest"), ("blocks", "1 block"),
])  # fmt: skip
def test_one_is_written_as_one(what, one):
    assert counted(1, what) == one
    assert counted(2, what) == f"2 {what}"
    assert worst_estimate([3.0], "%", step=1.0, flagged=0, what=what).method.startswith(f"largest of {one}, too few")


def test_a_value_that_nothing_limits_is_measured_and_never_to_watch_for_want_of_an_interval():
    assert status_word("watch", None, has_interval=False) == "measured"
    assert status_word("met", None) == "measured"
    assert status_word("watch", None) == "watch"  # a study saw reason to look
    assert status_word("watch", 2.0, has_interval=False) == "watch"
    assert status_word("stop", None, has_interval=False) == "stop"
    assert not has_interval("fuel_cut.exit", 1300.0, None)
    assert has_interval("consistency.gears", 2.0, None)  # judges without one
    assert has_interval("fuel_cut.exit", None, None)  # nothing is shown at all
