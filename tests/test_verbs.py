"""`import tunelab` from Python: the examples of every verb run, a bare log is read, and results show themselves."""

import doctest
import functools
import subprocess
import sys
from pathlib import Path

import pytest

import tunelab
from tunelab import verbs

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
SWEEP = DEMO / "sessions" / "2026-05-03-steady" / "sweep-1.csv.gz"


@pytest.mark.filterwarnings("ignore:.*columns that are open")
def test_every_verb_has_an_example_that_runs(monkeypatch):
    monkeypatch.chdir(DEMO.parent)
    named = {name for name in tunelab.__all__ if not isinstance(getattr(tunelab, name), type)}
    shown = {test.name.rpartition(".")[2] for test in doctest.DocTestFinder().find(verbs) if test.examples}
    assert named == shown
    once = {name: functools.cache(getattr(verbs, name)) for name in ("open_drive", "fit")}  # each takes seconds
    assert doctest.testmod(verbs, extraglobs=once).failed == 0


def test_a_log_without_a_workspace_is_read_and_says_what_it_leaves_out(tmp_path):
    with pytest.warns(UserWarning, match=r"Fuel mode: left out until channels\.toml settles it: .*codes 1, 2, 3, 4"):
        log = tunelab.read_log(SWEEP)
    assert "fuel_mode" not in log
    assert log.sizes["time"] == 14802
    assert "fuel_mode" in tunelab.read_log(SWEEP, channels=DEMO / "channels.toml")
    wrong = tmp_path / "channels.toml"
    wrong.write_text("[[colum]]\nname = 'RPM'\n", encoding="utf-8")
    with pytest.raises(ValueError, match="colum"):
        tunelab.read_log(SWEEP, channels=wrong)
    wrong.write_text('[[column]]\nname = "RPM"\nchannel = "engine_sped_rpm"\n', encoding="utf-8")
    with pytest.raises(ValueError, match="perhaps engine_speed_rpm"):
        tunelab.read_log(SWEEP, channels=wrong)


def test_what_cannot_be_drawn_is_said():
    with pytest.raises(TypeError, match="a dict cannot be drawn here; this draws Drive, Dataset, DelayFit"):
        tunelab.draw({})


def test_the_package_alone_costs_no_import():
    code = "import sys, tunelab; print(sorted({'numpy', 'xarray', 'holoviews'} & set(sys.modules)))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert told.strip() == "[]"
    assert "fit" in dir(tunelab)
    with pytest.raises(AttributeError, match="no attribute 'fits'"):
        _ = tunelab.fits
