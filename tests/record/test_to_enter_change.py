"""What to change: one rule for nothing, a proposal that was entered or overtaken says so, one table to type from."""

import datetime
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tunelab.record.display import table_item
from tunelab.record.to_enter import curve_to_enter, entered_as, need_of, standing_sentence
from tunelab.workspace.revision import Revision

TABLES = {
    "meter_curve": {"meter_v": [1.0, 2.0], "flow_kg_h": [10.0, 20.0]},
    "injectors": {"flow_g_min": 200.0},
    "dead_time": {"battery_v": [12.0], "dead_time_ms": [1.0]},
    "fuelling": {"stoich_afr": 14.5, "rev_limit_rpm": 6500},
}


def revision(name, day, based_on=None, proposed_in=None, flow=(10.0, 20.0)):
    tables = TABLES | {"meter_curve": {"meter_v": [1.0, 2.0], "flow_kg_h": list(flow)}}
    given = {"name": name, "date": datetime.date(2026, 5, day), "based_on": based_on, "proposed_in": proposed_in}
    return Revision.model_validate(given | tables)


def opened(*revisions):
    return SimpleNamespace(name="drive", workspace=SimpleNamespace(revisions={r.name: r for r in revisions}))


R01 = revision("r01", 1)


@pytest.mark.parametrize(
    ("lower", "upper", "need"),
    [
        ([-1.0, 0.1], [1.0, 1.9], "nothing"),  # off for certain, and within what the owner takes
        ([-1.0, 2.1], [1.0, 3.0], "change"),
        ([1.0], [2.5], "change"),
        ([-1.0, -0.5], [1.0, 2.4], "open"),
        ([np.nan], [np.nan], "open"),
        ([-np.inf], [1.0], "open"),
        ([], [], "open"),
    ],
)
def test_nothing_has_to_be_changed_only_where_every_interval_lies_within_the_tolerance(lower, upper, need):
    assert need_of(lower, upper, 2.0) == need


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.floats(-9, 9), st.floats(0, 9)), min_size=1, max_size=8), st.floats(0.1, 5))
def test_a_wider_interval_never_makes_nothing_out_of_something(rows, tolerance):
    lower, wide = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    if need_of(lower - 0.5, lower + wide + 0.5, tolerance) == "nothing":
        assert need_of(lower, lower + wide, tolerance) == "nothing"


def test_a_proposal_that_was_entered_says_so_with_what_came_after_it():
    r02 = revision("r02", 8, "r01", "drive")
    assert standing_sentence(opened(R01, r02), R01, [10.0, 20.0]) == (
        "Already entered: r02 of 2026-05-08 is this record's proposal."
    )
    later = opened(R01, r02, revision("r03", 9, "r02", "other"))
    assert standing_sentence(later, R01, [10.0, 20.0]).endswith("this record's proposal, and r03 came after it.")
    assert "differ from this record's by up to 10.0 %" in standing_sentence(opened(R01, r02), R01, [10.0, 22.0])


def test_a_proposal_that_later_revisions_overtook_says_so():
    said = standing_sentence(opened(R01, revision("r02", 8, "r01", "other")), R01, [10.0, 20.0])
    assert said.startswith("Overtaken: r02 came after r01")
    assert standing_sentence(opened(R01), R01, [10.0, 20.0]) == ""


def test_only_a_revision_on_top_of_what_was_driven_is_its_proposal():
    assert entered_as(opened(R01, revision("r03", 9, "r02", "drive")), R01) is None


def test_the_table_to_type_from_is_one_for_steady_and_pulls_with_the_decimals_of_the_file():
    columns = {
        "flow_in_force_kg_h": [154.36, 9.7, 0.0],
        "factor": [1.02, np.nan, np.nan], "factor_lower": [1.01, np.nan, np.nan],
        "factor_upper": [1.03, np.nan, np.nan], "flow_proposed_kg_h": [157.447, 9.7, 0.0],
        "basis": ["measured", "unchanged", "unchanged"],
    }  # fmt: skip
    pulls = curve_to_enter(pd.DataFrame({"reading": [2.225, 1.1, 0.6]} | columns), "meter_v")
    steady = curve_to_enter(
        pd.DataFrame({"meter_v": [2.225, 1.1, 0.6]} | columns | {"seconds": [3.2, 0, 0]}), "meter_v"
    )
    assert list(pulls.columns) == [name for name in steady.columns if not name.startswith("driven")]
    rows = table_item(steady[steady["basis"] != ""])["rows"]
    assert rows[0] == ["2.225", "154.360", "157.447", "2.0", "+2.0 (+1.0 to +3.0)", "3", "measured"]
    assert rows[1] == ["1.100", "9.700", "9.700", "0.0", "–", "0", "unchanged"]
    assert rows[2][3] == "–"
