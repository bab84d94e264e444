"""What holds for every finding, whatever study made it; and which findings the code can make, read from the code."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable
from pathlib import Path

from tunelab.study.finding import Finding
from tunelab.workspace.car import Limits

# Findings that may be `met` without an interval, each with its reason.
WITHOUT_INTERVAL = {
    "feasibility.injector_flow": "two numbers that the owner states, held against each other: nothing was measured",
    "feasibility.table_reach": "the table's own ends, compared with full load and rev limit: nothing was measured",
    "feasibility.pull_gear": "a gear counted from the owner's own ratios and limits: nothing was measured",
    "power.standard_day": "a factor computed from the weather that the owner states: nothing was measured",
    "drive_plan.coverage": "a count of cells",
}
GROSS_CHECK = "consistency."  # a check of belief against gross bounds, not a measurement: it has no interval by design
LOWER_IS_WORSE = {"full_throttle.meter_headroom", "full_throttle.battery", "full_throttle.oil_pressure", "link.supply"}
LOWER_IS_WORSE |= {"limits.meter_headroom", "limits.battery", "limits.oil_pressure", "limits.coolant_cold"}
LOWER_IS_WORSE |= {"feasibility.meter_headroom", "feasibility.table_reach", "idle.actuator_margin"}
EITHER_WAY = {"idle.speed_error", "idle.lambda_error", "trims.total", "launch.held_speed", "high_flow.agreement"}
EITHER_WAY |= {"part_throttle.meter_agreement", "part_throttle.lambda_error", "steady.meter", "steady.dead_time"}
EITHER_WAY |= {"steady.table", "steady.halves", "steady.sessions", "steady.banks", "steady.battery"}
# Statements that say what is wrong without a figure that could say how much.
WITHOUT_VALUE = {"launch.zero_speed": "a hold that did not engage never lets go"}

ROOT = Path(__file__).resolve().parents[1] / "tunelab"
_ID = re.compile(r"[a-z][a-z_]*\.[a-z][a-z0-9_]*")
_NO_ID = re.compile(
    r"\.(toml|json|csv|html|nc|md|css|js|zip|parquet|org|dev)$|^(fuelling|record|session|bokeh|ipykernel|scipy|\.\+)\."
)


def assert_holds(finding: Finding) -> None:
    """The rules of every finding: value in its interval, `met` by the whole interval, a reason where nothing shows."""
    value, lower, upper, limit = finding.value, finding.lower, finding.upper, finding.limit
    assert (lower is None) == (upper is None), finding
    assert finding.because, finding
    if finding.status == "not_shown":
        assert (value, lower, upper) == (None, None, None), finding
        return
    assert value is not None or finding.id in WITHOUT_VALUE, finding
    if lower is not None:
        assert lower <= value <= upper, finding
        assert lower < upper, finding
    if finding.status != "met" or finding.id in WITHOUT_INTERVAL or finding.id.startswith(GROSS_CHECK):
        return
    assert lower is not None, finding
    if limit is None:
        return
    if finding.id in LOWER_IS_WORSE:
        assert lower >= limit, finding
    elif finding.id in EITHER_WAY:
        assert max(abs(lower), abs(upper)) <= limit, finding
    else:
        assert upper <= limit, finding


def patterns_of_findings() -> set[str]:
    """What the ids in the code of the studies and of the record look like; `.+` where the code fills in a name."""
    files = [path for room in ("study", "record") for path in (ROOT / room).rglob("*.py")]
    found = {text for path in files for text in _texts(ast.parse(path.read_text(encoding="utf-8")))}
    return {text for text in found if not _NO_ID.search(text.replace("\\", "")) and not _is_limit(text)}


def _texts(tree: ast.Module) -> Iterable[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and _ID.fullmatch(node.value):
            yield re.escape(node.value)
        if isinstance(node, ast.JoinedStr):
            parts = [re.escape(str(p.value)) if isinstance(p, ast.Constant) else ".+" for p in node.values]
            if _ID.fullmatch("".join(parts).replace("\\", "").replace(".+", "x")):
                yield "".join(parts)


def _is_limit(pattern: str) -> bool:
    table, _, key = pattern.replace("\\", "").partition(".")
    return table == "limits" and key in Limits.model_fields
