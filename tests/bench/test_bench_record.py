"""How long `tunelab record` takes for all notebooks of a session, against empty notebooks with the same imports.

Empty: each notebook's first cell, which only imports, run by the record's own runner, as many side by side, once with a
kernel of its own for each and once with kernels copied from one process, as the record has them; and by bare papermill
one after another. Processor seconds of all processes together are what to compare on a machine that does other things
too. Wanted: 40 s on two cores for every session, and at most 1.5 times the empty ones with kernels of their own.
Then how long the program takes to start, and what each command imports when it runs. Run with
`pytest -m bench -s tests/bench/test_bench_record.py`.
"""

import ast
import os
import resource
import shutil
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import numpy as np
import pytest
from nbformat.v4 import new_notebook

from tunelab.cli import COMMANDS

ROOT = Path(__file__).parents[2]
SESSIONS = ("2026-05-03-steady", "2026-05-14-full-throttle")
EMPTY = "import papermill, sys\nfor path in sys.argv[1:]: papermill.execute_notebook(path, path, progress_bar=False)"
SAME_RUNNER = """
import sys
from contextlib import nullcontext
from pathlib import Path
from tunelab.record.kernels import kernels_copied
from tunelab.record.notebook import choose_notebooks
from tunelab.record.opened import open_session
from tunelab.record.session import _run_all
session, folder, out = map(Path, sys.argv[2:])
opened = open_session(session)
notebooks = choose_notebooks(folder, tuple(opened.folder.session.steps), ())
with kernels_copied(n.path for n in notebooks) if sys.argv[1] == "copied" else nullcontext():
    _run_all(opened, notebooks, {}, out)
"""
STARTS = 3
ROUNDS = int(os.environ.get("RECORD_ROUNDS", "3"))


def spent(*command, folder=None):
    """Wall seconds and processor seconds of a command and all that it starts."""
    before, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([sys.executable, *map(str, command)], check=True, capture_output=True, cwd=folder)
    wall, after = time.perf_counter() - wall, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def empty_notebooks(names, folder):
    """Write the import cells alone, as notebooks."""
    for name in names:
        node = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
        imports = next(cell for cell in node.cells if cell.cell_type == "code")
        parameters = [cell for cell in node.cells if "parameters" in cell.metadata.get("tags", [])]
        cells = [node.cells[0], imports, *parameters]  # the first one's heading is the question
        nbformat.write(new_notebook(cells=cells, metadata=node.metadata), folder / f"{name}.ipynb")


@pytest.mark.bench
@pytest.mark.parametrize("session", SESSIONS)
def test_a_record_against_empty_notebooks(session, tmp_path, capsys):
    car = Path(shutil.copytree(ROOT / "data_demo", tmp_path / "car"))
    folder, out = tmp_path / "notebooks", tmp_path / "out"
    folder.mkdir()
    out.mkdir()
    empty_notebooks(sorted(path.stem for path in (ROOT / "notebooks").glob("*.ipynb")), folder)
    rounds = []
    for _ in range(ROUNDS):  # interleaved, so that what else the machine does hits all alike
        record = spent("-m", "tunelab", "record", car / "sessions" / session)
        own, copied = (
            spent("-c", SAME_RUNNER, how, car / "sessions" / session, folder, out) for how in ("own", "copied")
        )
        rounds.append((record, own, copied))
    names = sorted(path.stem for path in out.glob("*.ipynb"))
    bare = spent("-c", EMPTY, *(folder / f"{name}.ipynb" for name in names), folder=tmp_path)
    record, own, copied = np.median(rounds, axis=0)
    of_own = np.median([np.divide(record, own) for record, own, _ in rounds], axis=0)
    of_copied = np.median([np.divide(record, copied) for record, _, copied in rounds], axis=0)
    with capsys.disabled():
        print(
            f"\n{session}: {', '.join(names)}\nmedians of {ROUNDS} rounds, wall and processor seconds: record "
            f"{record[0]:.1f}, {record[1]:.1f}; empty through the same runner, kernels of their own {own[0]:.1f}, "
            f"{own[1]:.1f}: of each round by itself {of_own[0]:.2f} x and {of_own[1]:.2f} x in the median; copied "
            f"kernels {copied[0]:.1f}, {copied[1]:.1f}: {of_copied[0]:.2f} x and {of_copied[1]:.2f} x; bare papermill "
            f"one after another {bare[0]:.1f}, {bare[1]:.1f}; {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
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


def imports_of(command):
    """The lines that import something of the kit's in a command's function and in those of its module that it calls."""
    tree = ast.parse((ROOT / "tunelab" / "cli" / f"{COMMANDS[command]}.py").read_text(encoding="utf-8"))
    functions = {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}
    reached, ahead = {}, [f"run_{command}"]
    while ahead:
        name = ahead.pop()
        if name in functions and name not in reached:
            reached[name] = list(ast.walk(functions[name]))
            ahead += [node.id for node in reached[name] if isinstance(node, ast.Name)]
    found = (node for nodes in reached.values() for node in nodes if isinstance(node, ast.ImportFrom))
    return "\n".join(dict.fromkeys(ast.unparse(node) for node in found if (node.module or "").startswith("tunelab")))


@pytest.mark.bench
def test_what_each_command_imports(capsys):
    least = {"(Python alone)": "pass", "--help": "import tunelab.cli", **{name: imports_of(name) for name in COMMANDS}}
    times = {name: [spent("-c", code) for _ in range(STARTS)] for name, code in least.items()}
    with capsys.disabled():
        print(f"\nleast of {STARTS}, load {os.getloadavg()[0]:.1f}: all that a command may import when it runs")
        for name, spans in times.items():
            wall, processor = np.min(spans, axis=0)
            print(f"{name}: {wall:.2f} s ({processor:.2f} of the processor)")


def _a_log():
    return next((ROOT / "data_demo" / "sessions" / SESSIONS[0]).glob("*.csv*"))
