"""Conversions at the borders: what loggers write for a unit, and the arithmetic by pint.

A logger's text never reaches pint's own parser ("deg C" would become coulomb times degree). It is looked up in the
table below, which names the one canonical text of each unit (as CF / UDUNITS writes it, the same as in `channels`),
its kind, and what pint calls it. Only units of one kind convert into each other: an air-fuel ratio does not become
lambda without the fuel, nor a volume flow a mass flow without a density.
"""

from __future__ import annotations

import difflib
import json
import re
import unicodedata
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

# kind, canonical text, pint's name, further spellings; case, spaces, brackets and _ . - * · in them do not matter
_ROWS = (
    ("temperature", "degree_Celsius", "degC", "°C, C, deg C, degrees C, Celsius, centigrade, Grad C, ° Celsius"),
    ("temperature", "degree_Fahrenheit", "degF", "°F, F, deg F, degrees F, Fahrenheit, Grad F, ° Fahrenheit"),
    ("temperature", "K", "kelvin", "°K, kelvin, deg K, degrees K"),
    ("temperature", "degree_Rankine", "degR", "°R, deg R, Rankine"),
    ("pressure", "Pa", "pascal", "pascal"),
    ("pressure", "hPa", "hectopascal", "hectopascal"),
    ("pressure", "kPa", "kilopascal", "kilopascal"),
    ("pressure", "MPa", "megapascal", "megapascal"),
    ("pressure", "mbar", "millibar", "millibar, mb"),
    ("pressure", "bar", "bar", "bars"),
    ("pressure", "psi", "psi", "lb/in2, lbf/in2, lbs/in2, pounds per square inch"),
    ("pressure", "inHg", "inHg", "in Hg, inches Hg, inch Hg, inches of mercury, \"Hg, ''Hg, in of Hg"),
    ("pressure", "mmHg", "mmHg", "mm Hg, millimetres of mercury"),
    ("pressure", "torr", "torr", ""),
    ("pressure", "inH2O", "inH2O", 'in H2O, inches H2O, inches of water, "H2O, inwc'),
    ("pressure", "atm", "atm", "atmosphere, atmospheres"),
    ("pressure", "kgf cm-2", "kgf/cm**2", "kgf/cm2, kg/cm2, kp/cm2"),
    (
        "rotation",
        "rpm",
        "rpm",
        "1/min, /min, min-1, min^-1, r/min, rev/min, revs/min, revolutions per minute, U/min, tr/min, tr/mn",
    ),
    ("rotation", "krpm", "kilorpm", "rpm x1000, x1000 rpm, 1000 rpm, 1000/min, 1/min x1000"),
    ("rotation", "rev s-1", "revolution/second", "rev/s, rps, revs/s"),
    ("rotation", "rad s-1", "radian/second", "rad/s, rad/sec"),
    ("frequency", "Hz", "hertz", "hertz, 1/s, s-1, cps"),
    ("frequency", "kHz", "kilohertz", "kilohertz"),
    ("time", "s", "second", "sec, secs, second, seconds"),
    ("time", "ms", "millisecond", "msec, msecs, millisecond, milliseconds, mS"),
    ("time", "us", "microsecond", "µs, usec, µsec, microsecond, microseconds, mcs"),
    ("time", "ns", "nanosecond", "nsec, nanosecond, nanoseconds"),
    ("time", "min", "minute", "mins, minute, minutes"),
    ("time", "h", "hour", "hr, hrs, hour, hours"),
    ("time", "day", "day", "days"),
    ("speed", "km h-1", "km/hour", "km/h, kph, kmh, kmph, km/hr, k/h, kilometres per hour, kilometers per hour"),
    ("speed", "mph", "mile/hour", "mi/h, mi h-1, mile/h, mile/hour, miles/h, miles/hour, miles per hour, mi/hr"),
    ("speed", "m s-1", "m/second", "m/s, m/sec, mps, metres per second, meters per second"),
    ("speed", "knot", "knot", "kn, kt, kts, knots"),
    ("speed", "ft s-1", "foot/second", "ft/s, fps, ft/sec"),
    ("acceleration", "m s-2", "m/second**2", "m/s2, m/s^2, m/s/s, m/sec2"),
    ("acceleration", "g0", "standard_gravity", "g's, gee, G force, gn"),
    ("acceleration", "ft s-2", "foot/second**2", "ft/s2, ft/s^2"),
    ("mass flow", "kg h-1", "kg/hour", "kg/h, kg/hr, kgph, kg per hour, kg/hour"),
    ("mass flow", "kg min-1", "kg/minute", "kg/min"),
    ("mass flow", "kg s-1", "kg/second", "kg/s, kg/sec"),
    ("mass flow", "g s-1", "g/second", "g/s, gps, g/sec, gm/s, gm/sec, grams/s, grams/sec, grams per second, gram/s"),
    ("mass flow", "g min-1", "g/minute", "g/min, gm/min, grams per minute"),
    ("mass flow", "g h-1", "g/hour", "g/h, g/hr"),
    ("mass flow", "mg s-1", "mg/second", "mg/s, mg/sec"),
    ("mass flow", "mg ms-1", "mg/millisecond", "mg/ms"),
    ("mass flow", "lb min-1", "pound/minute", "lb/min, lbs/min, lbm/min, pounds per minute"),
    ("mass flow", "lb h-1", "pound/hour", "lb/h, lb/hr, lbs/h, lbs/hr, lbm/h, lbm/hr, pph, pounds per hour"),
    ("volume flow", "cm3 min-1", "cm**3/minute", "cc/min, ccm, ml/min, cm3/min, cm^3/min, cc per minute"),
    ("volume flow", "L min-1", "liter/minute", "l/min, lpm, litres per minute"),
    ("volume flow", "L h-1", "liter/hour", "l/h, l/hr, lph"),
    ("volume flow", "L s-1", "liter/second", "l/s, l/sec"),
    ("volume flow", "m3 h-1", "m**3/hour", "m3/h, m^3/h, m3/hr, cbm/h"),
    ("volume flow", "m3 s-1", "m**3/second", "m3/s, m^3/s"),
    ("volume flow", "ft3 min-1", "foot**3/minute", "cfm, ft3/min, ft^3/min, cubic feet per minute"),
    ("volume flow", "gallon h-1", "gallon/hour", "gal/h, gal/hr, gph, gallon/h"),
    ("mass", "kg", "kilogram", "kilogram, kilograms, kgs"),
    ("mass", "g", "gram", "gram, grams, gm"),
    ("mass", "mg", "milligram", "mgs, mg/stroke, mg/str, mg/stk, mg/cyl, mg/hub, mg/inj, mg/cycle"),
    ("mass", "lb", "pound", "lbs, lbm, pound, pounds"),
    ("voltage", "V", "volt", "volt, volts, Vdc, V dc, volts dc"),
    ("voltage", "mV", "millivolt", "millivolt, millivolts"),
    ("current", "A", "ampere", "amp, amps, ampere"),
    ("current", "mA", "milliampere", "milliamp, milliamps"),
    ("resistance", "ohm", "ohm", "ohms, Ω"),
    (
        "angle",
        "degree",
        "degree",
        "°, deg, degs, degrees, Grad, °CA, deg CA, °KW, Grad KW, ° BTDC, deg BTDC, degrees BTDC, crank degrees, "
        "deg before TDC, degrees before TDC, °KW v. OT, ° v. OT, Grad v. OT, ° avant PMH, "
        "° ATDC, deg ATDC, degrees ATDC, deg after TDC, degrees after TDC, °KW n. OT, ° n. OT, Grad n. OT, ° après PMH",
    ),
    ("angle", "rad", "radian", "radian, radians"),
    ("angle", "degree_north", "degree", "°N, deg N, degrees north, degrees_N, °S, degrees south"),
    ("angle", "degree_east", "degree", "°E, deg E, degrees east, degrees_E, °W, deg W, degrees west"),
    ("torque", "N m", "newton*meter", "Nm, N·m, newton metre, newton metres, newton meter"),
    ("torque", "lbf ft", "pound_force*foot", "lb-ft, lbs-ft, ft-lb, ft-lbs, ftlbf, lbft, pound feet, foot pounds"),
    ("torque", "kgf m", "kgf*meter", "kgm, kg-m, mkp, kpm"),
    ("power", "W", "watt", "watt, watts"),
    ("power", "kW", "kilowatt", "kilowatt, kilowatts"),
    ("power", "hp", "horsepower", "bhp, whp, horsepower, hp(I), hp(UK)"),
    ("power", "PS", "metric_horsepower", "ch, cv, pk, hp(M), metric hp, metric horsepower"),
    ("force", "N", "newton", "newton, newtons"),
    ("force", "kN", "kilonewton", "kilonewton"),
    ("force", "lbf", "pound_force", "pound force, lb force"),
    ("length", "m", "meter", "metre, metres, meter, meters"),
    ("length", "km", "kilometer", "kilometre, kilometres, kilometer, kilometers, kms"),
    ("length", "cm", "centimeter", "centimetre, centimeter"),
    ("length", "mm", "millimeter", "millimetre, millimetres, millimeter, millimeters"),
    ("length", "mile", "mile", "mi, miles"),
    ("length", "ft", "foot", "foot, feet"),
    ("length", "inch", "inch", "in, inches"),
    ("area", "m2", "m**2", "m^2, sq m"),
    ("area", "mm2", "mm**2", "mm^2, sq mm"),
    ("volume", "L", "liter", "litre, litres, liter, liters, ltr, dm3"),
    ("volume", "cm3", "cm**3", "cc, ccm3, ml, cm^3, ccs"),
    ("volume", "m3", "m**3", "m^3"),
    ("volume", "inch3", "inch**3", "ci, cu in, cubic inch, cubic inches, in3, cid"),
    ("volume", "gallon", "gallon", "gal, US gal, gallons"),
    ("density", "kg m-3", "kg/m**3", "kg/m3, kg/m^3"),
    ("density", "kg L-1", "kg/liter", "kg/l, g/ml, g/cc, g/cm3, g/cm^3"),
    ("density", "g L-1", "g/liter", "g/l"),
    ("energy", "J", "joule", "joule, joules"),
    ("energy", "kJ", "kilojoule", "kilojoule"),
    ("energy", "MJ", "megajoule", "megajoule"),
    ("distance per volume", "km L-1", "km/liter", "km/l, kml"),
    ("distance per volume", "mile gallon-1", "mile/gallon", "mpg, mpg(US), mi/gal"),
    (
        "number",
        "1",
        "dimensionless",
        "ratio, factor, mult, multiplier, x, none, unitless, dimensionless, bool, boolean, flag",
    ),
    ("number", "percent", "percent", "%, pct, per cent, prozent"),
    ("count", "counts", "count", "count, cnt, adc, adc counts, raw, bits, bit, steps, step, lsb"),
    ("lambda", "lambda", "dimensionless", "λ, lam"),
    ("air-fuel ratio", "AFR", "dimensionless", "A/F, air/fuel, air fuel ratio, :1, g/g, kg/kg"),
    ("equivalence ratio", "phi", "dimensionless", "φ, eqr, equivalence ratio, fuel air equivalence ratio"),
)

# A spelling that two kinds share; `convert` takes the one that fits the other unit.
_DOUBLES = {"g": ("g", "g0"), "lb": ("lb", "lbf"), "kn": ("knot", "kN")}

# Kinds that are plain numbers: the canonical unit "1" stands for any of them.
_PLAIN_NUMBERS = {"number", "count", "lambda"}

_WAY_OUT = {
    frozenset({"air-fuel ratio", "lambda"}): "it takes the stoichiometric ratio of the fuel",
    frozenset({"air-fuel ratio", "number"}): "it takes the stoichiometric ratio of the fuel",
    frozenset({"equivalence ratio", "lambda"}): "lambda is 1 / phi, which is not a change of unit",
    frozenset({"equivalence ratio", "number"}): "lambda is 1 / phi, which is not a change of unit",
    frozenset({"mass flow", "volume flow"}): "it takes a density",
    frozenset({"mass", "volume"}): "it takes a density",
    frozenset({"rotation", "frequency"}): "it takes the number of pulses per revolution",
}

FACTORS = Path(__file__).with_name("unit_factors.json")
_LONGEST = 60  # characters; a longer text is no unit


@dataclass(frozen=True)
class Unit:
    """One unit that loggers write: its kind, canonical text, and pint's name for it."""

    kind: str
    canonical: str
    pint_name: str


def convert(values: ArrayLike, from_unit: str, to_unit: str) -> np.ndarray:
    """Convert numbers from one unit to another of the same kind.

    Parameters
    ----------
    values : array of any shape, or scalar
        Numbers in `from_unit`. Not changed.
    from_unit, to_unit : str
        Any spelling that `recognise_unit` knows.

    Returns
    -------
    array, shape of `values`
        Numbers in `to_unit`, float64; NaN where the input is NaN.

    Raises
    ------
    ValueError
        An unknown unit (the message names the nearest known one), or units of two kinds.

    Notes
    -----
    Temperatures are converted as readings, with their offset. A pressure keeps its reference: gauge stays gauge and
    absolute stays absolute. The factors are pint's.
    """
    scale, offset = _scale_and_offset(from_unit, to_unit)
    return np.asarray(values, dtype=float) * scale + offset


def recognise_unit(text: str) -> str | None:
    """Canonical text of the unit that a logger wrote, or None where it is not known.

    Case, blanks, enclosing brackets, the marks of gauge and absolute pressure, look-alike signs for degree and micro,
    and a degree sign broken by a wrong encoding do not matter. Blank text is None; a lone dash is "1". A vacuum ("inHg
    vac") is None: whether it counts downwards only the owner knows.
    """
    unit = _lookup(text)
    return None if unit is None else unit.canonical


def is_convertible(from_unit: str, to_unit: str) -> bool:
    """True where both units are known and one is a change of unit away from the other."""
    try:
        _pair(from_unit, to_unit)
    except ValueError:
        return False
    return True


def pressure_reference(text: str) -> Literal["gauge", "absolute"] | None:
    """Say whether a pressure unit states its reference: "psig" is gauge, "bar(a)" absolute, "kPa" states nothing."""
    key = _key(text)
    if key in _table() or _lookup(text) is None:
        return None
    return "absolute" if re.search(r"(absolute|abs|a)$", key) else "gauge"


def counts_backwards(text: str) -> bool:
    """Say whether an angle counts the other way than its channel: after top dead centre, south or west."""
    return bool(re.search(r"(atdc|aftertdc|not|aprèspmh|°[sw]|degw|south|west)$", _key(text)))


@lru_cache(maxsize=4096)
def _lookup(text: str) -> Unit | None:
    if len(text) > _LONGEST:
        return None
    key = _key(text)
    if key in _table():
        return _table()[key]
    pressure = _table().get(re.sub(r"(gauge|gage|g|relative|rel|boost|absolute|abs|a)$", "", key))
    return pressure if pressure is not None and pressure.kind == "pressure" else None


def _key(text: str) -> str:
    """Reduce a spelling to what matters, so that the table and a logger's text meet."""
    plain = str(text).replace("º", "°").replace("˚", "°").replace("Â°", "°").replace("Âµ", "µ")
    plain = unicodedata.normalize("NFKC", plain)
    plain = re.sub("\ufffd(?=\\s*[CFcf]\\b)", "°", plain).casefold().strip()
    while len(plain) > 1 and plain[0] + plain[-1] in ("()", "[]", "{}", "<>"):
        plain = plain[1:-1].strip()
    if plain in ("-", "–", "—", "−"):
        return "1"
    return re.sub(r"[\s_.*·⋅()\[\]{}–—−-]", "", plain)


@cache
def _units() -> dict[str, Unit]:
    return {canonical: Unit(kind, canonical, pint_name) for kind, canonical, pint_name, _ in _ROWS}


@cache
def _table() -> dict[str, Unit]:
    """Every known spelling, reduced by `_key`; of two units with one spelling the earlier row wins."""
    table: dict[str, Unit] = {}
    for _, canonical, _, spellings in _ROWS:
        for spelling in (canonical, *filter(None, spellings.split(", "))):
            table.setdefault(_key(spelling), _units()[canonical])
    return table


@cache
def _scale_and_offset(from_unit: str, to_unit: str) -> tuple[float, float]:
    source, target = _pair(from_unit, to_unit)
    if source.pint_name == target.pint_name:
        return 1.0, 0.0
    known = _factors().get(f"{source.pint_name} > {target.pint_name}")
    return (known[0], known[1]) if known else _by_pint(source, target)


@cache
def _factors() -> dict[str, list[float]]:
    """What pint said of every pair, saved by tests/save_unit_factors.py: its registry takes a quarter of a second."""
    return json.loads(FACTORS.read_text(encoding="utf-8"))


def _by_pint(source: Unit, target: Unit) -> tuple[float, float]:
    if source.kind != "temperature":
        return _registry().Quantity(1.0, source.pint_name).to(target.pint_name).magnitude, 0.0
    offset = _registry().Quantity(0.0, source.pint_name).to(target.pint_name).magnitude
    step = _registry().Quantity(1.0, _step_name(source)).to(_step_name(target)).magnitude
    return step, offset


def _step_name(unit: Unit) -> str:
    return f"delta_{unit.pint_name}" if unit.pint_name in ("degC", "degF") else unit.pint_name


def _pair(from_unit: str, to_unit: str) -> tuple[Unit, Unit]:
    """Find the two units, of one kind, or say what is wrong."""
    sources, targets = _candidates(from_unit), _candidates(to_unit)
    for source in sources:
        for target in targets:
            if _same_kind(source, target):
                return source, target
    source, target = sources[0], targets[0]
    way_out = _WAY_OUT.get(frozenset({source.kind, target.kind}), "the two measure different things")
    raise ValueError(f"{from_unit!r} ({source.kind}) does not convert to {to_unit!r} ({target.kind}): {way_out}.")


def _candidates(text: str) -> list[Unit]:
    unit = _lookup(text)
    if unit is None:
        near = difflib.get_close_matches(_key(text), _table(), n=1, cutoff=0.5)
        hint = f"; the nearest known unit is {_table()[near[0]].canonical!r}" if near else ""
        raise ValueError(f"{text!r} is not a unit that tunelab knows{hint}.")
    return [_units()[name] for name in _DOUBLES.get(_key(text), (unit.canonical,))]


def _same_kind(one: Unit, other: Unit) -> bool:
    plain = "1" in (one.canonical, other.canonical) and {one.kind, other.kind} <= _PLAIN_NUMBERS
    return one.kind == other.kind or plain


@cache
def _registry() -> Any:
    import pint  # here, because it is hardly ever wanted

    return pint.UnitRegistry(cache_folder=None)
