"""The clock: every way in which loggers write time, and every way in which it goes wrong."""

import datetime
import json

import numpy as np
import polars as pl
import pytest
from written_log import map_log, waves, write_log

from tunelab.log.map import MapError, map_file
from tunelab.log.map.stamp import read_stamps
from tunelab.log.map.timing import settle_clock
from tunelab.log.read import read_raw
from tunelab.workspace import ColumnRule
from tunelab.workspace.channel_map import ChannelMap, FileRule

NONE = np.zeros(0, dtype=int)


@pytest.fixture
def clocked(tmp_path):
    """Map a log whose clock column is given as text, one entry a row."""

    def _clocked(heading, stamps, *rules):
        path = write_log(
            tmp_path / "log.csv", {heading: [str(s) for s in stamps], "RPM": waves(800, 3000, len(stamps))}
        )
        return map_log(path, *rules)

    return _clocked


def _reasons(log):
    return {item["row"]: item["reason"] for item in json.loads(log.attrs["set_aside"])}


WAYS = """
Time (s)  | 0.00 | 0.04 | 0.08 | 0.12
Time      | 5.00 | 5.04 | 5.08 | 5.12
Time (ms) | 1000 | 1040 | 1080 | 1120
Time      | 1000 | 1040 | 1080 | 1120
Time_us   | 0 | 40000 | 80000 | 120000
Timestamp | 10:00:00.00 | 10:00:00.04 | 10:00:00.08 | 10:00:00.12
Timestamp | "10:00:00,00" | "10:00:00,04" | "10:00:00,08" | "10:00:00,12"
Time      | 10:00:00:000 | 10:00:00:040 | 10:00:00:080 | 10:00:00:120
Time      | 59:59.96 | 60:00.00 | 60:00.04 | 60:00.08
Time      | 11:59:59.96 PM | 12:00:00.00 AM | 12:00:00.04 AM | 12:00:00.08 AM
Time      | 23:59:59.96 | 00:00:00.00 | 00:00:00.04 | 00:00:00.08
Date time | 2026-05-03T23:59:59.96 | 2026-05-04T00:00:00 | 2026-05-04T00:00:00.04 | 2026-05-04T00:00:00.08
UTC       | 2026-05-03 10:00:00.00Z | 2026-05-03T10:00:00.04Z | 2026-05-03T10:00:00.08Z | 2026-05-03T10:00:00.12Z
Time | 2026-05-03T12:00:00.00+02:00 | 2026-05-03T10:00:00.04Z | 2026-05-03T05:30:00.08-0430 | 2026-05-03T10:00:00.12
Date time | 30.04.2026 23:59:59.96 | 01.05.2026 00:00:00 | 01.05.2026 00:00:00.04 | 01.05.2026 00:00:00.08
Date time | 4/30/2026 23:59:59.96 | 5/1/2026 0:00:00 | 5/1/2026 0:00:00.04 | 5/1/2026 0:00:00.08
Date time | 30-Apr-2026 23:59:59.96 | 01-May-2026 00:00:00 | 01-May-2026 00:00:00.04 | 01-May-2026 00:00:00.08
Timestamp | 20260503_235959.96 | 20260504_000000.00 | 20260504_000000.04 | 20260504_000000.08
Timestamp | Sun May 03 23:59:59.96 2026 | Mon May 04 00:00:00 2026 | May 4 00:00:00.04 2026 | May 4 00:00:00.08 2026
Timestamp | May 3 2026 11:59:59.96 PM | May 4 2026 12:00:00 AM | May 4 2026 12:00:00.04 AM | May 4 2026 12:00:00.08 AM
Timestamp | 20260503T100000.00 | 20260503T100000.04 | 20260503T100000.08 | 20260503T100000.12
Timestamp | 1777802400.00 | 1777802400.04 | 1777802400.08 | 1777802400.12
Timestamp | 1777802400000 | 1777802400040 | 1777802400080 | 1777802400120
Timestamp | 1777802400000000000 | 1777802400040000000 | 1777802400080000000 | 1777802400120000000
"""


@pytest.mark.parametrize("way", WAYS.strip().splitlines())
def test_ways_to_write_time(clocked, way):
    heading, *stamps = (part.strip() for part in way.split("|"))
    log = clocked(heading, stamps)
    np.testing.assert_allclose(log["time"], [0, 0.04, 0.08, 0.12], atol=2e-6)
    assert int(log["episode"].max()) == 0


def test_date_and_time_of_day_in_two_columns(tmp_path):
    columns = {
        "Date": ["03/05/2026"] * 3 + ["04/05/2026"],
        "Time": ["23:59:59.0", "23:59:59.5", "23:59:59.9", "00:00:00.4"],
        "RPM": waves(800, 900, 4),
    }
    log = map_log(write_log(tmp_path / "log.csv", columns))
    np.testing.assert_allclose(log["time"], [0, 0.5, 0.9, 1.4], atol=2e-6)


def test_thousandths_beside_a_clock_of_whole_seconds_belong_to_it(tmp_path):
    seconds = 86400 - 6 + np.r_[np.arange(100), np.arange(300, 500)] * 0.04  # eight seconds are missing
    thousandths = (seconds * 1000).round().astype(int) % 1000
    columns = {
        "Time": [f"{int(s) // 3600 % 24:02d}:{int(s) // 60 % 60:02d}:{int(s + 1e-6) % 60:02d}" for s in seconds + 1e-6],
        "ms": thousandths.astype(str).tolist(),
        "RPM": waves(800, 900, 300),
    }
    log = map_log(write_log(tmp_path / "log.csv", columns))
    np.testing.assert_allclose(log["time"], seconds - seconds[0], atol=1e-6)
    assert "with the thousandths of ms" in log.attrs["history"]


def test_hours_minutes_and_seconds_in_columns_of_their_own(tmp_path):
    seconds = 86400 - 5 + np.r_[np.arange(100), np.arange(300, 500)] * 0.04
    columns = {
        "Hour": [f"{int(s) // 3600 % 24}" for s in seconds],
        "Min": [f"{int(s) // 60 % 60}" for s in seconds],
        "Sec": [f"{s % 60:.2f}" for s in seconds],
        "RPM": waves(800, 900, 300),
    }
    path = tmp_path / "log.csv"
    lines = [",".join(columns), *(",".join(str(c) for c in row) for row in zip(*columns.values(), strict=True))]
    path.write_text("\n".join(lines) + "\n")
    np.testing.assert_allclose(map_log(path)["time"], seconds - seconds[0], atol=1e-6)


@pytest.mark.parametrize(("end", "heading"), [(1000, "Time (ms)"), (65536, "Time (ms)"), (60000, "Timestamp ms")])
def test_counter_that_starts_anew_at_its_end_goes_on(clocked, end, heading):
    log = clocked(heading, (np.arange(4000) * 40 + 120) % end)
    np.testing.assert_allclose(log["time"], np.arange(4000) * 0.04, atol=1e-6)
    assert f"starts anew at {end}" in log.attrs["history"]


def test_loggers_that_are_started_again_are_no_counter(clocked):
    parts = [np.arange(n) * 40 for n in (300, 517, 222)]
    log = clocked("Time (ms)", np.concatenate(parts))
    assert int(log["episode"].max()) == 2


def test_a_word_that_is_time_or_speed_is_a_clock_by_its_unit_or_where_it_only_rises(tmp_path):
    path = tmp_path / "log.csv"
    for heading in ("Tempo [s]", "Tempo"):
        path.write_text(f"{heading};RPM\n" + "".join(f"{i * 0.04:.2f};{800 + i}\n" for i in range(50)))
        np.testing.assert_allclose(map_log(path)["time"], np.arange(50) * 0.04, atol=1e-6)
    log = map_log(write_log(path, {"Tempo (km/h)": waves(20, 90), "RPM": waves(800, 3000)}))
    np.testing.assert_allclose(log["road_speed_km_h"], waves(20, 90), rtol=1e-4)


def test_day_on_which_the_log_began_in_every_row_does_not_stop_midnight(tmp_path):
    columns = {
        "Date": ["03.05.2026"] * 4,
        "Time": ["23:59:59.0", "23:59:59.5", "23:59:59.9", "00:00:00.4"],
        "RPM": waves(800, 900, 4),
    }
    log = map_log(write_log(tmp_path / "log.csv", columns))
    np.testing.assert_allclose(log["time"], [0, 0.5, 0.9, 1.4], atol=2e-6)
    assert int(log["episode"].max()) == 0


def test_steps_of_one_are_seconds_or_milliseconds_and_nobody_knows(clocked):
    with pytest.raises(MapError, match="may be seconds, milliseconds"):
        clocked("Time", range(50))
    assert float(clocked("Time", range(50), ColumnRule(name="Time", time="ms"))["time"][-1]) == pytest.approx(0.049)
    assert float(clocked("Time", range(50), ColumnRule(name="Time", time="min"))["time"][-1]) == pytest.approx(49 * 60)


def test_steps_too_fine_for_seconds_are_asked_for(clocked):
    days = [f"{0.4375 + i * 0.04 / 86400:.10f}" for i in range(200)]
    with pytest.raises(MapError, match="minutes, hours or days"):
        clocked("Time", days)
    assert float(clocked("Time", days, ColumnRule(name="Time", time="day"))["time"][-1]) == pytest.approx(
        7.96, abs=1e-3
    )


def test_no_clock_is_an_error_and_a_rate_is_the_way_out(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("RPM,Lambda\n" + "".join(f"{800 + i},1.0{i}\n" for i in range(9)))
    with pytest.raises(MapError, match="rate_hz"):
        map_log(path)
    from plain_car import owners_car

    from tunelab.log.map import map_raw
    from tunelab.log.read import read_raw

    rules = ChannelMap(file=[FileRule(name="*.csv", rate_hz=20)])
    log = map_raw(read_raw(path, rules), owners_car(), rules)
    np.testing.assert_allclose(log["time"], np.arange(9) / 20)


def test_clock_column_under_another_name_by_rule(clocked):
    log = clocked("Time ticks", np.arange(40) * 50, ColumnRule(name="Time ticks", time="ms"))
    assert float(log["time"][-1]) == pytest.approx(39 * 0.05)


def test_satellite_time_of_day_as_a_number_passes_minutes_and_midnight(clocked):
    seconds = 86400 - 90 + np.arange(200)
    stamps = [f"{s // 3600 % 24:02.0f}{s // 60 % 60:02.0f}{s % 60:05.2f}" for s in seconds]
    np.testing.assert_allclose(clocked("UTC time", stamps)["time"], np.arange(200), atol=1e-6)


def test_satellite_time_of_day_of_less_than_a_minute(clocked):
    seconds = 9 * 3600 + 5 * 60 + 33 + np.arange(1000) * 0.04  # 090533.00 to 090612.96
    stamps = [f"{s // 3600:02.0f}{s // 60 % 60:02.0f}{s % 60:05.2f}" for s in np.round(seconds, 2)]
    np.testing.assert_allclose(clocked("UTC time", stamps)["time"], np.arange(1000) * 0.04, atol=1e-6)


def test_second_clock_in_an_unknown_unit_does_not_hinder_the_first(tmp_path):
    columns = {
        "Time (s)": [f"{i * 0.04:.2f}" for i in range(100)],
        "Timestamp": [str(7 + i * 40003) for i in range(100)],
    }
    log = map_log(write_log(tmp_path / "log.csv", columns | {"RPM": waves(800, 3000, 100)}))
    np.testing.assert_allclose(log["time"], np.arange(100) * 0.04, atol=1e-6)


def test_column_named_like_a_clock_that_goes_to_and_fro_is_none(tmp_path):
    columns = {
        "Offset (ms)": waves(1, 9, 100),
        "Time (s)": [f"{i * 0.04:.2f}" for i in range(100)],
        "RPM": waves(800, 900),
    }
    log = map_log(write_log(tmp_path / "log.csv", {k: v[:100] for k, v in columns.items()}))
    np.testing.assert_allclose(log["time"], np.arange(100) * 0.04, atol=1e-6)


def test_jitter_is_kept_as_it_is(clocked):
    stamps = np.cumsum(np.random.default_rng(3).uniform(0.03, 0.05, 200)).round(4)
    np.testing.assert_allclose(clocked("Time (s)", stamps)["time"], stamps - stamps[0], atol=1e-9)


def test_repeated_stamp_is_set_aside_with_its_line(clocked):
    stamps = [f"{i * 0.04:.2f}" for i in range(50)]
    stamps[20] = stamps[19]
    log = clocked("Time (s)", stamps)
    assert _reasons(log) == {22: "same time as the row before"}
    assert log.sizes["time"] == 49


def test_stray_stamps_back_and_ahead_are_set_aside(clocked):
    stamps = [f"{i * 0.04:.2f}" for i in range(60)]
    stamps[20], stamps[40] = "0.12", "4294967.29"
    log = clocked("Time (s)", stamps)
    assert _reasons(log) == dict.fromkeys((22, 42), "time out of order for a moment")
    assert int(log["episode"].max()) == 0
    assert float(log["time"][-1]) == pytest.approx(59 * 0.04)


def test_unreadable_stamp_is_set_aside(clocked):
    stamps = [f"{i * 0.04:.2f}" for i in range(60)]
    stamps[7] = "ERR"
    assert _reasons(clocked("Time (s)", stamps)) == {9: "no readable time"}


def test_clock_that_restarts_makes_episodes_with_a_gap_said_to_be_unknown(clocked):
    part = [f"{i * 0.04:.2f}" for i in range(30)]
    log = clocked("Time (s)", part * 3)
    assert log["episode"].values.tolist() == [0] * 30 + [1] * 30 + [2] * 30
    assert float(log["time"][30] - log["time"][29]) == pytest.approx(1.0)
    assert "starts anew 2 times" in log.attrs["history"]
    assert "unknown length" in log.attrs["history"]
    assert json.loads(log.attrs["set_aside"]) == []


def test_restart_to_a_time_just_before_the_end_is_found(clocked):
    """A restart after a short first part: 0 to 2 s, then 0 to 8 s, so the clock soon passes where it had been."""
    log = clocked("Time (s)", [f"{i * 0.04:.2f}" for i in (*range(50), *range(200))])
    assert log["episode"].values.tolist() == [0] * 50 + [1] * 200


def test_real_gap_of_a_clock_that_goes_on_stays(clocked):
    stamps = [f"10:00:{s:05.2f}" for s in (*np.arange(0, 2, 0.04), *np.arange(20, 22, 0.04))]
    log = clocked("Time", stamps)
    assert float(np.diff(log["time"]).max()) == pytest.approx(18.04, abs=1e-6)
    assert log["episode"].values.tolist() == [0] * 50 + [1] * 50


def test_a_few_rows_missing_do_not_break_the_log(clocked):
    stamps = [f"{i * 0.04:.2f}" for i in range(100) if i not in (30, 31, 32, 60)]
    assert int(clocked("Time (s)", stamps)["episode"].max()) == 0


def test_heading_in_the_middle_starts_an_episode_even_if_the_clock_goes_on(tmp_path):
    lines = ["Time (s),RPM", *(f"{i * 0.04:.2f},{800 + i}" for i in range(20))]
    lines += ["Time (s),RPM", *(f"{5 + i * 0.04:.2f},{800 + i}" for i in range(20))]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n")
    log = map_log(path)
    assert log["episode"].values.tolist() == [0] * 20 + [1] * 20
    assert float(log["time"][20]) == pytest.approx(5.0)
    assert json.loads(log.attrs["files"])[0]["rows_in"] == 41


def test_coarse_clock_is_spread_between_its_stamps(clocked):
    """Ten rows a second under a clock that shows whole seconds: no row is given up, and the history says so."""
    stamps = [f"10:00:{i // 10:02d}" for i in range(3, 300)]
    log = clocked("Time", stamps)
    assert log.sizes["time"] == 297
    np.testing.assert_allclose(np.diff(log["time"]), 0.1, atol=1e-6)
    assert "the clock is coarse" in log.attrs["history"]


def test_a_hole_in_a_part_of_few_stamps_is_not_taken_for_the_step_of_a_coarse_clock(tmp_path):
    """Rows behind the hole were laid 3.5 s apart: between three stamps of the part the middle step was 14 s."""
    rows = [*[25] * 10, 26, *[53] * 4, "Time,RPM", *[53] * 2, *(54 + i // 10 for i in range(60))]
    path = tmp_path / "log.csv"
    lines = [
        row if isinstance(row, str) else f"10:00:{row:02d},{800 + at}" for at, row in enumerate(["Time,RPM", *rows])
    ]
    path.write_text("\n".join([*lines, ""]))
    time = map_log(path)["time"].values
    np.testing.assert_allclose(np.diff(time[11:15]), 0.1, atol=1e-6)
    assert time.size == 77
    assert time[-1] == pytest.approx(34.9, abs=0.3)


def test_finer_of_two_clocks_is_taken_and_tied_to_the_date(tmp_path):
    columns = {
        "Time (s)": [f"{i * 0.04:.2f}" for i in range(100)],
        "Date time": [f"2026-05-03 10:00:{int(i * 0.04):02d}" for i in range(100)],
        "RPM": waves(800, 900, 100),
    }
    log = map_log(write_log(tmp_path / "log.csv", columns))
    np.testing.assert_allclose(np.diff(log["time"]), 0.04, atol=2e-6)
    assert "tied to the date" in log.attrs["history"]


@pytest.mark.parametrize("seed", range(12))
def test_whatever_the_clock_does_every_row_is_kept_or_has_a_reason(seed):
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.choice([0.04, 0.04, 0.04, 0.0, 0.05, 3.0], 400))
    for _ in range(int(rng.integers(0, 5))):
        time[rng.integers(1, 399) :] -= rng.uniform(-1, 8)
    time[rng.random(400) < 0.03] = np.nan
    hit = rng.random(400) < 0.02
    time[hit] += rng.normal(0, 50, hit.sum())
    settled = settle_clock(time, np.sort(rng.integers(1, 399, 2)))
    rows = np.concatenate([np.flatnonzero(settled.keep), *settled.reasons.values()])
    assert np.array_equal(np.sort(rows), np.arange(400))
    assert (np.diff(settled.time_s[settled.keep]) > 0).all()
    assert (np.diff(settled.episode[settled.keep]) >= 0).all()


def test_clock_of_one_row_or_none():
    assert settle_clock(np.array([1.0]), NONE).keep.tolist() == [True]
    assert settle_clock(np.array([np.nan, np.nan]), NONE).keep.sum() == 0
    assert settle_clock(np.array([]), NONE).keep.size == 0


@pytest.mark.parametrize("zone", ["Z", " UTC"])
@pytest.mark.parametrize("start", ["2026-05-03T23:59:58", "2026-05-03 23:59:58", "23:59:58"])
@pytest.mark.parametrize("digits", [0, 1, 3, 6])
def test_stamps_written_alike_say_what_they_say_with_a_zone_behind_them(start, digits, zone):
    """A zone of no offset leaves the time as it is, to the last bit, though such text is picked apart otherwise."""
    head = start[: -len("23:59:58")]
    whole = 86398 + np.cumsum(np.random.default_rng(2).uniform(0.02, 0.06, 300))
    cells = []
    for second in whole:
        day = head.replace("-03", f"-{3 + int(second // 86400):02d}")
        hour, rest = divmod(second % 86400, 3600)
        fraction = f".{int(second % 1 * 10**digits):0{digits}d}" if digits else ""
        cells.append(f"{day}{int(hour):02d}:{int(rest // 60):02d}:{int(rest % 60):02d}{fraction}")
    plain, zoned = read_stamps(pl.Series(cells)), read_stamps(pl.Series(cells) + zone)
    assert (plain.has_date, plain.how) == (zoned.has_date, zoned.how)
    np.testing.assert_array_equal(plain.seconds, zoned.seconds)
    assert np.all(np.diff(plain.seconds) >= 0)
    assert np.ptp(plain.seconds) > 8


def test_spreadsheet_days_count_from_where_spreadsheets_do(tmp_path):
    """45658 is 1 January 2025 and 25569 1 January 1970, as any spreadsheet shows them (from memory)."""
    rows = [f"{45658.5 + i * 0.04 / 86400:.9f},{900 + i}" for i in range(50)]
    (tmp_path / "log.csv").write_text("\n".join(["Date Time,RPM", *rows, ""]), encoding="utf-8")
    file = map_file(read_raw(tmp_path / "log.csv"), None, ChannelMap(), weather=None)
    noon = datetime.datetime(2025, 1, 1, 12, tzinfo=datetime.UTC).timestamp()
    assert file.kind == "absolute"
    assert file.time_s[0] == pytest.approx(noon, abs=0.01)


# A hole begins an episode from two seconds and twenty usual steps on: common practice, as `settle_clock` says.
@pytest.mark.parametrize(
    ("step_s", "hole_s", "episodes"),
    [(0.04, 1.9, 1), (0.04, 2.1, 2), (0.5, 9.9, 1), (0.5, 10.5, 2)],
)
def test_a_hole_begins_an_episode_by_its_length_and_by_the_steps_it_lacks(clocked, step_s, hole_s, episodes):
    time = step_s * np.arange(120)
    time[60:] += hole_s - step_s
    log = clocked("Time (s)", [f"{t:.2f}" for t in time])
    assert int(log["episode"].max()) + 1 == episodes
    assert not _reasons(log)


@pytest.mark.parametrize(
    ("heading", "step"), [("Time (s)", 40), ("Time [s]", 20), ("Time (ms)", 0.04), ("Time (min)", 0.5)]
)
def test_a_stated_unit_of_the_clock_by_which_no_logger_writes_is_asked_for(clocked, heading, step):
    """Thousandths under a heading that says seconds made an hour of a few seconds, with every rate wrong."""
    stamps = [f"{7 + k * step:g}" for k in range(300)]
    with pytest.raises(MapError, match=r"(?s)one row in .*, which no drive log has; say which:.*time = "):
        clocked(heading, stamps)
    asked = clocked(heading, stamps, ColumnRule(name=heading, time="s"))
    assert np.median(np.diff(asked["time"])) == pytest.approx(step)


def test_a_slow_logger_keeps_the_unit_that_it_states(clocked):
    assert np.median(np.diff(clocked("Time (s)", [5.0 * k for k in range(60)])["time"])) == 5.0
