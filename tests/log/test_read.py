"""Reading delimited text: dialects as loggers write them, and every kind of dirt."""

import csv
import gzip
import hashlib
import io

import numpy as np
import pandas as pd
import pytest

from tunelab.log.read import ReadError, read_raw
from tunelab.workspace.channel_map import ChannelMap, FileRule


@pytest.fixture
def read(tmp_path):
    """Write bytes or text to a file and read it."""

    def _read(content, name="log.csv", **rule):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_raw(path, ChannelMap(file=[FileRule(name=name, **rule)]) if rule else None)

    return _read


def _reasons(raw):
    return {(item.row, item.last_row): item.reason for item in raw.set_aside}


PLAIN = "Time (s),RPM,Lambda\n0.00,850,1.01\n0.04,851,1.02\n0.08,849,0.99\n"


def test_plain_file_keeps_every_row_and_its_line(read):
    raw = read(PLAIN)
    assert (raw.rows_in, raw.frame.height, raw.set_aside) == (3, 3, ())
    assert raw.line.tolist() == [2, 3, 4]
    assert raw.frame["RPM"].to_list() == [850, 851, 849]
    assert (raw.dialect.delimiter, raw.dialect.decimal, raw.dialect.header_line) == (",", ".", 1)


def test_sha256_is_that_of_the_bytes_on_disk(read, tmp_path):
    packed = gzip.compress(PLAIN.encode())
    raw = read(packed, "log.csv.gz")
    assert raw.sha256 == hashlib.sha256(packed).hexdigest()
    assert raw.dialect.compression == "gzip"
    assert (tmp_path / "log.csv.gz").read_bytes() == packed


def test_file_that_may_only_be_read_is_read(read, tmp_path):
    (tmp_path / "locked.csv").write_text(PLAIN)
    (tmp_path / "locked.csv").chmod(0o400)
    assert read_raw(tmp_path / "locked.csv").rows_in == 3


def test_preamble_and_unit_row_are_told_from_the_data(read):
    text = (
        "Logger;12.4\nDriver;Pia\n\nComment;wet, 2 laps; slow\n"
        "Zeit;Drehzahl;Saugrohrdruck;Kühlmittel\ns;1/min;mbar;°C\n"
        "0,00;1.850,5;1013,2;85\n0,05;1.851;998,7;86\n"
    )
    raw = read(text.encode("cp1252"))
    assert (raw.dialect.header_line, raw.dialect.unit_line, raw.dialect.data_line) == (5, 6, 7)
    assert len(raw.dialect.preamble) == 4
    assert [column.unit for column in raw.columns] == ["s", "1/min", "mbar", "°C"]
    assert raw.dialect.encoding == "cp1252"
    assert raw.frame["Drehzahl"].to_list() == [1850.5, 1851.0]
    assert raw.frame["Saugrohrdruck"].to_list() == [1013.2, 998.7]


def test_line_that_counts_the_columns_above_their_names_is_no_data(read):
    raw = read("1,2,3\nTime,RPM,Lambda\ns,rpm,-\n0.00,850,1.0\n0.04,851,1.1\n")
    assert raw.dialect.header_line == 2
    assert [column.unit for column in raw.columns] == ["s", "rpm", "-"]
    assert raw.frame["RPM"].to_list() == [850, 851]


def test_one_as_the_unit_of_a_ratio_stands_in_a_unit_line(read):
    raw = read("Time,RPM,Lambda\ns,1/min,1\n0.00,850,1.0\n0.04,851,1.1\n")
    assert [column.unit for column in raw.columns] == ["s", "1/min", "1"]
    raw = read("Time,RPM,Lambda\n1,-,-\n2,850,1.0\n3,851,1.1\n")
    assert raw.frame["Time"].to_list() == [1, 2, 3]


def test_long_preamble_with_two_fields_a_line_is_no_table(read):
    meta = "".join(f"Setting {i},{i * 3}\n" for i in range(40))
    raw = read(meta + "\n" + PLAIN + "0.12,850,1.0\n" * 60)
    assert raw.dialect.header_line == 42
    assert raw.frame.height == 63


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (['"1,234.5"', '"12,345,678"', "950"], [1234.5, 12345678, 950]),
        (["1 234.5", "12 345", "950"], [1234.5, 12345, 950]),
        (["1'234.5", "999", "1e3"], [1234.5, 999, 1000]),
        ([".5", "-.25", "+3."], [0.5, -0.25, 3]),
    ],
)
def test_thousands_separators_and_number_forms(read, cells, expected):
    rows = "".join(f"{i / 10},{cell},1.0\n" for i, cell in enumerate(cells))
    raw = read("Time,RPM,Lambda\n" + rows)
    assert raw.frame["RPM"].to_list() == expected
    assert raw.columns[1].words == {}


def test_a_clock_with_decimal_points_beside_decimal_commas(read):
    rows = "".join(f"{i / 10:.3f};{1000 + i}.{i % 10};1.{500 + i};{i},25\n" for i in range(30))
    raw = read("Time;Level;RPM;Lambda\n" + rows, decimal=",")
    np.testing.assert_allclose(raw.frame["Time"], np.arange(30) / 10)
    np.testing.assert_allclose(raw.frame["Level"], 1000 + np.arange(30) + np.arange(30) % 10 / 10)
    np.testing.assert_allclose(raw.frame["RPM"], 1500 + np.arange(30))  # nothing says that its points are no groups
    np.testing.assert_allclose(raw.frame["Lambda"], 0.25 + np.arange(30))


def test_marks_that_may_group_or_divide_are_read_as_thousands_until_the_owner_says_it(read):
    text = "Time;Level\n" + "".join(f"{i};{1 + i % 8},250\n" for i in range(9))
    raw = read(text)
    assert raw.columns[1].marks == "?"
    assert raw.frame["Level"][0] == 1250
    for decimal, first in ((",", 1.25), (".", 1250)):
        said = read(text, decimal=decimal)
        assert said.columns[1].marks == ""
        assert said.frame["Level"][0] == first


def test_decimal_comma_with_three_decimals_is_settled_by_the_other_numbers(read):
    text = "Zeit;Druck;Drehzahl\n0,100;1,013;1850\n0,200;1,020;1851\n"
    raw = read(text)
    assert raw.frame["Druck"].to_list() == [1.013, 1.020]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(read, encoding, end):
    text = end.join(["Time [s]\tTempérature [°C]", "0.0\t85.5", "0.1\t85.6", "0.2\t85.7", "0.3\t85.8", ""])
    raw = read(text.encode(encoding))
    assert raw.columns[1].heading == "Température [°C]"
    assert raw.frame.height == raw.rows_in == 4
    assert raw.frame["Température [°C]"].to_list() == [85.5, 85.6, 85.7, 85.8]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_the_minus_sign_of_typesetting_is_a_minus_before_a_number_and_itself_in_a_heading(read, encoding):
    minus = "\N{MINUS SIGN}"
    rows = [f"0,{k};{minus}{k},5;{minus},{k};{k}" for k in range(6)]
    raw = read("\n".join([f"Zeit;Vorlauf;Rest;Soll {minus} Ist", *rows, ""]).encode(encoding))
    assert raw.frame["Vorlauf"].to_list() == [-0.5, -1.5, -2.5, -3.5, -4.5, -5.5]
    assert raw.frame["Rest"].to_list() == [0.0, -0.1, -0.2, -0.3, -0.4, -0.5]
    assert raw.columns[3].heading == f"Soll {minus} Ist"
    assert not any(column.words for column in raw.columns)


def test_error_words_become_nan_are_counted_and_are_not_empty_cells(read):
    rows = ["0.0,800,1.0", "0.1,ERR,", "0.2,---,1.1", "0.3,#N/A,nan", "0.4,ERR,inf", "0.5,820,1.2", "0.6,830,1.2"]
    raw = read("Time,RPM,Lambda\n" + "\n".join(rows) + "\n")
    rpm, lam = raw.columns[1], raw.columns[2]
    assert rpm.words == {"ERR": 2, "---": 1, "#N/A": 1}
    assert (lam.words, lam.empty) == ({"nan": 1, "inf": 1}, 1)
    assert raw.frame["Lambda"].is_null().to_list() == [False, True, False, False, False, False, False]
    assert np.isnan(raw.frame["RPM"].to_numpy()[1:5]).all()
    assert raw.frame.height == raw.rows_in == 7


def test_hexadecimal_and_underscored_text_is_no_number(read):
    raw = read("Time,RPM\n0.0,800\n0.1,0x1F\n0.2,1_000\n0.3,810\n0.4,820\n")
    assert raw.columns[1].words == {"0x1F": 1, "1_000": 1}


def test_last_line_without_its_end_is_set_aside(read):
    raw = read(PLAIN + "0.12,85")
    assert _reasons(raw) == {(5, 5): "cut off: the last line has no line end"}
    assert (raw.rows_in, raw.frame.height) == (4, 3)


def test_whole_looking_last_line_without_its_end_is_set_aside_too(read):
    """ "1.0" may have been going to be "1.05": nobody can tell."""
    raw = read(PLAIN + "0.12,855,1.0")
    assert raw.frame.height == 3
    assert raw.rows_in == 4


def test_rows_with_other_than_the_expected_fields_are_set_aside_with_count_and_line(read):
    raw = read(PLAIN + "0.12,850\n0.16,850,1.0,7,8\n0.20\n0.24,852,1.0\n")
    assert _reasons(raw) == {
        (5, 5): "too few fields: 2 instead of 3",
        (6, 6): "too many fields: 5 instead of 3",
        (7, 7): "too few fields: 1 instead of 3",
    }
    assert raw.line.tolist() == [2, 3, 4, 8]


def test_short_and_long_row_that_make_up_for_each_other_are_both_found(read):
    raw = read(PLAIN + "0.12,850\n0.16,850,1.0,7\n0.20,852,1.0\n")
    assert [item.row for item in raw.set_aside] == [5, 6]


def test_short_first_row_made_up_for_by_a_long_one_is_found(read):
    raw = read("Time,RPM,Lambda\n0.0,850\n0.1,851,1.0,7\n0.2,852,1.0\n0.3,853,1.0\n")
    assert [item.row for item in raw.set_aside] == [2, 3]
    assert raw.line.tolist() == [4, 5]


def test_nul_bytes_from_a_power_cut_set_their_line_aside(read):
    raw = read((PLAIN + "0.12,85\0\0\0,1.0\n0.16,850,1.0\n").encode() + b"\0" * 512)
    assert raw.frame["Time (s)"].to_list() == [0.0, 0.04, 0.08, 0.16]
    assert _reasons(raw)[(5, 5)] == "NUL or control bytes in the line"
    assert raw.rows_in == raw.frame.height + sum(item.rows for item in raw.set_aside)


def test_nul_bytes_that_pad_every_line_are_taken_out_and_told_of(read):
    rows = "".join(f"{i / 10:.1f},{800 + i},1.0\0\0\0\n" for i in range(20))
    raw = read(b"Time,RPM,Lambda\n" + rows.encode())
    assert raw.frame.height == raw.rows_in == 20
    assert any("NUL" in note for note in raw.notes)


def test_heading_that_stands_again_marks_a_restart(read):
    text = "Time,RPM\ns,rpm\n" + "".join(f"{i / 10},{800 + i}\n" for i in range(5))
    raw = read(text + "Logger 2\n" + text)
    assert raw.restarts.tolist() == [5]
    assert raw.frame.height == 10
    assert raw.rows_in == 13
    assert sorted(reason for reason in _reasons(raw).values()) == [
        "heading or unit line again: the logger started anew",
        "too few fields: 1 instead of 2",
    ]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("", "blank line"),
        ("0.12,850\r,1.0", "NUL or control bytes in the line"),
        ("0.12,850\x0b,1.0", "NUL or control bytes in the line"),
        ("Time (s),RPM,Lambda", "heading or unit line again: the logger started anew"),
        ("0.12,850", "too few fields: 2 instead of 3"),
        ("0.12,850,1.0,", "too many fields: 4 instead of 3"),
    ],
)
def test_one_wrong_line_among_lines_of_numbers_is_found(read, line, reason, end):
    rows = [f"{row / 25:.2f},{800 + row},1.0" for row in range(40)]
    raw = read(end.join(["Time (s),RPM,Lambda", *rows[:20], line, *rows[20:], ""]).encode())
    assert _reasons(raw) == {(22, 22): reason}
    assert raw.frame["RPM"].to_list() == [800.0 + row for row in range(40)]


def test_blank_lines_are_rows_set_aside(read):
    raw = read(PLAIN + "\n   \n0.12,850,1.0\n")
    assert sum(item.rows for item in raw.set_aside) == 2
    assert raw.rows_in == 6


def test_stray_quote_costs_its_own_line_only(read):
    raw = read('Time,RPM,Note\n0.0,800,"a, b"\n0.1,801,5" pipe\n0.2,802,c\n0.3,803,"d, ""e"""\n')
    assert raw.frame["RPM"].to_list()[-2:] == [802, 803]
    assert raw.frame["Note"].to_list()[0] == "a, b"
    assert raw.rows_in == raw.frame.height + sum(item.rows for item in raw.set_aside) == 4


def test_heading_broken_over_lines_inside_its_quotes_is_one_heading(read):
    raw = read('Logger 7\n"Time\n(s)",RPM,"Coolant,\nengine\n(°C)"\n0.00,850,80\n0.04,851\n0.08,849,"81\n0.12,848,82\n')
    assert [column.heading for column in raw.columns] == ["Time (s)", "RPM", "Coolant, engine (°C)"]
    assert raw.frame["RPM"].to_list() == [850, 848]
    assert raw.line.tolist() == [6, 9]
    assert list(_reasons(raw)) == [(7, 7), (8, 8)]


def test_channel_that_is_in_error_most_of_the_time_keeps_its_readings(read):
    cells = ["ERR"] * 95 + ["1.01"] * 5
    raw = read("Time (s),Lambda\n" + "".join(f"{i * 0.04:.2f},{cell}\n" for i, cell in enumerate(cells)))
    assert raw.frame["Lambda"].to_list()[-5:] == [1.01] * 5
    assert raw.columns[1].words == {"ERR": 95}


def test_duplicate_blank_and_empty_columns(read):
    raw = read("Time,RPM,RPM,,Spare,\n" + "".join(f"{i / 10},{800 + i},{i},7,,\n" for i in range(4)))
    assert [column.key for column in raw.columns] == ["Time", "RPM", "RPM (2)", "column 4", "Spare"]
    assert [column.heading for column in raw.columns] == ["Time", "RPM", "RPM", "", "Spare"]
    assert raw.columns[4].empty == 4


def test_delimiter_at_line_ends_makes_no_column(read):
    for text in ("Time,RPM\n0.0,800,\n0.1,801,\n", "Time,RPM,\n0.0,800,\n0.1,801,\n"):
        raw = read(text)
        assert [column.key for column in raw.columns] == ["Time", "RPM"]
        assert raw.frame.height == 2


def test_blanks_round_the_fields(read):
    raw = read("Time , RPM ,\tMode\n0.0 ,  800, CL\n0.1 , 801 ,OL \n")
    assert raw.frame["RPM"].to_list() == [800, 801]
    assert raw.frame["Mode"].to_list() == ["CL", "OL"]


def test_unit_behind_every_number(read):
    raw = read("Time,RPM,Battery\n0.0 s,800 rpm,13.8V\n0.1 s,801 rpm,13.9V\n0.2 s,ERR,13.9V\n")
    assert [column.unit for column in raw.columns] == ["s", "rpm", "V"]
    assert raw.columns[1].words == {"ERR": 1}
    assert raw.frame["Battery"].to_list() == [13.8, 13.9, 13.9]


def test_no_heading_line_is_an_error_and_the_owner_can_name_the_columns(read):
    text = "0.0,800,1.0\n0.1,801,1.0\n0.2,802,1.0\n"
    with pytest.raises(ReadError, match=r"name = \"log\.csv\"\n    headings = \["):
        read(text)
    raw = read(text, headings=["Time (s)", "RPM", "Lambda"])
    assert raw.frame["RPM"].to_list() == [800, 801, 802]
    assert raw.rows_in == 3


def test_headings_that_do_not_fit_the_rows_are_an_error(read):
    with pytest.raises(ReadError, match=r"2 column names .* 4 fields"):
        read("Time,RPM\n0,04,850,5\n0,08,851,5\n")


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "empty"),
        (b"\0" * 4096, "empty"),
        (b"PK\x03\x04rest", "spreadsheet"),
        (b"hello world\nthis is no log\n", "no table"),
        (b"Time,RPM\n", "no table"),
        (b"\x1f\x8b\x08broken", "gzip"),
    ],
)
def test_what_is_no_log_is_refused_in_plain_words(read, content, what):
    with pytest.raises(ReadError, match=what) as caught:
        read(content)
    assert str(caught.value).startswith("log.csv: ")


def test_missing_file_is_named(tmp_path):
    with pytest.raises(ReadError, match=r"gone\.csv"):
        read_raw(tmp_path / "gone.csv")


def test_gzip_that_ends_early_gives_what_it_holds(read):
    rng = np.random.default_rng(1)
    rows = "".join(f"{i / 10:.1f},{800 + rng.normal():.6f},{rng.normal():.6f}\n" for i in range(5000))
    packed = gzip.compress(b"Time,RPM,Lambda\n" + rows.encode())
    raw = read(packed[: len(packed) // 2], "log.csv.gz")
    assert 1000 < raw.frame.height < 4000
    assert any("ends early" in note for note in raw.notes)
    assert raw.set_aside[-1].reason.startswith("cut off")


def test_what_pandas_writes_is_read_back(read):
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"Time (s)": np.arange(200) / 25, "RPM": rng.normal(2000, 5, 200), "Mode": ["CL", "OL"] * 100})
    frame.loc[7, "RPM"] = np.nan
    out = io.StringIO()
    frame.to_csv(out, index=False, sep=";", decimal=",")
    raw = read(out.getvalue())
    np.testing.assert_allclose(raw.frame["RPM"].fill_null(np.nan).to_numpy(), frame["RPM"].to_numpy())
    assert raw.frame["Mode"].to_list() == frame["Mode"].to_list()
    assert raw.columns[1].empty == 1


def test_tabs_of_the_csv_module_with_all_fields_quoted(read):
    out = io.StringIO()
    writer = csv.writer(out, dialect="excel-tab", quoting=csv.QUOTE_ALL)
    writer.writerow(["Time (s)", "Throttle (%)", "Remark"])
    writer.writerows([[i / 10, 12.5 + i, "a\tb"] for i in range(6)])
    raw = read(out.getvalue())
    assert raw.frame["Throttle (%)"].to_list() == [12.5 + i for i in range(6)]
    assert raw.frame["Remark"].to_list() == ["a\tb"] * 6


def test_words_beyond_the_first_part_of_a_large_file_are_found(read):
    rows = [f"{i / 50:.2f},{800 + i % 50},1.0" for i in range(40000)]
    rows[39000] = "780.00,FAULT,1.0"
    rows[31000] += ",9"
    raw = read("Time,RPM,Lambda\n" + "\n".join(rows) + "\n")
    assert raw.columns[1].words == {"FAULT": 1}
    assert _reasons(raw) == {(31002, 31002): "too many fields: 4 instead of 3"}
    assert raw.rows_in == 40000


def test_first_rows_without_readings_are_data_and_no_unit_line(read):
    """A logger that starts before its sensors answer: a dash in every column, and spaces before the names."""
    early = [f"10:00:0{i}.0, -, -, -, -" for i in range(5)]
    late = [f"10:00:{10 + i}.0, {800 + i}, 1.0, 85, -" for i in range(20)]
    raw = read("\n".join(["Device time, Engine RPM(rpm), Lambda, Coolant(°C), Oil temp(°C)", *early, *late]) + "\n")
    assert (raw.dialect.header_line, raw.dialect.unit_line, raw.dialect.data_line) == (1, 0, 2)
    assert raw.frame.height == raw.rows_in == 25
    assert raw.columns[1].heading == "Engine RPM(rpm)"
    assert raw.columns[1].words == {"-": 5}
    assert raw.frame["Lambda"].to_list()[-1] == 1.0


@pytest.mark.parametrize("row", [5, 2500])
@pytest.mark.parametrize("cell", ["ERR", "", "1'234.5"])
def test_a_cell_that_is_no_plain_number_is_read_alike_wherever_it_stands(read, row, cell):
    """The head of a file is looked at for how its columns are read; a cell below it must come out the same."""
    rows = [f"{i / 25:.2f},{cell if i == row else 800 + i % 50},1.0" for i in range(3000)]
    raw = read("Time (s),RPM,Lambda\n" + "\n".join(rows) + "\n")
    assert raw.frame.height == raw.rows_in == 3000
    assert raw.columns[1].words == ({"ERR": 1} if cell == "ERR" else {})
    assert raw.columns[1].empty == (cell == "")
    read_at_row = raw.frame["RPM"][row]
    assert read_at_row == 1234.5 if cell == "1'234.5" else read_at_row is None or np.isnan(read_at_row)
    assert raw.frame["RPM"].drop_nulls().drop_nans().len() == 3000 - (cell != "1'234.5")


def test_error_words_stand_in_one_order_whatever_the_run(read):
    """The most frequent first, then by the alphabet: what is written must not change from run to run."""
    words = ["ZZ", "OFF", "ERR", "N/C", "ERR", "b", "a", "--"]
    rows = [f"{i / 25:.2f},{words[i] if i < len(words) else 800 + i},1.0" for i in range(60)]
    raw = read("Time (s),RPM,Lambda\n" + "\n".join(rows) + "\n")
    assert list(raw.columns[1].words.items()) == [
        ("ERR", 2), ("--", 1), ("N/C", 1), ("OFF", 1), ("ZZ", 1), ("a", 1), ("b", 1),
    ]  # fmt: skip


ROWS = [f"{row / 25:.2f},{800 + row},{1 + row / 100:.2f}" for row in range(40)]


@pytest.mark.parametrize("heading", ["Time (s),RPM,Lambda", "Time (s),RPM,Lambda,"])
def test_rows_that_end_in_a_delimiter_or_not_are_whole_either_way(read, heading):
    """A third of the rows was set aside as too long, or nearly all as shifted once a note stood in one of them."""
    rows = [row + "," * (number % 3 == 0) for number, row in enumerate(ROWS)]
    raw = read("\n".join([heading, *rows, ""]))
    assert raw.set_aside == ()
    assert raw.frame["Lambda"].to_list() == [pytest.approx(1 + row / 100) for row in range(40)]


def test_behind_an_open_end_a_row_that_lacks_a_cell_is_short_and_one_with_a_note_is_long(read):
    rows = [f"{row}," for row in ROWS]
    rows[10], rows[20], rows[30] = "0.40,1.10,", f"{ROWS[20]},marker", ROWS[30]
    raw = read("\n".join(["Time (s),RPM,Lambda,", *rows, ""]))
    assert _reasons(raw) == {(12, 12): "too few fields: 2 instead of 3", (22, 22): "too many fields: 4 instead of 3"}
    assert raw.frame["RPM"].to_list() == [800 + row for row in range(40) if row not in (10, 20)]


def test_a_heading_that_stands_again_with_an_open_end_is_known(read):
    rows = [f"{row}," for row in ROWS]
    raw = read("\n".join(["Time (s),RPM,Lambda,", *rows[:20], ROWS[20], "Time (s),RPM,Lambda,", *rows[21:], ""]))
    assert _reasons(raw) == {(23, 23): "heading or unit line again: the logger started anew"}
    assert raw.restarts.tolist() == [21]


def test_a_cell_that_was_cut_off_says_nothing_of_the_decimal_mark(read):
    """What was left of "2,335" is "2,3": all thousands of the file were then taken for decimals."""
    rows = [f'{row / 25:.2f},{1 + row / 100:.2f},"2,{300 + row}"' for row in range(40)]
    raw = read("\n".join(["Time (s),Lambda,RPM", *rows])[:-3])
    assert raw.dialect.decimal == "."
