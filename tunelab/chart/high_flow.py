"""Figure of the meter's error at high flow: steady evidence, pulls, and both together."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.absent import draw_absent
from tunelab.chart.look import MAIN, NEW, OLD, QUIET, axis, panel
from tunelab.study.high_flow import HighFlow


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
