"""A record as the kit leaves it, by its results alone, for tests of what reads records."""

from __future__ import annotations

import json


def write_results(root, session, findings, *, revision="r01", failed=False):
    """A record as the kit leaves it, by its results alone."""
    place = root / "records" / session
    place.mkdir(parents=True)
    results = {
        "schema": "tunelab-results/1", "session": session, "step": "steady", "revision": revision, "inputs": [],
        "settings": [], "versions": {"tunelab": "0.1"}, "parameters": {}, "findings": [vars(f) for f in findings],
        "notebooks": [{"name": "steady", "question": "How wrong?", "failed": failed, "failure": "x" if failed else ""}],
        "timestamps": {"started": "2026-05-03T10:00:00+00:00", "finished": "2026-05-03T10:01:00+00:00"},
    }  # fmt: skip
    (place / "results.json").write_text(json.dumps(results), encoding="utf-8")
    (place / "index.html").write_text(
        "<!doctype html><html lang=en><title>r</title><h1>r</h1></html>", encoding="utf-8"
    )
