"""Tables: the promised columns, numbers that read back, and nothing that a spreadsheet would run."""

import csv

import numpy as np
import pandas as pd
import pytest
from plain_fit import made_up_proposal
from plain_workspace import REVISION

from tunelab.record.chapter import TableError, harmless, write_table
from tunelab.workspace.revision import Revision


@pytest.fixture
def revision() -> Revision:
    import tomllib

    return Revision.model_validate(tomllib.loads(REVISION))


def read(path):
    with open(path, newline="", encoding="utf-8") as handle:
        return list(csv.reader(handle))


# The columns as the contract of the record states them.
METER = "meter_v,flow_in_force_kg_h,factor,factor_lower,factor_upper,flow_proposed_kg_h,seconds,basis"
DEAD = "battery_v,dead_time_in_force_ms,change_ms,change_lower_ms,change_upper_ms,dead_time_proposed_ms,basis"


def test_the_columns_are_the_promised_ones(tmp_path, revision):
    proposal = made_up_proposal(revision)
    write_table(tmp_path / "meter_curve.csv", proposal.curve)
    write_table(tmp_path / "dead_time.csv", proposal.dead_time)
    assert (tmp_path / "meter_curve.csv").read_text().splitlines()[0] == METER
    assert (tmp_path / "dead_time.csv").read_text().splitlines()[0] == DEAD


def test_another_column_is_an_error_that_says_what_is_wanted(tmp_path, revision):
    with pytest.raises(TableError, match="wanted flow_in_force_kg_h, factor"):
        write_table(tmp_path / "meter_curve.csv", made_up_proposal(revision).curve.drop(columns="seconds"))


def test_numbers_read_back_and_missing_ones_are_empty(tmp_path):
    table = pd.DataFrame({"a": [1 / 3, np.nan, np.inf], "b": [1, 2, 3], "c": [True, False, True]})
    write_table(tmp_path / "t.csv", table)
    assert read(tmp_path / "t.csv") == [
        ["a", "b", "c"],
        ["0.3333333", "1", "true"],
        ["", "2", "false"],
        ["", "3", "true"],
    ]


# Characters that start a formula: OWASP, "CSV Injection" (owasp.org/www-community/attacks/CSV_Injection).
@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", " =1", "\tx", "＝1", "＋1", "－1", "＠SUM(A1)", "\u00a0=1", "\u3000=1",
     "\ufeff=1"],
)  # fmt: skip
def test_what_a_spreadsheet_would_run_is_made_text(tmp_path, text):
    write_table(tmp_path / "t.csv", pd.DataFrame({text: [text]}))
    assert read(tmp_path / "t.csv") == [[f"'{text}"], [f"'{text}"]]


def test_a_line_end_in_a_text_cannot_start_a_row(tmp_path):
    write_table(tmp_path / "t.csv", pd.DataFrame({"a": ["x\r\n=1", "\r=1"]}))
    assert read(tmp_path / "t.csv") == [["a"], ["x =1"], ["' =1"]]


def test_negative_numbers_stay_numbers_and_plain_text_stays_itself(tmp_path):
    write_table(tmp_path / "t.csv", pd.DataFrame({"a": [-1.5], "b": ['say "no", please']}))
    assert read(tmp_path / "t.csv")[1] == ["-1.5", 'say "no", please']
    assert harmless("r01") == "r01"
