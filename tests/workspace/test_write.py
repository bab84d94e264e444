"""Written files are read back with tomllib of the standard library, a reader of TOML 1.0 apart from the kit."""

import datetime
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_workspace import REVISION

from tunelab.workspace import WorkspaceError, write_revision
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
    date=st.dates(min_value=datetime.date(1000, 1, 1)),
)
def test_any_revision_survives_the_file(tmp_path_factory, notes, comment, flows, date):
    curve = {"meter_v": [float(n) for n in range(len(flows))], "flow_kg_h": sorted(flows)}
    meant = revision(notes=notes, date=date, meter_curve=curve)
    path = tmp_path_factory.mktemp("revision") / "r01.toml"
    write_revision(path, meant, {"meter_curve": comment})
    read = read_toml(path, Revision, path.name).partial
    assert read.notes == notes
    assert read.meter_curve.flow_kg_h == pytest.approx(sorted(flows), rel=1e-9, abs=0)
