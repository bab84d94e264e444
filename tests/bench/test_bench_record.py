"""How long `tunelab record` takes for all notebooks of a session, against empty notebooks with the same imports.

Empty: each notebook's first cell, which only imports, run by bare papermill, one after another. Processor seconds of
all processes together are what to compare on a machine that does other things too; on two idle cores the record takes
little more than half of them. Wanted: 40 s on two cores for every session. Then how long the program takes to start.
Run with `pytest -m bench -s tests/bench/test_bench_record.py`.
"""

import os
import resource
import shutil
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_notebook

ROOT = Path(__file__).parents[2]
SESSIONS = ("2026-05-03-steady", "2026-05-14-full-throttle")
EMPTY = "import papermill, sys\nfor path in sys.argv[1:]: papermill.execute_notebook(path, path, progress_bar=False)"
STARTS = 3


def spent(*command, folder=None):
    """Wall seconds and processor seconds of a command and all that it starts."""
    before, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([sys.executable, *map(str, command)], check=True, capture_output=True, cwd=folder)
    wall, after = time.perf_counter() - wall, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def empty_notebooks(names, folder):
    """The import cells alone, as notebooks."""
    for name in names:
        node = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
        imports = next(cell for cell in node.cells if cell.cell_type == "code")
        nbformat.write(new_notebook(cells=[imports], metadata=node.metadata), folder / f"{name}.ipynb")
        yield folder / f"{name}.ipynb"


@pytest.mark.bench
@pytest.mark.parametrize("session", SESSIONS)
def test_a_record_against_empty_notebooks(session, tmp_path, capsys):
    car = Path(shutil.copytree(ROOT / "data_demo", tmp_path / "car"))
    wall, processor = spent("-m", "tunelab", "record", car / "sessions" / session)
    names = sorted(path.stem for path in (car / "records" / session).glob("*.ipynb"))
    empty_wall, empty = spent("-c", EMPTY, *empty_notebooks(names, tmp_path), folder=tmp_path)
    with capsys.disabled():
        print(
            f"\n{session}: {', '.join(names)}\nrecord {wall:.1f} s ({processor:.1f} of the processor), empty notebooks "
            f"one after another {empty_wall:.1f} s ({empty:.1f}): {processor / empty:.2f} x; {os.cpu_count()} cores, "
            f"load {os.getloadavg()[0]:.1f}; aim 40 s on two idle cores"
        )


@pytest.mark.bench
def test_a_cold_start(tmp_path, capsys):
    wanted = {
        "Python alone": ("-c", "pass"),
        "numpy, pandas, xarray": ("-c", "import numpy, pandas, xarray"),
        "tunelab --help": ("-m", "tunelab", "--help"),
        "tunelab list": ("-m", "tunelab", "list"),
        "tunelab new": None,
        "tunelab inspect, a log of 20 minutes": ("-m", "tunelab", "inspect", _a_log()),
    }
    with capsys.disabled():
        print(f"\nleast of {STARTS}, load {os.getloadavg()[0]:.1f}")
        for name, command in wanted.items():
            times = [spent(*(command or ("-m", "tunelab", "new", tmp_path / f"car{k}"))) for k in range(STARTS)]
            wall, processor = (min(column) for column in zip(*times, strict=True))
            print(f"{name}: {wall:.2f} s ({processor:.2f} of the processor)")


def _a_log():
    return next((ROOT / "data_demo" / "sessions" / SESSIONS[0]).glob("*.csv*"))
