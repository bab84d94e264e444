"""A channel over speed and load, its distribution, and events of several sessions laid over each other."""

from __future__ import annotations

from collections.abc import Callable

import holoviews as hv
import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.chart.absent import draw_absent
from tunelab.chart.explore_live import Selection, unfading
from tunelab.chart.look import CELL_INK, MAIN, NEW, OLD, QUIET, SEQUENCE, THIRD, axis, panel
from tunelab.chart.reduce import reduce_trace
from tunelab.study.explore import Distribution, EventSet, LoadMap, engine_load, map_channel
from tunelab.workspace.car import Car

CORNERS = ["speed_from_rpm", "load_from", "speed_to_rpm", "load_to"]
COLOURS = (MAIN, NEW, THIRD, OLD)
DASHES = ("solid", "dashed", "dotted", "dotdash")
AXES = ("engine_speed_rpm", "load")
MOST_LABELS = 250  # cells that carry a number
EVENT_COLUMNS = 300  # pixel columns of one event's trace


def draw_load_map(cells: LoadMap) -> hv.Layout:
    """Mean of a channel in cells of speed and load, as number and tone; below it the spread; counts on hover."""
    return _draw_map(cells, lambda: [])


def explore_load_map(
    log: xr.Dataset, name: str, car: Car, *, speed_step_rpm: float, loads: int, selection: Selection
) -> hv.Layout:
    """Map of a channel as `draw_load_map`, with the selected samples on it; a box over either part selects.

    Parameters
    ----------
    log : Dataset
        Flagged log, or the stretch of it that is looked at.
    name, car : str, Car
        The channel; the car, whose displacement makes load of airflow.
    speed_step_rpm, loads : float, int
        Cells, as `map_channel` takes them.
    selection : Selection
        Shared with other figures of the log.
    """
    load = engine_load(log, car)
    cells = map_channel(log, name, load, speed_step_rpm=speed_step_rpm, loads=loads)
    return _draw_map(cells, lambda: [selection.points(log, log["engine_speed_rpm"].to_numpy(), load.values, AXES)])


def _draw_map(cells: LoadMap, marks: Callable[[], list[hv.DynamicMap]]) -> hv.Layout:
    label = channel(cells.channel).label
    if cells.because:
        return hv.Layout([draw_absent(f"{label} over speed and load", cells.because)])
    top = _cells("mean", f"{label}: mean", cells, marks())
    below = _cells("spread", f"{label}: standard deviation within a cell", cells, marks())
    return hv.Layout([top, below]).cols(1)


def _cells(column: str, title: str, cells: LoadMap, marks: list[hv.DynamicMap]) -> hv.Overlay | hv.DynamicMap:
    table = cells.table()
    table = table[np.isfinite(table[column])]
    values = [column, *(name for name in ("count", "mean", "spread") if name != column)]
    boxes = hv.Rectangles(table, CORNERS, values).opts(
        color=column, cmap=list(SEQUENCE), colorbar=True, line_color="white", line_width=0.6, tools=["hover"],
        **unfading(1.0),
    )  # fmt: skip
    middle = pd.DataFrame(
        {
            "x": (table["speed_from_rpm"] + table["speed_to_rpm"]) / 2,
            "y": (table["load_from"] + table["load_to"]) / 2,
            "text": [f"{value:.3g}" if np.isfinite(value) else "" for value in table[column]],
        }
    )
    labels = hv.Labels(middle.head(0 if len(table) > MOST_LABELS else None), ["x", "y"], "text")
    options = panel(title, 340, xlabel=axis("engine_speed_rpm"), ylabel=cells.load_label) | {"padding": 0}
    drawn = boxes * labels.opts(text_color=CELL_INK, text_font_size="7pt")
    for layer in marks:
        drawn = drawn * layer
    return drawn.opts(show_legend=False, **options)


def draw_distribution(
    spread: Distribution, *, log: xr.Dataset | None = None, selection: Selection | None = None
) -> hv.Overlay:
    """Readings of a channel by value: trusted ones filled, flagged ones in a quiet tone on top of them.

    With `log`, which the distribution was made from, and `selection` those in a box of any figure are counted too.
    """
    both = spread.trusted + spread.flagged
    name = spread.channel
    quiet = hv.Histogram((spread.edges, both), kdims=name, label="flagged")
    loud = hv.Histogram((spread.edges, spread.trusted), kdims=name, label="trusted")
    options = panel(f"Distribution of {channel(name).label}", 280, xlabel=axis(name), ylabel="readings")
    marks = quiet.opts(color=QUIET, line_alpha=0, **unfading(0.7)) * loud.opts(
        color=MAIN, line_alpha=0, tools=["hover"], **unfading(1.0)
    )
    if log is not None and selection is not None:
        marks = marks * selection.counts(log, name, spread.edges)
    return marks.opts(legend_position="top_right", **(options | {"tools": []}))


def draw_events_aligned(events: EventSet) -> hv.Overlay:
    """Every event's trace on a time that begins with the event; a colour and a dash for each session."""
    if not events.traces:
        return draw_absent("Events laid over each other", events.because)
    sessions = list(dict.fromkeys(trace.session for trace in events.traces))
    curves, named = [], set()
    for trace in events.traces:
        number = sessions.index(trace.session)
        points = reduce_trace(trace.time_s, trace.values, EVENT_COLUMNS)
        label = {} if trace.session in named else {"label": trace.session}
        named.add(trace.session)
        curve = hv.Curve(points, "since", events.channel, **label)
        dash, colour = DASHES[number % len(DASHES)], COLOURS[number % len(COLOURS)]
        curves.append(curve.opts(color=colour, line_dash=dash, line_width=1.4, tools=["hover"]))
    start = hv.VLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    options = panel(
        f"Each {events.kind} ({len(curves)}), laid over each other at its start",
        360,
        xlabel="time since the start [s]",
        ylabel=axis(events.channel),
    )
    return hv.Overlay([start, *curves]).opts(legend_position="bottom", legend_cols=1, **(options | {"tools": []}))
