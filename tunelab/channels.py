"""The vocabulary of channels: for each its unit, meaning, plausible range and the names a logger may give it.

A channel has one canonical unit, and the unit is in its name. Every channel name that the kit uses is here or it does
not exist. Attributes written to files follow the CF conventions.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass, replace
from functools import cache

from tunelab.channel_names import ALIASES, TIME_ALIASES


@dataclass(frozen=True)
class Channel:
    """One quantity that a logger may record."""

    name: str
    unit: str  # as CF / UDUNITS writes it
    label: str  # for axes and tables, without the unit
    meaning: str
    low: float  # plausible range, inclusive, in `unit`; outside it a sample is not believed
    high: float
    aliases: tuple[str, ...] = ()
    standard_name: str = ""  # CF standard name, where there is one

    @property
    def axis_label(self) -> str:
        """Label with its unit, for a plot axis or a table head."""
        return f"{self.label} [{self.shown_unit}]"

    @property
    def shown_unit(self) -> str:
        """The unit as a reader knows it."""
        return DISPLAY_UNITS.get(self.unit, self.unit)


DISPLAY_UNITS = {
    "degree_Celsius": "°C",
    "degree": "°",
    "percent": "%",
    "1": "–",
    "rpm": "rpm",
    "kg h-1": "kg/h",
    "km h-1": "km/h",
    "m s-2": "m/s²",
    "degree_north": "° N",
    "degree_east": "° E",
}

UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})
LONGEST_NAME = 200  # characters; a longer heading is damage, not a name

# CF flag values of `fuel_mode`.
FUEL_MODES = {0: "unknown", 1: "open_loop", 2: "closed_loop", 3: "fuel_cut", 4: "full_load"}

_ROWS = (
    Channel("engine_speed_rpm", "rpm", "engine speed", "crankshaft speed", 0, 16384),
    Channel("meter_v", "V", "meter voltage", "air meter signal as a voltage", 0, 5.5),
    Channel("meter_hz", "Hz", "meter frequency", "air meter signal as a frequency", 0, 20000),
    Channel("meter_counts", "1", "meter counts", "air meter signal as converter counts", 0, 65535),
    Channel("air_flow_kg_h", "kg h-1", "air flow", "air mass flow that the ECU computed", 0, 3000),
    Channel("air_charge_mg", "mg", "air per stroke", "air that one cylinder takes in per cycle, by the ECU", 0, 5000),
    Channel("throttle_pct", "percent", "throttle", "throttle plate position, 100 is wide open", -5, 105),
    Channel("pedal_pct", "percent", "pedal", "accelerator pedal position", -5, 105),
    Channel("manifold_kpa", "kPa", "manifold pressure", "absolute pressure in the intake manifold", 5, 400),
    Channel("barometer_kpa", "kPa", "barometer", "absolute atmospheric pressure", 50, 110),
    Channel(
        "pulse_width_ms", "ms", "pulse width", "time an injector is energised per injection, dead time included", 0, 60
    ),
    Channel("injector_duty_pct", "percent", "injector duty", "share of time an injector is energised", 0, 110),
    Channel("lambda_measured", "1", "lambda", "lambda from the wide-band sensor, bank 1", 0.4, 10),
    Channel("lambda_measured_2", "1", "lambda 2", "lambda from the second wide-band sensor", 0.4, 10),
    Channel("lambda_commanded", "1", "commanded lambda", "lambda that the ECU aims for", 0.4, 3),
    Channel("lambda_at_fuelling", "1", "lambda at fuelling", "lambda of the charge fuelled at this time", 0.4, 10),
    Channel("lambda_at_fuelling_2", "1", "lambda 2 at fuelling", "the same from the second wide-band sensor", 0.4, 10),
    Channel(
        "trim_short_pct", "percent", "short-term trim", "short-term fuel trim, bank 1; positive adds fuel", -60, 60
    ),
    Channel("trim_long_pct", "percent", "long-term trim", "long-term fuel trim, bank 1; positive adds fuel", -60, 60),
    Channel("trim_short_2_pct", "percent", "short-term trim 2", "short-term fuel trim, bank 2", -60, 60),
    Channel("trim_long_2_pct", "percent", "long-term trim 2", "long-term fuel trim, bank 2", -60, 60),
    Channel("enrichment_pct", "percent", "acceleration enrichment", "transient fuel added by the ECU", -100, 400),
    Channel("ethanol_pct", "percent", "ethanol content", "ethanol in the fuel by volume, by a sensor in it", -2, 105),
    Channel("battery_v", "V", "battery", "supply voltage at the ECU", 0, 20),
    Channel("coolant_c", "degree_Celsius", "coolant", "coolant temperature", -45, 150),
    Channel("intake_air_c", "degree_Celsius", "intake air", "intake air temperature", -45, 120),
    Channel("ambient_c", "degree_Celsius", "ambient air", "outside air temperature", -45, 60),
    Channel("oil_c", "degree_Celsius", "oil temperature", "engine oil temperature", -45, 180),
    Channel("exhaust_c", "degree_Celsius", "exhaust gas", "exhaust gas temperature", -45, 1200),
    Channel("spark_deg", "degree", "spark advance", "spark timing before top centre", -64, 70),
    Channel("knock_retard_deg", "degree", "knock retard", "spark taken out by the knock control, positive", 0, 40),
    Channel("road_speed_km_h", "km h-1", "road speed", "road speed from the wheels or gearbox", 0, 400),
    Channel("gps_speed_km_h", "km h-1", "GPS speed", "road speed from satellite positioning", 0, 400),
    Channel("fuel_pressure_kpa", "kPa", "fuel pressure", "fuel rail pressure above atmosphere", 0, 1500),
    Channel("oil_pressure_kpa", "kPa", "oil pressure", "engine oil pressure above atmosphere", 0, 1500),
    Channel("idle_actuator_pct", "percent", "idle actuator", "idle air actuator opening", -5, 105),
    Channel("idle_target_rpm", "rpm", "idle target", "idle speed that the ECU aims for", 0, 5000),
    Channel("fuel_mode", "1", "fuel mode", "fuelling mode of the ECU", 0, 4),
    Channel("gear", "1", "gear", "gear engaged, 0 is neutral", -1, 10),
    Channel("clutch_pressed", "1", "clutch", "1 while the clutch pedal is pressed", 0, 1),
    Channel("brake_pressed", "1", "brake", "1 while the brake pedal is pressed", 0, 1),
    Channel("launch_active", "1", "launch hold", "1 while the launch hold limits engine speed", 0, 1),
    Channel("acceleration_m_s2", "m s-2", "acceleration", "longitudinal acceleration, forward positive", -30, 30),
    Channel("latitude_deg", "degree_north", "latitude", "position", -90, 90, (), "latitude"),
    Channel("longitude_deg", "degree_east", "longitude", "position", -180, 180, (), "longitude"),
    Channel("altitude_m", "m", "altitude", "height above sea level", -500, 6000, (), "altitude"),
)


def name_key(name: str) -> str:
    """Reduce a name to lower-case letters and digits without accents: "Régime [1/min]" becomes "regime1min"."""
    plain = unicodedata.normalize(
        "NFKD", name.replace("λ", "lambda").replace("φ", "phi").replace("ϕ", "phi").casefold()
    )
    return re.sub(r"[^a-z0-9]", "", plain)


@cache
def alias_table() -> dict[str, tuple[str, ...]]:
    """Every alias, reduced by `name_key`, with the channels that it may mean."""
    table: dict[str, tuple[str, ...]] = {}
    for known in CHANNELS.values():
        for alias in {key for text in (known.name, known.label, *known.aliases) for key in _spellings(text)}:
            table[alias] = (*table.get(alias, ()), known.name)
    return table


def _spellings(name: str) -> tuple[str, str]:
    """Reduce a name both ways that an umlaut is written without its dots: öl is ol and oel."""
    return name_key(name), name_key(name.translate(UMLAUTS))


@cache
def time_names() -> frozenset[str]:
    """Names of time columns, reduced by `name_key`."""
    return frozenset(name_key(text) for text in TIME_ALIASES.split(", "))


def is_known_name(heading: str) -> bool:
    """True where a column heading, its bracketed unit left aside, is a channel's or a time column's name."""
    return any(key in alias_table() or key in time_names() for key in _heading_keys(heading))


def is_time_name(heading: str) -> bool:
    """True where a column heading, its bracketed unit left aside, is a time column's name."""
    return any(key in time_names() for key in _heading_keys(heading))


def nearest_channels(heading: str) -> tuple[str, ...]:
    """Channels that a heading may mean by a name that is nearly theirs; empty where none is near."""
    near = (difflib.get_close_matches(key, alias_table(), n=1, cutoff=0.8) for key in sorted(_heading_keys(heading)))
    return tuple(dict.fromkeys(name for found in near for alias in found for name in alias_table()[alias]))


def _heading_keys(heading: str) -> set[str]:
    if len(heading) > LONGEST_NAME:
        return set()
    stem = re.sub(r"[(\[{<][^)\]}>]*[)\]}>]\s*$", "", heading)
    return {name_key(heading), name_key(stem)} - {""}


def _with_aliases(known: Channel) -> Channel:
    return replace(known, aliases=tuple(filter(None, ALIASES.get(known.name, ()))))


CHANNELS: dict[str, Channel] = {known.name: _with_aliases(known) for known in _ROWS}


def in_words(*names: str) -> str:
    """Channels that a log lacks, each with the name that it is typed by: `oil pressure (oil_pressure_kpa)`."""
    return " and no ".join(f"{CHANNELS[name].label} ({name})" if name in CHANNELS else name for name in names)


def channel(name: str) -> Channel:
    """Look up one channel by its canonical name.

    Raises
    ------
    KeyError
        No such channel; the message names the nearest known one.
    """
    if name not in CHANNELS:
        near = difflib.get_close_matches(name, CHANNELS, n=1)
        hint = f"; the nearest known name is {near[0]}" if near else ""
        raise KeyError(f"{name!r} is not a channel that tunelab knows{hint}.")
    return CHANNELS[name]
