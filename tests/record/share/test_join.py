"""A zip opened: into a new workspace or one's own, run again to the same numbers, answered, the answer back home."""

import json
import shutil

import pytest
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.log.store import read_log
from tunelab.record.opened import open_session
from tunelab.record.place import put_in_place
from tunelab.record.session import Record, record_session
from tunelab.record.share import OpenError, join, open_shared, read_answers, run_again, share_records
from tunelab.record.share.join import compare_records
from tunelab.workspace import WorkspaceError, open_workspace

NAME = "2026-05-03-removed-place-1"


@pytest.fixture
def opened(shared, tmp_path):
    return open_shared(shared.path, tmp_path / "theirs")


def test_it_opens_into_a_workspace_that_can_be_used(opened):
    workspace = open_workspace(opened.root)
    assert list(workspace.sessions) == [NAME]
    assert [file.name for file in workspace.sessions[NAME].files] == ["log.nc"]
    assert opened.records == (opened.root / "records" / NAME,)


def test_the_record_runs_again_to_the_same_numbers(opened, notebooks, monkeypatch):
    monkeypatch.setattr(join, "notebooks_folder", lambda: notebooks)
    made = run_again(opened.records[0], opened.session_of(opened.records[0]))
    assert made.compared > 10
    rows = made.differences["what"].tolist()
    assert rows in ([], ["tables/t.csv"])  # that table's own column of positions stays out
    results = json.loads((opened.records[0] / "results.json").read_text("utf-8"))
    assert results["parameters"]["good"]["scale"] == 3.0
    assert made.record.kept.name == f"{NAME}.1"


def test_a_record_waits_until_it_is_made_again(shared, opened):
    assert open_shared(shared.path, opened.root).records == opened.records
    data = json.loads((opened.records[0] / "results.json").read_text("utf-8"))
    data["timestamps"]["started"] = "2026-06-01T10:00:00+00:00"
    (opened.records[0] / "results.json").write_text(json.dumps(data), encoding="utf-8")
    more = open_shared(shared.path, opened.root)
    assert (more.records, more.here_before) == ((), opened.records)


def test_what_came_is_compared_though_another_run_took_its_place_meanwhile(opened, notebooks, monkeypatch, tmp_path):
    monkeypatch.setattr(join, "notebooks_folder", lambda: notebooks)
    came = opened.records[0]
    made = shutil.copytree(came, tmp_path / "made")
    data = json.loads((came / "results.json").read_text("utf-8"))
    data["findings"][0]["lower"] *= 1.001
    (came / "results.json").write_text(json.dumps(data), encoding="utf-8")

    def record_twice(*_, place):
        put_in_place(shutil.copytree(made, tmp_path / "of the other run"), place)
        return Record(place, put_in_place(shutil.copytree(made, tmp_path / "of this run"), place), ())

    monkeypatch.setattr(join, "record_session", record_twice)
    assert run_again(came, opened.session_of(came)).differences["what"].tolist() == ["good.answer, lower"]


def test_a_number_that_differs_is_named(opened, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(opened.records[0], other)
    data = json.loads((other / "results.json").read_text("utf-8"))
    data["findings"][0]["lower"] *= 1.001
    (other / "results.json").write_text(json.dumps(data), encoding="utf-8")
    compared, differences = compare_records(opened.records[0], other)
    assert differences["what"].tolist() == ["good.answer, lower"]
    assert compared > len(differences)


def test_what_is_in_the_zip_is_never_run(opened):
    texts = [path.read_text("utf-8") for path in opened.root.rglob("*.ipynb")]
    assert texts  # executed notebooks came along, as pages to read
    assert not list(opened.root.rglob("*.py"))


def test_a_refused_zip_leaves_nothing_behind(shared, tmp_path):
    broken = tmp_path / "broken.zip"
    data = bytearray(shared.path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    broken.write_bytes(bytes(data))
    with pytest.raises(OpenError):
        open_shared(broken, tmp_path / "theirs")
    assert {path.name for path in tmp_path.iterdir()} == {"broken.zip"}


def test_a_folder_that_is_no_workspace_is_left_alone(shared, tmp_path):
    (tmp_path / "mine").mkdir()
    with pytest.raises(OpenError, match="no workspace"):
        open_shared(shared.path, tmp_path / "mine")
    assert list((tmp_path / "mine").iterdir()) == []


def test_another_cars_workspace_refuses_it(shared, opened):
    car = opened.root / "car.toml"
    car.write_text(car.read_text("utf-8").replace("displacement_l = 3.0", "displacement_l = 2.0"), encoding="utf-8")
    with pytest.raises(OpenError, match=r"car\.toml and this workspace's own differ"):
        open_shared(shared.path, opened.root)


def fill_in(form, note):
    text = form.read_text("utf-8").replace('author = "fill in"', 'author = "Ansgar"')
    text = text.replace('date = "fill in"', "date = 2026-05-04").replace('text = ""', f'text = "{note}"', 1)
    form.write_text(text, encoding="utf-8")


def test_an_answer_comes_back_once_and_nothing_of_the_owners_changes(record, opened, tmp_path):
    form = opened.root / "answers" / NAME / "answer.toml"
    assert read_answers(opened.root) == []  # nobody has filled it in
    fill_in(form, "Looks right to me.")
    edited = form.parent / "proposal.toml"
    edited.write_text(edited.read_text("utf-8").replace("flow_g_min = 310.0", "flow_g_min = 305.0"), encoding="utf-8")
    back = share_records([opened.records[0]], tmp_path / "back.zip")
    home = tmp_path / "home"
    shutil.copytree(record.parents[1], home)
    before = {p: p.read_bytes() for p in home.rglob("*") if p.is_file()}
    came = open_shared(back.path, home)
    assert all(path.read_bytes() == content for path, content in before.items())
    (given,) = read_answers(home)
    assert given.answer.author == "Ansgar"
    assert [(note.finding, note.text) for note in given.notes] == [("good.answer", "Looks right to me.")]
    assert given.proposal.injectors.flow_g_min == 305.0
    assert came.answers == (given.folder,)
    assert open_shared(back.path, home).answers == ()


def test_an_answer_that_cannot_be_read_says_what_is_wrong(opened):
    form = opened.root / "answers" / NAME / "answer.toml"
    fill_in(form, "x")
    form.write_text(form.read_text("utf-8").replace("2026-05-04", '"soon"'), encoding="utf-8")
    with pytest.raises(WorkspaceError, match="date"):
        read_answers(opened.root)


def test_a_session_of_two_loggers_opens_with_the_one_log_that_they_made(tmp_path):
    root = write_workspace(tmp_path / "car")
    folder = root / "sessions" / SESSION_NAME
    for name, column in (("log1.csv", "Engine Speed (rpm);Lambda"), ("log2.csv", "Throttle (%);Battery (V)")):
        rows = "".join(f"{k / 10};{800 + 3 * k};{0.9 + k / 5000:.3f}\n" for k in range(300))
        rows = rows if name == "log1.csv" else "".join(f"{k / 10};{k / 4};{13 + k / 400:.2f}\n" for k in range(300))
        (folder / name).write_text(f"Time (s);{column}\n{rows}", encoding="utf-8")
    text = (folder / "session.toml").read_text(encoding="utf-8").replace('["log1.csv"]', '["log1.csv", "log2.csv"]')
    (folder / "session.toml").write_text(f'{text}\n[[clock]]\nfile = "log2.csv"\nstarts_s = 3.5\n', encoding="utf-8")
    record = record_session(open_session(folder), [], {})
    shared = share_records([record.place], tmp_path / "a.zip")
    opened = open_shared(shared.path, tmp_path / "theirs")
    assert open_session(opened.sessions[0]).folder.session.clock == []
    before, after = (read_log(place / "log.nc") for place in (record.place, opened.sessions[0]))
    assert float(after["time"].max()) == float(before["time"].max()) == pytest.approx(33.4)
