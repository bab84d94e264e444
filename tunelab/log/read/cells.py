"""Text cells into numbers: what cannot be read is counted and named, never dropped in silence."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from math import isfinite

import polars as pl

_LEAST_NUMBERS = 0.02  # of the filled cells, for a column to be one of numbers
_WORDS_KEPT = 20  # different error words listed for one column
_SUFFIX = re.compile(r"[+-]?\d+(?:[.,]\d+)?\s?([^\d\s.,;:+-][^\d\s,;]{0,7})")


@dataclass(frozen=True)
class Cells:
    """One column after reading. `values` is Float64 (null: empty, NaN: error word) or String."""

    values: pl.Series
    words: dict[str, int]
    empty: int
    unit: str  # where every number carries it, such as "rpm" in "850 rpm"
    marks: str = ""  # "?" where the mark in 2,500 may group thousands or be the decimal one: read as thousands
    text: pl.Series | None = None  # the cells as written, where `words` is not empty


def read_cells(text: pl.Series, decimal: str, *, is_said: bool = True) -> Cells:
    """Read one column of text as numbers, or leave it as text where hardly any filled cell is a number.

    Parameters
    ----------
    text : polars String series
        Cells as written; null or blank is empty.
    decimal : str
        Decimal mark; the other marks may group thousands.
    is_said : bool
        Whether the decimal mark is certain. Where it is not, a column whose every mark stands before three digits, as
        in 2,500, is read as thousands, and `marks` says that they may be decimals.
    """
    values = text.cast(pl.Float64, strict=False) if decimal == "." else None
    if values is not None and values.null_count() == text.null_count() and isfinite(values.sum()):
        return Cells(values, {}, text.null_count(), "")
    text = text.str.strip_chars()
    text = text.set(text == "", None)
    empty = text.null_count()
    filled = len(text) - empty
    bare, unit = text, ""
    values = _numbers(bare, decimal)
    failed = _failed(text, values)
    if filled and failed.sum() > (1 - _LEAST_NUMBERS) * filled:
        bare, unit = _without_suffix(text)
        values = _numbers(bare, decimal) if unit else values
        failed = _failed(text, values)
    if filled and failed.sum() > (1 - _LEAST_NUMBERS) * filled:
        return Cells(text, {}, empty, "")
    marks = "" if is_said else _open_marks(bare, decimal)
    if marks == "decimal":
        values, marks = _numbers(bare, "," if decimal == "." else "."), ""
        failed = _failed(text, values)
    if not failed.any():
        return Cells(values, {}, empty, unit, marks)
    return Cells(values.set(failed, float("nan")), count_words(text.filter(failed)), empty, unit, marks, text)


def _open_marks(text: pl.Series, decimal: str) -> str:
    """Say whether the mark that groups thousands may be decimal in a column: "", "?", or "decimal" where it is.

    It is where whole thousands stand in the same column without a mark; it is not where the decimal mark itself does.
    """
    mark = "," if decimal == "." else "."
    marked = text.filter(text.str.contains(mark, literal=True).fill_null(False))
    if not len(marked) or not marked.str.contains(rf"^[+-]?[1-9]\d{{0,2}}{re.escape(mark)}\d{{3}}$").all():
        return ""
    if text.str.contains(decimal, literal=True).any():
        return ""
    return "decimal" if text.str.contains(r"^[+-]?\d{4,}$").any() else "?"


def count_words(text: pl.Series) -> dict[str, int]:
    """Count each different text, the most frequent first; beyond 20 the rest stand together as "other words"."""
    counts = sorted(text.value_counts(name="n").iter_rows(), key=lambda row: (-row[1], row[0]))
    kept = dict(counts[:_WORDS_KEPT])
    rest = sum(count for _, count in counts[_WORDS_KEPT:])
    return kept | ({"other words": rest} if rest else {})


def _numbers(text: pl.Series, decimal: str) -> pl.Series:
    """Cast to Float64; null where a cell is no finite number."""
    if decimal == "," and _has_points(text):
        values = text.cast(pl.Float64, strict=False)
    elif decimal == ",":
        text = _regroup(text, r"[. '\u00a0\u202f’]").str.replace(",", ".", literal=True)
        values = text.str.replace(r"^.*\..*\..*$", "").cast(pl.Float64, strict=False)
    else:
        values = text.cast(pl.Float64, strict=False)
        if values.null_count() > text.null_count():
            values = _regroup(text, r"[, '\u00a0\u202f’]").cast(pl.Float64, strict=False)
    return values.set(~values.is_finite(), None)


def _has_points(text: pl.Series) -> bool:
    """Whether a column keeps to the decimal point in a file of decimal commas, as some loggers write their clock.

    A point before other than three digits, or behind a lone zero, groups no thousands; a comma anywhere, or two points,
    is for the comma.
    """
    if text.str.contains(r",|\..*\.").any():
        return False
    return bool(text.str.contains(r"^[+-]?(0\d*\.\d+|\d+\.(\d{1,2}|\d{4,})|\d{4,}\.\d+)$").any())


def _regroup(text: pl.Series, marks: str) -> pl.Series:
    """Take thousands separators out of cells that are grouped all through: 1,234,567.8 but not 1,23."""
    decimal = "," if "." in marks else r"\."
    grouped = text.str.contains(rf"^[+-]?[1-9]\d{{0,2}}({marks}\d{{3}})+({decimal}\d*)?$").fill_null(False)
    if not grouped.any():
        bad = text.str.contains(r"\.").fill_null(False) if decimal == "," else None
        return text if bad is None else text.set(bad, "")
    plain = text.str.replace_all(marks, "")
    rest = text.set(text.str.contains(r"\.").fill_null(False), "") if decimal == "," else text
    return plain.zip_with(grouped, rest)


def _failed(text: pl.Series, values: pl.Series) -> pl.Series:
    return text.is_not_null() & values.is_null()


def _without_suffix(text: pl.Series) -> tuple[pl.Series, str]:
    """Take off a unit that follows the numbers, where nine in ten filled cells carry the same."""
    sample = text.drop_nulls().head(500).to_list()
    found = Counter(match[1] for cell in sample if (match := _SUFFIX.fullmatch(cell)))
    if not found:
        return text, ""
    suffix, count = found.most_common(1)[0]
    if count < 0.5 * len(sample):
        return text, ""
    return text.str.strip_suffix(suffix).str.strip_chars(), suffix
