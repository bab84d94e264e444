"""The expectations are the contract in the module's docstring; there is no outside source."""

import pytest
from plain_workspace import write_workspace

from tunelab.workspace import ChannelMap, ColumnRule, WorkspaceError, open_workspace


def rule(name, **keys):
    return ColumnRule(name=name, **keys)


def test_a_rule_for_the_file_goes_before_one_for_all():
    mapping = ChannelMap(column=[rule("AFR", unit="afr"), rule("AFR", file="wide*.csv", ignore=True)])
    assert mapping.rule_for("Wideband.CSV", "AFR").ignore
    assert mapping.rule_for("ecu.csv", "AFR").unit == "afr"
    assert mapping.rule_for("ecu.csv", "RPM") is None


def test_blanks_do_not_matter_and_letter_case_only_where_nothing_else_tells():
    mapping = ChannelMap(column=[rule("Air  Temp", unit="°F"), rule("air temp", unit="°C")])
    assert mapping.rule_for("a.csv", " Air Temp ").unit == "°F"
    assert mapping.rule_for("a.csv", "air temp").unit == "°C"
    assert ChannelMap(column=[rule("RPM", ignore=True)]).rule_for("a.csv", "rpm").ignore


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ('name = "a"\nchannel = "rpm"', "column no. 1: channel", "perhaps engine_speed_rpm; `tunelab list --channels`"),
        ('name = "a"\nchannel = "lamda_measured"', "column no. 1: channel", "lambda_measured"),
        ('name = "a"\nchannel = "coolant_c"\nunit = "psi"', "column no. 1: unit", "degree_Celsius"),
        ('name = "a"\nunit = "furlong"', "column no. 1: unit", "a unit that tunelab knows"),
        ('name = "a"\nchannel = "coolant_c"\ngauge = true', "column no. 1: gauge", "a pressure channel"),
        ('name = "a"\ntime = "s"\nignore = true', "column no. 1", "only one of"),
        ('name = "a"', "column no. 1", "says nothing"),
        ('name = "a"\nscale = 0', "column no. 1: scale", "other than 0"),
        (
            'name = "a"\nchannel = "gear"\nwords = { "1.0" = 2 }',
            "column no. 1: words: 1.0",
            '"1", a whole number as text',
        ),
        ('name = "a"\nchannel = "gear"\nwords = { "1.5" = 2 }', "column no. 1: words: 1.5", "a word or a whole number"),
        ('name = "a"\nunit = "V"\n[[column]]\nname = " a "\nunit = "V"', "column no. 2: name", "a second time"),
    ],
)
def test_a_rule_that_cannot_hold_is_told(tmp_path, text, key, words):
    root = write_workspace(tmp_path)
    (root / "channels.toml").write_text(f"[[column]]\n{text}\n", encoding="utf-8")
    with pytest.raises(WorkspaceError) as caught:
        open_workspace(root)
    (problem,) = caught.value.problems
    assert problem.key == key
    assert words in str(problem)


def test_lambda_may_be_written_as_afr_or_equivalence_ratio(tmp_path):
    root = write_workspace(tmp_path)
    text = '[[column]]\nname = "{0}"\nchannel = "lambda_measured"\nunit = "{0}"\n'
    (root / "channels.toml").write_text(text.format("afr") + text.format("phi"), encoding="utf-8")
    assert len(open_workspace(root).channel_map.column) == 2
