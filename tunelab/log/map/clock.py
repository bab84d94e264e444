"""Which column is the clock, and what it says in seconds."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import polars as pl

from tunelab.channel_names import TIME_OR_SPEED
from tunelab.log.map.heading import Heading, parse_heading
from tunelab.log.map.stamp import (
    Column,
    find_thousandths,
    is_part_name,
    join_clock_parts,
    past_midnight,
    read_stamps,
    unwrap_counter,
)
from tunelab.log.map.text import rule_lines, toml_text
from tunelab.log.read import RawColumn, RawTable
from tunelab.units import recognise_unit
from tunelab.workspace.channel_map import ChannelMap

Kind = Literal["relative", "time of day", "absolute"]

_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0, "day": 86400.0}
_RULED = {name: _SECONDS[name] for name in ("s", "ms", "us", "min", "h", "day")} | {"unix_s": 1.0, "unix_ms": 1e-3}
_SINCE_1970 = (
    (1e8, 1.0, "seconds"),
    (1e11, 1e-3, "milliseconds"),
    (1e14, 1e-6, "microseconds"),
    (1e17, 1e-9, "nanoseconds"),
)
_MOST_FALLS = 0.1  # of the steps of a clock, with rows out of order
_FINEST_STEP_S = 0.001  # two clocks of one name may differ by their rounding
_SHORTEST_STEP_S = 0.0009  # no such logger writes more than 1000 rows a second: finer steps are minutes, hours or days
_FASTEST_ROW_S, _SLOWEST_ROW_S = 1e-4, 8.0  # between rows of a drive log; common practice, no source
_STEPS_TO_JUDGE = 20  # a few rows may be a hand-made excerpt


class ClockError(ValueError):
    """No usable clock; the message says what was looked at and the way out."""


@dataclass(frozen=True)
class Clock:
    """The clock of a file."""

    seconds: np.ndarray  # shape (rows,), NaN where the cell could not be read
    kind: Kind  # absolute: seconds since 1970-01-01, in UTC where the file states its zone
    columns: tuple[str, ...]  # keys in the frame
    how: str  # in plain words


def find_clock(raw: RawTable, channel_map: ChannelMap) -> Clock:
    """Find the clock: by the owner's rule, else by name, else by the file's rate.

    Raises
    ------
    ClockError
        No time column, one whose unit stays open, or two that cannot both be the clock.
    """
    ruled = _ruled(raw, channel_map)
    if ruled:
        return ruled
    free = [c for c in raw.columns if not _is_claimed(raw, c, channel_map)]
    named = [column for column in free if _is_named(raw, column)]
    clocks, unsettled = _read_clocks(raw, named)
    joined = _join_date(raw, named)
    if joined:
        clocks.append(joined)
    clocks = _with_parts(raw, free, clocks)
    usable = [clock for clock in clocks if _is_usable(clock)]
    if usable:
        _refuse_two_logs(raw, usable)
        return _choose(usable)
    if unsettled:
        raise unsettled[0]
    rule = channel_map.file_rule(raw.path.name)
    if rule is not None and rule.rate_hz is not None:
        seconds = np.arange(raw.frame.height) / rule.rate_hz
        return Clock(seconds, "relative", (), f"no time column; {rule.rate_hz:g} rows per second by channels.toml")
    raise ClockError(_no_clock(raw, named))


def _refuse_two_logs(raw: RawTable, clocks: Sequence[Clock]) -> None:
    """Refuse two clocks of one heading that differ: each is that of the columns behind it."""
    headings = {column.key: column.heading for column in raw.columns}
    for one, other in itertools.combinations([clock for clock in clocks if len(clock.columns) == 1], 2):
        heading = headings[one.columns[0]]
        apart = np.abs(one.seconds - other.seconds)
        if heading == headings[other.columns[0]] and np.nanmax(apart, initial=0.0) > _FINEST_STEP_S:
            raise ClockError(
                f"two columns are named {heading!r} and differ, by up to {np.nanmax(apart):.4g} s: two logs are side "
                "by side, each on a clock of its own. Save each as a file, put both into the session's folder, and "
                "they are laid on one clock."
            )


def _read_clocks(raw: RawTable, named: Sequence[RawColumn]) -> tuple[list[Clock], list[ClockError]]:
    """Read every column named like a clock; one whose unit stays open matters only where no other is a clock."""
    clocks, unsettled = [], []
    for column in named:
        try:
            found = _read_clock(raw, column, parse_heading(column.heading))
        except ClockError as error:
            unsettled.append(error)
            continue
        clocks += [found] if found else []
    return clocks, unsettled


def _is_named(raw: RawTable, column: RawColumn) -> bool:
    """Whether a column is named like a clock."""
    heading = parse_heading(column.heading)
    if heading.is_time or heading.key not in TIME_OR_SPEED:
        return heading.is_time
    if recognise_unit(column.unit or heading.unit or "") in _SECONDS or raw.frame[column.key].dtype == pl.String:
        return True
    values = _numbers(raw, column.key)
    return values.size > 1 and bool((np.diff(values) > 0).all())


def _with_parts(raw: RawTable, columns: Sequence[RawColumn], clocks: list[Clock]) -> list[Clock]:
    """Join what stands in parts, and leave out the parts: each by itself starts anew every second or minute."""
    parts = _numeric_parts(raw, columns)
    joined = join_clock_parts(parts)
    if joined:
        seconds, keys = joined
        clocks = [clock for clock in clocks if not set(clock.columns) & set(keys)]
        clocks.append(Clock(seconds, "time of day", keys, "hours, minutes and seconds in columns of their own"))
    for number, clock in enumerate(clocks):
        found = find_thousandths(parts, clock.seconds) if clock.kind != "relative" else None
        if found is not None:
            key = found[0]
            how = f"{clock.how}, with the thousandths of {key}"
            whole = Clock(clock.seconds + found[2] * 1e-3, clock.kind, (*clock.columns, key), how)
            return [whole if i == number else other for i, other in enumerate(clocks) if other.columns != (key,)]
    return clocks


def _numeric_parts(raw: RawTable, columns: Sequence[RawColumn]) -> list[Column]:
    named = ((column, _bare_name(column.heading)) for column in columns)
    return [
        (column.key, name, _numbers(raw, column.key))
        for column, name in named
        if is_part_name(name) and raw.frame[column.key].dtype.is_numeric()
    ]


def _bare_name(heading: str) -> str:
    """Give a heading without its unit in brackets: "Milliseconds (ms)" names thousandths."""
    return re.sub(r"[(\[{<][^)\]}>]*[)\]}>]\s*$", "", heading) or heading


def _is_usable(clock: Clock) -> bool:
    finite = _finite(clock)
    return finite.size > 0.5 * clock.seconds.size and _goes_on(finite)


def _finite(clock: Clock) -> np.ndarray:
    known = np.isfinite(clock.seconds)
    finite = clock.seconds if known.all() else clock.seconds[known]
    return finite if finite.size else np.zeros(1)


def _goes_on(seconds: np.ndarray) -> bool:
    """Whether a column moves, and hardly ever backwards, as clocks do: "Dwell (ms)" is no clock."""
    step = np.diff(seconds)
    return bool(np.ptp(seconds) > 0 and np.count_nonzero(step < 0) <= _MOST_FALLS * step.size)


def _is_claimed(raw: RawTable, column: RawColumn, channel_map: ChannelMap) -> bool:
    rule = channel_map.rule_for(raw.path.name, column.heading)
    return rule is not None and (rule.ignore or rule.channel is not None)


def _choose(clocks: Sequence[Clock]) -> Clock:
    """Take the finest clock; a relative one is tied to an absolute one beside it by their median difference."""
    if len(clocks) == 1:
        return clocks[0]
    finest = max(clocks, key=lambda clock: (_resolution(clock), clock.kind == "absolute"))
    anchors = [clock for clock in clocks if clock.kind == "absolute" and clock is not finest]
    if finest.kind != "relative" or not anchors or (np.diff(_finite(finest)) < 0).any():
        return finest
    shift = float(np.nanmedian(anchors[0].seconds - finest.seconds))
    how = f"{finest.how}, tied to the date and time in {anchors[0].columns[0]}"
    return Clock(finest.seconds + shift, "absolute", finest.columns + anchors[0].columns, how)


def _resolution(clock: Clock) -> float:
    """Share of rows whose stamp differs from the row before, in steps of 2 %: columns as fine as each other tie."""
    changes = np.count_nonzero(np.diff(clock.seconds))
    return round(changes / max(clock.seconds.size, 1) * 50)


def _ruled(raw: RawTable, channel_map: ChannelMap) -> Clock | None:
    rules = {c.key: channel_map.rule_for(raw.path.name, c.heading) for c in raw.columns}
    said = {key: rule.time for key, rule in rules.items() if rule is not None and rule.time is not None}
    main = [key for key, kind in said.items() if kind != "date"]
    if not main:
        return None
    if len(main) > 1:
        raise ClockError(f"channels.toml gives {len(main)} clocks for this file: {', '.join(main)}; one is wanted.")
    key, kind = main[0], said[main[0]]
    date = next((other for other, what in said.items() if what == "date"), None)
    if kind in _RULED:
        values = _numbers(raw, key)
        absolute = kind.startswith("unix")
        return Clock(values * _RULED[kind], "absolute" if absolute else "relative", (key,), f"{key} in {kind}, by rule")
    cells = _text(raw, key)
    if date:
        cells = _text(raw, date) + " " + cells
    return _stamped(cells, (key,) if not date else (date, key), "by rule")


def _numbers(raw: RawTable, key: str) -> np.ndarray:
    series = raw.frame[key].cast(pl.Float64, strict=False)
    return (series.fill_null(float("nan")) if series.null_count() else series).to_numpy()


def _text(raw: RawTable, key: str) -> pl.Series:
    return raw.frame[key].cast(pl.String)


def _stamped(cells: pl.Series, keys: tuple[str, ...], how: str) -> Clock:
    stamps = read_stamps(cells)
    kind: Kind = "absolute" if stamps.has_date else "time of day" if stamps.has_hours else "relative"
    return Clock(stamps.seconds, kind, keys, f"{stamps.how}, {how}")


def _read_clock(raw: RawTable, column: RawColumn, heading: Heading) -> Clock | None:
    """Read one column named like a clock; None where it cannot be one by itself."""
    if raw.frame[column.key].dtype == pl.String:
        clock = _stamped(raw.frame[column.key], (column.key,), f"column {column.key}")
        is_date = clock.kind == "absolute" and np.unique(_finite(clock)).size <= 2
        return None if is_date else clock
    values, end = unwrap_counter(_numbers(raw, column.key))
    unit = recognise_unit(column.unit or heading.unit or "")
    other = recognise_unit(heading.unit or "")
    if unit in _SECONDS and other in _SECONDS and unit != other:
        kinds = f'"{unit}"  # or "{other}"'
        why = f"{column.key!r}: its heading says {other} and the file's unit for it {unit}; say which:\n"
        raise ClockError(why + rule_lines(column.heading, time=kinds))
    if end:
        found = _scaled(values, column, unit)
        return replace(found, how=f"{found.how}, which starts anew at {end:g}") if found else None
    return _scaled(values, column, unit)


def _scaled(values: np.ndarray, column: RawColumn, unit: str | None) -> Clock | None:
    if unit in _SECONDS:
        factor, why = _SECONDS[unit], f"unit {unit} stated"
        _require_drive_log(values, column, unit)
        high = float(np.fmax.reduce(values, initial=0.0)) * factor
        return Clock(values * factor, "absolute" if high > 1e8 else "relative", (column.key,), f"{column.key}: {why}")
    return _guess_scale(values, column)


def _require_drive_log(values: np.ndarray, column: RawColumn, unit: str) -> None:
    """ClockError where the unit that a file states makes a row take a time that no logger of a drive takes for it."""
    step = np.diff(values[np.isfinite(values)])
    step = step[step > 0]
    usual = float(np.median(step)) * _SECONDS[unit] if step.size >= _STEPS_TO_JUDGE else 1.0
    if _FASTEST_ROW_S <= usual <= _SLOWEST_ROW_S:
        return
    others = ", ".join(f'"{name}"' for name in ("s", "ms", "us", "min") if name != unit)
    lines = rule_lines(column.heading, time=f'"{unit}"  # or {others}')
    raise ClockError(
        f"{column.key!r}: its unit, {unit}, makes one row in {usual:.3g} s, which no drive log has; say which:\n{lines}"
    )


def _guess_scale(values: np.ndarray, column: RawColumn) -> Clock | None:
    """Tell seconds, milliseconds and Unix time from their size and step, where only one of them is possible."""
    finite = values[np.isfinite(values)]
    step = np.abs(np.diff(finite))
    step = step[step > 0]
    if not step.size:
        return None
    high, usual = float(np.median(finite)), float(np.median(step))
    if usual < 2 and _is_hhmmss(finite):
        hours, rest = np.divmod(values, 10000.0)
        minutes, seconds = np.divmod(rest, 100.0)
        clock = past_midnight(hours * 3600.0 + minutes * 60.0 + seconds)
        return Clock(clock, "time of day", (column.key,), f"{column.key}: hhmmss, as no digits pass 59")
    for low, factor, name in _SINCE_1970:
        if low < high < 40 * low and usual * factor < 60:
            return Clock(values * factor, "absolute", (column.key,), f"{column.key}: {name} since 1970")
    if 2e4 < high < 1e5 and usual < 1e-3:
        return Clock((values - 25569) * 86400.0, "absolute", (column.key,), f"{column.key}: spreadsheet days")
    if usual < _SHORTEST_STEP_S:
        raise _open_scale(column, usual, "minutes, hours or days", '"min"  # or "h", "day", "s"')
    if usual < 0.5 or (usual < 2 and (finite % 1 != 0).mean() > 0.1):
        return Clock(values, "relative", (column.key,), f"{column.key}: seconds, as its steps are {usual:g}")
    if 2 <= usual <= 2000:
        return Clock(
            values * 1e-3, "relative", (column.key,), f"{column.key}: milliseconds, as its steps are {usual:g}"
        )
    raise _open_scale(column, usual, "seconds, milliseconds or microseconds", '"s"  # or "ms", "us", "min"')


def _is_hhmmss(values: np.ndarray) -> bool:
    """Whether numbers such as 101559.96 are hours, minutes and seconds: no pair passes 59, over a minute or more.

    In a shorter log they leave out 60 to 99 once, from one row to the next.
    """
    if values.min() < 0 or values.max() >= 240000:
        return False
    minutes, seconds = np.divmod(values % 10000.0, 100.0)
    step = np.diff(values)
    skips = (step >= 40) & (step < 41) & (seconds[:-1] >= 59) & (seconds[1:] < 1)
    spans = np.ptp(values) > 100 or bool(skips.any())
    return bool(spans and seconds.max() < 60 and minutes.max() < 60)


def _open_scale(column: RawColumn, step: float, candidates: str, kinds: str) -> ClockError:
    lines = rule_lines(column.heading, time=kinds)
    return ClockError(f"{column.key!r}: steps of {step:g} may be {candidates}; say which:\n{lines}")


def _join_date(raw: RawTable, named: Sequence[RawColumn]) -> Clock | None:
    """Join a date column with a time-of-day column."""
    texts = [column.key for column in named if raw.frame[column.key].dtype == pl.String]
    heads = {key: raw.frame[key].drop_nulls().head(3).to_list() for key in texts}
    dates = [key for key in texts if heads[key] and not any(":" in cell for cell in heads[key])]
    times = [key for key in texts if heads[key] and all(":" in cell and "-" not in cell for cell in heads[key])]
    if not dates or not times:
        return None
    clock = _stamped(raw.frame[dates[0]] + " " + raw.frame[times[0]], (dates[0], times[0]), "two columns")
    if raw.frame[dates[0]].n_unique() == 1:  # the day on which the log began stands in every row
        clock = replace(clock, seconds=past_midnight(clock.seconds))
    return clock if clock.kind == "absolute" else None


def _runs_backwards(raw: RawTable, key: str) -> bool:
    is_text = raw.frame[key].dtype == pl.String
    steps = np.diff(read_stamps(raw.frame[key]).seconds if is_text else _numbers(raw, key))
    return steps.size > 1 and bool(np.count_nonzero(steps < 0) > (1 - _MOST_FALLS) * steps.size)


def _no_clock(raw: RawTable, named: Sequence[RawColumn]) -> str:
    if raw.frame.height < 2:
        rows = "one row" if raw.frame.height else "no row"
        return f"it holds {rows} of readings, in which no time passes; two rows are the least, a minute of them useful."
    if named and _runs_backwards(raw, named[0].key):
        return f"{named[0].key!r} falls from row to row: the newest row is first. Sort a copy by time and read that."
    looked = f"; {named[0].key!r} is named like one but holds no rising time" if named else ""
    return (
        f"no time column was found{looked}. Name it in channels.toml, or give the file's rate:\n"
        + rule_lines("<column heading>", time='"s"  # or "ms", "us", "clock", "iso8601"')
        + f"\n  or\n    [[file]]\n    name = {toml_text(raw.path.name)}\n    rate_hz = 25.0  # rows per second"
    )
