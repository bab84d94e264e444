"""Figures of how the car drives: idle, transients, trims, warm-up, road drives, and launches."""

from __future__ import annotations

from collections.abc import Sequence

import holoviews as hv
import numpy as np
import pandas as pd

from tunelab.channels import CHANNELS
from tunelab.chart.look import AROUND_ZERO, CELL_INK, EDGE, MAIN, NEW, OLD, QUIET, THIRD, axis, panel
from tunelab.study.heat import HeatStudy
from tunelab.study.idle import Hunting, IdleStudy, Spectrum
from tunelab.study.launch import LaunchStudy
from tunelab.study.road import KINDS, RoadDrive
from tunelab.study.transient import NOT_EXPLAINED, TransientStudy
from tunelab.study.trims import TrimStudy

CLOCK = "time from the event [s]"
SEVERAL = "several alike"  # causes of an excursion


def _label(name: str) -> str:
    return axis(name) if name in CHANNELS else {"lambda_at_fuelling": "lambda at fuelling [–]"}.get(name, name)


def nothing_to_draw(title: str, because: str) -> hv.Element:
    """An empty panel that says why there is nothing in it."""
    options = panel(f"{title}: {because}", 110, xlabel="", ylabel="")
    return hv.Scatter(pd.DataFrame({"x": [], "y": []}), "x", "y").opts(xaxis=None, yaxis=None, **options)


def draw_parts(drive: RoadDrive) -> hv.Element:
    """When each part of the drive was: one row per kind."""
    table, kinds = drive.segments, [kind for kind in KINDS[::-1] if kind not in drive.missing]
    if table.empty:
        return nothing_to_draw("Parts of the drive", "none could be named")
    row = {kind: k for k, kind in enumerate(kinds)}
    middle = table["kind"].map(row).astype(float)
    bars = table.assign(bottom=middle - 0.32, top=middle + 0.32)
    boxes = hv.Rectangles(bars, ["start_s", "bottom", "end_s", "top"], ["kind", "seconds", "coolant_c"])
    ticks = [(k, kind) for kind, k in row.items()]
    seconds = table.groupby("kind")["seconds"].sum()
    title = f"Parts of the drive: most of it {seconds.idxmax()}, {seconds.max():.0f} s"
    title += f"; not driven: {', '.join(drive.missing)}" if drive.missing else "; none is missing"
    options = panel(title, 80 + 24 * len(kinds), xlabel="time [s]", ylabel="")
    return boxes.opts(color=MAIN, line_color=MAIN, line_width=1, yticks=ticks, **options)


def draw_overlay(table: pd.DataFrame, channels: Sequence[str], *, title: str, say: str = "") -> hv.Layout:
    """Every event of an overlay on its own zero, one panel per channel; the median of all is drawn heavier.

    The title says how many there are, and how far the median of the channel `say` reaches.
    """
    shown = [name for name in channels if len(table) and np.isfinite(table[name].astype(float)).any()]
    if not shown:
        return hv.Layout([nothing_to_draw(title, "the log shows none")]).cols(1)
    title = f"{title}: {table['event'].nunique()}{_reach(table, say) if say in shown else ''}"
    panels = [_overlaid(table, name, title if name == shown[0] else "") for name in shown]
    return hv.Layout(panels).cols(1)


def _reach(table: pd.DataFrame, name: str) -> str:
    """How far the median of a channel reaches after the event, in words; empty with too few events for one."""
    after = _median(table, name).query("clock_s >= 0")[name]
    if after.empty:
        return ""
    label, _, unit = _label(name).partition(" [")
    unit, places = unit.rstrip("]").replace("–", ""), 0 if after.abs().max() >= 100 else 2
    ends = f"{after.min():.{places}f} to {after.max():.{places}f}"
    return f"; {label} {ends}{f' {unit}' if unit else ''} in the median"


def _overlaid(table: pd.DataFrame, name: str, title: str) -> hv.Overlay:
    paths = [part for _, part in table.dropna(subset=[name]).groupby("event")]
    one_by_one = [
        {
            "clock_s": part["clock_s"].to_numpy(),
            name: part[name].to_numpy(),
            "event at [s]": float(part["at_s"].iloc[0]),
        }
        for part in paths
    ]
    each = hv.Path(one_by_one, ["clock_s", name], "event at [s]").opts(color=MAIN, alpha=0.45, line_width=1.2)
    zero = hv.VLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    middle = hv.Curve(_median(table, name), "clock_s", name).opts(color=NEW, line_width=2.5)
    return (zero * each * middle).opts(show_legend=False, **panel(title, 230, xlabel=CLOCK, ylabel=_label(name)))


def _median(table: pd.DataFrame, name: str) -> pd.DataFrame:
    known = table.dropna(subset=[name])
    place = (known["clock_s"] / 0.1).round() * 0.1
    grouped = known.groupby(place)[name]
    return grouped.median()[grouped.size() >= 2].rename_axis("clock_s").reset_index()


def draw_idle(study: IdleStudy) -> hv.Element:
    """Engine speed less target of every stretch of settled idle, with its spread, against coolant temperature."""
    table = study.stretches.dropna(subset=["error_rpm", "spread_rpm"])
    if table.empty:
        return nothing_to_draw("Idle", study.because or "no settled idle")
    table = table.assign(number=np.arange(1, len(table) + 1).astype(float))
    by = "coolant_c" if np.isfinite(table["coolant_c"].astype(float)).all() else "number"
    bars = hv.ErrorBars(table, by, ["error_rpm", "spread_rpm"]).opts(color=MAIN, lower_head=None, upper_head=None)
    columns = ["error_rpm", "spread_rpm", "start_s", "lambda_error_pct", "spark_deg", "actuator_pct"]
    marks = hv.Scatter(table, by, columns).opts(color=MAIN, size=8, tools=["hover"])
    zero = hv.HLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    label = axis("coolant_c") if by == "coolant_c" else "stretch"
    options = panel(
        f"Idle speed less target: {table['error_rpm'].iloc[-1]:+.0f} rpm at the end; bars: one standard deviation",
        280,
        xlabel=label,
        ylabel="speed error [rpm]",
    )
    return (zero * bars * marks).opts(show_legend=False, **options)


def draw_spectrum(found: Spectrum | None, hunting: Hunting | None) -> hv.Element:
    """Amplitude spectrum of one stretch of idle over the noise around it; the dashed line is the swing, if any."""
    if found is None or hunting is None:
        return nothing_to_draw("Spectrum of the idle", "no unbroken stretch is long enough")
    table = pd.DataFrame({"frequency": found.frequency_hz, "amplitude": found.amplitude_rpm})
    noise = pd.DataFrame({"frequency": found.frequency_hz, "amplitude": np.sqrt(found.scale * found.background)})
    lines = hv.Curve(table, "frequency", "amplitude", label="engine speed").opts(color=MAIN, tools=["hover"])
    level = hv.Curve(noise, "frequency", "amplitude", label="noise around it").opts(color=OLD, line_dash="dashed")
    parts = [lines, level]
    if hunting.shown:
        parts.append(hv.VLine(hunting.frequency_hz).opts(color=NEW, line_dash="dotted", line_width=2))
    title = f"Idle from {hunting.start_s:.0f} s: no regular swing above the noise"
    if hunting.shown:
        title = (
            f"Idle from {hunting.start_s:.0f} s swings by ±{hunting.amplitude_rpm:.1f} rpm, "
            f"{hunting.frequency_hz:.2f} times a second"
        )
    options = panel(title, 260, xlabel="frequency [Hz]", ylabel="amplitude [rpm]")
    return hv.Overlay(parts).opts(legend_position="top", **options)


def draw_excursions(study: TransientStudy) -> hv.Element:
    """Depth of every excursion at tip-in against throttle rate; lean above, rich below zero, marked by its cause."""
    table = study.of_kind("tip-in")
    if table.empty:
        return nothing_to_draw("Excursions at tip-in", study.because or "no tip-in without another event beside it")
    rows = pd.concat([table.assign(depth=table[f"{s}_pct"], cause=table[f"{s}_cause"]) for s in ("lean", "rich")])
    looks = {
        "film": (NEW, "triangle"), "enrichment": (THIRD, "square"), "metering": (MAIN, "circle"),
        SEVERAL: (MAIN, "diamond"), NOT_EXPLAINED: (OLD, "x"), "": (QUIET, "dash"),
    }  # fmt: skip
    look = rows["cause"].where(rows["cause"].isin(list(looks)), SEVERAL)
    columns = ["depth", "cause", "at_s", "engine_speed_rpm", "coolant_c", "air_from_kg_h", "air_to_kg_h"]
    marks = [
        hv.Scatter(rows[look == cause], "rate_pct_s", columns, label=cause or "too small for a cause").opts(
            color=colour, marker=mark, size=9, tools=["hover"]
        )
        for cause, (colour, mark) in looks.items()
        if (look == cause).any()
    ]
    zero = hv.HLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    deepest = f"{rows['depth'].max():+.1f} % lean, {rows['depth'].min():+.1f} % rich"
    title = f"Excursions at {len(table)} tip-ins: deepest {deepest}"
    options = panel(title, 320, xlabel="throttle rate [%/s]", ylabel="lean above, rich below [%]")
    return hv.Overlay([zero, *marks]).opts(legend_position="top", legend_cols=3, **options)


def draw_film_fit(study: TransientStudy, *, most: int) -> hv.Layout:
    """Lambda as measured and as film, manifold and sensor predict it, in the most disturbed stretches."""
    table = study.predicted
    if table.empty:
        return hv.Layout(
            [nothing_to_draw("Film and sensor against lambda", study.because or "nothing was fitted")]
        ).cols(1)
    off = float((table["measured"] - table["predicted"]).abs().quantile(0.9))
    span = table.groupby("window")["measured"].agg(lambda v: v.max() - v.min()).sort_values(ascending=False)
    panels: list[hv.Overlay] = []
    for window in sorted(span.index[:most]):
        own = table[table["window"] == window].sort_values("time_s")
        seen = hv.Scatter(own, "time_s", "measured", label="measured").opts(color=MAIN, size=4, tools=["hover"])
        model = hv.Curve(own, "time_s", "predicted", label="predicted").opts(color=NEW, line_width=2)
        told = f"Lambda in the most disturbed stretches: 90 % of all readings lie within {off:.3f} of the prediction"
        title = told if not panels else ""
        labels = panel(title, 200, xlabel="time [s]", ylabel=axis("lambda_measured"))
        panels.append((seen * model).opts(show_legend=not panels, legend_position="top", **labels))
    return hv.Layout(panels).cols(1).opts(shared_axes=False)


def draw_films(study: TransientStudy) -> hv.Layout:
    """Share and time constant of the film by region, with intervals; grey where film and lag are not separated."""
    known = [film for film in study.films if film.share.shown]
    if not known:
        return hv.Layout([nothing_to_draw("Wall film", study.because or "not shown in any region")]).cols(1)
    parts = (("share X [–]", "share"), ("time constant [s]", "tau_s"))
    return hv.Layout([_film_panel(known, label, name) for label, name in parts]).cols(1).opts(shared_axes=False)


def _film_panel(films: list, label: str, name: str) -> hv.Overlay:
    each = [(k, f.region, getattr(f, name), f.told_apart) for k, f in enumerate(films[::-1])]
    rows = [(k, region, e.value, e.lower, e.upper, told) for k, region, e, told in each if e.shown]
    table = pd.DataFrame(rows, columns=["row", "region", "value", "lower", "upper", "separated"])
    parts = []
    for told, colour in ((True, MAIN), (False, OLD)):
        own = table[table["separated"] == told]
        parts.append(hv.Segments(own.assign(end=own["row"]), ["lower", "row", "upper", "end"]).opts(
            color=colour, line_width=6, alpha=0.35
        ))  # fmt: skip
        parts.append(hv.Scatter(own, "value", ["row", "region", "lower", "upper"]).opts(
            color=colour, size=10, tools=["hover"]
        ))  # fmt: skip
    ticks = [(k, film.region) for k, film in enumerate(films[::-1])]
    ends = dict.fromkeys(f"{end:.2f}" for end in (table["value"].min(), table["value"].max()))
    reach = " to ".join(ends)
    title = f"Wall film: share {reach} by region; grey: not separated from sensor lag" if name == "share" else ""
    options = panel(title, 110 + 28 * len(films), xlabel=label, ylabel="")
    return hv.Overlay(parts).opts(yticks=ticks, ylim=(-0.6, len(films) - 0.4), show_legend=False, **options)


def draw_trims(study: TrimStudy) -> hv.Element:
    """Total trim over engine speed and load, as a number and a tone."""
    table = study.cells
    if table.empty:
        return nothing_to_draw("Trims", study.because or "no cell was driven long enough")
    reach = max(float(table["total_pct"].abs().max()), 1.0)
    corners = ["speed_from_rpm", "load_from_pct", "speed_to_rpm", "load_to_pct"]
    columns = ["total_pct", "lower_pct", "upper_pct", "seconds", "spread_pct", "long_pct"]
    cells = hv.Rectangles(table, corners, columns).opts(
        color="total_pct", cmap=list(AROUND_ZERO), clim=(-reach, reach), tools=["hover"], **EDGE,
    )  # fmt: skip
    words = pd.DataFrame(
        {
            "speed": (table["speed_from_rpm"] + table["speed_to_rpm"]) / 2,
            "load": (table["load_from_pct"] + table["load_to_pct"]) / 2,
            "text": [f"{round(v, 1) + 0.0:+.1f}" for v in table["total_pct"]],  # no "-0.0"
        }
    )
    numbers = hv.Labels(words, ["speed", "load"], "text").opts(text_color=CELL_INK, text_font_size="8pt")
    title = f"Total fuel trim [%]: {table['total_pct'].min():+.1f} to {table['total_pct'].max():+.1f}"
    options = panel(title, 340, xlabel=axis("engine_speed_rpm"), ylabel="load [%]")
    return (cells * numbers).opts(show_legend=False, **(options | {"padding": 0}))


def draw_heat(study: HeatStudy) -> hv.Layout:
    """Lambda error with trims at zero against coolant and intake temperature, with the intervals of its bins."""
    if not study.shown:
        return hv.Layout([nothing_to_draw("Mixture against temperature", study.because)]).cols(1)
    parts = ((study.by_coolant, "coolant"), (study.by_intake, "intake_air"))
    return hv.Layout([_heat_panel(table, stem) for table, stem in parts if len(table)]).cols(1).opts(shared_axes=False)


def _heat_panel(table: pd.DataFrame, stem: str) -> hv.Overlay:
    middle = (table[f"{stem}_from_c"] + table[f"{stem}_to_c"]) / 2
    known = table.assign(
        at=middle, below=table["error_pct"] - table["lower_pct"], above=table["upper_pct"] - table["error_pct"]
    )
    bars = hv.ErrorBars(known.dropna(), "at", ["error_pct", "below", "above"]).opts(
        color=MAIN, lower_head=None, upper_head=None
    )
    columns = ["error_pct", "lower_pct", "upper_pct", "trim_pct", "seconds"]
    marks = hv.Scatter(known, "at", columns).opts(color=MAIN, size=9, tools=["hover"])
    zero = hv.HLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    bins = [table.iloc[k] for k in dict.fromkeys((0, len(table) - 1))]  # one bin is no course
    ends = ", then ".join(
        f"{b['error_pct']:+.1f} % at {b[f'{stem}_from_c']:.0f} to {b[f'{stem}_to_c']:.0f} °C" for b in bins
    )
    what = "Lambda error with trims at zero, lean above" if stem == "coolant" else "The same by intake air, warm engine"
    title = f"{what}: {ends}"
    options = panel(title, 260, xlabel=axis(f"{stem}_c"), ylabel="error [%]")
    return (zero * bars * marks).opts(show_legend=False, **options)


LOOKS = (
    (MAIN, "circle", "solid"),
    (NEW, "square", "dashed"),
    (THIRD, "triangle", "dotted"),
    (OLD, "diamond", "dashdot"),
)


def draw_launches(table: pd.DataFrame, channels: Sequence[str]) -> hv.Layout:
    """Every launch of an overlay from its release on, one panel per channel, one look per driver.

    `table` is what `overlay` gives, with a column `driver`.
    """
    shown = [name for name in channels if len(table) and np.isfinite(table[name].astype(float)).any()]
    if not shown:
        return hv.Layout([nothing_to_draw("Launches", "the log shows none")]).cols(1)
    return hv.Layout([_panel(table, name, first=name == shown[0]) for name in shown]).cols(1)


def _launches(table: pd.DataFrame) -> str:
    """How many launches there are, and how far engine speed falls after the release."""
    title = f"Launches from their release: {table['event'].nunique()}"
    speed = table.loc[table["clock_s"] >= 0, "engine_speed_rpm"] if "engine_speed_rpm" in table else pd.Series()
    low = speed.astype(float).min()
    return f"{title}; engine speed falls as low as {low:.0f} rpm" if np.isfinite(low) else title


def _panel(table: pd.DataFrame, name: str, *, first: bool) -> hv.Overlay:
    parts = [hv.VLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)]
    for (driver, rows), (colour, _, dash) in zip(table.groupby("driver"), LOOKS * 4, strict=False):
        curve = hv.Curve(_with_breaks(rows, name), "clock_s", name, label=str(driver) or "driver not named")
        parts.append(curve.opts(color=colour, alpha=0.6, line_width=1.4, line_dash=dash))
    title = _launches(table) if first else ""
    options = panel(title, 260, xlabel="time from the release [s]", ylabel=axis(name))
    return hv.Overlay(parts).opts(legend_position="top", show_legend=first, **options)


def _with_breaks(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """Launches one after another with an empty row behind each, so that one line draws them all apart."""
    empty = pd.DataFrame({"clock_s": [np.nan], name: [np.nan]})
    parts = [part for _, own in rows.dropna(subset=[name]).groupby("event") for part in (own[["clock_s", name]], empty)]
    return pd.concat(parts, ignore_index=True) if parts else empty


def draw_times(study: LaunchStudy) -> hv.Element:
    """Time to the distance of every launch with its interval, by driver."""
    table = study.table()
    table = table[np.isfinite(table["time_to_distance_s"].astype(float))] if len(table) else table
    if table.empty:
        return nothing_to_draw("Times", study.because or "no launch reached the distance")
    table = table.assign(
        at=np.arange(1, len(table) + 1).astype(float),
        below=table["time_to_distance_s"] - table["time_lower_s"],
        above=table["time_upper_s"] - table["time_to_distance_s"],
        who=table["driver"].replace("", "driver not named"),
    )
    parts = []
    for (driver, own), (colour, mark, _) in zip(table.groupby("who"), LOOKS * 4, strict=False):
        bars = hv.ErrorBars(own, "at", ["time_to_distance_s", "below", "above"])
        parts.append(bars.opts(color=colour, lower_head=None, upper_head=None))
        columns = ["time_to_distance_s", "session", "number", "held_rpm", "bog_rpm", "slip_peak_pct"]
        marks = hv.Scatter(own, "at", columns, label=str(driver))
        parts.append(marks.opts(color=colour, marker=mark, size=9, tools=["hover"]))
    quickest, slowest = table["time_to_distance_s"].min(), table["time_to_distance_s"].max()
    title = f"Time to {study.distance_m:g} m from the first movement: {quickest:.2f} to {slowest:.2f} s"
    return hv.Overlay(parts).opts(legend_position="top", **panel(title, 300, xlabel="launch", ylabel="time [s]"))


def draw_contrasts(study: LaunchStudy) -> hv.Element:
    """Differences between drivers over half the width of their interval: what lies outside of ±1 is a difference."""
    rows = [
        (c.quantity, f"{c.first} less {c.second}", c.difference / half, (c.lower - c.difference) / half, c.sentence)
        for c in study.contrasts
        if np.isfinite(half := (c.upper - c.lower) / 2) and half > 0
    ]
    if not rows:
        return nothing_to_draw("Drivers", "two drivers with two launches each are wanted")
    table = pd.DataFrame(rows, columns=["quantity", "pair", "size", "side", "sentence"])
    table = table.assign(row=np.arange(len(table))[::-1].astype(float))
    spans = table.assign(low=table["size"] - 1, high=table["size"] + 1, end=table["row"])
    bars = hv.Segments(spans, ["low", "row", "high", "end"]).opts(color=MAIN, line_width=6, alpha=0.35)
    marks = hv.Scatter(table, "size", ["row", "sentence"]).opts(color=MAIN, size=10, tools=["hover"])
    zero = hv.VLine(0.0).opts(color=OLD, line_dash="dashed", line_width=1)
    one = table["pair"].nunique() == 1  # its names then stand below, where a phone has room for them
    ticks = [
        (row, q if one else f"{q} ({p})")
        for row, q, p in zip(table["row"], table["quantity"], table["pair"], strict=True)
    ]
    scale = "over half the interval [–]"
    text = f"{table['pair'].iloc[0]}, {scale}" if one else scale
    apart = int((table["size"].abs() > 1).sum())
    title = f"Differences between drivers: {apart} of {len(table)} shown; a bar that crosses the dashed line shows none"
    options = panel(title, 110 + 32 * len(table))
    labels = options | {"xlabel": text, "ylabel": ""}
    return (zero * bars * marks).opts(yticks=ticks, ylim=(-0.6, len(table) - 0.4), show_legend=False, **labels)
