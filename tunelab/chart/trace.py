"""Figures of the log itself: channels over time, and what is flagged when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import holoviews as hv
import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.chart.look import MAIN, QUIET, READING_WIDTH, SHADE, axis, draw_absent, panel, reduce_trace
from tunelab.log.flag import NOT_LOGGED

EVENT_REASONS = ("spike", "gap", "stale", "fuel_cut", "rail", "out_of_range", "missing", "excluded")
EVENT_S = 8.0  # full-rate window round an event
EVENT_CHANNELS = ("lambda_measured", "engine_speed_rpm")  # drawn where a reason concerns the whole sample


@dataclass(frozen=True)
class Window:
    """A stretch of the log that is worth a look at full rate."""

    title: str
    channel: str
    start_s: float
    end_s: float


def draw_trace(
    log: xr.Dataset, channels: Sequence[str], *, flagged: pd.DataFrame, window: tuple[float, float] | None = None
) -> hv.Layout:
    """Channels one below the other over a shared time axis; flagged samples in a quiet tone, whole stretches shaded.

    Parameters
    ----------
    log : Dataset
        Flagged log; channels that it does not have are left out.
    channels : sequence of str
        Canonical names, top to bottom.
    flagged : DataFrame
        What `spans` returned; stretches of the channel "all" are shaded.
    window : pair of float, optional
        Start and end [s]; None: the whole log. What is longer than 2400 samples is thinned to the least and the
        greatest value of each pixel column.

    Raises
    ------
    ValueError
        The log has none of the channels.
    """
    names = [name for name in channels if name in log]
    if not names:
        raise ValueError(f"the log has none of the channels {', '.join(channels)}.")
    part = log if window is None else log.sel(time=slice(*window))
    shaded = shade_stretches(part, flagged)
    panels = [
        _channel_panel(part, name, shaded, "", 130).opts(ylim=reach_of_trusted(part, name)) for name in names[:-1]
    ]
    last = _channel_panel(part, names[-1], shaded, "", 170)
    panels.append(last.opts(xlabel="time [s]", ylim=reach_of_trusted(part, names[-1])))
    panels[0].opts(title=f"{say_flagged(part, names)}; flagged samples are grey, flagged stretches shaded", height=150)
    return hv.Layout(panels).cols(1)


def say_flagged(log: xr.Dataset, names: Sequence[str]) -> str:
    """Which of the drawn channels has most readings flagged, and what share of them."""
    shares = {}
    for name in names:
        known = np.isfinite(log[name].to_numpy())
        left = np.isfinite(_trusted(log, name))
        shares[name] = 100 * (1 - left.sum() / known.sum()) if known.any() else 0.0
    most = max(shares, key=lambda name: shares[name])
    if not shares[most] > 0:
        return "Nothing is flagged here"
    return f"Most flagged: {channel(most).label}, {shares[most]:.0f} %"


def _channel_panel(log: xr.Dataset, name: str, shaded: hv.Element, title: str, height: int) -> hv.Overlay:
    """One channel: all samples in a quiet tone, and the trusted ones over it."""
    time, values, trusted = log["time"].to_numpy(), log[name].to_numpy(), _trusted(log, name)
    everything = hv.Curve(reduce_trace(time, values, READING_WIDTH), "time", name).opts(color=QUIET, line_width=1)
    kept = hv.Curve(reduce_trace(time, trusted, READING_WIDTH), "time", name).opts(
        color=MAIN, line_width=1.3, tools=["hover"]
    )
    options = panel(title, height, xlabel="", ylabel=axis(name))
    return (shaded * everything * kept).opts(show_legend=False, **(options | {"tools": []}))


def _trusted(log: xr.Dataset, name: str) -> np.ndarray:
    flags = log["sample_flag"].to_numpy() | log[f"{name}_flag"].to_numpy()
    return np.where(flags == 0, log[name].to_numpy(), np.nan)


def reach_of_own(log: xr.Dataset, name: str) -> tuple[float, float] | tuple[None, None]:
    """Range that holds all readings that carry no flag of their channel's own: whole drives count, spikes do not."""
    own = log[name].to_numpy()
    flags = log[f"{name}_flag"].to_numpy() if f"{name}_flag" in log else np.zeros(own.shape, dtype=int)
    return _reach_of(own[(flags == 0) & np.isfinite(own)])


def reach_of_trusted(log: xr.Dataset, name: str) -> tuple[float, float] | tuple[None, None]:
    """Range of a panel: what is trusted and some room; a spike beyond runs out of the panel and flattens nothing."""
    trusted = _trusted(log, name)
    return _reach_of(trusted[np.isfinite(trusted)])


def _reach_of(known: np.ndarray) -> tuple[float, float] | tuple[None, None]:
    if not known.size:
        return (None, None)
    low, high = float(known.min()), float(known.max())
    room = 0.2 * (high - low) or 0.05 * abs(high) or 1.0
    return (low - room, high + room)


def shade_stretches(log: xr.Dataset, flagged: pd.DataFrame) -> hv.Element:
    """Shade stretches that concern whole samples; those that would touch on the screen are drawn as one."""
    time = log["time"].to_numpy()
    first, last = (float(time[0]), float(time[-1])) if time.size else (0.0, 0.0)
    whole = flagged[(flagged["channel"] == "all") & (flagged["end_s"] >= first) & (flagged["start_s"] <= last)]
    starts, ends = _join(whole["start_s"].to_numpy(), whole["end_s"].to_numpy(), (last - first) / READING_WIDTH)
    return hv.VSpans((starts, ends), ["start", "end"]).opts(color=SHADE, alpha=0.16, line_alpha=0)


def _join(starts: np.ndarray, ends: np.ndarray, gap: float) -> tuple[list[float], list[float]]:
    joined: list[list[float]] = []
    for start, end in sorted(zip(starts.tolist(), ends.tolist(), strict=True)):
        if joined and start <= joined[-1][1] + gap:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end])
    return [row[0] for row in joined], [row[1] for row in joined]


def event_windows(log: xr.Dataset, flagged: pd.DataFrame, count: int) -> list[Window]:
    """Choose stretches to look at in full: the longest of each kind of event, at most `count`, in the order of time."""
    windows: list[Window] = []
    for reason in EVENT_REASONS:
        rows = flagged[flagged["reason"] == reason]
        if len(rows) and len(windows) < count:
            row = rows.loc[rows["samples"].idxmax()]
            window = _window(log, reason, str(row["channel"]), float(row["start_s"]))
            if not any(_alike(window, other) for other in windows):
                windows.append(window)
    return sorted(windows, key=lambda window: window.start_s)


def _alike(one: Window, other: Window) -> bool:
    return one.channel == other.channel and abs(one.start_s - other.start_s) < EVENT_S / 4


def _window(log: xr.Dataset, reason: str, name: str, start_s: float) -> Window:
    if name == "all":
        name = next((n for n in EVENT_CHANNELS if n in log), "engine_speed_rpm")
    title = f"{reason.replace('_', ' ')} at {start_s:.1f} s, {channel(name).label}"
    return Window(title, name, start_s - EVENT_S / 2, start_s + EVENT_S / 2)


def draw_events(log: xr.Dataset, windows: Sequence[Window], *, flagged: pd.DataFrame) -> hv.Layout:
    """One panel for each window, at the log's full rate, with its own time axis."""
    panels = []
    for window in windows:
        part = log.sel(time=slice(window.start_s, window.end_s))
        if window.channel in part and part.sizes["time"] > 1:
            panels.append(
                _channel_panel(part, window.channel, shade_stretches(part, flagged), window.title, 170).opts(
                    xlabel="time [s]"
                )
            )
    if not panels:
        return hv.Layout([draw_absent("Events in full", "the log holds no event to look at.")]).cols(1)
    return hv.Layout(panels).cols(1).opts(shared_axes=False)


def draw_flags(log: xr.Dataset, flagged: pd.DataFrame) -> hv.Element:
    """One row for each reason: when samples are flagged, whatever the channel; channels never logged are left out."""
    flagged = flagged[flagged["note"] != NOT_LOGGED]
    time = log["time"].to_numpy()
    reach = float(time[-1] - time[0]) if time.size else 0.0
    reasons = [reason for reason in dict.fromkeys(flagged["reason"]) if reason]
    if not reasons:
        return draw_absent("What is flagged, and when", "no sample is flagged.")
    rows = []
    for row, reason in enumerate(reasons):
        some = flagged[flagged["reason"] == reason]
        starts, ends = _join(some["start_s"].to_numpy(), some["end_s"].to_numpy(), reach / READING_WIDTH)
        rows += [(a, row - 0.3, b, row + 0.3, reason) for a, b in zip(starts, ends, strict=True)]
    table = pd.DataFrame(rows, columns=["start_s", "bottom", "end_s", "top", "reason"])
    bars = hv.Rectangles(table, ["start_s", "bottom", "end_s", "top"], ["reason"])
    ticks = [(row, reason.replace("_", " ")) for row, reason in enumerate(reasons)]
    title = f"What is flagged, and when: {_most_flagged(flagged)}"
    options = panel(title, 90 + 26 * len(reasons), xlabel="time [s]", ylabel="")
    return bars.opts(color=MAIN, line_color=MAIN, line_width=1, yticks=ticks, xlim=_reach(time), **options)


def _most_flagged(flagged: pd.DataFrame) -> str:
    seconds = (flagged["end_s"] - flagged["start_s"]).groupby(flagged["reason"]).max()
    return f"the longest stretch is {seconds.idxmax().replace('_', ' ')}, {seconds.max():.0f} s"


def _reach(time: np.ndarray) -> tuple[float, float]:
    return (float(time[0]), float(time[-1])) if time.size else (0.0, 1.0)
