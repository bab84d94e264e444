"""results.json: what a record found, in a form that another program reads without guessing."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from tunelab.record.chapter import finite
from tunelab.record.evidence import Evidence
from tunelab.record.execute import Run
from tunelab.record.notebook import Value
from tunelab.record.opened import OpenedSession
from tunelab.record.versions import versions

SCHEMA = "tunelab-results/1"
DIGITS = 7  # significant digits of a finding: more is noise of arithmetic, and differs between processors


def results_data(
    opened: OpenedSession,
    evidence: Evidence,
    chapters: Sequence[Mapping[str, Any]],
    runs: Sequence[tuple[Run, Mapping[str, Value]]],
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


def all_findings(chapters: Sequence[Mapping[str, Any]], runs: Sequence[Run]) -> list[dict[str, Any]]:
    """Findings of all chapters, and one `not_shown` for each notebook that failed."""
    found = [dict(finding) for chapter in chapters for finding in chapter["findings"]]
    return found + [_not_shown(run) for run in runs if run.failed]


def stopped_checks(findings: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Checks of the log against itself that withheld what rests on it, each with its reason."""
    for finding in findings:
        if finding["id"].startswith("consistency.") and finding["status"] == "stop":
            yield f"{finding['title']}: {finding['because']}"


def _not_shown(run: Run) -> dict[str, Any]:
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
