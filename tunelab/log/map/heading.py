"""Take a column heading apart: which channels its name may mean, which unit stands in it, and which is usual without
one.

The ranges are wide on purpose: a unit is taken only where every other one is clearly impossible. Whatever is left
open is asked, as a wrong unit spoils every result while a question costs one line of channels.toml.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache

from tunelab.channel_names import name_words
from tunelab.channels import CHANNELS, LONGEST_NAME, alias_table, name_key, time_names
from tunelab.units import is_convertible, recognise_unit

_TRIED = {
    "rpm": ("rpm", "krpm"),
    "V": ("V", "mV"),
    "Hz": ("Hz", "kHz"),
    "kPa": ("kPa", "psi", "bar", "mbar", "inHg"),
    "percent": ("percent", "1"),
    "ms": ("ms", "us", "s"),
    "degree_Celsius": ("degree_Celsius", "degree_Fahrenheit"),
    "km h-1": ("km h-1", "mph", "m s-1"),
    "kg h-1": ("kg h-1", "g s-1", "lb min-1"),
    "mg": ("mg", "g"),
    "m s-2": ("m s-2", "g0"),
    "m": ("m", "ft"),
}
_TRIED_OF_CHANNEL = {
    "fuel_pressure_kpa": ("kPa", "psi", "bar"),
    "oil_pressure_kpa": ("kPa", "psi", "bar"),
    "gps_speed_km_h": ("km h-1", "mph", "m s-1", "knot"),
}

Ends = tuple[float, float] | None

# Where the 2nd percentile, the middle and the 98th percentile lie in a real drive, in the channel's unit. Common
# practice, no source. None: says nothing.
USUAL: dict[str, tuple[Ends, Ends, Ends]] = {
    "engine_speed_rpm": (None, (400, 12000), (600, 16000)),
    "idle_target_rpm": (None, (400, 2500), (400, 3000)),
    "meter_v": ((0, 4), (0.3, 5), (0.5, 5.5)),
    "meter_hz": (None, (200, 15000), (600, 20000)),
    "meter_counts": (None, (20, 65535), (100, 65535)),
    "air_flow_kg_h": (None, (3, 900), (4, 2100)),  # from the idle of a small engine to 600 kW
    "air_charge_mg": (None, (20, 1500), (40, 4000)),  # from the idle of a small engine to a boosted large cylinder
    "throttle_pct": (None, None, (-5, 105)),
    "pedal_pct": (None, None, (-5, 105)),
    "injector_duty_pct": ((0, 60), None, (1.5, 110)),
    "idle_actuator_pct": ((-5, 100), None, (-5, 105)),
    "manifold_kpa": ((12, 101), None, (20, 300)),
    "barometer_kpa": ((55, 108), (60, 108), (60, 108)),
    "pulse_width_ms": ((0, 15), (0.7, 25), (1, 40)),
    "lambda_measured": ((0.45, 1.3), (0.65, 1.45), (0.7, 12)),
    "battery_v": ((6, 16), (9, 16.5), (10, 20)),
    "coolant_c": (None, None, (15, 120)),
    "oil_c": (None, None, (15, 160)),
    "intake_air_c": (None, (-20, 80), None),
    "ambient_c": (None, (-25, 50), None),
    "exhaust_c": (None, (100, 1000), (180, 1200)),
    "fuel_pressure_kpa": (None, (140, 900), (140, 1500)),
    "oil_pressure_kpa": (None, (50, 900), (100, 1500)),
    "road_speed_km_h": (None, (0, 250), (8, 320)),
    "acceleration_m_s2": ((-16, 2), (-4, 4), (0.05, 17)),
    "altitude_m": (None, (-400, 5000), None),
}
_LIKE = {
    "lambda_measured_2": "lambda_measured",
    "lambda_commanded": "lambda_measured",
    "gps_speed_km_h": "road_speed_km_h",
}


def tried_units(channel: str) -> tuple[str, ...]:
    """Units in which a channel is logged."""
    unit = CHANNELS[channel].unit
    return _TRIED_OF_CHANNEL.get(channel) or _TRIED.get(unit, (unit,))


def usual_ends(channel: str) -> tuple[Ends, Ends, Ends]:
    """Where the 2nd percentile, the middle and the 98th percentile of a channel lie, in its unit; None says nothing."""
    known = CHANNELS[channel]
    return USUAL.get(_LIKE.get(channel, channel), (None, (known.low, known.high), None))


# What a channel can be at all, in its unit: the 2nd percentile lies above the first number, the 98th between the second
# and the third, unless it is 0 throughout. Outside, a stated unit is not believed: it is a thousand times off, or
# another quantity. Wide, as an engine may stand still or a sensor lie at its stop. Common practice, no source.
POSSIBLE: dict[str, tuple[float, float, float]] = {
    "engine_speed_rpm": (-1, 50, 25000),
    "idle_target_rpm": (-1, 50, 8000),
    "meter_v": (-1, 0.02, 20),
    "meter_hz": (-1, 20, 50000),
    "meter_counts": (-1, 1, 70000),
    "air_flow_kg_h": (-50, 0.5, 5000),
    "air_charge_mg": (-50, 5, 10000),
    "throttle_pct": (-50, -50, 150),
    "pedal_pct": (-50, -50, 150),
    "injector_duty_pct": (-50, -50, 200),
    "idle_actuator_pct": (-50, -50, 150),
    "manifold_kpa": (-5, 15, 600),
    "barometer_kpa": (30, 40, 120),
    "pulse_width_ms": (-1, 0.2, 100),
    "lambda_measured": (-0.1, 0.3, 70),
    "battery_v": (-1, 2, 60),
    "coolant_c": (-60, -60, 175),
    "oil_c": (-60, -60, 200),
    "intake_air_c": (-60, -60, 150),
    "ambient_c": (-60, -60, 80),
    "exhaust_c": (-60, -60, 1500),
    "spark_deg": (-100, -100, 100),
    "knock_retard_deg": (-60, -60, 60),
    "road_speed_km_h": (-50, -50, 600),
    "fuel_pressure_kpa": (-120, 15, 30000),
    "oil_pressure_kpa": (-120, 2, 3000),
    "acceleration_m_s2": (-150, -150, 150),
    "latitude_deg": (-90, -90, 90),
    "longitude_deg": (-180, -180, 180),
    "altitude_m": (-1000, -1000, 12000),
    "gear": (-3, -3, 20),
    "enrichment_pct": (-200, -200, 1500),
    "trim_short_pct": (-150, -150, 150),
    "trim_long_pct": (-150, -150, 150),
}
_LIKE_POSSIBLE = {"trim_short_2_pct": "trim_short_pct", "trim_long_2_pct": "trim_long_pct"}
HIGHEST_MIDDLE = {"lambda_measured": 10.0}  # and the middle of the readings lies no higher, free air or not


def possible_ends(channel: str) -> tuple[float, float, float] | None:
    """What a channel can be at all, as `POSSIBLE` has it; None where nothing is said."""
    return POSSIBLE.get(_LIKE.get(channel, _LIKE_POSSIBLE.get(channel, channel)))


def highest_middle(channel: str) -> float:
    """Highest middle of the readings that a channel can have, in its unit."""
    return HIGHEST_MIDDLE.get(_LIKE.get(channel, channel), float("inf"))


_BRACKET = re.compile(r"^(.*?)[\s_]*[(\[{<]([^()\[\]{}<>]*)[)\]}>]\s*$")
_BRACKET_OPEN = re.compile(r"^(.*?)\s+[(\[{<]([^()\[\]{}<>]*)$")
_SEPARATED = re.compile(r"^(.+?)\s*(?:,|;|:| - | – |\s/\s|\bin\b)\s*(\S.*)$")
_NOISE_WORDS = (
    "ecu ecm pcm can can0 can1 can2 obd obdii obd2 sensor value val signal actual log data input engine "
    "live absolute abs measured reading ist wert messwert valeur mesure valor medido avg average filtered filt"
)
_NOISE = frozenset(_NOISE_WORDS.split())
_UNIT_ENDINGS = (
    *(
        "kpaabs",
        "kpag",
        "kpa",
        "psig",
        "psia",
        "psi",
        "mbar",
        "bar",
        "inhg",
        "rpm",
        "degc",
        "degf",
        "kmh",
        "kph",
        "mph",
    ),
    *(
        "msec",
        "ms",
        "us",
        "mps",
        "percent",
        "pct",
        "volts",
        "volt",
        "mv",
        "v",
        "khz",
        "hz",
        "deg",
        "kgh",
        "gs",
        "lbmin",
    ),
    *("lambda", "afr", "phi", "ratio", "counts", "adc", "celsius", "fahrenheit", "c", "f", "g", "s", "m", "ft", "ms2"),
)

_BARE_VOLTAGE = frozenset(("supply", "voltage", "volts", "volt", "v", "mv"))
_COUNTED = ("gear", "fuel_mode")
_NUMBERED = re.compile(r"[\s_]*(?<![a-z0-9])(?:bank|bk|b|sensor|no\.?)?[\s_]*#?([12])(?:s1)?(?![a-z0-9.])", re.I)
_BANKS = {
    "lambda_measured": "lambda_measured_2",
    "trim_short_pct": "trim_short_2_pct",
    "trim_long_pct": "trim_long_2_pct",
}
_ONE_OF_A_KIND = (
    "meter_v meter_hz meter_counts air_flow_kg_h pulse_width_ms injector_duty_pct lambda_commanded throttle_pct "
    "exhaust_c spark_deg"
)
_OF_BANK = {"1": {name: name for name in (*_BANKS, *_ONE_OF_A_KIND.split())}, "2": _BANKS}


@dataclass(frozen=True)
class Heading:
    """A heading taken apart."""

    key: str  # name, reduced by `channels.name_key`
    unit: str  # unit as written in it, "" where none
    channels: tuple[str, ...]  # channels that the name may mean
    is_time: bool


def parse_heading(heading: str) -> Heading:
    """Find what a heading names; the number of a bank or sensor, a unit, a source or a filler word is taken off.

    "Short Fuel Trim B2" is the short-term trim of bank 2.
    """
    if len(heading) > LONGEST_NAME:
        return Heading("", "", (), False)
    if match := _NUMBERED.search(heading):
        bare = _find(f"{heading[: match.start()]} {heading[match.end() :]}")
        banked = tuple(_OF_BANK[match[1]][name] for name in bare.channels if name in _OF_BANK[match[1]])
        if banked:
            return replace(bare, channels=banked)
    return _find(heading)


def _find(heading: str) -> Heading:
    first: Heading | None = None
    for name, unit in _readings(heading):
        key = name_key(name)
        found = Heading(key, unit, _in_unit(alias_table().get(key, ()), unit), key in time_names())
        if found.channels or found.is_time:
            return found if found.unit else replace(found, unit=_unit_in_key(key))
        if first is None or (unit and not first.unit):
            first = found
    return first or Heading("", "", (), False)


def _in_unit(channels: tuple[str, ...], unit: str) -> tuple[str, ...]:
    """Leave out what a unit cannot be: a gear ratio is not the gear, a mass is no flow but the charge of a cylinder."""
    if "air_flow_kg_h" in channels and is_convertible(unit, CHANNELS["air_charge_mg"].unit):
        return ("air_charge_mg",)
    return channels if unit.casefold() != "ratio" else tuple(name for name in channels if name not in _COUNTED)


def _readings(heading: str) -> Iterator[tuple[str, str]]:
    """Give possible splits of a heading into name and unit, the likeliest first."""
    name, unit = _without_bracket(heading)
    yield name, unit
    for stem, stem_unit in _splits(name):
        yield stem, unit or stem_unit
    bare = re.sub(r"[(\[{<][^)\]}>]*[)\]}>]?", " ", heading).strip()
    if bare and bare != name:
        yield bare, unit
    yield from ((known, unit) for known in _same_words(name))
    for stem, stem_unit in _splits(name):
        yield from ((known, unit or stem_unit) for known in _same_words(stem))
    for shorter in _shorter(name):
        yield shorter, unit
        for stem, stem_unit in _splits(shorter):
            yield stem, unit or stem_unit
            yield from ((known, unit or stem_unit) for known in _same_words(stem))
        yield from ((known, unit) for known in _same_words(shorter))


def _unit_in_key(key: str) -> str:
    """Give the unit that an alias ends in, such as V in "mafv"; canonical channel names state theirs too."""
    if key in ("kph", "kmh", "mph"):
        return key
    known = alias_table().get(key, ())
    if len(known) == 1 and key == name_key(known[0]):
        return CHANNELS[known[0]].unit
    return next((ending for _, ending in _stems(key)), "")


def _stems(key: str) -> Iterator[tuple[str, str]]:
    """Cut unit letters off a key where what is left is a known name of a quantity in such a unit."""
    for ending in _UNIT_ENDINGS:
        stem = key.removesuffix(ending)
        if stem == key:
            continue
        is_time = stem in time_names() and is_convertible(ending, "s")
        if is_time or any(_measures(ending, channel) for channel in alias_table().get(stem, ())):
            yield stem, ending


def _measures(unit: str, channel: str) -> bool:
    if unit.casefold() in ("afr", "phi", "lambda", "ratio"):
        return channel.startswith("lambda")
    return is_convertible(unit, CHANNELS[channel].unit)


def _without_bracket(heading: str) -> tuple[str, str]:
    """Take brackets off the end: a unit is kept as such, any other remark stays part of the name."""
    name, unit = heading.strip(), ""
    while match := _BRACKET.match(name) or _BRACKET_OPEN.match(name):
        stem, inside = match[1], match[2].strip()
        if not stem.strip():
            return inside or name, unit
        if unit or recognise_unit(inside) is None or _is_source(stem, inside):
            return f"{stem} {inside}".strip(), unit
        name, unit = stem.strip(), inside
    return name, unit


def _is_source(stem: str, inside: str) -> bool:
    """Whether GPS stands for the receiver: only beside a mass flow is it grams per second."""
    flows = any(is_convertible("g s-1", CHANNELS[name].unit) for name in alias_table().get(name_key(stem), ()))
    return inside.casefold() == "gps" and not flows


def _splits(name: str) -> Iterator[tuple[str, str]]:
    if (match := _SEPARATED.match(name)) and recognise_unit(match[2]) is not None:
        yield match[1], match[2]
    stem, slash, tail = name.rpartition("/")
    if slash and any(_measures(tail, channel) for channel in alias_table().get(name_key(stem), ())):
        yield stem, tail
    tokens = re.split(r"[\s_.]+", name.strip())
    if len(tokens) > 2 and recognise_unit(rate := "/".join(tokens[-2:])) is not None:
        yield " ".join(tokens[:-2]), rate  # vehicle_speed_m_s is no time in milliseconds
    for count in (2, 1):
        tail = " ".join(tokens[-count:])
        if len(tokens) > count and not tail.isdigit() and recognise_unit(tail) is not None:
            yield " ".join(tokens[:-count]), tail
    yield from _stems(name_key(name))


def _shorter(name: str) -> Iterator[str]:
    """Leave out where a signal comes from and words that say nothing."""
    parts = [part for part in re.split(r"[./:|>\\]+", name) if part.strip()]
    if len(parts) > 1 and not _is_rate(parts) and not _is_bare_unit(parts[-1]):
        yield parts[-1]
    words = re.split(r"[\s_.\-/:|]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).strip())
    kept = [
        word for word in words[:1] if word.casefold() not in _NOISE | {"current"}
    ]  # "battery current" is another thing
    kept += [word for word in words[1:] if word.casefold() not in _NOISE]
    if kept and kept != words and not _is_bare_unit(" ".join(kept)) and not _is_sensor_voltage(words, kept):
        yield " ".join(kept)
    if len(words) > 1 and re.fullmatch(r"#?\d+|ch\d+", words[0], re.I):
        yield " ".join(words[1:])


def _is_sensor_voltage(words: list[str], kept: list[str]) -> bool:
    """Whether "Sensor" says what is supplied or measured: a sensor's supply voltage is not the battery's."""
    dropped = {word.casefold() for word in words} & {"sensor", "signal", "input"}
    return bool(dropped) and {word.casefold() for word in kept} <= _BARE_VOLTAGE


def _is_rate(parts: list[str]) -> bool:
    """Whether a part follows a unit: "rpm/s" and "Load g/rev" name no source."""
    return recognise_unit(parts[-2].split()[-1]) is not None


def _is_bare_unit(part: str) -> bool:
    """Whether a part is a unit and no channel's name: "ECU.InjPW.ms" is no clock, "ECU/rpm" is engine speed."""
    return recognise_unit(part) is not None and name_key(part) not in alias_table()


def _same_words(name: str) -> Iterator[str]:
    """Give the alias that consists of the same words, in whatever order and abbreviation."""
    words = name_words(name)
    if words in _word_sets():
        yield _word_sets()[words]


@cache
def _word_sets() -> dict[tuple[str, ...], str]:
    """Aliases of two words and more by their words; a "t" is a temperature in them, but not the time of injection."""
    named = ((known, alias) for known in CHANNELS.values() for alias in (*known.aliases, known.label))
    texts = [alias for known, alias in named if not (known.unit == "ms" and alias.startswith("t "))]
    return {name_words(text): text for text in reversed(texts) if name_words(text)}
