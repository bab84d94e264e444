"""Written files are read back with tomllib of the standard library, a reader of TOML 1.0 apart from the kit."""

import datetime
import tomllib

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_workspace import CAR, REVISION

from tunelab.workspace import WorkspaceError, write_revision
from tunelab.workspace.car import Car
from tunelab.workspace.check_revision import check_revision
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml
from tunelab.workspace.write import revision_text, tidy_number

HOSTILE = 'quote " backslash \\ bracket ] # = \n[limits]\n\t\x00\x1f\x7f é λ \u2028 """ \'\'\''


def revision(**changes):
    return Revision.model_validate(tomllib.loads(REVISION) | changes)


def test_a_revision_reads_back_as_it_was(tmp_path):
    meant = revision(notes=HOSTILE, based_on="r00")
    write_revision(tmp_path / "proposal.toml", meant, {"": "head\nof two lines", "meter_curve.flow_kg_h": "changed"})
    reading = read_toml(tmp_path / "proposal.toml", Revision, "proposal.toml")
    assert reading.problems == ()
    assert reading.partial == meant
    assert [path.name for path in tmp_path.iterdir()] == ["proposal.toml"]


def test_what_was_also_changed_reads_back_and_an_empty_list_is_not_a_missing_one(tmp_path):
    also = ["boost", {"kind": "spark", "where": "full load", "what": HOSTILE}]
    for said in (also, [], None):
        meant = revision(also_changed=said)
        write_revision(tmp_path / "r01.toml", meant, {})
        assert read_toml(tmp_path / "r01.toml", Revision, "r01.toml").partial == meant
    assert [change.words for change in revision(also_changed=[*also[:1], "fuel"]).also_changed] == ["boost", "fuel"]
    assert revision(also_changed=[also[1] | {"what": "4 out"}]).also_changed[0].words == "spark at full load (4 out)"


def test_dust_of_binary_arithmetic_is_not_written():
    curve = {"meter_v": [0.1 + 0.2, 0.7], "flow_kg_h": [1.1 * 3, 2e-7]}
    text = revision_text(revision(meter_curve=curve), {})
    assert "meter_v = [0.3, 0.7]" in text
    assert "flow_kg_h = [3.3, 2e-07]" in text
    assert tidy_number(310) == "310.0"


def test_the_same_revision_gives_the_same_bytes(tmp_path):
    for name in ("a.toml", "b.toml"):
        write_revision(tmp_path / name, revision(), {"dead_time": "in one go with the curve"})
    assert (tmp_path / "a.toml").read_bytes() == (tmp_path / "b.toml").read_bytes()


def test_a_revision_that_would_not_read_back_is_refused_and_the_old_file_stays(tmp_path):
    path = tmp_path / "r01.toml"
    path.write_text("old", encoding="utf-8")
    curve = {"meter_v": [1.0, 1.0 + 1e-13], "flow_kg_h": [1.0, 2.0]}
    with pytest.raises(WorkspaceError, match="1 after 1"):
        write_revision(path, revision(meter_curve=curve), {})
    assert path.read_text(encoding="utf-8") == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["r01.toml"]


def test_a_comment_for_an_unknown_key_is_refused(tmp_path):
    with pytest.raises(ValueError, match=r"'meter_curve\.flow'"):
        write_revision(tmp_path / "r01.toml", revision(), {"meter_curve.flow": "x"})


def test_a_comment_cannot_become_content():
    text = revision_text(revision(), {"": "one\rname = 3\x0b[limits]\x85x = 1\u2028y = 2\n\nend"})
    assert tomllib.loads(text)["name"] == "r01"
    assert set(tomllib.loads(text)) == set(tomllib.loads(REVISION)) | {"notes"}


@settings(max_examples=60, deadline=None)
@given(
    notes=st.text(max_size=60),
    comment=st.text(max_size=60),
    flows=st.lists(st.floats(min_value=0, max_value=5000), min_size=2, max_size=40),
    date=st.dates(min_value=datetime.date(1950, 1, 1)),
)
def test_any_revision_survives_the_file(tmp_path_factory, notes, comment, flows, date):
    curve = {"meter_v": [float(n) for n in range(len(flows))], "flow_kg_h": sorted(flows)}
    meant = revision(notes=notes, date=date, meter_curve=curve)
    path = tmp_path_factory.mktemp("revision") / "r01.toml"
    write_revision(path, meant, {"meter_curve": comment})
    read = read_toml(path, Revision, path.name).partial
    assert read.notes == notes
    assert read.meter_curve.flow_kg_h == pytest.approx(sorted(flows), rel=1e-9, abs=0)


SPARK = {"engine_speed_rpm": [2000.0, 4000.0, 6000.0], "load_pct": [40.0, 90.0],
         "spark_deg": [[28.0, 34.0, 36.0], [14.0, 20.0, 22.5]]}  # fmt: skip
FUEL = {"engine_speed_rpm": [2000.0, 4500.0], "commanded_lambda": [0.88, 0.86], "target_lambda": [0.88, 0.87]}
CELLS = [{"engine_speed_from_rpm": 4000.0, "engine_speed_to_rpm": 4500.0, "load_from_pct": 80.0, "load_to_pct": 90.0,
          "retreat_deg": 3.5}]  # fmt: skip


BASE = {"coolant_c": [0.0, 80.0], "actuator_pct": [45.0, 30.0]}
TARGET = {"coolant_c": [0.0, 80.0], "target_rpm": [1100.0, 850.0]}
TIP_IN = {"coolant_c": [20.0, 80.0], "engine_speed_rpm": [1500.0, 3500.0], "amount": [[60.0, 40.0], [40.0, 25.0]]}
FILM = {"coolant_c": [80.0], "engine_speed_rpm": [2000.0], "film_share": [[0.2]], "film_time_s": [[0.3]]}
CUT = {"entry_rpm": 2000.0, "return_rpm": 1500.0}


@pytest.mark.parametrize("more", [
    {"idle_base": BASE, "idle_target": TARGET, "idle_return": {"decay_s": 1.5}, "acceleration_fuel": TIP_IN,
     "fuel_cut": CUT},
    {"idle_base": {"coolant_c": [80.0], "air_kg_h": [9.5]}, "acceleration_fuel": FILM},
    {"spark": SPARK, "full_load_fuel": FUEL}, {"spark_retreat": CELLS, "based_on": "r00"},
    {"full_load_fuel": {"engine_speed_rpm": [3000.0], "fuel_factor": [1.04]}},
])  # fmt: skip
def test_optional_tables_read_back_as_they_were(tmp_path, more):
    meant = revision(**more)
    write_revision(tmp_path / "r01.toml", meant, {key: "what a person is told" for key in more if key != "based_on"})
    assert read_toml(tmp_path / "r01.toml", Revision, "r01.toml").partial == meant
    assert tomllib.loads((tmp_path / "r01.toml").read_text(encoding="utf-8")).keys() >= more.keys()


@pytest.mark.parametrize(("more", "told"), [
    ({"full_load_fuel": FUEL | {"target_lambda": [0.88, 0.93]}}, "at most the owner's limit of 0.9"),
    ({"full_load_fuel": FUEL | {"commanded_lambda": [0.88]}}, "one value for every breakpoint"),
    ({"full_load_fuel": FUEL | {"fuel_factor": [1.0, 1.0]}}, "exactly one of the two"),
    ({"full_load_fuel": FUEL | {"engine_speed_rpm": [4500.0, 2000.0]}}, "2000 after 4500"),
    ({"spark": SPARK | {"spark_deg": [[28.0, 34.0, 36.0]]}}, "one row of advance for each load"),
    ({"spark": SPARK | {"spark_deg": [[28.0, 34.0], [1.0, 2.0, 3.0]]}}, "one value for each engine speed"),
    ({"spark": SPARK | {"manifold_kpa": [40.0, 90.0]}}, "exactly one list of loads"),
    ({"spark": SPARK | {"load_pct": [90.0, 40.0]}}, "40 after 90"),
    ({"spark_retreat": CELLS}, "retreat without based_on"),
    ({"spark_retreat": CELLS, "based_on": "r00", "spark": SPARK}, "leave out spark_retreat"),
    ({"spark_retreat": [CELLS[0] | {"load_to_pct": 70.0}], "based_on": "r00"}, "more than load_from_pct"),
    ({"idle_base": BASE | {"air_kg_h": [9.0, 8.0]}}, "exactly one of the two"),
    ({"idle_base": BASE | {"actuator_pct": [45.0]}}, "one value for every breakpoint"),
    ({"idle_base": BASE | {"coolant_c": [80.0, 0.0]}}, "0 after 80"),
    ({"idle_base": BASE | {"actuator_pct": [45.0, 130.0]}}, "100"),
    ({"idle_target": TARGET | {"target_rpm": [1100.0, 790.0]}}, "at least the owner's limit of 800"),
    ({"idle_target": TARGET | {"target_rpm": [1300.0, 850.0]}}, "at most the owner's limit of 1200"),
    ({"acceleration_fuel": TIP_IN | {"film_share": [[0.2, 0.2], [0.2, 0.2]]}}, "one law"),
    ({"acceleration_fuel": {"coolant_c": [80.0], "engine_speed_rpm": [2000.0], "film_share": [[0.2]]}}, "one law"),
    ({"acceleration_fuel": TIP_IN | {"amount": [[60.0, 40.0]]}}, "one value for every breakpoint"),
    ({"acceleration_fuel": TIP_IN | {"amount": [[60.0], [40.0, 25.0]]}}, "one value for each engine speed"),
    ({"fuel_cut": {"entry_rpm": 1500.0, "return_rpm": 1500.0}}, "less than entry_rpm"),
    ({"fuel_cut": {"entry_rpm": 9000.0, "return_rpm": 1500.0}}, "at most the rev limit"),
])  # fmt: skip
def test_optional_tables_that_cannot_be_are_named_with_the_way_out(tmp_path, more, told):
    (tmp_path / "r01.toml").write_text(tomlkit.dumps(tomllib.loads(REVISION) | more), encoding="utf-8")
    reading = read_toml(tmp_path / "r01.toml", Revision, "r01.toml")
    car = tomllib.loads(CAR)
    car["limits"] |= {"idle_target_min_rpm": 800, "idle_target_max_rpm": 1200}
    car = Car.model_validate(car)
    assert told in "\n".join(str(problem) for problem in (*reading.problems, *check_revision(reading, car)))
