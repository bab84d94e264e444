"""A record to give away: nothing private in any byte of it, whole by its own account, the same each time."""

import gzip
import io
import json
import os
import re
import shutil
import zipfile

import pandas as pd
import polars as pl
import pytest
import xarray as xr
from shared_record import RAW, SECRETS, SESSION, VIN, everything_in, private_workspace

from tunelab.log.store import read_log, write_log
from tunelab.record.page import pack as pack_text
from tunelab.record.place import folder_beside, write_whole
from tunelab.record.share import ShareError, Wanted, share_records
from tunelab.record.share.clean_text import clean_toml
from tunelab.record.share.kinds import KINDS
from tunelab.record.share.private import Scrubber, rules_for
from tunelab.record.share.proof import LeakError, require_clean
from tunelab.workspace import open_workspace
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml
from tunelab.workspace.write import write_revision


def names(path):
    with zipfile.ZipFile(path) as archive:
        return archive.namelist()


def read(shared, ending):
    with zipfile.ZipFile(shared.path) as archive:
        (name,) = [name for name in archive.namelist() if name.endswith(ending)]
        return archive.read(name)


def test_the_secrets_are_in_the_record_before(record):
    texts = "".join(
        path.read_text("utf-8") for path in record.rglob("*") if path.suffix in (".html", ".ipynb", ".json")
    )
    for secret in ("kestrel hollow", VIN.casefold(), "/home/marit", "61.23"):
        assert secret in texts.casefold()


def test_no_secret_is_in_any_byte_of_the_zip(shared):
    looked = 0
    for name, text in everything_in(shared.path):
        looked += len(text)
        for secret in SECRETS:
            if name == "raw bytes" and len(secret) < 7:
                continue  # five bytes of a compressed stream may look like anything
            assert secret not in text.casefold(), f"{secret} in {name}"
    assert looked > 500_000


def test_a_page_at_the_top_leads_to_the_records_and_they_back_to_it(shared, tmp_path):
    with zipfile.ZipFile(shared.path) as archive:
        archive.extractall(tmp_path)
    first = tmp_path / "index.html"
    (down,) = re.findall(r'<h3><a href="([^"]+)"', first.read_text("utf-8"))
    page = tmp_path / down
    (up,) = re.findall(r'<nav class="among[^>]*><a rel="up" href="([^"]+)"', page.read_text("utf-8"))
    assert (page.parent / up).resolve() == first.resolve()


def test_positions_are_out_of_the_log_and_height_counts_from_the_start(shared, tmp_path):
    (tmp_path / "log.nc").write_bytes(read(shared, "log.nc"))
    log = read_log(tmp_path / "log.nc")
    assert "latitude_deg" not in log
    assert "longitude_deg" not in log
    assert float(log["altitude_m"][0]) == 0.0
    assert float(log["altitude_m"][-1]) == pytest.approx(6.0, abs=0.15)
    assert log.sizes["time"] == 600


def test_a_turn_of_the_car_goes_along_in_place_of_positions(shared):
    text = read(shared, "session.toml").decode()
    assert text.startswith("turned_at_s = [")
    moment = float(text.partition("[")[2].partition("]")[0])
    assert moment == pytest.approx(300 * 0.04, abs=1.5)
    assert 'place = ""' in text


def test_the_raw_log_goes_along_emptied_where_it_must_be(shared):
    lines = read(shared, "removed-place-1_1.csv").decode().splitlines()
    assert len(lines) == 602
    cells = lines[2].split(",")
    assert cells[:2] == ["0.00", "1500"]
    assert cells[5:9] == ["", "", "", ""]


def test_what_is_not_private_stays(shared, record):
    before = json.loads((record / "results.json").read_text("utf-8"))
    after = json.loads(read(shared, "results.json"))
    for one, other in zip(before["findings"], after["findings"], strict=True):
        assert {k: v for k, v in one.items() if k != "because"} == {k: v for k, v in other.items() if k != "because"}
    assert after["inputs"][0]["sha256"] == before["inputs"][0]["sha256"]
    table = pd.read_csv(pd.io.common.BytesIO(read(shared, "tables/t.csv")))
    assert list(table.columns) == ["where", "value"]
    assert "Marit Oldskar" in read(shared, "session.toml").decode()


def test_the_list_of_what_was_removed_goes_along(shared):
    table = pd.read_csv(pd.io.common.BytesIO(read(shared, "removed.csv")))
    assert set(table["kind"]) == {"place", "position", "path", "vin"}
    assert set(table.columns) == {"kind", "instead", "file", "times"}
    assert shared.originals["removed-place-1"].casefold().startswith("kestrel")


def test_every_file_is_described_with_its_hash(shared, tmp_path):
    from rocrate.rocrate import ROCrate

    with zipfile.ZipFile(shared.path) as archive:
        archive.extractall(tmp_path)
    crate = ROCrate(tmp_path)
    described = {entity.id: entity for entity in crate.data_entities}
    assert set(described) == set(names(shared.path)) - {"ro-crate-metadata.json"}
    assert all(len(entity["sha256"]) == 64 for entity in described.values())


def test_the_same_records_give_the_same_zip(shared, record, tmp_path):
    again = share_records([record], tmp_path / "again.zip", Wanted(raw=True))
    with zipfile.ZipFile(shared.path) as one, zipfile.ZipFile(again.path) as other:
        assert one.namelist() == other.namelist()
        differing = [n for n in one.namelist() if one.read(n) != other.read(n)]
    assert not [name for name in differing if not name.endswith((".nc", "ro-crate-metadata.json"))]


def test_the_owner_can_keep_the_place(record, tmp_path):
    kept = share_records([record], tmp_path / "kept.zip", Wanted(keep_place=True, raw=True))
    texts = [text for _, text in everything_in(kept.path)]
    assert f"sessions/{SESSION}/raw/{RAW}" in names(kept.path)
    assert any("61.23456" in text for text in texts)
    assert not any(VIN in text for text in texts)


def test_names_of_people_can_go_too(record, tmp_path):
    hidden = share_records([record], tmp_path / "hidden.zip", Wanted(hide_names=True))
    assert not any("oldskar" in text.casefold() for _, text in everything_in(hidden.path))


def test_every_table_of_a_revision_goes_along_unchanged(record, tmp_path):
    car = shutil.copytree(record.parents[1], tmp_path / "car")
    own = open_workspace(car).revisions["r01"]
    cells = {"coolant_c": [20.0, 86.25], "engine_speed_rpm": [1500.0, 3250.5]}
    stated = Revision.model_validate(own.model_dump() | {
        "idle_base": {"coolant_c": [-10.0, 44.5], "actuator_pct": [44.51, 30.12]},
        "idle_target": {"coolant_c": [20.0, 80.0], "target_rpm": [1100.0, 850.0]},
        "idle_return": {"decay_s": 1.5, "extra_pct": 8.0}, "fuel_cut": {"entry_rpm": 2000.0, "return_rpm": 1500.0},
        "acceleration_fuel": cells | {"amount": [[61.235, 44.123], [40.0, 25.0]]},
    })  # fmt: skip
    write_revision(car / "revisions" / "r01.toml", stated, {})
    sent = share_records([car / "records" / SESSION], tmp_path / "tables.zip")
    (tmp_path / "read.toml").write_bytes(read(sent, "revisions/r01.toml"))
    came = read_toml(tmp_path / "read.toml", Revision, "r01.toml").partial
    tables = {key for key, value in stated.model_dump().items() if isinstance(value, dict)}
    assert tables >= {"idle_base", "idle_target", "idle_return", "acceleration_fuel", "fuel_cut"}
    assert {key: getattr(came, key) for key in tables} == {key: getattr(stated, key) for key in tables}


def test_who_entered_a_revision_and_who_answered_goes_with_the_names(record, tmp_path):
    car = shutil.copytree(record.parents[1], tmp_path / "car")
    revision = car / "revisions" / "r01.toml"
    revision.write_text('entered_by = "Torvald Brekke"\n' + revision.read_text("utf-8"), "utf-8")
    answer = car / "answers" / "one"
    answer.mkdir(parents=True)
    lines = [f'record = "{SESSION}"', 'author = "May Li"  # of the club', "date = 2026-05-04"]
    lines += ["[[note]]", 'finding = ""', 'text = "as May said in May; ring Li.\\n+44 1632 960123"']
    (answer / "answer.toml").write_text("\n".join(lines), "utf-8")
    texts = "".join(t for _, t in everything_in(share_records([car / "records" / SESSION], tmp_path / "a.zip").path))
    assert "Torvald Brekke" in texts
    assert "960123" not in texts
    hidden = share_records([car / "records" / SESSION], tmp_path / "b.zip", Wanted(hide_names=True))
    kept = dict(reversed([pair for pair in everything_in(hidden.path) if pair[0].endswith(".toml")]))  # as UTF-8
    assert 'author = "removed-name-' in kept["answers/one/answer.toml"]
    assert not [name for name, text in kept.items() if "brekke" in text.casefold() or "May" in text or " Li" in text]


def test_a_name_that_no_text_may_lose_goes_where_a_key_says_that_it_is_one():
    scrubber = Scrubber(rules_for([], ["steady"], [], []), hides_names=True)
    text = 'driver = "steady"  # steady\nentered_by = ""\n[[exclude]]\nauthor = \'steady\'\nreason = "not steady"\n'
    cleaned = clean_toml(text, scrubber, "a.toml")
    assert cleaned.count("removed-name-1") == 2
    assert 'entered_by = ""' in cleaned
    assert 'reason = "not steady"' in cleaned


PHONE = "ring +44 1632 960123"


def planted(name):
    """A member of a zip, of each kind, with a telephone number in it where a person would come to read it."""
    page = f"<!doctype html><p title='x'>{PHONE}</p>"
    figure = pack_text(json.dumps({"title": PHONE, "data": {"type": "bytes", "data": "AAAA"}}))
    tree = json.dumps({"a": [{"b": json.dumps({PHONE: 1})}]})
    parquet, netcdf = io.BytesIO(), xr.Dataset({"a": ("time", [1.0], {"comment": PHONE})}).to_netcdf(engine="h5netcdf")
    pl.DataFrame({PHONE: [1.0]}).write_parquet(parquet)
    members = {
        "a.html": page.encode(),
        "b.html": f'<script type="application/gzip" data-figure="1">{figure}</script>'.encode(),
        "c.html": f"<p>fine</p><a href='{PHONE}'>x</a>".encode(),
        "a.ipynb": tree.encode(),
        "a.json": tree.encode(),
        "a.toml": b'notes = "ring\\u0020+44 1632\\u0020960123"',
        "a.csv": f'x,note\n1,"a, {PHONE}"\n'.encode(),
        "sessions/s/raw/a.txt": f"# {PHONE}\ntime;v\n0;1\n1;2\n".encode("utf-16"),
        "sessions/s/raw/a.csv.gz": gzip.compress(f"time;v\n0;{PHONE}\n1;2\n".encode()),
        "a.parquet": parquet.getvalue(),
        "log.nc": bytes(netcdf),
        f"{PHONE}.csv": b"x\n1\n",
    }
    return members if name is None else members[name]


@pytest.mark.parametrize("name", planted(None))
def test_the_last_look_finds_what_is_left_in_any_member(name, tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(name, planted(name))
    with pytest.raises(LeakError, match=re.escape(name) + ": phone"):
        require_clean(tmp_path / "a.zip", KINDS)
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        archive.writestr("a.csv", 'x,note\n1.2345,"5.4321"\n2.5,half\n')
    require_clean(tmp_path / "b.zip", KINDS)


def test_the_umask_holds_for_every_file(shared, record, tmp_path):
    before = os.umask(0o077)
    try:
        target = share_records([record], tmp_path / "closed.zip").path
        folder = tmp_path / "record"
        with folder_beside(folder) as beside:
            write_whole(beside / "page.html", "x")
            write_log(read_log(record / "log.nc"), beside / "log.nc")
            write_revision(beside / "r01.toml", open_workspace(record.parents[1]).revisions["r01"], {})
            modes = {path.name: path.stat().st_mode & 0o777 for path in (beside, *beside.iterdir(), target)}
    finally:
        os.umask(before)
    assert modes.pop(next(name for name in modes if name.startswith(".unfinished"))) == 0o700
    assert modes == {"page.html": 0o600, "log.nc": 0o600, "r01.toml": 0o600, "closed.zip": 0o600}
    assert shared.path.stat().st_mode & 0o777 == 0o666 & ~before


def test_nothing_is_shared_when_something_would_be_left(record, tmp_path):
    stray = record / "tables" / "stray.csv"
    stray.write_bytes(b"x\n" + "at Kestrel Hollow".encode("utf-16-le"))
    try:
        with pytest.raises((LeakError, ShareError)):
            share_records([record], tmp_path / "leak.zip")
    finally:
        stray.unlink()
    assert not (tmp_path / "leak.zip").exists()


def test_a_file_of_an_unknown_kind_or_a_link_is_not_shared(record, tmp_path):
    for make in (lambda p: p.write_bytes(b"PK"), lambda p: p.symlink_to("/etc/hostname")):
        stray = record / "stray.bin"
        make(stray)
        try:
            with pytest.raises(ShareError, match=r"stray\.bin"):
                share_records([record], tmp_path / "x.zip")
        finally:
            stray.unlink()


def test_an_existing_zip_and_a_folder_that_is_no_record_are_refused(record, tmp_path):
    (tmp_path / "there.zip").write_bytes(b"mine")
    with pytest.raises(ShareError, match="stays as it is"):
        share_records([record], tmp_path / "there.zip")
    assert (tmp_path / "there.zip").read_bytes() == b"mine"
    with pytest.raises(ValueError, match=r"no results\.json"):
        share_records([private_workspace(tmp_path / "other") / "sessions" / SESSION], tmp_path / "y.zip")
