"""Lean and rich excursions when the throttle moves: how deep, how long, how much fuel, and which part of it all did it.

Lambda is referred back to the moment of fuelling by delay and lag. What the sensor's lag rounds off stays rounded off:
the true excursion is somewhat deeper and shorter than the one that is shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from tunelab.study.finding import NAN
from tunelab.study.transient.film import cylinder_fuel, drawn_air, injected
from tunelab.study.transient.signal import GRID_S, TransientSignal, at_sensor, fuelled_at
from tunelab.units import convert

BEFORE_S, LONGEST_S, SHORTEST_S = 0.8, 2.5, 0.75
NEXT_S = 0.06  # a movement is noticed up to two samples late: so much sooner ends what belongs to the event before it
END_S = 0.3  # of the readings before it tell the level instead where none come after AFTER_LEVEL_S
AFTER_LEVEL_S = 1.7  # from here on the excursion is over and the new level is read
CAUSES = ("film", "enrichment", "metering")
LEAST_PCT = 2.0  # smaller excursions have no cause that could be distinguished from noise
EXPLAINED = 0.5  # of an excursion must come from the model before a cause is named,
UNSURE = 0.3  # unless the model misses no more than this share of its parts, each taken for itself
ALIKE = 1.25  # parts that differ by less than this factor are named together
NOT_EXPLAINED = "not explained"
COLUMNS = [
    "kind", "at_s", "rate_pct_s", "throttle_from_pct", "throttle_to_pct", "engine_speed_rpm", "air_from_kg_h",
    "air_to_kg_h", "coolant_c", "lean_pct", "lean_se_pct", "lean_at_s", "lean_width_s", "lean_cause", "rich_pct",
    "rich_se_pct", "rich_at_s", "rich_width_s", "rich_cause", "area_pct_s", "missing_mg", "delivered_mg", "added_mg",
    "step_kg_h", "readings",
]  # fmt: skip


@dataclass(frozen=True)
class Parts:
    """What makes lambda depart, in its logarithm and as the lagged sensor shows it at its readings.

    Shapes (readings,). Positive is lean. Their sum is the model's logarithm of lambda over commanded, up to a level.
    """

    film: np.ndarray  # fuel that the wall takes (lean) or gives back (rich)
    enrichment: np.ndarray  # fuel in the pulses beyond (rich) or short of what the ECU's own airflow calls for
    metering: np.ndarray  # air that the cylinders draw beyond (lean) or short of what the meter showed the ECU

    def of(self, own: np.ndarray) -> Parts:
        """The same parts at some of the readings; `own` is bool, shape (readings,)."""
        return Parts(**{name: getattr(self, name)[own] for name in CAUSES})

    def unlevelled(self, clock: np.ndarray, share: np.ndarray) -> Parts:
        """The same parts without their level, as `_level` takes it from lambda; `share` as `_share` gives it."""
        film = self.film - _level(clock, self.film, self.film, share)
        others = {n: getattr(self, n) - _level(clock, getattr(self, n), 0.0, share) for n in CAUSES[1:]}
        return Parts(film, **others)

    def cause(self, inside: slice, size: float) -> str:
        """Part that explains an excursion best, or those that do alike; NOT_EXPLAINED where the model does too little.

        `inside` are the readings beyond half of its depth, `size` its mean over them.
        """
        values = {n: float(np.sign(size) * np.mean(getattr(self, n)[inside])) for n in CAUSES}
        most, total = max(values.values()), sum(values.values())
        named = [n for n in CAUSES if values[n] > 0.0 and values[n] * ALIKE >= most]
        whole = sum(values[n] for n in named)
        # Where parts nearly cancel, what is left of them shows little of a small error of each.
        misses = abs(size) - total > UNSURE * sum(abs(value) for value in values.values())
        if total < EXPLAINED * abs(size) and (misses or whole < EXPLAINED * abs(size)):
            return NOT_EXPLAINED
        return " and ".join(named)


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
        drawn air called for, `added_mg` what of it the ECU added to what its own airflow called for.
    """
    parts = parts_of(signal, parameters)
    delay_s, delay_flow_s_kg_h, lag_s, before = parameters[4:8]
    fuelled = fuelled_at(signal, delay_s, delay_flow_s_kg_h, before, lag_s=lag_s)
    at = events["at_s"].to_numpy(dtype=float)
    rows = []
    for k, event in enumerate(events.itertuples()):
        if event.disturbed_by:
            continue
        start = float(signal.grid_time(at[k]))
        end = min([start + LONGEST_S, *(signal.grid_time(at[k + 1 :][:1]) - parameters[6] - NEXT_S)])
        row = _describe(signal, event, parts, parameters, (fuelled, usable), (start, end))
        rows += [row] if row is not None else []
    return pd.DataFrame(rows, columns=COLUMNS)


def _describe(
    signal: TransientSignal,
    event: Any,
    parts: Parts,
    parameters: np.ndarray,
    seen: tuple[np.ndarray, np.ndarray],
    span: tuple[float, float],
) -> tuple | None:
    fuelled, usable = seen
    start, end = span
    own = usable & (fuelled >= start - BEFORE_S) & (fuelled <= end)
    if end - start < SHORTEST_S or own.sum() < 10:
        return None
    clock, off, parts = fuelled[own] - start, _off(signal, fuelled, own), parts.of(own)
    after = clock >= -0.1
    if after.sum() < 6 or (~after).sum() < 3 or clock[-1] < 2.0 * END_S:
        return None
    share = _share(signal, clock, start)
    off, noise = off - _level(clock, off, parts.film, share), _noise(signal.reading[own])
    parts = parts.unlevelled(clock, share).of(after)
    clock, off = clock[after], off[after]
    sides = [_side(parts, clock, off, noise, sign) for sign in (1.0, -1.0)]
    air = drawn_air(signal, parameters)
    fuel = injected(signal, parameters)
    missing, delivered, added, levels = _masses(signal, (air, fuel), start, min(end, start + 1.5), clock, off)
    grid = _row(signal, start)
    head = (event.kind, event.at_s, event.rate_pct_s, event.throttle_from_pct, event.throttle_to_pct)
    state = (float(signal.speed_rpm[grid]), *levels, float(signal.coolant_c[grid]))
    area = float(100.0 * np.trapezoid(off, clock))
    step = (levels[1] - levels[0]) / signal.stoich_afr
    return (*head, *state, *sides[0], *sides[1], area, missing, delivered, added, step, int(own.sum()))


def _row(signal: TransientSignal, at: float) -> int:
    return int(np.clip(round((at - signal.grid_s[0]) / GRID_S), 0, signal.grid_s.size - 1))


def _off(signal: TransientSignal, fuelled: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Logarithm of lambda over commanded at the moment of fuelling."""
    return np.log(signal.reading[own] / np.interp(fuelled[own], signal.grid_s, signal.commanded))


def _share(signal: TransientSignal, clock: np.ndarray, start: float) -> np.ndarray:
    """How far log airflow has gone from what it was before to what it is at the end, 0 to 1; 0 if it hardly moved."""
    air = np.log(np.interp(start + clock, signal.grid_s, signal.meter_kg_h))
    ends = [float(np.median(air[clock < -0.1])), float(np.median(air[-3:]))]
    if abs(ends[1] - ends[0]) <= 0.1:
        return np.zeros(clock.size)
    return np.clip((air - ends[0]) / (ends[1] - ends[0]), 0.0, 1.0)


def _level(clock: np.ndarray, values: np.ndarray, film: np.ndarray | float, share: np.ndarray) -> np.ndarray:
    """What `values` read without the excursion: from the level before to the level after, as log airflow goes.

    The level after is read when the excursion is over, or where the next event comes sooner, at the end; what the film
    still does there is no level.
    """
    before, late = clock < -0.1, clock > AFTER_LEVEL_S
    if late.sum() < 4:
        late = clock > clock[-1] - END_S
    settled = values - film
    step = float(np.median(settled[late]) - np.median(settled[before]))
    return float(np.median(values[before])) + share * step


def _noise(reading: np.ndarray) -> float:
    """Standard deviation of the noise of lambda from second differences, in its logarithm."""
    if reading.size < 5:
        return 0.01
    return max(1.4826 * float(np.median(np.abs(np.diff(np.log(reading), 2)))) / np.sqrt(6.0), 0.002)


def _side(parts: Parts, clock: np.ndarray, off: np.ndarray, noise: float, sign: float) -> tuple:
    """Depth, its standard error, moment, width and cause of the excursion to one side; sign +1 is lean.

    All after the event and without level; shapes (n,).
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
        inside = slice(first, last + 1)
        cause = parts.cause(inside, float(off[inside].mean()))
    return (size, error, float(clock[peak]), width, cause)


def _masses(
    signal: TransientSignal,
    flows: tuple[np.ndarray, np.ndarray],
    start: float,
    end: float,
    clock: np.ndarray,
    off: np.ndarray,
) -> tuple[float, float, float, tuple[float, float]]:
    """Fuel missing by the sensor, delivered beyond the need, added by the ECU [mg]; the air before and after [kg/h]."""
    air, fuel = flows
    inside = slice(_row(signal, start - 0.05), _row(signal, end))
    time, drawn = signal.grid_s[inside], air[inside]
    before = slice(_row(signal, start - BEFORE_S), max(_row(signal, start - 0.1), 1))
    late = slice(max(_row(signal, end - 0.3), inside.start), inside.stop)
    wanted = drawn / (signal.stoich_afr * signal.commanded[inside])
    departure = np.interp(time - start, clock, off)
    missing = float(np.trapezoid(wanted * departure / (1.0 + np.maximum(departure, -0.6)), time))
    span = float(np.log(air[late].mean() / air[before].mean()))
    share = np.clip(np.log(drawn / air[before].mean()) / span, 0.0, 1.0) if abs(span) > 0.1 else 0.0

    def beyond(called_for: np.ndarray) -> float:
        """Fuel beyond what an airflow calls for, the difference before and after taken for a level."""
        ratio = np.log(np.maximum(fuel, 1e-3) * signal.stoich_afr * signal.commanded / np.maximum(called_for, 1.0))
        ends = [float(np.median(ratio[part])) for part in (before, late)]
        asked = called_for[inside] / (signal.stoich_afr * signal.commanded[inside])
        return float(np.trapezoid(fuel[inside] - asked * np.exp(ends[0] + share * (ends[1] - ends[0])), time))

    surplus, added = beyond(air), beyond(signal.ecu_kg_h)
    levels = (float(np.median(air[before])), float(np.median(air[late])))
    return milligrams(missing), milligrams(surplus), milligrams(added), levels


def milligrams(kg_h_s: float) -> float:
    """Mass of a flow in kg/h over seconds. [mg]"""
    return float(convert(convert(kg_h_s, "kg/h", "kg/s"), "kg", "mg"))
