"""The place of a record: whole or not at all, and nothing lost."""

import multiprocessing
import os
import shutil
import time

import pytest
from killed import killed_at_each_step

from tunelab.record import place as held_module
from tunelab.record import place as place_module
from tunelab.record.place import UNFINISHED, folder_beside, put_in_place, require_room


def write_record(place, text):
    with folder_beside(place) as folder:
        (folder / "index.html").write_text(text)
        (folder / "tables").mkdir()
        (folder / "tables" / "a.csv").write_text(text)
        return put_in_place(folder, place)


def test_a_record_comes_into_place_and_nothing_stays_beside_it(tmp_path):
    place = tmp_path / "records" / "2026-05-03-steady"
    assert write_record(place, "one") is None
    assert (place / "index.html").read_text() == "one"
    assert [path.name for path in place.parent.iterdir()] == [place.name]


def test_an_existing_record_is_kept_by_number(tmp_path):
    place = tmp_path / "s"
    kept = [write_record(place, text) for text in ("one", "two", "three")]
    assert kept == [None, tmp_path / "s.1", tmp_path / "s.2"]
    assert [(p / "index.html").read_text() for p in (*kept[1:], place)] == ["one", "two", "three"]


def test_numbers_of_kept_records_are_never_used_again(tmp_path):
    place = tmp_path / "s"
    write_record(place, "one")
    (tmp_path / "s.7").mkdir()
    assert write_record(place, "two") == tmp_path / "s.8"


def test_keeping_works_where_the_system_cannot_exchange_names(tmp_path, monkeypatch):
    monkeypatch.setattr(place_module, "_swap_names", lambda one, other: False)
    place = tmp_path / "s"
    write_record(place, "one")
    assert write_record(place, "two") == tmp_path / "s.1"
    assert (place / "index.html").read_text() == "two"


def test_without_exchange_a_failed_rename_puts_the_old_record_back(tmp_path, monkeypatch):
    place = tmp_path / "s"
    write_record(place, "one")
    monkeypatch.setattr(place_module, "_swap_names", lambda one, other: False)
    real = os.rename
    monkeypatch.setattr(os, "rename", lambda a, b: fail() if UNFINISHED in str(a) else real(a, b))
    with pytest.raises(OSError, match="disk"):
        write_record(place, "two")
    assert (place / "index.html").read_text() == "one"


def fail():
    raise OSError("the disk went away")


def test_an_error_while_writing_leaves_the_old_record(tmp_path):
    place = tmp_path / "s"
    write_record(place, "one")
    with pytest.raises(OSError, match="disk"):
        write_half(place)
    assert (place / "index.html").read_text() == "one"
    assert [path.name for path in tmp_path.iterdir()] == ["s"]


def write_half(place):
    with folder_beside(place) as folder:
        (folder / "index.html").write_text("half")
        fail()


def test_a_file_in_the_place_is_not_overwritten(tmp_path):
    place = tmp_path / "s"
    place.write_text("mine")
    with pytest.raises(FileExistsError, match="is a file"):
        write_record(place, "one")
    assert place.read_text() == "mine"


def test_only_a_record_or_nothing_may_stand_where_a_record_is_to_go(tmp_path):
    """Else `--out` with a session's folder, or the workspace's, pushes raw logs aside under another name."""
    for name in ("free", "empty", "hidden", "record", "owner's"):
        (tmp_path / name).mkdir()
    (tmp_path / "free").rmdir()
    (tmp_path / "hidden" / ".DS_Store").touch()
    (tmp_path / "record" / "results.json").touch()
    (tmp_path / "owner's" / "log1.csv").touch()
    for name in ("free", "empty", "hidden", "record"):
        require_room(tmp_path / name)
    with pytest.raises(FileExistsError, match="holds files and is no record, so nothing is written there"):
        require_room(tmp_path / "owner's")


def test_what_a_crash_left_behind_goes_at_once_and_what_is_being_written_stays(tmp_path):
    place = tmp_path / "s"
    (tmp_path / f"{UNFINISHED}s-left").mkdir()
    with folder_beside(place) as being_written:
        write_record(place, "one")
        assert sorted(path.name for path in tmp_path.iterdir()) == [being_written.name, "s"]


def test_without_holds_what_a_crash_left_behind_goes_after_a_day(tmp_path, monkeypatch):
    monkeypatch.setattr(held_module, "_take", lambda folder, *, waits: None)
    place = tmp_path / "s"
    for name, age in (("old", 2 * 86400), ("young", 60)):
        folder = tmp_path / f"{UNFINISHED}s-{name}"
        folder.mkdir()
        os.utime(folder, (time.time() - age,) * 2)
    write_record(place, "one")
    write_record(place, "two")
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"{UNFINISHED}s-young", "s", "s.1"]


@pytest.mark.parametrize("swaps", [True, False])
def test_killed_at_any_file_operation_nothing_is_lost_and_the_next_run_works(tmp_path, monkeypatch, swaps):
    if not swaps:
        monkeypatch.setattr(place_module, "_swap_names", lambda one, other: False)
    folder, kills = tmp_path / "records", 0
    write_record(folder / "s", "one")
    for _ in killed_at_each_step(lambda: write_record(folder / "s", "two")):
        kills += 1
        seen = {p.name: p for p in folder.iterdir() if not p.name.startswith(".")}
        texts = {name: (p / "index.html").read_text() for name, p in seen.items()}
        assert all((p / "tables" / "a.csv").read_text() == texts[name] for name, p in seen.items())
        assert "one" in texts.values()
        assert not swaps or "s" in texts
        write_record(folder / "s", "three")
        assert (folder / "s" / "index.html").read_text() == "three"
        kept = [p for p in folder.iterdir() if p.name != "s"]
        assert all(p.name.startswith("s.") for p in kept)
        assert "one" in [(p / "index.html").read_text() for p in kept]
        shutil.rmtree(folder)
        write_record(folder / "s", "one")
    assert kills > 10


def test_many_writers_at_once_lose_no_record(tmp_path):
    place = tmp_path / "s"
    context = multiprocessing.get_context("fork")
    writers = [context.Process(target=write_record, args=(place, f"text {n}")) for n in range(8)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert all(writer.exitcode == 0 for writer in writers)
    folders = sorted(tmp_path.iterdir())
    texts = [(folder / "index.html").read_text() for folder in folders]
    assert [folder.name for folder in folders] == ["s", *(f"s.{n}" for n in range(1, 8))]
    assert sorted(texts) == [f"text {n}" for n in range(8)]
    assert all((folder / "tables" / "a.csv").read_text() == text for folder, text in zip(folders, texts, strict=True))
