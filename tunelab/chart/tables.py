"""Figures of the tables to enter: before and after over the owner's breakpoints, with what was measured."""

from __future__ import annotations

from collections.abc import Sequence

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.look import MAIN, NEW, OLD, axis, panel
from tunelab.study.table_proposal import TableProposal

LABELS = {
    "actuator_pct": "idle actuator [%]", "air_kg_h": "idle air [kg/h]", "target_rpm": "idle speed [rpm]",
    "amount": "amount per tip-in", "film_share": "share X [–]", "film_time_s": "film time [s]",
}  # fmt: skip
HEIGHT = 240


def draw_tables(proposals: Sequence[TableProposal]) -> hv.Layout | None:
    """One panel for each table over coolant temperature, and for each engine speed of it; None without any table.

    Grey is current, the second tone what is proposed with a square on each breakpoint that changes; dots with bars are
    what was measured, with its interval.
    """
    panels = [one for proposal in proposals for one in _panels(proposal)]
    if not panels:  # why there is none stands in the table of reasons
        return None
    return hv.Layout(panels).cols(1).opts(shared_axes=False)


def _panels(proposal: TableProposal) -> list[hv.Overlay]:
    known = proposal.table[proposal.table["coolant_c"].notna()]
    known = known.assign(speed=known["engine_speed_rpm"].fillna(-1.0))
    return [
        _panel(proposal.title, str(quantity), float(speed), own)
        for (quantity, speed), own in known.groupby(["quantity", "speed"], sort=False)
    ]


def _panel(title: str, quantity: str, speed_rpm: float, own: pd.DataFrame) -> hv.Overlay:
    where = f", {speed_rpm:.0f} rpm" if speed_rpm >= 0 else ""
    changed = own[own["proposed"] != own["in_force"]]
    said = f"{len(changed)} of {len(own)} change" if len(changed) else "none changes"
    seen = own[np.isfinite(own[["measured", "lower", "upper"]].astype(float)).all(axis=1)]
    bars = seen.assign(below=seen["measured"] - seen["lower"], above=seen["upper"] - seen["measured"])
    parts = [
        hv.Curve(own, "coolant_c", "in_force", label="current").opts(color=OLD, line_width=2, line_dash="dashed"),
        hv.Curve(own, "coolant_c", "proposed", label="proposed").opts(color=NEW, line_width=2),
        hv.ErrorBars(bars, "coolant_c", ["measured", "below", "above"]).opts(
            color=MAIN, lower_head=None, upper_head=None
        ),
        hv.Scatter(seen, "coolant_c", ["measured", "lower", "upper", "samples"], label="measured").opts(
            color=MAIN, size=7, tools=["hover"]
        ),
        hv.Scatter(changed, "coolant_c", ["proposed", "in_force", "basis"], label="changes").opts(
            color=NEW, size=10, marker="square", tools=["hover"]
        ),
    ]
    options = panel(f"{title}{where}: {said}", HEIGHT, xlabel=axis("coolant_c"), ylabel=LABELS[quantity])
    return hv.Overlay(parts).opts(legend_position="top", **options)
