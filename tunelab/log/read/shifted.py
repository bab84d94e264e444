"""Rows that lack a cell in the middle and end in an empty one: the right number of fields, but in the wrong columns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from tunelab.log.read.cells import count_words
from tunelab.log.read.raw import RawColumn, RawTable, merge_rows

_LOOKED_AT = 5000  # whole rows, for the spread of a column
_HARDLY_EVER = 0.95  # of the whole rows lie nearer to the row before
_FAR = 2.0  # times that is no chance, however few the rows
_RARE = 0.05  # of the rows: where the last column is empty in more, it may be one that is logged less often
_CLEARLY = 1.0  # so many spreads nearer to the neighbour's columns is no chance
_FARTHEST = 10.0  # spreads; what lies farther counts no more
_ONE_MISSING = 3.0  # spreads that count where a number stands against none
_REASON = "the readings fit the columns beside theirs: a cell is missing before the last one"


def leave_out_shifted(table: RawTable) -> RawTable:
    """Set aside rows whose readings stand one column too far left.

    They end in an empty field or a word, as the row beside them does not, or stand beside rows with too few fields; and
    from some column on their readings lie nearer to what the next column held in a whole row than to what their own
    held. In doubt those with an empty field are set aside where they are rare.
    """
    if table.frame.width < 3 or table.frame.height < 3:
        return table
    last = table.frame[:, -1]
    empty = last.is_null()
    if last.dtype == pl.Float64:
        empty |= last.is_nan().fill_null(False)
    shifted = np.zeros(table.frame.height, dtype=bool)
    count = int(empty.sum())
    if 0 < count < table.frame.height:
        shifted |= _ending_empty(table.frame, empty.to_numpy(), is_rare=count <= _RARE * table.frame.height)
    if any(item.reason.startswith("too few") for item in table.set_aside):
        shifted |= _beside_short(table, ~empty.to_numpy())
    return _without(table, shifted) if shifted.any() else table


def _ending_empty(frame: pl.DataFrame, empty: np.ndarray, *, is_rare: bool) -> np.ndarray:
    """Runs of rows with an empty last field, known by the one right beside a full row, their first where it can be."""
    edges = np.flatnonzero(np.diff(np.r_[False, empty, False].astype(np.int8)))
    first, stop = edges[::2], edges[1::2]
    rows = np.where(first > 0, first, stop - 1)
    beside = np.where(first > 0, first - 1, np.minimum(stop, empty.size - 1))
    gain, is_odd = _gain(frame, rows, beside, ~empty, has_last=False)
    found = gain >= 0 if is_rare else (gain > _CLEARLY) & is_odd
    shifted = np.zeros(empty.size, dtype=bool)
    for begin, end in zip(first[found], stop[found], strict=True):
        shifted[begin:end] = True
    return shifted


def _beside_short(table: RawTable, full: np.ndarray) -> np.ndarray:
    """Rows beside one with too few fields that have the right number by something else at their end."""
    short = np.concatenate(
        [np.arange(s.row, s.last_row + 1) for s in table.set_aside if s.reason.startswith("too few")]
    )
    places = np.searchsorted(table.line, np.r_[short - 1, short + 1])
    places = np.clip(places, 0, table.line.size - 1)
    beside_short = np.zeros(full.size, dtype=bool)
    beside_short[places[table.line[places] == np.r_[short - 1, short + 1]]] = True
    rows, whole = np.flatnonzero(beside_short & full), np.flatnonzero(~beside_short & full)
    shifted = np.zeros(full.size, dtype=bool)
    if rows.size and whole.size > 1:
        beside = whole[np.clip(np.searchsorted(whole, rows) - 1, 0, whole.size - 1)]
        gain, is_odd = _gain(table.frame, rows, beside, full, has_last=True)
        shifted[rows[(gain > _CLEARLY) & is_odd]] = True
    return shifted


def _gain(
    frame: pl.DataFrame, rows: np.ndarray, beside: np.ndarray, full: np.ndarray, *, has_last: bool
) -> tuple[np.ndarray, np.ndarray]:
    """By how many spreads some rows lie nearer to the columns beside theirs, in the whole rows given for each.

    Second, whether they lie farther from their own columns than whole rows hardly ever do from one to the next: where
    readings are as good as random, nothing shows.
    """
    values = np.column_stack([_numbers(series)[np.r_[rows, beside]] for series in frame])
    row, whole = values[: rows.size], values[rows.size :]
    some = np.flatnonzero(full)
    some = some[:: max(some.size // _LOOKED_AT, 1)]
    spread = np.array([_spread(_numbers(series)[some]) for series in frame])
    own = _distance(row, whole, spread)
    next_one = _distance(row[:, :-1], whole[:, 1:], spread[1:])
    before = np.cumsum(np.column_stack([np.zeros(rows.size), own[:, :-2]]), axis=1)
    behind = np.cumsum(next_one[:, ::-1], axis=1)[:, ::-1]
    judged = slice(None) if has_last else slice(-1)
    total = own[:, judged].sum(axis=1)
    some = some[some > 0]
    pairs = np.column_stack([_numbers(series)[np.r_[some, some - 1]] for series in frame])
    usual = _distance(pairs[: some.size], pairs[some.size :], spread)[:, judged].sum(axis=1)
    is_odd = total > _FAR * (np.quantile(usual, _HARDLY_EVER) if usual.size else np.inf)
    return total - (before + behind).min(axis=1), is_odd


def _numbers(series: pl.Series) -> np.ndarray:
    if not series.dtype.is_numeric():
        return np.full(len(series), np.nan)
    return series.fill_null(float("nan")).to_numpy()


def _spread(values: np.ndarray) -> float:
    values = values[np.isfinite(values)]
    if not values.size:
        return 1.0
    return max(float(np.std(values)), 0.01 * abs(float(np.mean(values))), 1e-9)


def _distance(one: np.ndarray, other: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Distance in spreads, shape (rows, columns)."""
    both = np.isfinite(one) & np.isfinite(other)
    far = np.minimum(np.abs(np.where(both, one - other, 0.0)) / spread, _FARTHEST)
    return np.where(both, far, np.where(np.isfinite(one) ^ np.isfinite(other), _ONE_MISSING, 0.0))


def _without(table: RawTable, shifted: np.ndarray) -> RawTable:
    keep = pl.Series(~shifted)
    texts = {key: text.filter(keep) for key, text in table.texts.items()}
    frame = table.frame.filter(keep)
    kept_before = np.cumsum(np.r_[0, ~shifted])
    return replace(
        table,
        frame=frame,
        columns=tuple(_counted(column, frame[column.key], texts.get(column.key)) for column in table.columns),
        set_aside=tuple(
            sorted((*table.set_aside, *merge_rows(table.line[shifted], _REASON)), key=lambda item: item.row)
        ),
        line=table.line[~shifted],
        restarts=np.unique(kept_before[table.restarts]),
        texts=texts,
    )


def _counted(column: RawColumn, values: pl.Series, text: pl.Series | None) -> RawColumn:
    words = count_words(text.filter(values.is_nan().fill_null(False))) if text is not None else {}
    return replace(column, words=words, empty=values.null_count())
