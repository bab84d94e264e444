"""Figures of the injectors' dead time."""

from __future__ import annotations

import holoviews as hv
import pandas as pd

from tunelab.chart.look import MAIN, NEW, OLD, axis, panel
from tunelab.study.proposal import Proposal


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
    return f": {row['change_ms']:+.3f} ms off at {row['battery_v']:.1f} V"


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
