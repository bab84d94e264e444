"""records/index.html: every record of a workspace with its verdicts, and how the numbers have moved."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tunelab.record.display import show_number
from tunelab.record.held import held
from tunelab.record.page import fill
from tunelab.record.stored import RECORDS, StoredRecord, stored_records
from tunelab.record.whole import write_whole
from tunelab.study.cautions import cautions_for
from tunelab.study.readiness.judge import NO_CERTIFICATE
from tunelab.workspace import Workspace, open_usable

TRENDS_SHOWN = 12
WORST_FIRST = ("stop", "watch", "not_shown", "met", "measured")
WIDE, HIGH, EDGE = 240, 56, 6  # of a trend, in units of its drawing


def write_shelf(root: Path) -> Path:
    """Write `records/index.html` of a workspace; returns it.

    Raises
    ------
    WorkspaceError
        The workspace cannot be used as it stands.
    """
    workspace = open_usable(root)
    target = workspace.root / RECORDS / "index.html"
    target.parent.mkdir(parents=True, exist_ok=True)
    with held(target.parent):  # of two runs the later one sees what the other has put there
        records, left_out = stored_records(workspace)
        return write_whole(target, shelf_page(workspace, records, left_out))


def shelf_page(workspace: Workspace, records: Sequence[StoredRecord], left_out: Sequence[str]) -> str:
    """Fill the page."""
    done = {record.session for record in records}
    decisions = workspace.root / RECORDS / "decisions" / "index.html"
    values = {
        "title": f"{workspace.car.name}: all records",
        "records": [_row(record) for record in reversed(records)],
        "trends": _trends(records),
        "unrecorded": sorted(name for name, folder in workspace.sessions.items() if name not in done and folder.files),
        "left_out": list(left_out),
        "cautions": [NO_CERTIFICATE, *cautions_for(workspace.car)],
        "decisions": decisions.is_file(),
    }
    return fill("shelf.html", [], values)


def _row(record: StoredRecord) -> dict[str, Any]:
    counts = Counter(finding.word for finding in record.findings)
    worst = next((status for status in WORST_FIRST if counts[status]), "not_shown")
    first = [finding.title for finding in record.findings if finding.word == worst]
    return {
        "name": record.name,
        "date": record.date.isoformat(),
        "steps": ", ".join(record.folder.session.steps),
        "revision": record.revision,
        "worst": worst,
        "counts": [(status, counts[status]) for status in WORST_FIRST if counts[status]],
        "about": "; ".join(first[:3]) + (f"; and {len(first) - 3} more" if len(first) > 3 else ""),
        "failed": record.failed,
    }


def _trends(records: Sequence[StoredRecord]) -> list[dict[str, Any]]:
    """Findings that at least two records show, first those that most of them do; no checks of a log against itself."""
    ids = dict.fromkeys(f.id for record in records for f in record.findings if not f.id.startswith("consistency."))
    found = []
    for name in ids:
        shown = [(r, f) for r in records for f in [r.finding(name)] if f is not None and f.value is not None]
        if len(shown) >= 2:
            found.append(shown)
    found.sort(key=lambda shown: -len(shown))
    return [_trend(shown) for shown in found[:TRENDS_SHOWN]]


def _trend(shown: list) -> dict[str, Any]:
    last = shown[-1][1]
    unit = "" if last.unit == "1" else last.unit
    values = [finding.value for _, finding in shown]
    text = ", ".join(f"{record.date.isoformat()} {show_number(float(f'{f.value:.3g}'))}" for record, f in shown)
    return {
        "title": last.title,
        "unit": unit,
        "status": last.word,
        "text": text,
        "points": _points(values, last.limit),
        "limit": _points([last.limit, *values], None)[0][1] if last.limit is not None else None,
        "wide": WIDE,
        "high": HIGH,
    }


def _points(values: Sequence[float], limit: float | None) -> list[tuple[float, float]]:
    """Place values in a trend's drawing from left to right, the largest of them and the limit at its top."""
    inside = [*values, *([] if limit is None else [limit])]
    low, high = min(inside), max(inside)
    step = (WIDE - 2 * EDGE) / max(len(values) - 1, 1)
    rise = (HIGH - 2 * EDGE) / ((high - low) or 1.0)
    return [(round(EDGE + k * step, 1), round(HIGH - EDGE - (v - low) * rise, 1)) for k, v in enumerate(values)]
