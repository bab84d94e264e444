"""A panel that says why there is nothing to draw."""

from __future__ import annotations

import textwrap

import holoviews as hv

from tunelab.chart.look import OLD, panel

LINE = 46  # letters of a line: what a phone's page is wide


def draw_absent(title: str, because: str) -> hv.Overlay:
    """Give the reason in words where a figure would stand."""
    lines = textwrap.wrap(f"Not shown: {because}", LINE)
    bare = {"show_grid": False, "xaxis": None, "yaxis": None}
    text = hv.Text(0.5, 0.5, "\n".join(lines)).opts(color=OLD, text_font_size="10pt", **bare)
    options = panel(title, 60 + 20 * len(lines), xlabel="", ylabel="") | {"tools": [], "toolbar": None, **bare}
    return hv.Overlay([text]).opts(show_legend=False, xlim=(0, 1), ylim=(0, 1), **options)
