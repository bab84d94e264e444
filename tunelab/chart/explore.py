"""Figures to look around in a log with: traces, two channels against each other, cells, distributions, events."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import holoviews as hv
import numpy as np
import pandas as pd
import xarray as xr
from holoviews.streams import RangeX, RangeXY

from tunelab.channels import channel
from tunelab.chart.explore_live import Selection, ThinTrace, thin_points, thin_trace, unfading
from tunelab.chart.log import DASHES, reach_of_possible, say_flagged, shade_stretches
from tunelab.chart.look import (
    AROUND_ZERO,
    BY_HAND,
    CELL_INK,
    EDGE,
    MAIN,
    NEW,
    OLD,
    QUIET,
    READING_WIDTH,
    SEQUENCE,
    THIRD,
    axis,
    draw_absent,
    panel,
    reduce_trace,
)
from tunelab.log.flag import channels_of
from tunelab.study.compare_findings import plain
from tunelab.study.explore_cells import Distribution, LoadMap, engine_load, map_channel
from tunelab.study.explore_events import EventSet
from tunelab.workspace.car import Car


def explore_traces(
    log: xr.Dataset, channels: Sequence[str], *, flagged: pd.DataFrame, selection: Selection | None = None
) -> hv.Layout:
    """Channels one below the other over a shared time axis, sharp at every zoom where a kernel runs.

    Parameters
    ----------
    log : Dataset
        Flagged log.
    channels : sequence of str
        Canonical names, top to bottom; those that the log does not have are left out.
    flagged : DataFrame
        What `spans` returned; stretches of the channel "all" are shaded, flagged samples drawn in a quiet tone.
    selection : Selection, optional
        Shared with other figures of the log: a box in any of them marks its samples in all; None: these panels alone.

    Returns
    -------
    Layout
        In a saved page it shows the whole log, thinned to the least and the greatest value of each pixel column.

    Raises
    ------
    ValueError
        The log has none of the channels, or no sample.
    """
    names = [name for name in channels if name in log]
    if not names or log.sizes["time"] < 2:
        raise ValueError(f"the log has none of the channels {', '.join(channels)}, or too few samples to draw.")
    shaded = shade_stretches(log, flagged)
    own = selection or Selection(log)
    panels = [_panel(log, name, shaded, own).opts(xlabel="time [s]" if name == names[-1] else "") for name in names]
    told = say_flagged(log, names)
    panels[0] = panels[0].opts(title=f"{told}; grey or shaded: flagged")
    return hv.Layout(panels).cols(1)


def _panel(log: xr.Dataset, name: str, shaded: hv.Element, selection: Selection) -> hv.Overlay:
    everything, kept = _levels(log, name)
    reach = (everything.times[0][0], everything.times[0][-1])
    lines = hv.DynamicMap(lambda x_range: _lines(everything, kept, name, x_range or reach), streams=[RangeX()])
    marks = selection.points(log, log["time"].to_numpy(), log[name].to_numpy(), ("time", name))
    label = axis(name).replace(" [", "\n[")  # a low panel has no room for both in one line
    options = panel("", 150, ylabel=label, yticks=4, xlim=reach, ylim=reach_of_possible(log, name, 0.1)) | {"tools": []}
    return (shaded * lines * marks).opts(show_legend=False, **options)


def _levels(log: xr.Dataset, name: str) -> tuple[ThinTrace, ThinTrace]:
    """Every sample of a channel, and those that are trusted."""
    time, values = log["time"].to_numpy(), log[name].to_numpy()
    flags = log["sample_flag"].to_numpy() | log[f"{name}_flag"].to_numpy()
    return thin_trace(time, values), thin_trace(time, np.where(flags == 0, values, np.nan))


def _lines(everything: ThinTrace, kept: ThinTrace, name: str, reach: tuple[float, float]) -> hv.Overlay:
    """What is on the screen, with as much again on either side to drag into."""
    room = reach[1] - reach[0]
    start, end = reach[0] - room, reach[1] + room
    quiet = hv.Curve(everything.window(start, end, columns=2 * READING_WIDTH), "time", name)
    loud = hv.Curve(kept.window(start, end, columns=2 * READING_WIDTH), "time", name)
    return quiet.opts(color=QUIET, line_width=1) * loud.opts(color=MAIN, line_width=1.3, tools=["hover"])


PIXELS = 130  # cells across and up of which each keeps one point
ANCHORS = ("274b73", "2b7fa3", "58a79a", "b0a24e", "c0632a")  # little to much, all dark enough on light paper
TONE_COUNT = 48
NO_BOX = f"Over time{BY_HAND}"
Window = tuple[float, float, float, float]


def explore_scatter(log: xr.Dataset, x: str, y: str, *, colour: str, selection: Selection | None = None) -> hv.Layout:
    """Scatter of two channels above, one of them over time below; a box drawn in either marks its samples in both.

    Parameters
    ----------
    log : Dataset
        Flagged log.
    x, y, colour : str
        Channels across, up, and in tones.
    selection : Selection, optional
        Shared with other figures of the log: a box in any of them marks its samples in all; None: these two alone.

    Returns
    -------
    Layout
        The selection needs a running kernel (the tool that draws a box); a saved page shows the figure without one.
        Points are thinned to one per cell of the window on the screen, and show up as one zooms in.

    Raises
    ------
    KeyError
        The log has no such channel; the message names those that it has.
    ValueError
        No sample has both readings.
    """
    for name in (x, y, colour):
        if name not in log:
            raise KeyError(f"the log has no {name}; it has {', '.join(channels_of(log))}.")
    whole = _window_of(log, x, y)
    ends = [f"{plain(whole[k])} to {plain(whole[k + 2])}" for k in (1, 0)]
    title = f"{channel(y).label} against {channel(x).label}, {ends[0]} against {ends[1]}"
    points = hv.DynamicMap(
        lambda x_range, y_range: _points(log, (x, y, colour), _visible(x_range, y_range, whole)), streams=[RangeXY()]
    )
    points = points.opts(
        color=colour,
        cmap=_tones(),
        clim=_tone_range(log[colour].to_numpy()),
        colorbar=True,
        clabel=axis(colour),
        size=4,
        tools=["hover"],
        **unfading(1.0),
        **_without_tools(panel(title, 380, xlabel=axis(x), ylabel=axis(y))),
    )
    own = selection or Selection(log)
    time, across, up = (log[name].to_numpy() for name in ("time", x, y))
    above = points * own.points(log, across, up, (x, y), ring=True)
    trace = thin_trace(time, up)
    lines = hv.DynamicMap(lambda number: draw_under(own.of(log), y, trace), streams=[own.changed])
    below = lines * own.points(log, time, up, ("time", y))
    options = _without_tools(panel("", 230, xlabel="time [s]", ylabel=axis(y)))
    below = below.opts(show_legend=False, **options).apply(
        lambda drawn, number: drawn.opts(title=say_count(own.of(log))), streams=[own.changed]
    )
    return hv.Layout([above, below]).cols(1).opts(shared_axes=False)


def _tones() -> list[str]:
    """Tones from little to much, evenly between the anchors."""
    anchors = np.array([[int(tone[k : k + 2], 16) for k in (0, 2, 4)] for tone in ANCHORS])
    at = np.linspace(0, len(ANCHORS) - 1, TONE_COUNT)
    channels = [np.interp(at, np.arange(len(ANCHORS)), anchors[:, k]).round().astype(int) for k in range(3)]
    return [f"#{red:02x}{green:02x}{blue:02x}" for red, green, blue in zip(*channels, strict=True)]


def _tone_range(values: np.ndarray) -> tuple[float, float]:
    """Range of the tones: all but the outermost percent on either side, so that a spike does not flatten the rest."""
    known = values[np.isfinite(values)]
    some = known[:: max(1, known.size // 100_000)]
    return tuple(np.quantile(some, (0.01, 0.99)).tolist()) if some.size else (0.0, 1.0)


def _without_tools(options: dict) -> dict:
    return {key: value for key, value in options.items() if key != "tools"}


def _window_of(log: xr.Dataset, x: str, y: str) -> Window:
    across, up = log[x].to_numpy(), log[y].to_numpy()
    known = np.isfinite(across) & np.isfinite(up)
    if not known.any():
        raise ValueError(f"no sample of the log has both {x} and {y}.")
    return (across[known].min(), up[known].min(), across[known].max(), up[known].max())


def _visible(x_range: tuple | None, y_range: tuple | None, whole: Window) -> Window:
    """Window on the screen, or the whole of it before anyone has zoomed."""
    if not x_range or not y_range or None in (*x_range, *y_range):
        return whole
    return (min(x_range), min(y_range), max(x_range), max(y_range))


def _points(log: xr.Dataset, names: tuple[str, str, str], window: Window) -> hv.Points:
    x, y, colour = names
    rows = thin_points(log[x].to_numpy(), log[y].to_numpy(), window, pixels=PIXELS)
    columns = {name: log[name].to_numpy()[rows] for name in (x, y, colour)}
    return hv.Points({**columns, "time": log["time"].to_numpy()[rows]}, [x, y], list(dict.fromkeys([colour, "time"])))


def say_count(inside: np.ndarray) -> str:
    """Title of the figure below: how many samples the latest box took."""
    return f"{int(inside.sum())} of {inside.size} samples in the box" if inside.any() else NO_BOX


def draw_under(inside: np.ndarray, y: str, trace: ThinTrace) -> hv.Overlay:
    """One channel over time, quiet where marks are to lie on it."""
    shown, none = trace.window(trace.times[0][0], trace.times[0][-1], columns=READING_WIDTH), (np.empty(0), np.empty(0))
    # a figure that stands takes new rows, but no new tone: so one line for each, and the other is empty
    plain = hv.Curve(none if inside.any() else shown, "time", y).opts(color=MAIN, line_width=1)
    quiet = hv.Curve(shown if inside.any() else none, "time", y).opts(color=QUIET, line_width=1)
    return plain * quiet


CORNERS = ["speed_from_rpm", "load_from", "speed_to_rpm", "load_to"]
COLOURS = (MAIN, NEW, THIRD, OLD)
AXES = ("engine_speed_rpm", "load")
MOST_LABELS = 250  # cells that carry a number
EVENT_COLUMNS = 300  # pixel columns of one event's trace


def explore_load_map(
    log: xr.Dataset, name: str, car: Car, *, speed_step_rpm: float, loads: int, selection: Selection
) -> hv.Layout:
    """Mean of a channel in cells of speed and load, as number and tone; below it the spread; counts on hover.

    The selected samples are on it, and a box over either part selects.

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


def _shades(column: str, name: str, table: pd.DataFrame) -> dict[str, Any]:
    """Tones of a map: little to much; of a mean lambda rich to lean, with 1 in the middle."""
    if column != "mean" or not name.startswith("lambda") or table.empty:
        return {"cmap": list(SEQUENCE)}
    reach = max(float((table[column] - 1.0).abs().max()), 0.01)
    return {"cmap": list(AROUND_ZERO), "clim": (1.0 - reach, 1.0 + reach)}


def _cells(column: str, title: str, cells: LoadMap, marks: list[hv.DynamicMap]) -> hv.Overlay | hv.DynamicMap:
    table = cells.table()
    table = table[np.isfinite(table[column])]
    values = [column, *(name for name in ("count", "mean", "spread") if name != column)]
    boxes = hv.Rectangles(table, CORNERS, values).opts(
        color=column, colorbar=True, tools=["hover"], **EDGE,
        **_shades(column, cells.channel, table), **unfading(1.0),
    )  # fmt: skip
    places = _places(table[column].to_numpy(), 3 if column == "mean" else 2)
    middle = pd.DataFrame(
        {
            "x": (table["speed_from_rpm"] + table["speed_to_rpm"]) / 2,
            "y": (table["load_from"] + table["load_to"]) / 2,
            "text": [f"{value:.{places}f}" for value in table[column]],
        }
    )
    labels = hv.Labels(middle.head(0 if len(table) > MOST_LABELS else None), ["x", "y"], "text")
    ends = (
        f", {plain(table[column].min())} to {plain(table[column].max())} over {len(table)} cells" if len(table) else ""
    )
    options = panel(f"{title}{ends}", 340, xlabel=axis("engine_speed_rpm"), ylabel=cells.load_label) | {"padding": 0}
    drawn = boxes * labels.opts(text_color=CELL_INK, text_font_size="7pt")
    for layer in marks:
        drawn = drawn * layer
    return drawn.opts(show_legend=False, **options)


def _places(values: np.ndarray, digits: int) -> int:
    """Decimals that leave the largest of some values so many digits, the same for all of them."""
    most = float(np.abs(values).max()) if values.size else 0.0
    return max(0, digits - 1 - math.floor(math.log10(most))) if most > 0 else 0


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
    count = spread.trusted.sum()
    most = int(np.argmax(spread.trusted))
    told = f": most trusted readings at {plain(spread.edges[most])} to {plain(spread.edges[most + 1])}" if count else ""
    options = panel(f"Distribution of {channel(name).label}{told}", 280, xlabel=axis(name), ylabel="readings")
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
