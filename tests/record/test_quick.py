"""The short answer without a record: the notebooks' own statements, run once each, and nothing written."""

import subprocess
import sys

import pytest
from plain_workspace import write_workspace
from shared_record import write_notebook
from written_log import waves, write_log

from tunelab.cli import main
from tunelab.record.opened import open_session
from tunelab.record.quick import Shared, answer_quickly, read_calculation

READ = "opened = record.open_session(session)\nevidence = record.gather_evidence(opened)"
ANSWER = """
from tunelab.study.finding import Finding
numbers = (1.0, "rpm", 0.5, 1.5, 0.95, 10, 2, "watch", 2.0)
finding = Finding("{name}.answer", "An answer of {name}", *numbers, "so it is")
record.write(out, record.Chapter("{name}", (finding,), change=record.Section(("Change nothing. More.",))))
"""


@pytest.fixture
def opened(tmp_path):
    root = write_workspace(tmp_path / "my-car")
    folder = root / "sessions" / "2026-05-03-steady"
    write_log(folder / "log1.csv", {"Engine speed (rpm)": waves(900, 3000), "MAF (V)": waves(1, 3, seed=1)})
    return open_session(folder)


def test_a_call_that_two_notebooks_share_is_made_once(tmp_path):
    calls = []
    first = "made = evidence.make(2)\nmore = [made]\nmore.append(1)\nrecord.write(out, more)"
    second = "made = evidence.make(2)\nmore = [made]\nother = evidence.make(3)\nrecord.write(out, (more, other))"

    class Evidence:
        @staticmethod
        def make(number):
            calls.append(number)
            return number

    notebooks = [write_notebook(tmp_path, name, READ, source) for name, source in (("a", first), ("b", second))]
    shared, given = Shared(), {"session": "x", "scale": 2.0}
    answers = [shared.run(read_calculation(n), given, lambda path: path, lambda opened: Evidence) for n in notebooks]
    assert answers == [[2, 1], ([2], 3)]
    assert calls == [2, 3]
    shared.run(read_calculation(notebooks[0]), given | {"session": "y"}, lambda path: path, lambda opened: Evidence)
    assert calls == [2, 3, 2]


def test_it_gives_every_answer_and_says_which_failed(tmp_path, opened):
    good = write_notebook(tmp_path, "good", READ, ANSWER.format(name="good"))
    bad = write_notebook(tmp_path, "bad", READ, "found = evidence.nothing_of_the_kind\nrecord.write(out, found)")
    answer = answer_quickly(opened, [good, bad], {})
    assert [run.failure.partition(":")[0] for run in answer.runs] == ["", "AttributeError"]
    assert any("an answer of good 1.0 rpm" in line for line in answer.short)
    assert not (opened.workspace.root / "records").exists()


def test_it_loads_nothing_that_only_pages_need():
    code = (
        "import sys\nimport tunelab.record.quick\n"
        "heavy = {'nbformat', 'papermill', 'bokeh', 'holoviews', 'rocrate', 'jupyter_client'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_a_place_for_a_record_is_refused(opened, capsys):
    assert main(["record", "--quick", str(opened.folder.path), "--out", "x"]) == 2
    assert "writes no record" in capsys.readouterr().err
