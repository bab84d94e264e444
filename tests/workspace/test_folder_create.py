"""The expectations are the project's own contract for a new workspace; there is no outside source."""

import errno
import re
import shutil
from pathlib import Path

import pytest
from killed import killed_at_each_step
from plain_workspace import CAR, REVISION, SESSION, SESSION_NAME

from tunelab.cli import main
from tunelab.workspace import WorkspaceError, create_workspace, open_workspace


def test_a_new_workspace_lists_what_is_still_to_fill_in(tmp_path):
    paths = create_workspace(tmp_path / "my-car")
    marks = sum(len(re.findall(r'^[^#\n]*= "fill in"', path.read_text(encoding="utf-8"), re.M)) for path in paths)
    with pytest.raises(WorkspaceError) as caught:
        open_workspace(tmp_path / "my-car")
    blanks = [problem for problem in caught.value.problems if problem.found == "a placeholder"]
    others = [problem for problem in caught.value.problems if problem not in blanks]
    assert len(blanks) == marks > 40
    assert ["rename the folder" in problem.way_out for problem in others] == [True]
    assert f"{marks} values still to fill in" in str(caught.value)
    assert "car.toml, line 10: engine.displacement_l: a number above 0 and at most 30 [l]" in str(caught.value)


def test_no_number_in_a_template_is_made_up(tmp_path):
    """Every number that only an owner can know is a placeholder: nothing is set but words and switches."""
    for path in create_workspace(tmp_path):
        for line in path.read_text(encoding="utf-8").splitlines():
            assert not re.match(r"\s*\w+\s*=\s*\[?-?[\d.]", line), line


def test_beside_each_number_to_fill_in_stands_what_is_usual_or_what_it_depends_on(tmp_path):
    create_workspace(tmp_path)
    for name in ("car.toml", "revisions/r01.toml"):
        for line in (tmp_path / name).read_text(encoding="utf-8").splitlines():
            if re.match(r'\w+_(l|rpm|kpa|pct|deg|c|v|s|ms|g_min|kg_h|kg_l|s_kg_h|low|high) = "fill in"', line):
                assert re.search(r"usually|of car\.toml|the law", line), line
                assert len(line) <= 120, line


def test_a_filled_workspace_opens(tmp_path):
    create_workspace(tmp_path)
    (tmp_path / "sessions" / "YYYY-MM-DD-steady").rename(tmp_path / "sessions" / SESSION_NAME)
    for name, source in (("car.toml", CAR), ("revisions/r01.toml", REVISION)):
        fill(tmp_path / name, source)
    fill(tmp_path / "sessions" / SESSION_NAME / "session.toml", SESSION)
    workspace = open_workspace(tmp_path)
    assert workspace.car.limits.rev_limit_rpm == 7000
    assert workspace.sessions[SESSION_NAME].files == ()


def test_every_optional_key_of_a_template_is_one_that_the_model_knows(tmp_path):
    """With its comment marks taken off, a template has no unknown key."""
    for path in create_workspace(tmp_path):
        text = path.read_text(encoding="utf-8")
        text = re.sub(r"^# (\[+\w+\]+)$", r"\1", text, flags=re.M)
        text = re.sub(r"^# (\w+) =( [^#\n]*)?(#.*)?$", r'\1 = "fill in"', text, flags=re.M)
        path.write_text(text, encoding="utf-8")
    with pytest.raises(WorkspaceError) as caught:
        open_workspace(tmp_path)
    unknown = [problem for problem in caught.value.problems if "unknown" in problem.found]
    assert unknown == []


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "revisions").mkdir()
    with pytest.raises(WorkspaceError, match="already there"):
        create_workspace(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["revisions"]
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(WorkspaceError, match="a file"):
        create_workspace(tmp_path / "file")


def test_the_command_writes_and_refuses(tmp_path, capsys):
    arguments = ["new", str(tmp_path / "car")]
    assert main(arguments) == 0
    assert "car.toml" in capsys.readouterr().out
    assert main(arguments) == 2
    assert "already there" in capsys.readouterr().err


def fill(path, source):
    """Put the values of a valid file where the placeholders stand, key by key within their tables."""
    values, table = {}, ""
    for line in source.splitlines():
        table = line if line.startswith("[") else table
        if "=" in line:
            values[table, line.split("=")[0].strip()] = line.split("=", 1)[1].strip()
    lines, table = [], ""
    for line in path.read_text(encoding="utf-8").splitlines():
        table = line if line.startswith("[") else table
        key = (table, line.split("=")[0].strip())
        lines.append(
            line.replace('"fill in"', values[key], 1) if line.strip()[:1] not in ("#", "") and key in values else line
        )
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def test_a_new_that_was_killed_is_brought_to_its_end_by_the_next(tmp_path):
    kills = 0
    root = tmp_path / "my-car"
    for _ in killed_at_each_step(lambda: create_workspace(root)):
        kills += 1
        create_workspace(root)
        assert_whole(root)
        shutil.rmtree(root)
    assert kills > 8


def assert_whole(root):
    assert sorted(path.name for path in root.iterdir()) == ["car.toml", "channels.toml", "revisions", "sessions"]
    with pytest.raises(WorkspaceError) as caught:
        open_workspace(root)
    found = {problem.found for problem in caught.value.problems}
    assert found == {"a placeholder", "the folder name 'YYYY-MM-DD-steady'"}


def test_a_killed_new_takes_nothing_of_the_owners(tmp_path):
    """Whatever the owner puts there between a kill and the next run stays as it is, and is named."""
    for name in ("car.toml", "revisions"):
        for step in killed_at_each_step(lambda root=tmp_path / name: create_workspace(root)):
            root = tmp_path / name
            root.mkdir(exist_ok=True)
            mine = root / name
            if not mine.exists():
                mine.mkdir() if name == "revisions" else mine.write_text("mine")
                with pytest.raises(WorkspaceError, match="already there"):
                    create_workspace(root)
                assert mine.is_dir() if name == "revisions" else mine.read_text() == "mine"
            shutil.rmtree(root)
            assert step < 100


@pytest.mark.parametrize("is_there", [True, False])
def test_a_disk_that_is_full_half_way_leaves_all_as_it_was(tmp_path, monkeypatch, is_there):
    root = tmp_path / "my-car"
    if is_there:
        root.mkdir()
        (root / "mine.txt").write_text("mine", encoding="utf-8")
    real, written = Path.write_bytes, []

    def full(path, data):
        written.append(path)
        if len(written) == 3:
            raise OSError(errno.ENOSPC, "No space left on device", str(path))
        return real(path, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OSError, match="No space"):
        create_workspace(root)
    assert [path.name for path in tmp_path.rglob("*")] == (["my-car", "mine.txt"] if is_there else [])
    assert len(create_workspace(root)) == 4
