"""From a raw table to a log: columns become channels in their own units, on a clock that only goes forward."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from functools import partial

import numpy as np
import polars as pl
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.log.map.candidates import Match
from tunelab.log.map.clock import Clock, ClockError, find_clock
from tunelab.log.map.convert import (
    ConversionError,
    Converted,
    Surroundings,
    convert_column,
    describe_asked,
    describe_unconverted,
    take_numbers,
)
from tunelab.log.map.join import count_changes, join_files
from tunelab.log.map.place import MappedFile, Track
from tunelab.log.map.recognise import LEFT_OUT, describe_open, drop_claimed, join_parts, leave_out, match_columns
from tunelab.log.map.rivals import leave_out_gauge, settle_rivals
from tunelab.log.map.text import MapError, settle_marks
from tunelab.log.map.timing import SPARSE_SHARE, Settled, find_refresh, settle_clock
from tunelab.log.read import RawColumn, RawTable, SetAside
from tunelab.log.read.raw import merge_rows
from tunelab.workspace.car import Car
from tunelab.workspace.channel_map import ChannelMap
from tunelab.workspace.session import Weather, blocks

__all__ = ["MapError", "map_raw"]


def map_raw(raw: RawTable, car: Car | None, channel_map: ChannelMap, *, weather: Weather | None = None) -> xr.Dataset:
    """Map one raw table to a log.

    Parameters
    ----------
    raw : RawTable
        From `read_raw`.
    car : Car or None
        Says what an AFR display uses; its meter settles what "MAF" means.
    channel_map : ChannelMap
        The owner's `channels.toml`; may be empty.
    weather : Weather or None
        The session's; its pressure makes gauge pressures absolute where no barometer is logged.

    Returns
    -------
    Dataset
        Dimension `time`, canonical channels as float64, `episode`, `<channel>_fresh` where a channel refreshes slower
        than the rows; NaN is no reading. The attributes list files, rows set aside, and what became of every column.

    Raises
    ------
    MapError
        A column, the clock or a conversion that only the owner can settle; every such thing in one message.
    """
    return join_files([map_file(raw, car, channel_map, weather=weather)], title=raw.path.name)


def map_file(
    raw: RawTable,
    car: Car | None,
    channel_map: ChannelMap,
    *,
    weather: Weather | None,
    steps: Collection[str] | None = None,
    settle_open: Callable[[RawTable, list[Match]], list[Match]] | None = None,
) -> MappedFile:
    """Map one raw table and leave it on its own clock; see `map_raw`.

    `steps` are those of the session: a column that stays open and that none of them needs is left out, with the reason
    in its note and in the history, and keeps nothing from being mapped. None: every open column is an error.
    `settle_open` may settle what stays open, by other logs of the same logger.
    """
    raw = settle_marks(raw, channel_map)
    problems: list[str] = []
    try:
        clock = find_clock(raw, channel_map)
    except ClockError as error:
        clock, problems = None, [f"  {error}"]
    keys = set(clock.columns) if clock else set()
    matches = join_parts(raw, drop_claimed(match_columns(raw, channel_map, car)))
    matches = settle_open(raw, matches) if settle_open else matches
    matches = _without_gauge(raw, [match for match in matches if match.column.key not in keys], weather)
    known = {match.form.channel for match in matches if match.form}
    is_wanted = partial(_is_wanted, steps, known, car)
    matches, converted, unusable = _usable(raw, matches, car, weather, is_wanted)
    problems += unusable
    matches, chosen, rivals = settle_rivals(matches, converted)
    problems += [text for channel, text in rivals.items() if steps is None or blocks(steps, {channel}, set(), car)]
    asked = {channel: match for channel, match in chosen.items() if converted[match.column.key].asked}
    problems += [
        describe_asked(match, converted[match.column.key].asked)
        for channel, match in asked.items()
        if steps is None or blocks(steps, {channel}, set(), car)
    ]
    matches = [leave_out(m, "nothing says what its AFR was made with") if m in asked.values() else m for m in matches]
    chosen = {channel: match for channel, match in chosen.items() if channel not in asked}
    if clock is None or problems:
        raise MapError(raw.path.name, problems)
    settled = _settled(raw, clock)
    notes = tuple(_column_notes(raw, clock, matches, chosen, converted))
    return _mapped(raw, (clock, settled), chosen, converted, notes)


def _usable(
    raw: RawTable, matches: list[Match], car: Car | None, weather: Weather | None, is_wanted: Callable[[Match], bool]
) -> tuple[list[Match], dict[str, Converted], list[str]]:
    """Convert the columns; one that stays open or cannot be converted is left out, and named where it is wanted."""
    problems = [describe_open(match, raw.path.name) for match in matches if match.sure == "open" and is_wanted(match)]
    matches = [leave_out(match, match.why) if match.sure == "open" else match for match in matches]
    converted, failed = _convert(raw, matches, car, weather)
    problems += [describe_unconverted(match, error) for match, error in failed if is_wanted(match)]
    whys = {match.column.key: str(error) for match, error in failed}
    matches = [leave_out(m, whys[m.column.key]) if m.column.key in whys else m for m in matches]
    return matches, _joined(raw, matches, converted), problems


def _settled(raw: RawTable, clock: Clock) -> Settled:
    """The table's clock without stray rows; a `MapError` where it leaves no log."""
    settled = settle_clock(clock.seconds, raw.restarts, raw.frame)
    if settled.doubt:
        raise MapError(raw.path.name, [f"  {settled.doubt}"])
    if settled.keep.sum() < 2:
        raise MapError(raw.path.name, ["  fewer than two rows have a time of their own; nothing can be made of them."])
    return settled


def _is_wanted(steps: Collection[str] | None, known: Collection[str], car: Car | None, match: Match) -> bool:
    """Whether a step needs one of the channels that an open column may be, and no other column is it."""
    channels = {form.channel for form in match.forms}
    return steps is None or blocks(steps, channels, set(known) - channels, car)


def _without_gauge(raw: RawTable, matches: list[Match], weather: Weather | None) -> list[Match]:
    """Leave out a gauge pressure that lacks the atmosphere, where an absolute one says the same."""
    channels = [match.form.channel for match in matches if match.form]
    if "barometer_kpa" in channels or channels.count("manifold_kpa") < 2 or (weather and weather.pressure_kpa):
        return matches
    series = {m.column.key: raw.frame[m.column.key] for m in matches if m.form and m.form.channel == "manifold_kpa"}
    numbers = {key: one.fill_null(float("nan")).to_numpy() for key, one in series.items() if one.dtype.is_numeric()}
    return leave_out_gauge(matches, numbers)


def _convert(
    raw: RawTable, matches: list[Match], car: Car | None, weather: Weather | None
) -> tuple[dict[str, Converted], list[tuple[Match, ConversionError]]]:
    """Convert all settled columns, by key; what cannot be converted comes back with the reason."""
    around = Surroundings(car, weather.pressure_kpa if weather else None, None)
    converted: dict[str, Converted] = {}
    failed: list[tuple[Match, ConversionError]] = []
    wanted = [match for match in matches if match.form is not None]
    taken = take_numbers(raw, wanted)
    for match in sorted(wanted, key=lambda match: match.settled.channel != "barometer_kpa"):
        try:
            found = convert_column(raw, match, around, numbers=taken.get(match.column.key))
        except ConversionError as error:
            failed.append((match, error))
            continue
        converted[match.column.key] = found
        if match.settled.channel == "barometer_kpa" and np.isfinite(found.values).any():
            around = Surroundings(around.car, around.weather_kpa, found.values)
    return converted, failed


def _joined(raw: RawTable, matches: list[Match], converted: dict[str, Converted]) -> dict[str, Converted]:
    """Put the readings of columns that go on with an earlier one into that one."""
    for match in matches:
        main, more = converted.get(match.continues), converted.get(match.column.key)
        if main is None or more is None:
            continue
        absent = raw.frame[match.continues].is_null().to_numpy()
        how = f"{main.how}; below a later heading from {match.column.key!r}, {more.how}"
        words = {word: main.words.get(word, 0) + more.words.get(word, 0) for word in main.words | more.words}
        converted[match.continues] = Converted(np.where(absent, more.values, main.values), how, words)
    return converted


def _mapped(
    raw: RawTable,
    clocks: tuple[Clock, Settled],
    chosen: dict[str, Match],
    converted: dict[str, Converted],
    notes: tuple[dict[str, object], ...],
) -> MappedFile:
    clock, settled = clocks
    keep = settled.keep
    time_s, episode = _kept(settled.time_s, keep), _kept(settled.episode, keep)
    rows = (keep, time_s, episode)
    tracks = {name: make_track(raw, match, converted[match.column.key], rows) for name, match in chosen.items()}
    set_aside = list(raw.set_aside)
    for reason, left_out in settled.reasons.items():
        set_aside += merge_rows(raw.line[left_out], reason)
    return MappedFile(
        raw=raw,
        kind=clock.kind,
        time_s=time_s,
        episode=count_changes(episode),
        line=_kept(raw.line, keep),
        tracks=tracks,
        set_aside=tuple(sorted(set_aside, key=lambda item: item.row)),
        columns=notes,
        history=(*_history(raw, clock, settled, set_aside), *_unread(raw, chosen, converted), *_left_out(notes)),
    )


def _kept(values: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Those values that are kept; the very same array where all are."""
    return values if keep.all() else values[keep]


def make_track(
    raw: RawTable, match: Match, converted: Converted, rows: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> Track:
    """Make one channel's track from its converted column; `rows` holds which are kept, their time and episode."""
    keep, time_s, episode = rows
    series = raw.frame[match.column.key]
    values = _kept(converted.values, keep)
    stated = _stated_fresh(raw, match.column.key)
    if stated is not None:
        fresh = stated[keep] & np.isfinite(values)
        period = float(np.median(np.diff(time_s[fresh]))) if fresh.sum() > 1 else float("nan")
        return Track(values, fresh, period, match.column.heading, converted.how)
    empty = series.is_null().to_numpy()[keep] if series.null_count() else None
    is_slower = empty is not None and _is_slower(raw, match.column)
    refresh = find_refresh(values, empty if is_slower else None, time_s, episode)
    if refresh is None:
        return Track(np.ascontiguousarray(values), None, float("nan"), match.column.heading, converted.how)
    return Track(refresh.values, refresh.fresh, refresh.period_s, match.column.heading, converted.how)


def _stated_fresh(raw: RawTable, key: str) -> np.ndarray | None:
    """Give what a cleaned log of the kit's own says of a channel's refresh."""
    name = f"{key}_fresh"
    if key not in CHANNELS or name not in raw.frame.columns or not raw.frame[name].dtype.is_numeric():
        return None
    return raw.frame[name].fill_null(0).to_numpy() == 1


def _is_slower(raw: RawTable, column: RawColumn) -> bool:
    """True where empty cells mean that a column comes at a rate of its own, not that it has holes.

    A quarter of the rows without it say so; fewer do where those rows are there for another such column.
    """
    rows = raw.frame.height
    if column.empty >= SPARSE_SHARE * rows:
        return True
    empty = raw.frame[column.key].is_null()
    others = (c.key for c in raw.columns if SPARSE_SHARE * rows <= c.empty < rows and c.key != column.key)
    beside = pl.Series([False]).new_from_index(0, rows)
    for key in others:
        beside = beside | raw.frame[key].is_not_null()
    return column.empty > 0.02 * rows and (beside & empty).sum() > 0.9 * column.empty


def _column_notes(
    raw: RawTable, clock: Clock, matches: list[Match], chosen: dict[str, Match], converted: dict[str, Converted]
) -> Iterator[dict[str, object]]:
    """Say of each column what became of it, unmapped ones too."""
    by_key = {match.column.key: match for match in matches}
    taken = {match.column.key: channel for channel, match in chosen.items()}
    for column in raw.columns:
        channel = "time" if column.key in clock.columns else taken.get(column.key, "")
        found, match = converted.get(column.key), by_key.get(column.key)
        if channel == "time":
            how = clock.how
        elif match and match.continues:
            how = f"goes on with {match.continues!r}"
        elif channel and found:
            how = found.how
        else:
            twin = match.form.channel if match and match.form and not match.continues else ""
            how = f"not mapped: {f'{twin} has the same readings' if twin else match.why if match else 'not known'}"
        unit = CHANNELS[channel].unit if channel in CHANNELS else "s" if channel else ""
        note = {"file": raw.path.name, "column": column.key, "channel": channel, "unit": unit, "conversion": how}
        words = _unreadable(column, found)
        yield (
            note | ({"sure": match.sure, "why": match.why} if match else {}) | ({"unreadable": words} if words else {})
        )


def _unreadable(column: RawColumn, found: Converted | None) -> dict[str, int]:
    words = dict(column.words)
    for word, count in (found.words if found else {}).items():
        words[word] = words.get(word, 0) + count
    return words


def _history(raw: RawTable, clock: Clock, settled: Settled, set_aside: list[SetAside]) -> Iterator[str]:
    dropped = sum(item.rows for item in set_aside)
    dialect = raw.dialect
    kept = raw.rows_in - dropped
    yield f"read {raw.path.name} ({dialect.format}): {raw.rows_in} rows, {kept} kept, {dropped} set aside"
    yield from (f"{raw.path.name}: {note}" for note in (*raw.notes, *settled.notes))
    yield f"{raw.path.name}: clock from {clock.how}"


def _left_out(notes: Iterable[dict[str, object]]) -> Iterator[str]:
    whys = ((note["column"], str(note.get("why", ""))) for note in notes)
    yield from (f"column {column!r} {why}" for column, why in whys if why.startswith(LEFT_OUT))


def _unread(raw: RawTable, chosen: dict[str, Match], converted: dict[str, Converted]) -> Iterator[str]:
    """Name the words and codes that have no meaning."""
    for channel, match in chosen.items():
        words = converted[match.column.key].words
        if words:
            counts = ", ".join(f"{word!r} {count}" for word, count in words.items())
            yield f"{raw.path.name}: {channel}: without a meaning in channels.toml, and not read: {counts}"
