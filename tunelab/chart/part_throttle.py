"""Figures of pulls at part throttle: lambda error over engine speed, and as a map with the knock retard beside it."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.absent import draw_absent
from tunelab.chart.look import AROUND_ZERO, CELL_INK, MAIN, NEW, QUIET, axis, panel
from tunelab.study.part_throttle import CELL_LOAD_PCT, CELL_RPM, PartThrottle

RPM = "engine_speed_rpm"


def draw_pull_error(found: PartThrottle) -> hv.Overlay:
    """Lambda over commanded through every pull, at the moment of fuelling; the solid line is the limit for lean."""
    title = "Lambda over commanded through the pulls"
    if found.mixture is None:
        return draw_absent(title, found.because or found.error.because)
    judged = found.mixture.readings[found.mixture.readings["judged"]]
    table = judged.assign(error=100 * (judged["lambda"] / judged["commanded"] - 1)).dropna(subset=["error"])
    if table.empty:
        return draw_absent(title, found.error.because)
    limit = found.checks[0].quantity.limit
    points = hv.Scatter(table, RPM, ["error", "lambda", "stretch"]).opts(color=MAIN, size=3, alpha=0.5)
    lines = [hv.HLine(limit).opts(color=NEW, line_width=2), hv.HLine(0).opts(color=QUIET, line_width=1)]
    room = 0.08 * max(limit, float(np.ptp(table["error"])))
    reach = (min(float(table["error"].min()), 0) - room, max(float(table["error"].max()), limit) + room)
    title = f"{title}: leanest reading {table['error'].max():+.1f} %; solid line: the limit of {limit:g} %"
    options = panel(title, 320, xlabel=axis(RPM), ylabel="lean of commanded [%]")
    return hv.Overlay([points, *lines]).opts(show_legend=False, ylim=reach, **options)


def draw_error_map(found: PartThrottle) -> hv.Overlay:
    """Mean lambda error of each engine speed and load; below it the highest knock retard of the pulls there."""
    if found.cells.empty:
        return draw_absent("Mean lambda error by engine speed and load", found.error.because)
    table = found.cells.assign(
        left=found.cells[RPM] - CELL_RPM / 2, right=found.cells[RPM] + CELL_RPM / 2,
        low=found.cells["load_pct"] - CELL_LOAD_PCT / 2, high=found.cells["load_pct"] + CELL_LOAD_PCT / 2,
    )  # fmt: skip
    span = max(float(table["error_pct"].abs().max()), 1.0)
    columns = ["error_pct", "lower", "upper", "knock_deg", "samples", "pulls"]
    cells = hv.Rectangles(table, ["left", "low", "right", "high"], columns).opts(
        color="error_pct", cmap=list(AROUND_ZERO), clim=(-span, span), line_color=CELL_INK, line_width=0.4,
        tools=["hover"],
    )  # fmt: skip
    knock = [f"\n{k:.1f}°" if np.isfinite(k) else "" for k in table["knock_deg"]]
    words = pd.DataFrame(
        {
            "speed": table[RPM],
            "load": table["load_pct"],
            "text": [f"{round(e, 1) + 0.0:+.1f} %{k}" for e, k in zip(table["error_pct"], knock, strict=True)],
        }
    )
    numbers = hv.Labels(words, ["speed", "load"], "text").opts(text_color=CELL_INK, text_font_size="8pt")
    title = f"Mean lambda error, leanest cell {table['error_pct'].max():+.1f} %; knock retard [°] below it"
    options = panel(title, 340, xlabel=axis(RPM), ylabel="absolute load [%]")
    return (cells * numbers).opts(show_legend=False, **(options | {"padding": 0}))
