"""Figures of what is in the ECU: its tables cell by cell, before and after, and how it has moved."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.chart.first_page import GAUGES_SHOWN, gate_gauges, gates_title
from tunelab.chart.full_throttle import draw_used
from tunelab.chart.look import AROUND_ZERO, CELL_INK, MAIN, NEW, OLD, SEQUENCE, THIRD, axis, draw_absent, panel
from tunelab.chart.steady import symmetric
from tunelab.study.filling import FillingFit
from tunelab.study.filling import TableProposal as CellsProposal
from tunelab.study.ledger import Ledger
from tunelab.study.table_proposal import TableProposal

PLACES = ["at_speed", "at_load"]  # the table is drawn cell by cell: every cell the same size, whatever its breakpoints


def draw_table_change(proposal: CellsProposal) -> hv.Element | hv.Overlay:
    """The table as it is to be entered: each cell's new value, tinted and signed by its change, changed ones framed."""
    cells = proposal.cells
    if not cells["changed"].any():
        because = proposal.notes[0] if proposal.notes else "Nothing is proposed."
        return draw_absent("The table, before and after", because)
    placed, ticks = _placed(cells, proposal.load_channel)
    places = max(len(f"{value:.4g}".partition(".")[2]) for value in placed["proposed"])  # the same in every cell
    placed["words"] = [_words(row, places) for row in placed.itertuples()]
    moved = int(cells["changed"].sum())
    most = cells.loc[cells["change_pct"].abs().idxmax()]
    unit = channel(proposal.load_channel).shown_unit
    title = (
        f"{moved} of {len(cells)} cells change; the largest by {most['change_pct']:+.1f} % at "
        f"{most['engine_speed_rpm']:.0f} rpm and {most[proposal.load_channel]:.4g} {unit}"
    )
    shown = ["change_pct", "proposed", "in_force", "seconds", "basis"]
    mesh = hv.Rectangles(_boxes(placed, 0.5), ["x0", "y0", "x1", "y1"], shown).opts(
        color="change_pct", cmap=list(AROUND_ZERO), clim=symmetric(cells["change_pct"].to_numpy()), line_width=0,
        colorbar=True, clabel="more fuel above 0 [%]", tools=["hover"],
    )  # fmt: skip
    frames = hv.Rectangles(_boxes(placed[placed["changed"]], 0.47), ["x0", "y0", "x1", "y1"]).opts(
        color=None, fill_alpha=0, line_color=CELL_INK, line_width=1
    )
    words = hv.Labels(placed, PLACES, "words").opts(text_font_size="7pt", text_color=CELL_INK)
    return (mesh * frames * words).opts(**_options(title, ticks, proposal.load_channel))


def draw_table_evidence(fit: FillingFit) -> hv.Element | hv.Overlay:
    """Seconds of steady driving around each cell, with how it counts: driven, known from others, or not known."""
    if fit.cells.empty or not fit.cells["seconds"].any():
        return draw_absent("Steady driving by cell", fit.because or "No steady driving.")
    placed, ticks = _placed(fit.cells, fit.load_channel)
    marks = {"measured": "driven", "extended": "near", "unchanged": "·"}
    placed["words"] = [marks[basis] for basis in placed["basis"]]
    counts = fit.cells["basis"].value_counts()
    title = (
        f"Of {len(fit.cells)} cells {counts.get('measured', 0)} were driven and {counts.get('extended', 0)} lie near "
        "to what was driven"
    )
    shown = ["seconds", "holds", "factor", "factor_lower", "factor_upper", "basis"]
    mesh = hv.Rectangles(_boxes(placed, 0.5), ["x0", "y0", "x1", "y1"], shown).opts(
        color="seconds", cmap=list(SEQUENCE), line_width=0, colorbar=True, clabel="steady seconds", tools=["hover"]
    )
    words = hv.Labels(placed, PLACES, "words").opts(text_font_size="7pt", text_color=CELL_INK)
    return (mesh * words).opts(**_options(title, ticks, fit.load_channel))


def draw_table_residuals(fit: FillingFit) -> hv.Layout:
    """What the fit leaves over at each steady block, against load, engine speed and battery voltage."""
    if fit.because:
        return hv.Layout([draw_absent("Residuals", fit.because)])
    spread = float(fit.blocks["residual_pct"].abs().median())
    columns = ["residual_pct", "error_pct", "fitted_pct", "start_s", "seconds", "weight"]
    panels: list[hv.Overlay] = []
    for name in (fit.load_channel, "engine_speed_rpm", "battery_v"):
        zero = hv.HLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
        marks = hv.Scatter(fit.blocks, name, columns).opts(color=MAIN, size=6, alpha=0.7, tools=["hover"])
        title = "" if panels else f"Residuals: half of them within ±{spread:.2f} %"
        panels.append(
            (zero * marks).opts(show_legend=False, **panel(title, 230, xlabel=axis(name), ylabel="residual [%]"))
        )
    return hv.Layout(panels).cols(1)


def _placed(cells: pd.DataFrame, load: str) -> tuple[pd.DataFrame, dict[str, list]]:
    """Cells with their place in the table, and the ticks of both axes: the owner's own breakpoints."""
    speeds, loads = np.unique(cells["engine_speed_rpm"]), np.unique(cells[load])
    placed = cells.assign(
        at_speed=np.searchsorted(speeds, cells["engine_speed_rpm"]).astype(float),
        at_load=np.searchsorted(loads, cells[load]).astype(float),
    )
    ticks = {
        "xticks": [(k, f"{speed:.0f}") for k, speed in enumerate(speeds)],
        "yticks": [(k, f"{value:g}") for k, value in enumerate(loads)],
    }
    return placed, ticks


def _boxes(placed: pd.DataFrame, half: float) -> pd.DataFrame:
    return placed.assign(
        x0=placed["at_speed"] - half, x1=placed["at_speed"] + half, y0=placed["at_load"] - half,
        y1=placed["at_load"] + half,
    )  # fmt: skip


def _words(row: Any, places: int) -> str:
    value = f"{row.proposed:.{places}f}"
    return f"{value}\n{row.change_pct:+.1f}".replace("-", "−") if row.changed else value


def _options(title: str, ticks: dict[str, list], load: str) -> dict:
    options = panel(title, 120 + 34 * len(ticks["yticks"]), xlabel=axis("engine_speed_rpm"), ylabel=axis(load))
    return options | ticks | {"padding": 0, "show_legend": False, "show_grid": False, "xrotation": 45}


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
        f"{gauge.name}: {gauge.text if status == 'not shown' else status}"
        + (f", {gauge.text}" if np.isfinite(gauge.used) else "")
        for gauge, status in zip(gauges, statuses, strict=True)
    ]
    return draw_used(np.array([gauge.used for gauge in gauges]), told, gates_title(margins, gates), list(statuses))


def draw_curve_changes(curves: pd.DataFrame, reading_label: str) -> hv.Overlay:
    """What each revision takes the air from against the one that it is based on, in percent.

    Parameters
    ----------
    curves : DataFrame
        `revision, based_on, reading, change_pct`: a meter's curve, or with `engine_speed_rpm` every cell of a table
        over its load. Where a reading has several cells, the line is their mean.
    reading_label : str
        Label of the reading, with its unit.
    """
    of_table = "engine_speed_rpm" in curves
    what, each = ("table of air", "engine_speed_rpm") if of_table else ("meter curve", "flow_kg_h")
    zero = hv.HLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    later = [
        name for name in curves["revision"].unique() if (curves.loc[curves["revision"] == name, "based_on"] != "").all()
    ]
    lines = []
    for k, name in enumerate(later):
        table = curves[curves["revision"] == name]
        label = f"{name} against {table['based_on'].iloc[0]}"
        mean = table.groupby("reading", as_index=False)["change_pct"].mean()
        line = hv.Curve(mean, "reading", "change_pct", label=label)
        mark = hv.Scatter(table, "reading", ["change_pct", each], label=label)
        lines += [
            line.opts(color=TONES[k % len(TONES)], line_dash=DASHES[k % len(DASHES)], line_width=2),
            mark.opts(color=TONES[k % len(TONES)], marker=MARKS[k % len(MARKS)], size=5, tools=["hover"]),
        ]
    changes = curves[curves["revision"].isin(later)].groupby("revision", sort=False)["change_pct"].agg(["min", "max"])
    said = "; ".join(f"{row.Index} {row.min:+.1f} to {row.max:+.1f} %" for row in changes.itertuples())
    options = panel(
        f"Change of the {what}: {said or 'no revision has changed it'}{'; line: mean over speed' if of_table else ''}",
        320,
        xlabel=reading_label,
        ylabel="change of air [%]" if of_table else "change of flow [%]",
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
