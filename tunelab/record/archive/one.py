"""The standard analysis of one session, and what it gives the archive in a file of its own."""

from __future__ import annotations

import datetime
import functools
import json
import os
import re
import tempfile
import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl

from tunelab.lazy import as_if_missing
from tunelab.record.archive.stamps import Desk, Stamps, parameters_of
from tunelab.record.chapter import Chapter, as_data
from tunelab.record.evidence import digest
from tunelab.record.execute import Run, first_line
from tunelab.record.notebook import Value
from tunelab.record.opened import open_session
from tunelab.record.quick import Calculation
from tunelab.record.results import all_findings, tidy
from tunelab.workspace import Workspace, open_workspace
from tunelab.workspace.disk import replace_file

with as_if_missing("rfc3987_syntax"):  # a second, for addresses that no notebook holds
    import nbformat

SCHEMA = "tunelab-archive/1"
PARTS = "parts"


@dataclass(frozen=True)
class Part:
    """The standard analysis of one session."""

    folder: str  # of the car, from the archive's folder on
    session: str
    car: str = ""
    date: str = ""  # ISO 8601
    steps: tuple[str, ...] = ()
    revision: str = ""
    basis: str = ""  # stamp of calculation, parameters, versions
    stamps: dict[str, str] = field(default_factory=dict)  # of every file of the owner's that was asked for
    failure: str = ""  # why the session gave nothing; empty when it did
    samples: int | None = None
    duration_s: float | None = None
    pages: str = ""  # folder of the record with pages, from the archive's own folder on; empty: none was made
    pages_failure: str = ""
    findings: tuple[dict[str, Any], ...] = ()
    tables: dict[str, dict[str, list]] = field(default_factory=dict)  # name → column → values
    schema: str = SCHEMA

    @property
    def place(self) -> str:
        """Name for people: car folder and session."""
        return f"{self.folder}: {self.session}" if self.session else self.folder


def part_path(out: Path, folder: str, session: str) -> Path:
    """File of a session's part in the archive's own folder."""
    words = re.sub(r"[^\w.-]+", "-", session)[:60]
    return out / PARTS / f"{words}-{digest([folder, session])[:16]}.json"


def write_part(path: Path, part: Part) -> None:
    """Write a part beside its place and rename it in."""
    path.parent.mkdir(parents=True, exist_ok=True)
    descriptor, beside = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=".unfinished", dir=path.parent)
    try:
        with open(descriptor, "w", encoding="utf-8", newline="\n") as handle:
            json.dump(asdict(part), handle, ensure_ascii=False, allow_nan=False)
            handle.flush()
            os.fsync(handle.fileno())
        replace_file(Path(beside), path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def read_part(path: Path) -> Part | None:
    """Read a part; None where there is none, or one of another version or one that is no part at all."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(data, dict) or data.get("schema") != SCHEMA or set(data) != {f.name for f in fields(Part)}:
        return None
    return Part(**data | {"steps": tuple(data["steps"]), "findings": tuple(data["findings"])})


FINDINGS = "findings.parquet"  # one row per finding
SESSIONS = "sessions.parquet"  # one row per session, also those that gave nothing
TABLES = "tables"  # one data set per table of the record that is asked across cars
AT_A_TIME = 100  # parts in memory
GATHERED = (
    "breaches", "coast_runs", "coverage", "dead_time", "excursions", "fuel_cuts", "full_throttle", "gear_speeds",
    "idle", "launches", "link_drop_outs", "link_rates", "meter_curve", "noise", "power_curve", "power_inputs",
    "returns_to_idle", "road_load", "shift_points", "table_cells", "trims",
)  # fmt: skip
ABOUT = {"car": pl.String, "folder": pl.String, "session": pl.String, "date": pl.Date, "revision": pl.String}
FINDING = {
    "notebook": pl.String, "id": pl.String, "title": pl.String, "status": pl.String, "value": pl.Float64,
    "lower": pl.Float64, "upper": pl.Float64, "unit": pl.String, "confidence": pl.Float64, "limit": pl.Float64,
    "samples_used": pl.Int64, "samples_flagged": pl.Int64, "because": pl.String,
}  # fmt: skip
SESSION = {
    "steps": pl.List(pl.String), "failure": pl.String, "samples": pl.Int64, "duration_s": pl.Float64,
    "pages": pl.String, "pages_failure": pl.String,
}  # fmt: skip


def gather(parts: Iterable[Part], out: Path) -> dict[str, int]:
    """Write the data sets anew from parts, each beside its place and renamed in.

    Parameters
    ----------
    parts : iterable of Part
        In the order of the rows; read as they are needed, so that memory does not grow with the archive.
    out : Path
        The archive's own folder.

    Returns
    -------
    dict
        Rows by file.
    """
    with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=out) as scratch:
        pieces = _pieces(parts, Path(scratch))
        rows = {name: _join(paths, out / name) for name, paths in sorted(pieces.items())}
    for old in (out / TABLES).glob("*.parquet"):
        if f"{TABLES}/{old.name}" not in rows:
            old.unlink()
    return rows


def _pieces(parts: Iterable[Part], scratch: Path) -> dict[str, list[Path]]:
    """Write each hundred parts to files of their own, by data set."""
    pieces: dict[str, list[Path]] = {}
    parts = iter(parts)
    while some := list(islice(parts, AT_A_TIME)):
        for name, frame in _frames(some):
            written = pieces.setdefault(name, [])
            path = scratch / f"{len(written)}-{name.replace('/', '-')}"
            frame.write_parquet(path)
            written.append(path)
    return pieces


def _frames(parts: Sequence[Part]) -> Iterator[tuple[str, pl.DataFrame]]:
    yield SESSIONS, _frame([_about(p) | {name: getattr(p, name) for name in SESSION} for p in parts], SESSION)
    found = [_about(p) | {name: item[name] for name in FINDING} for p in parts for item in [*p.findings, *_nothing(p)]]
    yield FINDINGS, _frame(found, FINDING)
    for name in GATHERED:
        tables = [_table(part, part.tables[name]) for part in parts if part.tables.get(name)]
        if tables:
            yield f"{TABLES}/{name}.parquet", pl.concat(tables, how="diagonal_relaxed")


def _nothing(part: Part) -> list[dict[str, Any]]:
    """A session that gave nothing has one finding that says so: missing evidence is `not_shown`, not absent."""
    return [nothing_shown(part.failure)] if part.failure else []


def nothing_shown(because: str) -> dict[str, Any]:
    """Finding of a session that gave nothing, with the reason."""
    known = {"id": "session.run", "title": "Whether the session could be analysed", "status": "not_shown"}
    return dict.fromkeys(FINDING) | known | {"because": because}


def _about(part: Part) -> dict[str, Any]:
    date = datetime.date.fromisoformat(part.date) if part.date else None
    return {"car": part.car, "folder": part.folder, "session": part.session, "date": date, "revision": part.revision}


def _frame(rows: list[dict[str, Any]], schema: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=ABOUT | schema, orient="row")


def _table(part: Part, columns: dict[str, list]) -> pl.DataFrame:
    """One table with what it is of in front; a name that both have is the table's own with `table_` before it."""
    own = {f"table_{name}" if name in ABOUT else name: _column(values) for name, values in columns.items()}
    frame = pl.DataFrame(own)
    about = [pl.lit(value, dtype=ABOUT[name]).alias(name) for name, value in _about(part).items()]
    return frame.select(*about, pl.all())


def _column(values: list) -> pl.Series:
    """Numbers where all are numbers, else text: the same kind whatever a session happens to have."""
    present = [value for value in values if value is not None]
    if all(isinstance(value, bool) for value in present) and present:
        return pl.Series(values, dtype=pl.Boolean)
    if all(isinstance(value, (int, float)) for value in present):
        return pl.Series(values, dtype=pl.Float64, strict=False)
    return pl.Series([None if value is None else str(value) for value in values], dtype=pl.String)


def _join(paths: list[Path], target: Path) -> int:
    """Put pieces into one file without holding them all in memory; returns the number of rows."""
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = target.with_name(f".{target.name}.{os.getpid()}.unfinished")
    try:
        joined = pl.concat([pl.scan_parquet(path) for path in paths], how="diagonal_relaxed")
        joined.sink_parquet(beside)
        replace_file(beside, target)
    finally:
        beside.unlink(missing_ok=True)
    return pl.scan_parquet(target).select(pl.len()).collect().item()


PAGES = "pages"


@dataclass(frozen=True)
class Task:
    """One session to analyse."""

    root: Path  # of the workspace
    folder: str  # the same, from the archive's folder on
    session: str
    leave_out: tuple[str, ...]  # sessions of the workspace that cannot be used
    calculations: tuple[Calculation, ...]
    settings: dict[str, dict[str, Value]]  # by notebook
    basis: str
    out: Path  # the archive's own folder
    pages: bool
    run: str  # name of this run: within one, a workspace is opened once

    @property
    def place(self) -> str:
        """Name for people."""
        return f"{self.folder}: {self.session}"


def analyse(task: Task) -> str:
    """Analyse a session, write its part, and return the path of it.

    A task that a lost worker had already done is not done again.

    Raises
    ------
    OSError
        The part cannot be written, or a log is on a disk that does not answer; another run may do better.
    """
    path = part_path(task.out, task.folder, task.session)
    workspace, stamps = _opened(task.root, task.leave_out, task.run)
    before = read_part(path)
    if before and is_current(before, task, stamps):
        return str(path)
    part = _analysed(task, workspace, stamps)
    write_part(path, _with_pages(part, task) if task.pages else part)
    return str(path)


def is_current(part: Part, task: Task, stamps: Stamps) -> bool:
    """Whether a part is what this task would give."""
    has_pages = not task.pages or (part.pages and (task.out / part.pages).is_dir())
    return part.basis == task.basis and bool(has_pages) and stamps.are(part.stamps)


@functools.lru_cache(maxsize=2)
def _opened(root: Path, leave_out: tuple[str, ...], _run: str) -> tuple[Workspace, Stamps]:
    """Workspace and the hashes of its files, opened once within a run: a later run sees what changed."""
    workspace = open_workspace(root, leave_out=leave_out)
    return workspace, Stamps(workspace)


def _analysed(task: Task, workspace: Workspace, stamps: Stamps) -> Part:
    desk = Desk(workspace, task.session)
    session = workspace.sessions[task.session].session
    stamps.of_all(desk.asked)  # before the log is read
    part = Part(
        folder=task.folder,
        session=task.session,
        car=workspace.car.name,
        date=session.date.isoformat(),
        steps=tuple(session.steps),
        revision=session.revision,
        basis=task.basis,
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # as the kernels of a record have it
        try:
            evidence = desk.gather_evidence(desk.opened)
        except ValueError as error:
            return replace(part, failure=str(error), stamps=stamps.of_all(desk.asked))
        chapters, runs = _run_all(task, desk)
    return replace(
        part,
        stamps=stamps.of_all(desk.asked),
        samples=int(evidence.log.sizes["time"]),
        duration_s=round(evidence.duration_s, 3),
        findings=tuple(_findings(chapters, runs)),
        tables={name: columns_of(table) for chapter in chapters for name, table in chapter.tables.items()},
    )


def _run_all(task: Task, desk: Desk) -> tuple[list[Chapter], list[Run]]:
    chapters, runs = [], []
    for calculation in task.calculations:
        failure = ""
        try:
            parameters = parameters_of(calculation, task.settings) | {"session": f"sessions/{task.session}"}
            chapters.append(calculation.run(parameters, desk.open_session, desk.gather_evidence))
        except (OSError, MemoryError):
            raise  # nothing that the log is to blame for
        except Exception as error:  # noqa: BLE001 - whatever stops one notebook stops only that one, as in a record
            failure = f"{type(error).__name__}: {first_line(str(error))}"
        runs.append(Run(calculation.notebook, nbformat.v4.new_notebook(), failure))
    return chapters, runs


def _findings(chapters: Sequence[Chapter], runs: Sequence[Run]) -> list[dict[str, Any]]:
    """Findings as results.json has them, each with the notebook that it comes from."""
    data = [as_data(chapter) for chapter in chapters]
    failed = [run for run in runs if run.failed]
    found = [(item["notebook"], tidy(finding)) for item in data for finding in item["findings"]]
    found += list(zip((run.notebook.name for run in failed), all_findings([], failed), strict=True))
    return [{"notebook": name, **finding} for name, finding in found]


def columns_of(table: Any) -> dict[str, list]:
    """Columns of a table as plain data, numbers rounded as findings are; dates and other objects become text."""
    return {str(name): [_plain(value) for value in table[name].tolist()] for name in table.columns}


def _plain(value: Any) -> Any:
    value = tidy(value)
    return value if value is None or isinstance(value, (bool, int, float, str)) else str(value)


def _with_pages(part: Part, task: Task) -> Part:
    """Make the record with its pages too, in the archive's own folder: the cars' folders stay as they are."""
    from tunelab.record.session import record_session  # with all that pages need; most workers never do

    if part.failure:
        return part
    place = Path(PAGES, *Path(task.folder).parts, task.session)
    try:
        notebooks = [calculation.notebook for calculation in task.calculations]
        opened = open_session(task.root / "sessions" / task.session)
        record = record_session(opened, notebooks, task.settings, place=task.out / place)
    except ValueError as error:
        return replace(part, pages_failure=str(error))
    failed = [f"{run.notebook.name}: {run.failure}" for run in record.runs if run.failed]
    return replace(part, pages=place.with_name(record.place.name).as_posix(), pages_failure="; ".join(failed))
