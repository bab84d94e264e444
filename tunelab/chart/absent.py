"""A panel that says why there is nothing to draw."""

from __future__ import annotations

import textwrap

import holoviews as hv

from tunelab.chart.look import OLD, panel


def draw_absent(title: str, because: str) -> hv.Overlay:
    """Give the reason in words where a figure would stand."""
    lines = "\n".join(textwrap.wrap(f"Not shown: {because}", 90))
    text = hv.Text(0.5, 0.5, lines).opts(color=OLD)
    options = panel(title, 160, xlabel="", ylabel="") | {"tools": [], "show_grid": False}
    frame = {"xlim": (0, 1), "ylim": (0, 1), "xaxis": None, "yaxis": None}
    return hv.Overlay([text]).opts(show_legend=False, **options, **frame)
