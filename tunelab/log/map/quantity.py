"""What the numbers of a column may be: the forms in which a channel is logged, and which of them fit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import polars as pl

from tunelab.channels import CHANNELS
from tunelab.log.map.heading import USUAL, highest_middle, possible_ends, tried_units, usual_ends
from tunelab.units import convert, counts_backwards, is_convertible, pressure_reference, recognise_unit

TRIMS = ("trim_short_pct", "trim_long_pct", "trim_short_2_pct", "trim_long_2_pct", "enrichment_pct")
LAMBDAS = ("lambda_measured", "lambda_measured_2", "lambda_commanded")
ABOVE_ATMOSPHERE = ("fuel_pressure_kpa", "oil_pressure_kpa")
SWITCHES = ("clutch_pressed", "brake_pressed", "launch_active")

_SPOKEN = {
    "of hundred": "percent (100 is no change)",
    "share": "share of one (0.05 is 5 percent)",
    "sensor": "the sensor's own voltage",
    "backwards": "degrees counted the other way (after top dead centre, south, west)",
}


@dataclass(frozen=True)
class Form:
    """One way to log a channel. `kind` says what besides a change of unit it takes.

    Kinds: plain, gauge, vacuum, absolute (of pressures); AFR, phi (of lambda); factor, of hundred, share (of trims);
    backwards (of angles): the sign turned; sensor: the sensor's own voltage, which no unit converts.
    """

    channel: str
    unit: str
    kind: str = "plain"

    def __str__(self) -> str:
        """Name the form as a person would: "psi gauge", "AFR", "factor"."""
        if self.kind in ("AFR", "phi", "factor"):
            return self.kind
        if self.channel in LAMBDAS and self.kind == "plain":
            return "lambda"
        if self.kind in _SPOKEN:
            return _SPOKEN[self.kind]
        return self.unit if self.kind == "plain" else f"{self.unit} {self.kind}"


@dataclass(frozen=True)
class Spread:
    """How the numbers of a column are spread; measured when first asked for, by some 10,000 of its rows at most."""

    column: pl.Series

    @property
    def low(self) -> float:
        """2nd percentile, NaN without a reading."""
        return self._percentiles[0]

    @property
    def middle(self) -> float:
        """Median, NaN without a reading."""
        return self._percentiles[1]

    @property
    def high(self) -> float:
        """98th percentile, NaN without a reading."""
        return self._percentiles[2]

    @property
    def count(self) -> int:
        """How many readings were looked at."""
        return self.sample.size

    @cached_property
    def sample(self) -> np.ndarray:
        """The readings that were looked at."""
        some = _finite(self.column.gather_every(max(len(self.column) // 5000, 1)))
        return some if some.size else _finite(self.column)

    @cached_property
    def _percentiles(self) -> tuple[float, float, float]:
        if not self.sample.size:
            return np.nan, np.nan, np.nan
        low, middle, high = np.percentile(self.sample, (2, 50, 98))
        return float(low), float(middle), float(high)


def _finite(column: pl.Series) -> np.ndarray:
    values = column.to_numpy()
    return values[np.isfinite(values)]


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
        if canonical == "1" and implied_kind(channel, key) == "equivalence":
            return [Form(channel, "1", "phi"), Form(channel, "1")]
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
    is_turned = CHANNELS[channel].unit.startswith("degree") and counts_backwards(unit)
    return [Form(channel, canonical, "backwards" if is_turned else "plain")]


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
    """What a column's name says of its form, without a unit: "AFR", "phi", "lambda", "equivalence" or "".

    An equivalence ratio is fuel over air (phi) to an engineer, and lambda in the fuel system data of SAE J1979 (from
    memory), so the name by itself leaves both open; "air-fuel equivalence ratio" is lambda.
    """
    if channel not in LAMBDAS:
        return ""
    if "phi" in key or "richesse" in key:
        return "phi"
    if "equiv" in key or "eqr" in key:
        return "lambda" if "airfuel" in key or "afequiv" in key else "equivalence"
    if "afr" in key or "airfuel" in key or key in ("af", "afratio"):
        return "AFR"
    return "lambda" if "lambda" in key or key.startswith("lam") else ""


@dataclass(frozen=True)
class Fit:
    """How the forms of a channel fit the numbers when no unit is stated."""

    fits: tuple[Form, ...]
    nearly: tuple[Form, ...]  # these miss the usual range by too little to be ruled out


_SHARE_TOP = 1.06  # numbers up to here may be a share of one
_SHUT_MOVES = 0.15  # percent
_NEARLY = 0.08  # of the limit
_OPENINGS = ("throttle_pct", "pedal_pct", "idle_actuator_pct")


def guess_forms(channel: str, key: str, spread: Spread) -> Fit:
    """Try every form in which a channel is logged against the range that it has in real drives."""
    forms = tuple(_possible(channel, key, spread))
    if len(forms) == 1 and channel not in USUAL:
        return Fit(forms, ())
    distance = {form: _distance(form, spread) for form in forms}
    fits = tuple(form for form in forms if distance[form] == 0)
    if len(fits) == 1 and channel == "manifold_kpa" and 86 <= to_usual(fits[0], spread.high) <= 107:
        return Fit(fits, ())  # full throttle without boost ends at the atmosphere
    return Fit(fits, tuple(form for form in forms if 0 < distance[form] < _NEARLY))


def fits_usual(form: Form, spread: Spread) -> bool:
    """Whether numbers lie where the channel lies in real drives, or hardly outside."""
    return _distance(form, spread) < _NEARLY


def is_possible(form: Form, spread: Spread) -> bool:
    """Whether the numbers of a column can be what a stated form says; all zero or none at all can be anything."""
    ends = possible_ends(form.channel)
    if ends is None or not spread.count or _is_surely_possible(form, spread.sample, ends):
        return True
    if spread.low == spread.high == 0:
        return True
    if form.channel in _OPENINGS and form.unit == "percent" and _is_share(spread):
        return False
    low, middle, high = sorted(to_usual(form, number) for number in (spread.low, spread.middle, spread.high))
    if high == 0 or (form.kind == "phi" and not np.isfinite(high)):
        return True
    return bool(ends[0] <= low and ends[1] <= high <= ends[2] and middle <= highest_middle(form.channel))


def _is_surely_possible(form: Form, sample: np.ndarray, ends: tuple[float, float, float]) -> bool:
    """Whether even the lowest and highest number are possible, and enough lie above the floor; without sorting."""
    if form.kind == "phi":
        return False
    base = to_usual(form, 0.0)
    slope = to_usual(form, 1.0) - base
    low, high = sorted((base + slope * float(sample.min()), base + slope * float(sample.max())))
    floor = max(ends[1], _SHARE_TOP if form.channel in _OPENINGS and form.unit == "percent" else -np.inf)
    if not (ends[0] <= low and high <= min(ends[2], highest_middle(form.channel))):
        return False
    return low >= floor or bool(np.count_nonzero((sample - (floor - base) / slope) * slope > 0) > 0.03 * sample.size)


def _is_share(spread: Spread) -> bool:
    """Whether an opening stays below one and moves by more than a shut throttle's reading does."""
    return spread.low > -0.1 and spread.high <= _SHARE_TOP and spread.high - spread.low > _SHUT_MOVES


def _possible(channel: str, key: str, spread: Spread) -> Iterator[Form]:
    if channel in LAMBDAS:
        yield from _lambda_forms(channel, key)
        return
    if channel in TRIMS:
        yield from (Form(channel, "percent"), Form(channel, "1", "factor"), Form(channel, "percent", "of hundred"))
        yield Form(channel, "percent", "share")
        return
    for unit in tried_units(channel):
        reference = _reference(channel, unit, key, spread) if CHANNELS[channel].unit == "kPa" else "plain"
        yield Form(channel, unit, reference)
    if channel in ("throttle_pct", "pedal_pct", "manifold_kpa"):
        yield Form(channel, "V", "sensor")


def _lambda_forms(channel: str, key: str) -> Iterator[Form]:
    yield Form(channel, "1")
    if implied_kind(channel, key) == "equivalence":
        yield Form(channel, "1", "phi")
        return
    yield Form(channel, "1", "AFR")
    if implied_kind(channel, key) == "phi":
        yield Form(channel, "1", "phi")
    elif channel != "lambda_commanded" and not implied_kind(channel, key) and not _is_wide_band(key):
        yield Form(channel, "V", "sensor")  # a narrow-band sensor has such names too


def _is_wide_band(key: str) -> bool:
    return any(word in key for word in ("wide", "wb"))


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
    if form.kind == "share":
        return number * 100
    if form.kind == "sensor":
        return number
    converted = float(_slope_and_offset(form.unit, CHANNELS[form.channel].unit) @ (number, 1.0))
    turned = {"vacuum": 100 - converted, "backwards": -converted}
    return ({"gauge": converted + 100, "absolute": converted - 100} | turned).get(form.kind, converted)


@cache
def _slope_and_offset(from_unit: str, to_unit: str) -> np.ndarray:
    zero, one = convert([0.0, 1.0], from_unit, to_unit)
    return np.array([one - zero, zero])


def _distance(form: Form, spread: Spread) -> float:
    """How far outside the usual range the numbers lie: 0 inside, else a share of the range's limit."""
    if form.kind == "sensor":
        return 0.0 if _is_sensor_voltage(form.channel, spread) else 1.0
    if form.channel in TRIMS:
        return 0.0 if _is_trim(form, spread) else 1.0
    if form.channel in _OPENINGS and spread.high <= _SHARE_TOP:
        return 0.0 if _is_small_opening(form, spread) else 1.0
    if form.unit == "degree_Fahrenheit" and is_warm_plateau(form.channel, spread):
        return 1.0
    worst = 0.0
    numbers = sorted(to_usual(form, x) for x in (spread.low, spread.middle, spread.high))
    for number, limits in zip(numbers, usual_ends(form.channel), strict=True):
        if limits:
            size = max(abs(limits[0] if number < limits[0] else limits[1]), 1e-9)
            size = 60.0 if CHANNELS[form.channel].unit == "degree_Celsius" else size
            worst = max(worst, (limits[0] - number) / size, (number - limits[1]) / size)
    return worst


def _is_sensor_voltage(channel: str, spread: Spread) -> bool:
    """Whether the numbers may be the sensor's own signal: 0.2 to 5 V, of a narrow-band lambda sensor 0 to 1.1 V."""
    if channel in LAMBDAS:
        return spread.low >= 0 and spread.high <= 1.15
    top = 1.2 if channel == "manifold_kpa" else 0.3
    return spread.low >= 0.2 and top <= spread.high <= 5.2


def _is_small_opening(form: Form, spread: Spread) -> bool:
    """Whether numbers up to 1 are a share, or percent of a throttle that hardly opens and so hardly moves."""
    if form.unit == "1":
        return spread.low >= -0.05
    return spread.high - spread.low < 0.4


def is_warm_plateau(channel: str, spread: Spread) -> bool:
    """Whether half of the drive or more stays just below 75 to 118: a thermostat's degrees Celsius.

    In degrees Fahrenheit the engine would have stayed stone cold and not warmed for half of the drive.
    """
    return channel in ("coolant_c", "oil_c") and 75 <= spread.high <= 118 and spread.high - spread.middle <= 10


def _is_trim(form: Form, spread: Spread) -> bool:
    """Trims: round 0 in percent or as a share, round 1 as a factor, round 100 in percent of the base."""
    low, middle, high = spread.low, spread.middle, spread.high
    if form.kind == "factor":
        return low >= 0.5 and high <= 1.6
    if form.kind == "of hundred":
        return low >= 50 and 60 <= middle <= 160
    if form.kind == "share":
        return low >= -0.6 and high <= 0.6
    about_one = 0.5 <= low < 1 < high <= 1.6 and high - low >= 0.02
    if about_one and form.channel.startswith("trim_short"):
        return False  # a short-term trim in percent swings round 0, not by hundredths round 1
    return low >= -60 and high <= 60 and abs(middle) < 45
