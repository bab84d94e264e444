"""The owner's word on this logger's columns, `channels.toml`, and its checks.

A rule holds for one column heading, in all files or in those that match `file`. Whatever a rule leaves out is still
guessed from the file: a rule with only `name` and `unit` corrects the unit and leaves the channel to the guess. A
value goes from file to channel in this order:

1. `words`, where given: text that stands in the table becomes its number, in the channel's own unit, and skips 2 to 5;
2. `value * scale + offset`, still in the file's unit;
3. from `unit` (or the unit guessed from the file) to the channel's unit;
4. `gauge = true`: the pressure is above atmosphere, so the barometric pressure is added to reach an absolute channel;
   `gauge = false`: it is absolute, so it is taken off to reach a channel above atmosphere;
5. `invert = true`: a switch becomes 1 - value, anything else changes its sign.
"""

from __future__ import annotations

import difflib
import fnmatch
import re
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from tunelab.channels import CHANNELS, alias_table, name_key
from tunelab.units import is_convertible, recognise_unit
from tunelab.workspace.car import Finite, Positive, Table
from tunelab.workspace.problem import KeyPath, Problem, WorkspaceError
from tunelab.workspace.toml_file import Reading, read_toml

TimeKind = Literal["s", "ms", "us", "min", "h", "day", "clock", "iso8601", "date", "unix_s", "unix_ms"]
"""How a time column is written.

`s`, `ms`, `us`, `min`, `h`, `day`: a count since some start; `clock`: a time of day, it may pass midnight; `iso8601`:
date and time in one column; `date`: the date that belongs to a clock column; `unix_s`, `unix_ms`: since 1970-01-01 UTC.
"""


class ColumnRule(Table):
    """One `[[column]]` of `channels.toml`; the module's docstring gives the order in which its keys act."""

    name: Annotated[str, Field(min_length=1)]  # the heading as in the file; how many blanks it has does not matter
    file: str | None = None  # such as "wideband-*.csv": holds only for files of that name; none: for all
    channel: str | None = None  # canonical channel name
    unit: str | None = None  # unit in the file, such as "psi" or "afr"
    time: TimeKind | None = None  # this column is the clock; excludes `channel`
    ignore: bool = False  # leave this column out
    gauge: bool | None = None  # pressures: True is above atmosphere, False is absolute, none is as guessed
    scale: Finite | None = None  # none is 1
    offset: Finite | None = None  # none is 0, in the file's unit
    invert: bool = False
    afr_stoich: Positive | None = None  # AFR columns: the ratio that the display uses; none is car.toml's
    words: dict[str, Finite] = Field(default_factory=dict)  # text, in any letter case -> number in the channel's unit


class FileRule(Table):
    """One `[[file]]` of `channels.toml`: what a log does not say of itself. The first that matches a file holds."""

    name: Annotated[str, Field(min_length=1)]  # file name, or a pattern such as "wideband-*.csv"
    headings: list[str] = Field(default_factory=list)  # for a log without a heading line: the columns' names, in order
    rate_hz: Positive | None = None  # for a log without a time column: rows per second
    decimal: Literal[".", ","] | None = None  # decimal mark, where the numbers themselves leave it open


class ChannelMap(Table):
    """Everything `channels.toml` holds; empty where the guesses are right."""

    column: list[ColumnRule] = Field(default_factory=list)
    file: list[FileRule] = Field(default_factory=list)

    def file_rule(self, file_name: str) -> FileRule | None:
        """Find what the owner says of one file, given its name without its folder."""
        return next((rule for rule in self.file if is_named(file_name, rule.name)), None)

    def rule_for(self, file_name: str, heading: str) -> ColumnRule | None:
        """Find the rule for one column: one that names the file goes before one for all files.

        Parameters
        ----------
        file_name : str
            Name of the log without its folder.
        heading : str
            Column heading as read. An exact match goes before one that differs in letter case.

        Returns
        -------
        ColumnRule or None
            None where the owner has said nothing about the column.
        """
        wanted = plain_heading(heading)
        found = [rule for rule in self.column if _covers(rule, file_name) and _names(rule, wanted)]
        return min(found, key=lambda rule: (rule.file is None, plain_heading(rule.name) != wanted), default=None)


def plain_heading(heading: str) -> str:
    """Give a column heading without blanks at its ends, with single blanks inside and each accent on its letter."""
    return " ".join(unicodedata.normalize("NFC", heading).split())


def _covers(rule: ColumnRule, file_name: str) -> bool:
    return rule.file is None or is_named(file_name, rule.file)


def is_named(file_name: str, pattern: str) -> bool:
    """Whether a file's name fits a pattern; neither letter case nor the two ways to write an accent matter on disk."""
    name, wanted = (unicodedata.normalize("NFC", text).casefold() for text in (file_name, pattern))
    return fnmatch.fnmatchcase(name, wanted)


def _names(rule: ColumnRule, heading: str) -> bool:
    return plain_heading(rule.name).casefold() == heading.casefold()


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
