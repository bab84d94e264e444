"""The numbers of one column into the channel's own unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from tunelab.channels import CHANNELS, FUEL_MODES, name_key
from tunelab.log.map.candidates import Match
from tunelab.log.map.quantity import ABOVE_ATMOSPHERE, SWITCHES, Form
from tunelab.log.map.text import (
    CODES_ASKED,
    WORDED,
    FuelCodeError,
    fuel_codes,
    rule_lines,
    stated_codes,
    words_to_numbers,
)
from tunelab.log.read import RawTable
from tunelab.log.read.raw import count_words
from tunelab.physics.fuel import stoich_afr
from tunelab.units import convert
from tunelab.workspace.car import Car, Fuel

USUAL_RATIO = 14.7  # of displays for petrol; common practice, no source. Asked for, never assumed


class ConversionError(ValueError):
    """A column that cannot be converted with what is known; `rule` holds the keys of channels.toml that settle it."""

    def __init__(self, message: str, rule: Mapping[str, str]):
        self.rule = rule
        super().__init__(message)


def describe_unconverted(match: Match, error: ConversionError) -> str:
    """Say what is wanted to convert a column, and the lines that settle it where they belong into channels.toml."""
    heading = match.column.heading
    lines = f" Say so:\n{rule_lines(heading, **error.rule)}" if error.rule else ""
    return f"  {heading!r}: {error}.{lines}"


@dataclass(frozen=True)
class Surroundings:
    """What a conversion may need besides the column."""

    car: Car | None
    weather_kpa: float | None
    barometer_kpa: np.ndarray | None  # from the same log, shape (rows,)


@dataclass(frozen=True)
class Converted:
    """One channel's numbers."""

    values: np.ndarray  # shape (rows,), float64
    how: str
    words: dict[str, int]
    asked: Mapping[str, str] = field(default_factory=dict)  # keys of channels.toml that it stands on and nobody stated


def take_numbers(raw: RawTable, matches: Sequence[Match]) -> dict[str, np.ndarray]:
    """Take the numbers out of the columns that are logged in their channels' own units, all at once; by key.

    One block of memory takes half the time of one for each column. A column with empty cells is left to be converted.
    """
    columns = [raw.frame[match.column.key] for match in matches if _is_as_logged(raw, match)]
    whole = [series for series in columns if series.dtype == pl.Float64 and not series.null_count()]
    block = np.empty((len(whole), raw.frame.height))
    for row, series in zip(block, whole, strict=True):
        np.concatenate([chunk.to_numpy() for chunk in series.get_chunks()], out=row)  # one copy, not two
    return {series.name: row for row, series in zip(block, whole, strict=True)}


def _is_as_logged(raw: RawTable, match: Match) -> bool:
    form = match.settled
    in_own_unit = form.kind == "plain" and form.unit == CHANNELS[form.channel].unit
    return in_own_unit and match.rule is None and match.column.key not in raw.texts


def convert_column(
    raw: RawTable, match: Match, around: Surroundings, *, numbers: np.ndarray | None = None
) -> Converted:
    """Convert one column.

    Parameters
    ----------
    raw : RawTable
        The file.
    match : Match
        Settled, as `match.settled` demands.
    around : Surroundings
        Fuel and pressures.
    numbers : array, shape (rows,), optional
        The column's, where `take_numbers` has taken them out.

    Raises
    ------
    ConversionError
        The fuel or the barometric pressure is wanted and not known, or codes have no known meaning.
    """
    form, rule = match.settled, match.rule
    said = {_cell_key(word): number for word, number in rule.words.items()} if rule else {}
    series = raw.frame[match.column.key]
    text = raw.texts.get(match.column.key, series)
    values, words = (numbers, {}) if numbers is not None else _numbers(text if form.channel in WORDED else series, form)
    if rule and (rule.scale is not None or rule.offset is not None):
        scale, offset = (1.0 if rule.scale is None else rule.scale), (rule.offset or 0.0)
        values = values * scale + offset
    values, how = _to_channel(values, match, around)
    if rule and rule.invert:
        values = 1 - values if form.channel in SWITCHES else -values
        how += ", inverted"
    if said:
        values, words = _apply_words(text, said, values, words)
        how += ", words by channels.toml"
    if form.channel == "fuel_mode":
        words = words | _unknown_codes(series, values)
    return Converted(values, how, words, _asked(match, around))


def _asked(match: Match, around: Surroundings) -> dict[str, str]:
    """Ask what an AFR was made with, where nobody says; 14.7 and the fuel's own ratio may lie 5 % apart and more."""
    if match.settled.kind != "AFR" or stated_ratio(match, around.car):
        return {}
    fuel = around.car.fuel if around.car else None
    own = (
        f"; {fuel_ratio(fuel):.2f} where it was set to {fuel.name}"
        if fuel
        else "; its own ratio where it was set to it"
    )
    return {
        "unit": '"AFR"',
        "afr_stoich": f'"fill in"  # the ratio it uses: 14.7 on most displays, whatever the fuel{own}',
    }


def describe_asked(match: Match, asked: Mapping[str, str]) -> str:
    """Say what a converted column still stands on, and the lines that settle it."""
    return (
        f"  {match.column.heading!r}: AFR becomes lambda by the ratio that its display uses, and nothing "
        "says which. Say so once for the car, afr_stoich under [lambda_sensor] of car.toml, or for this column:\n"
        f"{rule_lines(match.column.heading, **asked)}"
    )


def _unknown_codes(series: pl.Series, modes: np.ndarray) -> dict[str, int]:
    """Numbers of a column that became no fuelling mode, and how often each stands."""
    if not series.dtype.is_numeric():
        return {}
    unknown = series.filter(pl.Series(np.isnan(modes))).drop_nulls().drop_nans()
    return count_words(pl.Series([f"{code:g}" for code in unknown.to_list()], dtype=pl.String)) if len(unknown) else {}


def _numbers(series: pl.Series, form: Form) -> tuple[np.ndarray, dict[str, int]]:
    if series.dtype == pl.String:
        return words_to_numbers(series, form.channel)
    if series.null_count():
        series = series.fill_null(float("nan"))
    return series.to_numpy(writable=True), {}


def _apply_words(
    series: pl.Series, said: dict[str, float], values: np.ndarray, words: dict[str, int]
) -> tuple[np.ndarray, dict[str, int]]:
    """Put the owner's numbers in where his words stand; number cells are words too ("4")."""
    cells = series.cast(pl.String)
    unique = cells.drop_nulls().unique().to_list()
    known = {cell: said[_cell_key(cell)] for cell in unique if _cell_key(cell) in said}
    numbers = cells.replace_strict(known, default=None, return_dtype=pl.Float64)
    given = numbers.is_not_null().to_numpy()
    values = np.where(given, numbers.fill_null(0.0).to_numpy(), values)
    return values, {word: count for word, count in words.items() if _cell_key(word) not in said}


def _cell_key(cell: str) -> str:
    """Reduce a cell to what `words` is looked up by: numbers by their value, so that -1 is not 1."""
    try:
        return f"{float(cell):g}"
    except ValueError:
        return name_key(cell)


def _to_channel(values: np.ndarray, match: Match, around: Surroundings) -> tuple[np.ndarray, str]:
    form = match.settled
    if form.channel == "fuel_mode" and "words" not in match.why:
        return _fuel_mode(values, match)
    if form.kind in ("AFR", "phi"):
        return _to_lambda(values, match, around)
    if form.kind == "factor":
        return (values - 1.0) * 100.0, "factor to percent"
    if form.kind == "of hundred":
        return values - 100.0, "100 is no change"
    unit = CHANNELS[form.channel].unit
    converted = values if form.unit == unit else convert(values, form.unit, unit)
    how = "as logged" if form.unit == unit else f"{form.unit} to {unit}"
    if form.kind == "backwards":
        return -converted, how + ", sign turned: its unit counts the other way"
    if form.channel == "knock_retard_deg" and (converted < 0).sum() > (converted > 0).sum():
        return -converted, how + ", sign turned: retard is positive"
    return _to_reference(converted, match, around, how)


def _fuel_mode(values: np.ndarray, match: Match) -> tuple[np.ndarray, str]:
    if match.rule and match.rule.words:
        return np.full(values.shape, np.nan), "codes"
    stated = stated_codes(match.column.unit) or stated_codes(match.column.heading)
    if stated:
        modes = np.full(values.shape, np.nan)
        for code, mode in stated.items():
            modes[values == code] = mode
        return modes, "codes as the file states them"
    try:
        return fuel_codes(values, match.column.heading)
    except FuelCodeError as error:
        asked = ", ".join(f'"{code:g}" = "fill in"' for code in error.codes[:CODES_ASKED])
        known = ", ".join(f"{number} {name.replace('_', ' ')}" for number, name in FUEL_MODES.items())
        whole = "add the codes that this log lacks"
        raise ConversionError(str(error), {"words": f"{{ {asked} }}  # {known}; {whole}"}) from None


def _to_lambda(values: np.ndarray, match: Match, around: Surroundings) -> tuple[np.ndarray, str]:
    positive = np.where(values > 0, values, np.nan)  # zero is a sensor that is off
    if match.settled.kind == "phi":
        return 1.0 / positive, "equivalence ratio to lambda"
    stated = stated_ratio(match, around.car)
    ratio, source = stated or (USUAL_RATIO, "taken for the comparison with other columns")
    return positive / ratio, f"AFR / {ratio:g} {source}"


def stated_ratio(match: Match, car: Car | None) -> tuple[float, str] | None:
    """Give the ratio that made an AFR of lambda, and who says so; None where nobody does."""
    if match.rule and match.rule.afr_stoich:
        return match.rule.afr_stoich, "by channels.toml"
    if car and car.lambda_sensor.afr_stoich:
        return car.lambda_sensor.afr_stoich, "by car.toml"
    return None


def fuel_ratio(fuel: Fuel) -> float:
    """Stoichiometric air-fuel ratio of the car's fuel by mass."""
    return float(stoich_afr(fuel.hydrogen_to_carbon, fuel.oxygen_to_carbon))


def _to_reference(values: np.ndarray, match: Match, around: Surroundings, how: str) -> tuple[np.ndarray, str]:
    """Bring a pressure to absolute or above atmosphere, as the channel wants it."""
    kind, channel = match.settled.kind, match.settled.channel
    said = match.rule.gauge if match.rule else None
    if CHANNELS[channel].unit != "kPa" or channel == "barometer_kpa":
        return values, how
    if channel in ABOVE_ATMOSPHERE:
        is_absolute = kind == "absolute" if said is None else not said
        if not is_absolute:
            return values, how
        pressure, source = _atmosphere(around)
        return values - pressure, f"{how}, absolute less {source}"
    if not (kind in ("gauge", "vacuum") if said is None else said):
        return values, how
    pressure, source = _atmosphere(around)
    if kind == "vacuum":
        return pressure - values, f"{how}, {source} less the vacuum"
    return values + pressure, f"{how}, gauge plus {source}"


def _atmosphere(around: Surroundings) -> tuple[np.ndarray | float, str]:
    if around.barometer_kpa is not None:
        middle = float(np.nanmedian(around.barometer_kpa))
        return middle, f"the logged barometric pressure of {middle:.1f} kPa"
    if around.weather_kpa is not None:
        return around.weather_kpa, f"the session's {around.weather_kpa:g} kPa"
    raise ConversionError(
        "the pressure is above atmosphere; to reach an absolute one log the barometer, or give weather.pressure_kpa in "
        "session.toml, or leave the column out with ignore = true in channels.toml",
        {},
    )
