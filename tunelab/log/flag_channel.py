"""Checks of single readings: missing, out of range, at a rail, a spike, a sensor still warming up.

Every check returns a boolean array on the log's own clock, True = do not trust this sample. None drops, fills or edits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

# An engine that turns slower than this is stopped or cranking; common practice, no source.
RUNNING_RPM = 350.0
SHORTEST_REST_S = 0.5  # a shorter drop of the speed reading is a fault of the reading, not a restart


@dataclass(frozen=True)
class SpikeRule:
    """What a channel cannot do: leave its level and be back again this fast.

    An excursion is judged from `floor` on. It is impossible if it is steeper than `slew` on both sides, or there and
    back within `quick_s`. The figures are common practice, no source; they are set wide enough for a blipped throttle,
    a rev limiter and a gear change.
    """

    floor: float  # smallest excursion, in the channel's unit
    slew: float  # steepest real change, unit per second
    quick_s: float = 0.085  # shortest real excursion, from the last sample before it to the first one after it
    floor_share: float = 0.0  # smallest excursion as a share of the channel's span in this log
    upward_only: bool = False  # a dip may be a real cut or a real loss of pressure, so it is never called a spike


NEVER = float("inf")
_TEMPERATURE = SpikeRule(floor=4.0, slew=10.0)
_LAMBDA = SpikeRule(floor=0.1, slew=30.0)
_TRIM = SpikeRule(floor=12.0, slew=NEVER)
_PEDAL = SpikeRule(floor=8.0, slew=1000.0)
_SPEED = SpikeRule(floor=8.0, slew=150.0)
_PRESSURE = SpikeRule(floor=80.0, slew=NEVER, upward_only=True)
# Knock retard, spark, fuel mode, gear, switches and acceleration have no rule on purpose: their short events are real.
SPIKE_RULES: dict[str, SpikeRule] = {
    "engine_speed_rpm": SpikeRule(floor=250.0, slew=20000.0),
    "meter_v": SpikeRule(floor=0.4, slew=60.0),
    "meter_hz": SpikeRule(floor=0.0, slew=NEVER, floor_share=0.1),
    "meter_counts": SpikeRule(floor=0.0, slew=NEVER, floor_share=0.1),
    "air_flow_kg_h": SpikeRule(floor=20.0, slew=NEVER, floor_share=0.1),
    "air_charge_mg": SpikeRule(floor=100.0, slew=NEVER, floor_share=0.1),
    "throttle_pct": _PEDAL,
    "pedal_pct": _PEDAL,
    "manifold_kpa": SpikeRule(floor=15.0, slew=2000.0),
    "barometer_kpa": SpikeRule(floor=3.0, slew=3.0),
    "pulse_width_ms": SpikeRule(floor=4.0, slew=NEVER, upward_only=True),
    "lambda_measured": _LAMBDA,
    "lambda_measured_2": _LAMBDA,
    "trim_short_pct": _TRIM,
    "trim_long_pct": _TRIM,
    "trim_short_2_pct": _TRIM,
    "trim_long_2_pct": _TRIM,
    "battery_v": SpikeRule(floor=2.5, slew=200.0),
    "coolant_c": _TEMPERATURE,
    "intake_air_c": _TEMPERATURE,
    "ambient_c": _TEMPERATURE,
    "oil_c": _TEMPERATURE,
    "exhaust_c": SpikeRule(floor=60.0, slew=1000.0),
    "road_speed_km_h": _SPEED,
    "gps_speed_km_h": _SPEED,
    "fuel_pressure_kpa": _PRESSURE,
    "oil_pressure_kpa": _PRESSURE,
    "latitude_deg": SpikeRule(floor=0.001, slew=0.002),
    "longitude_deg": SpikeRule(floor=0.001, slew=0.004),
    "altitude_m": SpikeRule(floor=30.0, slew=60.0),
}
LONGEST_SPIKE = 3  # samples; what stays longer is a level, not a spike
_PIECE = 16384  # readings worked on at a time: they stay in the processor's cache
NOISE_MULTIPLE = 10.0  # a spike stands out this many times above the noise around it


def is_at_rail(values: np.ndarray, low: float, high: float) -> np.ndarray:
    """Whether readings are at or beyond a sensor's rails, in the channel's own unit, bool, shape (n,); NaN is not.

    A reading within one step of the logger's resolution of a rail, or within 0.2 % of the range between the rails,
    counts as at the rail: a logger rounds.
    """
    near = max(min(resolution(values), 0.02 * (high - low)), 0.002 * (high - low))
    return (values <= low + near) | (values >= high - near)


def resolution(values: np.ndarray) -> float:
    """Step in which a logger writes a channel, from at most 4000 of its readings, shape (n,); 0 if none shows.

    The smallest differences between distinct readings agree where a channel is written in steps.
    """
    known = np.isfinite(values)
    finite = values if known.all() else values[known]
    if not finite.size:
        return 0.0
    steps = np.diff(np.unique(finite[:: max(1, finite.size // 4000)]))
    steps = steps[steps > 1e-9 * max(1.0, abs(float(finite.min())), abs(float(finite.max())))]
    return float(np.quantile(steps, 0.1)) if steps.size else 0.0


def may_spike(name: str, span: float) -> bool:
    """Whether a channel whose readings lie within `span` of each other can hold a spike at all."""
    rule = SPIKE_RULES.get(name)
    return rule is not None and not span <= rule.floor


def spike_rows(name: str, time_s: np.ndarray, values: np.ndarray, fresh: np.ndarray | None) -> np.ndarray:
    """Rows of a channel that are spikes, rising, int: excursions of one to three samples that it cannot make.

    Parameters
    ----------
    name : str
        The channel, which selects the rule of `SPIKE_RULES`; one without a rule has no spikes.
    time_s, values : array, shape (n,)
        Clock [s] and readings; NaN is skipped.
    fresh : array of bool, shape (n,), optional
        Where the reading is new. Held copies of a spike are flagged with it.

    Notes
    -----
    An excursion counts from the farther of the levels before and after it (medians of three), so a step, a tip-in or a
    cut that stays is never flagged. It must also stand ten times above the noise of the 12 samples on either side.
    """
    rule = SPIKE_RULES.get(name)
    if rule is None or values.size < 8:
        return np.zeros(0, dtype=int)
    use = None if fresh is None and not np.isnan(values.min()) else np.isfinite(values)
    use = use & fresh if fresh is not None else use
    if use is None:
        return _find_spikes(time_s, values, rule)
    rows = np.flatnonzero(use)
    spikes = rows[_find_spikes(time_s[rows], values[rows], rule)]
    return spikes if fresh is None else _with_held(spikes, use)


def _with_held(rows: np.ndarray, fresh: np.ndarray) -> np.ndarray:
    """Add to fresh rows the held ones after each."""
    if not rows.size:
        return rows
    flagged = np.zeros(fresh.size, dtype=bool)
    flagged[rows] = True
    source = np.maximum.accumulate(np.where(fresh, np.arange(fresh.size), -1))
    return np.flatnonzero((source >= 0) & flagged[source])


def _find_spikes(time: np.ndarray, reading: np.ndarray, rule: SpikeRule) -> np.ndarray:
    """Positions at which the rule is broken, rising, int; no reading is NaN."""
    found = [np.zeros(0, dtype=int)]
    floor = rule.floor
    if reading.size < 8:
        return found[0]
    if rule.floor_share:
        some = reading[:: max(1, reading.size // 5000)]
        floor = max(floor, rule.floor_share * float(np.ptp(np.quantile(some, (0.01, 0.99)))))
    starts = _leaps(reading, floor, upward_only=rule.upward_only)
    if not starts.size:
        return starts
    for width in range(1, LONGEST_SPIKE + 1):
        start = starts[(starts >= 3) & (starts + width + 2 < reading.size)]
        # What comes back to within half of its size of where it began leaves by at least half of its size.
        into, out = reading[start] - reading[start - 1], reading[start + width] - reading[start + width - 1]
        start = start[np.where(into > 0, -out, out) > 0.5 * floor]
        hits = _excursions(time, reading, start, width, rule, floor)
        found += [hits + offset for offset in range(width)]
    return np.unique(np.concatenate(found))


def _leaps(reading: np.ndarray, floor: float, *, upward_only: bool) -> np.ndarray:
    """Positions that lie farther than `floor` from the one before, rising, int."""
    found = [np.zeros(0, dtype=int)]
    for first in range(0, reading.size - 1, _PIECE):
        piece = reading[first : first + _PIECE + 1]
        step = piece[1:] - piece[:-1]
        found.append(np.flatnonzero((step if upward_only else np.abs(step, out=step)) > floor) + (first + 1))
    return np.concatenate(found)


def _excursions(
    time: np.ndarray, reading: np.ndarray, start: np.ndarray, width: int, rule: SpikeRule, floor: float
) -> np.ndarray:
    """Those of `start` at which an impossible excursion of `width` samples begins, int."""
    before = _median_of_three(reading[start - 3], reading[start - 2], reading[start - 1])
    after = _median_of_three(reading[start + width], reading[start + width + 1], reading[start + width + 2])
    inside = [reading[start + offset] for offset in range(width)]
    up = np.minimum.reduce(inside) - np.maximum(before, after)
    down = np.minimum(before, after) - np.maximum.reduce(inside)
    size = up if rule.upward_only else np.maximum(up, down)
    likely = np.flatnonzero((size > floor) & (np.abs(after - before) < 0.3 * size))
    start, size, before, after = start[likely], size[likely], before[likely], after[likely]
    returned = np.maximum(np.abs(reading[start - 1] - before), np.abs(reading[start + width] - after)) < 0.5 * size
    steepest = size / np.maximum(time[start] - time[start - 1], time[start + width] - time[start + width - 1])
    quick = time[start + width] - time[start - 1] <= rule.quick_s
    candidate = np.flatnonzero(returned & (quick | (steepest > rule.slew)))
    stands_out = size[candidate] > NOISE_MULTIPLE * _noise_around(reading, start[candidate], width)
    return start[candidate[stands_out]]


def _median_of_three(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))


def _noise_around(reading: np.ndarray, start: np.ndarray, width: int) -> np.ndarray:
    """Robust standard deviation of one reading, from the differences of 12 samples on either side, shape (starts,)."""
    offsets = np.r_[np.arange(-12, -1), np.arange(width, width + 11)]
    left = np.clip(start[:, None] + offsets, 0, reading.size - 2)
    return 1.4826 * np.median(np.abs(reading[left + 1] - reading[left]), axis=1) / np.sqrt(2.0)


def flag_warming_up(log: xr.Dataset, *, warm_up_s: float) -> xr.DataArray:
    """Flag everything until `warm_up_s` after each start of the engine that the log shows.

    A start is engine speed rising from rest; where a log begins with the engine running, when it was started is not
    known and nothing is flagged. A log without engine speed flags nothing.
    """
    flagged = np.zeros(log.sizes["time"], dtype=bool)
    if "engine_speed_rpm" in log and log.sizes["time"]:
        time = log["time"].to_numpy()
        speed = log["engine_speed_rpm"].to_numpy()
        starts = _engine_starts(time, speed)
        if not starts.size:
            return xr.DataArray(flagged, coords={"time": log["time"]}, dims="time")
        last_start = np.searchsorted(starts, time, side="right") - 1
        flagged = (last_start >= 0) & (time - np.append(starts, 0.0)[last_start] < warm_up_s)
    return xr.DataArray(flagged, coords={"time": log["time"]}, dims="time")


def _engine_starts(time: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """Times at which the engine starts to run after half a second or more at rest, shape (starts,)."""
    known = np.isfinite(speed)
    time, running = time[known], speed[known] > RUNNING_RPM
    change = np.flatnonzero(np.diff(running.astype(np.int8))) + 1
    begins = change[running[change]]
    rest_since = np.append(0, change)[np.searchsorted(change, begins)]
    return time[begins[time[begins] - time[rest_since] >= SHORTEST_REST_S]]
