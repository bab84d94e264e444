"""Decide which column is which channel, in which form, how sure that is and why."""

from __future__ import annotations

import itertools
from collections import defaultdict
from dataclasses import replace

import numpy as np
import polars as pl

from tunelab.channels import CHANNELS
from tunelab.log.map.candidates import Match, agree_on_mixture, agree_on_temperature, weigh_air_flow
from tunelab.log.map.heading import Heading, parse_heading
from tunelab.log.map.quantity import (
    LAMBDAS,
    Form,
    Spread,
    guess_forms,
    implied_kind,
    is_possible,
    is_warm_plateau,
    stated_forms,
    to_usual,
)
from tunelab.log.map.text import describe_marks, looks_like_thousands, rule_lines, toml_text
from tunelab.log.read import RawColumn, RawTable
from tunelab.units import recognise_unit
from tunelab.workspace.car import Car
from tunelab.workspace.channel_map import ChannelMap, ColumnRule

NO_CHANNEL = "no channel has this name"
_LEAST_OF_PART = 20  # readings below one of several headings: fewer say nothing of the unit
_DASHES = ("-", "--", "[-]", "(-)")


def match_columns(raw: RawTable, channel_map: ChannelMap, car: Car | None) -> list[Match]:
    """Match every column that is not the clock.

    Parameters
    ----------
    raw : RawTable
        The file.
    channel_map : ChannelMap
        The owner's word; goes before everything else.
    car : Car or None
        Where it is known, a column named "MAF" cannot be the reading of another meter than the car's, and an airflow
        is compared with the engine's size.
    """
    meter_channel = car.meter.channel if car and car.has_meter else None
    matches = []
    for column in raw.columns:
        rule = channel_map.rule_for(raw.path.name, column.heading)
        match = _match(raw.frame[column.key], column, rule, meter_channel)
        matches.append(_held_in_each_part(raw, match) if raw.parts.size else match)
    return weigh_air_flow(raw, agree_on_mixture(raw, agree_on_temperature(raw, matches)), car)


def _held_in_each_part(raw: RawTable, match: Match) -> Match:
    """Ask for a stated unit that fits the whole column and not the rows below one of its headings."""
    if match.sure != "stated" or not (match.column.unit or match.heading.unit) or (match.rule and match.rule.unit):
        return match
    ends = [0, *raw.parts.tolist(), raw.frame.height]
    for start, stop in itertools.pairwise(ends):
        spread = Spread(raw.frame[match.column.key].slice(start, stop - start))
        if spread.count >= _LEAST_OF_PART and not is_possible(match.settled, spread):
            unit = match.column.unit or match.heading.unit
            channels = (match.settled.channel,)
            asked = _match_impossible(match.column, match.heading, channels, (unit, spread, match.settled), match.rule)
            lines = f"lines {raw.line[start]} to {raw.line[stop - 1]}"
            return replace(asked, why=f"{asked.why} in {lines}, below a heading of their own")
    return match


def _match(series: pl.Series, column: RawColumn, rule: ColumnRule | None, meter_channel: str | None) -> Match:
    heading = parse_heading(column.heading)
    if rule is not None and (rule.ignore or rule.time):
        return Match(column, heading, (), "none", "left out by channels.toml", rule)
    if series.len() == column.empty:
        return Match(column, heading, (), "none", "the column is empty", rule)
    channels = (rule.channel,) if rule and rule.channel else _narrow(heading.channels, meter_channel)
    if not channels:
        return Match(column, heading, (), "none", NO_CHANNEL, rule)
    if not series.dtype.is_numeric():
        return _match_words(column, heading, channels, rule)
    spread = Spread(series)
    if not spread.count:
        return Match(column, heading, (), "none", "no readable number in it", rule)
    if column.marks or (heading.channels and looks_like_thousands(spread)):
        return _match_marks(column, heading, channels, spread, rule)
    unit = (rule.unit if rule else None) or column.unit or heading.unit
    if rule and rule.unit is None and rule.channel and unit and not _any_stated(channels, unit, heading.key, spread):
        unit = ""
    if unit in _DASHES and not set(channels) & set(LAMBDAS):
        unit = ""  # it fills a place, and does not say that a trim is a factor
    if unit and recognise_unit(unit) is not None:
        return _match_stated(column, heading, channels, (unit, spread), rule)
    found = _match_guessed(column, heading, channels, spread, rule)
    return replace(found, why=f"the unit {unit!r} is not known; {found.why}") if unit else found


def _any_stated(channels: tuple[str, ...], unit: str, key: str, spread: Spread) -> bool:
    return any(stated_forms(channel, unit, key, spread) for channel in channels)


def _narrow(channels: tuple[str, ...], meter_channel: str | None) -> tuple[str, ...]:
    """Leave out readings of a meter that the car has not got."""
    if meter_channel is None or len(channels) < 2:
        return channels
    return tuple(name for name in channels if not name.startswith("meter_") or name == meter_channel)


def _match_words(column: RawColumn, heading: Heading, channels: tuple[str, ...], rule: ColumnRule | None) -> Match:
    worded = [name for name in channels if CHANNELS[name].unit == "1" and not name.startswith(("lambda", "meter"))]
    if rule and rule.words:
        worded = list(channels)
    if not worded:
        return Match(column, heading, (), "none", "holds words where numbers are wanted", rule)
    return Match(column, heading, (Form(worded[0], "1"),), "said" if rule else "stated", "words", rule)


def _match_stated(
    column: RawColumn,
    heading: Heading,
    channels: tuple[str, ...],
    measured: tuple[str, Spread],
    rule: ColumnRule | None,
) -> Match:
    unit, spread = measured
    forms = tuple(form for name in channels for form in stated_forms(name, unit, heading.key, spread))
    if not forms:
        wanted = " or ".join(CHANNELS[name].unit for name in channels)
        return Match(
            column, heading, (), "none", f"named like {channels[0]}, but {unit} is no unit of it ({wanted})", rule
        )
    if len(forms) > 1:
        several = "channels" if len({form.channel for form in forms}) > 1 else "ways to write it"
        return Match(column, heading, forms, "open", f"the unit {unit} fits several {several}", rule)
    if not (rule and rule.unit):
        contrary = _contrary_unit(column, heading, channels, spread)
        if contrary:
            why = f"its heading says {heading.unit} and the file's unit for it {column.unit}"
            return Match(column, heading, (*forms, *contrary), "open", why, rule)
        if not is_possible(forms[0], spread):
            return _match_impossible(column, heading, channels, (unit, spread, forms[0]), rule)
        if forms[0].unit == "degree_Fahrenheit" and is_warm_plateau(forms[0].channel, spread):
            why = f"unit {unit} stated, but it stays at {_show(spread)} as a warm engine does in degrees Celsius"
            return Match(column, heading, (forms[0], Form(forms[0].channel, "degree_Celsius")), "open", why, rule)
    said = rule is not None and bool(rule.unit or rule.channel)
    return Match(column, heading, forms, "said" if said else "stated", f"unit {unit}", rule)


def _contrary_unit(column: RawColumn, heading: Heading, channels: tuple[str, ...], spread: Spread) -> tuple[Form, ...]:
    """Forms by the unit in a heading, where a unit line or the cells state another one."""
    one, other = recognise_unit(column.unit or ""), recognise_unit(heading.unit or "")
    if one is None or other is None or one == other:
        return ()
    stated = {(f.unit, f.kind) for name in channels for f in stated_forms(name, column.unit, heading.key, spread)}
    forms = (f for name in channels for f in stated_forms(name, heading.unit, heading.key, spread))
    return tuple(form for form in forms if (form.unit, form.kind) not in stated)


def _match_impossible(
    column: RawColumn,
    heading: Heading,
    channels: tuple[str, ...],
    stated: tuple[str, Spread, Form],
    rule: ColumnRule | None,
) -> Match:
    """A stated unit in which the numbers are no such channel: asked for, with the units that they would fit."""
    unit, spread, form = stated
    fits = [fit for name in channels for fit in guess_forms(name, heading.key, spread).fits if fit.kind != "sensor"]
    others = tuple(fit for fit in dict.fromkeys(fits) if fit != form)
    why = f"unit {unit} stated, but no {form.channel} is {_show(spread)} {unit}"
    return Match(column, heading, (*others, form), "open", why, rule)


def _match_marks(
    column: RawColumn, heading: Heading, channels: tuple[str, ...], spread: Spread, rule: ColumnRule | None
) -> Match:
    forms = tuple(form for name in channels for form in guess_forms(name, heading.key, spread).fits)
    forms = forms or tuple(Form(name, CHANNELS[name].unit) for name in channels)
    return Match(column, heading, forms, "open", MARKS, rule)


def _match_guessed(
    column: RawColumn, heading: Heading, channels: tuple[str, ...], spread: Spread, rule: ColumnRule | None
) -> Match:
    fits = [guess_forms(name, heading.key, spread) for name in channels]
    forms = tuple(form for fit in fits for form in fit.fits)
    nearly = tuple(form for fit in fits for form in fit.nearly)
    lone = len(channels) == 1 and len(forms) == 1
    kind = implied_kind(channels[0], heading.key).replace("equivalence", "")
    if kind and lone and (forms[0].kind == kind or (kind == "lambda" and forms[0].kind == "plain")):
        return Match(column, heading, forms, "stated", f"{kind} by its name, and its numbers agree", rule)
    if kind == "phi" and Form(channels[0], "1", "phi") in forms:
        return Match(column, heading, (Form(channels[0], "1", "phi"),), "stated", "equivalence ratio by its name", rule)
    if kind and lone:
        both = (*_named_form(channels[0], kind), *forms)
        return Match(column, heading, both, "open", f"named {kind}, but its numbers read like {forms[0]}", rule)
    if forms + nearly and all(form.kind == "sensor" for form in forms + nearly):
        why = f"numbers of {_show(spread)} look like the sensor's own voltage; state its unit to have it read"
        return Match(column, heading, (), "none", why, rule)
    if len(forms) == 1 and not nearly and not is_possible(forms[0], spread):
        why = f"no {forms[0].channel} is {_show(spread)} {rule_unit(forms[0])}; state its unit to have it read"
        return Match(column, heading, (), "none", why, rule)
    if len(forms) == 1 and not nearly:
        only = len(channels) == 1 and CHANNELS[channels[0]].unit in ("1", "degree", "degree_north", "degree_east")
        why = "its only unit" if only else f"no unit stated; only {forms[0]} fits numbers of {_show(spread)}"
        return Match(column, heading, forms, "stated" if only else "likely", why, rule)
    if not forms and not nearly:
        return _match_nothing(column, heading, channels, spread, rule)
    everything = forms + nearly
    if _all_same(everything, spread):
        return Match(column, heading, everything[:1], "likely", "all numbers are zero, whatever the unit", rule)
    return Match(column, heading, everything, "open", f"no unit stated, and numbers of {_show(spread)} fit each", rule)


def _named_form(channel: str, kind: str) -> tuple[Form, ...]:
    return (Form(channel, "1", "plain" if kind == "lambda" else kind),)


def _match_nothing(
    column: RawColumn, heading: Heading, channels: tuple[str, ...], spread: Spread, rule: ColumnRule | None
) -> Match:
    if not spread.count:
        return Match(column, heading, (), "none", "no readable number in it", rule)
    if spread.low == spread.high == 0:
        known = CHANNELS[channels[0]]
        if len(channels) == 1 and known.low <= 0 <= known.high and known.unit != "degree_Celsius":
            return Match(
                column, heading, (Form(channels[0], known.unit),), "likely", "all zero, whatever the unit", rule
            )
    why = f"named like {channels[0]}, but numbers of {_show(spread)} are not usual for it in any unit"
    return Match(column, heading, (), "none", f"{why}; state its unit to have it read", rule)


def _all_same(forms: tuple[Form, ...], spread: Spread) -> bool:
    one_channel = len({form.channel for form in forms}) == 1 and all(form.kind != "sensor" for form in forms)
    return one_channel and all(len({round(to_usual(f, x), 9) for f in forms}) == 1 for x in (spread.low, spread.high))


def _show(spread: Spread) -> str:
    return f"{spread.low:.4g} to {spread.high:.4g}"


def describe_open(match: Match, file_name: str) -> str:
    """Say what is open about a column, and the lines that settle it."""
    if match.why == MARKS:
        return describe_marks(match.column, file_name)
    keys: dict[str, str] = {}
    channels = list(dict.fromkeys(form.channel for form in match.forms))
    if len(channels) > 1:
        keys["channel"] = _choices(channels)
    keys["unit"] = _choices(list(dict.fromkeys(rule_unit(form) for form in match.forms)))
    if any(form.kind == "share" for form in match.forms):
        keys["unit"] += ("," if "#" in keys["unit"] else "  #") + SHARE_NOTE
    candidates = ", ".join(f"{form.channel} in {form}" for form in match.forms)
    head = f"  {match.column.heading!r}: {match.why}. Candidates: {candidates}. Say which, or ignore = true:"
    return head + "\n" + rule_lines(match.column.heading, **keys)


LEFT_OUT = "left out until channels.toml settles it"
MARKS = "its marks, as in 2,500, may group thousands or be decimal"
SHARE_NOTE = " with scale = 100 where 0.05 means 5 percent"


def rule_unit(form: Form) -> str:
    """Give the unit that a rule of channels.toml names for a form."""
    if form.channel in LAMBDAS and form.kind == "plain":
        return "lambda"
    return {"AFR": "AFR", "phi": "phi", "factor": "1"}.get(form.kind, form.unit)


def _choices(names: list[str]) -> str:
    rest = ", ".join(toml_text(name) for name in names[1:])
    return toml_text(names[0]) + (f"  # or {rest}" if rest else "")


def find_rivals(matches: list[Match]) -> dict[str, list[Match]]:
    """Find the channels that several columns claim; a column that channels.toml names goes before the others."""
    claims: dict[str, list[Match]] = defaultdict(list)
    for match in matches:
        if match.form is not None and not match.continues:
            claims[match.form.channel].append(match)
    return {channel: claimed for channel, claimed in claims.items() if len(claimed) > 1}


def leave_out(match: Match, why: str) -> Match:
    """Take a column out that stays open, with the reason; `LEFT_OUT` begins it."""
    return replace(match, forms=(), sure="none", why=f"{LEFT_OUT}: {why}")


def join_parts(raw: RawTable, matches: list[Match]) -> list[Match]:
    """Mark the columns that go on with an earlier one of their channel, below another heading of their file.

    The two never stand under one heading: so they are the same reading in another unit or under another name.
    """
    if not raw.parts.size:
        return matches
    part = np.searchsorted(raw.parts, np.arange(raw.frame.height), side="right")
    seen: dict[str, tuple[str, set[int]]] = {}
    result = []
    for match in matches:
        form = match.form
        if form is not None:
            places = set(np.unique(part[raw.frame[match.column.key].is_not_null().to_numpy()]).tolist())
            key, before = seen.get(form.channel, (match.column.key, set()))
            if before and not before & places:
                match = replace(match, continues=key)
            seen[form.channel] = (key, before | places)
        result.append(match)
    return result


def drop_claimed(matches: list[Match]) -> list[Match]:
    """Take back matches whose channel another column has by the owner's rule."""
    ruled = {m.form.channel: m for m in matches if m.form and m.rule is not None and m.rule.channel}
    result = []
    for match in matches:
        owner = ruled.get(match.form.channel) if match.form else None
        if owner is not None and owner is not match and not (match.rule and match.rule.channel):
            why = f"{owner.settled.channel} is {owner.column.heading!r} by channels.toml"
            match = replace(match, forms=(), sure="none", why=why)
        result.append(match)
    return result


def same_values(one: np.ndarray, other: np.ndarray) -> bool:
    """True where two columns hold the same readings, but for rounding."""
    return bool(np.allclose(one, other, rtol=2e-3, atol=1e-6, equal_nan=True))
