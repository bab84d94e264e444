"""index.html: the summary that a helper opens first and can act on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tunelab.record.display import show_number, table_item
from tunelab.record.evidence import Evidence
from tunelab.record.opened import OpenedSession
from tunelab.record.page import fill
from tunelab.record.provenance import ABOUT
from tunelab.study.cautions import cautions_for
from tunelab.study.finding import status_word

STATUS_ORDER = {"stop": 0, "watch": 1, "not_shown": 2, "met": 3}
SPANS_SHOWN = 60


def summary_page(
    record: Path,
    opened: OpenedSession,
    evidence: Evidence,
    chapters: Sequence[Mapping[str, Any]],
    results: Mapping[str, Any],
) -> str:
    """Write the summary of a record.

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
    findings = _findings(results["findings"])
    values = {
        "title": f"{opened.car.name}: {opened.name}",
        "about": _about(opened),
        "failed": [notebook for notebook in results["notebooks"] if notebook["failed"]],
        "driven": _driven(opened, evidence, chapters),
        "findings": [finding for finding in findings if not finding["quiet"]],
        "checks": [finding for finding in findings if finding["quiet"]],
        "change": _gather(chapters, "change"),
        "cannot_show": _gather(chapters, "cannot_show"),
        "drive_next": _gather(chapters, "drive_next"),
        "cautions": list(dict.fromkeys([*cautions_for(opened.car), *_gather(chapters, "cautions")["sentences"]])),
        "accounts": _accounts(evidence),
        "provenance": _provenance(results),
        "questions": [n for n in results["notebooks"] if (record / f"{n['name']}.html").exists()],
        "files": _files(record),
    }
    return fill("index.html", [], values)


def sheet_page(opened: OpenedSession, chapters: Sequence[Mapping[str, Any]]) -> str:
    """Write the drive plan as one sheet to print and take along; empty where no chapter names a drive."""
    if not _gather(chapters, "drive_next")["tables"]:
        return ""
    cautions = [*cautions_for(opened.car), *_gather(chapters, "cautions")["sentences"]]
    return sheet_html(f"{opened.car.name}: drive plan after {opened.name}", chapters, cautions)


def sheet_html(title: str, chapters: Sequence[Mapping[str, Any]], cautions: Sequence[str]) -> str:
    """Write the sheet from the chapters that name a drive; a caution given twice stands once."""
    values = {"title": title, "plan": _gather(chapters, "drive_next"), "cautions": list(dict.fromkeys(cautions))}
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


def _driven(opened: OpenedSession, evidence: Evidence, chapters: Sequence[Mapping[str, Any]]) -> dict[str, list]:
    log, session = evidence.log, opened.folder.session
    samples = log.sizes["time"]
    episodes = int(np.unique(log["episode"].to_numpy()).size) if "episode" in log else 1
    pieces = "in one piece" if episodes == 1 else f"in {episodes} pieces (the link dropped out, or several files)"
    calm = evidence.flags.set_index("reason")
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


def _findings(findings: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Order findings by what needs attention first, and put value and interval into words.

    `quiet` are checks of the log against itself that found nothing: a reader may unfold them.
    """
    ordered = sorted(findings, key=lambda finding: STATUS_ORDER[finding["status"]])
    words = [status_word(finding["status"], finding["limit"]) for finding in ordered]
    return [
        {**f, "word": word, "reading": _reading(f), "quiet": _is_quiet(f)}
        for f, word in zip(ordered, words, strict=True)
    ]


def _is_quiet(finding: Mapping[str, Any]) -> bool:
    return finding["id"].startswith("consistency.") and finding["status"] in ("met", "not_shown")


def _reading(finding: Mapping[str, Any]) -> str:
    if finding["value"] is None:
        return "not shown"
    unit = "" if finding["unit"] in ("1", "") else f" {finding['unit']}"
    text = f"{_short(finding['value'])}{unit}"
    if finding["lower"] is not None and finding["upper"] is not None:
        share = f", {100 * finding['confidence']:.0f} % interval" if finding["confidence"] else ""
        text += f" ({_short(finding['lower'])} to {_short(finding['upper'])}{share})"
    if finding["limit"] is not None:
        text += f"; held against {show_number(finding['limit'])}{unit}"
    return text


def _short(value: float) -> str:
    """Three significant digits: what an interval of a percent or so is worth."""
    return show_number(float(f"{value:.3g}"))


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
