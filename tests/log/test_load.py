"""All logs of a session on one clock."""

import json
import re

import numpy as np
import pytest
from plain_workspace import SESSION, SESSION_NAME, write_workspace
from written_log import ROWS, waves, write_log

from tunelab.log import store
from tunelab.log.load import LoadError, load_session
from tunelab.workspace import WorkspaceError, open_workspace


@pytest.fixture
def session(tmp_path):
    """A session whose files a test writes: `columns` by file name; gives the loaded log."""
    root = write_workspace(tmp_path)
    folder = root / "sessions" / SESSION_NAME
    (folder / "log1.csv").unlink()

    def _session(files, channels="", weather=""):
        for name, columns in files.items():
            write_log(folder / name, columns)
        (root / "channels.toml").write_text(channels, encoding="utf-8")
        listed = ", ".join(f'"{name}"' for name in files)
        text = SESSION.replace('files = ["log1.csv"]', f"files = [{listed}]") + weather
        (folder / "session.toml").write_text(text, encoding="utf-8")
        return load_session(open_workspace(root), SESSION_NAME)

    return _session


def _clock(start_s, rows=ROWS, text=None):
    seconds = start_s + np.arange(rows) * 0.04
    return [text(s) if text else f"{s:.2f}" for s in seconds]


def _stamp(seconds):
    return str(np.datetime64("2026-05-03T10:00:00.00") + np.timedelta64(round(seconds * 1000), "ms"))


def _time_of_day(seconds):
    return f"{int(seconds // 3600) % 24:02d}:{int(seconds // 60) % 60:02d}:{seconds % 60:06.3f}"


def _engine(time, name="Time (s)", seed=0):
    return {name: time, "RPM": waves(800, 6000, len(time), seed), "Lambda": waves(0.9, 1.1, len(time), seed)}


def test_one_file(session):
    log = session({"a.csv": _engine(_clock(0))})
    assert (log.attrs["session"], log.attrs["revision"]) == (SESSION_NAME, "r01")
    assert log.sizes["time"] == ROWS
    assert (np.diff(log["time"]) > 0).all()


def test_files_that_each_start_at_zero_are_laid_one_after_another_and_it_is_said(session):
    log = session({"a.csv": _engine(_clock(0)), "b.csv": _engine(_clock(0), seed=3)})
    assert log["episode"].values.tolist() == [0] * ROWS + [1] * ROWS
    assert float(log["time"][ROWS] - log["time"][ROWS - 1]) == pytest.approx(1.0)
    assert "b.csv: laid 1 s after a.csv; the true gap between the two is not known" in log.attrs["history"]


def test_file_that_goes_on_where_the_other_ended_stays_on_its_clock(session):
    log = session({"a.csv": _engine(_clock(100)), "b.csv": _engine(_clock(116.04), seed=3)})
    assert float(log["time"][ROWS] - log["time"][ROWS - 1]) == pytest.approx(0.08)
    assert "on the same clock" in log.attrs["history"]


def test_dated_files_keep_their_true_distance_whatever_their_order(session):
    late, early = _clock(300, text=_stamp), _clock(0, text=_stamp)
    log = session({"late.csv": _engine(late, "Date time"), "early.csv": _engine(early, "Date time", seed=3)})
    assert float(log["time"][ROWS]) == pytest.approx(300.0, abs=1e-5)
    assert [f["path"] for f in json.loads(log.attrs["files"])] == ["early.csv", "late.csv"]


def test_times_of_day_go_on_past_midnight_between_files(session):
    before, after = _clock(86400 - 30, text=_time_of_day), _clock(86400 + 30, text=_time_of_day)
    log = session({"a.csv": _engine(before, "Time"), "b.csv": _engine(after, "Time", seed=3)})
    assert float(log["time"][ROWS]) == pytest.approx(60.0, abs=1e-5)


def _stopwatch(seconds):
    return f"{int(seconds // 60):02d}:{seconds % 60:06.3f}"


@pytest.mark.parametrize("write", [_time_of_day, _stopwatch])
@pytest.mark.parametrize(("first", "second"), [(0.0, 0.0), (0.2, 0.57), (130.2, 3.1)])
def test_a_stopwatch_that_starts_anew_in_each_file_is_no_time_of_day(session, write, first, second):
    files = {"a.csv": _engine(_clock(first, text=write), "Time")}
    files |= {"b.csv": _engine(_clock(second, text=write), "Time", seed=3)}
    log = session(files)
    assert log["episode"].values.tolist() == [0] * ROWS + [1] * ROWS
    np.testing.assert_allclose(log["engine_speed_rpm"][ROWS:], np.array(files["b.csv"]["RPM"], dtype=float), atol=0.5)
    assert "b.csv: laid 1 s after a.csv; the true gap between the two is not known" in log.attrs["history"]


def test_minutes_and_seconds_start_anew_every_hour(session):
    log = session({"a.csv": _engine(_clock(3590, text=lambda s: _stopwatch(s % 3600)), "Time")})
    np.testing.assert_allclose(log["time"], np.arange(ROWS) * 0.04, atol=1e-6)
    assert "clock from minutes and seconds, with an hour added wherever they start anew" in log.attrs["history"]


def test_rows_that_an_overlapping_file_repeats_are_set_aside(session):
    log = session({
        "a.csv": _engine(_clock(0, text=_stamp), "Date time"),
        "b.csv": _engine(_clock(10, text=_stamp), "Date time", seed=3),
    })  # fmt: skip
    files = {f["path"]: f for f in json.loads(log.attrs["files"])}
    assert files["a.csv"]["rows_kept"] == ROWS
    assert 0 < files["b.csv"]["rows_set_aside"] == files["b.csv"]["rows_in"] - files["b.csv"]["rows_kept"]
    aside = json.loads(log.attrs["set_aside"])
    assert {item["reason"] for item in aside} == {"this time is already covered by a.csv"}
    assert (aside[0]["file"], aside[0]["row"]) == ("b.csv", 2)
    assert (np.diff(log["time"]) > 0).all()
    assert log.sizes["time"] == sum(f["rows_kept"] for f in files.values())


def test_file_inside_another_ones_time_adds_nothing_and_is_accounted_for(session):
    log = session({
        "a.csv": _engine(_clock(0, text=_stamp), "Date time"),
        "b.csv": _engine(_clock(4, 50, _stamp), "Date time", seed=3),
    })  # fmt: skip
    files = {f["path"]: f for f in json.loads(log.attrs["files"])}
    assert files["b.csv"]["rows_kept"] == 0
    assert log.sizes["time"] == ROWS


def test_relative_file_that_begins_with_rows_of_the_one_before_overlaps_it(session):
    whole = _engine(_clock(0, 600))
    first = {name: cells[:400] for name, cells in whole.items()}
    second = {name: cells[350:] for name, cells in whole.items()}
    log = session({"a.csv": first, "b.csv": second})
    assert log.sizes["time"] == 600
    np.testing.assert_allclose(np.diff(log["time"]), 0.04, atol=1e-6)
    assert "so both are on one clock" in log.attrs["history"]


@pytest.mark.parametrize("rows", [ROWS, ROWS // 2])
def test_a_copy_of_a_file_counts_once_even_on_a_clock_of_its_own(session, rows):
    first = _engine(_clock(0))
    log = session(
        {"a.csv": first, "b.csv": _engine(_clock(0), seed=3), "c.csv": {k: v[:rows] for k, v in first.items()}}
    )
    assert log.sizes["time"] == 2 * ROWS
    assert json.loads(log.attrs["files"])[2]["rows_set_aside"] == rows
    assert "holds the rows of a.csv again" in log.attrs["history"]


def test_second_logger_on_a_clock_of_its_own_is_told_of(session):
    log = session({"a.csv": _engine(_clock(0)), "b.csv": {"Time (s)": _clock(0), "TPS (%)": waves(0, 90, ROWS)}})
    assert "let both write date or time of day" in log.attrs["history"]


def test_second_logger_beside_the_first_is_interleaved_row_by_row(session):
    wide = {
        "Date time": _clock(0.013, 160, lambda s: _stamp(0.013 + (s - 0.013) * 2.5)),
        "Lambda": waves(0.9, 1.1, 160),
    }
    engine = {"Date time": _clock(0, text=_stamp), "RPM": waves(800, 6000)}
    log = session({"engine.csv": engine, "wide.csv": wide})
    assert log.sizes["time"] == ROWS + 160
    assert int(log["lambda_measured_fresh"].sum()) == 160
    assert int(log["engine_speed_rpm_fresh"].sum()) == ROWS
    assert np.isfinite(log["engine_speed_rpm"]).all()
    fresh = log["lambda_measured"].values[log["lambda_measured_fresh"].values == 1]
    np.testing.assert_allclose(fresh, wide["Lambda"], rtol=1e-4)
    assert sum(f["rows_kept"] for f in json.loads(log.attrs["files"])) == ROWS + 160


@pytest.mark.parametrize("second", ["a-wide.csv", "z-wide.csv"])
def test_second_logger_beside_several_files_of_the_first_loses_no_row(session, second):
    parts = {
        f"log{part}.csv": {
            "Time": _clock(36000 + 16 * part, text=_time_of_day),
            "RPM": waves(800, 6000),
            "TPS (%)": waves(1, 9),
        }
        for part in (1, 2)
    }
    wide = {"Time": _clock(36016.01, 2 * ROWS + 200, text=_time_of_day), "Lambda": waves(0.9, 1.1, 2 * ROWS + 200)}
    files = dict(sorted({**parts, second: wide}.items()))
    log = session(files)
    assert {item["path"]: item["rows_set_aside"] for item in json.loads(log.attrs["files"])} == dict.fromkeys(files, 0)
    assert log.sizes["time"] == 4 * ROWS + 200
    assert int(log["episode"].max()) <= 1
    assert np.isfinite(log["engine_speed_rpm"].values[:-210]).mean() > 0.97
    assert int(log["lambda_measured_fresh"].sum()) == 2 * ROWS + 200


def test_two_loggers_that_both_log_a_channel_are_an_error_naming_both(session):
    other = {"Date time": _clock(0.01, text=_stamp), "RPM": waves(800, 6000), "Coolant (°C)": waves(80, 90)}
    others = {"TPS (%)": waves(1, 80), "Battery (V)": waves(13, 14)}
    with pytest.raises(LoadError, match=r"a\.csv and b\.csv.*\n.*engine_speed_rpm"):
        session({"a.csv": _engine(_clock(0, text=_stamp), "Date time"), "b.csv": other | others})
    rule = '[[column]]\nname = "RPM"\nfile = "b.csv"\nignore = true\n'
    log = session({"a.csv": _engine(_clock(0, text=_stamp), "Date time"), "b.csv": other | others}, rule)
    assert {"engine_speed_rpm", "coolant_c"} <= set(log)


def test_channel_that_one_file_lacks_is_nan_there(session):
    log = session({"a.csv": _engine(_clock(0)), "b.csv": _engine(_clock(0)) | {"TPS (%)": waves(2, 90)}})
    assert np.isnan(log["throttle_pct"].values[:ROWS]).all()
    assert np.isfinite(log["throttle_pct"].values[ROWS:]).all()


def test_every_file_that_cannot_be_used_is_told_of_at_once(session):
    with pytest.raises(LoadError) as caught:
        session({"a.csv": _engine(_clock(0)) | {"Coolant": waves(29, 87)}, "b.csv": {"RPM": waves(800, 900)[:1]}})
    assert "a.csv: 1 thing to settle" in str(caught.value)
    assert "b.csv: " in str(caught.value)


def test_an_open_column_that_no_step_needs_is_left_out_and_it_is_said(session):
    more = {"Speed": waves(0, 90), "Fuel state": np.tile([0.0, 5.0], ROWS // 2), "TPS": waves(1, 80)}
    log = session({"a.csv": _engine(_clock(0)) | more | {"Throttle (%)": waves(30, 90)}})
    assert not {"road_speed_km_h", "fuel_mode", "throttle_pct"} & set(log)
    notes = {note["column"]: note["conversion"] for note in json.loads(log.attrs["columns"])}
    for name in ("Speed", "Fuel state", "TPS"):
        assert "left out until channels.toml settles it" in notes[name]
        assert f"{name!r} left out until channels.toml settles it" in log.attrs["history"]


def test_a_cold_log_is_read_as_the_warm_one_of_the_same_logger(session, tmp_path):
    warm, cold = _engine(_clock(0)) | {"Coolant": waves(70, 90)}, _engine(_clock(0)) | {"Coolant": waves(29, 87)}
    session({"a.csv": warm})
    root = next(tmp_path.glob("**/car.toml")).parent
    folder = root / "sessions" / SESSION_NAME
    other = root / "sessions" / "2026-05-04-cold"
    other.mkdir()
    write_log(other / "b.csv", cold)
    text = (folder / "session.toml").read_text(encoding="utf-8").replace("2026-05-03", "2026-05-04")
    (other / "session.toml").write_text(text.replace("a.csv", "b.csv"), encoding="utf-8")
    log = load_session(open_workspace(root), other.name)
    np.testing.assert_allclose(log["coolant_c"], waves(29, 87), atol=0.01)
    assert f"as in {SESSION_NAME}/a.csv" in log.attrs["columns"]
    write_log(folder / "a.csv", {("Coolant temp" if name == "Coolant" else name): v for name, v in warm.items()})
    with pytest.raises(LoadError, match="Coolant"):  # another logger
        load_session(open_workspace(root), other.name)


def test_gauge_pressure_takes_the_sessions_weather(session):
    weather = "\n[weather]\nair_c = 20\npressure_kpa = 98.0\nhumidity_pct = 50\n"
    log = session({"a.csv": _engine(_clock(0)) | {"Boost (bar)": waves(-0.6, 0.5)}}, weather=weather)
    assert float(log["manifold_kpa"].max()) == pytest.approx(148.0, rel=0.01)


def test_unknown_session_names_those_there_are(session, tmp_path):
    session({"a.csv": _engine(_clock(0))})
    with pytest.raises(KeyError, match=SESSION_NAME):
        load_session(open_workspace(tmp_path), "2026-01-01-none")


def test_raw_files_are_left_as_they_were(session, tmp_path):
    session({"a.csv": _engine(_clock(0))})
    path = tmp_path / "sessions" / SESSION_NAME / "a.csv"
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    load_session(open_workspace(tmp_path), SESSION_NAME)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_a_log_in_which_no_time_passes_is_said_to_be_one(tmp_path):
    root = write_workspace(tmp_path)
    (root / "sessions" / SESSION_NAME / "log1.csv").write_text("Time (s),Engine speed (rpm)\n0.00,850\n")
    with pytest.raises(LoadError, match="one row of readings, in which no time passes; two rows are the least"):
        load_session(open_workspace(root), SESSION_NAME)


def test_a_log_of_the_kits_own_with_one_row_is_refused_too(session, tmp_path):
    log = session({"a.csv": _engine(_clock(0))})
    folder = tmp_path / "sessions" / SESSION_NAME
    store.write_log(log.isel(time=[0]), folder / "log.nc")
    (folder / "session.toml").write_text(SESSION.replace("log1.csv", "log.nc"), encoding="utf-8")
    with pytest.raises(LoadError, match="holds 1 row that can be used; two moments are the least"):
        load_session(open_workspace(tmp_path), SESSION_NAME)


def _drive(time, seed):
    """Engine speed that wanders up and down; the same curve for whatever clock asks."""
    rng = np.random.default_rng(seed)
    knots = np.arange(-50.0, 400.0, 3.0)
    return np.interp(time, knots, 3500 + 2700 * np.sin(np.cumsum(rng.normal(0, 0.4, knots.size))))


def _two_loggers(seed=4, start=37.43, rate=1.0, noise=15.0):
    rng = np.random.default_rng(seed + 1)
    first, second = np.arange(0, 240, 0.05), np.arange(0, 180, 0.11)
    engine = {"Time (s)": first, "RPM": _drive(first, seed), "TPS (%)": waves(0, 90, first.size)}
    speed = _drive(start + rate * second, seed) + rng.normal(0, noise, second.size)
    wide = {
        "Time (s)": second,
        "RPM": np.clip(np.round(speed), 0, 9000),
        "Lambda": waves(0.9, 1.1, second.size),
        "EGT (°C)": waves(500, 700, second.size),
    }
    return {"engine.csv": engine, "wide.csv": wide}


def test_the_offset_of_two_loggers_is_found_by_what_both_logged_with_its_doubt(session):
    log = session(_two_loggers())
    history = log.attrs["history"]
    added, doubt = (float(text) for text in re.search(r"wide\.csv: ([\d.]+) ± ([\d.]+) s added", history).groups())
    assert added == pytest.approx(37.43, abs=max(2 * doubt, 0.02))
    assert doubt <= 0.1
    assert "found by engine_speed_rpm in both, which is taken from engine.csv" in history
    assert {"lambda_measured", "engine_speed_rpm", "throttle_pct"} <= set(log)
    assert float(log["time"].max()) == pytest.approx(240, abs=0.1)  # beside each other, not one after another
    columns = json.loads(log.attrs["columns"])
    left_out = [c for c in columns if c["file"] == "wide.csv" and c["column"] == "RPM"]
    assert left_out[0]["conversion"] == "left out: engine.csv logged it too, and the two agree"


@pytest.mark.parametrize(
    ("change", "because"),
    [
        ({"rate": 1.02}, "agree|run alike"),
        ({"noise": 1500.0}, "do not agree at any offset"),
        ({"start": -600.0}, "agree"),
    ],
)
def test_an_offset_in_doubt_is_none_and_it_is_said_what_to_do(session, change, because):
    log = session(_two_loggers(**change))
    assert re.search(rf"is not known by engine_speed_rpm, since .*({because})", log.attrs["history"])
    assert "[[clock]] with file and starts_s" in log.attrs["history"]
    assert float(log["time"].max()) > 400


def test_a_drive_that_repeats_itself_tells_no_offset(session):
    files = _two_loggers()
    for columns in files.values():
        columns["RPM"] = 2500 + 900 * np.sin(2 * np.pi * np.asarray(columns["Time (s)"]) / 20)
    assert "more than one offset: the drive repeats itself" in session(files).attrs["history"]


def test_the_owner_may_say_when_the_second_logger_began(session):
    files = {"a.csv": _engine(_clock(0)), "b.csv": {"Time (s)": _clock(0, 200), "TPS (%)": waves(0, 90, 200)}}
    log = session(files, weather='\n[[clock]]\nfile = "b.csv"\nstarts_s = 2.5\n')
    assert "b.csv: its first row lies 2.5 s from that of the first file, by session.toml" in log.attrs["history"]
    first = int(np.flatnonzero(np.isfinite(log["throttle_pct"]))[0])
    assert float(log["time"][first]) == pytest.approx(2.5)
    with pytest.raises(WorkspaceError, match=r"(?s)clock no\. 1: file.*'c\.csv', which is not there"):
        session(files, weather='\n[[clock]]\nfile = "c.csv"\nstarts_s = 2.5\n')
