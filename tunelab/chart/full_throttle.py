"""Figures of full throttle, of pulls at part throttle, and of the watch over the owner's limits."""

from __future__ import annotations

from collections.abc import Sequence

import holoviews as hv
import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.chart.log import logged, reach_of_own
from tunelab.chart.look import (
    AROUND_ZERO,
    CELL_INK,
    EDGE,
    MAIN,
    NEW,
    OLD,
    QUIET,
    READING_WIDTH,
    SHADE,
    STATUS_TONES,
    THIRD,
    axis,
    draw_absent,
    panel,
    reduce_trace,
)
from tunelab.study.full_throttle import FullThrottle
from tunelab.study.full_throttle.check import Check, LimitWatch, Watched
from tunelab.study.part_throttle import CELL_LOAD_PCT, CELL_RPM, PartThrottle
from tunelab.study.pull_result import PullSet

RPM, LAMBDA = "engine_speed_rpm", "lambda_measured"
BARS_SHOWN = 8  # limits in one figure: as many as stand on a first screen with their names
MOST_DRAWN = 160.0  # percent of a limit where its bar ends; the figure beside it says how much it was


def draw_pulls(log: xr.Dataset, pulls: PullSet, channels: Sequence[str]) -> hv.Layout:
    """Channels over time, pulls shaded; what the log lacks is left out.

    Raises
    ------
    ValueError
        The log has none of the channels.
    """
    names = logged(log, channels)
    spans = ([p.start_s for p in pulls.pulls], [p.end_s for p in pulls.pulls])
    panels = []
    for k, name in enumerate(names):
        shade = hv.VSpans(spans, ["start", "end"]).opts(color=SHADE, alpha=0.3, line_alpha=0)
        line = hv.Curve(reduce_trace(log["time"].values, log[name].values, READING_WIDTH), "time", name)
        title = f"Pulls are shaded: {len(pulls.pulls)} in this log" if k == 0 else ""
        options = panel(title, 150, xlabel="time [s]" if name == names[-1] else "", ylabel=axis(name))
        options |= {"ylim": reach_of_own(log, name)}
        panels.append(
            (shade * line.opts(color=MAIN, line_width=1.3, tools=["hover"])).opts(show_legend=False, **options)
        )
    return hv.Layout(panels).cols(1)


def draw_lambda_band(found: FullThrottle) -> hv.Overlay:
    """Lambda at the moment of fuelling over engine speed, with its band, what was commanded and the owner's limit."""
    if found.mixture is None or found.mixture.bins.empty:
        return draw_absent("Lambda at full throttle", found.because or "no lambda to be judged.")
    bins, readings = found.mixture.bins, found.mixture.readings
    judged = readings[readings["judged"]]
    points = hv.Scatter(judged, RPM, ["lambda", "fuelled_s"], label="readings").opts(color=QUIET, size=3, alpha=0.5)
    band = hv.Area(bins, RPM, ["lower", "upper"]).opts(color=MAIN, alpha=0.25, line_alpha=0)
    mean = hv.Curve(bins, RPM, ["lambda", "lower", "upper", "pulls"], label="mean").opts(color=MAIN, line_width=2)
    wanted = hv.Curve(bins, RPM, "commanded", label="commanded").opts(color=OLD, line_dash="dashed", line_width=2)
    target = hv.Curve(bins, RPM, "meant", label="target").opts(color=THIRD, line_dash="dotted", line_width=2)
    limit = hv.HLine(found.limit_lambda).opts(color=NEW, line_width=2)
    leanest = bins.loc[bins["lambda"].idxmax()]
    title = (
        f"Lambda at full throttle: leanest mean {leanest['lambda']:.3f} at {leanest[RPM]:.0f} rpm; solid line: the "
        f"owner's limit of {found.limit_lambda:g}"
    )
    options = panel(title, 360, xlabel=axis(RPM))
    look = options | {"ylabel": axis(LAMBDA), "ylim": _reach(judged["lambda"], found.limit_lambda)}
    is_other = not np.allclose(bins["meant"], bins["commanded"], rtol=0, atol=1e-6, equal_nan=True)
    lines = [mean, wanted, target] if is_other else [mean, wanted]
    return hv.Overlay([points, band, *lines, limit]).opts(legend_position="bottom_right", **look)


def _reach(values: pd.Series, limit: float) -> tuple[float, float]:
    """Range of an axis that holds all values and the limit."""
    low, high = min(float(values.min()), limit), max(float(values.max()), limit)
    room = 0.06 * (high - low)
    return low - room, high + room


def draw_pull_lambda(found: FullThrottle, count: int) -> hv.Layout:
    """Lambda of the first `count` stretches as it was seen; what is not judged is grey, a moment to lift is marked."""
    if found.mixture is None:
        return draw_absent("Lambda of each pull", found.because or "no lambda to be judged.")
    panels: list[hv.Overlay] = []
    for stretch in found.stretches[:count]:
        part = found.mixture.readings[found.mixture.readings["stretch"] == stretch.number]
        x = "seconds after opening"
        part = part.assign(**{x: part["seen_s"] - stretch.start_s})
        grey = hv.Scatter(part[~part["judged"]], x, ["lambda", "because"], label="not judged: sensor delay or cut")
        blue = hv.Scatter(part[part["judged"]], x, ["lambda", RPM], label="judged")
        marks = [
            hv.VLine(row.seconds_after_opening).opts(color=NEW, line_width=2)
            for row in found.lift.itertuples()
            if row.stretch == stretch.name
        ]
        limit = hv.HLine(found.limit_lambda).opts(color=NEW, line_width=1)
        if part.empty:
            continue
        seen = part.loc[part["judged"], "lambda"]
        title = f"{stretch.name}: {f'leanest judged {seen.max():.3f}' if len(seen) else 'nothing judged'}"
        title = title if panels else f"Lambda as it was seen, {title}"
        options = panel(title, 220, xlabel=f"{x} [s]", ylabel=axis(LAMBDA))
        options |= {"ylim": _reach(part["lambda"], found.limit_lambda)}
        shown = [grey.opts(color=QUIET, size=5, marker="x"), blue.opts(color=MAIN, size=4), limit, *marks]
        panels.append(hv.Overlay(shown).opts(legend_position="bottom_right", show_legend=not panels, **options))
    if not panels:
        return draw_absent("Lambda of each pull", "no reading of lambda falls into full throttle.")
    return hv.Layout(panels).cols(1).opts(shared_axes=False)


def draw_margins(found: FullThrottle) -> hv.Overlay:
    """How much of each limit was used, in percent of it, the most at the top; what was not shown is missing.

    Names stand over their bars, where a phone has room for them. The `BARS_SHOWN` that were used most are drawn, and
    all that were passed; the title says how much of the rest was used.
    """
    if not any(np.isfinite(_share_used(c)) for c in found.checks):
        return draw_absent("How much of each limit was used", found.because)
    every = sorted((used, c.quantity.title, c.status) for c in found.checks if np.isfinite(used := _share_used(c)))
    count = max(BARS_SHOWN, sum(used > 100 for used, _, _ in every))
    rows, left = every[-count:], every[:-count]
    told = [f"{name}: {used:.0f} %" for used, name, _ in rows]
    rest = f"; {len(left)} more: {left[-1][0]:.0f} % at most" if left else ""
    title = f"How much of each limit was used. Most: {told[-1]}{rest}. Line: the limit"
    words = [f"{text}, {status}" for text, (_, _, status) in zip(told, rows, strict=True)]
    return draw_used(np.array([used for used, _, _ in rows]), words, title, [status for _, _, status in rows])


def draw_used(used_pct: np.ndarray, words: Sequence[str], title: str, statuses: Sequence[str]) -> hv.Overlay:
    """Draw shares of limits as bars in the tone of their status, the first at the bottom, each below its words.

    A line at the limit crosses the bars and no word. NaN leaves a row without a bar.
    """
    rows = np.arange(len(words), dtype=float)
    end = np.clip(np.nan_to_num(used_pct), 0, MOST_DRAWN)
    boxes = pd.DataFrame({"left": 0.0, "bottom": rows - 0.32, "right": end, "top": rows + 0.02, "check": list(words),
                          "used": used_pct, "status": list(statuses)})  # fmt: skip
    told = pd.DataFrame({"at": 0.0, "row": rows + 0.06, "text": list(words)})
    bars = [
        hv.Rectangles(boxes[boxes["status"] == status], ["left", "bottom", "right", "top"], ["check", "used"]).opts(
            color=tone, line_alpha=0, tools=["hover"]
        )
        for status, tone in STATUS_TONES.items()
        if (boxes["status"] == status).any()
    ]
    limit = hv.Segments(pd.DataFrame({"at": 100.0, "from": rows - 0.36, "end": 100.0, "to": rows + 0.06}),
                        ["at", "from", "end", "to"])  # fmt: skip
    names = hv.Labels(told, ["at", "row"], "text")
    reach = (-1.0, 1.06 * max(100.0, float(end.max())))
    options = panel(title, 70 + 34 * len(rows), xlabel="used [%]", ylabel="") | {
        "xlim": reach,
        "ylim": (-0.6, len(rows) - 0.3),
        "yaxis": None,
        "show_grid": False,
    }
    return hv.Overlay(
        [
            *bars,
            limit.opts(color=NEW, line_width=3),
            names.opts(text_align="left", text_baseline="bottom", text_font_size="9pt", text_color=CELL_INK),
        ]
    ).opts(show_legend=False, **options)


def _share_used(check: Check) -> float:
    """Value over limit, or limit over value where less is worse. [%]"""
    value, limit = check.value, check.quantity.limit
    if limit is None or not np.isfinite(value):
        return float("nan")
    if check.quantity.worse == "higher":
        return 100 * value / limit if limit else float("nan")
    return 100 * limit / value if value > 0 else float("nan")


def draw_pull_error(found: PartThrottle) -> hv.Overlay:
    """Lambda over commanded through every pull, at the moment of fuelling; the solid line is the limit for lean."""
    title = "Lambda over commanded through the pulls"
    if found.mixture is None:
        return draw_absent(title, found.because or found.error.because)
    judged = found.mixture.readings[found.mixture.readings["judged"]]
    table = judged.assign(error=100 * (judged["lambda"] / judged["commanded"] - 1)).dropna(subset=["error"])
    if table.empty:
        return draw_absent(title, found.error.because)
    limit = found.checks[0].quantity.bound
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
        color="error_pct", cmap=list(AROUND_ZERO), clim=(-span, span), tools=["hover"], **EDGE,
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
    return item.check.margin / max(abs(item.check.quantity.bound), 1e-9)


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
    unit = what.unit if what.unit == "°" else f" {what.unit}"
    value = f"{item.check.value:.1f}" if what.unit == "°" else f"{item.check.value:.4g}"
    title = f"{what.title}: {value}{unit}, limit {what.limit:g}{unit}"
    options = panel(title, 170, xlabel="time [s]" if is_last else "", ylabel=axis(name))
    return hv.Overlay(shown).opts(show_legend=False, ylim=_reach_of_item(log, item), **options)


def _reach_of_item(log: xr.Dataset, item: Watched) -> tuple[float, float]:
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
        mean = f"mean over {check.quantity.smooth_s:g} s"
        title += f", single readings: leanest {mean} {check.value:+.1f} %, limit {check.quantity.limit:g} %"
    readings = found.readings[found.readings["judged"].astype(bool)]
    if readings.empty:
        return draw_absent(title, check.because)
    commanded = readings["commanded"].where(np.isfinite(readings["commanded"]), 1.0)
    table = readings.assign(over=100 * (readings["lambda"] / commanded - 1))
    points = hv.Scatter(table, "engine_speed_rpm", ["over", "lambda", "fuelled_s"]).opts(color=MAIN, size=3, alpha=0.5)
    lines = [hv.HLine(check.quantity.limit).opts(color=NEW, line_width=2), hv.HLine(0).opts(color=QUIET, line_width=1)]
    options = panel(title, 320, xlabel=axis("engine_speed_rpm"), ylabel="lean of commanded [%]")
    room = 0.08 * max(check.quantity.bound, float(np.ptp(table["over"])))
    reach = (min(float(table["over"].min()), 0) - room, max(float(table["over"].max()), check.quantity.bound) + room)
    return hv.Overlay([points, *lines]).opts(show_legend=False, ylim=reach, **options)
