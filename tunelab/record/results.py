"""What a record writes for other programs: results.json, and where the record comes from as an RO-Crate."""

from __future__ import annotations

import datetime
import json
import mimetypes
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from tunelab.record.chapter import finite
from tunelab.record.evidence import Evidence, sha256, versions
from tunelab.record.notebook import Notebook, Value
from tunelab.record.opened import OpenedSession
from tunelab.record.place import write_whole

if TYPE_CHECKING:
    from rocrate.rocrate import ROCrate

SCHEMA = "tunelab-results/1"
DIGITS = 7  # significant digits of a finding: more is noise of arithmetic, and differs between processors


class Ended(Protocol):
    """How the run of one notebook ended, in a kernel or without one."""

    @property
    def notebook(self) -> Notebook:
        """Which one."""

    @property
    def failed(self) -> bool:
        """Whether it did not run to the end."""

    @property
    def failure(self) -> str:
        """Why, in one line; empty when it ran to the end."""


def results_data(
    opened: OpenedSession,
    evidence: Evidence,
    chapters: Sequence[Mapping[str, Any]],
    runs: Sequence[tuple[Ended, Mapping[str, Value]]],
    timestamps: Mapping[str, Any],
) -> dict[str, Any]:
    """Put together what results.json holds; all but `timestamps` depends on inputs, parameters and versions alone."""
    session = opened.folder.session
    return {
        "schema": SCHEMA,
        "session": opened.name,
        "step": ", ".join(session.steps),
        "revision": session.revision,
        "inputs": all_inputs(evidence, chapters),
        "settings": [dict(item) for item in evidence.settings],
        "versions": versions(),
        "parameters": {run.notebook.name: dict(parameters) for run, parameters in runs},
        "notebooks": [
            {"name": run.notebook.name, "question": run.notebook.question, "failed": run.failed, "failure": run.failure}
            for run, _ in runs
        ],
        "findings": [tidy(finding) for finding in all_findings(chapters, [run for run, _ in runs])],
        "timestamps": dict(timestamps),
    }


def all_inputs(evidence: Evidence, chapters: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Raw files of the session, then those of further sessions that a chapter drew on, each once."""
    items = [*evidence.inputs, *(item for chapter in chapters for item in chapter["inputs"])]
    return list({item["path"]: dict(item) for item in items}.values())


def all_findings(chapters: Sequence[Mapping[str, Any]], runs: Sequence[Ended]) -> list[dict[str, Any]]:
    """Findings of all chapters, and one `not_shown` for each notebook that failed."""
    found = [dict(finding) for chapter in chapters for finding in chapter["findings"]]
    return found + [_not_shown(run) for run in runs if run.failed]


def stopped_checks(findings: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Checks of the log against itself that withheld what rests on it, each with its reason."""
    for finding in findings:
        if finding["id"].startswith("consistency.") and finding["status"] == "stop":
            yield f"{finding['title']}: {finding['because']}"


def _not_shown(run: Ended) -> dict[str, Any]:
    return {
        "id": f"{run.notebook.name}.run",
        "title": run.notebook.question or run.notebook.name,
        "value": None,
        "unit": "1",
        "lower": None,
        "upper": None,
        "confidence": None,
        "samples_used": 0,
        "samples_flagged": 0,
        "status": "not_shown",
        "limit": None,
        "because": f"The analysis failed before it had an answer: {run.failure}",
    }


def tidy(value: Any) -> Any:
    """Round every number to seven significant digits; what is not a number becomes null."""
    if isinstance(value, dict):
        return {key: tidy(item) for key, item in value.items()}
    if isinstance(value, list):
        return [tidy(item) for item in value]
    value = finite(value)
    return float(f"{value:.{DIGITS}g}") if isinstance(value, float) else value


def results_text(data: Mapping[str, Any]) -> str:
    """Write results.json: UTF-8, two spaces, no NaN."""
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


FORMATS = {".ipynb": "application/x-ipynb+json", ".toml": "application/toml", ".nc": "application/x-netcdf"}
LICENCE = "Private record of the car's owner; no licence to copy or publish is given."
ABOUT = {
    "index.html": "Summary of the record; open this first.",
    "drive_sheet.html": "The drive plan on one sheet, to print and take along.",
    "results.json": "Findings with intervals, inputs, parameters and versions.",
    "proposal.toml": "The next revision, for a person to review and enter.",
    "log.nc": "The log with its flags, after reading and mapping (netCDF, CF conventions).",
}
ABOUT_KIND = {
    ".html": "A page of the record; opens offline.",
    ".ipynb": "An executed notebook.",
    ".csv": "A table of the record.",
    ".toml": "A file of the owner's, or a proposal for one.",
    ".nc": "A log with its flags (netCDF, CF conventions).",
    ".json": "Data of the record.",
}


def write_crate(record: Path, results: Mapping[str, Any], car: str) -> None:
    """Describe every file of a record, what it was made from and with what.

    Parameters
    ----------
    record : Path
        Folder with all other files in place.
    results : mapping
        What results.json holds.
    car : str
        Name of the car.
    """
    finished = results["timestamps"]["finished"]
    from rocrate.rocrate import ROCrate

    crate = ROCrate()
    crate.name = f"{car}: {results['session']}"
    crate.description = (
        f"Record of the session {results['session']} ({results['step']}), revision {results['revision']}."
    )
    crate.license = add_licence(crate)
    crate.datePublished = datetime.datetime.fromisoformat(finished)
    files = [add_file(crate, record, path) for path in sorted(record.rglob("*")) if path.is_file()]
    _add_run(crate, results, files)
    crate.metadata.write(record)


def _add_entity(crate: ROCrate, name: str, properties: Mapping[str, Any]) -> Any:
    from rocrate.model import ContextEntity

    return crate.add(ContextEntity(crate, name, properties=dict(properties)))


def add_licence(crate: ROCrate) -> Any:
    """Say that nothing may be done with a record but what its owner allows; returns the entity."""
    about = {"@type": "CreativeWork", "name": "Private record", "description": LICENCE}
    return _add_entity(crate, "#licence", about)


def add_tool(crate: ROCrate, versions: Mapping[str, str]) -> Any:
    """Name what made a record, with the versions that it stands on; returns the entity.

    A software application would need a public address by RO-Crate 1.2 and later; this one has none to give.
    """
    requirements = "; ".join(f"{name} {number}" for name, number in versions.items())
    about = {"@type": "CreativeWork", "name": "tunelab", "version": versions["tunelab"]}
    return _add_entity(crate, "#tunelab", {**about, "softwareRequirements": requirements})


def add_file(crate: ROCrate, record: Path, path: Path) -> Any:
    """Add one file under a folder, with its size and hash; returns its entity."""
    name = path.relative_to(record).as_posix()
    kind = FORMATS.get(path.suffix) or mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    properties = {"name": name, "encodingFormat": kind, "contentSize": str(path.stat().st_size), "sha256": sha256(path)}
    properties["description"] = ABOUT.get(name) or ABOUT_KIND.get(path.suffix, "A file of the record.")
    return crate.add_file(path, dest_path=name, properties=properties)


def renew_file(record: Path, path: Path) -> None:
    """Put the size and hash that a file of a record has now into the record's description."""
    described = record / "ro-crate-metadata.json"
    if not described.is_file():
        return
    data = json.loads(described.read_text(encoding="utf-8"))
    name = path.relative_to(record).as_posix()
    for entity in data["@graph"]:
        if entity.get("@id") == name:
            entity |= {"contentSize": str(path.stat().st_size), "sha256": sha256(path)}
    write_whole(described, json.dumps(data, indent=4, sort_keys=True, ensure_ascii=False))


def _add_run(crate: ROCrate, results: Mapping[str, Any], files: list) -> None:
    """Say what ran on what: one software application, the raw files by their hashes, the files that came out."""
    tool = add_tool(crate, results["versions"])
    read = [_add_input(crate, item) for item in [*results["inputs"], *results["settings"]]]
    action = {
        "@type": "CreateAction",
        "name": "tunelab record",
        "startTime": results["timestamps"]["started"],
        "endTime": results["timestamps"]["finished"],
    }
    run = _add_entity(crate, "#run", action)
    run["instrument"] = tool
    run["object"] = read
    run["result"] = files
    crate.root_dataset["mentions"] = run


def _add_input(crate: ROCrate, item: Mapping[str, Any]) -> Any:
    about = {"@type": "CreativeWork", "name": item["path"], "sha256": item["sha256"]}
    if "rows_in" in item:
        about["description"] = (
            f"Raw log, not in this folder: {item['rows_in']} rows, {item['rows_kept']} kept, "
            f"{item['rows_set_aside']} set aside."
        )
    return _add_entity(crate, f"#input-{item['sha256'][:16]}", about)
