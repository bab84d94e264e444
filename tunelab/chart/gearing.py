"""Figures of the gearing: road speed over engine speed, the speed ratio over time, and what full load asks for."""

from __future__ import annotations

import holoviews as hv
import numpy as np

from tunelab.chart.absent import draw_absent
from tunelab.chart.look import MAIN, NEW, OLD, QUIET, READING_WIDTH, THIRD, axis, panel
from tunelab.chart.reduce import reduce_trace
from tunelab.study.feasibility import Feasibility
from tunelab.study.gearing import GearTrace
from tunelab.workspace.car import Car

SPEED, RPM = "road_speed_km_h", "engine_speed_rpm"


def draw_gear_speeds(found: Feasibility, car: Car) -> hv.Overlay:
    """Road speed over engine speed in each gear up to the limit; gears in which a pull fits are drawn in full."""
    if found.gears.empty:
        return draw_absent("Road speed in each gear", "car.toml states no gearing or no tyres.")
    lines = []
    for row in found.gears.itertuples():
        style = {"color": MAIN, "line_width": 2} if row.pull_fits else {"color": OLD, "line_dash": "dashed"}
        ends = [(0.0, 0.0), (found.limit_rpm, row.road_speed_km_h)]
        lines.append(hv.Curve(ends, RPM, SPEED).opts(**style))
        label = f"gear {row.gear}: {row.road_speed_km_h:.0f} km/h"
        text = hv.Text(0.99 * found.limit_rpm, row.road_speed_km_h + 4, label, halign="right", valign="bottom")
        lines.append(text.opts(color=OLD, text_font_size="9pt"))
    owners = hv.HLine(car.limits.top_speed_km_h).opts(color=NEW, line_width=2)
    own = found.pull_speed_max_km_h < car.limits.top_speed_km_h  # else both lines would lie on one another
    stated = [hv.HLine(found.pull_speed_max_km_h).opts(color=NEW, line_dash="dotted", line_width=2)] if own else []
    gear = f"gear {found.pull_gear} or lower" if found.pull_gear else "no gear"
    dotted = f", dotted: {found.pull_speed_max_km_h:g} km/h" if own else ""
    title = (
        f"A pull to {found.limit_rpm:.0f} rpm fits {gear}; solid line: the owner's {car.limits.top_speed_km_h:g} "
        f"km/h{dotted}"
    )
    options = panel(title, 360, xlabel=axis(RPM))
    top = 1.12 * max(float(found.gears["road_speed_km_h"].max()), car.limits.top_speed_km_h)
    options |= {"ylabel": axis(SPEED), "ylim": (0, top)}
    return hv.Overlay([*lines, *stated, owners]).opts(show_legend=False, **options)


def draw_full_load(found: Feasibility, car: Car) -> hv.Layout:
    """Injector duty and meter headroom over engine speed, with the range of filling and the owner's limits."""
    if not _stated(found):
        return draw_absent(
            "Injector duty and meter headroom", "engine.volumetric_efficiency_expected_pct is not stated in car.toml."
        )
    load = found.load
    duty = _band(load, "duty") * hv.HLine(car.limits.injector_duty_max_pct).opts(color=NEW, line_width=2)
    headroom = _band(load, "headroom") * hv.HLine(car.limits.meter_headroom_min_pct or 0.0).opts(
        color=NEW, line_width=2
    )
    most, least = load["duty_pct"].max(), load["headroom_pct"].min()
    first = panel(
        f"Injector duty at full load: up to {most:.0f} %", 280, xlabel=axis(RPM), ylabel=axis("injector_duty_pct")
    )
    title = f"Meter headroom at full load: down to {least:.0f} %"
    second = panel(title, 280, xlabel=axis(RPM), ylabel="flow left below the curve's top [%]")
    return hv.Layout([duty.opts(show_legend=False, **first), headroom.opts(show_legend=False, **second)]).cols(1)


def _band(load, name: str) -> hv.Overlay:
    columns = [f"{name}_lower_pct", f"{name}_upper_pct"]
    area = hv.Area(load, RPM, columns).opts(color=MAIN, alpha=0.25, line_alpha=0)
    return area * hv.Curve(load, RPM, [f"{name}_pct", *columns]).opts(color=MAIN, line_width=2, tools=["hover"])


def draw_largest_filling(found: Feasibility) -> hv.Overlay:
    """Volumetric efficiency up to which injectors and meter suffice, over engine speed."""
    load = found.load
    injectors = hv.Curve(load, RPM, "largest_filling_duty_pct", label="injectors, at the owner's duty limit")
    meter = hv.Curve(load, RPM, "largest_filling_meter_pct", label="meter, to the top of its curve")
    expected = [hv.HLine(found.filling_pct[0]).opts(color=OLD, line_dash="dashed")] if _stated(found) else []
    ends = [float(load[f"largest_filling_{name}_pct"].min()) for name in ("duty", "meter")]
    title = (
        f"Filling up to which they suffice: injectors {ends[0]:.0f} %, meter {ends[1]:.0f} %; dashed across: expected"
    )
    options = panel(title, 300, xlabel=axis(RPM), ylabel="volumetric efficiency [%]")
    marks = [injectors.opts(color=MAIN, line_width=2), meter.opts(color=THIRD, line_width=2, line_dash="dashed")]
    return hv.Overlay([*marks, *expected]).opts(legend_position="top_right", **(options | {"ylim": (0, 250)}))


def _stated(found: Feasibility) -> bool:
    return bool(np.isfinite(found.filling_pct[0]))


def draw_speed_ratio(trace: GearTrace) -> hv.Overlay:
    """Engine speed over road speed, with the line of each gear; rows that hold still stand out."""
    ratio = np.exp(trace.log_ratio)
    everything = hv.Curve(reduce_trace(trace.time, ratio, READING_WIDTH), "time", "ratio").opts(
        color=QUIET, line_width=1
    )
    still = np.where(trace.steady & (trace.gear > 0), ratio, np.nan)
    steady = hv.Curve(reduce_trace(trace.time, still, READING_WIDTH), "time", "ratio").opts(color=MAIN, line_width=2)
    values = np.exp(trace.gear_log_ratios)
    lines = [hv.HLine(float(value)).opts(color=NEW, line_dash="dotted", line_width=1) for value in values]
    top = 1.15 * float(values.max()) if values.size else 150.0
    options = panel("Engine speed over road speed", 260, xlabel="time [s]", ylabel="rpm per km/h")
    return hv.Overlay([everything, steady, *lines]).opts(show_legend=False, **(options | {"ylim": (0, top)}))
