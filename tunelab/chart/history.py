"""Figures of the gates of readiness, and of the history: curve differences, convergence, predicted and measured."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.first_page import GAUGES_SHOWN, gate_gauges, gates_title
from tunelab.chart.full_throttle import draw_used
from tunelab.chart.look import MAIN, NEW, OLD, THIRD, draw_absent, panel
from tunelab.study.ledger import Ledger

MARKS = ("circle", "square", "triangle", "diamond", "inverted_triangle", "hex")
TONES = (MAIN, NEW, THIRD, OLD)
DASHES = ("solid", "dashed", "dotdash", "dotted")


def draw_gates(margins: pd.DataFrame, gates: int) -> hv.Overlay:
    """How much of its limit each gate used, those that press most; `margins` is what `Readiness.margins` gives."""
    if margins.empty:
        return draw_absent("Gates against their limits", "no gate was compared with a limit yet.")
    gauges = gate_gauges(margins)[:GAUGES_SHOWN][::-1]
    statuses = margins["status"].str.replace("_", " ").head(GAUGES_SHOWN)[::-1]
    told = [
        f"{gauge.name}: {status}" + (f", {gauge.text}" if np.isfinite(gauge.used) else "")
        for gauge, status in zip(gauges, statuses, strict=True)
    ]
    return draw_used(np.array([gauge.used for gauge in gauges]), told, gates_title(margins, gates))


def draw_curve_changes(curves: pd.DataFrame, reading_label: str) -> hv.Overlay:
    """Meter curve of each revision against the one that it is based on, in percent, over the meter's reading.

    Parameters
    ----------
    curves : DataFrame
        `revision, based_on, reading, change_pct`.
    reading_label : str
        Label of the meter's reading, with its unit.
    """
    zero = hv.HLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    later = [
        name for name in curves["revision"].unique() if (curves.loc[curves["revision"] == name, "based_on"] != "").all()
    ]
    lines = []
    for k, name in enumerate(later):
        table = curves[curves["revision"] == name]
        label = f"{name} against {table['based_on'].iloc[0]}"
        line = hv.Curve(table, "reading", "change_pct", label=label)
        mark = hv.Scatter(table, "reading", ["change_pct", "flow_kg_h"], label=label)
        lines += [
            line.opts(color=TONES[k % len(TONES)], line_dash=DASHES[k % len(DASHES)], line_width=2),
            mark.opts(color=TONES[k % len(TONES)], marker=MARKS[k % len(MARKS)], size=5, tools=["hover"]),
        ]
    changes = curves[curves["revision"].isin(later)].groupby("revision", sort=False)["change_pct"].agg(["min", "max"])
    said = "; ".join(f"{row.Index} {row.min:+.1f} to {row.max:+.1f} %" for row in changes.itertuples())
    options = panel(
        f"Change of the meter curve: {said or 'no revision has changed it'}",
        320,
        xlabel=reading_label,
        ylabel="change of flow [%]",
    )
    return hv.Overlay([zero, *lines]).opts(legend_position="bottom", legend_cols=2, **options)


def draw_convergence(ledger: Ledger) -> hv.Overlay:
    """Steady lambda error of each revision with its interval, as its last recorded steady drive measured it."""
    table = ledger.convergence.reset_index(drop=True)
    ticks = [(k, name) for k, name in enumerate(table["revision"])]
    known = table.dropna(subset=["lambda_error_pct"]).assign(row=lambda t: t.index.astype(float))
    spans = hv.Segments(known.assign(end=known["row"]), ["row", "lower_pct", "end", "upper_pct"])
    marks = hv.Scatter(known, "row", ["lambda_error_pct", "lower_pct", "upper_pct", "record"], label="measured")
    parts = [spans.opts(color=MAIN, line_width=6, alpha=0.35), marks.opts(color=MAIN, size=11, tools=["hover"])]
    limits = known["limit_pct"].dropna()
    if len(limits):
        parts.append(hv.HLine(float(limits.iloc[-1])).opts(color=NEW, line_dash="dashed", line_width=1.5))
    said = ", ".join(f"{row.revision} {row.lambda_error_pct:.1f} %" for row in known.itertuples()) or "none yet"
    options = panel(f"Steady lambda error by revision: {said}; dashed: the owner's limit", 300, xlabel="revision")
    return hv.Overlay(parts).opts(
        ylabel="95 % of points below [%]",
        xticks=ticks or [(0, "none yet")],
        xlim=(-0.5, max(len(table), 1) - 0.5),
        show_legend=False,
        **options,
    )


def draw_predictions(ledger: Ledger) -> hv.Overlay:
    """Predicted and measured lambda error of each change, with their intervals, side by side."""
    ticks, rows = [], []
    for k, verdict in enumerate(ledger.verdicts):
        ticks.append((k, verdict.revision))
        for name, shift, numbers in (("predicted", -0.12, verdict.predicted), ("measured", 0.12, verdict.measured)):
            if np.isfinite(numbers).all():
                rows.append((k + shift, name, *numbers, verdict.outcome))
    table = pd.DataFrame(rows, columns=["row", "which", "value", "lower", "upper", "outcome"])
    parts: list[hv.Element] = []
    for name, tone, mark in (("predicted", NEW, "diamond"), ("measured", MAIN, "circle")):
        own = table[table["which"] == name]
        span = hv.Segments(own.assign(end=own["row"]), ["row", "lower", "end", "upper"])
        dot = hv.Scatter(own, "row", ["value", "lower", "upper", "outcome"], label=name)
        parts += [
            span.opts(color=tone, line_width=6, alpha=0.35),
            dot.opts(color=tone, marker=mark, size=11, tools=["hover"]),
        ]
    held = sum(verdict.outcome == "held" for verdict in ledger.verdicts)
    title = f"Lambda error predicted and measured: {held} of {len(ledger.verdicts)} predictions held"
    options = panel(title, 300, xlabel="revision", ylabel="95 % of points below [%]")
    return hv.Overlay(parts).opts(
        xticks=ticks or [(0, "none yet")],
        xlim=(-0.5, max(len(ticks), 1) - 0.5),
        legend_position="bottom",
        legend_cols=2,
        **options,
    )
