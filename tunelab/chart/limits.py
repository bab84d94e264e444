"""Figures of the watch over the owner's limits: the readings nearest to their limit, and lambda under load."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.chart.absent import draw_absent
from tunelab.chart.look import MAIN, NEW, QUIET, READING_WIDTH, SHADE, axis, panel
from tunelab.chart.reduce import reduce_trace
from tunelab.chart.trace import reach_of_own
from tunelab.study.limits import LimitWatch, Watched

RECKONED = ("_rise", "_drop", "boost", "meter_headroom")  # ends of ids whose value is not the channel's own reading


def draw_watched(log: xr.Dataset, found: LimitWatch, count: int) -> hv.Layout | hv.Overlay:
    """Readings over time with their limits: those passed, then those that came nearest; `count` of them."""
    known = sorted((item for item in found.watched if _is_drawn(item)), key=_room)[:count]
    if not known:
        because = found.because or "no limit applies to a single reading."
        return draw_absent("Readings against their limits", because)
    return hv.Layout([_panel(log, item, item is known[-1]) for item in known]).cols(1)


def _is_drawn(item: Watched) -> bool:
    what = item.check.quantity
    if what.limit is None or not np.isfinite(item.check.value) or what.id.endswith(RECKONED):
        return False
    return CHANNELS[item.channel].shown_unit == what.unit


def _room(item: Watched) -> float:
    """Margin as a share of the limit; negative beyond it."""
    return item.check.margin / max(abs(item.check.quantity.limit), 1e-9)


def _panel(log: xr.Dataset, item: Watched, is_last: bool) -> hv.Overlay:
    what, name = item.check.quantity, item.channel
    line = hv.Curve(reduce_trace(log["time"].values, log[name].values, READING_WIDTH), "time", name)
    spans = [(breach.start_s, breach.end_s) for breach in item.check.breaches]
    beyond = hv.VSpans(tuple(zip(*spans, strict=True)) if spans else ([], []), ["start", "end"])
    marks = (
        [hv.VLine(item.lift_s).opts(color=NEW, line_dash="dashed", line_width=1)] if np.isfinite(item.lift_s) else []
    )
    shown = [
        beyond.opts(color=SHADE, alpha=0.4, line_alpha=0),
        line.opts(color=MAIN, line_width=1.2, tools=["hover"]),
        hv.HLine(what.limit).opts(color=NEW, line_width=2),
        *marks,
    ]
    title = f"{what.title}: {item.check.value:.4g}, limit {what.limit:g} {what.unit}"
    options = panel(title, 170, xlabel="time [s]" if is_last else "", ylabel=axis(name))
    return hv.Overlay(shown).opts(show_legend=False, ylim=_reach(log, item), **options)


def _reach(log: xr.Dataset, item: Watched) -> tuple[float, float]:
    """Range that holds what is trusted, the worst value and the limit; a flagged spike runs out of it."""
    low, high = reach_of_own(log, item.channel)
    held = [v for v in (low, high, item.check.value, item.check.quantity.limit) if v is not None and np.isfinite(v)]
    room = 0.08 * max(max(held) - min(held), 1e-9)
    return min(held) - room, max(held) + room


def draw_lean(found: LimitWatch) -> hv.Overlay:
    """Lambda under load over commanded, by engine speed; the line is the limit."""
    check = found.checks[0]
    title = "Lambda over commanded under load"
    if np.isfinite(check.value):
        title += f": leanest {check.value:+.1f} %, limit {check.quantity.limit:g} %"
    readings = found.readings[found.readings["judged"].astype(bool)]
    if readings.empty:
        return draw_absent(title, check.because)
    commanded = readings["commanded"].where(np.isfinite(readings["commanded"]), 1.0)
    table = readings.assign(over=100 * (readings["lambda"] / commanded - 1))
    points = hv.Scatter(table, "engine_speed_rpm", ["over", "lambda", "fuelled_s"]).opts(color=MAIN, size=3, alpha=0.5)
    lines = [hv.HLine(check.quantity.limit).opts(color=NEW, line_width=2), hv.HLine(0).opts(color=QUIET, line_width=1)]
    options = panel(title, 320, xlabel=axis("engine_speed_rpm"), ylabel="lean of commanded [%]")
    room = 0.08 * max(check.quantity.limit, float(np.ptp(table["over"])))
    reach = (min(float(table["over"].min()), 0) - room, max(float(table["over"].max()), check.quantity.limit) + room)
    return hv.Overlay([points, *lines]).opts(show_legend=False, ylim=reach, **options)
