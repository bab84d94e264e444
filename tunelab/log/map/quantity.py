"""What the numbers of a column may be: the forms in which a channel is logged, and which of them fit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np

from tunelab.channels import CHANNELS
from tunelab.units import convert, is_convertible, pressure_reference, recognise_unit

TRIMS = ("trim_short_pct", "trim_long_pct", "trim_short_2_pct", "trim_long_2_pct", "enrichment_pct")
LAMBDAS = ("lambda_measured", "lambda_measured_2", "lambda_commanded")
ABOVE_ATMOSPHERE = ("fuel_pressure_kpa", "oil_pressure_kpa")
SWITCHES = ("clutch_pressed", "brake_pressed", "launch_active")


@dataclass(frozen=True)
class Form:
    """One way to log a channel. `kind` says what besides a change of unit it takes.

    Kinds: plain, gauge, vacuum, absolute (of pressures); AFR, phi (of lambda); factor, of hundred (of trims).
    """

    channel: str
    unit: str
    kind: str = "plain"

    def __str__(self) -> str:
        """Name the form as a person would: "psi gauge", "AFR", "factor"."""
        if self.kind in ("AFR", "phi", "factor"):
            return self.kind
        if self.kind == "of hundred":
            return "percent, 100 is no change"
        return self.unit if self.kind == "plain" else f"{self.unit} {self.kind}"


@dataclass(frozen=True)
class Spread:
    """How the numbers of a column are spread."""

    low: float  # 2nd percentile
    middle: float
    high: float  # 98th percentile
    count: int


def spread_of(values: np.ndarray) -> Spread:
    """Measure a column; at most some 20,000 of its rows are looked at."""
    sample = values[:: max(values.size // 20000, 1)]
    sample = sample[np.isfinite(sample)]
    if not sample.size:
        sample = values[np.isfinite(values)]
    if not sample.size:
        return Spread(np.nan, np.nan, np.nan, 0)
    low, middle, high = np.percentile(sample, (2, 50, 98))
    return Spread(float(low), float(middle), float(high), sample.size)


def stated_forms(channel: str, unit: str, key: str, spread: Spread) -> list[Form]:
    """Forms of a channel in a stated unit; empty where the unit does not measure what the channel is.

    Parameters
    ----------
    channel : str
        Canonical channel name.
    unit : str
        Unit as written in the file; known to `recognise_unit`.
    key : str
        The column's reduced name: "boost" and "vacuum" say more than their unit.
    spread : Spread
        Decides between readings of one unit that exclude each other, such as a trim round 0 and one round 100.
    """
    canonical = recognise_unit(unit) or ""
    if channel in LAMBDAS:
        if canonical in ("AFR", "phi"):
            return [Form(channel, "1", canonical)]
        if canonical == "1" and implied_kind(channel, key) not in ("", "lambda"):
            return [Form(channel, "1", implied_kind(channel, key))]
        return [Form(channel, "1")] if canonical in ("lambda", "1") else []
    if channel in TRIMS:
        return _trim_forms(channel, canonical, spread)
    if channel in ("throttle_pct", "pedal_pct", "injector_duty_pct", "idle_actuator_pct"):
        return [Form(channel, canonical)] if canonical in ("percent", "1") else []
    if not canonical or not is_convertible(canonical, CHANNELS[channel].unit):
        return []
    if CHANNELS[channel].unit == "kPa":
        return [Form(channel, canonical, _reference(channel, unit, key, spread))]
    return [Form(channel, canonical)]


def _trim_forms(channel: str, unit: str, spread: Spread) -> list[Form]:
    if unit == "percent":
        return [Form(channel, "percent", "of hundred" if spread.low > 60 and spread.middle < 160 else "plain")]
    return [Form(channel, "1", "factor")] if unit in ("1", "lambda") else []


def _reference(channel: str, unit: str, key: str, spread: Spread) -> str:
    """Which pressure it is: the unit's own mark first, then the name, then what is possible at all."""
    stated = pressure_reference(unit)
    if "vac" in key and channel == "manifold_kpa" and spread.middle > 0:
        return "vacuum"
    if channel in ABOVE_ATMOSPHERE:
        return "absolute" if stated == "absolute" else "plain"
    if channel == "manifold_kpa" and (
        stated == "gauge" or (stated is None and (_is_gauge_name(key) or spread.low < 0))
    ):
        return "gauge"
    return "plain"


def _is_gauge_name(key: str) -> bool:
    return "boost" in key or "gauge" in key or "vac" in key or "depression" in key


def implied_kind(channel: str, key: str) -> str:
    """What a column's name says of its form, without a unit: "AFR", "phi", "lambda", "gauge", "vacuum" or ""."""
    if channel in LAMBDAS:
        if "afr" in key or "airfuel" in key or key in ("af", "afratio"):
            return "phi" if "equiv" in key else "AFR"
        if "phi" in key or "eqr" in key or "equiv" in key or "richesse" in key or "eqratio" in key:
            return "phi"
        return "lambda" if "lambda" in key else ""
    return ""


# Units tried where a column states none.
_TRIED = {
    "rpm": ("rpm", "krpm"),
    "V": ("V", "mV"),
    "Hz": ("Hz",),
    "kPa": ("kPa", "psi", "bar", "mbar", "inHg"),
    "percent": ("percent", "1"),
    "ms": ("ms", "us", "s"),
    "degree_Celsius": ("degree_Celsius", "degree_Fahrenheit"),
    "km h-1": ("km h-1", "mph", "m s-1"),
    "kg h-1": ("kg h-1", "g s-1", "lb min-1"),
    "m s-2": ("m s-2", "g0"),
    "m": ("m", "ft"),
}

# Where the 2nd percentile, the middle and the 98th percentile lie in a real drive, in the channel's unit. Common
# practice, no source. None: says nothing.
_USUAL: dict[str, tuple[tuple[float, float] | None, tuple[float, float] | None, tuple[float, float] | None]] = {
    "engine_speed_rpm": (None, (400, 12000), (600, 16000)),
    "idle_target_rpm": (None, (400, 2500), (400, 3000)),
    "meter_v": ((0, 4), (0.3, 5), (0.5, 5.5)),
    "meter_hz": (None, (200, 15000), (600, 20000)),
    "meter_counts": (None, (20, 65535), (100, 65535)),
    "air_flow_kg_h": ((0, 150), (5, 600), (25, 2000)),
    "throttle_pct": ((-5, 60), None, (2.5, 105)),
    "pedal_pct": ((-5, 60), None, (2.5, 105)),
    "injector_duty_pct": ((0, 60), None, (1.5, 110)),
    "idle_actuator_pct": ((0, 100), None, (1.5, 100)),
    "manifold_kpa": ((12, 80), None, (50, 300)),
    "barometer_kpa": ((55, 108), (60, 108), (60, 108)),
    "pulse_width_ms": ((0, 15), (0.7, 25), (1, 40)),
    "lambda_measured": ((0.45, 1.3), (0.65, 1.45), (0.7, 12)),
    "battery_v": ((6, 16), (9, 16.5), (10, 20)),
    "coolant_c": (None, None, (58, 118)),
    "oil_c": (None, None, (50, 150)),
    "intake_air_c": (None, (5, 75), None),
    "ambient_c": (None, (2, 48), None),
    "exhaust_c": (None, (200, 950), (350, 1150)),
    "fuel_pressure_kpa": (None, (140, 900), (140, 1500)),
    "oil_pressure_kpa": (None, (70, 900), (120, 1500)),
    "road_speed_km_h": (None, (0, 250), (8, 320)),
    "acceleration_m_s2": ((-15, 2), (-4, 4), (0.5, 20)),
    "altitude_m": (None, (-400, 5000), None),
}


@dataclass(frozen=True)
class Fit:
    """How the forms of a channel fit the numbers when no unit is stated."""

    fits: tuple[Form, ...]
    nearly: tuple[Form, ...]  # these miss the usual range by too little to be ruled out


def guess_forms(channel: str, key: str, spread: Spread) -> Fit:
    """Try every form in which a channel is logged against the range that it has in a real drive."""
    forms = tuple(_possible(channel, key, spread))
    if len(forms) == 1 and channel not in _USUAL:
        return Fit(forms, ())
    at_atmosphere = [form for form in forms if channel == "manifold_kpa" and 86 <= to_usual(form, spread.high) <= 107]
    if len(at_atmosphere) == 1:
        return Fit(tuple(at_atmosphere), ())  # full throttle without boost ends at the atmosphere, in no other unit
    distance = {form: _distance(form, spread) for form in forms}
    return Fit(
        tuple(form for form in forms if distance[form] == 0),
        tuple(form for form in forms if 0 < distance[form] < _margin(channel)),
    )


def _possible(channel: str, key: str, spread: Spread) -> Iterator[Form]:
    if channel in LAMBDAS:
        yield Form(channel, "1")
        yield Form(channel, "1", "AFR")
        if implied_kind(channel, key) == "phi":
            yield Form(channel, "1", "phi")
        return
    if channel in TRIMS:
        yield from (Form(channel, "percent"), Form(channel, "1", "factor"), Form(channel, "percent", "of hundred"))
        return
    for unit in _TRIED.get(CHANNELS[channel].unit, (CHANNELS[channel].unit,)):
        reference = _reference(channel, unit, key, spread) if CHANNELS[channel].unit == "kPa" else "plain"
        yield Form(channel, unit, reference)


def to_usual(form: Form, number: float) -> float:
    """Bring one number to about the channel's unit, for comparison with the usual range only."""
    if form.kind == "AFR":
        return number / 14.5
    if form.kind == "phi":
        return 1 / number if number > 0 else np.inf
    if form.kind == "factor":
        return (number - 1) * 100
    if form.kind == "of hundred":
        return number - 100
    converted = float(_slope_and_offset(form.unit, CHANNELS[form.channel].unit) @ (number, 1.0))
    return {"gauge": converted + 100, "vacuum": 100 - converted, "absolute": converted - 100}.get(form.kind, converted)


@cache
def _slope_and_offset(from_unit: str, to_unit: str) -> np.ndarray:
    zero, one = convert([0.0, 1.0], from_unit, to_unit)
    return np.array([one - zero, zero])


def _distance(form: Form, spread: Spread) -> float:
    """How far outside the usual range the numbers lie: 0 inside, else a share of the range's limit."""
    channel = {"lambda_measured_2": "lambda_measured", "gps_speed_km_h": "road_speed_km_h"}.get(
        form.channel, form.channel
    )
    channel = "lambda_measured" if channel == "lambda_commanded" else channel
    if channel in TRIMS:
        return _trim_distance(form, spread)
    known = CHANNELS[form.channel]
    usual = _USUAL.get(channel, (None, (known.low, known.high), None))
    numbers = sorted(to_usual(form, x) for x in (spread.low, spread.middle, spread.high))
    worst = 0.0
    for number, limits in zip(numbers, usual, strict=True):
        if limits:
            size = (
                60.0
                if known.unit == "degree_Celsius"
                else max(abs(limits[0] if number < limits[0] else limits[1]), 1e-9)
            )
            worst = max(worst, (limits[0] - number) / size, (number - limits[1]) / size)
    return worst


def _trim_distance(form: Form, spread: Spread) -> float:
    """Trims: round 0 in percent, round 1 as a factor, round 100 in percent of the base."""
    low, middle, high = spread.low, spread.middle, spread.high
    as_factor = low >= 0.5 and high <= 1.6 and (high - low > 0.005 or middle == 1.0)
    if form.kind == "factor":
        return 0.0 if as_factor else 1.0
    if form.kind == "of hundred":
        return 0.0 if low >= 50 and 60 <= middle <= 160 else 1.0
    if form.channel.startswith("trim_long") and as_factor and middle != 1.0:
        return 0.0  # a learned trim may well stay near one percent: not told apart
    inside = low >= -60 and high <= 60 and abs(middle) < 45
    return 0.0 if inside and not as_factor else 1.0


def _margin(channel: str) -> float:
    return 0.08
