"""Figures of a coast-down: speed over time with the fit, road load with its band, and what the fit leaves."""

from __future__ import annotations

import holoviews as hv
import numpy as np

from tunelab.chart.absent import draw_absent
from tunelab.chart.look import MAIN, NEW, OLD, QUIET, READING_WIDTH, THIRD, axis, panel
from tunelab.chart.reduce import reduce_trace
from tunelab.study.coast_down import CoastDownFit

SPEED = "road_speed_km_h"
WAY = {"out": MAIN, "back": THIRD, "unknown": OLD}


def draw_coast_runs(fit: CoastDownFit) -> hv.Overlay:
    """Speed over time of every run, and the fitted motion as dashes; the colour tells the direction."""
    if not fit.shown:
        return draw_absent("Rolling out of gear", fit.because)
    parts = []
    for run in fit.runs:
        own = fit.trace[fit.trace["run"] == run.number]
        if own.empty:
            continue
        measured = reduce_trace(own["time_s"].to_numpy(), own["speed_km_h"].to_numpy(), READING_WIDTH)
        fitted = reduce_trace(own["time_s"].to_numpy(), own["fitted_km_h"].to_numpy(), 200)
        label = f"run {run.number}, {run.direction}"
        parts.append(hv.Curve(measured, "time", SPEED, label=label).opts(color=WAY[run.direction], line_width=1.5))
        parts.append(hv.Curve(fitted, "time", SPEED).opts(color=NEW, line_dash="dashed", line_width=1))
    title = f"Rolling out of gear: {len(fit.runs)} runs; dashed: the fit"
    options = panel(title, 360, xlabel="time since the run began [s]", ylabel=axis(SPEED))
    return hv.Overlay(parts).opts(legend_position="top_right", **options)


def draw_road_load(fit: CoastDownFit) -> hv.Overlay:
    """Force that holds the car back over road speed, with its band; outside the speeds driven it is dashed."""
    if not fit.shown:
        return draw_absent("Road load", fit.because)
    low, high = fit.speed_range_km_h
    inside, beyond = fit.force(np.linspace(low, high, 60)), fit.force(np.linspace(0.0, 1.2 * high, 60))
    band = hv.Area(beyond, "speed_km_h", ["lower_n", "upper_n"]).opts(color=MAIN, alpha=0.25, line_alpha=0)
    rest = hv.Curve(beyond, "speed_km_h", "force_n", label="beyond what was driven").opts(
        color=QUIET, line_dash="dashed"
    )
    line = hv.Curve(inside, "speed_km_h", ["force_n", "lower_n", "upper_n"], label="road load").opts(
        color=MAIN, line_width=2, tools=["hover"]
    )
    stated = fit.force(np.array([min(100.0, high)])).iloc[0]
    title = f"Road load on the level in still air: {stated['force_n']:.0f} N at {stated['speed_km_h']:.0f} km/h"
    options = panel(title, 340, xlabel=axis(SPEED), ylabel="force [N]")
    return hv.Overlay([band, rest, line]).opts(legend_position="top_left", **options)


def draw_coast_residuals(fit: CoastDownFit) -> hv.Overlay:
    """What the fit leaves of the speed, over speed; the colour tells the direction."""
    if not fit.shown:
        return draw_absent("What the fit leaves", fit.because)
    table = fit.trace.assign(left=fit.trace["speed_km_h"] - fit.trace["fitted_km_h"])
    parts = []
    for run in fit.runs:
        own = table[table["run"] == run.number].sort_values("speed_km_h")
        thinned = own.iloc[:: max(1, len(own) // 400)]
        points = hv.Scatter(thinned, "speed_km_h", "left", label=f"run {run.number}, {run.direction}")
        parts.append(points.opts(color=WAY[run.direction], size=3, alpha=0.6))
    half = float(table["left"].abs().median())
    title = f"What the fit leaves: half of the readings within ±{half:.2f} km/h"
    options = panel(title, 280, xlabel=axis(SPEED), ylabel="measured less fitted [km/h]")
    return hv.Overlay([*parts, hv.HLine(0).opts(color=OLD, line_width=1)]).opts(legend_position="right", **options)
