"""Any table, in any dialect, with any faults: every line is kept or set aside, and what is kept reads as written."""

import csv
import gzip
import io

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tunelab.log.map import MapError, map_raw
from tunelab.log.read import ReadError, read_raw
from tunelab.workspace import ChannelMap

NAMES = ("Engine speed", "Manifold pressure", "Lambda", "Coolant", "Battery", "Throttle")
UNITS = ("rpm", "kPa", "-", "°C", "V", "%")
WORDS = ("ERR", "---", "#N/A", "OFF", "no data")
FAULTS = ("none", "short", "long", "blank", "nul", "header")

PREAMBLE = ["Logger 12", "", "Date: 2026-05-03", "# note; a, b", "Car\tblue"]

dialects = st.fixed_dictionaries(
    {
        "delimiter": st.sampled_from([",", ";", "\t", "|"]),
        "comma": st.booleans(),
        "encoding": st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
        "end": st.sampled_from(["\n", "\r\n"]),
        "preamble": st.lists(st.sampled_from(PREAMBLE), max_size=4),
        "unit_row": st.booleans(),
        "quoted": st.booleans(),
        "packed": st.booleans(),
        "cut": st.booleans(),
    }
)
faults = st.lists(st.sampled_from(FAULTS), min_size=12, max_size=40)


def _lines(values, dialect, row_faults, words):
    """The text, and what is to be kept of it: line numbers and numbers, NaN where a word stands."""
    mark = dialect["delimiter"]
    comma = dialect["comma"] and mark != ","
    head = [*dialect["preamble"], mark.join(("Time (s)", *NAMES))]
    head += [mark.join(("s", *UNITS))] if dialect["unit_row"] else []
    lines, kept, numbers = list(head), [], []
    for row, (fault, cells) in enumerate(zip(row_faults, values, strict=True)):
        texts = [f"{row / 10:.1f}", *(f"{cell:.3f}" for cell in cells)]
        if words[row]:
            texts[3] = words[row]
        if comma:
            texts = [text.replace(".", ",") for text in texts]
        if dialect["quoted"]:
            texts = [f'"{text}"' for text in texts]
        text = mark.join(texts)
        if fault == "short":
            text = mark.join(texts[:3])
        elif fault == "long":
            text += mark + "7"
        elif fault == "blank":
            text = ""
        elif fault == "nul":
            text = text[:4] + "\0\0" + text[4:]
        elif fault == "header":
            text = head[len(dialect["preamble"])]
        if fault == "none":
            kept.append(len(lines) + 1)
            numbers.append([np.nan if words[row] and i == 2 else round(cell, 3) for i, cell in enumerate(cells)])
        lines.append(text)
    return lines, kept, numbers, len(head)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(dialect=dialects, row_faults=faults, seed=st.integers(0, 2**32 - 1))
def test_every_line_is_kept_or_set_aside(tmp_path, dialect, row_faults, seed):
    rng = np.random.default_rng(seed)
    row_faults = ["none"] * 8 + row_faults  # a logger begins with whole rows
    share = row_faults.count("nul") / len(row_faults)
    if share >= 0.3:  # NUL in every other line is padding, which is another case
        row_faults = [fault if fault != "nul" else "none" for fault in row_faults]
    for fault in ("short", "long"):  # a table has as many columns as most of its rows
        if row_faults.count(fault) >= row_faults.count("none"):
            row_faults = [other if other != fault else "none" for other in row_faults]
    values = rng.uniform(0.2, 9000, (len(row_faults), len(NAMES))).round(3)
    words = [str(rng.choice(WORDS)) if rng.random() < 0.2 else "" for _ in row_faults]
    lines, kept, numbers, first = _lines(values, dialect, row_faults, words)
    text = dialect["end"].join(lines) + ("" if dialect["cut"] else dialect["end"])
    data = text.encode(dialect["encoding"])
    path = tmp_path / "log.csv"
    path.write_bytes(gzip.compress(data) if dialect["packed"] else data)
    before = path.read_bytes()

    raw = read_raw(path)

    assert path.read_bytes() == before
    if dialect["cut"] and kept and kept[-1] == len(lines):
        kept, numbers = kept[:-1], numbers[:-1]
    assert raw.rows_in == len(lines) - first - (1 if dialect["cut"] and lines[-1] == "" else 0)
    assert raw.frame.height + sum(item.rows for item in raw.set_aside) == raw.rows_in
    assert raw.line.tolist() == kept
    aside = {line for item in raw.set_aside for line in range(item.row, item.last_row + 1)}
    assert aside.isdisjoint(kept)
    read = np.column_stack([raw.frame[name].fill_null(np.nan).to_numpy() for name in NAMES])
    np.testing.assert_array_equal(read, np.array(numbers))
    counted = sum(raw.columns[3].words.values())
    assert counted == int(np.isnan(np.array(numbers)[:, 2]).sum())


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC]),
    notes=st.lists(st.text(alphabet='ab ,;|"é', max_size=8), min_size=6, max_size=20),
)
def test_what_the_csv_module_writes_is_read_back(tmp_path, delimiter, quoting, notes):
    """The writer is Python's own csv module; its quoting rules are RFC 4180's."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, quoting=quoting)
    writer.writerow(["Time (s)", "RPM", "Note", "Lambda"])
    for row, note in enumerate(notes):
        writer.writerow([row / 10, 800 + row, f"x{note}", 1.01])
    path = tmp_path / "log.csv"
    path.write_text(out.getvalue(), encoding="utf-8", newline="")
    raw = read_raw(path)
    assert raw.frame.height == raw.rows_in == len(notes)
    assert raw.frame["RPM"].to_list() == [800.0 + row for row in range(len(notes))]
    bare = [f"x{note}".replace('"', "").strip() for note in notes]
    assert raw.frame["Note"].to_list() == bare


WHOLE = (
    "Logger 3\n\nTime (s);RPM;MAF [V];Lambda;Fuel mode;Coolant (°C)\ns;rpm;V;-;;°C\n"
    + "".join(f"{i / 25:.2f};{800 + i};{1 + i / 90:.3f};1.0{i % 9};{'CL' if i % 7 else 'OL'};85\n" for i in range(60))
).encode()


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    edits=st.lists(
        st.tuples(st.integers(0, len(WHOLE) - 1), st.integers(0, 40), st.binary(max_size=6)), min_size=1, max_size=8
    ),
    keep=st.integers(1, len(WHOLE)),
)
def test_damaged_file_reads_with_every_row_accounted_for_or_is_refused_in_words(tmp_path, edits, keep):
    data = WHOLE[:keep]
    for at, length, put_in in edits:
        data = data[:at] + put_in + data[at + length :]
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    try:
        raw = read_raw(path)
        assert raw.frame.height + sum(item.rows for item in raw.set_aside) == raw.rows_in
        log = map_raw(raw, None, ChannelMap())
    except (ReadError, MapError):
        return
    assert (np.diff(log["time"]) > 0).all()
