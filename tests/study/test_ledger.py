"""The history: which proposal a revision came from, by its numbers; and a verdict on each prediction."""

import datetime

import pytest
from ready_drives import finding, revision

from tunelab.study.ledger import PROMISES, Proposed, _held_words, keep_ledger
from tunelab.study.readiness import Drive
from tunelab.study.revision_change import differences
from tunelab.workspace.revision import Revision

DAY = datetime.date(2026, 5, 3)
UNSAID = finding("steady.proposal_predicted", "not_shown")
NEXT = {"curve": {3: 1.05, 4: 1.05}, "dead_time": 0.05}


def predicted(value=1.0, half=0.2):
    return finding("steady.proposal_predicted", value=value, lower=value - half, upper=value + half)


def proposal(author="", *, said=None, **change):
    proposed = revision("r02", day=3, based_on="r01", **(change or NEXT))
    return Proposed("2026-05-03", author, DAY, proposed, said or predicted())


def measured(day, name, value, half=0.2):
    one = finding("steady.lambda_error", value=value, lower=value - half, upper=value + half)
    return Drive(f"2026-05-{day:02d}", datetime.date(2026, 5, day), name, ("steady",), (one,))


def ledger(entered=None, proposals=None, value=1.1):
    revisions = {"r01": revision(), "r02": revision("r02", day=5, based_on="r01", **(entered or NEXT))}
    drives = [measured(3, "r01", 8.0), measured(7, "r02", value)]
    return keep_ledger(revisions, drives, [proposal()] if proposals is None else proposals)


def test_a_revision_entered_as_proposed_is_known_by_its_numbers():
    first, second = ledger().entries
    assert first.origin == "the first one"
    assert second.is_as_proposed
    assert second.origin == "as proposed in 2026-05-03"
    assert {d.part for d in second.changes} == {"curve", "dead_time"}


@pytest.mark.parametrize(("entered", "origin", "same"), [
    ({"curve": {3: 1.048, 4: 1.05}, "dead_time": 0.05}, "close to what was proposed in 2026-05-03", False),
    ({"curve": {1: 1.4}}, "by hand", False),
])  # fmt: skip
def test_what_was_altered_or_made_by_hand_says_so(entered, origin, same):
    entry = ledger(entered).entries[1]
    assert entry.origin.startswith(origin)
    assert entry.is_as_proposed is same


def test_an_answers_own_proposal_is_named_with_its_author():
    altered = {"curve": {3: 1.03}, "dead_time": 0.02}
    entry = ledger(altered, [proposal(), proposal("Ansgar", **altered)]).entries[1]
    assert entry.origin == "as proposed in 2026-05-03, altered by Ansgar"


@pytest.mark.parametrize(("value", "outcome"), [
    (1.1, "held"), (1.25, "held"), (2.0, "worse than predicted"), (0.2, "better than predicted"),
])  # fmt: skip
def test_a_prediction_is_held_against_the_next_drive(value, outcome):
    (verdict,) = ledger(value=value).verdicts
    assert verdict.outcome == outcome
    assert verdict.measured_in == "2026-05-07"
    assert verdict.source == "2026-05-03"


def revisions():
    return {"r01": revision(), "r02": revision("r02", day=5, based_on="r01", **NEXT)}


@pytest.mark.parametrize(("made", "because"), [
    (lambda: keep_ledger(revisions(), [measured(7, "r02", 1.0)], []), "no proposal here"),
    (lambda: keep_ledger(revisions(), [measured(3, "r01", 8.0)], [proposal()]), "no steady drive was recorded"),
    (lambda: ledger({"curve": {3: 1.048, 4: 1.05}, "dead_time": 0.05}), "other values went in"),
    (lambda: ledger(proposals=[proposal("Ansgar")]), "other values went in"),
    (lambda: ledger(proposals=[proposal(said=UNSAID)]), "no prediction"),
])  # fmt: skip
def test_without_evidence_no_verdict(made, because):
    (verdict,) = made().verdicts
    assert verdict.outcome == "not shown"
    assert because in verdict.because


def test_the_history_says_what_was_also_changed_or_that_nobody_said():
    words = ledger(NEXT | {"also": [{"kind": "spark", "what": "4 out"}]}).table()["what changed"][1]
    assert words.endswith("; r02 changed spark (4 out)")
    assert "does not say what else was changed" in ledger(NEXT | {"also": None}).table()["what changed"][1]
    same = keep_ledger({"r01": revision(), "r02": revision("r02", day=5, based_on="r01")}, [], [])
    assert same.table()["what changed"].tolist() == ["the first one", "nothing"]


@pytest.mark.parametrize(("also", "outcome"), [("spark", "held"), ("mechanical parts", "not shown")])
def test_what_moves_the_steady_error_beside_a_proposal_leaves_its_prediction_open(also, outcome):
    (verdict,) = ledger(NEXT | {"also": [also]}).verdicts
    assert verdict.outcome == outcome
    assert (also in verdict.because) == (outcome == "not shown")


def test_convergence_takes_the_last_drive_of_each_revision_and_says_whether_it_is_clear():
    found = ledger()
    assert found.convergence["lambda_error_pct"].tolist() == [8.0, 1.1]
    assert "a change beyond both intervals" in found.sentences()[0]
    assert found.sentences()[1] == "The one prediction that could be compared held."
    assert "not shown" in keep_ledger(revisions(), [], []).sentences()[0]


def test_tables_have_one_row_each():
    found = ledger()
    assert found.table()["revision"].tolist() == ["r01", "r02"]
    assert found.verdict_table()["the prediction"].tolist() == ["held"]


SPARK = {"engine_speed_rpm": [2000.0, 6000.0], "load_pct": [40.0, 90.0], "spark_deg": [[30.0, 36.0], [16.0, 22.0]]}
CELL = {"engine_speed_from_rpm": 4000.0, "engine_speed_to_rpm": 4500.0, "load_from_pct": 80.0, "load_to_pct": 90.0,
        "retreat_deg": 3.5}  # fmt: skip


def with_tables(one, **tables):
    return Revision.model_validate(one.model_dump(exclude_none=True) | tables)


def knock_ledger(entered_cells, measured_deg):
    said = finding("spark.predicted", value=0.0, lower=0.0, upper=0.5)
    proposed = with_tables(revision("r02", day=3, based_on="r01"), spark_retreat=[CELL])
    found = finding("spark.retard", value=measured_deg, lower=measured_deg, upper=measured_deg + 0.1)
    drive = Drive("2026-05-07", datetime.date(2026, 5, 7), "r02", ("full-throttle",), (found,))
    entered = with_tables(revision("r02", day=5, based_on="r01"), spark_retreat=entered_cells)
    proposal = Proposed("2026-05-03", "", DAY, proposed, None, {"spark.predicted": said})
    return keep_ledger({"r01": revision(), "r02": entered}, [drive], [proposal])


@pytest.mark.parametrize(("deg", "outcome"), [(0.2, "held"), (2.0, "worse than predicted")])
def test_a_retreat_of_spark_is_known_predicted_and_held_against_the_next_drive(deg, outcome):
    found = knock_ledger([CELL], deg)
    assert found.entries[1].is_as_proposed
    assert "3.5° less at 4000 to 4500 rpm" in found.table()["what changed"][1]
    assert found.further_table()["the prediction"].tolist() == [outcome]
    assert "°" in found.further[0].because


def test_half_a_retreat_is_not_what_was_proposed():
    found = knock_ledger([CELL | {"retreat_deg": 1.5}], 0.0)
    assert not found.entries[1].is_as_proposed
    assert all(verdict.outcome == "not shown" for verdict in found.further)


def test_spark_and_fuel_of_full_load_differ_by_their_tables_or_are_not_known():
    before = with_tables(revision(), spark=SPARK, full_load_fuel={"engine_speed_rpm": [3000.0], "fuel_factor": [1.0]})
    later = {"spark": SPARK | {"spark_deg": [[30.0, 36.0], [16.0, 19.0]]},
             "full_load_fuel": {"engine_speed_rpm": [3000.0], "fuel_factor": [1.04]}}  # fmt: skip
    after = with_tables(revision("r02", based_on="r01"), **later)
    assert {d.part: round(d.change, 6) for d in differences(before, after)} == {"full_load_fuel": 4.0, "spark": -3.0}
    assert differences(before, before) == ()
    silent = differences(revision(), after)
    assert {d.part for d in silent} == {"full_load_fuel", "spark"}
    assert all("revisions/r01.toml" in d.sentence for d in silent)


TIP_IN = {"coolant_c": [80.0], "engine_speed_rpm": [2000.0], "amount": [[40.0]]}
IDLES = {"idle_base": {"coolant_c": [80.0], "actuator_pct": [30.0]}, "acceleration_fuel": TIP_IN,
         "idle_return": {"decay_s": 1.5}, "fuel_cut": {"entry_rpm": 2000.0, "return_rpm": 1500.0}}  # fmt: skip
LATER = {"idle_base": {"coolant_c": [80.0], "actuator_pct": [27.0]},
         "acceleration_fuel": TIP_IN | {"amount": [[50.0]]},
         "idle_return": {"decay_s": 1.2}, "fuel_cut": {"entry_rpm": 2050.0, "return_rpm": 1550.0}}  # fmt: skip


@pytest.mark.parametrize("promise", PROMISES, ids=lambda promise: promise.predicted)
@pytest.mark.parametrize(("value", "outcome"), [(2.1, "held"), (9.0, "worse than predicted")])
def test_every_prediction_of_a_table_is_held_against_the_next_drive(promise, value, outcome):
    base = with_tables(revision(), **IDLES)
    after = with_tables(revision("r02", day=5, based_on="r01"), **LATER)
    said = finding(promise.predicted, value=2.0, lower=1.5, upper=2.5)
    proposed = Proposed("2026-05-03", "", DAY, after, None, {promise.predicted: said})
    found = finding(promise.measured, value=value, lower=value - 0.3, upper=value + 0.3)
    drive = Drive("2026-05-07", datetime.date(2026, 5, 7), "r02", ("road",), (found,))
    (verdict,) = keep_ledger({"r01": base, "r02": after}, [drive], [proposed]).further
    assert (verdict.outcome, verdict.promise) == (outcome, promise)


def test_what_changed_in_a_table_of_idle_and_tip_ins_stands_in_the_ledger():
    base = with_tables(revision(), **IDLES)
    after = with_tables(revision("r02", day=5, based_on="r01"), **LATER)
    changed = {d.part: round(d.change, 6) for d in differences(base, after)}
    assert changed == {"idle_base": -3.0, "acceleration_fuel": 25.0, "idle_return": -0.3, "fuel_cut": 50.0}
    proposed = Proposed("2026-05-03", "", DAY, after, None, {})
    near = with_tables(after, idle_base={"coolant_c": [80.0], "actuator_pct": [27.2]})
    by_hand = with_tables(after, idle_base={"coolant_c": [80.0], "actuator_pct": [60.0]})
    for entered, origin in ((after, "as proposed"), (near, "close to what"), (by_hand, "by hand")):
        assert keep_ledger({"r01": base, "r02": entered}, [], [proposed]).entries[1].origin.startswith(origin)
    words = keep_ledger({"r01": base, "r02": after}, [], [proposed]).table().iloc[1]["what changed"]
    assert "base value differs by up to -3 % from 80 to 80 °C" in words
    assert "the fuel cut goes from 2000 and 1500 rpm to 2050 and 1550 rpm" in words


@pytest.mark.parametrize(
    ("held", "judged", "said"),
    [(1, 1, "The one prediction that could be compared held."), (0, 1, "The one prediction that could be compared did "
     "not hold."), (2, 2, "Both predictions held."), (3, 3, "All 3 predictions held."),
     (0, 2, "None of 2 predictions held."), (1, 2, "1 of 2 predictions held.")],
)  # fmt: skip
def test_predictions_that_held_are_counted_as_one_says_it(held, judged, said):
    assert _held_words(held, judged) == said
