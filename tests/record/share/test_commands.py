"""share, open, ready, compare and plan from the command line: what they print and how they end."""

import shutil

import pytest
from shared_record import SESSION

from tunelab.cli import main

NAME = "2026-05-03-removed-place-1"


@pytest.fixture
def car(record, tmp_path):
    return shutil.copytree(record.parents[1], tmp_path / "car")


def test_share_says_what_was_taken_out_and_that_only_the_owner_knows_the_rest(car, tmp_path, capsys):
    assert main(["share", str(car / "records" / SESSION), "--out", str(tmp_path / "x.zip")]) == 0
    said = capsys.readouterr().out
    assert "removed-place-1" in said
    assert "Kestrel" in said or "kestrel" in said
    assert "61.23456, -30.41234 → removed-position-" in said
    assert "(numbers side by side: may have been something else)" in said
    assert "only you know what else is private" in said
    assert "x.zip: 1 record, " in said
    assert main(["share", str(car / "records" / SESSION), "--out", str(tmp_path / "x")]) == 2  # the zip has its ending
    assert "stays as it is" in capsys.readouterr().err


def test_open_puts_it_in_place_and_refuses_what_is_no_zip(shared, tmp_path, capsys):
    assert main(["open", str(shared.path), str(tmp_path / "theirs"), "--no-run"]) == 0
    said = capsys.readouterr().out
    assert str(tmp_path / "theirs" / "records" / NAME / "index.html") in said
    assert f"fill in {tmp_path / 'theirs' / 'answers' / NAME / 'answer.toml'}" in said
    (tmp_path / "bad.zip").write_bytes(b"x")
    assert main(["open", str(tmp_path / "bad.zip")]) == 2
    assert "no whole zip" in capsys.readouterr().err
    assert not (tmp_path / "bad").exists()


def test_ready_says_not_shown_and_that_it_is_no_certificate(car, capsys):
    assert main(["ready", str(car), "--event", "2099-06-10", "--until", "2099-06-08"]) == 1
    said = capsys.readouterr().out
    assert "Cannot be said yet, with r01 in the car: no drive that counts shows" in said.replace("\n  ", " ")
    assert "no certificate" in said
    assert "must go back in on 2099-06-08 at the latest" in said
    assert said.index("Cannot be said yet") < said.index("Checks, the worst first") < said.index("Before you drive")
    assert "In doubt" not in said
    with open(car / "revisions" / "r01.toml", "a", encoding="utf-8") as handle:
        handle.write("# another thought\n")
    assert main(["ready", str(car)]) == 1
    assert f"In doubt: revisions/r01.toml: changed after {SESSION} was recorded" in capsys.readouterr().out
    assert main(["ready", str(car), "--revision", "r0"]) == 2
    assert "the nearest name is r01" in capsys.readouterr().err
    assert main(["ready", str(car), "--event", "10.6.2099"]) == 2
    assert "wanted a day such as" in capsys.readouterr().err


def test_compare_names_what_there_is_when_a_name_is_wrong(car, capsys):
    assert main(["compare", SESSION, "r07", str(car)]) == 2
    assert "neither a session nor a revision" in capsys.readouterr().err
    assert main(["compare", SESSION, "r01", str(car)]) == 2
    assert "the same drives" in capsys.readouterr().err


def test_compare_of_two_drives_says_what_can_be_told(car, tmp_path, capsys):
    second = car / "sessions" / "2026-05-09-again"
    shutil.copytree(car / "sessions" / SESSION, second)
    files = ["--csv", str(tmp_path / "c.csv"), "--page", str(tmp_path / "c.html")]
    assert main(["compare", SESSION, second.name, str(car), *files]) == 0
    said = capsys.readouterr().out
    assert "Both were driven with the same revision." in said
    assert "within noise" in said
    assert "a difference may also come from the day" in said
    assert (tmp_path / "c.csv").read_text("utf-8").startswith("what,unit,before")
    page = (tmp_path / "c.html").read_text("utf-8")
    assert "within noise" in page
    assert "The owner&#39;s limits come first" in page
    assert "default-src &#39;none&#39;" in page or "default-src 'none'" in page


def test_plan_prints_a_sheet_for_a_step_and_names_the_steps_otherwise(car, tmp_path, capsys):
    assert main(["plan", "full-throttle", str(car), "--html", str(tmp_path / "s.html")]) == 0
    assert "<h1>Full throttle" in (tmp_path / "s.html").read_text("utf-8")
    assert main(["plan", "coast-down", str(car)]) == 0
    assert "Coast-down" in capsys.readouterr().out
    assert main(["plan", "full-throtle", str(car)]) == 2
    assert "the nearest is full-throttle" in capsys.readouterr().err
