"""Figures of launches: every launch on its own zero, times with intervals, drivers against each other."""

from __future__ import annotations

from collections.abc import Sequence

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.look import MAIN, NEW, OLD, THIRD, axis, panel
from tunelab.chart.manners import nothing_to_draw
from tunelab.study.launch import LaunchStudy

LOOKS = (
    (MAIN, "circle", "solid"),
    (NEW, "square", "dashed"),
    (THIRD, "triangle", "dotted"),
    (OLD, "diamond", "dashdot"),
)


def draw_launches(table: pd.DataFrame, channels: Sequence[str]) -> hv.Layout:
    """Every launch of an overlay from its release on, one panel per channel, one look per driver.

    `table` is what `overlay` gives, with a column `driver`.
    """
    shown = [name for name in channels if len(table) and np.isfinite(table[name].astype(float)).any()]
    if not shown:
        return hv.Layout([nothing_to_draw("Launches", "the log shows none")]).cols(1)
    return hv.Layout([_panel(table, name, first=name == shown[0]) for name in shown]).cols(1)


def _panel(table: pd.DataFrame, name: str, *, first: bool) -> hv.Overlay:
    parts = [hv.VLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)]
    for (driver, rows), (colour, _, dash) in zip(table.groupby("driver"), LOOKS * 4, strict=False):
        curve = hv.Curve(_with_breaks(rows, name), "clock_s", name, label=str(driver) or "driver not named")
        parts.append(curve.opts(color=colour, alpha=0.6, line_width=1.4, line_dash=dash))
    title = "Every launch, from its release" if first else ""
    options = panel(title, 260, xlabel="time from the release [s]", ylabel=axis(name))
    return hv.Overlay(parts).opts(legend_position="top", show_legend=first, **options)


def _with_breaks(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """Launches one after another with an empty row behind each, so that one line draws them all apart."""
    empty = pd.DataFrame({"clock_s": [np.nan], name: [np.nan]})
    parts = [part for _, own in rows.dropna(subset=[name]).groupby("event") for part in (own[["clock_s", name]], empty)]
    return pd.concat(parts, ignore_index=True) if parts else empty


def draw_times(study: LaunchStudy) -> hv.Element:
    """Time to the distance of every launch with its interval, by driver."""
    table = study.table()
    table = table[np.isfinite(table["time_to_distance_s"].astype(float))] if len(table) else table
    if table.empty:
        return nothing_to_draw("Times", study.because or "no launch reached the distance")
    table = table.assign(
        at=np.arange(1, len(table) + 1).astype(float),
        below=table["time_to_distance_s"] - table["time_lower_s"],
        above=table["time_upper_s"] - table["time_to_distance_s"],
        who=table["driver"].replace("", "driver not named"),
    )
    parts = []
    for (driver, own), (colour, mark, _) in zip(table.groupby("who"), LOOKS * 4, strict=False):
        bars = hv.ErrorBars(own, "at", ["time_to_distance_s", "below", "above"])
        parts.append(bars.opts(color=colour, lower_head=None, upper_head=None))
        columns = ["time_to_distance_s", "session", "number", "held_rpm", "bog_rpm", "slip_peak_pct"]
        marks = hv.Scatter(own, "at", columns, label=str(driver))
        parts.append(marks.opts(color=colour, marker=mark, size=9, tools=["hover"]))
    quickest, slowest = table["time_to_distance_s"].min(), table["time_to_distance_s"].max()
    title = f"Time to {study.distance_m:g} m from the first movement: {quickest:.2f} to {slowest:.2f} s"
    return hv.Overlay(parts).opts(legend_position="top", **panel(title, 300, xlabel="launch", ylabel="time [s]"))


def draw_contrasts(study: LaunchStudy) -> hv.Element:
    """Differences between drivers over half the width of their interval: what lies outside of ±1 is a difference."""
    rows = [
        (c.quantity, f"{c.first} less {c.second}", c.difference / half, (c.lower - c.difference) / half, c.sentence)
        for c in study.contrasts
        if np.isfinite(half := (c.upper - c.lower) / 2) and half > 0
    ]
    if not rows:
        return nothing_to_draw("Drivers", "two drivers with two launches each are wanted")
    table = pd.DataFrame(rows, columns=["quantity", "pair", "size", "side", "sentence"])
    table = table.assign(row=np.arange(len(table))[::-1].astype(float))
    spans = table.assign(low=table["size"] - 1, high=table["size"] + 1, end=table["row"])
    bars = hv.Segments(spans, ["low", "row", "high", "end"]).opts(color=MAIN, line_width=6, alpha=0.35)
    marks = hv.Scatter(table, "size", ["row", "sentence"]).opts(color=MAIN, size=10, tools=["hover"])
    zero = hv.VLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    one = table["pair"].nunique() == 1  # its names then stand below, where a phone has room for them
    ticks = [
        (row, q if one else f"{q} ({p})")
        for row, q, p in zip(table["row"], table["quantity"], table["pair"], strict=True)
    ]
    scale = "difference over half its interval [–]"
    text = f"{table['pair'].iloc[0]}: {scale}" if one else scale
    apart = int((table["size"].abs() > 1).sum())
    title = f"Differences between drivers: {apart} of {len(table)} shown; a bar that crosses the dashed line shows none"
    options = panel(title, 110 + 32 * len(table))
    labels = options | {"xlabel": text, "ylabel": ""}
    return (zero * bars * marks).opts(yticks=ticks, ylim=(-0.6, len(table) - 0.4), show_legend=False, **labels)
