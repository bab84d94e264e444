"""Figure of what was driven: seconds of steady driving over engine speed and airflow, and what is still missing."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.look import CELL_INK, NEW, SEQUENCE, axis, panel
from tunelab.study.coverage import Coverage
from tunelab.study.drive_plan import DrivePlan

CORNERS = ["speed_from_rpm", "flow_from_kg_h", "speed_to_rpm", "flow_to_kg_h"]


def draw_coverage(coverage: Coverage, plan: DrivePlan) -> hv.Overlay:
    """Usable seconds in each cell, as a number and a tone; a heavy outline marks a cell that the plan holds."""
    table = coverage.table()
    values = ["seconds", "wanted_s", "seconds_visited"]
    most = float(max(table["wanted_s"].max(), 1.0)) if len(table) else 1.0
    cells = hv.Rectangles(table, CORNERS, values).opts(
        color="seconds", cmap=list(SEQUENCE), clim=(0.0, most), line_color=CELL_INK, line_width=0.4, tools=["hover"]
    )
    at = plan.table()[["engine_speed_rpm", "air_flow_kg_h"]].to_numpy()
    inside = [
        (low <= speed) & (speed < high) & (least <= flow) & (flow < most)
        for low, least, high, most in table[CORNERS].itertuples(index=False)
        for speed, flow in [at.T]
    ]
    planned = table[np.array([own.any() for own in inside], dtype=bool)]
    outlined = hv.Rectangles(planned, CORNERS).opts(fill_alpha=0, line_color=NEW, line_width=2.5)
    title = f"Seconds of steady driving in each cell; outlined: {len(planned)} cells to be held next"
    options = panel(title, 430)
    return (cells * outlined * _numbers(table)).opts(
        logy=True,
        yticks=[5, 10, 20, 50, 100, 200, 500, 1000, 2000],
        show_legend=False,
        xlabel=axis("engine_speed_rpm"),
        ylabel=axis("air_flow_kg_h"),
        **(options | {"padding": 0}),
    )


def _numbers(table: pd.DataFrame) -> hv.Labels:
    middle = pd.DataFrame(
        {
            "speed": (table["speed_from_rpm"] + table["speed_to_rpm"]) / 2,
            "flow": np.sqrt(table["flow_from_kg_h"] * table["flow_to_kg_h"]),
            "text": [f"{seconds:.0f}" for seconds in table["seconds"]],
        }
    )
    return hv.Labels(middle, ["speed", "flow"], "text").opts(text_color=CELL_INK, text_font_size="8pt")
