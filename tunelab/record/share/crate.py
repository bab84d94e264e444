"""The crate of a whole zip: every file with its hash, and each record's run on its inputs."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rocrate.rocrate import ROCrate

from tunelab.record.provenance import add_file, add_licence, add_tool


def write_whole_crate(content: Path, results: Sequence[Mapping[str, Any]], car: str) -> None:
    """Describe every file under a folder in `ro-crate-metadata.json`; crates of single records stay beside it."""
    finished = max(item["timestamps"]["finished"] for item in results)
    crate = ROCrate()
    crate.name = f"{car}: {len(results)} {'record' if len(results) == 1 else 'records'}"
    crate.description = "Records of drive sessions with what it takes to run them again; what is private was taken out."
    crate.license = add_licence(crate)
    crate.datePublished = datetime.datetime.fromisoformat(finished)
    for path in sorted(content.rglob("*")):
        if path.is_file():
            add_file(crate, content, path)
    crate.root_dataset["mentions"] = add_tool(crate, results[0]["versions"])
    crate.metadata.write(content)
