"""Run every notebook on the demo data and save its outputs in place, without the data of the figures.

By hand, after a change that a reader of the notebooks would see: `python tests/save_notebooks.py`. What is saved is
small, readable where no notebook can run, and what `test_notebooks.py` compares new runs with.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import nbformat
import papermill

from tunelab.record.display import FIGURE, PAGE_RUN, TABLE

NOTEBOOKS = Path(__file__).resolve().parents[1] / "notebooks"


def save(path: Path) -> None:
    """Execute one notebook from a clean kernel and write it back with its outputs."""
    os.environ[PAGE_RUN] = "1"
    with tempfile.TemporaryDirectory() as folder:
        done = papermill.execute_notebook(
            path, Path(folder) / path.name, kernel_name="python3", progress_bar=False, cwd=NOTEBOOKS
        )
    source = nbformat.read(path, as_version=4)
    for cell, ran in zip(source.cells, done.cells, strict=True):
        if cell.cell_type == "code":
            cell.execution_count = ran.execution_count
            cell.outputs = [slim(output) for output in ran.outputs if not is_noise(output)]
    nbformat.write(source, path)


def slim(output: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """Drop what only a page of a record can show."""
    for kind in (FIGURE, TABLE):
        output.get("data", {}).pop(kind, None)
    return output


def is_noise(output: nbformat.NotebookNode) -> bool:
    """Warnings of packages: they differ from one version to the next."""
    return output.output_type == "stream" and output.name == "stderr"


if __name__ == "__main__":
    for notebook in sorted(NOTEBOOKS.glob("*.ipynb")):
        save(notebook)
