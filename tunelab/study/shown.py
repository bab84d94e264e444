"""How a result shows itself when its name is typed: its own table, in JupyterLab as one, elsewhere as text."""

from __future__ import annotations

import html
from typing import Any, TypeVar

import pandas as pd

Result = TypeVar("Result", bound=type)
ROWS = 30  # shown of a longer table
WIDTH = 120  # of a line of text


def shows_its_table(kind: Result) -> Result:
    """Let a result's `repr` be its `summary()`, or its `table()` where it has no summary, with why anything is missing.

    A class decorator, above `@dataclass`. Long tables are cut in the middle, and say so.
    """
    kind.__repr__ = _as_text  # type: ignore[attr-defined,method-assign]
    kind._repr_html_ = _as_html  # type: ignore[attr-defined]
    return kind


def _as_text(result: Any) -> str:
    table = _table(result).to_string(max_rows=ROWS, max_colwidth=60, line_width=WIDTH)
    return "\n".join([type(result).__name__, table, *_reason(result)])


def _as_html(result: Any) -> str:
    with pd.option_context("display.max_colwidth", 200):
        table = _table(result).to_html(max_rows=ROWS, border=0)
    return table + "".join(f"<p>{html.escape(text)}</p>" for text in _reason(result))


def _table(result: Any) -> pd.DataFrame:
    return result.summary() if hasattr(result, "summary") else result.table()


def _reason(result: Any) -> list[str]:
    because = getattr(result, "because", "")
    return [because] if because else []
