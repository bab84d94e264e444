"""ro-crate-metadata.json: where a record comes from, in the open RO-Crate format (researchobject.org/ro-crate)."""

from __future__ import annotations

import datetime
import json
import mimetypes
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tunelab.record.evidence import sha256
from tunelab.record.whole import write_whole

if TYPE_CHECKING:  # it takes a second to load, which the summary need not wait for
    from rocrate.rocrate import ROCrate

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
