"""Figures of power: the curve with its band, what each input does, a comparison of revisions, the shift chart."""

from __future__ import annotations

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.chart.absent import draw_absent
from tunelab.chart.look import MAIN, NEW, OLD, QUIET, SHADE, THIRD, axis, panel
from tunelab.study.power import PowerComparison, PowerFit
from tunelab.study.shift import ShiftChart

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
    none = "; the next one nowhere pulls harder" if to_limit else "; no speed at which the next one pulls harder shows"
    told = "; upright lines: the next one pulls harder" if marks else none
    options = panel(f"Acceleration in each gear{told}", 380, xlabel=axis("road_speed_km_h"))
    return hv.Overlay([*lines, *marks]).opts(legend_position="top_right", ylabel=axis("acceleration_m_s2"), **options)
