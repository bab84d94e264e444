"""Tables as CSV that opens in any spreadsheet and runs nothing there."""

from __future__ import annotations

import csv
import io
import math
import re
from pathlib import Path
from typing import Any

import pandas as pd

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
READINGS = ("meter_v", "meter_hz", "meter_counts")
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
