"""The kit's notebooks: where they are, which steps they serve, which parameters they take."""

from __future__ import annotations

import ast
import io
import json
import tokenize
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tunelab.workspace.problem import nearest

Value = str | int | float | bool | list | None
SET_BY_THE_RUN = ("session", "out")  # parameters that the command fills in itself


class NotebookError(ValueError):
    """A notebook cannot be found or run as it is; the message is for people."""


@dataclass(frozen=True)
class Parameter:
    """One parameter of a notebook, as its parameters cell states it."""

    name: str
    default: Value
    comment: str  # its unit and meaning


@dataclass(frozen=True)
class Notebook:
    """One question that the kit can ask of a session."""

    name: str
    path: Path
    question: str
    steps: tuple[str, ...]
    parameters: tuple[Parameter, ...]
    order: int = 50  # its place in the summary; lower comes first
    load_from: tuple[str, ...] = ()  # kinds of car that it is for, by car.toml; empty: every car
    answer: tuple[str, ...] = ()  # ids of the findings that answer its question; empty: the one nearest to its limit

    def parameter(self, name: str) -> Parameter:
        """Look up one parameter; NotebookError names the nearest one."""
        for parameter in self.parameters:
            if parameter.name == name:
                return parameter
        known = [parameter.name for parameter in self.parameters]
        raise NotebookError(f"The notebook {self.name} has no parameter {name!r}; {hint(name, known)}")


def hint(name: str, known: list[str]) -> str:
    """End a message about an unknown name: the nearest known one, or all of them."""
    near = nearest(name, known)
    if near:
        return f"the nearest known one is {near}."
    return f"there are {', '.join(known)}." if known else "there are none."


def kit_home() -> Path:
    """Return the folder that holds the kit's notebooks and demo: within an installed package, else its checkout."""
    package = Path(__file__).resolve().parents[1]
    shipped = package / "shipped"
    return shipped if shipped.is_dir() else package.parent


def notebooks_folder() -> Path:
    """Return the folder of the kit's own notebooks; NotebookError where an installation lacks it."""
    return kit_folder("notebooks")


def kit_folder(name: str) -> Path:
    """Return a folder that comes with the kit, `notebooks` or `data_demo`.

    Raises
    ------
    NotebookError
        It is missing: the package was copied without it.
    """
    folder = kit_home() / name
    if not folder.is_dir():
        raise NotebookError(
            f"The folder {name}/ that belongs to tunelab is not at {kit_home()}: the installation is not whole. "
            "Install it again from its wheel, or from its sources with `pip install -e .` as the README says."
        )
    return folder


def find_notebooks(folder: Path) -> tuple[Notebook, ...]:
    """Read every notebook of a folder, in the order in which the summary shows them."""
    notebooks = [read_notebook(path) for path in folder.glob("*.ipynb")]
    return tuple(sorted(notebooks, key=lambda notebook: (notebook.order, notebook.name)))


def choose_notebooks(
    folder: Path, steps: tuple[str, ...], names: tuple[str, ...], *, load_from: str = "air_meter"
) -> tuple[Notebook, ...]:
    """Choose the notebooks named, or else those that serve one of the session's steps and this kind of car.

    `load_from` is what the car's ECU takes the air from, as car.toml says.

    Raises
    ------
    NotebookError
        An unknown name, or no notebook for these steps.
    """
    available = {notebook.name: notebook for notebook in find_notebooks(folder)}
    for name in names:
        if name not in available:
            raise NotebookError(f"There is no notebook {name!r}; {hint(name, list(available))}")
        if all(parameter.name != "session" for parameter in available[name].parameters):
            raise NotebookError(f"The notebook {name} reads a whole workspace: tunelab ready --page.")
    serving = [n for n in available.values() if set(n.steps) & set(steps) and is_for(n, load_from)]
    chosen = [n for n in available.values() if n.name in names] if names else serving
    if not chosen:
        served = sorted({step for notebook in available.values() for step in notebook.steps})
        raise NotebookError(f"No notebook serves the step {', '.join(steps)}; there are some for {', '.join(served)}.")
    return tuple(chosen)


def is_for(notebook: Notebook, load_from: str) -> bool:
    """Whether a notebook's question makes sense for a car whose ECU takes the air from this."""
    return not notebook.load_from or load_from in notebook.load_from


def read_notebook(path: Path) -> Notebook:
    """Read what a notebook asks and takes.

    Raises
    ------
    NotebookError
        It cannot be read, or a cell tagged `parameters` is missing or holds more than plain values.
    """
    metadata, cells = read_cells(path)
    try:
        about = metadata.get("tunelab", {})
        steps, order = tuple(about.get("steps", ())), int(about.get("order", 50))
        answer, load_from = tuple(about.get("answer", ())), tuple(about.get("load_from", ()))
    except (ValueError, TypeError, AttributeError, OverflowError) as error:
        raise NotebookError(
            f"{path.name}: what its metadata says under tunelab cannot be used ({error}); wanted `order`, a number, "
            "and `steps`, `answer` and `load_from`, lists of names."
        ) from error
    return Notebook(path.stem, path, _title(cells), steps, _parameters(cells, path), order, load_from, answer)


def read_cells(path: Path) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Read a notebook's metadata and its cells, the source of each as one text.

    A notebook of format 4 is JSON of a published form (https://nbformat.readthedocs.io/en/latest/format_description.html);
    what is read here needs no more than that, and the library for all of it takes a second to load.

    Raises
    ------
    NotebookError
        It cannot be read, or is no notebook of format 4.
    """
    try:
        node = json.loads(path.read_text(encoding="utf-8"))
        if node["nbformat"] != 4:
            raise ValueError(f"format {node['nbformat']}, wanted 4")
        cells = [
            {**cell, "source": "".join(cell["source"]), "metadata": {**cell.get("metadata", {})}}
            for cell in node["cells"]
        ]
        return {**node.get("metadata", {})}, cells
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise NotebookError(f"{path.name} cannot be read as a notebook: {error}") from error


def _title(cells: Sequence[Mapping[str, Any]]) -> str:
    for cell in cells:
        for line in cell["source"].splitlines() if cell.get("cell_type") == "markdown" else ():
            if line.startswith("# "):
                return line[2:].strip()
    return ""


def is_parameters(cell: Mapping[str, Any]) -> bool:
    """Whether a code cell is the one that holds the parameters."""
    tags = cell["metadata"].get("tags", [])
    return isinstance(tags, list) and "parameters" in tags


def _parameters(cells: Sequence[Mapping[str, Any]], path: Path) -> tuple[Parameter, ...]:
    found = [cell for cell in cells if cell.get("cell_type") == "code" and is_parameters(cell)]
    if len(found) != 1:
        raise NotebookError(
            f"{path.name} has {len(found)} cells tagged `parameters`; it needs exactly one, with plain values, "
            "or nobody could say which session it reads."
        )
    return _read_parameters(found[0]["source"], path)


def _read_parameters(source: str, path: Path) -> tuple[Parameter, ...]:
    try:
        comments, body = _comments(source), ast.parse(source).body
    except (SyntaxError, ValueError, tokenize.TokenError, RecursionError) as error:
        raise NotebookError(f"{path.name}, parameters cell: this is no Python ({error}).") from error
    found = []
    for statement in body:
        assigned = _assigned(statement)
        if assigned is None:
            raise NotebookError(
                f"{path.name}, parameters cell, line {statement.lineno}: only `name = plain value` here."
            )
        target, given = assigned
        try:
            value = ast.literal_eval(given)
        except ValueError as error:
            raise NotebookError(f"{path.name}, parameter {target}: its default must be a plain value.") from error
        found.append(Parameter(target, value, comments.get(statement.end_lineno or 0, "")))
    return tuple(found)


def _assigned(statement: ast.stmt) -> tuple[str, ast.expr] | None:
    """Name and value of a plain assignment; None for any other statement."""
    if isinstance(statement, ast.Assign) and len(statement.targets) == 1 and isinstance(statement.targets[0], ast.Name):
        return statement.targets[0].id, statement.value
    if isinstance(statement, ast.AnnAssign) and isinstance(statement.target, ast.Name) and statement.value:
        return statement.target.id, statement.value
    return None


def _comments(source: str) -> dict[int, str]:
    tokens = tokenize.generate_tokens(io.StringIO(source).readline)
    return {token.start[0]: token.string.lstrip("# ").strip() for token in tokens if token.type == tokenize.COMMENT}
