"""Which channels a column may be whose name says nothing: by its unit, its range and how it moves."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import polars as pl

from tunelab.channels import CHANNELS
from tunelab.log.map.match import Match
from tunelab.log.map.quantity import Form, Spread, guess_forms, stated_forms, to_usual
from tunelab.log.map.usual import usual_ends
from tunelab.units import recognise_unit

MOST = 6  # candidates named; more help nobody
SWITCHES = ("clutch_pressed", "brake_pressed", "launch_active")
CODES = ("fuel_mode", "gear")
MOST_CODES = 12  # different whole numbers
# Quantities that take many seconds to go through their range; common practice, no source.
SLOW = (
    "coolant_c", "intake_air_c", "ambient_c", "oil_c", "barometer_kpa", "altitude_m", "latitude_deg", "longitude_deg",
    "idle_target_rpm", "battery_v",
)  # fmt: skip
QUICK_STEP = 0.25  # of its range, from one reading to the next that differs: too quick for those
RARE = ("latitude_deg", "longitude_deg", "altitude_m", "air_charge_mg", "meter_counts", "ambient_c", "exhaust_c")
FIRST = (
    "engine_speed_rpm", "meter_v", "pulse_width_ms", "lambda_measured", "lambda_commanded", "throttle_pct",
    "trim_short_pct", "battery_v", "coolant_c", "road_speed_km_h",
)  # fmt: skip
MADE_HERE = ("lambda_at_fuelling", "lambda_at_fuelling_2")


def find_candidates(series: pl.Series, match: Match, taken: Collection[str]) -> tuple[Form, ...]:
    """Find the channels that a column without a known name may be.

    Parameters
    ----------
    series : Series, shape (rows,)
        The column's numbers; words have no candidates.
    match : Match
        Its match, without a channel; its heading may hold a unit.
    taken : collection of str
        Channels that other columns of the file have.

    Returns
    -------
    tuple of Form
        At most MOST, what most logs hold first; empty where nothing fits, or everything would.
    """
    if not series.dtype.is_numeric() or series.len() == series.null_count():
        return ()
    spread, unit = Spread(series), match.column.unit or match.heading.unit
    if not spread.count or spread.low == spread.high:
        return ()
    free = [name for name in CHANNELS if name not in taken and name not in MADE_HERE and _moves_like(name, series)]
    forms = [form for name in free if (form := _fitting(name, unit, match.heading.key, spread)) is not None]
    return tuple(sorted(forms, key=_likely_first))[:MOST]


def _moves_like(channel: str, series: pl.Series) -> bool:
    """Whether a column moves as a channel does: two values, a few codes, slowly, or freely."""
    values = series.drop_nulls().to_numpy()
    values = values[np.isfinite(values)]
    different = np.unique(values[: 20 * MOST_CODES * 100])
    few_whole = different.size <= MOST_CODES and bool((different == np.round(different)).all())
    if channel in SWITCHES:
        return different.size == 2
    if channel in CODES:
        return few_whole
    if different.size <= 2 and channel not in SLOW:
        return False
    return channel not in SLOW or _is_slow(values)


def _is_slow(values: np.ndarray) -> bool:
    steps = np.abs(np.diff(values))
    steps = steps[steps > 0]
    span = np.ptp(values)
    return not steps.size or float(np.quantile(steps, 0.9)) < QUICK_STEP * span


def _fitting(channel: str, unit: str, key: str, spread: Spread) -> Form | None:
    """Form of a channel that the column's unit and numbers allow; None where they do not."""
    if unit and recognise_unit(unit) is not None:
        forms = [form for form in stated_forms(channel, unit, key, spread) if _is_usual(form, spread)]
    else:
        forms = list(guess_forms(channel, key, spread).fits)
    forms = [form for form in forms if form.kind != "sensor"]
    return forms[0] if forms else None


def _is_usual(form: Form, spread: Spread) -> bool:
    numbers = sorted(to_usual(form, x) for x in (spread.low, spread.middle, spread.high))
    ends = usual_ends(form.channel)
    return all(limits is None or limits[0] <= x <= limits[1] for x, limits in zip(numbers, ends, strict=True))


def _likely_first(form: Form) -> tuple[bool, bool, int]:
    """What the steps need before the rest, then the order of the vocabulary; second banks and positions last."""
    rare = form.channel.endswith(("_2_pct", "_2")) or form.channel in RARE
    return rare, form.channel not in FIRST, list(CHANNELS).index(form.channel)
