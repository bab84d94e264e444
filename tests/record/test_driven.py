"""What ready and plan ask of a log is read once and kept; another car, another run or a broken file makes it anew."""

import hashlib
import json
import tomllib
from dataclasses import replace
from types import SimpleNamespace

import pytest
from held_log import held_log
from plain_workspace import CAR, REVISION, SESSION_NAME, write_workspace
from ready_drives import EVERY, drive, finding
from ready_drives import car as ready_car
from ready_drives import revision as ready_revision
from written_results import write_results

from tunelab.cli import main
from tunelab.log.load import LoadError
from tunelab.log.store import read_log, write_log
from tunelab.record import driven
from tunelab.record.decisions import emptied_sentences, readiness_chapter, readiness_sentences
from tunelab.record.driven import Decided, decide, readiness_answer
from tunelab.record.plan import plan_for
from tunelab.study.coverage import cover
from tunelab.study.readiness import judge_readiness, reach_of
from tunelab.study.readiness.gate import HELD_AGAINST
from tunelab.workspace import open_usable
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

HOLDS = [(2000.0, 60.0, 7.0), (3000.0, 140.0, 8.0), (850.0, 16.0, 20.0)]
CAR_3L, R01 = Car.model_validate(tomllib.loads(CAR)), Revision.model_validate(tomllib.loads(REVISION))
LOG = held_log(CAR_3L, R01, HOLDS)
INPUT = {"path": "log1.csv", "sha256": "0" * 64, "rows_in": 2, "rows_kept": 2, "rows_set_aside": 0}


@pytest.fixture
def root(tmp_path):
    """One recorded drive whose raw log has no airflow: whoever opens that counts nothing of it."""
    root = write_workspace(tmp_path)
    write_results(root, SESSION_NAME, [finding("steady.lambda_error", "met", 1.5)])
    place = root / "records" / SESSION_NAME
    write_log(LOG, place / "log.nc")
    data = json.loads((place / "results.json").read_text("utf-8")) | {"inputs": [INPUT]}
    data["settings"] = [
        {"path": n, "sha256": hashlib.sha256((root / n).read_bytes()).hexdigest()} for n in ["car.toml"]
    ]
    (place / "results.json").write_text(json.dumps(data), encoding="utf-8")
    return root


@pytest.fixture
def opened(monkeypatch):
    """Every log that is opened, in order."""
    paths = []

    def count(path):
        paths.append(path)
        return read_log(path)

    monkeypatch.setattr(driven, "read_log", count)
    return paths


def test_ready_and_plan_open_a_log_once_and_say_so(root, opened):
    first = decide(root)
    assert first.drives[0].reach == reach_of(LOG, CAR_3L)
    assert "read to see how far it was driven" in first.read
    planned = plan_for(root, None)
    assert any("read to see how far" in aside for aside in planned.asides)
    assert len(opened) == 2  # the reach for ready, and what a plan counts
    again, replanned = decide(root), plan_for(root, None)
    assert len(opened) == 2
    assert again.drives == first.drives
    assert again.read == ""
    assert replanned.asides == ()
    assert replanned.plan.table().equals(planned.plan.table())
    exact = cover(LOG, CAR_3L, R01)
    assert planned.chapter.findings[0].value == pytest.approx(100 * exact.share_covered)


def test_the_command_says_it_beside_its_answer(root, opened, capsys):
    main(["ready", str(root)])
    assert "The log of record 2026-05-03-steady was read" in capsys.readouterr().err
    main(["ready", str(root)])
    assert "was read" not in capsys.readouterr().err
    assert main(["plan", str(root)]) == 0
    assert "was read" in capsys.readouterr().err


@pytest.mark.parametrize("change", ["car", "run", "broken", "gone"])
def test_what_is_kept_of_another_state_is_made_anew(root, opened, change):
    decide(root)
    kept = root / "records" / driven.KEPT / f"{SESSION_NAME}.reach.npz"
    assert kept.is_file()
    results = root / "records" / SESSION_NAME / "results.json"
    if change == "car":
        text = (root / "car.toml").read_text("utf-8").replace("idle_target_rpm = 850", "idle_target_rpm = 950")
        (root / "car.toml").write_text(text, encoding="utf-8")
    elif change == "run":
        results.write_text(results.read_text("utf-8").replace("10:01:00", "10:02:00"), encoding="utf-8")
    elif change == "broken":
        kept.write_bytes(kept.read_bytes()[:40])
    else:
        kept.unlink()
    decide(root)
    assert len(opened) == 2
    decide(root)
    assert len(opened) == 2


@pytest.mark.parametrize("change", ["nothing", "a reading", "a note of the log", "car.toml", "revision"])
def test_what_a_log_gives_is_made_once_and_anew_after_a_change(root, monkeypatch, change):
    """A raw file or channels.toml that changed gives another log, in its readings or its notes."""
    made, make = [], driven.calm_drive
    monkeypatch.setattr(driven, "calm_drive", lambda *given: made.append(given) or make(*given))
    first = driven.Driven(open_usable(root)).of_log(SESSION_NAME, LOG)
    log = LOG.copy(deep=True)
    if change == "a reading":
        log["lambda_measured"][5] += 0.001
    elif change == "a note of the log":
        log.attrs["columns"] = '[{"column": "speed", "unit": "rpm"}]'
    elif change != "nothing":
        path, old, new = {
            "car.toml": (root / "car.toml", "coolant_min_c = 75", "coolant_min_c = 70"),
            "revision": (root / "revisions" / "r01.toml", "0.8]", "0.9]"),
        }[change]
        path.write_text(path.read_text("utf-8").replace(old, new), encoding="utf-8")
    again = driven.Driven(open_usable(root)).of_log(SESSION_NAME, log)
    assert len(made) == (1 if change == "nothing" else 2)
    if change == "nothing":
        assert again.calm.holds.equals(first.calm.holds)


def test_a_record_that_is_no_longer_current_is_not_what_a_plan_counts(root):
    """The raw log, here one without airflow, is what the session holds now."""
    assert "no airflow" not in plan_for(root, None).chapter.findings[0].because
    path = root / "car.toml"
    path.write_text(path.read_text("utf-8").replace("coolant_min_c = 75", "coolant_min_c = 70"), encoding="utf-8")
    assert "no engine speed or no airflow" in plan_for(root, None).chapter.findings[0].because


def test_a_folder_that_takes_no_file_is_no_reason_to_stop(root, opened, monkeypatch):
    def refuse(*_):
        raise OSError("read-only")

    monkeypatch.setattr(driven, "write_whole", refuse)
    assert decide(root).drives[0].reach == reach_of(LOG, CAR_3L)
    assert decide(root).drives
    assert len(opened) == 2


def test_nothing_kept_is_taken_for_a_record(root):
    decide(root)
    found = decide(root)
    assert [drive.record for drive in found.drives] == [SESSION_NAME]
    assert found.left_out == ()


def test_a_session_whose_log_cannot_be_read_keeps_the_plan_from_nothing(root):
    """It is named, with why; asked for by its own folder it is an error."""
    beside = root / "sessions" / "2026-05-10-broken"
    beside.mkdir()
    text = (root / "sessions" / SESSION_NAME / "session.toml").read_text("utf-8").replace("2026-05-03", "2026-05-10")
    (beside / "session.toml").write_text(text, encoding="utf-8")
    (beside / "log1.csv").write_text("no heading here\n\n", encoding="utf-8")
    planned = plan_for(root, None)
    assert any("2026-05-10-broken counts for nothing, as its log cannot be read" in aside for aside in planned.asides)
    assert planned.title.endswith(f"after {SESSION_NAME}")
    with pytest.raises(LoadError):
        plan_for(beside, None)


def test_the_answer_gives_value_limit_and_day_of_all_that_stopped():
    knock = finding("limits.knock_retard", "stop", value=3.6, unit="°", limit=3.0, title="Highest knock retard")
    speed = finding("limits.engine_speed", "stop", value=6826.0, unit="rpm", limit=6700.0, title="Highest engine speed")
    own = {"limits.knock_retard", "limits.engine_speed"}
    drives = [drive(day, ids=[n for n in EVERY if n not in own]) for day in (17, 20)]
    drives = [replace(d, findings=(*d.findings, f)) for d, f in zip(drives, (knock, speed), strict=True)]
    limits = {HELD_AGAINST[f.id]: f.limit for f in (knock, speed)}
    readiness = judge_readiness(drives, ready_car(**limits), {"r01": ready_revision()}, "r01")
    assert readiness_answer(readiness) == (
        "No, with r01 in the car: highest knock retard reached 3.6° (limit 3°) on 17 May; "
        "highest engine speed reached 6826 rpm (limit 6700 rpm) on 20 May."
    )
    decided = Decided(SimpleNamespace(car=ready_car(**limits)), ready_revision(), (), readiness, (), (), ())
    to_do = readiness_chapter(decided, None).change.sentences
    assert to_do[0].startswith("Highest knock retard 3.6° (limit 3°), ")
    assert to_do[0].endswith(
        "Less spark advance there, or fuel that knocks less, before the engine is loaded there again. Note the change "
        "in the revision file (also_changed), and drive it again."
    )
    assert to_do[1].endswith("Lower the limiter by what it overshoots, and shift earlier. Then drive it again.")


def test_what_to_look_after_gives_the_value_beside_its_limit():
    doubt = drive(3, status={"full_throttle.lambda_error": "watch"})
    lines = readiness_sentences(judge_readiness([doubt], ready_car(), {"r01": ready_revision()}, "r01"))
    (line,) = [line for line in lines if line.startswith("Look after ")]
    assert line == f"Look after fuelling at full throttle: lean of commanded by up to 1.00 (limit 2), {doubt.record}."


def test_a_drive_that_a_change_emptied_stands_once_for_all_its_checks():
    changed = {"r01": ready_revision(), "r02": ready_revision("r02", day=5, based_on="r01", curve={2: 1.1, 3: 1.1})}
    readiness = judge_readiness([drive(3)], ready_car(), changed, "r02")
    (line,) = emptied_sentences(readiness)
    assert line.startswith(f"{drive(3).record} does not count any more for fuelling at steady speed, ")
    assert "r02 changed it: the meter curve differs by up to +10.0 %" in line


def test_the_answer_names_what_has_not_been_driven_and_what_bounds_a_run():
    def answer(*drives):
        return readiness_answer(judge_readiness(drives, ready_car(), {"r01": ready_revision()}, "r01"))

    none = "no drive that counts shows fuelling at steady speed and fuelling, knock, injector duty, meter headroom, "
    assert answer().startswith(f"Cannot be said yet, with r01 in the car: {none}")
    assert answer(drive(3)).startswith("Yes, with r01 in the car: all ")
    assert "only within the bounds below" in answer(drive(3, status={"link.drop_outs": "stop"}))
