"""Figures of the air meter: its curve, its error with the evidence, and what pulsation does to it."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.absent import draw_absent
from tunelab.chart.look import AROUND_ZERO, MAIN, NEW, OLD, axis, panel
from tunelab.study.proposal import Proposal
from tunelab.study.steady import MeterError, PulsationMap

MARKS = {"measured": "circle", "extended": "triangle", "kept pulse": "square", "unchanged": "x"}
FLOW = "air_flow_kg_h"


def draw_meter_curve(proposal: Proposal) -> hv.Overlay:
    """The current transfer curve and the one proposed; the mark of each breakpoint tells its basis."""
    curve = proposal.curve
    reading = str(curve.columns[0])
    old = hv.Curve(curve, reading, "flow_in_force_kg_h", label="current").opts(color=OLD, line_dash="dashed")
    new = hv.Curve(curve, reading, "flow_proposed_kg_h", label="proposed").opts(color=NEW, line_width=2)
    columns = ["flow_proposed_kg_h", "flow_in_force_kg_h", "factor", "seconds", "basis"]
    marks = [
        hv.Scatter(curve[curve["basis"] == basis], reading, columns, label=basis).opts(
            color=NEW, marker=mark, size=8, fill_alpha=0.4, tools=["hover"]
        )
        for basis, mark in MARKS.items()
        if (curve["basis"] == basis).any()
    ]
    options = panel(f"Meter curve: {_changed(curve)}", 380, xlabel=axis(reading), ylabel=axis(FLOW))
    return hv.Overlay([old, new, *marks]).opts(legend_position="top_left", **options)


def _changed(curve: pd.DataFrame) -> str:
    """How many breakpoints change, and by how much at most."""
    change = 100 * (
        curve["flow_proposed_kg_h"] / curve["flow_in_force_kg_h"].where(curve["flow_in_force_kg_h"] > 0) - 1
    )
    count = int((curve["basis"] != "unchanged").sum())
    if not count or not np.isfinite(change).any():
        return "no breakpoint changes"
    most = change.loc[change.abs().idxmax()]
    return f"{count} of {len(curve)} breakpoints change, by {most:+.1f} % at most"


def draw_meter_factor(meter: MeterError) -> hv.Layout:
    """True flow over the current flow, with its interval; below it the seconds of driving that it stands on.

    The band is what the log says if no air leaks into the exhaust; the bars at the breakpoints allow for a hidden leak.
    """
    if meter.because:
        return hv.Layout([draw_absent("True air flow over the current curve", meter.because)])
    base = hv.HLine(1.0).opts(color=OLD, line_dash="dashed", line_width=1)
    bands = [
        hv.Area((meter.reading[s], meter.lower[s], meter.upper[s]), meter.channel, ["lower", "upper"]).opts(
            color=MAIN, alpha=0.25, line_alpha=0
        )
        for s in stretches(meter.factor)
    ]
    data = {meter.channel: meter.reading, "factor": meter.factor, "lower": meter.lower, "upper": meter.upper}
    line = hv.Curve(pd.DataFrame(data), meter.channel, ["factor", "lower", "upper"], label="fitted")
    points = meter.points[np.isfinite(meter.points["factor"])].rename(columns={"reading": meter.channel})
    marks = [
        hv.Scatter(
            points[points["basis"] == basis],
            meter.channel,
            ["factor", "factor_lower", "factor_upper", "seconds", "basis"],
            label=basis,
        ).opts(color=NEW, marker=mark, size=8, tools=["hover"])
        for basis, mark in MARKS.items()
        if (points["basis"] == basis).any()
    ]
    bars = hv.ErrorBars(
        (
            points[meter.channel],
            points["factor"],
            points["factor"] - points["factor_lower"],
            points["factor_upper"] - points["factor"],
        ),
        meter.channel,
        ["factor", "below", "above"],
        label="with a hidden exhaust leak allowed for",
    ).opts(color=NEW, line_width=1, alpha=0.6)
    top = hv.Overlay([base, *bands, line.opts(color=MAIN, line_width=2), bars, *marks])
    known = meter.factor[np.isfinite(meter.factor)]
    ends = f": factor {known.min():.3f} to {known.max():.3f}" if known.size else ""
    title = f"True air flow over the current curve{ends}"
    options = panel(title, 320, xlabel=axis(meter.channel), ylabel="factor [–]")
    return (top.opts(legend_position="top_right", **options) + _evidence(meter)).cols(1)


def _evidence(meter: MeterError) -> hv.Element:
    bars = hv.Spikes((meter.reading, meter.seconds), meter.channel, "seconds").opts(color=MAIN, line_width=3)
    options = panel("Evidence", 150, xlabel=axis(meter.channel), ylabel="driven [s]")
    return bars.opts(**options)


def stretches(values: np.ndarray) -> list[slice]:
    """Slices of the runs of two or more values that are numbers, shape (n,)."""
    known = np.flatnonzero(np.isfinite(values))
    runs = np.split(known, np.flatnonzero(np.diff(known) > 1) + 1)
    return [slice(run[0], run[-1] + 1) for run in runs if run.size > 1]


def draw_pulsation_map(pulsation: PulsationMap) -> hv.Element | hv.Overlay:
    """How much the meter over-reads by engine speed and load; empty where nothing was driven."""
    if not np.isfinite(pulsation.over_reading_pct).any():
        return draw_absent("Over-reading by pulsation [%]", pulsation.because)
    grid = (
        pulsation.engine_speed_rpm,
        pulsation.load,
        pulsation.over_reading_pct,
        pulsation.lower_pct,
        pulsation.upper_pct,
        pulsation.seconds,
    )
    names = ["over-reading [%]", "lower [%]", "upper [%]", "driven [s]"]
    mesh = hv.QuadMesh(grid, ["engine speed [rpm]", "load [–]"], names)
    most = float(np.nanmax(pulsation.over_reading_pct))
    title = f"Over-reading by pulsation [%]: {most:+.1f} % at most"
    options = panel(title, 360, xlabel=axis("engine_speed_rpm"), ylabel="load [–]")
    reach = symmetric(pulsation.over_reading_pct)
    return mesh.opts(cmap=list(AROUND_ZERO), clim=reach, colorbar=True, clabel=" ", **(options | {"padding": 0}))


def symmetric(values: np.ndarray) -> tuple[float, float]:
    """Colour range around zero that holds all values; one either way where there is none."""
    known = np.abs(values[np.isfinite(values)])
    reach = float(known.max()) if known.size and known.max() > 0 else 1.0
    return (-reach, reach)
