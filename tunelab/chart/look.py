"""How the kit's figures look, what stands where there is nothing to draw, and how a trace is thinned to the screen.

Every tone has a contrast of at least 3 to 1 against both (WCAG 2.2, success criterion 1.4.11), and what a colour
tells, a mark, a dash or a word tells as well.
"""

from __future__ import annotations

import math
import textwrap
from typing import Any

import holoviews as hv
import numpy as np

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
BY_HAND = "; a box drawn in any figure marks its samples"  # ends a title where a notebook runs; pages leave it out
EDGE = {"line_color": "white", "line_width": 0.8}  # between cells; in ink it would read as an outline on paper
# Statuses, each with its word beside it.
STATUS_TONES = {"met": "#2a8c7d", "watch": "#b07a1e", "stop": "#cf4a63"}

MOST_STRETCH = 3.0  # of an axis for the sake of a reference line
READING_WIDTH = 1200  # pixel columns that a trace is reduced to


def panel(title: str, height: int, **labels: Any) -> dict[str, Any]:
    """Options that every panel shares: as wide as the page, hover, title and further options such as `xlabel`."""
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
    from bokeh.models.annotations import Span, TeeHead, Whisker

    figure = drawn.state
    spans = {"width": figure.y_range, "height": figure.x_range}
    for part in figure.references():  # gathered once: it takes as long as drawing a line
        if isinstance(part, Span):
            _bring_into_view(figure, part, spans[part.dimension])
        elif isinstance(part, Whisker):
            for head in (part.lower_head, part.upper_head):
                if isinstance(head, TeeHead):
                    head.line_color = part.line_color


def _bring_into_view(figure: Any, line: Any, span: Any) -> None:
    low: Any = getattr(span, "start", None)
    high: Any = getattr(span, "end", None)
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
    from bokeh.models.annotations import Label, LabelSet

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


LINE = 46  # letters of a line: what a phone's page is wide


def draw_absent(title: str, because: str) -> hv.Overlay:
    """Give the reason in words where a figure would stand."""
    lines = textwrap.wrap(f"Not shown: {because}", LINE)
    bare = {"show_grid": False, "xaxis": None, "yaxis": None}
    text = hv.Text(0.5, 0.5, "\n".join(lines)).opts(color=OLD, text_font_size="10pt", **bare)
    options = panel(f"{title}: not shown", 60 + 20 * len(lines), xlabel="", ylabel="") | {
        "tools": [],
        "toolbar": None,
        **bare,
    }
    return hv.Overlay([text]).opts(show_legend=False, xlim=(0, 1), ylim=(0, 1), **options)


BREAK_STEPS = 10.0  # a pause of so many usual steps breaks the line


def reduce_trace(time: np.ndarray, values: np.ndarray, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Keep the least and the greatest value of each pixel column, in the order of time.

    Parameters
    ----------
    time : array, shape (n,)
        Rising. [s]
    values : array, shape (n,)
        NaN where there is no reading.
    columns : int
        Pixel columns over the whole span.

    Returns
    -------
    time, values : arrays, shape (m,)
        m is at most about twice `columns`, and n where that is enough already; NaN wherever the line must break: at a
        pause, and where a whole column, or both neighbours of a kept sample, have no reading.
    """
    kept = np.arange(time.size) if time.size <= 2 * columns else _extremes(time, values, columns)
    breaks = _breaks(time, values)
    group = np.searchsorted(breaks, kept, side="right")
    cut = np.flatnonzero(np.diff(group)) + 1
    kept_time, kept_values = time[kept].astype(float), values[kept].astype(float)
    return np.insert(kept_time, cut, kept_time[cut - 1]), np.insert(kept_values, cut, np.nan)


def _extremes(time: np.ndarray, values: np.ndarray, columns: int) -> np.ndarray:
    """Positions of the least and the greatest value in each column, each once, rising; shape (m,)."""
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return known
    share = (time[known] - time[0]) / (time[-1] - time[0])
    column = np.minimum((share * columns).astype(int), columns - 1)
    order = np.lexsort((values[known], column))
    first = np.flatnonzero(np.diff(column[order], prepend=-1))
    last = np.append(first[1:], order.size) - 1
    return np.unique(known[order[np.concatenate([first, last])]])


def _breaks(time: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Positions before which the line breaks: after a pause, and on either side of missing readings."""
    step = np.diff(time)
    pause = np.zeros(0, dtype=int) if not step.size else np.flatnonzero(step > BREAK_STEPS * np.median(step)) + 1
    missing = ~np.isfinite(values)
    return np.union1d(pause, np.flatnonzero(np.diff(missing)) + 1)
