"""A car whose ECU takes the air from a table: what its files may say; the contract is the project's own."""

import datetime

import numpy as np
import pytest
from plain_workspace import CAR, REVISION, write_workspace

from tunelab.physics.load import flow_from_efficiency
from tunelab.workspace import WorkspaceError, open_workspace, write_revision
from tunelab.workspace.revision import Inlet, Revision, charge_of, table_air_kg_h
from tunelab.workspace.toml_file import read_toml

METER = '[meter]\nkind = "voltage"\nrail_low = 0.1\nrail_high = 4.95\n'
CURVE = REVISION[REVISION.index("[meter_curve]") : REVISION.index("[injectors]")]
TABLE = """\
[volumetric_efficiency]
engine_speed_rpm = [800, 3000, 6500]
manifold_kpa = [25, 60, 100]
efficiency_pct = [[42, 55, 50], [58, 74, 70], [64, 82, 81]]

"""
TABLE_CAR = CAR.replace('special"\n', 'special"\nload_from = "manifold_pressure"\n', 1).replace(
    METER, "[charge]\ncoolant_weight = [0.4, 0.15]\nair_flow_kg_h = [20, 200]\n"
)


@pytest.fixture
def root(tmp_path):
    root = write_workspace(tmp_path / "my-car")
    (root / "car.toml").write_text(TABLE_CAR)
    (root / "revisions/r01.toml").write_text(REVISION.replace(CURVE, TABLE))
    return root


def test_a_car_with_a_table_opens(root):
    workspace = open_workspace(root)
    revision = workspace.revisions["r01"]
    assert not workspace.car.has_meter
    assert workspace.car.has_table
    assert revision.volumetric_efficiency.values.shape == (3, 3)
    # what only wants to know how much air there is reads the air that the ECU reckons
    assert workspace.car.meter.channel == "air_flow_kg_h"
    np.testing.assert_array_equal(revision.meter_curve.reading, revision.meter_curve.flow_kg_h)


# Each row: file, what to replace, by what, the key of the one problem, words that its message must have.
FAULTS = [
    ("car.toml", '"manifold_pressure"', '"speed"', "load_from", "air_meter"),
    ("car.toml", "[0.4, 0.15]", "[0.4]", "charge.air_flow_kg_h", "one air flow for each weight"),
    ("car.toml", "[0.4, 0.15]", "[0.4, 40]", "charge.coolant_weight", "at most 1"),
    ("car.toml", "[20, 200]", "[200, 20]", "charge.air_flow_kg_h", "values that rise"),
    ("car.toml", "[charge]", METER + "\n[charge]", "meter", "take [meter] out"),
    ("car.toml", "[charge]\ncoolant_weight = [0.4, 0.15]\nair_flow_kg_h = [20, 200]\n", "", "charge", "coolant_weight"),
    ("revisions/r01.toml", TABLE, CURVE, "meter_curve", "take [meter_curve] out"),
    ("revisions/r01.toml", TABLE, "", "volumetric_efficiency", "add [volumetric_efficiency]"),
    ("revisions/r01.toml", "manifold_kpa", "throttle_pct", "volumetric_efficiency.throttle_pct", "by which"),
    ("revisions/r01.toml", "[25, 60, 100]", "[25, 60]", "volumetric_efficiency.efficiency_pct", "3 rows, and 2"),
    ("revisions/r01.toml", "[25, 60, 100]", "[25, 60, 60]", "volumetric_efficiency.manifold_kpa", "60 after 60"),
    ("revisions/r01.toml", "[58, 74, 70]", "[58, 74]", "volumetric_efficiency.efficiency_pct", "2 values, and 3"),
    ("revisions/r01.toml", "74", "0", "volumetric_efficiency.efficiency_pct", "above 0"),
    ("revisions/r01.toml", "efficiency_pct", "air_mg", "volumetric_efficiency.charge_c", "at which air_mg holds"),
    ("revisions/r01.toml", "efficiency_pct", "charge_c = 9\nefficiency_pct", "volumetric_efficiency.charge_c", "take"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "key", "words"), FAULTS)
def test_each_slip_is_said_with_the_way_out(root, file, old, new, key, words):
    path = root / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with pytest.raises(WorkspaceError) as caught:
        open_workspace(root)
    told = [problem for problem in caught.value.problems if problem.key.startswith(key)]
    assert any(words in str(problem) for problem in told), [str(problem) for problem in caught.value.problems]


def test_a_meter_car_without_a_meter_is_told_what_else_there_is(tmp_path):
    root = write_workspace(tmp_path / "my-car")
    (root / "car.toml").write_text(CAR.replace(METER, ""))
    with pytest.raises(WorkspaceError) as caught:
        open_workspace(root)
    assert [problem.key for problem in caught.value.problems] == ["meter"]
    assert 'load_from = "manifold_pressure"' in str(caught.value)


def test_a_revision_with_a_table_reads_back_as_it_was_written(root, tmp_path):
    revision = open_workspace(root).revisions["r01"]
    write_revision(tmp_path / "r01.toml", revision, {"volumetric_efficiency": "As it stands in the ECU."})
    text = (tmp_path / "r01.toml").read_text()
    assert "meter_curve" not in text
    assert "# kPa absolute, rising" in text
    assert read_toml(tmp_path / "r01.toml", Revision, "r01.toml").partial == revision


def test_the_air_of_a_table_is_the_ideal_gas_at_the_stated_charge_temperature(root):
    workspace = open_workspace(root)
    inlet = Inlet(3000.0, 60.0, 20.0, 90.0)
    air = float(table_air_kg_h(workspace.car, workspace.revisions["r01"], inlet))
    weight = np.interp(air, [20, 200], [0.4, 0.15])  # the law, written out; air and temperature rest on one another
    charge = 20.0 + weight * 70.0
    np.testing.assert_allclose(charge_of(workspace.car, inlet, air), charge, rtol=1e-12)
    np.testing.assert_allclose(air, flow_from_efficiency(74.0, 60.0, charge, 3000.0, displacement_l=3.0), rtol=1e-5)


def test_air_that_cannot_be_reckoned_is_not_a_number(root):
    workspace = open_workspace(root)
    air = table_air_kg_h(
        workspace.car, workspace.revisions["r01"], Inlet([0.0, 3000.0, np.nan], [60.0, -5.0, 60.0], 20.0, 90.0)
    )
    assert np.isnan(air).all()


def test_a_table_by_throttle_goes_by_the_atmosphere(root):
    workspace = open_workspace(root)
    car = workspace.car.model_copy(update={"load_from": "throttle"})
    table = {"engine_speed_rpm": [1000, 6000], "throttle_pct": [10, 100], "air_mg": [[150, 120], [500, 520]]}
    first = workspace.revisions["r01"].model_dump() | {"date": datetime.date(2026, 5, 1)}
    first["volumetric_efficiency"] = table | {"charge_c": 20.0, "barometer_kpa": 100.0}
    revision = Revision.model_validate(first)
    at = [float(table_air_kg_h(car, revision, Inlet(1000.0, 100.0, 20.0, 20.0, kpa))) for kpa in (100.0, 80.0)]
    np.testing.assert_allclose(at[0], 500e-6 * 6 * 1000 / 2 * 60, rtol=1e-9)  # mg × cylinders × cycles an hour
    np.testing.assert_allclose(at[1] / at[0], 0.8, rtol=1e-9)
