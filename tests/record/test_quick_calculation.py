"""A notebook's calculation without its pages: what its last call stands on, and nothing else."""

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_notebook

from tunelab.record.notebook import NotebookError, find_notebooks, notebooks_folder, read_notebook
from tunelab.record.quick import read_calculation

WRITE = "record.write(out, answer)"


def notebook(folder, *sources):
    cells = [new_code_cell('scale = 2\nsession = ""\nout = ""\n', metadata={"tags": ["parameters"]})]
    nbformat.write(new_notebook(cells=[*cells, *map(new_code_cell, sources)]), folder / "asked.ipynb")
    return read_notebook(folder / "asked.ipynb")


def answer_of(folder, *sources, scale=2):
    def nothing(*arguments):
        return arguments

    return read_calculation(notebook(folder, *sources, WRITE)).run({"scale": scale}, nothing, nothing)


def test_figures_and_tables_are_left_out_and_parameters_are_given(tmp_path):
    sources = ["import math", "area = math.pi * scale", "draw(area)", "unused = load()", "answer = area", "answer"]
    assert answer_of(tmp_path, *sources, scale=3) == pytest.approx(9.42477796)  # 3π
    kept = read_calculation(notebook(tmp_path, *sources, WRITE)).source
    assert "draw" not in kept
    assert "unused" not in kept


@pytest.mark.parametrize(
    "sources",
    [
        ["rows = [1]", "rows += [scale]", "answer = rows"],
        ["rows = [1]", "rows.append(scale)", "answer = rows"],
        ["rows = [1, 0]", "rows[1] = scale", "answer = rows"],
        ["rows = []", "for k in (1, scale):\n    rows = [*rows, k]", "answer = rows"],
        ["rows = [1]", "if scale:\n    rows = [1, scale]", "answer = rows"],
        ["def pair(x):\n    return [1, x]", "answer = pair(scale)"],
        ["first, second = 1, scale", "answer = [first, second]"],
        ["answer = 0", "answer = [1, scale]"],
    ],
)
def test_whatever_changes_a_needed_value_is_kept(tmp_path, sources):
    assert answer_of(tmp_path, *sources) == [1, 2]


def test_the_reading_is_the_archives_own(tmp_path):
    source = "from tunelab import record\nanswer = record.gather_evidence(record.open_session(session))"
    calculation = read_calculation(notebook(tmp_path, source, WRITE))
    assert calculation.run({"session": "s"}, lambda path: ("opened", path), lambda o: ("read", o)) == (
        "read", ("opened", "s"),
    )  # fmt: skip


@pytest.mark.parametrize("sources", [["answer = 1"], ["record.write(out)"], ["answer = ("]])
def test_a_notebook_that_does_not_end_with_its_result_says_so(tmp_path, sources):
    with pytest.raises(NotebookError, match=r"asked\.ipynb.*(must end with|cannot be read)"):
        read_calculation(notebook(tmp_path, *sources))


def test_a_change_of_a_figure_changes_no_calculation(tmp_path):
    before = read_calculation(notebook(tmp_path, "answer = scale", "draw(1)", WRITE)).source
    assert read_calculation(notebook(tmp_path, "answer = scale", "draw(2)", WRITE)).source == before
    assert read_calculation(notebook(tmp_path, "answer = scale + 1", "draw(1)", WRITE)).source != before


def test_no_notebook_of_the_kit_needs_a_figure_for_its_result():
    for asked in find_notebooks(notebooks_folder()):
        source = read_calculation(asked).source
        assert "chart" not in source
        assert "set_up_display" not in source
