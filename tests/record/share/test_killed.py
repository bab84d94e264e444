"""`open` and `share` killed at their file operations: nothing half there, and the next run finishes the work."""

import shutil

import pytest
from killed import killed_at_each_step

from tunelab.record.share import open_shared, share_records
from tunelab.record.share.unpack import unpack
from tunelab.workspace import open_workspace

NAME = "2026-05-03-removed-place-1"
MOVES = frozenset(("os.rename", "os.rmdir", "shutil.copytree", "shutil.rmtree"))  # where what can be seen changes


def visible(folder):
    return sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))


def whole(root):
    """A workspace as it should be once it is opened."""
    workspace = open_workspace(root)
    assert list(workspace.sessions) == [NAME]
    assert all(file.is_file() for file in workspace.sessions[NAME].files)
    assert (root / "records" / NAME / "ro-crate-metadata.json").is_file()
    assert (root / "answers" / NAME / "answer.toml").is_file()
    hidden = [path for path in root.rglob(".*") if path.name.startswith(".")]
    assert hidden == []


def test_opening_into_a_new_folder(shared, tmp_path):
    root, kills = tmp_path / "theirs", 0
    for _ in killed_at_each_step(lambda: open_shared(shared.path, root), MOVES):
        kills += 1
        if root.exists():
            whole(root)
        open_shared(shared.path, root)
        whole(root)
        assert visible(tmp_path) == ["theirs"]
        shutil.rmtree(root)
    assert kills >= 2


@pytest.fixture
def emptied(shared, tmp_path):
    """A workspace of the same car that lacks revision, session, record and answer."""
    root = open_shared(shared.path, tmp_path / "kept").root
    for folder in ("sessions", "records"):
        shutil.rmtree(root / folder)
    return root


def test_opening_into_a_workspace(shared, emptied, tmp_path):
    kills = 0
    root = tmp_path / "theirs"
    shutil.copytree(emptied, root)
    for _ in killed_at_each_step(lambda: open_shared(shared.path, root), MOVES):
        kills += 1
        open_workspace(root)  # whatever is there can be used
        records = root / "records"
        assert not records.is_dir() or all((records / name / "index.html").is_file() for name in visible(records))
        again = open_shared(shared.path, root)
        assert again.records == (root / "records" / NAME,)  # it waits to be run again, whenever the kill was
        whole(root)
        shutil.rmtree(root)
        shutil.copytree(emptied, root)
    assert kills >= 4


def test_sharing(record, tmp_path):
    target, kills = tmp_path / "out" / "shared.zip", 0
    for _ in killed_at_each_step(lambda: share_records([record], target), MOVES):
        kills += 1
        assert not target.exists() or is_whole(target, tmp_path / "unpacked")
        target.unlink(missing_ok=True)
        share_records([record], target)
        assert is_whole(target, tmp_path / "unpacked")
        assert [path.name for path in target.parent.iterdir()] == ["shared.zip"]
        target.unlink()
    assert kills >= 2


def is_whole(target, folder):
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    unpack(target, folder)
    return True


def test_two_at_once_into_one_new_folder_give_one_whole_workspace(shared, tmp_path, monkeypatch):
    """The other one comes to its end just before this one puts its folder in place."""
    from tunelab.record.share import join

    real, root = join.put_in_free_place, tmp_path / "theirs"

    def late(whole, place):
        if place == root and not root.exists():
            monkeypatch.setattr(join, "put_in_free_place", real)
            open_shared(shared.path, root)
        return real(whole, place)

    monkeypatch.setattr(join, "put_in_free_place", late)
    assert open_shared(shared.path, root).records == (root / "records" / NAME,)
    whole(root)


def test_a_record_made_anew_while_it_is_shared_is_not_mixed(record, tmp_path, monkeypatch):
    from tunelab.record.place import folder_beside, put_in_place
    from tunelab.record.share import ShareError, pack

    home = tmp_path / "home"
    shutil.copytree(record.parents[1], home)
    place = home / "records" / record.name
    real = pack.clean_page

    def record_meanwhile(*arguments):
        if not place.with_name(f"{place.name}.1").exists():
            with folder_beside(place) as folder:
                put_in_place(shutil.copytree(place, folder / "new"), place)
        return real(*arguments)

    monkeypatch.setitem(pack.CLEANERS, ".html", record_meanwhile)
    with pytest.raises(ShareError, match="recorded anew meanwhile"):
        share_records([place], tmp_path / "out.zip")
    assert not list(tmp_path.glob("*.zip"))
    share_records([place], tmp_path / "out.zip")
