"""Every notebook runs from a clean kernel on the demo data, and gives the numbers that are saved in it."""

import ast
import os
import subprocess
import sys
from pathlib import Path

import nbformat
import numpy as np
import pytest

from tunelab.record.notebook import read_notebook
from tunelab.record.page import ANSWER_FIGURE, LAST, TO_DO
from tunelab.workspace import open_workspace

ROOT = Path(__file__).resolve().parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
STEPS = {"steady", "part-throttle", "full-throttle", "road", "coast-down", "launch", "link"}
OF_A_WORKSPACE = {"readiness", "history"}  # they read all records, and serve no step of a session
WITHOUT_ANSWER_FIGURE: set[str] = set()
LARGEST = 300_000  # bytes: a notebook in the repository carries no figures' data


def test_there_are_notebooks():
    assert {path.stem for path in NOTEBOOKS} >= {"steady", "drive_plan"}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_keeps_the_order_of_its_cells(path):
    cells = nbformat.read(path, as_version=4).cells
    assert cells[0].cell_type == "markdown"
    assert cells[0].source.startswith("# ")
    assert "Answer" in cells[0].source
    assert "Source" in cells[0].source
    assert cells[1].cell_type == "code"
    assert "import" in cells[1].source
    assert "parameters" in cells[2].metadata.get("tags", [])
    code = [cell.source for cell in cells if cell.cell_type == "code"]
    assert code[-1].startswith("record.write(")
    assert cells[-1].source.startswith("## Limits")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_holds_no_function_of_its_own_and_is_small(path):
    node = nbformat.read(path, as_version=4)
    trees = [ast.parse(cell.source) for cell in node.cells if cell.cell_type == "code"]
    functions = [part for tree in trees for part in ast.walk(tree) if isinstance(part, ast.FunctionDef | ast.ClassDef)]
    assert all(part.end_lineno - part.lineno < 2 for part in functions)
    assert path.stat().st_size < LARGEST


def test_the_owners_limits_are_watched_in_every_record():
    assert set(read_notebook(ROOT / "notebooks" / "limits.ipynb").steps) == STEPS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_serves_known_steps_and_explains_its_parameters(path):
    notebook = read_notebook(path)
    reads = "workspace" if path.stem in OF_A_WORKSPACE else "session"
    assert bool(notebook.steps) == (reads == "session")
    assert set(notebook.steps) <= STEPS
    assert all(parameter.comment for parameter in notebook.parameters)
    assert (ROOT / str(notebook.parameter(reads).default)).is_dir()


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_marks_what_its_page_begins_with(path):
    """The cell whose figure shows the answer, and, where a section says what to do, its heading."""
    cells = nbformat.read(path, as_version=4).cells
    marked = [cell for cell in cells if ANSWER_FIGURE in cell.metadata.get("tags", [])]
    assert len(marked) == (path.stem not in WITHOUT_ANSWER_FIGURE)
    assert all("draw_" in cell.source or "explore_traces(" in cell.source for cell in marked)
    assert all(cell.source.startswith("## ") for cell in cells if TO_DO in cell.metadata.get("tags", []))
    assert any(cell.source.startswith(f"## {LAST[-1]}") for cell in cells)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_what_stays_uncompared_says_why(path):
    for cell in nbformat.read(path, as_version=4).cells:
        if any(tag in cell.metadata.get("tags", []) for tag in ("nbval-ignore-output", "nbval-skip")):
            assert "# not compared:" in cell.source


def test_every_notebook_has_saved_numbers_for_nbval_to_compare():
    """`.ci/run` runs nbval itself, over all notebooks at once: here it would only take the same minutes again."""
    for path in NOTEBOOKS:
        cells = nbformat.read(path, as_version=4).cells
        checked = [cell for cell in cells if "nbval-check-output" in cell.metadata.get("tags", [])]
        assert checked, path.stem
        assert all(cell.outputs for cell in checked), path.stem


def test_the_plain_papermill_command_line_runs_a_notebook_on_another_session(tmp_path):
    command = [
        sys.executable, "-m", "papermill", "notebooks/steady.ipynb", str(tmp_path / "out.ipynb"), "--no-progress-bar",
        "-p", "session", "data_demo/sessions/2026-05-09-steady", "-p", "out", str(tmp_path / "out"),
    ]  # fmt: skip
    environment = {name: value for name, value in os.environ.items() if not name.startswith("TUNELAB_")}
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, env=environment, check=False)
    assert done.returncode == 0, done.stderr[-4000:]
    proposed = np.genfromtxt(tmp_path / "out" / "tables" / "meter_curve.csv", delimiter=",", names=True, dtype=None)
    entered = open_workspace(ROOT / "data_demo").revisions["r03"].meter_curve.flow_kg_h
    np.testing.assert_allclose(proposed["flow_proposed_kg_h"], entered, rtol=1e-3, atol=0.01)
    assert (tmp_path / "out" / "chapters" / "steady.json").exists()
