"""Published check values for the tests: `data/check_values.toml`, figures with their sources, read by group.

`source_kind` tells what an entry is worth: opened (printed in a document that was opened), formula_opened, memory
(recalled, not opened), formula_memory, computed (a reference library), definition, common_practice (no source).
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest


@cache
def entries() -> dict[str, dict]:
    """All entries by id."""
    text = (Path(__file__).parent / "data" / "check_values.toml").read_text(encoding="utf-8")
    return {entry["id"]: entry for entry in tomllib.loads(text)["check"]}


def matching(prefix: str) -> list:
    """Entries whose id starts with `prefix`, as parameters of a test; at least one, or the test is not there."""
    found = [pytest.param(entry, id=name) for name, entry in entries().items() if name.startswith(prefix)]
    if not found:
        raise LookupError(f"no check value begins with {prefix!r}.")
    return found


def assert_agrees(value, entry: dict, *, in_unit: float = 1.0) -> None:
    """Hold a value against an entry, within the entry's own tolerance; `in_unit` multiplies the value first."""
    np.testing.assert_allclose(
        np.asarray(value) * in_unit,
        entry["expected"],
        rtol=entry.get("rel_tol", 0.0),
        atol=entry.get("abs_tol", 0.0),
        err_msg=f"{entry['id']}: {entry['quantity']}; {entry['source']}",
    )
