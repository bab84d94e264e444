"""Figure of the transport delay and the lag of the lambda sensor."""

from __future__ import annotations

import holoviews as hv

from tunelab.chart.look import MAIN, OLD, panel
from tunelab.study.delay import DelayFit


def draw_delay(fit: DelayFit) -> hv.Overlay:
    """Delay and lag with their intervals; grey where the log shows none and the stated values stand in."""
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
    return hv.Overlay([spans, marks]).opts(
        yticks=list(zip(table["row"], table["parameter"], strict=True)),
        ylim=(-0.6, len(table) - 0.4),
        show_legend=False,
        **panel(title, 210, xlabel="time [s]", ylabel=""),
    )
