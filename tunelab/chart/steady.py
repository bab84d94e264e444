"""Figures of the steady study: what was driven, the delay, the meter's curve, the dead time, and the fit against its
data.
"""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.look import (
    AROUND_ZERO,
    CELL_INK,
    EDGE,
    MAIN,
    NEW,
    OLD,
    QUIET,
    SEQUENCE,
    THIRD,
    axis,
    draw_absent,
    panel,
)
from tunelab.study.coverage import Coverage
from tunelab.study.delay import DelayFit
from tunelab.study.drive_plan import DrivePlan
from tunelab.study.high_flow import HighFlow
from tunelab.study.proposal import Proposal
from tunelab.study.steady import LambdaError, MeterError, PulsationMap, SteadyFit
from tunelab.workspace.car import LambdaSensor

CORNERS = ["speed_from_rpm", "flow_from_kg_h", "speed_to_rpm", "flow_to_kg_h"]


def draw_coverage(coverage: Coverage, plan: DrivePlan) -> hv.Overlay:
    """Usable seconds in each cell, as a number and a tone; a heavy outline marks a cell that the plan holds."""
    table = coverage.table()
    values = ["seconds", "wanted_s", "seconds_visited"]
    most = float(max(table["wanted_s"].max(), 1.0)) if len(table) else 1.0
    cells = hv.Rectangles(table, CORNERS, values).opts(
        color="seconds", cmap=list(SEQUENCE), clim=(0.0, most), tools=["hover"], **EDGE
    )
    at = plan.table()[["engine_speed_rpm", "air_flow_kg_h"]].to_numpy()
    inside = [
        (low <= speed) & (speed < high) & (least <= flow) & (flow < most)
        for low, least, high, most in table[CORNERS].itertuples(index=False)
        for speed, flow in [at.T]
    ]
    planned = table[np.array([own.any() for own in inside], dtype=bool)]
    outlined = hv.Rectangles(planned, CORNERS).opts(fill_alpha=0, line_color=NEW, line_width=2.5)
    next_ = (
        "outlined: 1 cell to be held next" if len(planned) == 1 else f"outlined: {len(planned)} cells to be held next"
    )
    title = f"Seconds of steady driving in each cell; {next_ if len(planned) else 'no cell has to be held next'}"
    options = panel(title, 430)
    return (cells * outlined * _numbers(table)).opts(
        logy=True,
        yticks=[5, 10, 20, 50, 100, 200, 500, 1000, 2000],
        show_legend=False,
        xlabel=axis("engine_speed_rpm"),
        ylabel=axis("air_flow_kg_h"),
        **(options | {"padding": 0}),
    )


def _numbers(table: pd.DataFrame) -> hv.Labels:
    middle = pd.DataFrame(
        {
            "speed": (table["speed_from_rpm"] + table["speed_to_rpm"]) / 2,
            "flow": np.sqrt(table["flow_from_kg_h"] * table["flow_to_kg_h"]),
            "text": [f"{seconds:.0f}" for seconds in table["seconds"]],
        }
    )
    return hv.Labels(middle, ["speed", "flow"], "text").opts(text_color=CELL_INK, text_font_size="8pt")


def draw_delay(fit: DelayFit, stated: LambdaSensor | None = None) -> hv.Overlay:
    """Delay and lag with their intervals; grey where the log shows none and the stated values stand in.

    `stated`, the sensor of car.toml, adds its own values as crosses.
    """
    table = fit.summary().reset_index()
    table = table[table["unit"] == "s"].iloc[::-1].reset_index(drop=True)
    table = table.assign(row=table.index.astype(float), end=table.index.astype(float))
    tone = MAIN if fit.shown else OLD
    spans = hv.Segments(table, ["lower", "row", "upper", "end"]).opts(color=tone, line_width=6, alpha=0.35)
    marks = hv.Scatter(table, "value", ["row", "parameter", "lower", "upper"]).opts(
        color=tone, size=11, tools=["hover"]
    )
    told = ", ".join(f"{row.parameter} {1000 * row.value:.0f} ms" for row in table.iloc[::-1].itertuples())
    title = (
        f"Delay and lag of lambda, estimated: {told}"
        if fit.shown
        else "Delay and lag of lambda as stated: the log shows none"
    )
    parts = [spans, marks]
    if stated is not None and fit.shown:
        own = {
            "delay, constant part": stated.delay_s,
            "delay at 50 kg/h of exhaust": stated.delay_s + stated.delay_flow_s_kg_h / 50,
            "sensor lag": stated.lag_s,
        }
        rows = table.assign(stated=table["parameter"].map(own))
        crosses = hv.Scatter(rows, "stated", ["row", "parameter"], label="stated in car.toml")
        parts.append(crosses.opts(color=NEW, marker="x", size=11, line_width=2, tools=["hover"]))
        title += "; crosses: stated in car.toml"
    return hv.Overlay(parts).opts(
        yticks=list(zip(table["row"], table["parameter"], strict=True)),
        ylim=(-0.6, len(table) - 0.4),
        show_legend=False,
        **panel(title, 210, xlabel="time [s]", ylabel=""),
    )


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
    top = hv.Overlay([base, *bands, line.opts(color=MAIN, line_width=2), *_breakpoints(points, meter.channel)])
    known = meter.factor[np.isfinite(meter.factor)]
    ends = f": factor {known.min():.3f} to {known.max():.3f}" if known.size else ""
    title = f"True air flow over the current curve{ends}"
    options = panel(title, 320, xlabel=axis(meter.channel), ylabel="factor [–]")
    return (top.opts(legend_position="top_right", **options) + _evidence(meter)).cols(1)


def _breakpoints(points: pd.DataFrame, channel: str) -> list[hv.Element]:
    """The curve's breakpoints, marked by what each is known from, with bars that allow for a hidden leak."""
    below, above = points["factor"] - points["factor_lower"], points["factor_upper"] - points["factor"]
    bars = hv.ErrorBars(
        (points[channel], points["factor"], below, above),
        channel,
        ["factor", "below", "above"],
        label="with a hidden exhaust leak allowed for",
    ).opts(color=NEW, line_width=1, alpha=0.6)
    shown = ["factor", "factor_lower", "factor_upper", "seconds", "basis"]
    marks = [
        hv.Scatter(own, channel, shown, label=basis).opts(color=NEW, marker=mark, size=8, tools=["hover"])
        for basis, mark in MARKS.items()
        if len(own := points[points["basis"] == basis])
    ]
    return [bars, *marks]


def _evidence(meter: MeterError) -> hv.Element:
    bars = hv.Spikes((meter.reading, meter.seconds), meter.channel, "seconds").opts(color=MAIN, line_width=3)
    options = panel("Evidence", 150, xlabel=axis(meter.channel), ylabel="driven [s]")
    return bars.opts(yticks=3, **options)


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


def draw_dead_time(proposal: Proposal) -> hv.Layout:
    """Current and proposed dead time against battery voltage; below it the measured change with its interval."""
    table = proposal.dead_time
    old = hv.Curve(table, "battery_v", "dead_time_in_force_ms", label="current").opts(color=OLD, line_dash="dashed")
    columns = ["dead_time_proposed_ms", "dead_time_in_force_ms", "basis"]
    new = hv.Curve(table, "battery_v", "dead_time_proposed_ms", label="proposed").opts(color=NEW, line_width=2)
    marks = hv.Scatter(table, "battery_v", columns).opts(color=NEW, size=8, tools=["hover"])
    known = table.dropna(subset=["change_ms", "change_lower_ms", "change_upper_ms"])
    title = (
        f"Injector dead time{_error(known)}" if len(known) else "Injector dead time; this drive does not show its error"
    )
    options = panel(title, 280, xlabel=axis("battery_v"), ylabel="dead time [ms]")
    top = (old * new * marks).opts(legend_position="top_right", **options)
    return hv.Layout([top, _change(known)] if len(known) else [top]).cols(1)


def _error(known: pd.DataFrame) -> str:
    row = known.iloc[len(known) // 2]
    change = f"{row['change_ms']:+.3f}"
    return f": {'0.000' if float(change) == 0 else change} ms off at {row['battery_v']:.1f} V"


def _change(known: pd.DataFrame) -> hv.Overlay:
    spread = known.assign(
        below=known["change_ms"] - known["change_lower_ms"], above=known["change_upper_ms"] - known["change_ms"]
    )
    bars = hv.ErrorBars(spread, "battery_v", ["change_ms", "below", "above"]).opts(
        color=MAIN, line_width=1.5, lower_head=None, upper_head=None
    )
    columns = ["change_ms", "change_lower_ms", "change_upper_ms", "basis"]
    marks = hv.Scatter(known, "battery_v", columns, label="measured").opts(color=MAIN, size=8, tools=["hover"])
    zero = hv.HLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    options = panel("Dead-time error", 220, xlabel=axis("battery_v"), ylabel="true − current [ms]")
    return (zero * bars * marks).opts(show_legend=False, **options)


KINDS = ((False, "undisturbed", MAIN, "circle"), (True, "disturbed by pulsation", THIRD, "square"))


def draw_residuals(fit: SteadyFit) -> hv.Layout:
    """What the fit leaves over at each steady block, against meter reading, engine speed and battery voltage."""
    if fit.because:
        return hv.Layout([draw_absent("Residuals", fit.because)])
    axes = (
        ("reading", axis(fit.meter.channel)),
        ("engine_speed_rpm", axis("engine_speed_rpm")),
        ("battery_v", axis("battery_v")),
    )
    panels = [_residuals(fit.blocks, column, label) for column, label in axes]
    spread = float(fit.blocks["residual_pct"].abs().median())
    title = f"Residuals: half of them within ±{spread:.2f} %; squares: where pulsation disturbs the meter"
    return hv.Layout([panels[0].opts(title=title, clone=True), *panels[1:]]).cols(1)


def _residuals(blocks: pd.DataFrame, column: str, label: str) -> hv.Overlay:
    zero = hv.HLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    columns = ["residual_pct", "error_pct", "fitted_pct", "start_s", "seconds", "weight"]
    marks = [
        hv.Scatter(blocks[blocks["disturbed"] == kind], column, columns, label=name).opts(
            color=colour, marker=mark, size=6, alpha=0.7, tools=["hover"]
        )
        for kind, name, colour, mark in KINDS
        if (blocks["disturbed"] == kind).any()
    ]
    options = panel("", 230, xlabel=label, ylabel="residual [%]")
    return hv.Overlay([zero, *marks]).opts(show_legend=False, **options)


def draw_before_after(before: LambdaError, after: LambdaError, *, limit_pct: float) -> hv.Overlay:
    """|lambda / commanded − 1| with trims at zero: current and, predicted, after the change; a line at the limit."""
    if not np.isfinite(before.p95_pct):
        return draw_absent("Lambda error before and after", "no steady point was fitted; the reason is given above.")
    rows = ((1.0, "now", before), (0.0, "after, predicted", after))
    table = pd.DataFrame(
        [(y, name, e.p95_pct, e.lower_pct, e.upper_pct, e.median_pct, abs(e.worst_pct)) for y, name, e in rows],
        columns=["row", "which", "p95_pct", "lower_pct", "upper_pct", "median_pct", "worst_pct"],
    )
    spans = hv.Segments(table.assign(end=table["row"]), ["lower_pct", "row", "upper_pct", "end"])
    p95 = hv.Scatter(table, "p95_pct", ["row", "which", "lower_pct", "upper_pct"], label="95 % of cells lie below")
    median = hv.Scatter(table, "median_pct", ["row", "which"], label="half of the cells lie below")
    worst = hv.Scatter(table, "worst_pct", ["row", "which"], label="worst hold")
    limit = hv.VLine(limit_pct).opts(color=NEW, line_dash="dashed", line_width=1.5)
    marks = [
        spans.opts(color=MAIN, line_width=6, alpha=0.35),
        p95.opts(color=MAIN, size=11, tools=["hover"]),
        median.opts(color=THIRD, marker="diamond", size=11, tools=["hover"]),
        worst.opts(color=MAIN, marker="triangle", fill_alpha=0.0, size=11, tools=["hover"]),
    ]
    title = (
        f"Lambda error {before.p95_pct:.1f} % before, {after.p95_pct:.1f} % predicted after; dashed: the limit, "
        f"{limit_pct:g} %"
    )
    options = panel(title, 240, xlabel="lambda error [%]")
    ticks = [(y, name) for y, name, _ in rows]
    return hv.Overlay([limit, *marks]).opts(
        ylabel="", yticks=ticks, ylim=(-0.6, 1.6), legend_position="bottom", legend_cols=1, **options
    )


def draw_high_flow(found: HighFlow) -> hv.Overlay:
    """True flow over the current flow: what the steady drive says, what each pull says, and the two together."""
    if not found.shown:
        return draw_absent("Meter at high flow", found.because)
    name = found.channel
    curve = found.curve[found.curve["reading"] >= found.bins["reading"].min()].rename(columns={"reading": name})
    band = hv.Area(curve, name, ["lower", "upper"]).opts(color=NEW, alpha=0.25, line_alpha=0)
    line = hv.Curve(curve, name, ["factor", "lower", "upper"], label="both together")
    pulls = pd.DataFrame({name: found.bins["reading"], "factor": np.exp(found.bins["error"])})
    points = hv.Scatter(pulls, name, "factor", label="single pulls").opts(color=QUIET, size=4)
    calm = found.points[found.points["basis"] == "steady"].rename(columns={"reading": name})
    steady = hv.Curve(calm, name, ["factor"], label="steady drive").opts(color=MAIN, line_width=2)
    edge = hv.VLine(found.steady_to).opts(color=OLD, line_dash="dotted", line_width=1)
    top = curve.iloc[-1]
    title = f"Meter error at high flow: factor {top['factor']:.3f} at the top of what was driven"
    options = panel(title, 320, xlabel=axis(name), ylabel="true flow over current curve [–]")
    shown = [band, points, steady, line.opts(color=NEW, line_width=2, tools=["hover"]), edge]
    return hv.Overlay([*shown, hv.HLine(1.0).opts(color=OLD, line_dash="dashed")]).opts(
        legend_position="top_left", **options
    )
