"""Figures of a table over engine speed and load: what is off, what is proposed, what was driven."""

from __future__ import annotations

from typing import Any

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.chart.look import AROUND_ZERO, CELL_INK, MAIN, OLD, SEQUENCE, axis, draw_absent, panel
from tunelab.chart.steady import symmetric
from tunelab.study.filling import FillingFit, TableProposal

PLACES = ["at_speed", "at_load"]  # the table is drawn cell by cell: every cell the same size, whatever its breakpoints


def draw_table_change(proposal: TableProposal) -> hv.Element | hv.Overlay:
    """The table as it is to be entered: each cell's new value, tinted and signed by its change, changed ones framed."""
    cells = proposal.cells
    if not cells["changed"].any():
        because = proposal.notes[0] if proposal.notes else "Nothing is proposed."
        return draw_absent("The table, before and after", because)
    placed, ticks = _placed(cells, proposal.load_channel)
    placed["words"] = [_words(row) for row in placed.itertuples()]
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


def _words(row: Any) -> str:
    return f"{row.proposed:.4g}\n{row.change_pct:+.1f}".replace("-", "−") if row.changed else f"{row.proposed:.4g}"


def _options(title: str, ticks: dict[str, list], load: str) -> dict:
    options = panel(title, 120 + 34 * len(ticks["yticks"]), xlabel=axis("engine_speed_rpm"), ylabel=axis(load))
    return options | ticks | {"padding": 0, "show_legend": False, "show_grid": False, "xrotation": 45}
