"""Figures of power, gearing and coast-down."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.look import (
    CELL_INK,
    MAIN,
    NEW,
    OLD,
    QUIET,
    READING_WIDTH,
    SHADE,
    THIRD,
    axis,
    draw_absent,
    panel,
    reduce_trace,
)
from tunelab.study.coast_down import CoastDownFit
from tunelab.study.feasibility import Feasibility
from tunelab.study.gear_trace import GearTrace
from tunelab.study.power import PowerComparison, PowerFit
from tunelab.study.shift import ShiftChart
from tunelab.workspace.car import Car

RPM = "engine_speed_rpm"
GEAR_DASHES = ("solid", "dashed", "dotted", "dotdash", "14 4")
GEAR_COLOURS = (MAIN, THIRD, NEW, SHADE, OLD)
INPUT_WORDS = {"a_n": "road load A", "b_n_s_m": "road load B", "c_n_s2_m2": "road load C"}


def draw_power(fit: PowerFit) -> hv.Overlay:
    """Wheel power over engine speed with its band; single pulls in a quiet tone."""
    if not np.isfinite(fit.wheel_power_kw).any():
        return draw_absent("Wheel power", fit.because or "the pulls share no engine speed.")
    singles = [
        hv.Curve((fit.engine_speed_rpm, pull.power_kw), RPM, "power").opts(
            color=QUIET, line_width=1, line_dash="dashed" if pull.pull.direction == "back" else "solid"
        )
        for pull in fit.pulls
    ]
    known = np.isfinite(fit.wheel_power_kw)
    columns = {RPM: fit.engine_speed_rpm[known], "power": fit.wheel_power_kw[known]}
    table = pd.DataFrame(columns | {"lower": fit.lower_kw[known], "upper": fit.upper_kw[known]})
    band = hv.Area(table, RPM, ["lower", "upper"]).opts(color=MAIN, alpha=0.25, line_alpha=0)
    line = hv.Curve(table, RPM, ["power", "lower", "upper"]).opts(color=MAIN, line_width=2.5, tools=["hover"])
    rpm, most = fit.peak
    title = f"Wheel power: highest {most:.0f} kW at {rpm:.0f} rpm"
    title += "" if fit.shown else "; for a look only, the road's slope is inside the band"
    options = panel(title, 380, xlabel=axis(RPM), ylabel="wheel power [kW]")
    return hv.Overlay([*singles, band, line]).opts(show_legend=False, **options)


def draw_torque(fit: PowerFit) -> hv.Overlay:
    """Wheel power over crankshaft speed with its band: torque at the wheels divided by the overall ratio."""
    if not np.isfinite(fit.wheel_power_kw).any():
        return draw_absent("Wheel torque", fit.because or "the pulls share no engine speed.")
    known = np.isfinite(fit.wheel_power_kw)
    lower, upper = fit.wheel_torque_band
    columns = {RPM: fit.engine_speed_rpm[known], "torque": fit.wheel_torque_nm[known]}
    table = pd.DataFrame(columns | {"lower": lower[known], "upper": upper[known]})
    band = hv.Area(table, RPM, ["lower", "upper"]).opts(color=MAIN, alpha=0.25, line_alpha=0)
    line = hv.Curve(table, RPM, ["torque", "lower", "upper"]).opts(color=MAIN, line_width=2.5, tools=["hover"])
    most = table.loc[table["torque"].idxmax()]
    title = (
        f"Wheel torque over the overall ratio, as torque at the crank: highest {most['torque']:.0f} N m at "
        f"{most[RPM]:.0f} rpm"
    )
    options = panel(title, 300, xlabel=axis(RPM), ylabel="wheel torque / ratio [N m]")
    return hv.Overlay([band, line]).opts(show_legend=False, **options)


def draw_effects(fit: PowerFit) -> hv.Bars:
    """What one standard deviation of every named input does to the highest power."""
    if not np.isfinite(fit.wheel_power_kw).any():
        return draw_absent("What each input may be off by", fit.because or "the pulls share no engine speed.")
    named = fit.effects["input"].replace(INPUT_WORDS)
    table = fit.effects.assign(input=named, size=fit.effects["effect_pct"].abs()).sort_values("size")
    bars = hv.Bars(table, "input", ["size", "effect_pct", "uncertainty", "unit", "source"])
    height = 90 + 24 * max(1, len(table))
    most = f": most {table['input'].iloc[-1]}, {table['size'].iloc[-1]:.1f} %" if len(table) else ""
    options = panel(f"What each input may be off by, in power{most}", height, xlabel="", ylabel="change of power [%]")
    return bars.opts(color=MAIN, line_alpha=0, invert_axes=True, **options)


def draw_run_to_run(fit: PowerFit) -> hv.Overlay:
    """Every pull over the combined curve, in percent: what runs differ by."""
    if not np.isfinite(fit.wheel_power_kw).any():
        return draw_absent("Single pulls over all together", fit.because or "the pulls share no engine speed.")
    lines = []
    for k, pull in enumerate(fit.pulls):
        ratio = 100 * (pull.power_kw / fit.wheel_power_kw - 1)
        line = hv.Curve(
            (fit.engine_speed_rpm, ratio), RPM, "ratio", label=f"pull {pull.pull.number}, {pull.pull.direction}"
        )
        colour = MAIN if pull.pull.direction == "out" else THIRD
        lines.append(line.opts(color=colour, line_dash=GEAR_DASHES[k % 5], line_width=1.5))
    title = f"Single pulls over all together: they differ by {fit.run_to_run_pct:.1f} %"
    options = panel(title, 300, xlabel=axis(RPM), ylabel="difference [%]")
    return hv.Overlay([*lines, hv.HLine(0).opts(color=OLD)]).opts(legend_position="right", **options)


def draw_comparison(found: PowerComparison) -> hv.Overlay:
    """Difference of two revisions over engine speed: interval at each speed, and the band for the whole range."""
    if not found.shown:
        return draw_absent("Power of two revisions", found.because)
    table = found.table()
    band = hv.Area(table, RPM, ["band_lower_pct", "band_upper_pct"]).opts(color=MAIN, alpha=0.12, line_alpha=0)
    inner = hv.Area(table, RPM, ["lower_pct", "upper_pct"]).opts(color=MAIN, alpha=0.25, line_alpha=0)
    line = hv.Curve(table, RPM, ["difference_pct", "lower_pct", "upper_pct"]).opts(
        color=MAIN, line_width=2, tools=["hover"]
    )
    ends = f"{table['difference_pct'].min():+.1f} to {table['difference_pct'].max():+.1f} %"
    title = (
        f"Power of {found.after} over {found.before}, on a standard day: {ends}; dark band: at each speed, light: "
        "for the whole range"
    )
    options = panel(title, 320, xlabel=axis(RPM), ylabel="difference [%]")
    zero = hv.HLine(0).opts(color=NEW, line_dash="dashed", line_width=1)
    return hv.Overlay([band, inner, line, zero]).opts(show_legend=False, **options)


def draw_shift(chart: ShiftChart) -> hv.Overlay:
    """Acceleration in each gear over road speed, with the shift points."""
    if not chart.shown:
        return draw_absent("Acceleration in each gear", chart.because)
    lines = []
    for k, (gear, own) in enumerate(chart.acceleration.groupby("gear")):
        look = {"color": GEAR_COLOURS[k % 5], "line_dash": GEAR_DASHES[k % 5]}
        columns = ["acceleration_m_s2", "engine_speed_rpm"]
        area = hv.Area(own, "road_speed_km_h", ["lower_m_s2", "upper_m_s2"])
        lines.append(area.opts(color=look["color"], alpha=0.15, line_alpha=0))
        lines.append(hv.Curve(own, "road_speed_km_h", columns, label=f"gear {gear}").opts(line_width=2, **look))
    marks = [
        hv.VLine(point.road_speed_km_h).opts(color=NEW, line_width=1.5)
        for point in chart.points
        if point.verdict == "shift at"
    ]
    to_limit = all(point.verdict == "still pulling at the limit" for point in chart.points)
    none = (
        "; the next one nowhere pulls harder, as far as was measured"
        if to_limit
        else "; no speed at which the next one pulls harder shows"
    )
    told = "; upright lines: the next one pulls harder" if marks else none
    options = panel(f"Acceleration in each gear{told}", 380, xlabel=axis("road_speed_km_h"))
    return hv.Overlay([*lines, *marks]).opts(legend_position="top_right", ylabel=axis("acceleration_m_s2"), **options)


def draw_gear_speeds(found: Feasibility, car: Car) -> hv.Overlay:
    """Road speed over engine speed in each gear up to the limit; gears in which a pull fits are drawn in full."""
    if found.gears.empty:
        return draw_absent("Road speed in each gear", "car.toml states no gearing or no tyres.")
    lines = []
    for row in found.gears.itertuples():
        style = {"color": MAIN, "line_width": 2} if row.pull_fits else {"color": OLD, "line_dash": "dashed"}
        ends = [(0.0, 0.0), (found.limit_rpm, row.road_speed_km_h)]
        lines.append(hv.Curve(ends, RPM, SPEED).opts(**style))
        label = f"gear {row.gear}: {row.road_speed_km_h:.0f}"
        beside = pd.DataFrame({"at": [1.01 * found.limit_rpm], "speed": [row.road_speed_km_h], "text": [label]})
        words = hv.Labels(beside, ["at", "speed"], "text")
        lines.append(words.opts(text_align="left", text_baseline="middle", text_color=CELL_INK, text_font_size="9pt"))
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
    options |= {"ylabel": axis(SPEED), "ylim": (0, top), "xlim": (0, 1.45 * found.limit_rpm)}  # words beside the lines
    return hv.Overlay([*lines, *stated, owners]).opts(show_legend=False, **options)


def draw_full_load(found: Feasibility, car: Car) -> hv.Layout | hv.Overlay:
    """Injector duty and meter headroom over engine speed, with the range of filling and the owner's limits."""
    if not _stated(found):
        return draw_absent(
            "Injector duty and meter headroom", "engine.volumetric_efficiency_expected_pct is not stated in car.toml."
        )
    load = found.load
    duty = _band(load, "duty") * hv.HLine(car.limits.injector_duty_max_pct).opts(color=NEW, line_width=2)
    if not np.isfinite(found.curve_top_kg_h):  # without an air meter
        most = load["duty_pct"].max()
        title = f"Injector duty at full load: up to {most:.0f} %"
        return duty.opts(show_legend=False, **panel(title, 280, xlabel=axis(RPM), ylabel=axis("injector_duty_pct")))
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


def _band(load: pd.DataFrame, name: str) -> hv.Overlay:
    columns = [f"{name}_lower_pct", f"{name}_upper_pct"]
    area = hv.Area(load, RPM, columns).opts(color=MAIN, alpha=0.25, line_alpha=0)
    return area * hv.Curve(load, RPM, [f"{name}_pct", *columns]).opts(color=MAIN, line_width=2, tools=["hover"])


def draw_largest_filling(found: Feasibility) -> hv.Overlay:
    """Volumetric efficiency up to which injectors and meter suffice, over engine speed."""
    load, has_meter = found.load, np.isfinite(found.curve_top_kg_h)
    injectors = hv.Curve(load, RPM, "largest_filling_duty_pct", label="injectors, at the owner's duty limit")
    meter = hv.Curve(load, RPM, "largest_filling_meter_pct", label="meter, to the top of its curve")
    expected = [hv.HLine(found.filling_pct[0]).opts(color=OLD, line_dash="dashed")] if _stated(found) else []
    ends = [float(load[f"largest_filling_{name}_pct"].min()) for name in ("duty", "meter")]
    sizes = f"injectors {ends[0]:.0f} %" + (f", meter {ends[1]:.0f} %" if has_meter else "")
    title = f"Filling up to which they suffice: {sizes}; dashed across: expected"
    options = panel(title, 300, xlabel=axis(RPM), ylabel="volumetric efficiency [%]")
    marks = [injectors.opts(color=MAIN, line_width=2)]
    marks += [meter.opts(color=THIRD, line_width=2, line_dash="dashed")] if has_meter else []
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
    driven = sorted({int(gear) for gear in trace.gear[trace.steady] if gear > 0})
    said = f"gears {', '.join(map(str, driven))}" if len(driven) > 1 else f"gear {driven[0]}" if driven else "no gear"
    options = panel(
        f"Engine speed over road speed: {said} shown steadily; dotted: each gear",
        260,
        xlabel="time [s]",
        ylabel="rpm per km/h",
    )
    return hv.Overlay([everything, steady, *lines]).opts(show_legend=False, **(options | {"ylim": (0, top)}))


SPEED = "road_speed_km_h"
COAST_MARKS = 18  # of one run
RUN_MARKS = ("circle", "square", "triangle", "diamond", "inverted_triangle", "hex")
WAY = {"out": MAIN, "back": THIRD, "unknown": OLD}


def draw_coast_runs(fit: CoastDownFit) -> hv.Overlay:
    """Speed over time of every run as marks over the fitted motion; colour: direction, mark: run."""
    if not fit.shown:
        return draw_absent("Rolling out of gear", fit.because)
    parts: list[hv.Element] = []
    for k, run in enumerate(fit.runs):
        own = fit.trace[fit.trace["run"] == run.number]
        if own.empty:
            continue
        every = max(1, len(own) // COAST_MARKS)
        some = own.iloc[every * k // len(fit.runs) :: every]  # runs that lie on one another show between each other
        fitted = reduce_trace(own["time_s"].to_numpy(), own["fitted_km_h"].to_numpy(), 200)
        label = f"run {run.number}, {run.direction}"
        marks = hv.Scatter((some["time_s"], some["speed_km_h"]), "time", SPEED, label=label)
        parts.append(hv.Curve(fitted, "time", SPEED).opts(color=NEW, line_width=1.2))
        parts.append(marks.opts(color=WAY[run.direction], marker=RUN_MARKS[k % len(RUN_MARKS)], size=7, fill_alpha=0.0))
    title = f"Rolling out of gear: {len(fit.runs)} runs as marks; lines: the fit"
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
