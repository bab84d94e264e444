"""The record of a car without an air meter: what it answers, proposes and hands on; the expectations are the kit's own.

The second demo car: r02 is what the kit proposes from the sweep of r01, typed in.
"""

import shutil
from pathlib import Path

import pytest

from tunelab.record.filling import plan_table_drive
from tunelab.record.notebook import choose_notebooks, notebooks_folder
from tunelab.record.opened import open_session
from tunelab.record.quick import answer_quickly
from tunelab.study.revision_change import differences
from tunelab.workspace import open_workspace

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


def test_the_answer_of_the_second_sweep_holds_r02_against_the_first_guess():
    opened = open_session(DEMO / "sessions" / "2026-06-13-steady")
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
