"""Clock times and dates, in text or in parts, as seconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
import polars as pl

from tunelab.channels import name_key

_DAY, _HOUR = 86400.0, 3600.0
_CHANGE_SLACK_S = 2.0  # a change of summer time is within so much of a full hour
_PICTURES = {number - 1: number for number in (24, 25, 30, 50, 60)}  # last one of a second -> how many, common practice
_LONGEST_HOLE_S = 60.0  # in the rows at a change back from summer time
_LAST_CHANGE_S = 4 * _HOUR  # of the day; no country changes later
_TIME = (
    r"(?:(?P<hour>\d{1,3}):)?(?P<minute>\d{1,2}):(?P<second>\d{1,2})(?:[.,:](?P<fraction>\d{1,9}))?"
    r"\s*(?P<half>[aApP])?\.?[mM]?\.?"
)
_ZONE = r"\s*(?P<zone>Z|z|UTC|GMT|[+-]\d{2}:?\d{2}|[+-]\d{2})?"
_DATE = r"(?P<one>\d{1,4})[-/.](?P<two>\d{1,2})[-/.](?P<three>\d{1,4})[T\s]+"
_PLAIN_TIME = r"\d\d:\d\d:\d\d(?:\.\d{1,9})?"
_COMPACT = r"(?P<compact>\d{8})[T_-]?\s*(?P<hh>\d{2}):?(?P<mm>\d{2}):?(?P<ss>\d{2})(?:[.,](?P<fraction>\d{1,9}))?"

_MONTH_FIRST = r"(?:[A-Za-z]{2,9}\.?,?\s+)?(?P<month>[A-Za-z]{3,9})\.?\s+(?P<day>\d{1,2}),?\s+"
_MONTH_LAST_YEAR = rf"(?i)^{_MONTH_FIRST}(?P<time>[\d:.,]+)\s+(?P<year>\d{{4}})$"  # Sun May 03 23:59:20 2026
_MONTH_YEAR = rf"(?i)^{_MONTH_FIRST}(?P<year>\d{{4}}),?\s+(?P<time>\d{{1,2}}:.*)$"  # May 3, 2026 11:59:20 PM
_NAMES = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTHS = {name: number for number, name in enumerate(_NAMES, 1)} | {"mai": 5, "okt": 10, "dez": 12}


@dataclass(frozen=True)
class Stamps:
    """Text read as times."""

    seconds: np.ndarray  # shape (rows,), NaN where not readable
    has_date: bool
    how: str
    has_zone: bool = False
    has_hours: bool = True


def read_stamps(text: pl.Series) -> Stamps:
    """Read clock times, dates with times, or ISO 8601.

    Parameters
    ----------
    text : polars String series
        HH:MM:SS with or without fraction, MM:SS, with am or pm; or a date and such a time, with or without zone.

    Returns
    -------
    Stamps
        With dates: seconds since 1970-01-01, the zone allowed for where stated. Without: seconds since midnight of the
        first row's day; a fall by more than half a day is midnight.

    Notes
    -----
    Stamps without a zone that jump by an hour at a full hour of the night are taken to change to or from summer time:
    the clock goes on, and `how` says so. Whether 03/05/2026 is day or month first matters only when the date changes
    within the file: then the reading in which the days follow each other is taken.
    """
    stamps = _read_stamps(_with_month_numbers(text.str.strip_chars()))
    if stamps.has_zone:
        return stamps
    if stamps.has_date:
        stamps = replace(stamps, seconds=_with_day_missed(stamps.seconds))
    seconds, count = _without_summer_time(stamps.seconds)
    if not count:
        return stamps
    told = "a change of summer time taken out" if stamps.has_hours else "an hour added wherever they start anew"
    return replace(stamps, seconds=seconds, how=f"{stamps.how}, with {told}")


def _read_stamps(text: pl.Series) -> Stamps:
    alike = _read_alike(text)
    if alike is not None:
        return alike
    dated = text.str.extract_groups(rf"^{_DATE}{_TIME}{_ZONE}$").struct.unnest()
    if dated["second"].null_count() <= 0.5 * len(text):
        return _with_dates(dated)
    compact = text.str.extract_groups(rf"^{_COMPACT}{_ZONE}$").struct.unnest()
    if compact["ss"].null_count() <= 0.5 * len(text):
        return _compact(compact)
    timed = text.str.extract_groups(rf"^{_TIME}{_ZONE}$").struct.unnest()
    has_hours = timed["hour"].null_count() < len(text)
    how = "time of day" if has_hours else "minutes and seconds"
    return Stamps(past_midnight(_time_of_day(timed)), False, how, has_hours=has_hours)


def _read_alike(text: pl.Series) -> Stamps | None:
    """Read stamps that are all written in the same places, which takes no picking apart; None for others."""
    if text.null_count():
        return None
    if text.str.contains(rf"^[12]\d{{3}}-\d\d-\d\d[T ]{_PLAIN_TIME}$").all():
        days = _float(text.str.slice(0, 10).str.to_date("%Y-%m-%d", strict=False).cast(pl.Int32))
        return Stamps(days * _DAY + _clock_at(text, 11), True, "date and time, year first")
    if text.str.contains(rf"^{_PLAIN_TIME}$").all():
        return Stamps(past_midnight(_clock_at(text, 0)), False, "time of day")
    return None


def _clock_at(text: pl.Series, start: int) -> np.ndarray:
    """Seconds since midnight of HH:MM:SS and a fraction that stand from a place on."""
    hour, minute, second = (_float(text.str.slice(start + at, 2)) for at in (0, 3, 6))
    return _with_fraction(hour * 3600 + minute * 60 + second, text.str.slice(start + 9))


def _with_month_numbers(text: pl.Series) -> pl.Series:
    """Write 03-May-2026 as 03-05-2026; English months, and the German ones that differ in their first letters.

    "Sun May 03 23:59:20 2026" and "May 3, 2026 23:59:20" are put in that order first.
    """
    if text.str.contains(rf"^{_MONTH_FIRST}").any():
        for order in (_MONTH_LAST_YEAR, _MONTH_YEAR):
            text = text.str.replace(order, "${day}-${month}-${year} ${time}")
    if not text.str.contains(r"^\d{1,2}[-\s][A-Za-z]{3}").any():
        return text
    for name, number in _MONTHS.items():
        text = text.str.replace(rf"(?i)^(\d{{1,2}})[-\s]{name}[a-z]*\.?[-\s]", f"${{1}}-{number:02d}-")
    return text


def _float(column: pl.Series) -> np.ndarray:
    return column.cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy().copy()


def _time_of_day(parts: pl.DataFrame) -> np.ndarray:
    hour = np.where(parts["hour"].is_null().to_numpy(), 0.0, _float(parts["hour"]))
    half = parts["half"].str.to_lowercase().fill_null("").to_numpy()
    is_half = half != ""
    hour = np.where(is_half, hour % 12, hour) + np.where(half == "p", 12.0, 0.0)
    return _with_fraction(hour * 3600 + _float(parts["minute"]) * 60 + _float(parts["second"]), parts["fraction"])


def _with_fraction(whole: np.ndarray, digits: pl.Series) -> np.ndarray:
    """Add what stands behind the seconds: decimals, or a count of thousandths without its zeros, or one of pictures.

    "1.20" is 20 ms in a file that goes on with "1.100": shown by a clock that falls back less often so. Pictures are
    shown by every number up to the last of a second, with none beyond.
    """
    digits = digits.fill_null("0")
    plain = whole + _float("0." + digits.replace("", "0"))
    lengths = digits.str.len_bytes()
    shortest, longest = cast("int", lengths.min() or 0), cast("int", lengths.max() or 0)
    if longest == 2 and (pictures := _pictures(_float(digits))):
        return whole + _float(digits) / pictures
    if shortest == longest or not _falls(plain):
        return plain
    counted = whole + _float(digits.replace("", "0")) / 10**longest
    return counted if _falls(counted) < _falls(plain) else plain


def _pictures(count: np.ndarray) -> int:
    """How many pictures a second has, where some numbers count them; 0 where they do not."""
    seen = np.unique(count[np.isfinite(count)])
    return _PICTURES.get(seen[-1], 0) if seen.size and seen.size == seen[-1] + 1 else 0


def _falls(seconds: np.ndarray) -> int:
    return int(np.count_nonzero(np.diff(seconds) < 0))


def _zone(zone: pl.Series) -> np.ndarray:
    sign = np.where(zone.str.starts_with("-").fill_null(False).to_numpy(), -1.0, 1.0)
    digits = zone.str.replace_all(r"[^0-9]", "").str.pad_end(4, "0")
    hours = np.nan_to_num(_float(digits.str.slice(0, 2)))
    return sign * (hours * 3600 + np.nan_to_num(_float(digits.str.slice(2, 2))) * 60)


def _with_dates(parts: pl.DataFrame) -> Stamps:
    time = _time_of_day(parts)
    one, two, three = (parts[name].cast(pl.Int32, strict=False) for name in ("one", "two", "three"))
    if (one > 31).any():
        days, how = _days(one, two, three), "date and time, year first"
    else:
        year = three + pl.Series(np.where((three.fill_null(0) < 100).to_numpy(), 2000, 0), dtype=pl.Int32)
        days, how = _day_or_month_first(year, one, two)
    return Stamps(days * _DAY + time - _zone(parts["zone"]), True, how, _has_zone(parts))


def _day_or_month_first(year: pl.Series, one: pl.Series, two: pl.Series) -> tuple[np.ndarray, str]:
    day_first, month_first = _days(year, two, one), _days(year, one, two)
    readings = [(day_first, "date and time, day first"), (month_first, "date and time, month first")]
    return min(readings, key=lambda item: (np.isnan(item[0]).sum(), _spread(item[0])))


def _spread(days: np.ndarray) -> float:
    known = days[np.isfinite(days)]
    return float(np.ptp(known)) if known.size else 0.0


def _days(year: pl.Series, month: pl.Series, day: pl.Series) -> np.ndarray:
    """Days since 1970-01-01, NaN where there is no such date."""
    frame = pl.DataFrame({"y": year, "m": month, "d": day})
    text = pl.format(
        "{}-{}-{}", "y", pl.col("m").cast(pl.String).str.zfill(2), pl.col("d").cast(pl.String).str.zfill(2)
    )
    return _float(frame.select(text.str.to_date("%Y-%m-%d", strict=False).cast(pl.Int32).alias("n"))["n"])


def _compact(parts: pl.DataFrame) -> Stamps:
    days = _float(parts["compact"].str.to_date("%Y%m%d", strict=False).cast(pl.Int32))
    clock = _float(parts["hh"]) * 3600 + _float(parts["mm"]) * 60 + _float(parts["ss"])
    clock = _with_fraction(clock, parts["fraction"])
    return Stamps(days * _DAY + clock - _zone(parts["zone"]), True, "ISO 8601, basic form", _has_zone(parts))


def _has_zone(parts: pl.DataFrame) -> bool:
    return parts["zone"].null_count() < len(parts)


def _without_summer_time(seconds: np.ndarray) -> tuple[np.ndarray, int]:
    """Take out jumps of an hour ahead or back, at a full hour and in the night; and how many there were."""
    known = np.flatnonzero(np.isfinite(seconds))
    step = np.diff(seconds[known])
    if not (np.abs(step) > _HOUR - _LONGEST_HOLE_S).any():
        return seconds, 0
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 1.0
    slack = max(_CHANGE_SLACK_S, 5 * usual)
    before, after = seconds[known][:-1], seconds[known][1:]
    room = np.where(step < 0, _LONGEST_HOLE_S, slack)  # rows may be missing there: by itself no clock goes back an hour
    is_hour = np.abs(np.abs(step) - _HOUR) <= room
    at_hour = np.abs(after - np.round(after / _HOUR) * _HOUR) <= room
    at_hour &= np.abs(before - np.round(before / _HOUR) * _HOUR) <= room
    changes = is_hour & at_hour & (np.minimum(before, after) % _DAY <= _LAST_CHANGE_S)
    shift = np.cumsum(np.where(changes, np.sign(step) * _HOUR, 0.0))
    result = seconds.copy()
    result[known[1:]] -= shift
    return result, int(changes.sum())


def _with_day_missed(seconds: np.ndarray) -> np.ndarray:
    """Add a day where the time passes midnight and the date beside it stays."""
    known = np.flatnonzero(np.isfinite(seconds))
    step = np.diff(seconds[known])
    missed = np.abs(step + _DAY) <= _CHANGE_SLACK_S
    result = seconds.copy()
    result[known[1:]] += np.cumsum(missed) * _DAY
    return result if missed.any() else seconds


def past_midnight(seconds: np.ndarray) -> np.ndarray:
    """Add a day wherever the time of day falls by more than half a day."""
    known = np.flatnonzero(np.isfinite(seconds))
    falls = np.diff(seconds[known]) < -_DAY / 2
    rises = np.diff(seconds[known]) > _DAY / 2  # a stray row from before midnight comes back
    days = np.cumsum(falls.astype(int) - rises.astype(int))
    result = seconds.copy()
    result[known[1:]] += np.maximum(days, 0) * _DAY
    return result


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
