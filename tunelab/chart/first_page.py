"""The still pictures of a record's first page, and of the page over all records.

Limits used, the meter's curve before and after, lambda off commanded; how one number moved from drive to drive. Each
draws a table of the record and says in its title and description what came out. What is not in the table is not
in the picture: a record without the table has no such picture.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from tunelab.channels import channel
from tunelab.chart.picture import draw_gauges, draw_picture
from tunelab.chart.picture_parts import Axis, Cells, Gauge, Line, Picture, Points, Rule
from tunelab.study.explore_cells import LoadMap

GAUGES_SHOWN = 8  # as many as a phone shows at once
LEAST_SAMPLES = 10  # of a cell: fewer are a passing moment
LEAST_CELLS = 4
FULL_SHADE_PCT = 5.0  # lambda so far off has the deepest shade, unless some of it is further off
UNRULED = 3.0  # an interval's end so many times further out than the other does not set the range
DRIVEN = ("measured", "pulls")  # basis of the breakpoints that the drive itself shows; the others lean on these
CUT = 0.1  # of the axis: a bar that runs out of it by less is not spoken of
SHORT = {
    "lean_under_load": "Lean at load, trims at work", "lambda_full_load": "Lambda at full throttle",
    "knock_retard": "Knock retard", "injector_duty": "Injector duty", "meter_headroom": "Air-meter headroom",
    "boost": "Boost", "coolant": "Coolant", "coolant_cold": "Coolant at full throttle",
    "coolant_rise": "Coolant rise in a pull", "intake_air": "Intake air", "intake_air_rise": "Intake-air rise, a pull",
    "oil_temperature": "Oil temperature", "exhaust": "Exhaust gas", "oil_pressure": "Oil pressure",
    "fuel_pressure_drop": "Fuel-pressure drop", "battery": "Battery voltage", "engine_speed": "Engine speed",
    "limiter": "Engine speed, by the limiter", "road_speed": "Road speed",
    "steady.lean_at_load": "Lean at load, trims out", "part_throttle.lean": "Lean within a pull",
}  # fmt: skip
GATE_NAMES = {
    "steady": "Steady lambda error", "full_throttle": "Lambda, full throttle", "knock": "Knock, full throttle",
    "duty": "Injector duty", "headroom": "Meter headroom", "temperatures": "Temperatures", "battery": "Battery",
    "oil_pressure": "Oil pressure", "fuel_pressure": "Fuel-pressure drop", "idle": "Idle", "return": "Return to idle",
    "link": "Drop-outs of the link", "launch": "Launch hold", "under_load": "Every drive", "supply": "Every drive",
    "speeds": "Every drive", "lean_at_load": "Lean at steady load", "fresh": "Driven since the change",
}  # fmt: skip
TREND_LOG = 5.0  # largest over smallest from which a trend is drawn on a logarithmic scale
THIRD = 1 / 3  # of a trend's width, which the limit's words may take
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
TONE = {"stop": "stop", "watch": "watch", "met": "met"}


@dataclass(frozen=True)
class Moment:
    """One value of a trend, of one drive. The ends of its interval are NaN where it has none."""

    date: datetime.date
    value: float
    lower: float
    upper: float


def limit_gauges(
    findings: list[Mapping], margins: Mapping[str, float], said: Mapping[str, str] | None = None
) -> list[Gauge]:
    """How much of each limit was used, most first.

    Parameters
    ----------
    findings : list of mapping
        Findings as results.json holds them; those with a margin count.
    margins : mapping
        For each finding's title how far inside the limit it lies: its sign tells a maximum from a minimum.
    said : mapping, optional
        For each finding's title its value as the page writes it, without the unit; else three digits are written.

    Returns
    -------
    list of Gauge
        Value over limit, or limit over value where less is worse; without those that were not shown.
    """
    own = [f for f in findings if f["value"] is not None and f["title"] in margins]
    words = {f["title"]: _plain(f["value"]) for f in own} | dict(said or {})
    gauges = [gauge for f in own for gauge in [_gauge(f, margins[f["title"]], words[f["title"]])] if gauge]
    return sorted(gauges, key=lambda gauge: -gauge.used)


def _gauge(finding: Mapping, margin: float, said: str) -> Gauge | None:
    value, limit = finding["value"], finding["limit"]
    is_most = np.isclose(margin, limit - value, atol=1e-9 + 1e-6 * abs(limit))
    if not (limit > 0 and (is_most or value > 0)):
        return None
    end = finding["upper"] if is_most else finding["lower"]
    used, upper = (
        np.nan if v is None else 100 * v / limit if is_most else 100 * limit / v if v > 0 else np.nan
        for v in (value, end)
    )
    unit = {"1": "", "°": "°"}.get(finding["unit"], f" {finding['unit']}")
    name = SHORT.get(finding["id"].removeprefix("limits."), finding["title"])
    text = f"{said} of {_plain(limit)}{unit}" if is_most else f"{said}{unit}, least {_plain(limit)}{unit}"
    return Gauge(name, max(used, 0.0), upper, text, TONE[finding["status"]])


def _plain(value: float) -> str:
    """Three digits, none after the point from a hundred on, no exponent."""
    text = f"{value:.0f}" if abs(value) >= 100 else f"{float(f'{value:.3g}'):g}"
    return text.replace("-", "−")


def gate_gauges(margins: pd.DataFrame) -> list[Gauge]:
    """How much of its limit each gate of readiness used, the most pressing first; of one not shown an empty track.

    `margins` is what `Readiness.margins` gives; with a column `said` that is how a value is written, without unit.
    """
    gauges = [_gate_gauge(row) for row in margins.itertuples()]
    return sorted(gauges, key=lambda gauge: bool(np.isnan(gauge.used)))  # what has a value before what has none


def _gate_gauge(row: Any) -> Gauge:
    name = GATE_NAMES.get(row.gate, row.title)
    if name == "Every drive" and row.id:
        what = SHORT.get(row.id.removeprefix("limits."), row.title)
        name = f"{name}: {what if what[1:2].isupper() else what[:1].lower() + what[1:]}"
    elif name == "Every drive":
        name = row.title
    step = getattr(row, "step", "")
    if row.status == "not_shown":
        return Gauge(name, np.nan, np.nan, f"not shown: drive {step}" if step else "not shown", "quiet")
    unit = {"1": "", "°": "°", "1/h": " per hour"}.get(row.unit, f" {row.unit}")
    value, limit = getattr(row, "said", "") or _plain(row.value), _plain(row.limit)
    text = f"{value}{unit}, least {limit}{unit}" if row.is_least else f"{value} of {limit}{unit}"
    return Gauge(name, row.used_pct, row.reach_pct, text, TONE[row.status])


def draw_gates(margins: pd.DataFrame, gates: int) -> Picture | None:
    """Draw the gates that press most, each against its limit; None where none was compared with one.

    `margins` is what `Readiness.margins` gives, `gates` how many there are in all.
    """
    if margins.empty:
        return None
    gauges, title = gate_gauges(margins), gates_title(margins, gates)
    told = "; ".join(f"{g.name} {g.text}" + (f", {g.used:.0f} %" if np.isfinite(g.used) else "") for g in gauges)
    left = [gauge.used for gauge in gauges[GAUGES_SHOWN:] if np.isfinite(gauge.used)]
    empty = len(gauges[GAUGES_SHOWN:]) - len(left)
    more = [f"{len(left)} more: at most {max(left):.0f} % used"] if left else []
    more += [f"{empty} more: not shown"] if empty else []
    note = f"{'; '.join(more)}." if more else ""
    told = f"How much of its limit each gate used: {told}."
    return draw_gauges(title, told, gauges[:GAUGES_SHOWN], note)


def gates_title(margins: pd.DataFrame, gates: int) -> str:
    """How many gates are met, and how many are not: `Of 18 checks 2 at stop, 4 to watch, 12 met`."""
    words = {"stop": "at stop", "not_shown": "not shown", "watch": "to watch"}
    counts = [(int((margins["status"] == status).sum()), text) for status, text in words.items()]
    counts.append((gates - sum(count for count, _ in counts), "met"))
    told = [f"{count} {text}" for count, text in counts if count]
    return f"Of {gates} checks {', '.join(told)}; the line: the limit"


def draw_limits_used(gauges: list[Gauge]) -> Picture | None:
    """Draw the limits that were used most; None without any."""
    if not gauges:
        return None
    passed = [gauge for gauge in gauges if gauge.used > 100]
    nearest = next((gauge for gauge in gauges if gauge.used <= 100), None)
    parts = [
        ("Past its limit", [g for g in passed if g.tone == "stop"]),
        ("Past a limit that can wait", [g for g in passed if g.tone != "stop"]),
    ]
    named = [f"{what}: {', '.join(g.name.lower() for g in own)}" for what, own in parts if own]
    head = "; ".join(named) or "No limit was passed"
    next_ = f"{'next' if passed else 'nearest'}: {nearest.name.lower()}, {nearest.used:.0f} % used" if nearest else ""
    title = "; ".join(part for part in (head, next_) if part)
    told = "; ".join(f"{g.name} {g.text}, {g.used:.0f} %" for g in gauges)
    left = gauges[GAUGES_SHOWN:]
    note = f"{len(left)} more: at most {left[0].used:.0f} % used." if left else ""
    return draw_gauges(title, f"How much of each of the owner's limits was used: {told}.", gauges[:GAUGES_SHOWN], note)


def draw_curve_change(curve: pd.DataFrame, meter: str, proposed: str) -> Picture | None:
    """Draw how far the meter's curve is off, with intervals, and what the proposal leaves of it.

    Parameters
    ----------
    curve : DataFrame
        A record's table `meter_curve` or `meter_high_flow`; its first column holds the reading.
    meter : str
        The meter's channel.
    proposed : str
        Name of the proposed revision; empty where nothing is to be entered.

    Returns
    -------
    Picture or None
        None where no breakpoint was measured.
    """
    known = curve[np.isfinite(curve["factor"].astype(float)) & (curve["flow_in_force_kg_h"] > 0)]
    if known.empty:
        return None
    x, unit = known[curve.columns[0]].to_numpy(dtype=float), channel(meter).shown_unit
    now = [100 * (known[c].to_numpy(dtype=float) - 1) for c in ("factor", "factor_lower", "factor_upper")]
    ratio = (known["flow_in_force_kg_h"] / known["flow_proposed_kg_h"]).to_numpy(dtype=float)
    left = 100 * (known["factor"].to_numpy(dtype=float) * ratio - 1)
    driven = known["basis"].isin(DRIVEN).to_numpy() if known["basis"].isin(DRIVEN).any() else np.ones(x.size, bool)
    worst = int(np.argmax(np.where(driven, np.abs(now[0]), -1.0)))
    title = (
        f"Meter curve at its breakpoints: {_percent(now[0][worst])} % at {x[worst]:g} {unit}, where it is furthest off"
    )
    marks: list = [Rule(0.0, ""), Points(x, now[0], "main", "now, with interval", now[1], now[2], "ring")]
    if proposed:
        title = f"{title}; {np.max(np.abs(left[driven])):.1f} % at most with {proposed}"
        marks.append(Points(x, left, "new", f"with {proposed}", shape="diamond"))
    ends = [_tamed(now[0], end, other) for end, other in ((now[1], now[2]), (now[2], now[1]))]
    told = "; ".join(
        f"{a:g} {unit} {_percent(b)} ({_percent(c)} to {_percent(d)})" + (f", then {_percent(e)}" if proposed else "")
        for a, b, c, d, e in zip(x, *now, left, strict=True)
    )
    axis = Axis.over("true flow against the curve [%]", now[0], *ends, left if proposed else 0.0, [-1.0, 1.0])
    far = CUT * (axis.high - axis.low)
    is_cut = bool((now[1] < axis.low - far).any() or (now[2] > axis.high + far).any())
    note = "Bars that run out of the picture: a leak into the exhaust could hide there." if is_cut else ""
    across = Axis.over(channel(meter).axis_label, x, room=0.03)
    return draw_picture(title, f"By reading, in per cent: {told}.", across, axis, marks, note=note)


def _percent(value: float) -> str:
    """A signed share with one decimal and a real minus."""
    return f"{value:+.1f}".replace("-", "−")


def _tamed(value: np.ndarray, end: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Ends of intervals for the range of the axis: a far longer side counts only so far."""
    reach = UNRULED * np.maximum(np.abs(other - value), 0.5)
    return value + np.clip(end - value, -reach, reach)


def draw_lambda_off(found: LoadMap, besides: str = "") -> Picture | None:
    """Draw lambda against commanded over engine speed and load; None where too few cells were driven.

    `besides` is said under the picture.
    """
    known = (found.count >= LEAST_SAMPLES) & np.isfinite(found.mean)
    rows, columns = np.nonzero(known)
    off, speeds, loads = found.mean[known], found.speed_edges_rpm, found.load_edges
    if known.sum() < LEAST_CELLS or len(set(columns.tolist())) == 1:  # one speed, such as idle alone, is no map
        return None
    full = max(FULL_SHADE_PCT, float(np.max(np.abs(off))))
    where = [
        f"{speeds[c]:.0f}–{speeds[c + 1]:.0f} rpm, {loads[r]:.0f}–{loads[r + 1]:.0f}"
        for r, c in zip(rows, columns, strict=True)
    ]
    told = [f"{_side(value)}, {place}" for value, place in zip(off, where, strict=True)]
    lean, rich = int(np.argmax(off)), int(np.argmin(off))
    ends = [told[lean]] if off[rich] > 0 else [told[rich]] if off[lean] < 0 else [told[lean], told[rich]]
    title = f"Lambda against commanded, trims taken out: {_side(off[lean])} to {_side(off[rich])}"
    description = (
        f"Leanest and richest of {known.sum()} cells of engine speed and {found.load_label}: {'; '.join(ends)}."
    )
    cells = Cells(
        speeds[columns], speeds[columns + 1], loads[rows], loads[rows + 1], off, full, told
    )  # fmt: skip
    x = Axis("engine speed [rpm]", float(speeds[columns].min()), float(speeds[columns + 1].max()))
    y = Axis(found.load_label, float(loads[rows].min()), float(loads[rows + 1].max()))
    note = " ".join(text for text in ("In per cent, + lean and − rich; means of steady moments.", besides) if text)
    return draw_picture(title, description, x, y, [cells], note=note)


def draw_pull_lambda_off(bins: pd.DataFrame) -> Picture | None:
    """Draw lambda against what it is to be at full throttle over engine speed; None where that is not known.

    That is the target of the revision (`meant`), where it states one beside what it commands; in records without that
    column, which are older, what was commanded.
    """
    goal = "meant" if "meant" in bins else "commanded"
    known = bins[np.isfinite(bins[goal].astype(float)) & np.isfinite(bins["lambda"].astype(float))]
    if len(known) < LEAST_CELLS:
        return None
    x = known["engine_speed_rpm"].to_numpy(dtype=float)
    off, lower, upper = (100 * (known[c] / known[goal] - 1).to_numpy(dtype=float) for c in ("lambda", "lower", "upper"))
    lean, rich = int(np.argmax(off)), int(np.argmin(off))
    is_other = goal == "meant" and not np.allclose(known[goal], known["commanded"], rtol=0, atol=1e-6)
    name = "target" if is_other else "commanded"
    title = f"Full throttle, mean of all pulls: lambda {_side(off[lean])} of {name} at {x[lean]:.0f} rpm"
    if off[rich] < 0 < off[lean]:
        title += f", {_side(off[rich])} at {x[rich]:.0f} rpm"
    told = "; ".join(f"{a:.0f} rpm {_side(b)}" for a, b in zip(x, off, strict=True))
    points = Points(x, off, "main", "", lower, upper, "ring")
    axis = Axis.over(f"lean (+) or rich (−) of {name} [%]", off, lower, upper, [-1.0, 1.0])
    across = Axis.over("engine speed [rpm]", x, room=0.04)
    return draw_picture(title, f"Mean of all pulls by engine speed: {told}.", across, axis, [Rule(0.0, ""), points])


def _side(value: float) -> str:
    """Lambda off commanded in words: `3 % lean`."""
    text = f"{abs(value):.1f}"
    return "0.0 %" if text == "0.0" else f"{text} % {'lean' if value > 0 else 'rich'}"


def draw_trend(title: str, moments: Sequence[Moment], limit: float | None) -> Picture:
    """Draw how one number moved from drive to drive, with its intervals and its limit.

    A number that fell or rose to a fifth, never below zero, is drawn on a logarithmic scale: else the end looks like
    nothing.
    """
    x = [moment.date.toordinal() for moment in moments]
    value, lower, upper = (np.array([getattr(m, name) for m in moments]) for name in ("value", "lower", "upper"))
    known = [*value, *(() if limit is None else (limit,))]
    is_log = min(known) > 0 and max(known) / min(known) > TREND_LOG
    ends = [_tamed(value, end, other) for end, other in ((lower, upper), (upper, lower))]
    ends = [np.where(end > 0, end, np.nan) for end in ends] if is_log else ends
    y = Axis.over("", known, *ends, room=0.1, is_log=is_log)
    days = sorted(set(x))
    across = Axis("", days[0] - 0.5, days[-1] + 0.5, places=tuple(_days(days)))
    marks: list = []
    if limit is not None:  # its words stand where the values are further from it
        away = [abs(y.place(item, 1.0) - y.place(limit, 1.0)) for item in value]
        share = [(day - x[0]) / max(x[-1] - x[0], 1) for day in x]
        sides = ([a for a, s in zip(away, share, strict=True) if s <= THIRD], away[-1:])
        off = [min(sides[0]), min([*sides[1], *(a for a, s in zip(away, share, strict=True) if s >= 1 - THIRD)])]
        marks.append(Rule(limit, f"limit {_plain(limit)}", begins=off[0] > off[1]))
    marks += [Line(x, value, "main"), Points(x, value, "main", "", lower, upper)]
    told = "; ".join(f"{m.date.isoformat()} {_plain(m.value)}" for m in moments)
    return draw_picture(title, told, across, y, marks, height=110)


def _days(days: Sequence[int]) -> list[tuple[float, str]]:
    """Days that have room for their name on an axis, the first and the last among them."""
    least = (days[-1] - days[0]) / 6
    kept = [days[0]]
    for day in days[1:-1]:
        if day - kept[-1] >= least and days[-1] - day >= least:
            kept.append(day)
    kept += [days[-1]] if days[-1] != days[0] else []
    return [(float(day), day_of(datetime.date.fromordinal(day))) for day in kept]


def day_of(date: datetime.date) -> str:
    """A day without its year: `3 May`."""
    return f"{date.day} {MONTHS[date.month - 1]}"
