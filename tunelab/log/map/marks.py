"""Marks in numbers that may group thousands or be decimal, as in 2,500: known by what the channel can be, or asked for.

The reader gives such a column as thousands and says so (`RawColumn.marks`). A decimal comma in a column that has
decimals of three places throughout looks the same, so that 2,673 V is 2.673 V and 2,673 rpm is 2673 rpm.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from tunelab.log.map.heading import Heading, parse_heading
from tunelab.log.map.problem import toml_text
from tunelab.log.map.quantity import Spread, fits_usual, guess_forms, is_possible, stated_forms
from tunelab.log.read import RawColumn, RawTable
from tunelab.units import recognise_unit
from tunelab.workspace.channel_map import ChannelMap, ColumnRule

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
