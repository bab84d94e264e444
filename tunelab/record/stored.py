"""Records as they lie in a workspace: what each found, of which session and revision, and what its results.json must
hold.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import tomlkit
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, create_model

from tunelab.record.evidence import sha256
from tunelab.record.results import SCHEMA
from tunelab.study.finding import Finding
from tunelab.workspace import SessionFolder, Workspace

KNOWN = (SCHEMA,)  # schemas that this version reads; a new one joins with what turns an older record into it
SHOWN_PROBLEMS = 3
NOT_ENDLESS = Field(max_length=10_000)  # every wrong item costs memory before it is known
FINDING_KINDS = get_type_hints(Finding)


class _Part(BaseModel):
    """Keys that a later version may have added are kept and passed over."""

    model_config = ConfigDict(extra="allow", strict=True, allow_inf_nan=False)


class _File(_Part):
    path: str
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class _Input(_File):
    rows_in: int
    rows_kept: int
    rows_set_aside: int


class _Notebook(_Part):
    name: str
    question: str
    failed: bool
    failure: str


def _moment(text: str) -> str:
    datetime.datetime.fromisoformat(text)
    return text


class _Timestamps(_Part):
    started: Annotated[str, AfterValidator(_moment)]
    finished: Annotated[str, AfterValidator(_moment)]


_FIELDS: dict[str, Any] = {name: (kind, ...) for name, kind in FINDING_KINDS.items()}
_Finding = create_model("_Finding", __base__=_Part, **_FIELDS)


def _names_itself(versions: dict[str, str]) -> dict[str, str]:
    if "tunelab" not in versions:
        raise ValueError("the version of tunelab is missing")
    return versions


class _Results(_Part):
    session: str
    step: str
    revision: str
    inputs: Annotated[list[_Input], NOT_ENDLESS]
    settings: Annotated[list[_File], NOT_ENDLESS]
    versions: Annotated[dict[str, str], AfterValidator(_names_itself)]
    parameters: dict[str, dict[str, Any]]
    notebooks: Annotated[list[_Notebook], NOT_ENDLESS]
    findings: Annotated[list[_Finding], NOT_ENDLESS]
    timestamps: _Timestamps


class SchemaError(ValueError):
    """Results that cannot be used; the message says what was found, what is known and the way out."""


def check_results(results: object) -> dict[str, Any]:
    """Hold the content of results.json against its schema; returns it.

    Raises
    ------
    SchemaError
        Not a table of keys, a schema that this version does not know, or keys missing or of another kind.
    """
    if not isinstance(results, dict):
        raise SchemaError(f"found a {type(results).__name__} in place of the results; record the session again.")
    if results.get("schema") not in KNOWN:
        raise SchemaError(_unknown(results))
    try:
        _Results.model_validate(results)
    except ValidationError as error:
        raise SchemaError(f"it is not whole: {_problems(error)}. Record the session again.") from error
    return results


def as_finding(item: dict[str, Any]) -> Finding:
    """Make a finding of what stands for one in results that were checked; keys of a later version stay out."""
    return Finding(**{name: item[name] for name in FINDING_KINDS})


def _unknown(results: dict[str, Any]) -> str:
    versions = results.get("versions")
    made_by = versions.get("tunelab") if isinstance(versions, dict) else None
    by = f", written by tunelab {made_by}" if isinstance(made_by, str) else ""
    return (
        f"its schema is {results.get('schema')!r}{by}; this tunelab knows {', '.join(KNOWN)}. "
        "A newer record needs a newer tunelab; otherwise record the session again."
    )


def _problems(error: ValidationError) -> str:
    found = [f"{'.'.join(map(str, item['loc']))}: {item['msg']}" for item in error.errors()]
    more = f" and {len(found) - SHOWN_PROBLEMS} more" if len(found) > SHOWN_PROBLEMS else ""
    return "; ".join(found[:SHOWN_PROBLEMS]) + more


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


def findings_of(results: Mapping[str, Any]) -> tuple[Finding, ...]:
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
