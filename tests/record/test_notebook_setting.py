"""Parameters are checked before anything runs."""

import json

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.cli import main
from tunelab.record.notebook import NotebookError, choose_notebooks, find_notebooks, read_notebook
from tunelab.record.opened import open_session, require_sessions, settings_for

PARAMETERS = """session = "x"  # folder of the session
span_s: float = 3.0  # window [s]
draws = 200  # draws
strict = True
label = "a"
top_km_h = None  # highest speed [km/h]
gears = [1, 2]
out = ""
"""


def write_notebook(folder, name="first", source=PARAMETERS, steps=("steady",), tags=("parameters",)):
    cells = [new_markdown_cell("# What is it?\n\nUnit."), new_code_cell(source, metadata={"tags": list(tags)})]
    node = new_notebook(cells=cells, metadata={"tunelab": {"steps": list(steps)}})
    nbformat.write(node, folder / f"{name}.ipynb")
    return folder / f"{name}.ipynb"


def test_a_notebook_tells_its_question_steps_and_parameters(tmp_path):
    notebook = read_notebook(write_notebook(tmp_path))
    assert (notebook.name, notebook.question, notebook.steps) == ("first", "What is it?", ("steady",))
    assert notebook.parameter("span_s").default == 3.0
    assert notebook.parameter("span_s").comment == "window [s]"


@pytest.mark.parametrize(
    ("text", "value"),
    [("span_s=4", 4.0), ("span_s=-1e-3", -0.001), ("draws=7", 7), ("strict=no", False), ("label=b=c", "b=c"),
     ("top_km_h=90", 90), ("top_km_h=None", None), ("gears=[3]", [3])],
)  # fmt: skip
def test_a_value_is_read_in_the_type_of_the_default(tmp_path, text, value):
    notebook = read_notebook(write_notebook(tmp_path))
    got = settings_for([notebook], [text])["first"][text.partition("=")[0]]
    assert got == value
    assert type(got) is type(value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("span=4", "nearest known one is span_s"),
        ("session=y", "fills this one in itself"),
        ("span_s", "wanted NAME=VALUE"),
        ("span_s=fast", r"wanted a number \(window \[s\]\)"),
        ("span_s=nan", "wanted a number"),
        ("span_s=1e999", "wanted a number"),
        ("span_s=True", "wanted a number"),
        ("draws=7.5", "wanted a whole number"),
        ("strict=1", "wanted true or false"),
        ("gears=3", "wanted a list"),
        ("top_km_h='x'", "wanted a number or None"),
        ("span_s=__import__('os').getcwd()", "wanted a number"),
    ],
)
def test_what_is_wrong_is_said_before_the_run(tmp_path, text, message):
    notebook = read_notebook(write_notebook(tmp_path))
    with pytest.raises(NotebookError, match=message):
        settings_for([notebook], [text])


def test_a_name_given_twice_is_an_error(tmp_path):
    with pytest.raises(NotebookError, match="twice"):
        settings_for([read_notebook(write_notebook(tmp_path))], ["draws=1", "draws=2"])


def test_a_parameter_goes_only_to_the_notebooks_that_have_it(tmp_path):
    write_notebook(tmp_path, "a")
    write_notebook(tmp_path, "b", 'session = "x"\nother = 1\n')
    assert settings_for(find_notebooks(tmp_path), ["other=2"]) == {"a": {}, "b": {"other": 2}}


def test_a_missing_parameters_cell_stops_the_run(tmp_path):
    with pytest.raises(NotebookError, match="0 cells tagged `parameters`"):
        read_notebook(write_notebook(tmp_path, tags=()))


@pytest.mark.parametrize("source", ["import os", "a = b = 1", "a = 1 + x", "a, b = 1, 2"])
def test_a_parameters_cell_holds_plain_values_only(tmp_path, source):
    with pytest.raises(NotebookError, match="plain value"):
        read_notebook(write_notebook(tmp_path, source=source))


def test_a_file_that_is_no_notebook_is_named(tmp_path):
    (tmp_path / "x.ipynb").write_text("not json")
    with pytest.raises(NotebookError, match=r"x\.ipynb cannot be read as a notebook"):
        find_notebooks(tmp_path)


@pytest.mark.parametrize(
    ("metadata", "tags"),
    [
        ({"tunelab": [1]}, ["parameters"]),
        ({"tunelab": {"order": "first"}}, ["parameters"]),
        ({"tunelab": {"order": float("inf")}}, ["parameters"]),
        ({"tunelab": {"steps": 3}}, ["parameters"]),
        ({"tunelab": {"answer": None}}, ["parameters"]),
        ({}, None),
        ({}, 5),
    ],
)
def test_notes_of_a_wrong_kind_in_a_notebook_are_named_with_its_file(tmp_path, metadata, tags):
    """Each ended in a traceback, or in a sentence that named no file."""
    cell = {"cell_type": "code", "source": "a = 1", "metadata": {"tags": tags}, "outputs": []}
    node = {"nbformat": 4, "nbformat_minor": 5, "metadata": metadata, "cells": [cell]}
    (tmp_path / "odd.ipynb").write_text(json.dumps(node), encoding="utf-8")
    with pytest.raises(NotebookError, match=r"^odd\.ipynb"):
        read_notebook(tmp_path / "odd.ipynb")


def test_notebooks_are_chosen_by_step_or_by_name(tmp_path):
    write_notebook(tmp_path, "a")
    write_notebook(tmp_path, "b", steps=("launch",))
    assert [n.name for n in choose_notebooks(tmp_path, ("steady", "link"), ())] == ["a"]
    assert [n.name for n in choose_notebooks(tmp_path, ("steady",), ("b",))] == ["b"]
    with pytest.raises(NotebookError, match="no notebook 'aa'; the nearest known one is a"):
        choose_notebooks(tmp_path, ("steady",), ("aa",))
    with pytest.raises(NotebookError, match="No notebook serves the step link; there are some for launch, steady"):
        choose_notebooks(tmp_path, ("link",), ())


def test_a_session_that_is_not_there_is_found_before_anything_runs(tmp_path):
    root = write_workspace(tmp_path)
    opened = open_session(root / "sessions" / SESSION_NAME)
    for good in ({"more_sessions": [SESSION_NAME]}, {"coast_down": "newest"}, {"compare_with": "none", "seed": 2}):
        require_sessions(opened, {"a": good})
    require_sessions(opened, {"a": {"more_sessions": [str(opened.folder.path)]}})
    for wrong in ({"more_sessions": ["nope"]}, {"others": ["2026-05-03-stead"]}, {"coast_down": "none of them"}):
        with pytest.raises(NotebookError, match=r"there is no session '.*'; (there are|the nearest)"):
            require_sessions(opened, {"a": {}, "b": wrong})


def test_a_wrong_setting_of_record_changes_nothing(tmp_path, capsys):
    root = write_workspace(tmp_path)
    session = root / "sessions" / SESSION_NAME
    assert main(["record", str(session), "--set", 'more_sessions=["nope"]']) == 2
    assert "--set more_sessions: there is no session 'nope'" in capsys.readouterr().err
    assert not (root / "records").exists()
