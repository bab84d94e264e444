"""Records as they lie in a workspace: what each found, of which session and revision."""

from __future__ import annotations

import datetime
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from tunelab.record.evidence import sha256
from tunelab.record.schema import SchemaError, as_finding, check_results
from tunelab.study.finding import Finding
from tunelab.workspace import SessionFolder, Workspace

RECORDS = "records"
FAILED = ".failed"  # behind a session's name: a run that failed while a good record stood in the place


class RecordError(ValueError):
    """A record that cannot be read; the message says which, why and the way out."""


@dataclass(frozen=True)
class StoredRecord:
    """One record and the session that it is of."""

    place: Path
    folder: SessionFolder
    results: dict[str, Any]
    findings: tuple[Finding, ...]

    @property
    def name(self) -> str:
        """Name of the record's folder."""
        return self.place.name

    @property
    def session(self) -> str:
        """Name of its session."""
        return self.folder.name

    @property
    def date(self) -> datetime.date:
        """Day of the drive."""
        return self.folder.session.date

    @property
    def revision(self) -> str:
        """Revision that was in the ECU."""
        return self.folder.session.revision

    @property
    def digest(self) -> str:
        """SHA-256 of its results.json, moments included: another one for every run."""
        return sha256(self.place / "results.json")

    @property
    def failed(self) -> bool:
        """Whether an analysis of it did not finish."""
        return any(notebook["failed"] for notebook in self.results.get("notebooks", ()))

    def finding(self, name: str) -> Finding | None:
        """Look up a finding by its id."""
        return next((finding for finding in self.findings if finding.id == name), None)


def read_results(place: Path) -> dict[str, Any]:
    """Read a record's results.json.

    Raises
    ------
    RecordError
        Missing, not JSON, of another schema, or with findings that are none.
    """
    path = place / "results.json"
    try:
        results = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError) as error:
        raise RecordError(f"{place} is no record: it has no results.json. Make one: tunelab record SESSION") from error
    except (OSError, ValueError, RecursionError) as error:
        raise RecordError(f"{path} cannot be read ({error}); record the session again.") from error
    try:
        return check_results(results)
    except SchemaError as error:
        raise RecordError(f"{path}: {error}") from error


def findings_of(results: dict[str, Any]) -> tuple[Finding, ...]:
    """Make the findings of results.json, which were checked as they were read, findings again."""
    return tuple(as_finding(item) for item in results["findings"])


def read_record(place: Path, workspace: Workspace) -> StoredRecord:
    """Read one record of a workspace.

    Raises
    ------
    RecordError
        As `read_results`; or the workspace has no such session.
    """
    results = read_results(place)
    folder = workspace.sessions.get(str(results["session"]))
    if folder is None:
        known = ", ".join(sorted(workspace.sessions)) or "none"
        raise RecordError(f"{place}: no session {results['session']!r} in this workspace; there are: {known}.")
    return StoredRecord(place, folder, results, findings_of(results))


def changed_since(record: StoredRecord, workspace: Workspace) -> list[str]:
    """Say what a record rests on and was edited after it was made: its revision, its session, its list of logs."""
    made_of = {item["path"]: item["sha256"] for item in record.results.get("settings", ())}
    names = (f"revisions/{record.revision}.toml", f"sessions/{record.session}/session.toml")
    found = [name for name in names if not _is_still(workspace.root / name, made_of.get(name, ""))]
    paths = [str(item["path"]) for item in record.results.get("inputs", ())]
    read = {path for path in paths if path.partition("/")[0] not in workspace.sessions}
    there = {path.relative_to(record.folder.path).as_posix() for path in record.folder.files}
    if there != {"log.nc"}:  # a session that came in a zip holds the cleaned log in place of the raw ones
        found += [f"sessions/{record.session}/{path}" for path in sorted(read ^ there)]
    return [f"{', '.join(found)}: changed after {record.name} was recorded; record it again."] if found else []


def _is_still(path: Path, hash_then: str) -> bool:
    """Whether a file is what it was, but for what a revision now says was also changed: no number rests on that."""
    return hash_then in ("", sha256(path) if path.is_file() else "gone") or hash_then == _hash_before(path)


def _hash_before(path: Path) -> str:
    """Give the hash that a file had before it said what was also changed; empty where it does not say."""
    try:
        content = tomlkit.parse(path.read_bytes().decode("utf-8"))
    except (OSError, ValueError):
        return ""
    if content.pop("also_changed", None) is None:
        return ""
    return hashlib.sha256(tomlkit.dumps(content).encode("utf-8")).hexdigest()


def _failed_later(record: StoredRecord) -> list[str]:
    """Say that a later run of the session failed; what it found does not count."""
    place = record.place.with_name(f"{record.name}{FAILED}")
    try:
        later = read_results(place)["timestamps"]["finished"] > record.results["timestamps"]["finished"]
    except (RecordError, KeyError, TypeError):
        return []
    return [f"{place.name}: a later run of this session failed; the earlier record stays."] if later else []


def stored_records(workspace: Workspace) -> tuple[list[StoredRecord], list[str]]:
    """Read every current record, by date and name, and say which folders are none and which sessions are left out.

    A record that was moved aside (`<session>.<n>`) or failed beside a good one (`<session>.failed`) does not count.
    A revision that the session does not name any more makes a record stale; it is left out and named.
    """
    records, left_out = [], workspace.left_out()
    folder = workspace.root / RECORDS
    for place in sorted(folder.iterdir()) if folder.is_dir() else ():
        if not place.is_dir() or place.name.startswith(".") or place.name not in workspace.sessions:
            continue
        try:
            record = read_record(place, workspace)
        except RecordError as error:
            left_out.append(str(error))
            continue
        if record.results["revision"] != record.revision:
            left_out.append(
                f"{place.name}: recorded with revision {record.results['revision']}, and session.toml says "
                f"{record.revision}; record the session again."
            )
            continue
        records.append(record)
        left_out += _failed_later(record)
    return sorted(records, key=lambda record: (record.date, record.name)), left_out
