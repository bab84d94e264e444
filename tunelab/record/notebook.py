"""The kit's notebooks: where they are, which steps they serve, which parameters they take."""

from __future__ import annotations

import ast
import io
import json
import tokenize
from dataclasses import dataclass
from pathlib import Path

from tunelab.workspace.wanted import nearest

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


def notebooks_folder() -> Path:
    """Return the folder of notebooks in the checkout that tunelab was installed from.

    Raises
    ------
    NotebookError
        There is none: tunelab was installed without its checkout.
    """
    return checkout_folder("notebooks")


def checkout_folder(name: str) -> Path:
    """Return a top-level folder of the checkout; NotebookError says how to get one."""
    folder = Path(__file__).resolve().parents[2] / name
    if not folder.is_dir():
        raise NotebookError(
            f"The folder {name}/ is not beside the installed package. tunelab runs from a checkout: "
            "get the sources and install them with `pip install -e .` as the README says."
        )
    return folder


def find_notebooks(folder: Path) -> tuple[Notebook, ...]:
    """Read every notebook of a folder, in the order in which the summary shows them."""
    notebooks = [read_notebook(path) for path in folder.glob("*.ipynb")]
    return tuple(sorted(notebooks, key=lambda notebook: (notebook.order, notebook.name)))


def choose_notebooks(folder: Path, steps: tuple[str, ...], names: tuple[str, ...]) -> tuple[Notebook, ...]:
    """Choose the notebooks named, or else those that serve one of the session's steps.

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
    chosen = [n for n in available.values() if n.name in names or (not names and set(n.steps) & set(steps))]
    if not chosen:
        served = sorted({step for notebook in available.values() for step in notebook.steps})
        raise NotebookError(f"No notebook serves the step {', '.join(steps)}; there are some for {', '.join(served)}.")
    return tuple(chosen)


def read_notebook(path: Path) -> Notebook:
    """Read what a notebook asks and takes.

    Raises
    ------
    NotebookError
        It cannot be read, or a cell tagged `parameters` is missing or holds more than plain values.
    """
    try:
        about, cells = _about_and_cells(path)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise NotebookError(f"{path.name} cannot be read as a notebook: {error}") from error
    steps, order = tuple(about.get("steps", ())), int(about.get("order", 50))
    return Notebook(path.stem, path, _title(cells), steps, _parameters(cells, path), order)


@dataclass(frozen=True)
class _Cell:
    kind: str
    tags: tuple[str, ...]
    source: str


def _about_and_cells(path: Path) -> tuple[dict, list[_Cell]]:
    """Read a notebook as plain JSON: the library that knows the format takes a second to be imported."""
    node = json.loads(path.read_text(encoding="utf-8"))
    if node["nbformat"] != 4:
        raise ValueError(f"its format is {node['nbformat']}, and 4 is wanted")
    cells = [
        _Cell(cell["cell_type"], tuple(cell.get("metadata", {}).get("tags", ())), "".join(cell["source"]))
        for cell in node["cells"]
    ]
    return dict(node.get("metadata", {}).get("tunelab", {})), cells


def _title(cells: list[_Cell]) -> str:
    for cell in cells:
        for line in cell.source.splitlines() if cell.kind == "markdown" else ():
            if line.startswith("# "):
                return line[2:].strip()
    return ""


def _parameters(cells: list[_Cell], path: Path) -> tuple[Parameter, ...]:
    tagged = [cell for cell in cells if cell.kind == "code" and "parameters" in cell.tags]
    if len(tagged) != 1:
        raise NotebookError(
            f"{path.name} has {len(tagged)} cells tagged `parameters`; it needs exactly one, with plain values, "
            "or nothing could tell it which session to read."
        )
    return _read_parameters(tagged[0].source, path)


def _read_parameters(source: str, path: Path) -> tuple[Parameter, ...]:
    try:
        comments, body = _comments(source), ast.parse(source).body
    except (SyntaxError, ValueError, tokenize.TokenError, RecursionError) as error:
        raise NotebookError(f"{path.name}, parameters cell: this is no Python ({error}).") from error
    found = []
    for statement in body:
        target = _assigned(statement)
        if target is None:
            raise NotebookError(
                f"{path.name}, parameters cell, line {statement.lineno}: only `name = plain value` here."
            )
        try:
            value = ast.literal_eval(statement.value)
        except ValueError as error:
            raise NotebookError(f"{path.name}, parameter {target}: its default must be a plain value.") from error
        found.append(Parameter(target, value, comments.get(statement.end_lineno, "")))
    return tuple(found)


def _assigned(statement: ast.stmt) -> str | None:
    if isinstance(statement, ast.Assign) and len(statement.targets) == 1 and isinstance(statement.targets[0], ast.Name):
        return statement.targets[0].id
    if isinstance(statement, ast.AnnAssign) and isinstance(statement.target, ast.Name) and statement.value:
        return statement.target.id
    return None


def _comments(source: str) -> dict[int, str]:
    tokens = tokenize.generate_tokens(io.StringIO(source).readline)
    return {token.start[0]: token.string.lstrip("# ").strip() for token in tokens if token.type == tokenize.COMMENT}
