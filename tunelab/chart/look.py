"""How the kit's figures look: a palette of its own that holds on light and dark paper and for colour-blind eyes.

Every tone has a contrast of at least 3 to 1 against both (WCAG 2.2, success criterion 1.4.11), and what a colour
tells, a mark, a dash or a word tells as well.
"""

from __future__ import annotations

import math
from typing import Any

from tunelab.channels import channel

MAIN = "#2b7fa3"  # what was measured or fitted
NEW = "#c0632a"  # what is proposed
OLD = "#858b94"  # what is current
THIRD = "#8571bd"
QUIET = "#878d96"  # flagged: visible, never loud
SHADE = "#b08a3e"  # stretches marked on a trace

SEQUENCE = ("#f1e7cf", "#dfdcc0", "#c4d3bd", "#a4c7bd", "#83b8bd", "#64a8bc")  # little to much, dark text on all
AROUND_ZERO = ("#5f97c4", "#93b8d4", "#c6d6e0", "#ece8df", "#e8cdb4", "#dcab83", "#cb8653")  # below, none, above
CELL_INK = "#1c1f24"

MOST_STRETCH = 3.0  # of an axis for the sake of a reference line
READING_WIDTH = 1200  # pixel columns that a trace is reduced to


def panel(title: str, height: int, **labels: str) -> dict[str, Any]:
    """Options that every panel shares: as wide as the page, hover, title and the axis labels `xlabel`, `ylabel`."""
    return {
        "title": title,
        "responsive": True,
        "height": height,
        "tools": ["hover"],
        "fontsize": {"title": "11pt", "labels": "10pt", "xticks": "9pt", "yticks": "9pt", "legend": "9pt"},
        "show_grid": True,
        "toolbar": "above",
        "padding": (0.03, 0.08),
        "hooks": [finish],
        **labels,
    }


def finish(drawn: Any, element: Any) -> None:
    """Bring every reference line into view or name it at the edge, and give caps the colour of their bars.

    A hook of HoloViews: `drawn` is its plot, `element` what was drawn. An axis is stretched for a line up to
    `MOST_STRETCH` times; a line further away would flatten the data, and is named at the edge instead.
    """
    from bokeh.models import Span, Whisker

    figure = drawn.state
    spans = {"width": figure.y_range, "height": figure.x_range}
    for line in figure.select({"type": Span}):
        _bring_into_view(figure, line, spans[line.dimension])
    for bar in figure.select({"type": Whisker}):
        for head in (bar.lower_head, bar.upper_head):
            if head is not None:
                head.line_color = bar.line_color


def _bring_into_view(figure: Any, line: Any, span: Any) -> None:
    low, high = getattr(span, "start", None), getattr(span, "end", None)
    at = line.location
    if not all(isinstance(v, (int, float)) and math.isfinite(v) for v in (low, high, at)) or high <= low:
        return
    if low < at < high:
        return
    room = 0.04 * (high - low)
    first, last = min(low, at - room), max(high, at + room)
    if last - first <= MOST_STRETCH * (high - low):
        span.update(start=first, end=last, reset_start=first, reset_end=last)
        return
    _name_at_edge(figure, line, above=at >= high)


def _name_at_edge(figure: Any, line: Any, *, above: bool) -> None:
    from bokeh.models import Label, LabelSet

    across = line.dimension == "width"
    text = f"line at {line.location:g}: {'beyond' if above else 'before'} this edge"
    if any(getattr(mark, "text", "") == text for mark in figure.select({"type": (Label, LabelSet)})):
        return
    place = {"x": 8, "y": (figure.height or 300) - 120 if above else 8} if across else {"x": 8, "y": 8}
    figure.add_layout(
        Label(text=text, text_color=line.line_color, text_font_size="9pt", x_units="screen", y_units="screen", **place)
    )


def axis(name: str) -> str:
    """Label of a channel's axis, with its unit."""
    return channel(name).axis_label
