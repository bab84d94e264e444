"""No content brings a traceback, loses a row or changes a log; every case that once did stands in data/found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from found_case import (
    SHARED_FILES,
    TOML_FILES,
    check_flags,
    check_log,
    check_shared,
    check_toml,
    log_of_bytes,
    shared_files,
    shared_with,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

FOUND = Path(__file__).parents[1] / "data" / "found"
ANY_FOLDER = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.mark.parametrize("path", sorted((FOUND / "log").iterdir()), ids=lambda path: path.name)
def test_found_logs(path, tmp_path):
    check_log(path.read_bytes(), tmp_path)


@pytest.mark.parametrize("path", sorted((FOUND / "toml").iterdir()), ids=lambda path: path.name)
def test_found_toml_files(path, tmp_path):
    check_toml(path.name.split("-")[0], path.read_bytes(), tmp_path)


@pytest.mark.parametrize("path", sorted((FOUND / "open").iterdir()), ids=lambda path: path.name)
def test_found_zips(path, tmp_path):
    check_shared(path.name.split("-")[0], path.read_bytes(), tmp_path)
    assert not (tmp_path / "theirs").exists() or path.name.startswith("answer")


HEADINGS = [
    "Time (s)",
    "RPM",
    "maf",
    "AFR",
    "Coolant [°F]",
    "Zeit",
    "TPS",
    "",
    '"',
    "=1+1",
    "\x1b[31m",
    "a" * 300,
    "Date",
]
CELLS = [
    "",
    "1",
    "-3.5",
    "1,5",
    "1.234,5",
    "nan",
    "inf",
    "1e999",
    "ERR",
    '"',
    "12:00:01",
    "2026-05-03",
    "٣",
    "\x00",
    "0x1f",
]
cells = st.one_of(st.sampled_from(CELLS), st.floats(width=32).map(str), st.text(max_size=4))
tables = st.tuples(
    st.lists(st.one_of(st.sampled_from(HEADINGS), st.text(max_size=8)), min_size=1, max_size=6),
    st.lists(st.lists(cells, min_size=1, max_size=6), max_size=25),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.booleans(),
)


@settings(ANY_FOLDER, max_examples=120)
@given(tables)
def test_tables_of_odd_cells(tmp_path, table):
    headings, rows, mark, end, is_timed = table
    rows = [[f"{position / 10}", *row] for position, row in enumerate(rows)] if is_timed else rows
    headings = ["Time (s)", *headings] if is_timed else headings
    text = "".join(mark.join(line) + end for line in [headings, *rows])
    check_log(text.encode("utf-8", "surrogatepass"), tmp_path)


@settings(ANY_FOLDER, max_examples=60)
@given(
    st.binary(max_size=400),
    st.sampled_from([b"", b"PAR1", b"CDF\x01", b"\x89HDF\r\n\x1a\n", b"\x1f\x8b\x08\0", b"MDF     "]),
)
def test_any_bytes(tmp_path, content, mark):
    check_log(mark + content, tmp_path)


@settings(ANY_FOLDER, max_examples=60)
@given(st.data())
def test_toml_files_with_a_piece_replaced(tmp_path, data):
    kind = data.draw(st.sampled_from(sorted(TOML_FILES)))
    text = TOML_FILES[kind][1]
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(start + 30, len(text))))
    odd = st.sampled_from(
        ["1e999", "nan", "-1", "[", "]]", '"', "{}", "9" * 400, "2026-02-30", "true", "\x1b[2J", "[[a]]"]
    )
    piece = data.draw(st.one_of(odd, st.text(max_size=12)))
    check_toml(kind, (text[:start] + piece + text[end:]).encode("utf-8", "surrogatepass"), tmp_path)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(0, 900), st.integers(1, 255))
def test_flags_on_any_log(seed, size, levels):
    rng = np.random.default_rng(seed)
    content = rng.integers(0, 256, 16 + size, dtype=np.uint8)
    content[16:] = np.repeat(content[16:], rng.integers(1, 30))[:size] // levels * levels
    check_flags(log_of_bytes(content.tobytes()))


ODD = st.one_of(
    st.sampled_from([b"null", b"[]", b"{}", b"-1", b"1e999", b"NaN", b'"', b"../x", b"\xff", b"[" * 2000]),
    st.binary(max_size=20),
)


@settings(ANY_FOLDER, max_examples=25)
@given(st.data())
def test_zips_with_a_piece_of_a_file_replaced(tmp_path, data):
    kind = data.draw(st.sampled_from([*SHARED_FILES, "zip"]))
    name = SHARED_FILES.get(kind)
    content = shared_with("removed.csv", b"") if kind == "zip" else shared_files().get(name, b'record = "x"\n')
    start = data.draw(st.integers(0, len(content)))
    end = data.draw(st.integers(start, min(start + 30, len(content))))
    check_shared(kind, content[:start] + data.draw(ODD) + content[end:], tmp_path)
