"""Two channels against each other, coloured by a third, with a selection that shows where in the log it lies."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import xarray as xr
from holoviews.streams import RangeXY

from tunelab.channels import channel
from tunelab.chart.explore_live import Selection, unfading
from tunelab.chart.explore_thin import ThinTrace, thin_points, thin_trace
from tunelab.chart.look import MAIN, QUIET, READING_WIDTH, axis, panel
from tunelab.log.flag import channels_of

PIXELS = 130  # cells across and up of which each keeps one point
ANCHORS = ("274b73", "2b7fa3", "58a79a", "b0a24e", "c0632a")  # little to much, all dark enough on light paper
TONE_COUNT = 48
NO_BOX = "Over time; a box drawn in any figure marks its samples"
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
        **_without_tools(panel(f"{channel(y).label} against {channel(x).label}", 380, xlabel=axis(x), ylabel=axis(y))),
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
