"""Lean and rich excursions when the throttle moves: how deep, how long, how much fuel, and which part of it all did it.

Lambda is referred back to the moment of fuelling by delay and lag. What the sensor's lag rounds off stays rounded off:
the true excursion is somewhat deeper and shorter than the one that is shown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.study.estimate import NAN
from tunelab.study.transient.film import cylinder_fuel
from tunelab.study.transient.fit import drawn_air, injected
from tunelab.study.transient.signal import GRID_S, TransientSignal, at_sensor, fuelled_at
from tunelab.units import convert

BEFORE_S, LONGEST_S, SHORTEST_S = 0.8, 2.5, 0.9
AFTER_LEVEL_S = 1.7  # from here on the excursion is over and the new level is read
CAUSES = ("film", "enrichment", "metering")
LEAST_PCT = 2.0  # smaller excursions have no cause that could be told from noise
EXPLAINED = 0.5  # of an excursion must come from the model before a cause is named
COLUMNS = [
    "kind", "at_s", "rate_pct_s", "throttle_from_pct", "throttle_to_pct", "engine_speed_rpm", "air_from_kg_h",
    "air_to_kg_h", "coolant_c", "lean_pct", "lean_se_pct", "lean_at_s", "lean_width_s", "lean_cause", "rich_pct",
    "rich_se_pct", "rich_at_s", "rich_width_s", "rich_cause", "area_pct_s", "missing_mg", "delivered_mg", "step_kg_h",
    "readings",
]  # fmt: skip


@dataclass(frozen=True)
class Parts:
    """What makes lambda depart, in its logarithm and as the lagged sensor shows it at its readings.

    Shapes (readings,). Positive is lean. Their sum is the model's logarithm of lambda over commanded, up to a level.
    """

    film: np.ndarray  # fuel that the wall takes (lean) or gives back (rich)
    enrichment: np.ndarray  # fuel in the pulses beyond (rich) or short of what the ECU's own airflow calls for
    metering: np.ndarray  # air that the cylinders draw beyond (lean) or short of what the meter told the ECU

    def cause(self, at: int, base: np.ndarray, size: float) -> str:
        """Part that explains an excursion of `size` at a reading best; empty where the model explains too little.

        `base` are the numbers of the readings before it.
        """
        values = {n: float(getattr(self, n)[at] - np.median(getattr(self, n)[base])) for n in CAUSES}
        total, sign = sum(values.values()), np.sign(size)
        if sign * total < EXPLAINED * abs(size):
            return "not explained"
        return max(values, key=lambda n: sign * values[n])


def parts_of(signal: TransientSignal, parameters: np.ndarray) -> Parts:
    """Split the model's mixture into what film, enrichment and metering do to it, for parameters as in `fit.NAMES`."""
    share, tau = parameters[0], float(np.exp(parameters[1]))
    fuel = injected(signal, parameters)
    reached = np.maximum(cylinder_fuel(fuel, GRID_S, share=share, tau_s=tau), 1e-3)
    asked = np.maximum(signal.ecu_kg_h, 1.0) / (signal.stoich_afr * signal.commanded)
    split = {
        "film": np.log(np.maximum(fuel, 1e-3) / reached),
        "enrichment": np.log(asked / np.maximum(signal.fuel_kg_h, 1e-3)),
        "metering": np.log(np.maximum(drawn_air(signal, parameters), 1.0) / np.maximum(signal.ecu_kg_h, 1.0)),
    }
    gas, lag = tuple(parameters[[4, 5, 7]]), float(parameters[6])
    return Parts(**{name: at_sensor(signal, np.clip(values, -2.0, 2.0), gas, lag) for name, values in split.items()})


def find_excursions(
    signal: TransientSignal, events: pd.DataFrame, parameters: np.ndarray, usable: np.ndarray
) -> pd.DataFrame:
    """Describe the excursion of every event that stands alone.

    Parameters
    ----------
    signal : TransientSignal
    events : DataFrame
        As `find_events`; those with something in `disturbed_by` are left out.
    parameters : array
        As in `fit.NAMES`: film, delay and lag.
    usable : array of bool, shape (readings,)
        Readings that may be looked at.

    Returns
    -------
    DataFrame
        `lean_pct` and `rich_pct` are the largest departures of lambda over commanded from its own level before and
        after (0 if it never went there), `..._se_pct` their standard errors, `..._at_s` when, counted from the event,
        `..._width_s` the time beyond half of the depth. `area_pct_s` is the integral, lean positive; `missing_mg` the
        fuel that was short (negative: too much) in all cylinders; `delivered_mg` the fuel that went in beyond what the
        drawn air called for.
    """
    parts = parts_of(signal, parameters)
    fuelled = fuelled_at(signal, *parameters[4:6], parameters[7], lag_s=parameters[6])
    at = events["at_s"].to_numpy(dtype=float)
    rows = []
    for k, event in enumerate(events.itertuples()):
        if event.disturbed_by:
            continue
        start = float(signal.grid_time(at[k]))
        ahead = at[k + 1 :][:1]
        end = start + LONGEST_S if not ahead.size else min(start + LONGEST_S, float(signal.grid_time(ahead[0])))
        row = _describe(signal, event, parts, parameters, (fuelled, usable), (start, end))
        rows += [row] if row is not None else []
    return pd.DataFrame(rows, columns=COLUMNS)


def _describe(signal, event, parts: Parts, parameters, seen, span: tuple[float, float]) -> tuple | None:
    fuelled, usable = seen
    start, end = span
    own = usable & (fuelled >= start - BEFORE_S) & (fuelled <= end)
    if end - start < SHORTEST_S or own.sum() < 10:
        return None
    clock, off = fuelled[own] - start, _off(signal, fuelled, own)
    level = _level(signal, clock, off, start)
    if level is None:
        return None
    off, noise = off - level, _noise(signal.reading[own])
    after = clock >= -0.1
    if after.sum() < 6:
        return None
    clock, off = clock[after], off[after]
    rows = np.flatnonzero(own)
    where = (rows[after], rows[~after])
    sides = [_side(parts, where, clock, off, noise, sign) for sign in (1.0, -1.0)]
    air = drawn_air(signal, parameters)
    fuel = injected(signal, parameters)
    missing, delivered, levels = _masses(signal, (air, fuel), start, min(end, start + 1.5), clock, off)
    grid = _row(signal, start)
    head = (event.kind, event.at_s, event.rate_pct_s, event.throttle_from_pct, event.throttle_to_pct)
    state = (float(signal.speed_rpm[grid]), *levels, float(signal.coolant_c[grid]))
    area = float(100.0 * np.trapezoid(off, clock))
    step = (levels[1] - levels[0]) / signal.stoich_afr
    return (*head, *state, *sides[0], *sides[1], area, missing, delivered, step, int(own.sum()))


def _row(signal: TransientSignal, at: float) -> int:
    return int(np.clip(round((at - signal.grid_s[0]) / GRID_S), 0, signal.grid_s.size - 1))


def _off(signal: TransientSignal, fuelled: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Logarithm of lambda over commanded at the moment of fuelling."""
    return np.log(signal.reading[own] / np.interp(fuelled[own], signal.grid_s, signal.commanded))


def _level(signal: TransientSignal, clock: np.ndarray, off: np.ndarray, start: float) -> np.ndarray | None:
    """What lambda reads without the excursion: from the level before to the level after, as log airflow goes."""
    before, after = off[clock < -0.1], off[clock > AFTER_LEVEL_S]
    if before.size < 3:
        return None
    first = float(np.median(before))
    last = float(np.median(after)) if after.size >= 4 else first
    air = np.log(np.interp(start + clock, signal.grid_s, signal.meter_kg_h))
    ends = [float(np.median(air[clock < -0.1])), float(np.median(air[-max(3, after.size) :]))]
    share = np.clip((air - ends[0]) / (ends[1] - ends[0]), 0.0, 1.0) if abs(ends[1] - ends[0]) > 0.1 else 0.0
    return first + share * (last - first)


def _noise(reading: np.ndarray) -> float:
    """Standard deviation of the noise of lambda from second differences, in its logarithm."""
    if reading.size < 5:
        return 0.01
    return max(1.4826 * float(np.median(np.abs(np.diff(np.log(reading), 2)))) / np.sqrt(6.0), 0.002)


def _side(parts: Parts, where: tuple[np.ndarray, np.ndarray], clock, off, noise: float, sign: float) -> tuple:
    """Depth, its standard error, moment, width and cause of the excursion to one side; sign +1 is lean.

    `where` are the numbers of the readings after the event, shape (n,) as `clock` and `off`, and of those before.
    """
    smooth = np.convolve(np.pad(sign * off, 1, mode="edge"), np.ones(3) / 3.0, mode="valid")
    peak = int(np.argmax(smooth))
    depth = float(smooth[peak])
    error = 100.0 * noise * float(np.sqrt(1.0 / 3.0 + 1.0 / 6.0))
    if depth <= 0.0:
        return (0.0, error, NAN, 0.0, "")
    first = peak
    while first > 0 and smooth[first - 1] > depth / 2:
        first -= 1
    last = peak
    while last < smooth.size - 1 and smooth[last + 1] > depth / 2:
        last += 1
    width = float(clock[last] - clock[first])
    size = 100.0 * float(np.expm1(sign * depth))
    cause = ""
    if abs(size) > max(LEAST_PCT, 3.0 * error):
        cause = parts.cause(int(where[0][peak]), where[1], sign * depth)
    return (size, error, float(clock[peak]), width, cause)


def _masses(signal, flows, start, end, clock, off) -> tuple[float, float, tuple[float, float]]:
    """Fuel that was missing by the sensor and delivered beyond the need [mg], and the air before and after [kg/h]."""
    air, fuel = flows
    inside = slice(_row(signal, start - 0.05), _row(signal, end))
    time, drawn = signal.grid_s[inside], air[inside]
    before = slice(_row(signal, start - BEFORE_S), max(_row(signal, start - 0.1), 1))
    late = slice(max(_row(signal, end - 0.3), inside.start), inside.stop)
    wanted = drawn / (signal.stoich_afr * signal.commanded[inside])
    departure = np.interp(time - start, clock, off)
    missing = float(np.trapezoid(wanted * departure / (1.0 + np.maximum(departure, -0.6)), time))
    ratio = np.log(np.maximum(fuel, 1e-3) * signal.stoich_afr * signal.commanded / air)
    ends = [float(np.median(ratio[part])) for part in (before, late)]
    span = float(np.log(air[late].mean() / air[before].mean()))
    share = np.clip(np.log(drawn / air[before].mean()) / span, 0.0, 1.0) if abs(span) > 0.1 else 0.0
    surplus = float(np.trapezoid(fuel[inside] - wanted * np.exp(ends[0] + share * (ends[1] - ends[0])), time))
    levels = (float(np.median(air[before])), float(np.median(air[late])))
    return milligrams(missing), milligrams(surplus), levels


def milligrams(kg_h_s: float) -> float:
    """Mass of a flow in kg/h over seconds. [mg]"""
    return float(convert(convert(kg_h_s, "kg/h", "kg/s"), "kg", "mg"))
