"""Files put into place on any system: what Windows does otherwise is emulated by `as_windows`, and not run there."""

import ast
import errno
import itertools
import os
import shutil
from pathlib import Path

import pytest
from as_windows import as_windows
from plain_workspace import SESSION_NAME, write_workspace

import tunelab
from tunelab.cli import main
from tunelab.log.read import ReadError, read_raw
from tunelab.record import place as place_module
from tunelab.record.driven import KEPT
from tunelab.record.opened import open_session
from tunelab.record.place import write_whole
from tunelab.record.session import record_session
from tunelab.record.share import Wanted, open_shared, share_records
from tunelab.workspace import ChannelMap, disk
from tunelab.workspace.disk import flush, rename, replace_file, say_error
from tunelab.workspace.toml_file import read_toml

KIT = str(Path(tunelab.__file__).parent)
LOG = "Time (s);Engine Speed (rpm);MAF Voltage (V);Lambda;Coolant (°C);Battery (V)\n" + "".join(
    f"{k / 10:.1f};{2000 + 9 * (k % 50)};{2 + 0.01 * (k % 40):.2f};{0.98 + 0.001 * (k % 30):.3f};{85 + k % 5};13.8\n"
    for k in range(600)
)


@pytest.fixture
def windows(monkeypatch):
    monkeypatch.setattr(place_module, "_swap_names", lambda one, other: False)  # no exchange in one step there
    with as_windows(KIT):
        yield


@pytest.fixture
def session(tmp_path):
    root = write_workspace(tmp_path / "my-car")
    (root / "sessions" / SESSION_NAME / "log1.csv").write_text(LOG, encoding="utf-8", newline="\r\n")
    return root / "sessions" / SESSION_NAME


def test_a_session_is_recorded_shared_and_opened_where_no_folder_can_be_flushed_or_held(session, tmp_path, windows):
    """A record failed on Windows after all notebooks had run, at the flush of its log's folder."""
    for kept in (None, session.parents[1] / "records" / f"{SESSION_NAME}.1"):
        record = record_session(open_session(session), [], {})
        assert record.kept == kept
    assert (session.parents[1] / "records" / KEPT).is_dir()
    zipped = share_records([record.place], tmp_path / "a.zip", Wanted(raw=True))
    opened = open_shared(zipped.path, tmp_path / "theirs")
    again = open_shared(zipped.path, tmp_path / "theirs")
    assert opened.is_new
    assert not again.is_new
    for path in (p for p in record.place.rglob("*") if p.suffix in (".html", ".json", ".csv")):
        assert b"\r\n" not in path.read_bytes(), path.name  # the same bytes on every system


def test_new_inspect_and_plan_write_there_too(session, tmp_path, windows, capsys):
    assert main(["new", str(tmp_path / "other")]) == 0
    assert main(["inspect", str(session / "log1.csv"), "--write", str(tmp_path / "other" / "channels.toml")]) == 0
    assert not read_toml(tmp_path / "other" / "channels.toml", ChannelMap, "channels.toml").problems
    for _ in range(2):
        assert main(["plan", "steady", str(session.parents[1]), "--html", str(tmp_path / "plan.html")]) == 0


def test_what_a_spreadsheet_has_open_is_named_and_stays(session, tmp_path, windows):
    record = record_session(open_session(session), [], {})
    before = (record.place / "results.json").read_bytes()
    with open(record.place / "tables" / "set_aside.csv", encoding="utf-8"), pytest.raises(PermissionError) as told:
        record_session(open_session(session), [], {})
    assert "such as a spreadsheet" in say_error(told.value)
    assert "set_aside.csv" in say_error(told.value)
    assert (record.place / "results.json").read_bytes() == before
    assert [path.name for path in record.place.parent.glob(f"*{SESSION_NAME}*")] == [SESSION_NAME]
    page = write_whole(tmp_path / "plan.html", "old")
    with open(page, encoding="utf-8"), pytest.raises(PermissionError):
        write_whole(page, "new")
    assert page.read_text(encoding="utf-8") == "old"
    assert [path.name for path in tmp_path.glob("*plan*")] == ["plan.html"]


def test_a_log_that_a_spreadsheet_has_locked_is_said_to_be_in_use(session, monkeypatch, capsys):
    def locked(path):
        error = PermissionError(errno.EACCES, "Permission denied", str(path))
        error.winerror = 32
        raise error

    monkeypatch.setattr(Path, "read_bytes", locked)
    assert main(["inspect", str(session / "log1.csv")]) == 1
    told = capsys.readouterr().err
    assert "log1.csv" in told
    assert "Close it there" in told


def test_settings_that_cannot_be_opened_say_the_way_out(session, monkeypatch, capsys):
    real = open

    def locked(path, *args, **kwargs):
        if str(path).endswith("car.toml"):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path, *args, **kwargs)

    monkeypatch.setattr("builtins.open", locked)
    assert main(["plan", str(session.parents[1])]) == 2
    told = capsys.readouterr().err
    assert "car.toml" in told
    assert "such as a spreadsheet" in told


def test_a_scanner_that_has_a_new_file_open_for_a_moment_is_waited_for(tmp_path, monkeypatch):
    (tmp_path / "a").write_text("new", encoding="utf-8")
    (tmp_path / "b").write_text("old", encoding="utf-8")
    real, refused = os.replace, []

    def busy(one, other):
        if len(refused) < 3:
            refused.append(one)
            raise PermissionError(errno.EACCES, "Access is denied")
        real(one, other)

    monkeypatch.setattr(os, "replace", busy)
    with pytest.raises(PermissionError):
        replace_file(tmp_path / "a", tmp_path / "b")
    monkeypatch.setattr(disk, "PATIENCE_S", 5.0)
    replace_file(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "b").read_text(encoding="utf-8") == "new"


def test_a_disk_that_fails_at_a_flush_is_no_system_without_one(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "fsync", lambda descriptor: (_ for _ in ()).throw(OSError(errno.EIO, "I/O error")))
    (tmp_path / "a").write_text("x", encoding="utf-8")
    for path in (tmp_path / "a", tmp_path):
        with pytest.raises(OSError, match="I/O"):
            flush(path)


def test_the_emulation_refuses_what_windows_refuses(tmp_path, windows):
    """So that the tests above could fail: each call in the way that the kit once made it."""
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "a.csv").write_text("x", encoding="utf-8")
    with open(folder / "a.csv", encoding="utf-8"), pytest.raises(PermissionError):
        rename(folder, tmp_path / "other")
    (tmp_path / "b").write_text("x", encoding="utf-8")
    with pytest.raises(FileExistsError):
        rename(folder / "a.csv", tmp_path / "b")
    with pytest.raises(OSError, match="syntax"):
        rename(folder / "a.csv", tmp_path / "2026:05:03.csv")
    with pytest.raises(OSError, match="syntax"):
        rename(folder / "a.csv", tmp_path / "CON.csv")


@pytest.mark.parametrize("typed", ["2026-05-03-STEADY", "2026-05-03-Steady"])
def test_a_session_typed_in_another_case_is_found_where_the_disk_finds_it(session, typed, monkeypatch):
    """A link that no listing shows and nothing resolves stands for a disk that does not tell letter case apart."""
    (session.parent / typed).symlink_to(session)
    listed = Path.iterdir
    monkeypatch.setattr(Path, "iterdir", lambda path: (p for p in listed(path) if not p.is_symlink()))
    monkeypatch.setattr(Path, "resolve", lambda path, strict=False: path.absolute())
    assert open_session(session.parent / typed).name == SESSION_NAME
    assert open_session(session.parent / typed / "log1.csv").name == SESSION_NAME


def test_an_accent_may_be_written_in_either_way(tmp_path):
    """A Mac's disk and its programs may hand over ö as o and two dots."""
    written = tmp_path / "channels.toml"
    text = '[[file]]\nname = "Höhe-*.csv"\nrate_hz = 10.0\n[[column]]\nname = "Öldruck"\nchannel = "oil_pressure_kpa"\n'
    written.write_text(text, encoding="utf-8")
    rules = read_toml(written, ChannelMap, "channels.toml").partial
    assert rules.file_rule("Ho\u0308he-1.csv").rate_hz == 10.0
    assert rules.rule_for("a.csv", "O\u0308ldruck").channel == "oil_pressure_kpa"


def test_patterns_are_spread_where_no_shell_does(session, capsys):
    """Neither of the shells on Windows spreads *.csv."""
    (session / "log2.csv").write_text(LOG, encoding="utf-8")
    assert main(["inspect", str(session / "*.csv")]) == 0
    shown = capsys.readouterr().out
    assert "log1.csv\n" in shown
    assert "log2.csv\n" in shown
    assert main(["inspect", str(session / "*.parquet")]) == 1
    assert "*.parquet" in capsys.readouterr().err


def test_no_text_is_opened_without_its_encoding():
    """Without one Python takes the system's: cp1252 on most Windows."""
    calls = {"open", "read_text", "write_text", "fdopen"}
    for path in sorted(Path(KIT).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name not in calls or _is_elsewhere(node):
                continue
            mode = [a.value for a in node.args[1:2] if isinstance(a, ast.Constant)] if name == "open" else []
            keywords = {keyword.arg for keyword in node.keywords}
            assert "encoding" in keywords or any("b" in str(m) for m in mode), f"{path.name}, line {node.lineno}"


def _is_elsewhere(node: ast.Call) -> bool:
    """A call of that name of something else than a file: os.open, webbrowser.open, h5a.open, archive.open."""
    owner = node.func.value if isinstance(node.func, ast.Attribute) else None
    return isinstance(owner, ast.Name) and owner.id in ("os", "h5a", "archive", "Image")


@pytest.mark.parametrize(
    ("at", "number", "said"),
    [
        ("os.fsync", errno.ENOSPC, "the disk is full. Nothing that was there has changed"),
        ("tempfile.mkstemp", errno.EROFS, "this disk can only be read"),
        ("tempfile.mkstemp", errno.EACCES, "this account may not do that there"),
    ],
)
def test_lab_and_answers_that_find_no_room_name_the_file_and_leave_no_half_of_it(
    session, monkeypatch, capsys, at, number, said
):
    """A notebook was written in place: on a full disk half of one stayed, and was taken for the owner's afterwards."""
    root = session.parents[1]
    before = sorted(path for path in root.rglob("*") if path.is_file())

    def refuse(*_, **__):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(at, refuse)
    for command, name in (
        (["lab", str(root), "--no-browser"], "notebooks"),
        (["inspect", str(session / "log1.csv"), "--write", str(root / "channels.toml")], "channels.toml"),
    ):
        assert main(command) == 2
        told = capsys.readouterr().err
        assert said in told
        assert name in told.split(said)[0]
        assert "Traceback" not in told
    assert sorted(path for path in root.rglob("*") if path.is_file()) == before


def test_answers_that_may_not_be_read_say_the_way_out(session, monkeypatch, capsys):
    real = open

    def locked(path, *args, **kwargs):
        if str(path).endswith("answers.toml"):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path, *args, **kwargs)

    answers = session.parents[1] / "answers.toml"
    answers.write_text("", encoding="utf-8")
    monkeypatch.setattr("builtins.open", locked)
    assert main(["inspect", str(session / "log1.csv"), "--answers", str(answers)]) == 2
    told = capsys.readouterr().err
    assert "answers.toml" in told
    assert "Close it there" in told


def test_a_disk_that_is_full_half_way_through_the_demo_is_told_in_one_sentence(tmp_path, monkeypatch, capsys):
    """The cause of a failed copy reaches the owner, not the list of all files that `shutil.copytree` would make."""
    real, count = shutil.copyfile, itertools.count()

    def full(source, target):
        if next(count) >= 3:
            raise OSError(errno.ENOSPC, "No space left on device", str(target))
        return real(source, target)

    monkeypatch.setattr(shutil, "copyfile", full)
    assert main(["demo", str(tmp_path / "demo")]) == 2
    said = capsys.readouterr().err
    assert "the disk is full. Nothing that was there has changed" in said
    assert len(said) < 400
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="a named pipe is POSIX's")
def test_a_pipe_under_a_files_name_is_refused_and_not_waited_for(tmp_path):
    root = write_workspace(tmp_path)
    log, settings = root / "pipe.csv", root / "channels.toml"
    settings.unlink(missing_ok=True)
    for path in (log, settings):
        os.mkfifo(path)
    with pytest.raises(ReadError, match="a pipe or a device, not a file"):
        read_raw(log)
    (problem,) = read_toml(settings, ChannelMap, settings.name).problems
    assert "a pipe or a device, not a file" in str(problem)
