"""Traces of a log to look around in: thinned anew for whatever stretch is on the screen."""

from __future__ import annotations

from collections.abc import Sequence

import holoviews as hv
import numpy as np
import pandas as pd
import xarray as xr
from holoviews.streams import RangeX

from tunelab.chart.explore_live import Selection
from tunelab.chart.explore_thin import ThinTrace, thin_trace
from tunelab.chart.look import MAIN, QUIET, READING_WIDTH, axis, panel
from tunelab.chart.trace import shade_stretches
from tunelab.log.flag import MASKS

IMPOSSIBLE = MASKS["spike"] | MASKS["out_of_range"]


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
    panels[0] = panels[0].opts(title="Zoom or drag; flagged samples are grey, flagged stretches shaded")
    return hv.Layout(panels).cols(1)


def _panel(log: xr.Dataset, name: str, shaded: hv.Element, selection: Selection) -> hv.Overlay:
    everything, kept = _levels(log, name)
    reach = (everything.times[0][0], everything.times[0][-1])
    lines = hv.DynamicMap(lambda x_range: _lines(everything, kept, name, x_range or reach), streams=[RangeX()])
    marks = selection.points(log, log["time"].to_numpy(), log[name].to_numpy(), ("time", name))
    options = panel("", 150, ylabel=axis(name), xlim=reach, ylim=_reach_of(log, name)) | {"tools": []}
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


def _reach_of(log: xr.Dataset, name: str) -> tuple[float | None, float | None]:
    """Range of a panel: everything that may be true, and some room; a spike runs out of the panel."""
    values, flags = log[name].to_numpy(), log[f"{name}_flag"].to_numpy()
    possible = np.isfinite(values) & ((flags & IMPOSSIBLE) == 0)
    if not possible.any():
        return (None, None)
    low, high = float(values[possible].min()), float(values[possible].max())
    room = 0.1 * (high - low) or 0.05 * abs(high) or 1.0
    return (low - room, high + room)
