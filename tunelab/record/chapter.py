"""What one notebook gives the record: findings, tables that open in any spreadsheet, the next revision, and plain
words."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from tunelab.record.display import table_item
from tunelab.record.place import CHAPTERS, OUT
from tunelab.study.finding import Finding
from tunelab.workspace import write_revision
from tunelab.workspace.check_revision import READINGS
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml

FORMULA_STARTS = (
    "=",
    "+",
    "-",
    "@",
    "＝",
    "＋",
    "－",
    "＠",
)  # the wide ones: some spreadsheets read them as the others
SKIPPED = "\ufeff\u200b\u2060"  # with white space: what a spreadsheet may pass over in front of a formula
TABLES = {
    "meter_curve": "flow_in_force_kg_h, factor, factor_lower, factor_upper, flow_proposed_kg_h, seconds, basis",
    "dead_time": "battery_v, dead_time_in_force_ms, change_ms, change_lower_ms, change_upper_ms, "
    "dead_time_proposed_ms, basis",
    "table_cells": "engine_speed_rpm, load, in_force, factor, factor_lower, factor_upper, seconds, holds, basis, "
    "proposed, change_pct, changed",
    "power_curve": "pull, gear, engine_speed_rpm, wheel_power_kw, lower_kw, upper_kw, wheel_torque_nm, "
    "standard_day_factor",
}
LOADS = ("manifold_kpa", "throttle_pct")
DIGITS = 7  # significant digits: past what a log carries, short of the noise of arithmetic


class TableError(ValueError):
    """A table that does not have the columns that its name promises."""


def check_columns(name: str, table: pd.DataFrame) -> None:
    """Hold a table against the columns that its name promises.

    Raises
    ------
    TableError
        Columns missing, more, or in another order.
    """
    if name not in TABLES:
        return
    wanted = TABLES[name].split(", ")
    columns = [str(column) for column in table.columns]
    if name == "meter_curve" and columns[:1] and columns[0] in READINGS:
        columns = columns[1:]
    if name == "table_cells" and columns[1:2] and columns[1] in LOADS:
        columns = [columns[0], "load", *columns[2:]]
    if columns != wanted:
        raise TableError(f"tables/{name}.csv has the columns {', '.join(columns)}; wanted {', '.join(wanted)}.")


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a table as CSV: UTF-8, comma, decimal point, an empty cell where there is no number.

    A text that a spreadsheet would run as a formula gets an apostrophe in front.
    """
    check_columns(path.stem, table)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(table_text(table), encoding="utf-8", newline="\n")


def table_text(table: pd.DataFrame) -> str:
    """Give the text of a table as `write_table` writes it."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([harmless(str(column)) for column in table.columns])
    writer.writerows([_cell(value) for value in row] for row in table.itertuples(index=False, name=None))
    return out.getvalue()


def harmless(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet would run as a formula; a line end becomes a space."""
    one_line = re.sub(r"[\r\n]+", " ", text)
    start = re.sub(rf"^[\s{SKIPPED}]+", "", one_line)
    return f"'{one_line}" if start.startswith(FORMULA_STARTS) or one_line.startswith("\t") else one_line


def _cell(value: Any) -> str:
    if hasattr(value, "item"):
        value = value.item()
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.{DIGITS}g}" if math.isfinite(value) else ""
    return str(value) if isinstance(value, int) else harmless(str(value))


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
