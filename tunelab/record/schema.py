"""What results.json must hold to be used: its schema by name, and every key with its kind."""

from __future__ import annotations

import datetime
from typing import Annotated, Any, get_type_hints

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, create_model

from tunelab.record.results import SCHEMA
from tunelab.study.finding import Finding

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


_Finding = create_model("_Finding", __base__=_Part, **{name: (kind, ...) for name, kind in FINDING_KINDS.items()})


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
