"""A comparison says better, worse or within noise, the weightiest first, in plain numbers."""

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest
from page_checks import as_read
from ready_drives import car, finding, revision

from tunelab.record import comparing
from tunelab.record.comparing import Comparison, Side, comparison_page, verdict_of
from tunelab.record.shown import ANSWERS, MAIN
from tunelab.study.compare_findings import FindingDifference, plain
from tunelab.study.ledger import PROMISES
from tunelab.study.revision_change import differences
from tunelab.workspace.revision import Revision

NAN = float("nan")


def row(name, before, after, *, apart=True, lower=None, upper=None):
    change = after - before
    ends = (change - 1 if lower is None else lower, change + 1 if upper is None else upper)
    return FindingDifference(name, name.title(), "%", before, after, change, *ends, 0.001, apart, "because of it.")


def comparison(*rows, notes=()):
    one, other = (Side(name, (name,), (name,), ()) for name in ("r01", "r02"))
    return Comparison(one, other, (), rows, (), notes, car())


@pytest.mark.parametrize(
    ("name", "before", "after", "verdict"),
    [
        ("steady.lambda_error", 16.2, 1.6, "better"),
        ("limits.knock_retard", 1.44, 2.26, "worse"),
        ("power.wheel_peak", 121.0, 125.0, "better"),
        ("link.supply", 11.5, 10.9, "worse"),
        ("steady.dead_time", -0.1, 0.02, "better"),
        ("steady.dead_time", 0.02, -0.1, "worse"),
        ("launch.held", 4200.0, 4300.0, "changed"),
    ],
)
def test_which_way_is_the_better_one_depends_on_the_number(name, before, after, verdict):
    assert verdict_of(row(name, before, after)) == verdict
    assert verdict_of(row(name, before, after, apart=False)) == "within noise"
    alone = replace(row(name, before, after, apart=False), before=float("nan"), p_value=float("nan"))
    assert verdict_of(alone) == "not compared"  # what one side alone shows is not called within noise


def test_what_is_worse_comes_first_then_by_weight_and_what_cannot_be_told_is_never_called_better():
    found = comparison(
        row("heat.per_coolant", 4.0, 0.1),
        row("steady.lambda_error", 16.2, 1.6),
        row("limits.knock_retard", 1.44, 2.26),
        row("link.starts", 0.5, 0.1, apart=False),
        row("drive_plan.coverage", 10.0, 60.0),
        notes=("One drive each.",),
    )
    said = found.sentences()
    assert said[0] == "Of 4 things that could be compared: 1 worse, 2 better, 0 changed, 1 within noise."
    assert [sentence.split(",")[0] for sentence in said[1:4]] == [
        "Worse: limits.Knock_Retard",
        "Better: steady.Lambda_Error",
        "Better: heat.Per_Coolant",
    ]
    assert said[4].startswith("Within noise too: link.Starts (0.50 to 0.10 %)")
    assert said[5] == "One drive each."
    assert not any("Drive_Plan" in sentence for sentence in said)


def test_the_same_readings_under_two_names_are_told_once_with_no_more_digits_than_the_change_carries():
    knock = [row(name, 1.5, 2.3, lower=0.7, upper=0.9) for name in ("full_throttle.knock_retard", "spark.retard")]
    slope = replace(row("steady.dead_time_slope", -0.01222, 0.00046, lower=0.01176, upper=0.01359), unit="ms/V")
    said = comparison(*knock, slope).sentences()
    assert said[0].startswith("Of 2 things that could be compared: 1 worse, 1 better")
    assert said[1] == "Worse: full_Throttle.Knock_Retard, from 1.50 to 2.30 % (change +0.70 to +0.90)."
    assert said[2].startswith("Better: steady.Dead_Time_Slope, from −0.0122 to 0.0005 ms/V ")


def test_what_is_at_stop_comes_before_what_changed_with_the_worst_value_of_all_drives():
    knock = [finding("limits.knock_retard", "stop", value=v, lower=v, upper=v, limit=3.0) for v in (3.2, 3.6)]
    knock = [replace(f, title="Highest knock retard of the drive", unit="°") for f in knock]
    found = comparison(row("steady.lambda_error", 16.2, 1.6))
    found = replace(found, after=replace(found.after, records=tuple(SimpleNamespace(findings=(f,)) for f in knock)))
    assert found.sentences()[1] == "At stop with r02: highest knock retard of the drive 3.6° (limit 3°)."


def test_the_page_keeps_plans_and_what_only_one_side_shows_out_of_the_comparison():
    alone = replace(row("idle.hunting", NAN, 1.0, apart=False), p_value=NAN, title="Hunting")
    question = replace(row("a.question", NAN, NAN, apart=False), p_value=NAN, title="Is it safe?")
    page = comparison_page(comparison(row("steady.lambda_error", 16.2, 1.6), alone, question,
                                      replace(row("drive_plan.coverage", 1.0, 2.0), title="Coverage")))  # fmt: skip
    assert "Coverage" not in page
    assert "Is it safe?" not in page
    assert "Hunting" in page.partition("Shown on one side only, or without an interval: 1")[2]


def test_a_change_that_is_clear_only_by_itself_says_so():
    said = comparison(row("idle.hunting", 5.0, 2.0, apart=False, lower=-4.0, upper=-2.0)).sentences()[1]
    assert said.endswith("clear on its own, but not after allowing for all that was compared.")


@pytest.mark.parametrize(
    ("value", "text"),
    [(6712.3, "6712"), (1.18e5, "118000"), (-0.7071, "−0.707"), (14.0, "14.0"), (0.0, "0"), (0.00012, "0.000120")],
)
def test_numbers_are_plain(value, text):
    assert plain(value) == text


def test_a_number_has_no_more_decimals_than_its_quantity_carries():
    assert plain(-6e-6, most=3) == "0.000"
    assert plain(0.3904, most=2) == "0.39"


def test_every_number_has_one_way_only_and_the_page_shows_no_exponent():
    ways = (comparing.LESS_IS_BETTER, comparing.MORE_IS_BETTER, comparing.NEAR_ZERO_IS_BETTER)
    assert sum(map(len, ways)) == len(frozenset().union(*ways))
    known = {name for answers in ANSWERS.values() for name in answers} | set(MAIN)
    assert len([name for name in known if not any(name in way for way in ways)]) < 15
    big = replace(row("limits.engine_speed", 4620.0, 6320.0), unit="rpm", upper=118000.0)
    page = comparison_page(comparison(big))
    assert not re.search(r"\de[+-]\d", page)
    assert "4620 to 6320 rpm" in as_read(page)


def test_predictions_are_not_compared_and_what_they_are_held_against_has_a_way():
    ways = comparing.LESS_IS_BETTER | comparing.MORE_IS_BETTER | comparing.NEAR_ZERO_IS_BETTER
    for promise in PROMISES:
        found = comparison(row(promise.predicted, 9.0, 1.0), row(promise.measured, 9.0, 1.0))
        assert found.sentences()[0].startswith("Of 1 things")
    assert {promise.measured for promise in PROMISES} - ways == {"limits.engine_speed", "shift.useful"}


def test_a_changed_table_of_idle_and_tip_ins_stands_on_the_comparisons_page():
    tables = {"idle_target": {"coolant_c": [80.0], "target_rpm": [850.0]}, "idle_return": {"decay_s": 1.5}}
    later = {"idle_target": {"coolant_c": [80.0], "target_rpm": [900.0]}, "idle_return": {"decay_s": 1.2}}
    one, other = (Revision.model_validate(revision(name).model_dump(exclude_none=True) | own)
                  for name, own in (("r01", tables), ("r02", later)))  # fmt: skip
    page = as_read(comparison_page(replace(comparison(), changes=differences(one, other))))
    assert "idle speed differs by up to +50 rpm" in page
    assert "1.5 s to 1.2 s" in page
