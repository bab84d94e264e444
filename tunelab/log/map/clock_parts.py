"""A clock in parts: hours, minutes and seconds in columns of their own, thousandths, counters that start anew."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tunelab.channels import name_key
from tunelab.log.map.stamp import past_midnight

_HOURS = ("hour", "hours", "h", "hh", "hr", "stunde", "stunden", "heure", "heures", "hora", "horas", "ore")
_MINUTES = ("minute", "minutes", "min", "mins", "mm", "minuten", "minuto", "minutos", "minuti")
_OF_SECONDS = ("second", "seconds", "sec", "secs", "s", "ss", "sekunde", "sekunden", "seconde", "secondes", "segundo")
_THOUSANDTHS = (
    *("ms", "msec", "msecs", "millis", "milli", "millisec", "millisecs", "millisecond", "milliseconds", "milisec"),
    *("millisekunde", "millisekunden", "milliseconde", "millisecondes", "milisegundos"),
)
_AGREED = 0.98  # of the falls of the thousandths stand where the seconds go on

# Where a counter starts anew, and how often it must have done so to be believed: a logger that was started again starts
# from zero as well, but hardly twice just after the same number.
_ENDS = ((1000.0, 2), (60_000.0, 2), (65_536.0, 1), (1e6, 2), (60.0, 2), (3600.0, 2), (2.0**32, 1))
_STEPS_ACROSS = 3.0  # usual steps at most from the last number of one round to the first of the next

Column = tuple[str, str, np.ndarray]  # key in the frame, heading without its unit, numbers of shape (rows,)


def is_part_name(name: str) -> bool:
    """Whether a heading may be that of an hour, a minute, a second or thousandths of it."""
    names = (*_HOURS, *_MINUTES, *_OF_SECONDS, *_THOUSANDTHS)
    return name_key(name) in names


def join_clock_parts(columns: Sequence[Column]) -> tuple[np.ndarray, tuple[str, ...]] | None:
    """Join hour, minute and second columns to seconds since midnight of the first day.

    Returns
    -------
    tuple of array, shape (rows,), and the keys of the columns used; None where one of the three is missing or holds
    what no such part holds.
    """
    hour, minute, second = (
        _part(columns, names, high) for names, high in ((_HOURS, 24), (_MINUTES, 60), (_OF_SECONDS, 60))
    )
    if hour is None or minute is None or second is None or not _is_whole(minute[2]) or not _is_whole(hour[2]):
        return None
    seconds = past_midnight(hour[2] * 3600.0 + minute[2] * 60.0 + second[2])
    return seconds, (hour[0], minute[0], second[0])


def find_thousandths(columns: Sequence[Column], seconds: np.ndarray) -> Column | None:
    """Find the column that holds the thousandths of a clock's whole seconds; None where there is none.

    Parameters
    ----------
    columns : sequence
        Those that may be it.
    seconds : array, shape (rows,)
        The clock, NaN where it could not be read. Whole seconds: one with a fraction of its own has none.
    """
    found = _part(columns, _THOUSANDTHS, 1000)
    if found is None or not _is_whole(found[2]) or not _is_whole(seconds):
        return None
    return found if _starts_with(found[2], seconds) else None


def _part(columns: Sequence[Column], names: Sequence[str], high: float) -> Column | None:
    """The one column of such a name whose numbers lie from 0 up to an end, which rounding reaches."""
    found = [column for column in columns if name_key(column[1]) in names and _is_up_to(column[2], high)]
    return found[0] if len(found) == 1 else None


def _is_up_to(values: np.ndarray, high: float) -> bool:
    known = values[np.isfinite(values)]
    return bool(known.size and known.min() >= 0 and known.max() <= high)


def _is_whole(values: np.ndarray) -> bool:
    known = values[np.isfinite(values)]
    return bool(known.size and (known % 1 == 0).all())


def _starts_with(thousandths: np.ndarray, seconds: np.ndarray) -> bool:
    """Whether the thousandths start again where the seconds go on, and only there."""
    known = np.isfinite(thousandths) & np.isfinite(seconds)
    falls = np.diff(thousandths[known]) < 0
    return bool(falls.any() and np.mean(np.diff(seconds[known])[falls] != 0) >= _AGREED)


def unwrap_counter(values: np.ndarray) -> tuple[np.ndarray, float]:
    """Let a counter go on where it starts anew at its end, such as milliseconds of 16 bits after 65.536 s.

    Returns
    -------
    tuple of array, shape (rows,), and the end; the values as they are and 0 where they are no such counter.
    """
    if not (values[1:] < values[:-1]).any():
        return values, 0.0
    known = np.flatnonzero(np.isfinite(values))
    step = np.diff(values[known])
    falls = np.flatnonzero(step < 0)
    if not falls.size or values[known].min() < 0:
        return values, 0.0
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 0.0
    for end, least in _ENDS:
        across = step[falls] + end
        is_round = (across > 0) & (across <= _STEPS_ACROSS * usual) & (values[known][falls] < end)
        if falls.size >= least and is_round.all() and values[known].max() < end:
            result = values.copy()
            result[known[1:]] += np.cumsum(step < 0) * end
            return result, end
    return values, 0.0
