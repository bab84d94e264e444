"""index.html: the summary that a helper opens first and can act on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tunelab.record.display import table_item
from tunelab.record.evidence import Evidence
from tunelab.record.opened import OpenedSession
from tunelab.record.page import fill
from tunelab.record.predicted import prediction_sentence
from tunelab.record.provenance import ABOUT
from tunelab.record.short import short_answer, short_lines
from tunelab.record.shown import begin_large, is_told, settle_first, shown_findings
from tunelab.record.stored import findings_of
from tunelab.study.cautions import cautions_for

SPANS_SHOWN = 60


def summary_page(
    record: Path,
    opened: OpenedSession,
    evidence: Evidence,
    chapters: Sequence[Mapping[str, Any]],
    results: Mapping[str, Any],
) -> tuple[str, tuple[str, ...]]:
    """Write the summary of a record; with it the short answer at its top, in lines for a terminal.

    Parameters
    ----------
    record : Path
        Folder with all other files in place; only their names are read.
    opened, evidence
        The session and the accounts of its log.
    chapters : sequence
        What the notebooks handed over.
    results : mapping
        What results.json holds.
    """
    findings = shown_findings(results["findings"], _gather(chapters, "drive_next")["sentences"])
    asked = {notebook["name"]: notebook["question"] or notebook["name"] for notebook in results["notebooks"]}
    left = _without_told(chapters, findings["absent"])
    held = prediction_sentence(opened, findings_of(results))
    first = _settle_first(results["findings"])
    values = {
        "title": f"{opened.car.name}: {opened.name}",
        "about": _about(opened),
        "failed": [notebook for notebook in results["notebooks"] if notebook["failed"]],
        "short": short_answer(f"{_minutes(evidence.duration_s)} of log.", findings, left, held=held, first=first),
        "held": held,
        "driven": _driven(opened, evidence, chapters),
        "findings": findings,
        "change": _parts(chapters, "change", asked),
        "cannot_show": _parts(left, "cannot_show", asked),
        "first": first,
        "drive_next": _parts(chapters, "drive_next", asked),
        "cautions": list(dict.fromkeys([*cautions_for(opened.car), *_gather(chapters, "cautions")["sentences"]])),
        "accounts": _accounts(evidence),
        "provenance": _provenance(results),
        "questions": [n for n in results["notebooks"] if (record / f"{n['name']}.html").exists()],
        "files": _files(record),
    }
    return fill("index.html", [], values), tuple(short_lines(values["short"]))


def _settle_first(findings: Sequence[Mapping[str, Any]]) -> str:
    return settle_first([finding["title"] for finding in findings if finding["status"] == "stop"])


def sheet_page(
    opened: OpenedSession, chapters: Sequence[Mapping[str, Any]], findings: Sequence[Mapping[str, Any]]
) -> str:
    """Write the drive plan as one sheet to print and take along; empty where no chapter names a drive."""
    if not _gather(chapters, "drive_next")["tables"]:
        return ""
    cautions = [*cautions_for(opened.car), *_gather(chapters, "cautions")["sentences"]]
    title = f"{opened.car.name}: drive plan after {opened.name}"
    return sheet_html(title, chapters, cautions, first=_settle_first(findings))


def sheet_html(title: str, chapters: Sequence[Mapping[str, Any]], cautions: Sequence[str], *, first: str) -> str:
    """Write the sheet from the chapters that name a drive; a caution given twice stands once.

    `first` is what has to be settled before any of it is driven, empty where nothing is at stop.
    """
    values = {
        "title": title,
        "first": first,
        "plan": _gather(chapters, "drive_next"),
        "cautions": list(dict.fromkeys(cautions)),
    }
    return fill("sheet.html", [], values)


def _about(opened: OpenedSession) -> dict[str, str]:
    session = opened.folder.session
    about = {
        "date": session.date.isoformat(),
        "step": ", ".join(session.steps),
        "revision": session.revision,
    }
    if session.wiring:
        about["wiring"] = session.wiring
    return about


def _gather(chapters: Sequence[Mapping[str, Any]], name: str) -> dict[str, list]:
    """Put one section of all chapters together; a sentence that two of them share stands once."""
    sentences = [sentence for chapter in chapters for sentence in chapter[name]["sentences"]]
    return {
        "sentences": list(dict.fromkeys(sentences)),
        "tables": [table for chapter in chapters for table in chapter[name]["tables"]],
    }


def _parts(chapters: Sequence[Mapping[str, Any]], name: str, asked: Mapping[str, str]) -> list[dict[str, Any]]:
    """One section of each chapter that has something to say in it, under its question; shared sentences once."""
    told: set[str] = set()
    parts = []
    for chapter in chapters:
        section = chapter[name]
        sentences = [s for s in dict.fromkeys(section["sentences"]) if s not in told]
        told.update(sentences)
        if sentences or section["tables"]:
            title = asked.get(chapter["notebook"], "")
            parts.append(
                {"title": title, "sentences": [begin_large(s) for s in sentences], "tables": section["tables"]}
            )
    return sorted(parts, key=lambda part: bool(part["title"]))  # what answers no question of its own comes first


def _without_told(chapters: Sequence[Mapping[str, Any]], absent: Sequence[Mapping[str, str]]) -> list[dict[str, Any]]:
    """Leave out what only repeats why a finding is not shown: the findings stand in the same part of the page."""
    kept = []
    for chapter in chapters:
        section = chapter["cannot_show"]
        sentences = [sentence for sentence in section["sentences"] if not is_told(sentence, absent)]
        kept.append({**chapter, "cannot_show": {**section, "sentences": sentences}})
    return kept


def _driven(opened: OpenedSession, evidence: Evidence, chapters: Sequence[Mapping[str, Any]]) -> dict[str, list]:
    log, session = evidence.log, opened.folder.session
    samples = log.sizes["time"]
    episodes = int(np.unique(log["episode"].to_numpy()).size) if "episode" in log else 1
    calm = evidence.flags.set_index("reason")
    pieces = "in one piece" if episodes == 1 else f"in {episodes} pieces (the link dropped out, or several files)"
    sentences = [
        f"{_minutes(evidence.duration_s)} of log, {samples} samples, {pieces}.",
        f"{100 * calm.loc['none', 'share']:.0f} % of the samples carry no flag; each question says what it could use.",
    ]
    if session.weather:
        air = session.weather
        sentences.append(
            f"Weather: {air.air_c:g} °C, {air.pressure_kpa:g} kPa at the place, {air.humidity_pct:g} % humidity."
        )
    if session.notes:
        sentences.append(f"The driver's notes: {session.notes.strip()}")
    more = _gather(chapters, "driven")
    return {
        "sentences": [*sentences, *more["sentences"]],
        "tables": more["tables"],
        "ranges": table_item(evidence.ranges),
    }


def _minutes(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


def _accounts(evidence: Evidence) -> dict[str, Any]:
    inputs = pd.DataFrame(evidence.inputs, columns=["path", "rows_in", "rows_kept", "rows_set_aside"])
    longest = (
        evidence.spans.sort_values("samples", ascending=False, kind="stable").head(SPANS_SHOWN).sort_values("start_s")
    )
    return {
        "rows": table_item(inputs),
        "set_aside": table_item(evidence.set_aside.head(20)),
        "set_aside_count": len(evidence.set_aside),
        "flags": table_item(evidence.flag_table()),
        "spans": table_item(longest),
        "span_count": len(evidence.spans),
        "columns": table_item(evidence.columns),
        "history": evidence.log.attrs.get("history", "").splitlines(),
    }


def _provenance(results: Mapping[str, Any]) -> dict[str, Any]:
    files = pd.DataFrame([*results["inputs"], *results["settings"]], columns=["path", "sha256"])
    parameters = [(n, name, str(value)) for n, given in results["parameters"].items() for name, value in given.items()]
    return {
        "files": table_item(files),
        "parameters": table_item(pd.DataFrame(parameters, columns=["notebook", "parameter", "value"])),
        "versions": ", ".join(f"{name} {number}" for name, number in results["versions"].items()),
        "finished": results["timestamps"]["finished"],
    }


def _files(record: Path) -> list[tuple[str, str]]:
    names = [path.relative_to(record).as_posix() for path in sorted(record.rglob("*")) if path.is_file()]
    return [(name, ABOUT.get(name, "")) for name in [*names, "ro-crate-metadata.json"] if name != "index.html"]
