"""What one session gives the archive, in a file of its own, and all parts together as data sets.

What one session gives the archive, in a file of its own: written whole or not at all, and never twice at once.

All parts together: data sets that pandas, xarray or DuckDB can ask across cars.
"""

from __future__ import annotations

import datetime
import json
import os
import re
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, fields
from itertools import islice
from pathlib import Path
from typing import Any

import polars as pl

from tunelab.record.evidence import digest
from tunelab.workspace.disk import replace_file

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
