"""Kernels that are copied from one process: each begins clean, and none needs another."""

import logging
import os
import sys
import time

import pytest
from shared_record import write_notebook

from tunelab.record import kernels
from tunelab.record.execute import kernels_at, run_notebook

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="elsewhere each kernel starts by itself")
LOOK = "import colorsys, os, sys\nprint(os.getppid(), hasattr(colorsys, 'mark'))"
LOOK += "\nprint(os.getcwd(), os.environ.get('MARK'), sys.argv[0])"


def printed(run):
    assert run.failure == ""
    return "".join(output.get("text", "") for cell in run.executed.cells for output in cell.get("outputs", []))


def has_ended(kernel, patience_s=5.0):
    until = time.monotonic() + patience_s
    while kernel.poll() is None and time.monotonic() < until:
        time.sleep(0.05)
    return kernel.poll() is not None


def test_copied_kernels_begin_clean_and_neither_the_death_of_one_nor_of_their_source_hurts_another(
    tmp_path, monkeypatch
):
    mark = write_notebook(tmp_path, "mark", f"{LOOK}\ncolorsys.mark = 1\nos.environ['MARK'] = '1'\nos.chdir('/')")
    look = write_notebook(tmp_path, "look", LOOK)
    die = write_notebook(tmp_path, "die", "import os\nos.kill(os.getpid(), 9)")
    with kernels.kernels_copied([mark.path]), kernels_at(tmp_path, tmp_path):
        source = kernels._sources[-1]._process
        clean = f"{source.pid} False\n{tmp_path} None {kernels.KERNEL}\n"
        assert printed(run_notebook(mark, {"session": "s"}, tmp_path)) == clean
        assert run_notebook(die, {"session": "s"}, tmp_path).failure != ""
        assert printed(run_notebook(look, {"session": "s"}, tmp_path)) == clean
        left = kernels._sources[-1].copy([sys.executable, kernels.KERNEL, "-f", str(tmp_path / "c.json")], os.environ)
        assert left.poll() is None
        source.kill()  # as a system short of memory does
        assert has_ended(left)
        alone = printed(run_notebook(look, {"session": "s"}, tmp_path))
        assert alone.startswith(f"{os.getpid()} False\n{tmp_path} None ")
    assert kernels._sources == []


def test_a_kernel_that_is_told_to_end_complains_of_nothing_on_the_terminal(tmp_path):
    """It is interrupted first, and would log that as an error, in the middle of the progress bars."""
    level = "from traitlets.config import Application\nprint(Application.instance().log_level)"
    with kernels_at(tmp_path, tmp_path):
        run = run_notebook(write_notebook(tmp_path, "level", level), {"session": "s"}, tmp_path)
    assert int(printed(run)) > logging.ERROR


def test_a_kernel_that_still_runs_at_the_end_ends_with_its_source(tmp_path):
    with kernels.kernels_copied([]):
        source = kernels._sources[-1]
        kernel = source.copy([sys.executable, kernels.KERNEL, "-f", str(tmp_path / "c.json")], os.environ)
        assert kernel.poll() is None
    assert has_ended(kernel)
    assert source._process.returncode == 0


def test_what_a_notebook_imports_is_found_and_nothing_else_of_it_runs(tmp_path):
    notebook = write_notebook(
        tmp_path, "n", "import json\nfrom tunelab.study.delay import estimate_delay\nraise SystemExit", "%magic"
    )
    assert kernels.imported_by(notebook.path) == ["tunelab:record", "json", "tunelab.study.delay:estimate_delay"]
    assert kernels.imported_by(tmp_path / "none.ipynb") == []
