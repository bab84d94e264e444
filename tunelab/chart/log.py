"""Figures of a log itself: channels over time, what is flagged when, when the link broke, and the signals' noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import holoviews as hv
import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.chart.look import (
    CELL_INK,
    EDGE,
    MAIN,
    NEW,
    OLD,
    QUIET,
    READING_WIDTH,
    SEQUENCE,
    SHADE,
    THIRD,
    axis,
    draw_absent,
    panel,
    reduce_trace,
)
from tunelab.log.flag import MASKS, NOT_LOGGED
from tunelab.study.link import LinkAccount, LinkStudy, NoiseTable, OrderNoise
from tunelab.study.link.study import Wiring

IMPOSSIBLE = MASKS["spike"] | MASKS["out_of_range"]
ROOM = 0.2  # beyond the readings of a panel, of their range
EVENT_REASONS = ("spike", "gap", "stale", "fuel_cut", "rail", "out_of_range", "missing", "excluded")
EVENT_S = 8.0  # full-rate window round an event
EVENT_CHANNELS = ("lambda_measured", "engine_speed_rpm")  # drawn where a reason concerns the whole sample


@dataclass(frozen=True)
class Window:
    """A stretch of the log that is worth a look at full rate."""

    title: str
    channel: str
    start_s: float
    end_s: float


def draw_trace(log: xr.Dataset, channels: Sequence[str], *, flagged: pd.DataFrame) -> hv.Layout:
    """Channels one below the other over a shared time axis; flagged samples in a quiet tone, whole stretches shaded.

    Parameters
    ----------
    log : Dataset
        Flagged log; channels that it does not have are left out. What is longer than 2400 samples is thinned to the
        least and the greatest value of each pixel column.
    channels : sequence of str
        Canonical names, top to bottom.
    flagged : DataFrame
        What `spans` returned; stretches of the channel "all" are shaded.

    Raises
    ------
    ValueError
        The log has none of the channels.
    """
    names, shaded = logged(log, channels), shade_stretches(log, flagged)
    panels = [_channel_panel(log, name, shaded, "", 130).opts(ylim=reach_of_possible(log, name)) for name in names[:-1]]
    last = _channel_panel(log, names[-1], shaded, "", 170)
    panels.append(last.opts(xlabel="time [s]", ylim=reach_of_possible(log, names[-1])))
    panels[0].opts(title=f"{say_flagged(log, names)}; flagged samples are grey, flagged stretches shaded", height=150)
    return hv.Layout(panels).cols(1)


def logged(log: xr.Dataset, channels: Sequence[str]) -> list[str]:
    """Those of some channels that a log has; ValueError where it has none."""
    names = [name for name in channels if name in log]
    if not names:
        raise ValueError(f"the log has none of the channels {', '.join(channels)}.")
    return names


def say_flagged(log: xr.Dataset, names: Sequence[str]) -> str:
    """Which of the drawn channels has most readings flagged, and what share of them."""
    shares = {}
    for name in names:
        known = np.isfinite(log[name].to_numpy())
        left = np.isfinite(_trusted(log, name))
        shares[name] = 100 * (1 - left.sum() / known.sum()) if known.any() else 0.0
    most = max(shares, key=lambda name: shares[name])
    if not shares[most] > 0:
        return "Nothing is flagged here"
    return f"Most flagged: {channel(most).label}, {shares[most]:.0f} %"


def _channel_panel(log: xr.Dataset, name: str, shaded: hv.Element, title: str, height: int) -> hv.Overlay:
    """One channel: all samples in a quiet tone, and the trusted ones over it."""
    time, values, trusted = log["time"].to_numpy(), log[name].to_numpy(), _trusted(log, name)
    everything = hv.Curve(reduce_trace(time, values, READING_WIDTH), "time", name).opts(color=QUIET, line_width=1)
    kept = hv.Curve(reduce_trace(time, trusted, READING_WIDTH), "time", name).opts(
        color=MAIN, line_width=1.3, tools=["hover"]
    )
    options = panel(title, height, xlabel="", ylabel=axis(name))
    return (shaded * everything * kept).opts(show_legend=False, **(options | {"tools": []}))


def _trusted(log: xr.Dataset, name: str) -> np.ndarray:
    flags = log["sample_flag"].to_numpy() | log[f"{name}_flag"].to_numpy()
    return np.where(flags == 0, log[name].to_numpy(), np.nan)


def reach_of_own(log: xr.Dataset, name: str) -> tuple[float, float] | tuple[None, None]:
    """Range that holds all readings that carry no flag of their channel's own: whole drives count, spikes do not."""
    own = log[name].to_numpy()
    flags = log[f"{name}_flag"].to_numpy() if f"{name}_flag" in log else np.zeros(own.shape, dtype=int)
    return _reach_of(own[(flags == 0) & np.isfinite(own)])


def reach_of_possible(log: xr.Dataset, name: str, room: float = ROOM) -> tuple[float, float] | tuple[None, None]:
    """Range of a panel: a fuel cut or a transient counts, a spike or an impossible value runs out of it."""
    values, flags = log[name].to_numpy(), log[f"{name}_flag"].to_numpy()
    return _reach_of(values[np.isfinite(values) & ((flags & IMPOSSIBLE) == 0)], room)


def _reach_of(known: np.ndarray, room: float = ROOM) -> tuple[float, float] | tuple[None, None]:
    if not known.size:
        return (None, None)
    low, high = float(known.min()), float(known.max())
    beyond = room * (high - low) or 0.05 * abs(high) or 1.0
    return (low - beyond, high + beyond)


def shade_stretches(log: xr.Dataset, flagged: pd.DataFrame) -> hv.Element:
    """Shade stretches that concern whole samples; those that would touch on the screen are drawn as one."""
    time = log["time"].to_numpy()
    first, last = (float(time[0]), float(time[-1])) if time.size else (0.0, 0.0)
    whole = flagged[(flagged["channel"] == "all") & (flagged["end_s"] >= first) & (flagged["start_s"] <= last)]
    starts, ends = _join(whole["start_s"].to_numpy(), whole["end_s"].to_numpy(), (last - first) / READING_WIDTH)
    return hv.VSpans((starts, ends), ["start", "end"]).opts(color=SHADE, alpha=0.16, line_alpha=0)


def _join(starts: np.ndarray, ends: np.ndarray, gap: float) -> tuple[list[float], list[float]]:
    joined: list[list[float]] = []
    for start, end in sorted(zip(starts.tolist(), ends.tolist(), strict=True)):
        if joined and start <= joined[-1][1] + gap:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end])
    return [row[0] for row in joined], [row[1] for row in joined]


def event_windows(log: xr.Dataset, flagged: pd.DataFrame, count: int) -> list[Window]:
    """Choose stretches to look at in full: the longest of each kind of event, at most `count`, in the order of time."""
    windows: list[Window] = []
    for reason in EVENT_REASONS:
        rows = flagged[flagged["reason"] == reason]
        if len(rows) and len(windows) < count:
            row = rows.loc[rows["samples"].idxmax()]
            window = _window(log, reason, str(row["channel"]), float(row["start_s"]))
            if not any(_alike(window, other) for other in windows):
                windows.append(window)
    return sorted(windows, key=lambda window: window.start_s)


def _alike(one: Window, other: Window) -> bool:
    return one.channel == other.channel and abs(one.start_s - other.start_s) < EVENT_S / 4


def _window(log: xr.Dataset, reason: str, name: str, start_s: float) -> Window:
    if name == "all":
        name = next((n for n in EVENT_CHANNELS if n in log), "engine_speed_rpm")
    title = f"{reason.replace('_', ' ')} at {start_s:.1f} s, {channel(name).label}"
    return Window(title, name, start_s - EVENT_S / 2, start_s + EVENT_S / 2)


def draw_events(log: xr.Dataset, windows: Sequence[Window], *, flagged: pd.DataFrame) -> hv.Layout:
    """One panel for each window, at the log's full rate, with its own time axis."""
    panels = []
    for window in windows:
        part = log.sel(time=slice(window.start_s, window.end_s))
        if window.channel in part and part.sizes["time"] > 1:
            panels.append(
                _channel_panel(part, window.channel, shade_stretches(part, flagged), window.title, 170).opts(
                    xlabel="time [s]"
                )
            )
    if not panels:
        return hv.Layout([draw_absent("Events in full", "the log holds no event to look at.")]).cols(1)
    return hv.Layout(panels).cols(1).opts(shared_axes=False)


def draw_flags(log: xr.Dataset, flagged: pd.DataFrame) -> hv.Element:
    """One row for each reason: when samples are flagged, whatever the channel; channels never logged are left out."""
    flagged = flagged[flagged["note"] != NOT_LOGGED]
    time = log["time"].to_numpy()
    reach = float(time[-1] - time[0]) if time.size else 0.0
    reasons = [reason for reason in dict.fromkeys(flagged["reason"]) if reason]
    if not reasons:
        return draw_absent("What is flagged, and when", "no sample is flagged.")
    rows = []
    for row, reason in enumerate(reasons):
        some = flagged[flagged["reason"] == reason]
        starts, ends = _join(some["start_s"].to_numpy(), some["end_s"].to_numpy(), reach / READING_WIDTH)
        rows += [(a, row - 0.3, b, row + 0.3, reason) for a, b in zip(starts, ends, strict=True)]
    table = pd.DataFrame(rows, columns=["start_s", "bottom", "end_s", "top", "reason"])
    bars = hv.Rectangles(table, ["start_s", "bottom", "end_s", "top"], ["reason"])
    ticks = [(row, reason.replace("_", " ")) for row, reason in enumerate(reasons)]
    title = f"What is flagged, and when: {_most_flagged(flagged)}"
    options = panel(title, 90 + 26 * len(reasons), xlabel="time [s]", ylabel="")
    return bars.opts(color=MAIN, line_color=MAIN, line_width=1, yticks=ticks, xlim=_reach(time), **options)


def _most_flagged(flagged: pd.DataFrame) -> str:
    seconds = (flagged["end_s"] - flagged["start_s"]).groupby(flagged["reason"]).max()
    return f"the longest stretch is {seconds.idxmax().replace('_', ' ')}, {seconds.max():.0f} s"


def _reach(time: np.ndarray) -> tuple[float, float]:
    return (float(time[0]), float(time[-1])) if time.size else (0.0, 1.0)


TRACES = ("engine_speed_rpm", "battery_v")
DASHES = ("solid", "dashed", "dotted", "dotdash")
COLOURS = (OLD, MAIN, THIRD, NEW)


def draw_drop_outs(log: xr.Dataset, account: LinkAccount) -> hv.Layout:
    """Engine speed and supply voltage over time; a line at each drop-out, a quiet one at breaks that do not count."""
    names = [name for name in TRACES if name in log]
    if not names:
        return hv.Layout([draw_absent("Drop-outs over time", "the log has neither engine speed nor supply voltage.")])
    panels = [_trace_with_breaks(log, name, account).opts(height=190) for name in names]
    count = len(account.drop_outs)
    what = "1 drop-out (line)" if count == 1 else f"{count} drop-outs (lines)"
    panels[0].opts(title=f"{what}; dotted: breaks that are not counted")
    panels[-1].opts(xlabel="time [s]")
    return hv.Layout(panels).cols(1)


def _trace_with_breaks(log: xr.Dataset, name: str, account: LinkAccount) -> hv.Overlay:
    points = reduce_trace(log["time"].to_numpy(), log[name].to_numpy(), READING_WIDTH)
    trace = hv.Curve(points, "time", name).opts(color=MAIN, line_width=1.2)
    drops = hv.VLines([drop.start_s for drop in account.drop_outs], "time").opts(color=NEW, line_width=2)
    others = hv.VLines([item.start_s for item in account.not_counted], "time").opts(color=QUIET, line_dash="dotted")
    return (trace * others * drops).opts(show_legend=False, **panel("", 190, xlabel="", ylabel=axis(name)))


def draw_rates(by_state: pd.DataFrame, *, confidence: float, drives: str = "") -> hv.Overlay:
    """Drop-outs per hour in each state with exact intervals, on a logarithmic axis; `drives` says of which drives.

    A state without drop-outs has no mark, only the rates that still fit it. Number and minutes stand at each row.
    """
    table = by_state[by_state["seconds"] > 0].reset_index(drop=True)
    if table.empty:
        return draw_absent("Drop-outs per hour by state of the engine", "no logged time.")
    rows = np.arange(len(table))[::-1]
    table = table.assign(row=rows, end=rows, minutes=table["seconds"] / 60)
    least = 0.3 * min(1.0, float(table.loc[table["lower_per_h"] > 0, "lower_per_h"].min(skipna=True) or 1.0))
    drawn = table.assign(left=table["lower_per_h"].clip(lower=least if np.isfinite(least) else 0.3))
    spans = hv.Segments(drawn, ["left", "row", "upper_per_h", "end"]).opts(color=MAIN, line_width=6, alpha=0.35)
    columns = ["row", "state", "drop_outs", "minutes", "lower_per_h", "upper_per_h"]
    marks = hv.Scatter(table[table["drop_outs"] > 0], "per_h", columns).opts(color=MAIN, size=9, tools=["hover"])
    times = [f"{s:.0f} s" if s < 120 else f"{s / 60:.1f} min" for s in table["seconds"]]
    ticks = [
        (r.row, f"{r.state}: {r.drop_outs:.0f} in {time}") for r, time in zip(table.itertuples(), times, strict=True)
    ]
    options = panel(
        f"Drop-outs per hour by state of the engine: {table['drop_outs'].sum():.0f} in {table['minutes'].sum():.0f} "
        f"minutes{f' of {drives}' if drives else ''}; {100 * confidence:.0f} % intervals",
        120 + 30 * max(1, len(table)),
        xlabel="drop-outs [1/h], logarithmic",
        ylabel="",
    )
    limits = (-0.6, max(0.6, len(table) - 0.4))
    return (spans * marks).opts(logx=True, yticks=ticks, ylim=limits, show_legend=False, **options)


def draw_survival(wirings: Sequence[Wiring], *, first_only: bool) -> hv.Overlay:
    """Share of drives still without a drop-out against logged time, by wiring, intervals shaded.

    `first_only`: time to the first drop-out of a session; otherwise from each connecting to the next drop-out.
    """
    parts: list[hv.Element] = []
    for number, wiring in enumerate(wirings):
        curve = wiring.first if first_only else wiring.every
        colour, dash = COLOURS[number % len(COLOURS)], DASHES[number % len(DASHES)]
        seconds = np.r_[0.0, curve.seconds, curve.longest_s]
        share, lower, upper = (_steps(values) for values in (curve.share, curve.lower, curve.upper))
        count = f"{curve.drop_outs} drop-out{'' if curve.drop_outs == 1 else 's'}"
        label = f"{wiring.name}: {count} in {curve.stretches}"
        band = hv.Area(_stairs(seconds, lower, upper), "minutes", ["lower", "upper"])
        line = pd.DataFrame({"minutes": seconds / 60, "share": share})
        steps = hv.Curve(line, "minutes", "share", label=label)
        parts += [
            band.opts(color=colour, alpha=0.15, line_alpha=0),
            steps.opts(interpolation="steps-post", color=colour, line_dash=dash, line_width=2, tools=["hover"]),
        ]
    options = panel(_without_one(wirings, first_only), 320, xlabel="logged time [min]", ylabel="share without one")
    return hv.Overlay(parts).opts(ylim=(-0.03, 1.05), legend_position="bottom", legend_cols=1, **options)


def _without_one(wirings: Sequence[Wiring], first_only: bool) -> str:
    """Say what came out: for each wiring how many stretches ended without a drop-out, and how long they were."""
    what = "Drives without a drop-out" if first_only else "Without a drop-out since the link came up"
    ends = []
    for wiring in wirings:
        curve = wiring.first if first_only else wiring.every
        kept = f"{curve.stretches - curve.drop_outs} of {curve.stretches}"
        ends.append(f"{kept} with {wiring.name.partition(':')[0]}, {curve.longest_s / 60:.0f} min at most")
    return f"{what}: {'; '.join(ends)}" if ends else what


def _steps(values: np.ndarray) -> np.ndarray:
    """Values from 0 on: 1 first, then each step, the last one held."""
    return np.r_[1.0, values, values[-1] if values.size else 1.0]


def _stairs(seconds: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> pd.DataFrame:
    """Corners of a band of steps, shape (2 n - 1,), so that an area follows the steps; no band where no interval is."""
    time = np.repeat(seconds, 2)[1:]
    low, high = (np.repeat(np.nan_to_num(ends, nan=0.0), 2)[:-1] for ends in (lower, upper))
    return pd.DataFrame({"minutes": time / 60, "lower": low, "upper": high})


def draw_noise(noise: NoiseTable) -> hv.Overlay:
    """Noise of each channel in each state over its quietest state, as a number and a tone."""
    table = noise.table[noise.table["noise"] > 0].copy()
    if table.empty:
        return draw_absent("Noise, times that of the quietest state", "no analog channel with steady driving.")
    least = table.groupby("channel")["noise"].transform("min")
    table = table.assign(times=table["noise"] / least)
    channels = list(dict.fromkeys(table["channel"]))[::-1]
    states = list(dict.fromkeys(noise.table["state"]))
    table = table.assign(
        left=[states.index(s) - 0.5 for s in table["state"]], bottom=[channels.index(c) - 0.5 for c in table["channel"]]
    )
    table = table.assign(right=table["left"] + 1, top=table["bottom"] + 1)
    values = ["times", "channel", "state", "noise", "lower", "upper", "blocks", "spikes_per_min"]
    cells = hv.Rectangles(table, ["left", "bottom", "right", "top"], values).opts(
        color="times", cmap=list(SEQUENCE), clim=(1.0, 5.0), tools=["hover"], **EDGE
    )
    text = table.assign(x=table["left"] + 0.5, y=table["bottom"] + 0.5, text=[f"{t:.1f}" for t in table["times"]])
    labels = hv.Labels(text, ["x", "y"], "text").opts(text_color=CELL_INK, text_font_size="8pt")
    most = table.loc[table["times"].idxmax()]
    loudest = f"most {most['times']:.1f}, {channel(most['channel']).label} at {most['state']}"
    options = panel(
        f"Noise, times that of the quietest state: {loudest}", 130 + 26 * max(1, len(channels)), xlabel="", ylabel=""
    )
    return (cells * labels).opts(
        xticks=list(enumerate(states)),
        yticks=[(row, channel(name).label) for row, name in enumerate(channels)],
        xrotation=30,
        show_legend=False,
        **(options | {"padding": 0}),
    )


def draw_in_step(orders: Sequence[OrderNoise], study: LinkStudy) -> hv.Overlay:
    """How unlikely by chance each channel's noise in step with the engine is; left of the line it counts as shown."""
    tested = [item for item in orders if item.was_tested]
    if not tested:
        because = next((item.because for item in orders), "no engine speed, or no analog channel, in the log")
        return draw_absent("Noise in step with the engine", f"{because}.")
    channels = list(dict.fromkeys(item.channel for item in tested))[::-1]
    bound = (1 - study.confidence) / max(1, len(tested))  # for all pairs together
    shown, line = sum(item.p_value < bound for item in tested), np.log10(bound)
    marks: list[hv.Element] = [hv.VLine(line).opts(color=NEW, line_dash="dashed", line_width=1.5)]
    shapes = zip(dict.fromkeys(item.source for item in tested), ("circle", "square", "diamond"), strict=False)
    for number, (source, shape) in enumerate(shapes):
        own = [item for item in tested if item.source == source]
        rows = [
            (np.log10(max(item.p_value, 1e-12)), channels.index(item.channel), item.channel, item.amplitude, item.upper)
            for item in own
        ]
        table = pd.DataFrame(rows, columns=["log_p", "row", "channel", "amplitude", "upper"])
        scatter = hv.Scatter(table, "log_p", ["row", "channel", "amplitude", "upper"], label=source)
        marks.append(scatter.opts(color=COLOURS[number + 1], marker=shape, size=9, tools=["hover"]))
    options = panel(
        f"Noise in step with the engine: {shown} of {len(tested)} pairs are above the noise; "
        "scale: chance of as much without any",
        140 + 24 * max(1, len(channels)),
        xlabel="chance",
        ylabel="",
    )
    least = min([line, *(np.log10(max(item.p_value, 1e-12)) for item in tested)])
    return hv.Overlay(marks).opts(
        xlim=(least - 0.3, 0.1),
        xticks=[(-power, "1" if not power else f"1 in {10**power}") for power in range(13) if -power > least - 0.3],
        yticks=[(row, channel(name).label) for row, name in enumerate(channels)],
        ylim=(-0.6, max(0.6, len(channels) - 0.4)),
        legend_position="bottom",
        legend_cols=1,
        **options,
    )
