"""The short answer of a session without its record: a notebook's calculation without its pages.

An archive of a thousand sessions and a short answer by the roadside need the findings, not the figures. Taking the
statements from the notebook itself, rather than writing them down again, is what keeps their numbers those of
`tunelab record`.

The calculations are the notebooks' own statements, the words those of the summary. No kernel is started, nothing is
drawn and no record is written; what was fitted is kept, as a record keeps it, so that the next one need not fit it.
"""

from __future__ import annotations

import ast
import datetime
import functools
import gc
import hashlib
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from types import CodeType
from typing import Any

from tunelab.record.chapter import Chapter, read_chapters, write
from tunelab.record.evidence import KEPT, Evidence, fits_kept, gather_evidence
from tunelab.record.link import unasked_link
from tunelab.record.notebook import Notebook, NotebookError, Value, is_parameters, read_cells
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.results import results_data, stopped_checks
from tunelab.record.stored import RECORDS
from tunelab.record.summary import summary_page

CHAPTER = "__chapter__"
READERS = {"open_session": "__open_session__", "gather_evidence": "__gather_evidence__"}  # given by the archive
CHANGES_IN_PLACE = frozenset(
    {"add", "append", "clear", "discard", "extend", "insert", "pop", "popitem", "remove", "reverse", "setdefault",
     "sort", "update"}
)  # fmt: skip


@dataclass(frozen=True)
class Calculation:
    """What a notebook calculates, ready to run."""

    notebook: Notebook
    source: str  # the statements that count, as text; the same text gives the same result

    def run(
        self, parameters: Mapping[str, Value], open_session: Callable[..., Any], gather_evidence: Callable[..., Any]
    ) -> Chapter:
        """Run it in a namespace of its own; raises whatever the notebook would.

        Parameters
        ----------
        parameters : mapping
            Every parameter of the notebook, checked.
        open_session, gather_evidence : callable
            Take the place of those of `tunelab.record`.
        """
        readers = dict(zip(READERS.values(), (open_session, gather_evidence), strict=True))
        namespace: dict[str, Any] = {"__name__": self.notebook.name, **parameters, **readers}
        exec(_compiled(self.source, self.notebook.path.name), namespace)  # as its kernel would
        return namespace[CHAPTER]


def read_calculation(notebook: Notebook) -> Calculation:
    """Take from a notebook what its last call stands on.

    Raises
    ------
    NotebookError
        It cannot be parsed, or does not end with `record.write(out, <chapter>)`.
    """
    statements = _statements(notebook.path)
    chapter = _written(statements[-1]) if statements else None
    if chapter is None:
        raise NotebookError(f"{notebook.path.name}: its last code cell must end with record.write(out, <chapter>).")
    kept = [*_leading_to(statements[:-1], chapter), ast.Assign([ast.Name(CHAPTER, ast.Store())], chapter)]
    module = ast.fix_missing_locations(_OwnReaders().visit(ast.Module(kept, [])))
    return Calculation(notebook, ast.unparse(module))


class Shared:
    """Runs several calculations of one session, and makes each call that they have in common only once.

    Two calls are the same where their text is and everything that they read came about in the same way.
    """

    def __init__(self) -> None:
        self._known: dict[str, dict[str, Any]] = {}  # how something came about -> the names that it set

    def run(
        self,
        calculation: Calculation,
        parameters: Mapping[str, Value],
        open_session: Callable[..., Any],
        gather_evidence: Callable[..., Any],
    ) -> Chapter:
        """Run one, as `Calculation.run` does, with what the ones before have made."""
        readers = dict(zip(READERS.values(), (open_session, gather_evidence), strict=True))
        namespace: dict[str, Any] = {"__name__": calculation.notebook.name, **parameters, **readers}
        origin = {name: repr(value) for name, value in parameters.items()}
        for statement in ast.parse(calculation.source).body:
            text = ast.unparse(statement)
            names, came = sorted(set(_changed(statement))), [origin.get(name, "") for name in sorted(_read(statement))]
            key = hashlib.sha256("\0".join([text, *came]).encode()).hexdigest()
            if key not in self._known or not _is_call(statement):
                exec(_compiled(text, calculation.notebook.path.name), namespace)
                self._known[key] = {name: namespace[name] for name in names if name in namespace}
            namespace |= self._known[key]
            origin |= dict.fromkeys(names, key)
        return namespace[CHAPTER]


def _is_call(statement: ast.stmt) -> bool:
    """Whether a statement only names what a call gives back, so that it can be given again."""
    return isinstance(statement, ast.Assign) and isinstance(statement.value, ast.Call)


@functools.lru_cache(maxsize=64)
def _compiled(source: str, name: str) -> CodeType:
    return compile(source, name, "exec")


def _statements(path: Path) -> list[ast.stmt]:
    """All statements of the code cells but those of the parameters, whose values are given."""
    cells = [cell for cell in read_cells(path)[1] if cell.get("cell_type") == "code"]
    counted = [cell["source"] for cell in cells if not is_parameters(cell)]
    try:
        return [statement for source in counted for statement in ast.parse(source).body]
    except SyntaxError as error:
        raise NotebookError(f"{path.name}: a code cell cannot be read as Python: {error}") from error


def _written(statement: ast.stmt) -> ast.expr | None:
    """The chapter in `record.write(out, <chapter>)`; None for any other statement."""
    call = statement.value if isinstance(statement, ast.Expr) else None
    is_write = isinstance(call, ast.Call) and ast.unparse(call.func) == "record.write" and len(call.args) == 2
    return call.args[1] if isinstance(call, ast.Call) and is_write else None


def _leading_to(statements: list[ast.stmt], result: ast.expr) -> list[ast.stmt]:
    """Statements that the result depends on, found backwards: who sets a name that is needed is needed."""
    needed, kept = _read(result), []
    for statement in reversed(statements):
        changed = set(_changed(statement))
        if not changed & needed:
            continue
        if isinstance(statement, (ast.Import, ast.ImportFrom)):
            statement = _only_names(statement, needed)
        kept.append(statement)
        if isinstance(statement, (ast.Assign, ast.Import, ast.ImportFrom)):
            needed -= set(_set_anew(statement))
        needed |= _read(statement)
    return kept[::-1]


def _read(node: ast.AST) -> set[str]:
    names = {item.id for item in ast.walk(node) if isinstance(item, ast.Name) and isinstance(item.ctx, ast.Load)}
    return names | (
        {node.target.id} if isinstance(node, ast.AugAssign) and isinstance(node.target, ast.Name) else set()
    )


def _changed(statement: ast.stmt) -> Iterator[str]:
    """Names that a statement sets, or whose value it may change in place."""
    yield from _set_anew(statement)
    for node in ast.walk(statement):
        if isinstance(node, (ast.Attribute, ast.Subscript)) and isinstance(node.ctx, (ast.Store, ast.Del)):
            yield from _read(node.value)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in CHANGES_IN_PLACE:
            yield from _read(node.func.value)


def _set_anew(statement: ast.stmt) -> Iterator[str]:
    for node in ast.walk(statement):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id
        if isinstance(node, ast.alias):
            yield _bound(node)
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            yield node.name


def _bound(alias: ast.alias) -> str:
    return alias.asname or alias.name.partition(".")[0]


def _only_names(statement: ast.Import | ast.ImportFrom, needed: set[str]) -> ast.stmt:
    names = [alias for alias in statement.names if _bound(alias) in needed]
    if isinstance(statement, ast.Import):
        return ast.Import(names)
    return ast.ImportFrom(statement.module, names, statement.level)


class _OwnReaders(ast.NodeTransformer):
    """Let `record.open_session` and `record.gather_evidence` be the archive's own."""

    def visit_Call(self, node: ast.Call) -> ast.AST:
        self.generic_visit(node)
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in READERS:
            node.func = ast.Name(READERS[name], ast.Load())
        return node


@dataclass(frozen=True)
class Ran:
    """How the calculation of one notebook ended; what a record says of a run."""

    notebook: Notebook
    failure: str  # one line; empty when it came to its end

    @property
    def failed(self) -> bool:
        """Whether it did not come to its end."""
        return bool(self.failure)


@dataclass(frozen=True)
class QuickAnswer:
    """What a record would begin with."""

    short: tuple[str, ...]
    stopped: tuple[str, ...]  # checks of the log that withheld what rests on it, each with its reason
    runs: tuple[Ran, ...]
    results: Mapping[str, Any]  # what would stand in results.json


def answer_quickly(
    opened: OpenedSession, notebooks: Sequence[Notebook], settings: Mapping[str, Mapping[str, Value]]
) -> QuickAnswer:
    """Give the short answer that `record_session` would, without a record.

    Parameters
    ----------
    opened : OpenedSession
        The session.
    notebooks : sequence of Notebook
        What to ask of it.
    settings : mapping
        For each notebook's name the parameters to set, already checked.

    Raises
    ------
    ValueError, OSError
        The log cannot be read.
    """
    kept = opened.workspace.root / RECORDS / KEPT
    with fits_kept(kept), TemporaryDirectory(prefix="tunelab-") as folder, warnings.catch_warnings():
        gc.freeze()  # what was imported stays: no need to look through it for garbage time and again
        evidence, desk = gather_evidence(opened), Shared()
        warnings.simplefilter("ignore")  # as the kernels of a record have it
        place = Path(folder)
        runs = [
            _run(desk, notebook, settings.get(notebook.name, {}), evidence, opened, place) for notebook in notebooks
        ]
        names = [run.notebook.name for run, _ in runs]
        chapters = read_chapters(place, names) + unasked_link(opened, evidence, names)
        now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        results = results_data(opened, evidence, chapters, runs, {"finished": now})
        _, short = summary_page(place, opened, evidence, chapters, results)
    stopped = tuple(stopped_checks(results["findings"]))
    return QuickAnswer(short, stopped, tuple(run for run, _ in runs), results)


def _run(
    desk: Shared, notebook: Notebook, given: Mapping[str, Value], evidence: Evidence, opened: OpenedSession, place: Path
) -> tuple[Ran, dict[str, Value]]:
    """Make one notebook's calculation, and leave its chapter where a record's notebooks leave theirs."""

    def open_one(path: str | Path, *, beside: OpenedSession | None = None) -> OpenedSession:
        return opened if str(path) == opened.name else open_session(path, beside=beside or opened)

    def read_one(one: OpenedSession) -> Evidence:
        return evidence if one.name == opened.name else gather_evidence(one)

    parameters = {p.name: p.default for p in notebook.parameters if p.name != "out"}
    parameters |= {**given, "session": opened.name}
    try:
        write(str(place), desk.run(read_calculation(notebook), parameters, open_one, read_one))
    except OSError:
        raise  # nothing that the log is to blame for
    except Exception as error:  # noqa: BLE001 - whatever stops one notebook stops only that one, as in a record
        first = next((line.strip() for line in str(error).splitlines() if line.strip()), "no message")
        return Ran(notebook, f"{type(error).__name__}: {first}"), parameters
    return Ran(notebook, ""), parameters
