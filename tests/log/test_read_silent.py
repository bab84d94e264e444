"""Files that were once read wrong without a word: rows, marks, units, missing cells and clocks."""

import json

import numpy as np
import pytest
from written_log import map_log, waves, write_log

from tunelab.log.inspect import inspect_file
from tunelab.log.map import MapError
from tunelab.log.read import ReadError, read_raw
from tunelab.workspace import ChannelMap
from tunelab.workspace.channel_map import FileRule

NAMES = ["Time (s)", "RPM", "MAF (V)", "Lambda", "Battery (V)", "Coolant (°C)"]
ROWS = 300
VALUES = {
    "RPM": waves(800, 6000, ROWS, 1),
    "MAF (V)": waves(1.1, 4.2, ROWS, 2),
    "Lambda": waves(0.85, 1.1, ROWS, 3),
    "Battery (V)": waves(13.2, 14.1, ROWS, 4),
    "Coolant (°C)": waves(82, 90, ROWS, 5),
    "IAT (°C)": waves(20, 36, ROWS, 6),
}


def line(row: int, names: list[str]) -> str:
    cells = {"Time (s)": f"{row * 0.04:.2f}"} | {name: f"{values[row]:.3f}" for name, values in VALUES.items()}
    return ",".join(cells[name] for name in names)


@pytest.fixture
def write(tmp_path):
    """Write lines to a file; its path."""

    def _write(lines, end="\n"):
        path = tmp_path / "log.csv"
        path.write_text(end.join(lines) + end, encoding="utf-8")
        return path

    return _write


def columns_of(log):
    return {note["column"]: note for note in json.loads(log.attrs["columns"])}


# ---- rows under the wrong heading


@pytest.mark.parametrize("at", [3, 110, 295])
def test_rows_below_a_second_heading_in_another_order_go_by_it(write, at):
    other = [NAMES[0], *NAMES[:0:-1]]
    path = write([",".join(NAMES), *(line(i, NAMES) for i in range(at)), ",".join(other)] + [
        line(i, other) for i in range(at, ROWS)
    ])  # fmt: skip
    raw = read_raw(path)
    for name, values in VALUES.items():
        if name in NAMES:
            np.testing.assert_allclose(raw.frame[name], values, atol=6e-4)
    assert raw.restarts.tolist() == raw.parts.tolist() == [at]
    assert raw.rows_in == ROWS + 1
    assert [(item.row, item.reason) for item in raw.set_aside] == [
        (at + 2, "another heading line: the rows below are read by it")
    ]
    assert raw.line.tolist() == [i + 2 + (i >= at) for i in range(ROWS)]


@pytest.mark.parametrize("at", [3, 110, 295])
def test_a_column_added_with_a_heading_of_its_own_loses_no_row(write, at):
    more = [*NAMES[:2], "IAT (°C)", *NAMES[2:]]
    path = write([",".join(NAMES), *(line(i, NAMES) for i in range(at)), ",".join(more)] + [
        line(i, more) for i in range(at, ROWS)
    ])  # fmt: skip
    raw = read_raw(path)
    assert raw.frame.height == ROWS
    assert raw.frame["IAT (°C)"].null_count() == at
    np.testing.assert_allclose(raw.frame["Coolant (°C)"], VALUES["Coolant (°C)"], atol=6e-4)


@pytest.mark.parametrize("at", [2, 60, 298])
def test_a_column_added_without_a_heading_is_refused_or_set_aside(write, at):
    path = write(
        [",".join(NAMES), *(line(i, NAMES) for i in range(at)), *(f"{line(i, NAMES)},7" for i in range(at, ROWS))]
    )
    if at < ROWS / 2:
        with pytest.raises(ReadError, match="must agree"):
            read_raw(path)
        return
    raw = read_raw(path)
    assert raw.frame.height == at
    assert sum(item.rows for item in raw.set_aside) == ROWS - at


def test_a_unit_line_that_changes_makes_one_channel_of_both_units(write, tmp_path):
    head = "Time,RPM,Coolant"
    warm = waves(82, 90, ROWS, 5)
    celsius = [f"{i * 0.04:.2f},{900 + i},{warm[i]:.3f}" for i in range(150)]
    fahrenheit = [f"{i * 0.04:.2f},{900 + i},{warm[i] * 1.8 + 32:.3f}" for i in range(150, ROWS)]
    log = map_log(write([head, "s,rpm,°C", *celsius, head, "s,rpm,°F", *fahrenheit]))
    np.testing.assert_allclose(log["coolant_c"], warm, atol=1e-3)
    assert log["episode"].values.tolist() == [0] * 150 + [1] * 150
    assert "goes on with 'Coolant'" in columns_of(log)["Coolant (2)"]["conversion"]


def test_the_first_heading_again_is_no_other_heading(write):
    rows = [line(i, NAMES) for i in range(40)]
    raw = read_raw(write([",".join(NAMES), *rows[:20], "Logger 12", ",".join(NAMES), *rows[20:]]))
    assert raw.parts.size == 0
    assert raw.restarts.tolist() == [20]


@pytest.mark.parametrize("at", [0, 1, 150])
@pytest.mark.parametrize("quote", range(0, 12, 3))
def test_a_lost_quote_moves_no_cell(write, at, quote):
    lines = [
        ",".join(f'"{cell}"' for cell in text.split(","))
        for text in (",".join(NAMES), *(line(i, NAMES) for i in range(ROWS)))
    ]
    place = [i for i, letter in enumerate(lines[at]) if letter == '"'][quote]
    lines[at] = lines[at][:place] + lines[at][place + 1 :]
    try:
        raw = read_raw(write(lines))
    except ReadError:
        return
    assert raw.rows_in == raw.frame.height + sum(item.rows for item in raw.set_aside) == ROWS
    kept = raw.line - 2
    for column, name in zip(raw.columns, NAMES, strict=True):
        if name in VALUES:
            np.testing.assert_allclose(raw.frame[column.key], VALUES[name][kept], atol=6e-4)


@pytest.mark.parametrize("missing", [1, 2, 3, 4])
@pytest.mark.parametrize("run", [1, 12, 200])
def test_rows_that_lack_a_cell_and_end_in_a_delimiter_are_set_aside(write, missing, run):
    lines = [",".join(NAMES)]
    for i in range(ROWS):
        cells = line(i, NAMES).split(",")
        if 50 <= i < 50 + run:
            del cells[missing]
            cells.append("")
        lines.append(",".join(cells))
    raw = read_raw(write(lines))
    assert raw.frame.height == ROWS - run
    assert {(item.row, item.last_row) for item in raw.set_aside} == {(52, 51 + run)}
    assert "a cell is missing" in raw.set_aside[0].reason


def test_a_row_that_lacks_a_cell_and_has_one_too_many_at_its_end_is_set_aside(write):
    lines = [",".join(NAMES)]
    for i in range(ROWS):
        cells = line(i, NAMES).split(",")
        if 50 <= i < 60:
            del cells[2]
        lines.append(",".join([*cells, "7"] if i == 55 else cells))
    raw = read_raw(write(lines))
    assert raw.frame.height == ROWS - 10


def test_readings_that_are_missing_in_the_last_column_only_cost_no_row(write):
    lines = [",".join(NAMES)]
    for i in range(ROWS):
        cells = line(i, NAMES).split(",")
        lines.append(",".join([*cells[:-1], "" if i % 7 == 3 else cells[-1]]))
    assert read_raw(write(lines)).frame.height == ROWS


def test_rows_that_all_lack_a_cell_under_a_heading_with_a_delimiter_at_its_end_are_refused(write):
    rows = [",".join([*line(i, NAMES).split(",")[:2], *line(i, NAMES).split(",")[3:], ""]) for i in range(ROWS)]
    with pytest.raises(ReadError, match="a cell is missing in them"):
        read_raw(write([",".join(NAMES) + ",", *rows]))


# ---- marks in numbers


def dialect(number: float, decimals: int, mark: str, group: str = "") -> str:
    return f"{number:,.{decimals}f}".replace(",", "g").replace(".", mark).replace("g", group)


@pytest.mark.parametrize("suffix", ["", " V"])
def test_a_decimal_comma_in_three_places_is_told_by_what_a_meter_can_read(write, suffix):
    meter = waves(1.1, 4.2, ROWS, 2)
    rows = [f"{i * 40};{dialect(meter[i], 3, ',')}{suffix};{2000 + i % 700}" for i in range(ROWS)]
    log = map_log(write(["Time (ms);MAF (V);RPM", *rows]))
    np.testing.assert_allclose(log["meter_v"], meter, atol=6e-4)
    np.testing.assert_allclose(log["engine_speed_rpm"], [2000 + i % 700 for i in range(ROWS)])


def test_three_decimals_behind_a_comma_beside_points_elsewhere(write):
    lam, meter = waves(1.002, 1.2, ROWS, 3), waves(1.1, 4.2, ROWS, 2)
    rows = [
        f"{i * 0.04:.2f};{lam[i]:.3f};{meter[i]:.3f};{20 + i % 9}.5".replace(".", ",", 3).replace(",", ".", 1)
        for i in range(ROWS)
    ]
    log = map_log(write(["Time (s);Lambda;MAF (V);IAT (°C)", *rows]))
    np.testing.assert_allclose(log["lambda_measured"], lam, atol=6e-4)
    np.testing.assert_allclose(log["meter_v"], meter, atol=6e-4)


@pytest.mark.parametrize("unit", ["", " rpm"])
def test_thousands_in_one_column_beside_whole_thousands_in_another(write, unit):
    speed = np.round(waves(780, 6000, ROWS, 1))
    rows = [f"{i * 40};{dialect(speed[i], 0, '.', ',')}{unit};{1008 + i % 9}" for i in range(ROWS)]
    log = map_log(write(["Time (ms);RPM;Baro (hPa)", *rows]))
    np.testing.assert_allclose(log["engine_speed_rpm"], speed)


def test_thousands_with_a_point_read_as_decimals_are_asked_for(write):
    speed = np.round(waves(780, 6000, ROWS, 1))
    rows = [f"{i * 40};{dialect(speed[i], 0, ',', '.')};{980 + i % 9}" for i in range(ROWS)]
    path = write(["Time (ms);RPM;Baro (hPa)", *rows])
    with pytest.raises(MapError, match='decimal = ","'):
        map_log(path)
    said = ChannelMap(file=[FileRule(name="log.csv", decimal=",")])
    assert read_raw(path, said).frame["RPM"].to_list() == speed.tolist()


def test_marks_that_fit_both_ways_are_asked_for_and_inspection_says_so(write):
    height = waves(1001, 1900, ROWS, 1)
    path = write(
        ["Time (ms);Altitude (ft);RPM", *(f"{i * 40};{dialect(height[i], 0, '.', ',')};900" for i in range(ROWS))]
    )
    with pytest.raises(MapError, match=r"may group thousands or be decimal[\s\S]*decimal = "):
        map_log(path)
    shown = inspect_file(path, None, ChannelMap())
    assert any("decimal = " in text for text in shown.to_settle)


# ---- units


@pytest.mark.parametrize(
    ("heading", "numbers"),
    [
        ("RPM [rpm]", waves(0.8, 5.492)),
        ("MAF (V)", waves(1100, 4200)),
        ("Battery (V)", waves(13200, 14100)),
        ("PW (ms)", waves(1400, 16000)),
        ("PW (us)", waves(1.4, 16)),
        ("MAP (kPa)", waves(0.31, 1.02)),
        ("MAP (kPa)", waves(310, 1020)),
        ("Baro (kPa)", waves(980, 1010)),
        ("Lambda [lambda]", waves(840, 1180)),
        ("Coolant (°C)", waves(182, 196)),
        ("TPS (%)", waves(0.02, 0.96)),
        ("Fuel Pressure (kPa)", waves(2.8, 3.9)),
        ("Latitude (deg)", waves(4712.1, 4712.9)),
    ],
)
def test_a_stated_unit_in_which_no_such_channel_can_be_is_asked_for(tmp_path, heading, numbers):
    path = write_log(tmp_path / "log.csv", {heading: numbers})
    with pytest.raises(MapError, match="stated, but no"):
        map_log(path)


def test_an_engine_that_stands_still_and_sensors_at_zero_are_believed(tmp_path):
    zero = np.zeros(400)
    path = write_log(tmp_path / "log.csv", {"RPM (rpm)": zero, "MAP (kPa)": waves(98, 99), "TPS (%)": zero})
    assert {"engine_speed_rpm", "manifold_kpa", "throttle_pct"} <= set(map_log(path))


@pytest.mark.parametrize(
    ("heading", "unit", "numbers"),
    [("Coolant (°C)", "°F", waves(82, 96)), ("MAP (kPa)", "psi", waves(31, 99)), ("Speed (km/h)", "mph", waves(0, 90))],
)
def test_a_unit_line_against_its_heading_is_asked_for(write, heading, unit, numbers):
    rows = [f"{i * 0.04:.2f},{numbers[i]:.2f},{900 + i}" for i in range(ROWS)]
    with pytest.raises(MapError, match="its heading says"):
        map_log(write([f"Time,{heading},RPM", f"s,{unit},rpm", *rows]))


def test_a_unit_line_against_the_clocks_heading_is_asked_for(write):
    with pytest.raises(MapError, match=r'time = "ms"'):
        map_log(write(["Time (s),RPM,Lambda", "ms,rpm,lambda", *(f"{i * 40},{900 + i},1.0" for i in range(ROWS))]))


def test_a_dash_as_the_unit_of_a_trim_does_not_make_it_a_factor(write):
    rows = [f"{i * 0.04:.2f},{0.7 + 0.01 * (i % 20):.2f},900" for i in range(ROWS)]
    with pytest.raises(MapError, match="LTFT"):
        map_log(write(["Time,LTFT,RPM", "s,-,rpm", *rows]))


@pytest.mark.parametrize(
    ("columns", "asked"),
    [
        ({"Oil temp (°F)": waves(180, 215), "IAT": waves(21, 38)}, "IAT"),
        ({"Oil temp (°F)": waves(180, 215), "Coolant": waves(29, 87)}, "Coolant"),
        ({"Coolant (°C)": waves(82, 93), "IAT": waves(45, 62)}, "IAT"),
    ],
)
def test_temperatures_do_not_follow_a_unit_in_which_they_would_be_odd(tmp_path, columns, asked):
    with pytest.raises(MapError, match=asked):
        map_log(write_log(tmp_path / "log.csv", columns))


# ---- the clock


@pytest.mark.parametrize(("before", "after"), [("01:59:5", "03:00:0"), ("02:59:5", "02:00:0")])
@pytest.mark.parametrize("date", ["", "29.03.2026 ", "2026-03-29T"])
def test_a_change_of_summer_time_does_not_stop_the_clock(write, before, after, date):
    stamps = [f"{date}{before}{i / 20:05.3f}" for i in range(100, 200)] + [
        f"{date}{after}{i / 20:05.3f}" for i in range(100)
    ]
    log = map_log(write(["Time,RPM,Lambda", *(f"{stamp},{900 + i},1.0" for i, stamp in enumerate(stamps))]))
    np.testing.assert_allclose(np.diff(log["time"]), 0.05, atol=1e-6)
    assert "summer time" in log.attrs["history"]


def test_a_real_hour_away_stays_an_hour(write):
    stamps = [f"12:59:5{i / 20:05.3f}" for i in range(100, 200)] + [f"14:00:0{i / 20:05.3f}" for i in range(100)]
    log = map_log(write(["Time,RPM,Lambda", *(f"{stamp},{900 + i},1.0" for i, stamp in enumerate(stamps))]))
    assert float(np.diff(log["time"]).max()) == pytest.approx(3600.05)


@pytest.mark.parametrize("length", [1, 2, 7, 40])
def test_rows_written_twice_do_not_move_the_clock(write, length):
    rows = [line(i, NAMES) for i in range(ROWS)]
    log = map_log(write([",".join(NAMES), *rows[:100], *rows[100 - length : 100], *rows[100:]]))
    np.testing.assert_allclose(log["time"], np.arange(ROWS) * 0.04, atol=1e-6)
    assert log["episode"].values.max() == 0
    assert (
        sum(item.get("last_row", item["row"]) - item["row"] + 1 for item in json.loads(log.attrs["set_aside"]))
        == length
    )


def test_ranges_below_the_heading_are_no_readings(write):
    heads = [",".join(NAMES), "s,rpm,V,lambda,V,°C", "0,0,0,0.65,8,-40", "9999,8000,5,1.8,16,150"]
    log = map_log(write([*heads, *(line(i, NAMES) for i in range(ROWS))]))
    np.testing.assert_allclose(log["time"], np.arange(ROWS) * 0.04, atol=1e-6)
    assert float(log["engine_speed_rpm"].min()) > 500
    (aside,) = json.loads(log.attrs["set_aside"])
    assert (aside["row"], aside["last_row"]) == (3, 4)
    assert "too few rows" in aside["reason"]


def test_two_logs_side_by_side_are_not_laid_on_one_clock(write):
    rows = [f"{i * 0.04:.2f};{900 + i};;{i * 0.04 + 1.3:.2f};{0.9 + 0.001 * (i % 90):.3f}" for i in range(ROWS)]
    with pytest.raises(MapError, match=r"named 'Time \(s\)' and differ, by up to 1.3 s"):
        map_log(write(["Time (s);RPM;;Time (s);Lambda", *rows]))
    same = [row.replace(row.split(";")[3], row.split(";")[0]) for row in rows]
    assert map_log(write(["Time (s);RPM;;Time (s);Lambda", *same])).sizes["time"] == ROWS


def test_a_log_with_the_newest_row_first_is_named(write):
    with pytest.raises(MapError, match="newest row is first"):
        map_log(write([",".join(NAMES), *(line(i, NAMES) for i in reversed(range(ROWS)))]))


def test_an_angle_counted_the_other_way_has_its_sign_turned(write):
    """Spark after top dead centre, a longitude to the west, a latitude to the south."""
    heads = "Time (s),RPM,Ignition (deg ATDC),Latitude (°S),Longitude (°W)"
    rows = [f"{i * 0.04:.2f},{900 + i},{-10 - i % 9},{33.5 + i * 1e-6:.6f},{8.25 + i * 1e-6:.6f}" for i in range(ROWS)]
    log = map_log(write([heads, *rows]))
    np.testing.assert_allclose(log["spark_deg"], 10 + np.arange(ROWS) % 9)
    assert float(log["latitude_deg"][0]) == -33.5
    assert float(log["longitude_deg"][0]) == -8.25


def test_a_column_of_notes_does_not_set_the_rows_above_its_first_note_aside(write):
    speed = 950 + 2300 * (1 - np.cos(np.arange(90) / 13))
    rows = [f"{i * 0.1:.1f},{speed[i]:.0f},{84 + 4 * np.sin(i / 40):.1f}," for i in range(90)]
    rows[50] += '"go, now"'
    log = map_log(write(["Time (s),Engine speed (rpm),Coolant (°C),Note", *rows]))
    assert log.sizes["time"] == 90


def test_the_mark_of_a_file_put_behind_another_is_no_part_of_its_heading(write):
    rows = [line(i, NAMES) for i in range(ROWS)]
    heading = ",".join(NAMES)
    log = map_log(write(["\ufeff" + heading, *rows[:150], "\ufeff" + heading, *rows[150:]]))
    assert log.sizes["time"] == ROWS


def test_two_files_put_together_without_a_line_end_are_told(write):
    rows = [line(i, NAMES) for i in range(ROWS)]
    other = [NAMES[0], *NAMES[:0:-1]]
    joined = [*rows[:149], rows[149] + ",".join(other), *(line(i, other) for i in range(150, ROWS))]
    with pytest.raises(ReadError, match="line 151 holds readings and behind them the heading of another log"):
        read_raw(write([",".join(NAMES), *joined]))
    noted = read_raw(write([",".join(NAMES), *rows[:149], rows[149] + ",marker,go", *rows[150:]]))
    assert noted.frame.height == ROWS - 1


@pytest.mark.parametrize("step_ms", [20, 50, 125])
@pytest.mark.parametrize("day", ["", "2026-05-03 ", "03.05.2026 "])
def test_thousandths_written_without_their_zeros_are_counted(write, day, step_ms):
    times = [divmod(i * step_ms, 1000) for i in range(ROWS)]
    rows = [f"{day}10:{s // 60:02d}:{s % 60:02d}.{ms},{900 + i}" for i, (s, ms) in enumerate(times)]
    log = map_log(write(["Time,RPM", *rows]))
    np.testing.assert_allclose(log["time"], np.arange(ROWS) * step_ms / 1000, atol=1e-6)


def test_decimals_without_their_last_zeros_stay_decimals(write):
    rows = [f"10:00:{i * 0.04:05.2f}".rstrip("0").rstrip(".") + f",{900 + i}" for i in range(ROWS)]
    log = map_log(write(["Time,RPM", *rows]))
    np.testing.assert_allclose(log["time"], np.arange(ROWS) * 0.04, atol=1e-6)


def test_a_count_of_pictures_is_no_hundredths(write):
    rows = [f"10:00:{i // 25:02d}:{i % 25:02d},{900 + i}" for i in range(ROWS)]
    log = map_log(write(["Time,RPM", *rows]))
    np.testing.assert_allclose(log["time"], np.arange(ROWS) / 25, atol=1e-6)


def test_midnight_under_a_date_that_stays_is_midnight(write):
    seconds = [86390 + i * 0.1 for i in range(ROWS)]
    stamps = [f"{s // 3600 % 24:02.0f}:{s // 60 % 60:02.0f}:{s % 60:04.1f}" for s in seconds]
    rows = [f"03.05.2026 {stamp},{900 + i}" for i, stamp in enumerate(stamps)]
    log = map_log(write(["Date Time,RPM", *rows]))
    np.testing.assert_allclose(log["time"], np.arange(ROWS) * 0.1, atol=1e-6)
    assert log["episode"].values.max() == 0


def test_a_clock_of_numbers_that_falls_back_every_second_is_refused(write):
    times = [divmod(i * 20, 1000) for i in range(ROWS)]
    with pytest.raises(MapError, match="thousandths lack their zeros"):
        map_log(write(["Time (s),RPM", *(f"{s}.{ms},{900 + i}" for i, (s, ms) in enumerate(times))]))


def test_rows_missing_where_summer_time_ends_leave_a_hole_of_their_own_length(write):
    stamps = [f"25.10.2026 02:59:3{i / 20:05.3f}" for i in range(100)] + [
        f"25.10.2026 02:00:0{i / 20:05.3f}" for i in range(100)
    ]
    log = map_log(write(["Time,RPM,Lambda", *(f"{stamp},{900 + i},1.0" for i, stamp in enumerate(stamps))]))
    assert float(np.diff(log["time"]).max()) == pytest.approx(25.05)


def test_a_clock_that_is_set_while_it_runs_makes_no_drive_of_years(write):
    stamps = [f"2000-01-01 00:00:{i / 20:06.3f}" for i in range(100)] + [
        f"2026-05-03 14:22:{i / 20:06.3f}" for i in range(100, 300)
    ]
    log = map_log(write(["Date Time,RPM", *(f"{stamp},{900 + i}" for i, stamp in enumerate(stamps))]))
    assert float(log["time"][-1] - log["time"][0]) == pytest.approx(15.9)
    assert log["episode"].values.tolist() == [0] * 100 + [1] * 200
    assert "the clock was set while it ran" in log.attrs["history"]
