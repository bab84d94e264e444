"""What text in a column means: words of switches, gears and modes, marks in numbers; and what keeps a file from
being mapped.

The reader gives such a column as thousands and says so (`RawColumn.marks`). A decimal comma in a column that has
decimals of three places throughout looks the same, so that 2,673 V is 2.673 V and 2,673 rpm is 2673 rpm.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl

from tunelab.channels import name_key
from tunelab.log.map.heading import Heading, parse_heading
from tunelab.log.map.quantity import SWITCHES, Spread, fits_usual, guess_forms, is_possible, stated_forms
from tunelab.log.read import RawColumn, RawTable
from tunelab.log.read.raw import count_words
from tunelab.units import recognise_unit
from tunelab.workspace.channel_map import ChannelMap, ColumnRule


class MapError(ValueError):
    """Columns that cannot be mapped without the owner's word; `problems` holds every one."""

    def __init__(self, file_name: str, problems: Sequence[str]):
        self.file_name = file_name
        self.problems = tuple(problems)
        count = f"{len(self.problems)} thing{'s' if len(self.problems) != 1 else ''} to settle in channels.toml"
        super().__init__(f"{file_name}: {count}.\n" + "\n".join(self.problems))

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.file_name, self.problems)


def rule_lines(heading: str, **keys: str) -> str:
    """Write a `[[column]]` rule, indented, ready to be copied."""
    lines = ["[[column]]", f"name = {toml_text(heading)}"]
    lines += [f"{key} = {value}" for key, value in keys.items()]
    return "\n".join("    " + line for line in lines)


def toml_text(text: str) -> str:
    """Write a TOML basic string; control characters are escaped."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'


WORDED = (*SWITCHES, "gear", "fuel_mode")  # channels in whose columns words stand among numbers

_ON = (
    "on yes true 1 active pressed closed engaged ein ja an aktiv oui actif si activo enabled enable depressed high set"
)
_OFF = (
    "off no false 0 inactive released open disengaged aus nein inaktiv non inactif inactivo disabled disable none low"
)

_FUEL_MODES = {
    1: "ol open openloop openlooprich openlooplean oldrive oldriveref olfault openloopdrive openloopfault offen "
    "steuerung bouclouverte boucleouverte lazoabierto warmup warmingup afterstart cranking start startup openloopcold",
    2: "cl closed closedloop closedlooptrim clfault closedloopfault geschlossen regelung boucleferm bouclefermee "
    "lazocerrado lambdacontrol feedback closedloopactive idlecl clidle clcruise cruise",
    3: "cut fuelcut dfco decelcut overrun overruncut deceleration decelfuelcut schubabschaltung coupure "
    "coupureinjection corte corteinyeccion fuelcutoff cutoff fco dfc overrunfuelcut deceleration",
    4: "wot fullload full pe powerenrich powerenrichment power vollast volllast pleinecharge plenacarga fullthrottle "
    "olwot openloopwot openlooppower",
}

_CODE = re.compile(r"(\d+)\s*[=:-]?\s*([^\d\s,;/|=:][^\d,;/|=:]*)")

# Fuel system status of SAE J1979, service 01, PID 03: one bit each (from memory).
_J1979 = {0: 0, 1: 1, 2: 2, 4: 1, 8: 1, 16: 2}


def words_to_numbers(text: pl.Series, channel: str) -> tuple[np.ndarray, dict[str, int]]:
    """Read words as numbers.

    Parameters
    ----------
    text : polars String series
        Cells; null is empty.
    channel : str
        Canonical channel name.

    Returns
    -------
    array, shape (rows,)
        NaN where a cell is empty or its word is not known.
    dict
        Unknown words and how often each stands.
    """
    table = _table(channel)
    unique = text.drop_nulls().unique().to_list()
    known = {word: _number(word, table) for word in unique}
    values = text.replace_strict(known, default=None, return_dtype=pl.Float64).fill_null(float("nan")).to_numpy().copy()
    unknown = [word for word, number in known.items() if np.isnan(number)]
    counts = count_words(text.filter(text.is_in(unknown))) if unknown else {}
    return values, counts


def _table(channel: str) -> dict[str, float]:
    if channel in SWITCHES:
        return dict.fromkeys(_ON.split(), 1.0) | dict.fromkeys(_OFF.split(), 0.0)
    if channel == "fuel_mode":
        return {word: float(mode) for mode, words in _FUEL_MODES.items() for word in words.split()} | {"unknown": 0.0}
    if channel == "gear":
        return dict.fromkeys(("n", "neutral", "p", "leerlauf", "neutre"), 0.0) | {"r": -1.0, "reverse": -1.0}
    return {}


def _number(word: str, table: dict[str, float]) -> float:
    key = name_key(word)
    if key in table:
        return table[key]
    digits = key.removeprefix("gear").removesuffix("st").removesuffix("nd").removesuffix("rd").removesuffix("th")
    try:
        return float(word)
    except ValueError:
        return float(digits) if digits.isdigit() and len(digits) == 1 else float("nan")


CODES_ASKED = 20  # of a column: one with more is no column of modes


class FuelCodeError(ValueError):
    """Fuelling-mode numbers whose meaning stays open; `codes` holds them."""

    def __init__(self, codes: list[float]):
        self.codes = codes
        more = f" and {len(codes) - CODES_ASKED} more" if len(codes) > CODES_ASKED else ""
        asked = ", ".join(f"{code:g}" for code in codes[:CODES_ASKED])
        super().__init__(f"nothing says what the codes {asked}{more} mean")


def stated_codes(text: str) -> dict[float, float]:
    """Read what a file says of its fuelling-mode numbers, such as "0 open, 1 closed, 2 fuel cut"; by number.

    Empty where the text is no such list of two or more, or one of its words is not known.
    """
    pairs = _CODE.findall(text)
    table = _table("fuel_mode")
    found = {float(number): table.get(name_key(word), float("nan")) for number, word in pairs}
    return found if len(found) > 1 and not any(np.isnan(mode) for mode in found.values()) else {}


def fuel_codes(values: np.ndarray, heading: str) -> tuple[np.ndarray, str]:
    """Turn fuelling-mode numbers into `channels.FUEL_MODES`.

    Raises
    ------
    FuelCodeError
        The codes belong to no known set, or to more than one.
    """
    codes, key = set(np.unique(values[np.isfinite(values)]).tolist()), name_key(heading)
    if codes <= {0.0, 1.0, 2.0, 3.0, 4.0} and heading == "fuel_mode":
        return values, "the kit's own codes"
    if codes <= {0.0, 1.0} and _names_one_loop(key):
        is_open = "open" in key
        return (2.0 - values, "1 is open loop") if is_open else (values + 1.0, "1 is closed loop")
    if codes <= set(_J1979) and ("fuelsys" in key or codes & {8.0, 16.0} or codes == {1.0, 2.0}):
        table = np.full(17, np.nan)
        table[list(_J1979)] = list(_J1979.values())
        finite = np.isfinite(values)
        result = np.full(values.shape, np.nan)
        result[finite] = table[values[finite].astype(int)]
        return result, "fuel system status of SAE J1979"
    raise FuelCodeError(sorted(codes))


def _names_one_loop(key: str) -> bool:
    """Whether a name says which loop a switch stands for: "Closed loop" does, "Open/closed loop" does not."""
    is_open = "open" in key
    is_closed = "closed" in key or ("cl" in key and "ol" not in key) or "regelung" in key
    return is_open != is_closed


_THOUSAND = 1000.0
_FEWEST_BARE = 0.03  # of the numbers other than 0, for a column to have both marked and bare ones
_MARKED_TO_BARE = 0.2  # of the bare numbers' middle: marked ones below that, read as decimals, are thousands
_ODD_THIRD = 0.05  # of the marked numbers end in another figure than 0: no decimals of two places
_GLANCE = 64  # numbers that are looked at first: most columns have more decimals
_LONGEST_STEP_S = 5.0  # from row to row; a clock that steps farther has its marks misread


def settle_marks(raw: RawTable, channel_map: ChannelMap) -> RawTable:
    """Settle the columns whose marks stay open by their channels; those that fit both ways stay as they are.

    Where both fit, they are thousands if the file's other numbers have decimals behind another mark. A column that
    holds bare numbers below a thousand beside marked ones has thousands in it, if these can be. The numbers of a column
    without a channel are left as thousands. A clock has thousands where its steps would else be too fine.
    """
    frame, columns, notes = raw.frame, [], []
    for column in raw.columns:
        marks = _settled(raw, column, channel_map.rule_for(raw.path.name, column.heading)) if column.marks else ""
        if marks == "decimal":
            frame = frame.with_columns(_as_decimals(raw.frame[column.key]))
        if marks in ("decimal", "thousands"):
            notes.append(f"{column.key}: marks as in {_example(raw.frame[column.key])} are {marks}, by its numbers")
        columns.append(replace(column, marks="?" if marks == "?" else ""))
    return replace(raw, frame=frame, columns=tuple(columns), notes=(*raw.notes, *notes)) if notes else raw


def describe_marks(column: RawColumn, file_name: str) -> str:
    """Say what is open about the marks of a column, and the lines that settle it."""
    return (
        f"  {column.heading!r}: its marks, as in 2,500, may group thousands or be decimal, and either could be. Say "
        f'which:\n    [[file]]\n    name = {toml_text(file_name)}\n    decimal = ","  # or "."'
    )


def looks_like_thousands(spread: Spread) -> bool:
    """Whether numbers that were read as decimals, such as 2.5 beside 850, look like thousands with a mark.

    All that have decimals have three places at most, lie below a thousand and far below the whole numbers, of which
    none reaches a thousand either.
    """
    first = spread.sample[:_GLANCE] * _THOUSAND
    if np.any(np.abs(first - np.round(first)) > 1e-6):
        return False
    values = np.abs(spread.sample[spread.sample != 0])
    if values.size < 10 or values.max() >= _THOUSAND:
        return False
    whole = values % 1 == 0
    if not _FEWEST_BARE <= whole.mean() < 1:
        return False
    marked = values[~whole] * _THOUSAND
    is_odd = np.abs(np.round(marked) % 10) > 0
    return bool(
        np.all(np.abs(marked - np.round(marked)) < 1e-6)
        and marked.min() >= _THOUSAND
        and is_odd.mean() >= _ODD_THIRD
        and np.median(values[~whole]) < _MARKED_TO_BARE * np.median(values[whole])
    )


def _example(series: pl.Series) -> str:
    number = next((value for value in series.drop_nulls().to_list() if abs(value) >= _THOUSAND), 0.0)
    return f"{number:,.0f}"


def _as_decimals(series: pl.Series) -> pl.Series:
    values = series.to_numpy()
    return pl.Series(series.name, np.where(np.abs(values) >= _THOUSAND, values / _THOUSAND, values)).set(
        series.is_null(), None
    )


def _settled(raw: RawTable, column: RawColumn, rule: ColumnRule | None) -> str:
    """Say what a column's marks are: "thousands", "decimal", "?" where both could be, "" where nobody asks."""
    series = raw.frame[column.key]
    heading = parse_heading(column.heading)
    if (rule and rule.time) or (heading.is_time and not (rule and rule.channel)):
        return _of_clock(series, (rule.time if rule else "") or recognise_unit(column.unit or heading.unit) or "")
    channels = (rule.channel,) if rule and rule.channel else heading.channels
    if not channels or not series.dtype.is_numeric():
        return ""
    unit = (rule.unit if rule else None) or column.unit or heading.unit
    thousands = _fit(series, channels, unit, heading)
    decimals = _fit(_as_decimals(series), channels, unit, heading)
    values = np.abs(Spread(series).sample)
    bare = values[(values > 0) & (values < _THOUSAND)]
    if thousands and bare.size >= _FEWEST_BARE * values.size:
        return "thousands"
    if thousands == decimals:
        return "thousands" if thousands and column.marks == "thousands?" else "?"
    return "thousands" if thousands > decimals else "decimal"


def _fit(series: pl.Series, channels: tuple[str, ...], unit: str, heading: Heading) -> int:
    """How well numbers fit the channels that a column may be: 2 usual, 1 possible, 0 not at all."""
    spread, best = Spread(series), 0
    for channel in channels:
        if unit and recognise_unit(unit) is not None:
            stated = stated_forms(channel, unit, heading.key, spread)
            forms = [form for form in stated if is_possible(form, spread)]
            best = max(best, 2 if any(fits_usual(form, spread) for form in forms) else 1 if forms else 0)
        else:
            fit = guess_forms(channel, heading.key, spread)
            best = max(best, 2 if fit.fits else 1 if fit.nearly else 0)
    return best


def _of_clock(series: pl.Series, unit: str) -> str:
    values = series.to_numpy()
    bare = (values > 0) & (values < _THOUSAND)
    if bare.mean() >= _FEWEST_BARE:
        return "thousands"
    step = np.abs(np.diff(values[np.isfinite(values)]))
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 0.0
    if unit == "s":
        return "decimal" if usual > _LONGEST_STEP_S else "thousands"
    return "thousands" if unit in ("ms", "us", "ns") else "decimal"
