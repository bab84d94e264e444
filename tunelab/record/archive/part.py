"""What one session gives the archive, in a file of its own: written whole or not at all, and never twice at once."""

from __future__ import annotations

import json
import os
import re
import tempfile
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from tunelab.record.archive.stamps import digest
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
