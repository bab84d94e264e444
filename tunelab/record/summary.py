"""index.html: the summary that a helper opens first and can act on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tunelab.channels import CHANNELS
from tunelab.chart.first_page import (
    draw_curve_change,
    draw_lambda_off,
    draw_limits_used,
    draw_pull_lambda_off,
    limit_gauges,
)
from tunelab.chart.picture_parts import Gauge, Picture
from tunelab.record.answer import short_answer, short_lines, steps_words
from tunelab.record.display import show_duration, table_item
from tunelab.record.earlier import prediction_sentence
from tunelab.record.evidence import Evidence
from tunelab.record.opened import OpenedSession
from tunelab.record.page import fill
from tunelab.record.results import ABOUT
from tunelab.record.shown import (
    begin_large,
    is_told,
    settle_first,
    shown_findings,
    stops_beside,
    stops_to_settle,
    value_text,
)
from tunelab.record.stored import RECORDS, findings_of
from tunelab.record.to_enter import join, need_of, newer_than
from tunelab.study.drive_plan import cautions_for
from tunelab.study.explore_cells import fullest_load, map_lambda_error

SPANS_SHOWN = 60
CURVES = ("meter_curve", "meter_high_flow", "meter_part_throttle")  # tables of the meter's error, by weight
SPEED_STEP_RPM, LOADS = 1000.0, 7  # cells of the map of lambda: as many as a phone can show with their numbers


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
        Folder with all other files in place; its tables give the pictures, of the rest only the names are read.
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
    held, first = prediction_sentence(opened, findings_of(results)), _settle_first(results["findings"])
    said = {f["title"]: value_text(f).split(" ")[0].rstrip("°") for f in results["findings"]}
    passed = {f["title"]: f["limit"] - f["value"] for f in stops_beside(results["findings"])}  # all are maxima
    gauges = limit_gauges(results["findings"], _margins(record) | passed, said)
    short = _short(opened, evidence, findings, left, _nearest(gauges), held, first)
    values: dict[str, Any] = {
        "title": f"{opened.car.name}: {opened.name}",
        "car": opened.car.name,
        "session": opened.name,
        "all_records": record.parent.absolute() == (opened.workspace.root / RECORDS).absolute(),
        "about": _about(opened),
        "failed": [notebook for notebook in results["notebooks"] if notebook["failed"]],
        "short": short,
        "pictures": _pictures(record, opened, evidence, gauges, results),
        "held": held,
        "driven": _driven(opened, evidence, chapters),
        "log_account": _log_account(evidence),
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
    return fill("index.html", [], values), tuple(short_lines(short))


def _short(
    opened: OpenedSession, evidence: Evidence, findings: Mapping[str, Sequence[Mapping[str, Any]]],
    left: Sequence[Mapping[str, Any]], nearest: str, held: str, first: str,
) -> list[dict[str, Any]]:  # fmt: skip
    """The block at the top: what was driven, and the answer in short."""
    steps, newer = opened.folder.session.steps, newer_than(opened, opened.revision)
    time = show_duration(evidence.duration_s)
    driven = f"{steps_words(steps)}, with {opened.revision.name} in the ECU: {time} of log."
    return short_answer(
        driven, findings, left, steps=steps, nearest=nearest, held=held, first=first,
        since=join(newer) if newer else "",
    )  # fmt: skip


def _margins(record: Path) -> dict[str, float]:
    """How far inside each limit the drive stayed, by the limit's title."""
    table = _table(record, "limits")
    return {} if table is None else dict(zip(table["check"], table["margin"], strict=True))


def _table(record: Path, name: str) -> pd.DataFrame | None:
    path = record / "tables" / f"{name}.csv"
    return pd.read_csv(path) if path.is_file() else None


def _nearest(gauges: Sequence[Gauge]) -> str:
    """The limit that was used most, of those that were not passed."""
    near = next((gauge for gauge in gauges if gauge.used <= 100), None)
    return f"{near.name.lower()} {near.text}" if near else ""


def _pictures(
    record: Path, opened: OpenedSession, evidence: Evidence, gauges: Sequence[Gauge], results: Mapping[str, Any]
) -> list[Picture]:
    """Limits used, the curve's error, lambda off commanded: what the record's tables and its log can show of them."""
    bins = _table(record, "lambda_by_speed")
    if bins is not None:
        off = draw_pull_lambda_off(bins)
    else:
        load = fullest_load(evidence.log, opened.car)
        cells = map_lambda_error(evidence.log, load, speed_step_rpm=SPEED_STEP_RPM, loads=LOADS)
        off = draw_lambda_off(cells, _pulsation_note(results["findings"]))
    found = [draw_limits_used(list(gauges)), _curve_picture(record, opened, results["findings"]), off]
    return [picture for picture in found if picture is not None]


def _pulsation_note(findings: Sequence[Mapping[str, Any]]) -> str:
    """Why the map may show rich cells that the lambda error does not count; empty where nothing pulsates."""
    found = next((f for f in findings if f["id"] == "steady.pulsation" and f["value"]), None)
    if found is None:
        return ""
    return (
        f"Rich cells at high load are intake pulsation, by which the meter over-reads up to {value_text(found)}; no "
        "curve removes it, and the lambda error at steady speed leaves them out."
    )


def _curve_picture(record: Path, opened: OpenedSession, findings: Sequence[Mapping[str, Any]]) -> Picture | None:
    """The meter's error by the steady drive, else by the pulls; with what is proposed, where something has to be."""
    for name in CURVES:
        curve = _table(record, name)
        if curve is not None:
            return draw_curve_change(
                curve, opened.car.meter.channel, "" if _is_right(curve, name, opened, findings) else "the proposal"
            )
    return None


def _is_right(curve: pd.DataFrame, name: str, opened: OpenedSession, findings: Sequence[Mapping[str, Any]]) -> bool:
    """Whether nothing has to be changed, by the rule of `record.change`; or nothing is proposed."""
    if (curve["flow_proposed_kg_h"] == curve["flow_in_force_kg_h"]).all():
        return True
    limit = opened.car.limits.steady_lambda_error_max_pct
    if name == "meter_curve":
        ends = [
            (f["lower"], f["upper"]) for f in findings if f["id"] == "steady.lambda_error" and f["upper"] is not None
        ]
    else:
        own = curve[curve["basis"] == "pulls"]
        ends = [
            (100 * (low - 1), 100 * (high - 1))
            for low, high in zip(own["factor_lower"], own["factor_upper"], strict=True)
        ]
    lower, upper = ([end[side] for end in ends] for side in (0, 1))
    return bool(ends) and need_of(lower, upper, limit) != "change"


def _settle_first(findings: Sequence[Mapping[str, Any]]) -> str:
    return settle_first([finding["title"] for finding in stops_to_settle(findings)])


def sheet_page(
    opened: OpenedSession, chapters: Sequence[Mapping[str, Any]], findings: Sequence[Mapping[str, Any]]
) -> str:
    """Write the drive plan as one sheet to print and take along; empty where no chapter names a drive."""
    if not _gather(chapters, "drive_next")["tables"]:
        return ""
    cautions = [*cautions_for(opened.car), *_gather(chapters, "cautions")["sentences"]]
    title = f"{opened.car.name}: drive plan after {opened.name}"
    return sheet_html(title, chapters, cautions, first=_settle_first(findings), in_record=True)


def sheet_html(
    title: str,
    chapters: Sequence[Mapping[str, Any]],
    cautions: Sequence[str],
    *,
    first: str,
    in_record: bool = False,
) -> str:
    """Write the sheet from the chapters that name a drive; a caution given twice stands once.

    `first` is what has to be settled before any of it is driven, empty where nothing is at stop. `in_record`: the sheet
    lies beside a record's summary, and leads back to it.
    """
    values = {
        "in_record": in_record,
        "title": title,
        "first": first,
        "plan": _gather(chapters, "drive_next"),
        "cautions": list(dict.fromkeys(cautions)),
    }
    return fill("sheet.html", [], values)


def _about(opened: OpenedSession) -> dict[str, str]:
    session = opened.folder.session
    return {"date": session.date.isoformat(), "revision": session.revision}


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


def _driven(opened: OpenedSession, evidence: Evidence, chapters: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    log, session = evidence.log, opened.folder.session
    samples = log.sizes["time"]
    episodes = int(np.unique(log["episode"].to_numpy()).size) if "episode" in log else 1
    pieces = "in one piece" if episodes == 1 else f"in {episodes} pieces (the link dropped out, or several files)"
    sentences = [
        f"{show_duration(evidence.duration_s)} of log, {samples} samples, {pieces}.",
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


def _log_account(evidence: Evidence) -> str:
    """How much of the log carries no flag, and how many rows were set aside."""
    clean = evidence.flags.set_index("reason").loc["none", "share"]
    aside = len(evidence.set_aside)
    rows = f"{aside} rows of the files were set aside" if aside != 1 else "1 row of the files was set aside"
    return f"{100 * clean:.0f} % of the samples carry no flag, and {rows if aside else 'no row was set aside'}."


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
        "columns": table_item(_with_quantity(evidence.columns)),
        "history": evidence.log.attrs.get("history", "").splitlines(),
    }


def _with_quantity(columns: pd.DataFrame) -> pd.DataFrame:
    """The columns of the files with what each holds, beside the channel's name as channels.toml takes it."""
    shown = columns.copy()
    quantity = [CHANNELS[name].label if name in CHANNELS else "" for name in columns["channel"]]
    shown.insert(list(columns).index("channel"), "quantity", quantity)
    shown.attrs["typed"] = ["channel"]
    return shown


def _provenance(results: Mapping[str, Any]) -> dict[str, Any]:
    files = pd.DataFrame([*results["inputs"], *results["settings"]], columns=["path", "sha256"])
    given = [(n, name, value) for n, own in results["parameters"].items() for name, value in own.items()]
    parameters = [(notebook, name, said(value)) for notebook, name, value in given]
    return {
        "files": table_item(files),
        "parameters": table_item(pd.DataFrame(parameters, columns=["notebook", "parameter", "value"])),
        "versions": ", ".join(f"{name} {number}" for name, number in results["versions"].items()),
        "finished": results["timestamps"]["finished"],
    }


def said(value: Any) -> str:
    """A parameter of a notebook in words: what is not set, an empty list and a list have none of code's signs."""
    if isinstance(value, (list, tuple)):
        return ", ".join(map(said, value)) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "not set" if value in (None, "") else str(value)


def _files(record: Path) -> list[tuple[str, str]]:
    names = [path.relative_to(record).as_posix() for path in sorted(record.rglob("*")) if path.is_file()]
    return [(name, ABOUT.get(name, "")) for name in [*names, "ro-crate-metadata.json"] if name != "index.html"]
