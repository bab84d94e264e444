"""Plain data of a record: no NaN, and the same text for the same findings."""

import dataclasses
import json

import numpy as np
import pandas as pd
import pytest

from tunelab.record.chapter import Chapter, Section, TableError, as_data, finite, read_chapters, write
from tunelab.record.results import results_text, tidy
from tunelab.study.finding import Finding

FINDING = Finding(
    "steady.x", "X", np.float64("nan"), "%", -np.inf, 1 / 3, 0.95, np.int64(3), 4, "not_shown", None, "Nothing."
)


def test_what_is_not_a_number_becomes_null():
    data = finite(dataclasses.asdict(FINDING))
    text = json.dumps(data, allow_nan=False)
    assert json.loads(text)["value"] is None
    assert json.loads(text)["lower"] is None
    assert json.loads(text)["samples_used"] == 3


def test_numbers_are_rounded_to_what_two_processors_agree_on():
    assert tidy({"a": [0.1 + 0.2, 1 / 3, 123456789.0]}) == {"a": [0.3, 0.3333333, 123456800.0]}
    assert tidy(float("nan")) is None


def test_results_refuse_a_nan_that_slipped_through():
    with pytest.raises(ValueError, match="not JSON compliant"):
        results_text({"value": float("nan")})


def test_a_chapter_goes_to_the_folder_it_is_given_and_nowhere_without_one(tmp_path, monkeypatch):
    monkeypatch.delenv("TUNELAB_RECORD_OUT", raising=False)
    monkeypatch.chdir(tmp_path)
    table = pd.DataFrame({"a": [1.5]})
    chapter = Chapter("steady", (FINDING,), {"t": table}, change=Section(("Do it.",), (("A table", table),)))
    assert list(write("", chapter)["title"]) == ["X"]
    assert list(tmp_path.iterdir()) == []
    write(str(tmp_path / "out"), chapter)
    assert (tmp_path / "out" / "tables" / "t.csv").read_text() == "a\n1.5\n"
    (read,) = read_chapters(tmp_path / "out", ["other", "steady"])
    assert read == json.loads(json.dumps(as_data(chapter)))
    assert read["change"]["tables"][0]["rows"] == [["1.5"]]


def test_two_notebooks_of_a_record_cannot_write_one_table(tmp_path, monkeypatch):
    monkeypatch.setenv("TUNELAB_RECORD_OUT", str(tmp_path))
    chapter = Chapter("a", tables={"t": pd.DataFrame({"a": [1]})})
    write("", chapter)
    with pytest.raises(TableError, match="already written by another notebook"):
        write("", dataclasses.replace(chapter, notebook="b"))
