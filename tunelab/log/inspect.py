"""What a log file holds, before anything is set up, and a starting `channels.toml` made from it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import tomlkit

from tunelab.channels import CHANNELS, nearest_channels
from tunelab.log.load import Recall, take_remembered
from tunelab.log.map import make_track
from tunelab.log.map.candidates import Match, find_candidates
from tunelab.log.map.clock import Clock, ClockError, find_clock
from tunelab.log.map.convert import (
    ConversionError,
    Converted,
    Surroundings,
    convert_column,
    describe_asked,
    describe_unconverted,
)
from tunelab.log.map.quantity import Form
from tunelab.log.map.recognise import (
    NO_CHANNEL,
    SHARE_NOTE,
    describe_open,
    drop_claimed,
    find_rivals,
    join_parts,
    match_columns,
    rule_unit,
)
from tunelab.log.map.text import settle_marks, toml_text
from tunelab.log.map.timing import Settled, settle_clock
from tunelab.log.read import RawColumn, RawTable, read_raw
from tunelab.workspace.car import Car
from tunelab.workspace.channel_map import ChannelMap, ColumnRule, plain_heading
from tunelab.workspace.session import Need, find_needs

_GAP_STEPS = 5.0  # a step longer than so many usual ones is a gap


@dataclass(frozen=True)
class ColumnView:
    """One column as inspection shows it."""

    column: RawColumn
    channel: str  # "time", a channel, or "" where none
    unit: str  # of `low` and `high`: the channel's where it is converted, else the file's
    sure: str  # "said", "stated", "likely", "open" or "none"
    why: str
    rate_hz: float  # of its own fresh readings; NaN where it is not known
    low: float  # NaN where nothing is readable, or words
    high: float
    missing: int  # empty cells and error words
    match: Match | None  # None for the clock
    unread: Mapping[str, int] = field(default_factory=dict)  # words and codes without a meaning
    asked: Mapping[str, str] = field(default_factory=dict)  # keys of channels.toml without which it is not converted


@dataclass(frozen=True)
class Gaps:
    """Holes in the clock."""

    count: int
    longest_s: float  # 0 where there is none
    limit_s: float  # a longer step counts


@dataclass(frozen=True)
class Inspection:
    """One file as it is found."""

    raw: RawTable
    clock: Clock | None
    clock_problem: str  # "" where there is a clock
    rows_kept: int
    span_s: float
    rate_hz: float
    gaps: Gaps
    episodes: int
    clock_notes: tuple[str, ...]
    aside: tuple[tuple[str, int], ...]  # reason and rows, of reading and of the clock
    columns: tuple[ColumnView, ...]
    to_settle: tuple[str, ...]
    needs: tuple[Need, ...]


def inspect_file(path: Path, car: Car | None, channel_map: ChannelMap, *, recall: Recall | None = None) -> Inspection:
    """Look at one file.

    Parameters
    ----------
    path : Path
        The log; opened for reading only.
    car : Car or None
        Where known, it says what an AFR display uses, and its meter settles what "MAF" means.
    channel_map : ChannelMap
        May be empty.
    recall : callable or None
        What other logs of its workspace say of its columns.

    Raises
    ------
    ReadError
        No table can be made of the file at all.
    """
    raw = settle_marks(read_raw(path, channel_map), channel_map)
    try:
        clock, problem = find_clock(raw, channel_map), ""
    except ClockError as error:
        clock, problem = None, str(error)
    settled = settle_clock(clock.seconds, raw.restarts, raw.frame) if clock else None
    if settled is not None and settled.keep.sum() < 2:
        settled, problem = None, "fewer than two rows have a time of their own."
    matches = take_remembered(raw, drop_claimed(match_columns(raw, channel_map, car)), recall)
    matches = _with_candidates(raw, join_parts(raw, matches), clock)
    views, conversions = _view_columns(raw, clock, settled, matches, car)
    channels = {view.channel for view in views if view.sure in ("said", "stated", "likely")}
    time_s = settled.time_s[settled.keep] if settled else np.zeros(0)
    rate, span = _rate_and_span(time_s)
    return Inspection(
        raw=raw,
        clock=clock,
        clock_problem=problem,
        rows_kept=int(settled.keep.sum()) if settled else raw.frame.height,
        span_s=span,
        rate_hz=rate,
        gaps=_find_gaps(time_s),
        episodes=int(np.unique(settled.episode[settled.keep]).size) if settled else 0,
        clock_notes=settled.notes if settled else (),
        aside=_count_aside(raw, settled),
        columns=views,
        to_settle=(
            *(describe_open(v.match, raw.path.name) for v in views if v.match and v.match.sure == "open"),
            *conversions,
            *_rivals(views),
        ),
        needs=tuple(find_needs(channels, car)),
    )


def _rate_and_span(time_s: np.ndarray) -> tuple[float, float]:
    if time_s.size < 2:
        return float("nan"), 0.0
    return 1 / float(np.median(np.diff(time_s))), float(time_s[-1] - time_s[0])


def _find_gaps(time_s: np.ndarray) -> Gaps:
    step = np.diff(time_s)
    if not step.size:
        return Gaps(0, 0.0, 0.0)
    limit = _GAP_STEPS * float(np.median(step))
    gaps = step[step > limit]
    return Gaps(int(gaps.size), float(gaps.max()) if gaps.size else 0.0, limit)


def _count_aside(raw: RawTable, settled: Settled | None) -> tuple[tuple[str, int], ...]:
    counts: dict[str, int] = {}
    for item in raw.set_aside:
        counts[item.reason] = counts.get(item.reason, 0) + item.rows
    for reason, rows in (settled.reasons if settled else {}).items():
        counts[reason] = counts.get(reason, 0) + len(rows)
    return tuple(counts.items())


def _with_candidates(raw: RawTable, matches: list[Match], clock: Clock | None) -> list[Match]:
    """Say of each column whose name is not known what it may be."""
    taken = {match.form.channel for match in matches if match.form}
    keys = clock.columns if clock else ()
    return [replace(match, why=why) if (why := _may_be(raw, match, taken, keys)) else match for match in matches]


def _may_be(raw: RawTable, match: Match, taken: set[str], clock_keys: Collection[str]) -> str:
    if match.why != NO_CHANNEL or match.column.key in clock_keys:
        return ""
    near = " or ".join(nearest_channels(match.column.heading))
    forms = ", ".join(form.channel for form in find_candidates(raw.frame[match.column.key], match, taken))
    hints = (f"perhaps {near}" if near else "", f"by its numbers it may be {forms}" if forms else "")
    return "; ".join(filter(None, (match.why, *hints)))


def _view_columns(
    raw: RawTable, clock: Clock | None, settled: Settled | None, matches: list[Match], car: Car | None
) -> tuple[tuple[ColumnView, ...], list[str]]:
    """View every column; conversions that want something else come back as things to settle."""
    views, problems = [], []
    around = Surroundings(car, None, _barometer(raw, matches))
    as_lambda = {match.form.channel for match in matches if match.form and match.form.kind != "AFR"}
    for match in matches:
        column = match.column
        if clock and column.key in clock.columns:
            low, high = _range(raw, column)
            views.append(
                ColumnView(column, "time", column.unit, "stated", clock.how, np.nan, low, high, column.empty, None)
            )
            continue
        converted: Converted | None = None
        asked: Mapping[str, str] = {}
        if match.form is not None:
            try:
                converted = convert_column(raw, match, around)
            except ConversionError as error:
                problems.append(describe_unconverted(match, error))
                asked = error.rule
            else:
                asked = {} if match.form.channel in as_lambda else converted.asked
                problems += [describe_asked(match, asked)] if asked else []
        view = _view(raw, settled, match, converted)
        views.append(replace(view, sure="open", asked=asked) if asked else view)
    return tuple(views), problems


def _barometer(raw: RawTable, matches: list[Match]) -> np.ndarray | None:
    around = Surroundings(None, None, None)
    for match in matches:
        if match.form is not None and match.form.channel == "barometer_kpa":
            return convert_column(raw, match, around).values
    return None


def _view(raw: RawTable, settled: Settled | None, match: Match, converted: Converted | None) -> ColumnView:
    column, channel = match.column, match.form.channel if match.form else ""
    missing = column.empty + sum(column.words.values())
    if converted is None or settled is None:
        low, high = _range(raw, column)
        unit = column.unit or match.heading.unit
        return ColumnView(column, channel, unit, match.sure, match.why, np.nan, low, high, missing, match)
    rows = (settled.keep, settled.time_s[settled.keep], settled.episode[settled.keep])
    track = make_track(raw, match, converted, rows)
    rate = 1 / track.period_s if track.fresh is not None else _rate_and_span(rows[1])[0]
    low, high = _ends(track.values)
    missing += sum(converted.words.values())
    why = match.why if converted.how in ("as logged", match.why) else f"{match.why}; {converted.how}"
    unit = CHANNELS[channel].unit
    return ColumnView(column, channel, unit, match.sure, why, rate, low, high, missing, match, converted.words)


def _range(raw: RawTable, column: RawColumn) -> tuple[float, float]:
    series = raw.frame[column.key]
    return _ends(series.to_numpy()) if series.dtype.is_numeric() else (float("nan"), float("nan"))


def _ends(values: np.ndarray) -> tuple[float, float]:
    finite = values[np.isfinite(values)]
    return (float(finite.min()), float(finite.max())) if finite.size else (float("nan"), float("nan"))


def _rivals(views: tuple[ColumnView, ...]) -> list[str]:
    found = find_rivals([view.match for view in views if view.match is not None])
    return [
        f"  {channel}: claimed by {' and '.join(repr(m.column.heading) for m in claimed)}; unless they hold the same "
        "readings, name the one to take with channel = in channels.toml."
        for channel, claimed in found.items()
    ]


_HEAD = """\
# Columns of this logger, as found by `tunelab inspect`. Go through it: a rule here goes before every guess.
# `tunelab list --channels` names every channel. An open column that no step of a session needs stops nothing.
# Lines that begin with # say what was understood without doubt; they need no rule.
"""


def write_starting_map(inspections: Sequence[Inspection], known: Collection[str] = ()) -> str:
    """Text of a starting `channels.toml`, or of what is to be added to one that has the headings `known` already.

    Columns found from their numbers become rules, so that the guess is on record. Columns that stay open become rules
    with "fill in" for what only the owner knows, and the candidates beside it. Columns without a channel are listed as
    comments, ready to be given one.
    """
    parts = [] if known else [_HEAD]
    seen = {plain_heading(heading).casefold() for heading in known}
    for inspection in inspections:
        if inspection.clock is None:
            parts.append("# " + "\n# ".join(_printable(line) for line in inspection.clock_problem.splitlines()) + "\n")
        for view in inspection.columns:
            heading = plain_heading(view.column.heading).casefold()
            settled = known and view.sure in ("stated", "said") and not (view.match and view.match.rule)
            if heading not in seen and not settled:
                parts.append(_entry(view))
            seen.add(heading)
    return "\n".join(parts)


def _entry(view: ColumnView) -> str:
    name = f"name = {toml_text(view.column.heading)}"
    if view.asked:
        return "\n".join(["[[column]]", name, *(f"{key} = {value}" for key, value in view.asked.items())]) + "\n"
    if view.match and view.match.rule and view.sure != "open":
        return rule_text(view.match.rule)
    if view.channel == "time" or view.sure in ("stated", "said"):
        return f"# {toml_text(view.column.heading)}: {view.channel} ({_printable(view.why)})"
    if view.sure == "likely" and view.match and view.match.form:
        form = view.match.form
        lines = ["[[column]]", name, f'channel = "{form.channel}"', f'unit = "{_unit(form)}"  # {_printable(view.why)}']
        return "\n".join(lines) + "\n"
    if view.sure == "open" and view.match:
        return _open_entry(view, name)
    return "\n".join([f"# {_printable(view.why)}", "# [[column]]", f"# {name}", '# channel = "..."']) + "\n"


def rule_text(rule: ColumnRule) -> str:
    """Write a rule as it stands in a channels.toml, for the map of another car with the same logger."""
    keys = rule.model_dump(exclude_defaults=True, exclude={"file"})
    return "[[column]]\n" + "".join(f"{key} = {tomlkit.item(value).as_string()}\n" for key, value in keys.items())


def _open_entry(view: ColumnView, name: str) -> str:
    forms = view.match.forms if view.match else ()
    channels = " or ".join(dict.fromkeys(f'"{form.channel}"' for form in forms))
    units = " or ".join(dict.fromkeys(f'"{_unit(form)}"' for form in forms))
    is_one = len({form.channel for form in forms}) == 1
    lines = ["[[column]]", name]
    lines.append(f"channel = {channels}" if is_one else f'channel = "fill in"  # {channels}')
    share = f",{SHARE_NOTE}" if any(form.kind == "share" for form in forms) else ""
    lines.append(f'unit = "fill in"  # {units}{share}; {_printable(view.why)}')
    return "\n".join(lines) + "\n"


def _unit(form: Form) -> str:
    return f"{form.unit} gauge" if form.kind == "gauge" else rule_unit(form)


def _printable(text: str) -> str:
    """Replace what a terminal or editor might take as a command."""
    return "".join(character if character.isprintable() else "?" for character in text)
