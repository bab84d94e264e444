"""Every notebook on logs that are far too short: each question says in words what is lacking, and nothing fails."""

import dataclasses
from pathlib import Path

import nbformat
import numpy as np
import pytest

from tunelab import record
from tunelab.record import beside, evidence, manners
from tunelab.record import beside as explore
from tunelab.record import link as link_words

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = [path for path in sorted((ROOT / "notebooks").glob("*.ipynb")) if path.stem not in ("history", "readiness")]
READERS = (record, beside, evidence, explore, manners, link_words)


@pytest.fixture(scope="module")
def whole():
    """Logs of the demo, each read once."""
    return {}


@pytest.fixture
def cut(whole, monkeypatch):
    """Make every reading of a session give only a stretch from the middle of its log: so many rows, or seconds."""
    read = evidence.gather_evidence

    def cut_to(*, rows=None, seconds=None):
        def gather(opened):
            if opened.name not in whole:
                whole[opened.name] = read(opened)
            log = whole[opened.name].log
            time, first = log["time"].values, log.sizes["time"] // 3
            last = first + rows if rows else int(np.searchsorted(time, time[first] + seconds))
            return dataclasses.replace(whole[opened.name], log=log.isel(time=slice(first, last)))

        for module in READERS:
            if hasattr(module, "gather_evidence"):
                monkeypatch.setattr(module, "gather_evidence", gather)

    return cut_to


def findings_of(path, monkeypatch):
    """Run a notebook's cells here, without a kernel; gives what it would have written."""
    written = []
    monkeypatch.setattr(record, "write", lambda out, chapter: written.append(chapter))
    names = {}
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "code":
            exec(compile(cell.source, f"{path.name}: {cell.source.splitlines()[0]}", "exec"), names)
    (chapter,) = written
    return chapter.findings


def require_words(path, monkeypatch):
    for finding in findings_of(path, monkeypatch):
        assert finding.because.strip(), finding.id
        assert "Error" not in finding.because
        if finding.status == "not_shown":
            assert finding.value is None or not np.isfinite(finding.value) or finding.id == "link.drop_outs"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_three_rows(path, cut, monkeypatch):
    cut(rows=3)
    require_words(path, monkeypatch)


def test_three_rows_of_supply_show_nothing(cut, monkeypatch):
    cut(rows=3)
    found = {f.id: f for f in findings_of(ROOT / "notebooks" / "link.ipynb", monkeypatch)}
    assert found["link.supply"].status == "not_shown"
    assert found["link.supply"].because == "Only 3 readings with the engine running; 100 are the least."


@pytest.mark.bench
@pytest.mark.parametrize("length", [{"rows": 2}, {"seconds": 0.4}, {"seconds": 1}, {"seconds": 5}, {"seconds": 11}])
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_other_lengths(path, length, cut, monkeypatch):
    cut(**length)
    require_words(path, monkeypatch)
