"""The record of a session, from a raw log to pages: whole, the same again, readable when an analysis fails."""

import csv
import json
import multiprocessing
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from urllib.parse import quote

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.log.store import read_log
from tunelab.record import execute
from tunelab.record.driven import decide
from tunelab.record.notebook import read_notebook
from tunelab.record.opened import open_session
from tunelab.record.page import ANSI
from tunelab.record.place import UNFINISHED
from tunelab.record.plan import plan_for
from tunelab.record.session import record_session
from tunelab.record.stored import stored_records
from tunelab.workspace import open_workspace

HOSTILE = '</script><img src=x onerror="alert(1)">'
PARAMETERS = 'session = "x"  # folder\nscale = 2.0  # made up\nout = ""\n'
SET_UP = "from tunelab import record\nrecord.set_up_display()"
READ = "opened = record.open_session(session)\nevidence = record.gather_evidence(opened)\nevidence.facts()"
ANSWER = """
import holoviews as hv
import pandas as pd
from tunelab.study.finding import Finding
from tunelab.record import Chapter, NextRevision, Section
revision = opened.revision.model_copy(update={"name": "r02", "based_on": "r01"})
nothing = float("nan")
finding = Finding("good.answer", "An answer", nothing, "%", 0.1 + 0.2, 1 / 3, 0.95, 10, 2, "watch", 2.0, "Because.")
table = pd.DataFrame({"name": ["=1+1"], "value": [scale]})
chapter = Chapter("good", (finding,), {"t": table}, NextRevision(revision, {}),
                  change=Section(("Change it.",), (("A table", table),)),
                  drive_next=Section(("Drive on.",), (("Holds", table),)))
"""
SETTINGS = {"good": {"scale": 3.0}}
FIGURE = 'hv.Curve([(0, 1), (1, 2)], "time [s]", "x").opts(responsive=True, height=200, title="A figure")'


def write_notebook(folder, name, *sources):
    cells = [new_markdown_cell(f"# Is {name} so?"), new_code_cell(SET_UP)]
    cells.append(new_code_cell(PARAMETERS, metadata={"tags": ["parameters"]}))
    cells += [new_code_cell(source) for source in sources]
    nbformat.write(new_notebook(cells=cells, metadata={"tunelab": {"steps": ["steady"]}}), folder / f"{name}.ipynb")
    return read_notebook(folder / f"{name}.ipynb")


def write_log_file(path):
    rows = [["Time (s)", "Engine speed (rpm)", "MAF (V)", "Lambda", "Coolant (°C)", HOSTILE]]
    rows += [
        [f"{k * 0.04:.2f}", 1500 + k % 7, f"{2 + 0.001 * (k % 5)}", f"{1 + 0.001 * (k % 3)}", 85, k] for k in range(500)
    ]
    rows.insert(300, ["5.0", "not", "a", "row", "x", "=1+1"])
    with open(path, "w", encoding="utf-8", newline="") as handle:
        csv.writer(handle).writerows(rows)


@pytest.fixture(scope="module")
def workspace(tmp_path_factory):
    root = write_workspace(tmp_path_factory.mktemp("car"))
    folder = root / "sessions" / SESSION_NAME
    write_log_file(folder / "log1.csv")
    with open(folder / "session.toml", "a", encoding="utf-8") as handle:
        handle.write(f"notes = {json.dumps(HOSTILE)}\n")
    return root


@pytest.fixture(scope="module")
def notebooks(tmp_path_factory):
    folder = tmp_path_factory.mktemp("notebooks")
    good = write_notebook(folder, "good", READ, ANSWER, FIGURE, "table", "table * 1", "record.write(out, chapter)")
    bad = write_notebook(folder, "bad", READ, "print('so far')", 'raise ValueError("no lambda in this log")', "1")
    return {"good": good, "bad": bad}


@pytest.fixture(scope="module")
def records(workspace, notebooks):
    """Two runs alike at the same time, then one in which an analysis fails; the last record."""
    context = multiprocessing.get_context("spawn")
    at_once = [context.Process(target=record_apart, args=(workspace, notebooks["good"], SETTINGS)) for _ in range(2)]
    for process in at_once:
        process.start()
    for process in at_once:
        process.join()
    assert [process.exitcode for process in at_once] == [0, 0]
    opened = open_session(workspace / "sessions" / SESSION_NAME)
    return record_session(opened, [notebooks["good"], notebooks["bad"]], SETTINGS)


def record_apart(workspace, notebook, settings):
    """Record in another process; a failed notebook ends it with 1."""
    if record_session(open_session(workspace / "sessions" / SESSION_NAME), [notebook], settings).failed:
        raise SystemExit(1)


@pytest.fixture(scope="module")
def places(records):
    """Folders of the three records: the two good ones, the later of them in place, and the failed one beside it."""
    return [records.place.with_name(f"{SESSION_NAME}.1"), records.good, records.place]


def results(place):
    return json.loads((place / "results.json").read_text(encoding="utf-8"))


def test_a_record_has_all_its_files(places):
    names = {path.relative_to(places[0]).as_posix() for path in places[0].rglob("*") if path.is_file()}
    assert names == {
        "index.html", "good.html", "good.ipynb", "results.json", "proposal.toml", "drive_sheet.html", "log.nc",
        "ro-crate-metadata.json", "tables/t.csv", "tables/set_aside.csv", "tables/flagged_spans.csv",
    }  # fmt: skip


def test_a_table_that_says_what_to_do_stands_on_its_page_once(places):
    page = (places[0] / "good.html").read_text(encoding="utf-8")
    below = page.partition('id="how"')[2]
    assert page.partition('id="how"')[0].count("=1+1") == 2  # what to change, what to drive
    assert below.count('The table is under <a href="#what-to-do">What to do</a>.') == 2
    assert "=1+1" not in re.sub(r"<pre class=.code.*?</pre>", "", below, flags=re.DOTALL)


def test_results_have_the_promised_keys(places):
    found = results(places[0])
    assert found["schema"] == "tunelab-results/1"
    assert {"session", "step", "revision", "inputs", "versions", "parameters", "findings"} <= set(found)
    assert set(found["inputs"][0]) == {"path", "sha256", "rows_in", "rows_kept", "rows_set_aside"}
    assert found["parameters"]["good"] == {"session": f"sessions/{SESSION_NAME}", "scale": 3.0}
    (finding,) = found["findings"]
    assert list(finding) == [
        "id", "title", "value", "unit", "lower", "upper", "confidence", "samples_used", "samples_flagged", "status",
        "limit", "because",
    ]  # fmt: skip
    assert finding["value"] is None
    assert finding["lower"] == 0.3


def test_the_same_inputs_give_the_same_results_byte_for_byte(places):
    texts = [(place / "results.json").read_text(encoding="utf-8") for place in places[:2]]
    bare = [text.partition('"timestamps"')[0] for text in texts]
    assert bare[0] == bare[1]
    assert len(bare[0]) > 500
    assert set(results(places[0])) == set(results(places[1]))


def test_two_runs_at_once_do_not_mix(places):
    for place in places[:2]:
        assert [finding["id"] for finding in results(place)["findings"]] == ["good.answer"]
        assert (place / "good.html").exists()
    assert not list(places[0].parent.glob(f"{UNFINISHED}*"))


def test_every_row_is_accounted_for(places, workspace):
    import hashlib

    (item,) = results(places[0])["inputs"]
    raw = (workspace / "sessions" / SESSION_NAME / "log1.csv").read_bytes()
    assert item["sha256"] == hashlib.sha256(raw).hexdigest()
    assert item["rows_in"] == 501
    assert item["rows_kept"] + item["rows_set_aside"] == 501
    listed = (places[0] / "tables" / "set_aside.csv").read_text().splitlines()
    assert listed[0] == "file,row,reason"
    assert len(listed) - 1 == item["rows_set_aside"]


def test_the_proposal_reads_back_as_a_revision(places, workspace, tmp_path):
    root = write_workspace(tmp_path)
    text = (places[0] / "proposal.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["based_on"] == "r01"
    (root / "revisions" / "r02.toml").write_text(text, encoding="utf-8")
    assert open_workspace(root).revisions["r02"].meter_curve == open_workspace(root).revisions["r01"].meter_curve


def test_the_log_in_the_record_is_the_log_with_its_flags(places):
    log = read_log(places[0] / "log.nc")
    assert "lambda_measured_flag" in log
    assert log.sizes["time"] == results(places[0])["inputs"][0]["rows_kept"]


def test_a_new_record_spares_ready_and_plan_its_log(places, workspace, monkeypatch):
    def refuse(*_):
        raise AssertionError("a log was opened")

    monkeypatch.setattr("tunelab.record.driven.read_log", refuse)
    monkeypatch.setattr("tunelab.record.driven.load_flagged", refuse)
    (drive,) = decide(workspace).drives
    assert drive.reach.readings == pytest.approx((2.0, 2.004))
    assert plan_for(workspace, None).plan.holds


def test_provenance_names_every_file_with_its_hash(places):
    from rocrate.rocrate import ROCrate

    crate = ROCrate(places[0])
    names = {path.relative_to(places[0]).as_posix() for path in places[0].rglob("*") if path.is_file()}
    described = {entity.id: entity for entity in crate.data_entities}
    assert set(described) == names - {"ro-crate-metadata.json"}
    assert all(len(entity["sha256"]) == 64 for entity in described.values())
    assert crate.get("#run")["instrument"].id == "#tunelab"
    assert len(crate.get("#run")["object"]) == 4  # raw log, car, revision, session


def test_no_path_of_the_machine_is_in_a_record(places, workspace, notebooks):
    for path in places[2].rglob("*"):
        if path.suffix in (".json", ".toml", ".csv", ".html"):
            text = path.read_text(encoding="utf-8")
            assert str(workspace) not in text, path.name
    executed = (places[0] / "good.ipynb").read_text(encoding="utf-8")
    assert str(workspace) not in executed
    assert "kernel_check" not in executed


def test_a_failed_analysis_leaves_a_readable_record_marked_at_its_top(records, places):
    assert records.failed
    index = (places[2] / "index.html").read_text(encoding="utf-8")
    assert "This record is marked failed" in index
    assert index.index("This record is marked failed") < index.index("What was driven")
    page = (places[2] / "bad.html").read_text(encoding="utf-8")
    assert "ValueError: no lambda in this log" in page
    assert "so far" in page


@pytest.mark.parametrize(
    ("place", "module"),
    [
        ("/home/x/my car/tunelab/tunelab/log/flag.py", "tunelab.log.flag"),
        ("/opt/env/lib/python3.12/site-packages/numpy/lib/x.py", "numpy.lib.x"),
        ("/usr/lib/python3.12/json/decoder.py", "json.decoder"),
        (r"C:\Users\x\env\Lib\site-packages\pandas\core\frame.py", "pandas.core.frame"),
        ("~/own/script.py", "script"),
    ],
)
def test_a_traceback_names_modules_and_no_folder_of_this_machine(place, module):
    lines = [f"File {on}{place}{off}:12, in f(x)\n---> 12 g(x)" for on, off in (("", ""), ("\x1b[32m", "\x1b[39m"))]
    failed = new_output("error", ename="E", evalue="no", traceback=[*lines, "ValueError: no"])
    tidied = execute._tidy(new_notebook(cells=[new_code_cell("f(1)", outputs=[failed])])).cells[0].outputs[0].traceback
    assert [ANSI.sub("", line) for line in tidied[:2]] == [f"File {module}:12, in f(x)\n---> 12 g(x)"] * 2
    assert tidied[2] == "ValueError: no"


def test_a_failed_run_takes_no_good_records_place(records, places, workspace):
    assert places[2].name == f"{SESSION_NAME}.failed"
    assert records.kept is None
    found, left_out = stored_records(open_workspace(workspace))
    assert [(record.place, record.failed) for record in found] == [(places[1], False)]
    assert not left_out or [f"{SESSION_NAME}.failed" in sentence for sentence in left_out] == [True]
    shelf = (workspace / "records" / "index.html").read_text(encoding="utf-8")
    assert f'href="{SESSION_NAME}/index.html"' in shelf


def test_a_later_failure_is_said_where_records_are_counted(records, places, workspace):
    path = places[2] / "results.json"
    before = path.read_text(encoding="utf-8")
    later = json.loads(before)
    later["timestamps"]["finished"] = "2099-01-01T00:00:00+00:00"
    path.write_text(json.dumps(later), encoding="utf-8")
    (sentence,) = stored_records(open_workspace(workspace))[1]
    path.write_text(before, encoding="utf-8")
    assert sentence.startswith(f"{SESSION_NAME}.failed: a later run of this session failed")


def test_a_failed_record_makes_way_for_the_next(workspace, notebooks, tmp_path):
    opened = open_session(workspace / "sessions" / SESSION_NAME)
    first = record_session(opened, [notebooks["bad"]], {}, place=tmp_path / "r")
    second = record_session(opened, [notebooks["bad"]], {}, place=tmp_path / "r")
    assert (first.place, first.good) == (tmp_path / "r", None)
    assert (second.place, second.kept) == (tmp_path / "r", tmp_path / "r.1")


def test_what_failed_is_not_shown_and_never_met(places):
    found = {finding["id"]: finding for finding in results(places[2])["findings"]}
    assert found["bad.run"]["status"] == "not_shown"
    assert "no lambda in this log" in found["bad.run"]["because"]
    assert found["good.answer"]["status"] == "watch"


def test_hostile_text_of_log_and_session_stays_text_everywhere(places):
    for path in places[2].glob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert "<img" not in text, path.name
    assert any("onerror" in path.read_text(encoding="utf-8") for path in places[2].glob("*.html"))


def test_pages_ask_for_no_network(places):
    for path in places[0].glob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert "default-src &#39;none&#39;" in text or "default-src 'none'" in text
        assert 'src="http' not in text
        assert 'href="http' not in text
        assert path.stat().st_size < 5e6


def test_a_run_that_is_killed_leaves_the_old_record(workspace, notebooks, records, tmp_path):
    place = records.good
    before = (place / "results.json").read_bytes()
    slow = write_notebook(tmp_path, "slow", "import time\ntime.sleep(60)")
    process = multiprocessing.get_context("spawn").Process(target=record_apart, args=(workspace, slow, {}))
    process.start()
    deadline = time.monotonic() + 60
    while not list(place.parent.glob(f"{UNFINISHED}*/slow.ipynb")) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert list(place.parent.glob(f"{UNFINISHED}*/slow.ipynb"))
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    assert (place / "results.json").read_bytes() == before
    assert not (place / "slow.ipynb").exists()


def test_a_kernel_of_another_python_is_refused(tmp_path, monkeypatch):
    from tunelab.record import execute

    notebook = write_notebook(tmp_path, "n", "print('it ran')")
    with execute.kernels_at(tmp_path, tmp_path):
        monkeypatch.setenv(execute.PREFIX, "/another/python")
        run = execute.run_notebook(notebook, {"session": "s"}, tmp_path)
    assert "runs in another Python than tunelab" in run.failure
    outputs = [output for cell in run.executed.cells for output in cell.get("outputs", [])]
    assert not any("it ran" in output.get("text", "") for output in outputs)


def test_a_kernel_that_dies_is_a_failure_and_not_a_crash(tmp_path):
    from tunelab.record.execute import kernels_at, run_notebook

    notebook = write_notebook(tmp_path, "n", "print('alive')", "import os\nos._exit(3)")
    with kernels_at(tmp_path, tmp_path):
        run = run_notebook(notebook, {"session": "s"}, tmp_path)
    assert run.failed
    assert "kernel" in run.failure
    outputs = [output for cell in run.executed.cells for output in cell.get("outputs", [])]
    assert any("alive" in output.get("text", "") for output in outputs)


def test_no_process_of_a_record_loads_statistics_or_pint_before_a_study_asks_for_them():
    """A quarter to near a whole second each, in the command and in every kernel; most notebooks need neither."""
    slow = ("scipy.stats", "scipy.signal", "pint")
    code = f"import sys, tunelab.chart, tunelab.record.session; print([m for m in {slow} if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


@pytest.mark.parametrize("module", ["lab", "archive.one"])
def test_no_command_loads_a_grammar_of_addresses(module):
    """It took `lab`, `demo` and `archive` a second before they did anything."""
    code = f"import sys, tunelab.record.{module}; print('rfc3987_syntax' in sys.modules)"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "False"


def test_a_record_pushes_no_session_and_no_workspace_aside(workspace, notebooks):
    session = workspace / "sessions" / SESSION_NAME
    before = sorted(path.name for path in session.iterdir())
    for place in (session, workspace):
        with pytest.raises(FileExistsError, match="holds files and is no record"):
            record_session(open_session(session), [notebooks["good"]], SETTINGS, place=place)
    assert sorted(path.name for path in session.iterdir()) == before


def test_no_process_of_a_record_loads_what_only_other_programs_want(workspace, tmp_path):
    """A second for the grammar of an address; and in every kernel a fifth for pint and for dask, where xarray looks."""
    others = "import sys\nprint(sorted({'pint', 'rfc3987_syntax', 'dask', 'distributed'} & set(sys.modules)))"
    notebook = write_notebook(tmp_path, "n", READ, "evidence.log.isel(time=slice(0, 9)).mean()", others)
    code = f"""
import pathlib, sys
from tunelab.lazy import without_dask
with without_dask():  # as the command does
    from tunelab.record import open_session
    from tunelab.record.notebook import read_notebook
    from tunelab.record.session import record_session
    session, notebook, place = map(pathlib.Path, sys.argv[1:])
    made = record_session(open_session(session), [read_notebook(notebook)], {{}}, place=place)
assert not made.failed, made.runs
{others}"""
    command = [sys.executable, "-c", code, workspace / "sessions" / SESSION_NAME, notebook.path, tmp_path / "made"]
    shown = subprocess.run(command, capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"
    cells = nbformat.read(tmp_path / "made" / "n.ipynb", as_version=4).cells
    assert cells[-1].outputs[0].text.strip() == "[]"


@pytest.mark.parametrize("odd", ["{} and {name}", "a {0!r} 50% #1 & 'one' \"two\" Ünlü"])
def test_a_record_is_made_whatever_the_folders_are_called(odd, notebooks, tmp_path):
    root = write_workspace(tmp_path / odd)
    session = root / "sessions" / f"2026-05-03 {odd}"
    (root / "sessions" / SESSION_NAME).rename(session)
    write_log_file(session / "log1.csv")
    made = record_session(open_session(session), [notebooks["good"]], SETTINGS)
    assert [run.failure for run in made.runs] == [""]
    assert (made.place / "good.ipynb").is_file()
    shelf = (root / "records" / "index.html").read_text(encoding="utf-8")
    assert f'href="{quote(session.name)}/index.html"' in shelf


def test_a_folder_in_braces_is_no_form(tmp_path):
    from tunelab.record.execute import kernels_at, run_notebook

    record = tmp_path / "{session} {}"
    record.mkdir()
    notebook = write_notebook(tmp_path, "n", "print('alive')")
    with kernels_at(tmp_path, record):
        run = run_notebook(notebook, {"session": "s"}, record)
    assert run.failure == ""
    assert (record / "n.ipynb").is_file()


@pytest.mark.parametrize("place", ["short", "o" * 200])
def test_the_sockets_of_a_kernel_have_room_wherever_temporary_files_go(tmp_path, monkeypatch, place):
    """Below a long path for temporary files no kernel could start: a socket's path holds some hundred bytes."""
    (tmp_path / place).mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / place))
    with execute._own_channel() as channel:
        assert channel["transport"] == "tcp" or len(os.fsencode(channel["ip"] + "-5")) <= 103
