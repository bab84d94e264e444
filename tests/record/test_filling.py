"""The record of a car without an air meter: what it answers, proposes and hands on; the expectations are the kit's own.

The second demo car: r02 is what the kit proposes from the sweep of r01, typed in.
"""

import gzip
import shutil
from pathlib import Path

import pytest

from tunelab.cli import main
from tunelab.log.flag import flag_log
from tunelab.log.inspect import inspect_file
from tunelab.log.load import load_session
from tunelab.record.filling import plan_table_drive
from tunelab.record.following import Following, session_of
from tunelab.record.notebook import choose_notebooks, notebooks_folder
from tunelab.record.opened import open_session
from tunelab.record.quick import answer_quickly
from tunelab.record.step_sheet import print_sheet
from tunelab.study.delay import estimate_delay
from tunelab.study.feasibility import FullLoad, check_feasibility
from tunelab.study.revision_change import differences
from tunelab.study.step_sheet import SHEETS, sheet_for
from tunelab.study.transient import study_transients
from tunelab.workspace import open_workspace
from tunelab.workspace.session import Weather

DEMO = Path(__file__).parents[2] / "data_demo" / "table_car"


def names_for(kind, steps=("steady",)):
    return [notebook.name for notebook in choose_notebooks(notebooks_folder(), steps, (), load_from=kind)]


def test_each_kind_of_car_gets_its_own_question():
    assert {"steady", "drive_plan"} <= set(names_for("air_meter"))
    assert "filling" not in names_for("air_meter")
    for kind in ("manifold_pressure", "throttle", "blended"):
        assert "filling" in names_for(kind)
        assert "steady" not in names_for(kind)
    assert names_for("throttle", ("road",)) == names_for("air_meter", ("road",))


def test_the_answer_of_the_second_sweep_holds_r02_against_the_first_guess(tmp_path):
    root = shutil.copytree(DEMO, tmp_path / "car")  # a quick answer keeps its fits beside the records
    opened = open_session(root / "sessions" / "2026-06-13-steady")
    notebooks = choose_notebooks(notebooks_folder(), ("steady",), ("filling",))
    answer = answer_quickly(opened, notebooks, {})
    assert not [run.failure for run in answer.runs if run.failed]
    text = " ".join(answer.short)
    assert "lambda error" in text
    assert "cells that may be held" in text
    assert not answer.stopped


def test_a_changed_table_differs_and_empties_what_rests_on_it():
    known = open_workspace(DEMO).revisions
    found = {d.part: d for d in differences(known["r01"], known["r02"])}
    assert set(found) == {"filling", "dead_time"}
    assert abs(found["filling"].change) <= 12.1  # the owner's own limit on one revision
    assert not differences(known["r02"], known["r02"])


def test_the_plan_goes_by_the_tables_own_cells():
    planned = plan_table_drive(DEMO / "sessions" / "2026-06-06-steady", 110.0)
    assert planned.plan.holds["road_speed_km_h"].max() <= 110.0
    assert "manifold pressure [kPa]" in " ".join(planned.lines())
    assert "manifold pressure" in planned.html()


def test_a_plan_without_any_drive_says_what_to_drive(tmp_path):
    for name in ("car.toml", "revisions"):
        source = DEMO / name
        copy = shutil.copytree if source.is_dir() else shutil.copy
        copy(source, tmp_path / name)
    planned = plan_table_drive(tmp_path, None)
    assert planned.plan is None
    assert "8 s each" in " ".join(planned.lines())


@pytest.mark.parametrize("name", ["r01", "r02"])
def test_the_demo_cars_revisions_hold_no_meter(name):
    revision = open_workspace(DEMO).revisions[name]
    assert "meter_curve" not in revision.model_dump()


FIRST, SECOND = "2026-06-06-steady", "2026-06-13-steady"


@pytest.fixture
def begun(tmp_path):
    """The demo car when its second sweep begins: the session is there, and no row of its log."""
    root = tmp_path / "table_car"
    shutil.copytree(DEMO, root)
    (root / "sessions" / SECOND / "sweep.csv.gz").unlink()
    return root


def test_a_followed_log_counts_the_holds_in_the_tables_own_cells(begun):
    """The passenger reads loads, and what counts is what the finished log holds between them, counted by hand here."""
    first = next((begun / "sessions" / FIRST).glob("*.csv.gz"))
    lines = gzip.decompress(first.read_bytes()).splitlines(keepends=True)
    first.write_bytes(gzip.compress(b"".join(lines[: len(lines) // 2]), mtime=0))  # so that much is still asked for
    log = begun / "sessions" / SECOND / "now.csv"
    lines = gzip.decompress((DEMO / "sessions" / SECOND / "sweep.csv.gz").read_bytes()).splitlines(keepends=True)
    log.write_bytes(b"".join(lines[:3500]))
    following = Following(log, session_of(log, None))
    following.wait_for_plan()
    half = following.look()
    assert half.holds
    words = dict(half.lines())
    assert "holds done" in words["plan"]
    assert "manifold pressure" in words["next"]
    assert "kg/h" not in words["next"]
    with open(log, "ab") as handle:
        handle.write(b"".join(lines[3500:]))
    seen = following.look()
    assert sum(own.have_s for own in seen.holds) >= sum(own.have_s for own in half.holds)
    log.unlink()
    whole = open_workspace(DEMO)
    about, revision = whole.sessions[SECOND].session, whole.revisions["r02"]
    flagged = flag_log(load_session(whole, SECOND), whole.car, about, revision=revision)
    good = (flagged["sample_flag"] == 0) & (flagged["lambda_measured_flag"] == 0) & (flagged["manifold_kpa_flag"] == 0)
    for own in seen.holds:
        hold = own.hold
        inside = good & (flagged["engine_speed_rpm"] >= hold.speeds_rpm[0])
        inside &= flagged["engine_speed_rpm"] < hold.speeds_rpm[1]
        inside &= (flagged["manifold_kpa"] >= hold.loads[0]) & (flagged["manifold_kpa"] < hold.loads[1])
        by_hand = float(inside.sum()) / 20.0  # rows a second
        assert own.have_s == pytest.approx(min(by_hand, own.want_s), abs=0.6)
    assert any(own.have_s > 1 for own in seen.holds)


def test_command_sheet_and_screen_ask_for_the_same_holds_of_the_table(begun, capsys):
    sheet = print_sheet("steady", begun, None)
    planned = plan_table_drive(begun, None)
    loads = sheet.sheet.runs["manifold pressure kPa"].tolist()
    assert len(loads) == len(planned.plan.holds)
    for text, load in zip(loads, planned.plan.holds["manifold_kpa"], strict=True):
        low, high = (float(end) for end in text.split("–"))
        assert low < load < high
    assert "air kg/h" not in sheet.sheet.runs
    assert planned.sentence in sheet.sheet.notes
    assert main(["plan", "steady", str(begun)]) == 0
    said = capsys.readouterr().out
    assert "how wrong the table is" in said
    assert "Log: engine speed, manifold pressure, pulse width" in said


@pytest.mark.parametrize("step", SHEETS)
def test_no_sheet_of_a_car_without_an_air_meter_asks_for_one(step):
    workspace = open_workspace(DEMO)
    sheet = sheet_for(step, workspace.car, workspace.revisions["r02"], 110.0)
    assert "meter" not in " ".join((sheet.why, *sheet.must_log, *sheet.log_too, *sheet.watch))


def test_inspect_asks_for_what_the_table_goes_by():
    workspace = open_workspace(DEMO)
    path = workspace.sessions[FIRST].files[0]
    needs = {need.step: need for need in inspect_file(path, workspace.car, workspace.channel_map).needs}
    assert needs["steady"].missing == needs["part-throttle"].missing == ()
    by_throttle = workspace.car.model_copy(update={"load_from": "throttle"})
    bare = {need.step: need for need in inspect_file(path, by_throttle, workspace.channel_map).needs}
    assert bare["steady"].missing == ()
    asked = {name for need in bare.values() for group in need.would_help for name in group}
    assert not asked & {"meter_v", "meter_hz", "meter_counts"}


def test_feasibility_speaks_of_the_tables_reach_and_of_no_meter():
    workspace = open_workspace(DEMO)
    load = FullLoad(Weather(air_c=5, pressure_kpa=102, humidity_pct=50), 0.9, 13.5)
    found = check_feasibility(workspace.car, workspace.revisions["r02"], load, pull_speed_max_km_h=110)
    said = {finding.id: finding for finding in found.findings()}
    assert "feasibility.meter_headroom" not in said
    # the table ends at 100 kPa and 6300 rpm, full load is at 102 kPa and the limiter at 6600 rpm: 6300/6600 - 1
    assert said["feasibility.table_reach"].value == pytest.approx(-4.545, abs=0.01)
    assert said["feasibility.table_reach"].status == "met"
    short = workspace.revisions["r02"].model_copy(deep=True)
    short.volumetric_efficiency.manifold_kpa[-1] = 90.0
    again = check_feasibility(workspace.car, short, load, pull_speed_max_km_h=110)
    assert {f.id: f.status for f in again.findings()}["feasibility.table_reach"] == "watch"


def test_the_air_of_the_table_serves_the_question_of_tip_ins():
    workspace = open_workspace(DEMO)
    revision = workspace.revisions["r01"]
    log = flag_log(load_session(workspace, FIRST), workspace.car, workspace.sessions[FIRST].session, revision=revision)
    found = study_transients(log, workspace.car, revision, estimate_delay(log, workspace.car, revision))
    assert "neither air_flow_kg_h" not in found.because
