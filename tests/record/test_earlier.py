"""The next session says whether what was predicted of its revision held."""

import shutil

import pytest
from plain_workspace import SESSION_NAME, write_workspace
from ready_drives import finding
from written_results import write_results

from tunelab.record.chapter import Chapter, NextRevision, write
from tunelab.record.earlier import prediction_sentence
from tunelab.record.opened import open_session
from tunelab.workspace import open_workspace, write_revision
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml

NEXT = "2026-05-09-steady"


def error(name, value, lower, upper):
    return finding(name, value=value, lower=lower, upper=upper)


@pytest.fixture
def root(tmp_path):
    """r01 was driven and recorded, its proposal entered as r02, and r02 driven."""
    root = write_workspace(tmp_path)
    base = open_workspace(root).revisions["r01"]
    curve = base.meter_curve.model_copy(update={"flow_kg_h": [1.1 * flow for flow in base.meter_curve.flow_kg_h]})
    proposed = base.model_copy(
        update={"name": "r02", "based_on": "r01", "proposed_in": SESSION_NAME, "meter_curve": curve}
    )
    write_results(root, SESSION_NAME, [error("steady.proposal_predicted", 3.0, 2.5, 3.5)])
    write_revision(root / "records" / SESSION_NAME / "proposal.toml", proposed, {})
    write_revision(root / "revisions" / "r02.toml", proposed, {})
    session = root / "sessions" / NEXT
    session.mkdir()
    text = (root / "sessions" / SESSION_NAME / "session.toml").read_text("utf-8")
    text = text.replace("2026-05-03", "2026-05-09").replace('revision = "r01"', 'revision = "r02"')
    (session / "session.toml").write_text(text, encoding="utf-8")
    (session / "log1.csv").write_text("Time (s),Engine speed (rpm)\n0.00,850\n0.04,852\n", encoding="utf-8")
    return root


def sentence(root, *findings, session=NEXT):
    return prediction_sentence(open_session(root / "sessions" / session), findings)


@pytest.mark.parametrize(
    ("measured", "outcome"),
    [((3.2, 2.9, 3.5), "the prediction held"), ((6.0, 5.5, 6.5), "worse than"), ((1.0, 0.8, 1.2), "better than")],
)
def test_the_measured_error_is_held_against_the_predicted_one(root, measured, outcome):
    said = sentence(root, error("steady.lambda_error", *measured))
    assert outcome in said
    assert f"predicted 3.0 %, measured {measured[0]:.1f} %" in said
    assert SESSION_NAME in said


def test_a_prediction_is_held_against_the_session_alone_where_the_fit_rests_on_those_that_it_came_from_too(root):
    said = sentence(
        root, error("steady.lambda_error", 3.2, 2.9, 3.5), error("steady.lambda_error_alone", 6.0, 5.5, 6.5)
    )
    assert "worse than" in said
    assert "measured 6.0 %" in said


def test_where_nothing_was_predicted_or_asked_nothing_is_said(root):
    assert sentence(root) == ""
    assert sentence(root, error("steady.lambda_error", 3.0, 2.0, 4.0), session=SESSION_NAME) == ""


def test_other_values_than_the_proposed_ones_are_not_held_against_it(root):
    entered = open_workspace(root).revisions["r02"]
    slower = entered.dead_time.model_copy(update={"dead_time_ms": [t + 0.1 for t in entered.dead_time.dead_time_ms]})
    write_revision(root / "revisions" / "r02.toml", entered.model_copy(update={"dead_time": slower}), {})
    said = sentence(root, error("steady.lambda_error", 3.0, 2.0, 4.0))
    assert "not shown" in said
    assert "other values went in" in said


def test_an_error_that_was_not_shown_leaves_the_prediction_open(root):
    assert "not shown" in sentence(root, finding("steady.lambda_error", "not_shown"))


def test_parts_of_a_proposal_go_into_the_one_that_an_earlier_notebook_of_the_record_made(root, tmp_path):
    base = open_workspace(root).revisions["r01"]
    steady = open_workspace(root).revisions["r02"]
    fuel = {"engine_speed_rpm": [3000.0], "fuel_factor": [1.04]}
    later = Revision.model_validate(base.model_dump(exclude_none=True) | {
        "name": "r02", "based_on": "r01", "full_load_fuel": fuel,
    })  # fmt: skip
    out = str(tmp_path / "out")
    comments = {"": "by the steady drive", "meter_curve": "by the steady drive"}
    write(out, Chapter("steady", proposal=NextRevision(steady, comments)))
    part = NextRevision(later, {"full_load_fuel": "by the pulls"}, ("full_load_fuel",))
    for _ in range(2):
        write(out, Chapter("full_throttle", proposal=part))
        text = (tmp_path / "out" / "proposal.toml").read_text("utf-8")
        assert "# by the pulls" in text
        assert text.count("# by the steady drive") == 2
        joined = read_toml(tmp_path / "out" / "proposal.toml", Revision, "proposal.toml").partial
        assert joined.full_load_fuel.fuel_factor == [1.04]
        assert joined.meter_curve == steady.meter_curve
    other = NextRevision(later.model_copy(update={"based_on": "r09"}), {}, ("full_load_fuel",))
    write(out, Chapter("full_throttle", proposal=other))
    assert read_toml(tmp_path / "out" / "proposal.toml", Revision, "x").partial == other.revision


@pytest.mark.parametrize(
    ("measured", "outcome"), [((0.2, 0.1, 0.3), "the prediction held"), ((3.0, 2.9, 3.1), "worse")]
)
def test_a_retreat_of_spark_is_held_against_the_knock_of_the_next_drive(root, measured, outcome):
    cell = {"engine_speed_from_rpm": 4000.0, "engine_speed_to_rpm": 4500.0, "load_from_pct": 80.0, "load_to_pct": 90.0,
            "retreat_deg": 3.5}  # fmt: skip
    own = open_workspace(root).revisions["r02"].model_dump(exclude_none=True)
    proposed = Revision.model_validate(own | {"spark_retreat": [cell]})
    shutil.rmtree(root / "records" / SESSION_NAME)
    write_results(root, SESSION_NAME, [error("spark.predicted", 0.0, 0.0, 0.5)])
    for path in (root / "records" / SESSION_NAME / "proposal.toml", root / "revisions" / "r02.toml"):
        write_revision(path, proposed, {})
    said = sentence(root, error("spark.retard", *measured))
    assert f"{SESSION_NAME}, knock retard: " in said
    assert outcome in said
    assert "°" in said
