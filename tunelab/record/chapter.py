"""What one notebook gives the record: findings, tables, the next revision, and plain words for the summary."""

from __future__ import annotations

import dataclasses
import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from tunelab.record.display import table_item
from tunelab.record.table import TableError, write_table
from tunelab.study.finding import Finding
from tunelab.workspace import write_revision
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml

OUT = "TUNELAB_RECORD_OUT"  # environment variable: the record being written, set in its kernels
CHAPTERS = "chapters"


@dataclass(frozen=True)
class Section:
    """A part of the summary: sentences, then tables with a caption each."""

    sentences: tuple[str, ...] = ()
    tables: tuple[tuple[str, pd.DataFrame], ...] = ()
    # The same in a few words, for the top of the page; empty: the first sentence; None: it is of no weight there.
    short: str | None = ""


@dataclass(frozen=True)
class Verdict:
    """The question answered in one sentence; what is empty here is written from the findings."""

    sentence: str = ""
    word: str = ""  # status: met, watch, stop or not_shown


@dataclass(frozen=True)
class NextRevision:
    """The next revision with the comments that go into its file, by key."""

    revision: Revision
    comments: Mapping[str, str]
    parts: tuple[str, ...] = ()  # keys of the revision that this proposes; empty: all of it


@dataclass(frozen=True)
class Chapter:
    """All that one notebook gives the record; the summary puts the sections of all chapters together."""

    notebook: str
    findings: tuple[Finding, ...] = ()
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)  # file name without .csv → table
    proposal: NextRevision | None = None
    driven: Section = Section()
    change: Section = Section()
    cannot_show: Section = Section()
    drive_next: Section = Section()
    cautions: Section = Section()
    inputs: tuple[Mapping[str, Any], ...] = ()  # raw files of further sessions: path, sha256, rows_in, …
    verdict: Verdict = Verdict()

    def summary(self) -> pd.DataFrame:
        """One row per finding: title, status, value, interval, unit, samples."""
        columns = ["title", "status", "value", "lower", "upper", "unit", "samples_used", "samples_flagged"]
        rows = [{c: getattr(f, c) for c in columns} | {"status": f.word} for f in self.findings]
        return pd.DataFrame(rows, columns=columns)


SECTIONS = ("driven", "change", "cannot_show", "drive_next", "cautions")


def write(out: str, chapter: Chapter) -> pd.DataFrame:
    """Hand a notebook's results to the record; the last call of every notebook.

    Parameters
    ----------
    out : str
        Folder that gets the tables, the findings and the proposal. Empty: the record that runs this notebook, or
        nowhere when it is run by hand.
    chapter : Chapter
        What to hand over.

    Returns
    -------
    DataFrame
        The findings, one row each.

    Raises
    ------
    TableError
        A table without the columns that its name promises, or one that another notebook has written already.
    """
    folder = out or os.environ.get(OUT, "")
    if folder:
        _write_files(Path(folder), chapter)
    return chapter.summary()


def _write_files(folder: Path, chapter: Chapter) -> None:
    for name, table in chapter.tables.items():
        path = folder / "tables" / f"{name}.csv"
        if os.environ.get(OUT) and path.exists():
            raise TableError(f"tables/{name}.csv was already written by another notebook of this record.")
        write_table(path, table)
    if chapter.proposal:
        _write_proposal(folder, chapter.proposal)
    target = folder / CHAPTERS / f"{chapter.notebook}.json"
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(
        json.dumps(as_data(chapter), indent=1, ensure_ascii=False, allow_nan=False), encoding="utf-8", newline="\n"
    )


def _write_proposal(folder: Path, proposal: NextRevision) -> None:
    """Write the next revision; parts go into the one that an earlier notebook of the record proposed."""
    folder.mkdir(parents=True, exist_ok=True)
    path, revision, comments = folder / "proposal.toml", proposal.revision, dict(proposal.comments)
    if proposal.parts and path.exists():
        earlier = read_toml(path, Revision, path.name).partial
        if earlier is not None and earlier.based_on == revision.based_on:
            revision = earlier.model_copy(update={key: getattr(revision, key) for key in proposal.parts})
            comments = _comments_before(folder) | comments
    known = {"", *revision.model_dump(exclude_none=True)}
    write_revision(path, revision, {key: text for key, text in comments.items() if key.split(".")[0] in known})


def _comments_before(folder: Path) -> dict[str, str]:
    """Comments that earlier notebooks of the record gave their parts of the proposal."""
    found: dict[str, str] = {}
    for path in sorted((folder / CHAPTERS).glob("*.json")):
        found |= json.loads(path.read_text(encoding="utf-8")).get("comments", {})
    return found


def as_data(chapter: Chapter) -> dict[str, Any]:
    """Turn a chapter into plain data for JSON; what is not a number becomes null."""
    data = {
        "notebook": chapter.notebook,
        "findings": [finite(dataclasses.asdict(finding)) for finding in chapter.findings],
        "verdict": dataclasses.asdict(chapter.verdict),
        "tables": sorted(chapter.tables),
        "inputs": [finite(dict(item)) for item in chapter.inputs],
        "proposal": chapter.proposal.revision.name if chapter.proposal else None,
        "comments": dict(chapter.proposal.comments) if chapter.proposal else {},
    }
    for name in SECTIONS:
        section = getattr(chapter, name)
        tables = [{"caption": caption, **table_item(table)} for caption, table in section.tables]
        data[name] = {"sentences": list(section.sentences), "tables": tables, "short": section.short}
    return data


def read_chapters(folder: Path, names: Sequence[str]) -> list[dict[str, Any]]:
    """Read the chapters that notebooks left in a record's folder, in the order of `names`."""
    paths = [folder / CHAPTERS / f"{name}.json" for name in names]
    return [json.loads(path.read_text(encoding="utf-8")) for path in paths if path.exists()]


def finite(value: Any) -> Any:
    """Return plain data in which every number is finite: NaN and infinity become None, numpy's become Python's."""
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    if hasattr(value, "item") and not isinstance(value, str):
        return finite(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
