"""Checks of `channels.toml` against the vocabulary and the units."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from pathlib import Path

from tunelab.channels import CHANNELS, alias_table, name_key
from tunelab.units import is_convertible, recognise_unit
from tunelab.workspace.channel_map import ChannelMap, ColumnRule, plain_heading
from tunelab.workspace.problem import KeyPath, Problem, WorkspaceError
from tunelab.workspace.toml_file import Reading, read_toml

_NUMBER = re.compile(r"\s*[+-]?(\d+[.,]?\d*|[.,]\d+)(e[+-]?\d+)?\s*", re.I)
_WHOLE = re.compile(r"-?(0|[1-9]\d*)")


def check_channel_map(reading: Reading[ChannelMap]) -> Iterator[Problem]:
    """Find rules that contradict themselves or each other."""
    rules = reading.partial.column if reading.partial else None
    seen: set[tuple[str, str]] = set()
    for position, rule in enumerate(rules or ()):
        if rule is None:
            continue
        yield from _check_rule(reading, position, rule)
        key = (plain_heading(rule.name or ""), rule.file or "")
        if rule.name and key in seen:
            way_out = "keep one, or distinguish them with file"
            yield reading.problem(("column", position, "name"), f"{rule.name!r} a second time", "one rule", way_out)
        seen.add(key)


def _check_rule(reading: Reading, position: int, rule: ColumnRule) -> Iterator[Problem]:
    path = ("column", position)
    if rule.channel is not None and rule.channel not in CHANNELS:
        yield reading.problem((*path, "channel"), repr(rule.channel), "the name of a channel", _near(rule.channel))
    said = [
        key for key, is_said in (("channel", rule.channel), ("time", rule.time), ("ignore", rule.ignore)) if is_said
    ]
    if len(said) > 1:
        yield reading.problem(path, " and ".join(said), "only one of channel, time and ignore")
    yield from _check_unit(reading, (*path, "unit"), rule)
    if rule.name and rule.model_fields_set <= {"name", "file"} and not reading.has_problem("column"):
        wanted = "what the column is: channel, unit, time, ignore or another key"
        yield reading.problem(path, "a rule that says nothing", wanted)
    for word in rule.words or ():
        if _NUMBER.fullmatch(word) and not _WHOLE.fullmatch(word):
            plain = f"{float(word.replace(',', '.')):g}"
            wanted = f'"{plain}", a whole number as text' if _WHOLE.fullmatch(plain) else "a word or a whole number"
            yield reading.problem((*path, "words", word), repr(word), wanted)
    if rule.scale == 0:
        yield reading.problem((*path, "scale"), "0", "a number other than 0", "ignore = true leaves a column out")
    if rule.gauge is not None and rule.channel in CHANNELS and CHANNELS[rule.channel].unit != "kPa":
        wanted = "a pressure channel, or no gauge"
        yield reading.problem((*path, "gauge"), f"gauge with {rule.channel}", wanted)


def _near(name: str) -> str:
    """Way out of a name that no channel has: what loggers call so, else the nearest names, and where all stand."""
    meant = alias_table().get(name_key(name), ()) or tuple(difflib.get_close_matches(name, CHANNELS, n=3, cutoff=0.5))
    all_names = "`tunelab list --channels` lists all"
    return f"perhaps {' or '.join(meant)}; {all_names}" if meant else all_names


def _check_unit(reading: Reading, path: KeyPath, rule: ColumnRule) -> Iterator[Problem]:
    """Demand a known unit that fits the channel; a lambda channel also takes AFR and the equivalence ratio."""
    if rule.unit is None:
        return
    canonical = recognise_unit(rule.unit)
    if canonical is None:
        yield reading.problem(path, repr(rule.unit), "a unit that tunelab knows", "such as V, psi, °F, kg/h, afr")
    elif rule.channel in CHANNELS and not _fits(canonical, rule.channel):
        wanted = f"a unit that converts to {CHANNELS[rule.channel].unit}, the unit of {rule.channel}"
        yield reading.problem(path, repr(rule.unit), wanted)


def _fits(unit: str, channel: str) -> bool:
    from_mixture = unit in ("AFR", "phi") and channel.startswith("lambda_")
    return from_mixture or is_convertible(unit, CHANNELS[channel].unit)


def read_channel_map(path: Path) -> ChannelMap:
    """Read a `channels.toml` that belongs to no workspace; WorkspaceError lists everything wrong with it."""
    reading = read_toml(path, ChannelMap, path.name)
    problems = [*reading.problems, *check_channel_map(reading)]
    if problems or reading.partial is None:
        raise WorkspaceError(path.name, problems)
    return reading.partial
