"""Figures that hold a fit against its data: residuals, and lambda before and after."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.absent import draw_absent
from tunelab.chart.look import MAIN, NEW, OLD, THIRD, axis, panel
from tunelab.study.steady import LambdaError, SteadyFit

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
