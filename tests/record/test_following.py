"""A log followed while it is written comes to what the finished log says, whenever its rows came."""

import gzip
import os
import re
from types import SimpleNamespace

import numpy as np
import pytest
from followed_log import PULLS, ROAD, SWEEP, content, workspace

from tunelab.cli import main
from tunelab.log.flag import flag_log
from tunelab.log.load import load_session
from tunelab.log.read import ReadError
from tunelab.record import following as module
from tunelab.record.evidence import gather_evidence
from tunelab.record.following import Following, session_of
from tunelab.record.opened import open_session
from tunelab.record.plan import plan_after, plan_for, plan_sentence
from tunelab.record.step_sheet import print_sheet
from tunelab.study.coverage import cover, pooled, samples_of
from tunelab.study.delay import stated_delay
from tunelab.study.drive_plan import plan_drive
from tunelab.study.following import SoFar, holds_so_far
from tunelab.study.limits import watch_limits
from tunelab.study.step_sheet import MOST_IN_LINES
from tunelab.workspace import WorkspaceError


@pytest.fixture
def log(tmp_path):
    return workspace(tmp_path / "my-car")


def follow(log):
    return Following(log, session_of(log, None))


def seen_at_end(log):
    following = follow(log)
    seen = following.look()
    while seen.behind:
        seen = following.look()
    return seen


def add(log, data):
    with open(log, "ab") as handle:
        handle.write(data)


def passed(so_far):
    return {own.quantity.id: (own.status, round(own.worst, 3), round(own.seconds, 2)) for own in so_far.passed}


@pytest.mark.parametrize("name", [SWEEP, ROAD])
def test_a_followed_log_gives_the_holds_and_limits_of_the_finished_one(log, name):
    log.write_bytes(content(name))
    seen, opened = seen_at_end(log), open_session(log.parent)
    car, revision, about = opened.car, opened.revision, opened.folder.session
    finished = flag_log(load_session(opened.workspace, opened.name), car, about, revision=revision)
    plan = plan_drive(cover([], car, revision), car, revision, top_speed_km_h=125).holds
    own = holds_so_far(plan, seen.so_far, car, revision)
    counted = pooled(samples_of(finished, car), car)  # as a plan counts a finished log
    whole = holds_so_far(plan, SoFar(samples=(counted,)), car, revision)
    assert any(hold.is_done for hold in own)
    assert [hold.is_done for hold in own] == [hold.is_done for hold in whole]
    assert [hold.have_s for hold in own] == pytest.approx([hold.have_s for hold in whole], abs=1e-6)
    assert seen.so_far.rows == finished.sizes["time"]
    assert seen.so_far.until_s == pytest.approx(float(finished["time"][-1]), abs=0.1)
    watch = watch_limits(finished, car, revision, about, stated_delay(car, "still written"))
    beyond = {
        item.check.quantity.id: (item.check.status, round(item.check.value, 3), round(item.seconds_beyond, 2))
        for item in watch.watched
        if item.is_passed
    }
    assert passed(seen.so_far) == beyond
    assert bool(beyond) == (name == ROAD)


def test_it_is_the_same_whenever_the_rows_came_and_after_a_kill(log):
    data, rng = content(PULLS), np.random.default_rng(4)
    cuts = [*np.sort(rng.integers(0, len(data), 4)).tolist(), len(data)]
    following, start = follow(log), 0
    for cut in cuts:
        add(log, data[start:cut])  # bursts that end somewhere within a row
        seen, start = following.look(), cut
    again = seen_at_end(log)
    assert [text for label, text in again.lines() if label != "link"] == [
        text for label, text in seen.lines() if label != "link"
    ]
    assert again.so_far.rows == seen.so_far.rows == data.count(b"\n") - 1
    assert passed(again.so_far) == passed(seen.so_far)
    for mine, other in zip(again.so_far.samples, seen.so_far.samples, strict=True):
        np.testing.assert_array_equal(mine.seconds, other.seconds)


def test_a_half_written_row_waits_until_it_is_whole(log):
    lines = content(PULLS).splitlines(keepends=True)
    following = follow(log)
    add(log, b"".join(lines[:60]) + lines[60][:15])
    assert following.look().so_far.rows == 59
    add(log, lines[60][15:])
    assert following.look().so_far.rows == 60
    add(log, b"12.0,too,short\n" + lines[61])
    seen = following.look()
    assert (seen.so_far.rows, seen.so_far.set_aside) == (61, 1)
    assert "61 rows, 3 s, set aside: 1" in dict(seen.lines())["link"]


def test_silence_is_said_after_two_seconds_and_ends_with_the_next_row(log, monkeypatch):
    clock = SimpleNamespace(now=100.0)
    monkeypatch.setattr(module, "time", SimpleNamespace(monotonic=lambda: clock.now, time=lambda: log.stat().st_mtime))
    lines = content(PULLS).splitlines(keepends=True)
    following = follow(log)
    assert following.look().link == "waiting"
    add(log, b"".join(lines[:80]))
    assert following.look().link == "alive"
    words = []
    for second in (1.9, 2.0, 3.0, 70.0):
        clock.now = 100.0 + second
        words.append(following.look().word())
    assert words == ["LINK OK", "NO DATA 2 S", "NO DATA 3 S", "LOG ENDED"]
    add(log, lines[80])
    assert following.look().word() == "LINK OK"


def seen_while(log, monkeypatch, writes):
    """What is seen every quarter of a second, while rows are added at the seconds of `writes`."""
    clock = SimpleNamespace(now=100.0)
    monkeypatch.setattr(module, "time", SimpleNamespace(monotonic=lambda: clock.now, time=lambda: log.stat().st_mtime))
    following, seen = follow(log), []
    add(log, content(ROAD).splitlines(keepends=True)[0])
    for step in range(4 * 60):
        clock.now = 100.0 + step / 4
        add(log, b"".join(writes.get(step / 4, [])))
        seen.append(following.look())
    return seen


def test_a_logger_that_writes_in_bursts_is_alive_and_silent_once_a_burst_fails(log, monkeypatch):
    rows = content(ROAD).splitlines(keepends=True)[1:]
    writes = {10.0 * burst: rows[200 * burst : 200 * burst + 200] for burst in range(4)}  # 10 s at 20 Hz, three times
    seen = seen_while(log, monkeypatch, writes)
    words = [own.word() for own in seen]
    assert words[4 * 5] == "NO DATA 5 S"  # nobody knows yet
    assert set(words[4 * 20 : 4 * 45]) == {"LINK OK"}
    assert "written every 10 s: limits and holds show that late" in dict(seen[4 * 25].lines())["link"]
    assert words[4 * 45] == "NO DATA 15 S"
    assert sum(word.startswith("NO DATA") for word in words) == 2 * 4 * 8 + 4 * 15


def test_a_link_that_comes_back_wrote_no_burst(log, monkeypatch):
    rows = content(ROAD).splitlines(keepends=True)[1:]
    writes = {0.0: rows[:200]} | {10.0 * gap: rows[200 * gap : 200 * gap + 20] for gap in range(1, 5)}
    words = [own.word() for own in seen_while(log, monkeypatch, writes)]
    assert all(words[4 * second] == "NO DATA 5 S" for second in (5, 15, 25, 35, 45))


def test_a_file_that_the_logger_began_beside_a_silent_one_is_named(log, monkeypatch):
    lines = content(PULLS).splitlines(keepends=True)
    add(log, b"".join(lines[:80]))
    os.utime(log, (1e9, 1e9))
    following = follow(log)
    assert "written later" not in dict(following.look().lines())["link"]
    add(log.with_name("log-2.csv"), lines[0])
    seen = following.look()
    assert seen.link == "ended"
    assert "log-2.csv was written later" in dict(seen.lines())["link"]


def test_rows_that_repeat_while_the_engine_runs_are_a_dead_link(log):
    lines = content(PULLS).splitlines(keepends=True)
    add(log, b"".join(lines[:80]))
    time, rest = lines[79].split(b",", 1)
    for step in range(1, 61):
        add(log, b"%.3f,%s" % (float(time) + 0.05 * step, rest))
    seen = seen_at_end(log)
    assert seen.link == "still"
    assert "no reading has moved for 3 s" in dict(seen.lines())["link"]


def test_another_log_in_its_place_goes_on_with_what_was_done_and_a_rewritten_one_counts_once(log):
    lines = content(ROAD).splitlines(keepends=True)
    add(log, b"".join(lines[:400]))
    following = follow(log)
    before = following.look().so_far
    os.replace(log, log.with_name("log.1.csv"))
    assert following.look().problem == "there is no such file yet"
    add(log, b"".join([lines[0], *lines[2000:2300]]))
    both = following.look().so_far
    good = [float(sum(part.seconds[part.good].sum() for part in so_far.samples)) for so_far in (before, both)]
    assert good[0] > 1
    assert both.rows == 300
    assert good[1] > good[0]
    log.write_bytes(b"".join([lines[0], *lines[2000:2200]]))  # shorter, and begins as the one before it
    rewritten = following.look().so_far
    assert rewritten.rows == 200
    alone = seen_at_end(log).so_far
    assert sum(p.seconds.sum() for p in rewritten.samples) == pytest.approx(
        sum(p.seconds.sum() for p in (*before.samples, *alone.samples))
    )


def test_rows_below_another_heading_are_read_by_it(log):
    lines = content(PULLS).splitlines(keepends=True)
    add(log, b"".join(lines[:100]))
    following = follow(log)
    following.look()
    cells = [line.rstrip(b"\r\n").split(b",") for line in (lines[0], *lines[100:160])]
    add(log, b"".join(b",".join([row[0], row[2], row[1], *row[3:12]]) + b"\n" for row in cells))
    seen = following.look()
    assert seen.so_far.rows == 99 + 60
    assert 500 < seen.so_far.now.engine_speed_rpm < 7000


@pytest.mark.parametrize(
    ("data", "message"),
    [(gzip.compress(b"Time,RPM\n0,900\n", mtime=0), "packed with gzip"), (b"PAR1....", "this is Parquet")],
)
def test_what_is_not_written_row_by_row_is_refused(log, data, message):
    log.write_bytes(data)
    with pytest.raises(ReadError, match=message):
        follow(log).look()


def test_a_log_outside_of_any_session_is_refused_with_the_way_out(tmp_path, log):
    with pytest.raises(WorkspaceError, match=r"--session my-car/sessions/NAME"):
        session_of(tmp_path / "log.csv", None)
    assert session_of(tmp_path / "log.csv", log.parent).name == "2026-06-01-drive"


def test_it_only_reads_and_shows_the_next_hold(tmp_path, capsys):
    log = workspace(tmp_path / "my-car", step="steady")
    log.write_bytes(b"".join(content(PULLS).splitlines(keepends=True)[:500]))
    before = {path: path.stat().st_mtime_ns for path in sorted(tmp_path.rglob("*"))}
    assert main(["follow", str(log), "--once"]) == 0
    assert {path: path.stat().st_mtime_ns for path in sorted(tmp_path.rglob("*"))} == before
    shown = capsys.readouterr().out
    assert "never for the driver" in shown
    assert "499 rows" in shown
    assert re.search(r"about \d+ s of driving left", shown)
    assert re.search(r"next     \d+: (neutral|gear \d)", shown)


@pytest.mark.parametrize("lines", [5500, None])
def test_command_sheet_record_and_follow_show_one_plan(tmp_path, capsys, lines):
    log = workspace(tmp_path / "my-car", step="steady")
    log.write_bytes(b"".join(content(SWEEP).splitlines(keepends=True)[:lines]))
    about = log.parent / "session.toml"
    about.write_text(about.read_text().replace("r03", "r02"))  # what was in the ECU that night
    (tmp_path / "my-car" / "revisions" / "r03.toml").unlink()
    opened = open_session(log.parent)
    root, after = opened.workspace.root, plan_after(opened, gather_evidence(opened), None)
    later = root / "sessions" / "2026-06-02-drive"
    later.mkdir()
    (later / "session.toml").write_text((log.parent / "session.toml").read_text().replace("06-01", "06-02"))
    following = follow(later / "log.csv")
    following.wait_for_plan()
    seen = following.look()
    plan, sheet = plan_for(root, None).plan, print_sheet("steady", root, None)
    sentence = plan_sentence(plan)
    assert after.plan.table().equals(plan.table())
    assert [repr(own.hold) for own in seen.holds] == [repr(hold) for hold in plan.holds]
    assert sentence in after.chapter.drive_next.sentences
    assert sentence in sheet.sheet.notes
    assert main(["plan", str(root)]) == 0
    assert sentence in capsys.readouterr().out
    said = dict(seen.lines())["plan"]
    if lines is None:
        assert plan.is_enough
        assert sentence.startswith("No steady hold is needed")
        assert said == sentence
        return
    number = re.search(r"about \d+ s of driving", sentence).group()
    assert len(plan.holds) > 3
    assert number in said
    whole = sheet.sheet.runs.to_string()
    first = [f"{hold.engine_speed_rpm:.0f}" for hold in plan.holds[:MOST_IN_LINES]]
    left = len(plan.holds) - len(first)
    assert left <= 0 or any(f"{left} further hold" in note for note in sheet.sheet.notes)
    assert [found for found in re.findall(r"\d{3,4}", whole) if found in first][: len(first)] == first


class DoneWhileAsked:
    """A plan that comes to its end between the first question put to its maker and the second."""

    def __init__(self, planned):
        self._planned, self._asked = planned, 0

    def _is_done(self):
        self._asked += 1
        return self._asked > 1

    @property
    def planned(self):
        return self._planned if self._is_done() else None

    @property
    def problem(self):
        return "" if self._is_done() else "being made"


def test_a_plan_that_comes_during_a_look_does_not_end_the_following(tmp_path):
    log = workspace(tmp_path / "my-car", step="steady")
    log.write_bytes(b"".join(content(SWEEP).splitlines(keepends=True)[:500]))
    following = follow(log)
    following.wait_for_plan()
    following._planning = DoneWhileAsked(following._planning.planned)
    during = dict(following.look().lines())["plan"]
    assert during == dict(following.look().lines())["plan"]
    assert re.search(r"holds done, about \d+ s of driving left", during)


def test_a_sensor_that_never_moved_is_no_stop(log):
    lines = content(ROAD).decode().splitlines()
    place = lines[0].split(",").index("Coolant (°C)")
    rows = [line.split(",") for line in lines[1:200]]
    add(log, "\n".join([lines[0], *(",".join([*r[:place], "112", *r[place + 1 :]]) for r in rows), ""]).encode())
    still = seen_at_end(log)
    assert [(own.quantity.id, own.status) for own in still.so_far.passed] == [("limits.coolant", "watch")]
    assert "never moved so far" in dict(still.lines())["limits"]
    add(log, ("\n".join(",".join([*r[:place], "113", *r[place + 1 :]]) for r in [
        line.split(",") for line in lines[200:260]]) + "\n").encode())  # fmt: skip
    seen = seen_at_end(log)
    assert [(own.quantity.id, own.status) for own in seen.so_far.passed] == [("limits.coolant", "stop")]
    assert seen.word() == "LIFT"
    assert "Lift, coast, end the run." in dict(seen.lines())["limits"]
