"""Records of earlier versions open, compare and are shared; what no version here knows is refused with the way out.

tests/data/records holds records as earlier versions wrote them, by hand kept as they are: `first` by the first version
that wrote records, `now` by the one of 25 November 2026. A version that changes results.json adds one and keeps these.
"""

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from plain_workspace import SESSION_NAME, write_workspace

from tunelab import cli
from tunelab.record.beside import BY_PULL, pulls_on_this_revision
from tunelab.record.comparing import compare
from tunelab.record.history import write_shelf
from tunelab.record.opened import open_session
from tunelab.record.share import open_shared, share_records
from tunelab.record.share.join import compare_records
from tunelab.record.stored import RecordError, read_results, stored_records
from tunelab.workspace import open_workspace

KEPT = sorted((Path(__file__).parents[1] / "data" / "records").iterdir())
LATER = "2026-05-04-steady"


@pytest.fixture(params=KEPT, ids=lambda path: path.name)
def old(request, tmp_path):
    """A workspace with an old record of each of two sessions."""
    root = write_workspace(tmp_path / "car")
    shutil.copytree(root / "sessions" / SESSION_NAME, root / "sessions" / LATER)
    for name in (SESSION_NAME, LATER):
        place = Path(shutil.copytree(request.param, root / "records" / name))
        change(place, session=name)
    return root


def change(place, **values):
    path = place / "results.json"
    path.write_text(json.dumps(json.loads(path.read_text("utf-8")) | values), encoding="utf-8")


def test_an_old_record_is_read_with_its_findings(old):
    records, left_out = stored_records(open_workspace(old))
    assert left_out == []
    assert [record.session for record in records] == [SESSION_NAME, LATER]
    (finding,) = records[0].findings
    assert (finding.id, finding.status, finding.confidence) == ("good.answer", "watch", 0.95)
    assert finding.lower < finding.value
    assert "An answer" in write_shelf(old).read_text("utf-8")


def test_old_records_are_compared(old):
    found = compare(old, SESSION_NAME, LATER)
    (difference,) = found.findings
    assert difference.before == difference.after
    assert not difference.told_apart
    assert found.logs  # of the log.nc beside the results


def test_a_workspace_of_the_first_version_opens_and_is_left_as_it_is(old):
    """Its car.toml and revision state none of the tables that came since."""
    before = {path: path.read_bytes() for path in old.rglob("*") if path.is_file()}
    opened = open_workspace(old)
    assert (opened.car.load_from, list(opened.revisions)) == ("air_meter", ["r01"])
    revision = opened.revisions["r01"]
    assert {revision.full_load_fuel, revision.spark, revision.idle_base, revision.volumetric_efficiency} == {None}
    stored_records(opened)
    assert {path: path.read_bytes() for path in old.rglob("*") if path.is_file()} == before


def test_pulls_of_earlier_records_with_the_revision_go_in_with_those_of_a_drive_and_no_others(old):
    """Of an earlier day and the same revision only; a record from before the table was written has none."""
    later = open_session(old / "sessions" / LATER)
    assert pulls_on_this_revision(later) == ()
    for name in (SESSION_NAME, LATER):
        (old / "records" / name / "tables").mkdir(exist_ok=True)
        pd.DataFrame({"stretch": [1], "samples": [len(name)]}).to_csv(
            old / "records" / name / "tables" / f"{BY_PULL}.csv", index=False
        )
        text = (old / "sessions" / name / "session.toml").read_text("utf-8")
        (old / "sessions" / name / "session.toml").write_text(text.replace("2026-05-03", name[:10]), "utf-8")
    (found,) = pulls_on_this_revision(open_session(old / "sessions" / LATER))
    assert found["samples"].tolist() == [len(SESSION_NAME)]
    assert pulls_on_this_revision(open_session(old / "sessions" / SESSION_NAME)) == ()
    change(old / "records" / SESSION_NAME, revision="r00")
    assert pulls_on_this_revision(open_session(old / "sessions" / LATER)) == ()


def test_an_old_record_is_shared_and_opened(old, tmp_path):
    place = old / "records" / SESSION_NAME
    shared = share_records([place], tmp_path / "shared.zip")
    opened = open_shared(shared.path, tmp_path / "theirs")
    compared, differences = compare_records(place, opened.records[0])
    assert compared > 5
    assert differences.empty


def test_a_later_schema_is_refused_by_name_and_the_others_stay_usable(old):
    change(old / "records" / LATER, schema="tunelab-results/7", versions={"tunelab": "9.1.0"})
    with pytest.raises(RecordError) as refused:
        read_results(old / "records" / LATER)
    for part in (f"{LATER}/results.json", "'tunelab-results/7'", "tunelab 9.1.0", "knows tunelab-results/1", "newer"):
        assert part in str(refused.value)
    records, left_out = stored_records(open_workspace(old))
    assert [record.session for record in records] == [SESSION_NAME]
    assert left_out == [str(refused.value)]


def test_the_command_says_what_it_cannot_share(old, tmp_path, capsys):
    change(old / "records" / SESSION_NAME, schema="tunelab-results/7")
    assert cli.main(["share", str(old / "records" / SESSION_NAME), "--out", str(tmp_path / "out.zip")]) == 2
    said = capsys.readouterr().err
    assert "'tunelab-results/7'" in said
    assert "knows tunelab-results/1" in said
    assert list(tmp_path.glob("*.zip*")) == []


REQUIRED = ("session", "step", "revision", "inputs", "settings", "versions", "parameters", "notebooks", "findings",
            "timestamps")  # fmt: skip


@pytest.mark.parametrize("key", REQUIRED)
@pytest.mark.parametrize("value", ["missing", None, [[1]]])
def test_results_that_are_not_whole_are_refused_and_the_key_named(tmp_path, key, value):
    place = Path(shutil.copytree(KEPT[0], tmp_path / "record"))
    path = place / "results.json"
    data = json.loads(path.read_text("utf-8"))
    if value == "missing":
        del data[key]
    else:
        data[key] = value
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(RecordError, match=rf"results\.json: it is not whole: {key}"):
        read_results(place)
