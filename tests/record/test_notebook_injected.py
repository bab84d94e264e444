"""What papermill by hand puts into a notebook: an unknown parameter stops it."""

import subprocess
import sys
from pathlib import Path

import pytest

from tunelab.record.notebook import NotebookError
from tunelab.record.opened import refuse_unknown, refuse_unknown_parameters

ROOT = Path(__file__).resolve().parents[2]
PARAMETERS = 'session = "a"  # folder\nout = ""  # folder'


def test_known_parameters_pass():
    refuse_unknown(["", "import json", PARAMETERS, '# Parameters\nsession = "b"\nout = "c"\n', "x = 1"])
    refuse_unknown(["", PARAMETERS, "sesion = 3"])  # a cell of the owner's, not papermill's
    refuse_unknown_parameters()  # no notebook runs here


def test_an_unknown_parameter_is_named_with_its_nearest():
    with pytest.raises(NotebookError, match="no parameter 'sesion'; the nearest known one is session"):
        refuse_unknown(["", "import json", PARAMETERS, '# Parameters\nsesion = "b"\n'])


def test_without_a_parameters_cell_none_is_known():
    with pytest.raises(NotebookError, match="no parameter 'session'; there are none"):
        refuse_unknown(["", '# Parameters\nsession = "b"\n', "import json"])


def test_plain_papermill_stops_at_an_unknown_parameter(tmp_path):
    command = [
        sys.executable,
        "-m",
        "papermill",
        "notebooks/link.ipynb",
        str(tmp_path / "out.ipynb"),
        "-p",
        "sesion",
        "x",
    ]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "the nearest known one is session" in done.stderr
