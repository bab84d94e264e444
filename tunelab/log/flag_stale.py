"""Checks for readings that stand still although the engine moves, and the bits of all flags of single readings.

A channel that stands still is not suspicious by itself: coolant is constant, a quiet idle repeats readings. So each
channel is compared with its own habit: how often do two readings in a row agree while the *other* channels move as
much as they do now? A run of equal readings is stale when that habit makes it incredible.

A quick look (the lowest and highest reading, the largest step) tells for most channels that a check has nothing to
find; only then is it left out, so what is flagged does not depend on it.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.channels import channel
from tunelab.log.flag_channel import RUNNING_RPM, is_at_rail, may_spike, resolution, spike_rows
from tunelab.workspace.car import Car

# Channels that move whenever the engine does. Others (throttle, commanded lambda, trims, temperatures) may rest.
MOVING = (
    "engine_speed_rpm",
    "meter_v",
    "meter_hz",
    "meter_counts",
    "air_flow_kg_h",
    "air_charge_mg",
    "manifold_kpa",
    "pulse_width_ms",
    "lambda_measured",
    "lambda_measured_2",
)
ACTIVITY_EDGES = (0.1, 0.2, 0.4, 0.8, 1.6)  # movement of the other channels within a second, over their spread
LEAST_HABIT = 0.3  # agreement of neighbours is taken to be at least this frequent: it comes in bunches
MOST_HABIT = 0.98  # and at most this, once the other channels clearly move
CLEARLY_MOVING = 3  # index into the activity classes from which MOST_HABIT holds
FEW_ROWS = 50  # of a class of activity, below which it has no habit of its own
INCREDIBLE = np.log(1e-8)
SHORTEST_FREEZE_S = 0.4
USUAL_REPEAT_SHARE = 0.15  # more repeated rows than this: the logger writes rows faster than the ECU refreshes


class Movement:
    """How far each moving channel goes around each sample; calculated when first asked for, then kept."""

    def __init__(self, log: xr.Dataset):
        self._log = log
        self._moved: dict[str, np.ndarray] | None = None

    def besides(self, channel: str) -> list[np.ndarray]:
        """Movements of all moving channels but one, shape (time,) each."""
        if self._moved is None:
            self._moved = movements(self._log)
        return [moved for name, moved in self._moved.items() if name != channel]


def stale_rows(log: xr.Dataset, channel: str, movement: Movement) -> np.ndarray:
    """Rows of equal readings that the channel's habit makes incredible (chance below 1e-8) while others move.

    Rising, int. Only channels that move whenever the engine does are judged (`MOVING`), only while the engine runs, and
    not at the lowest or highest value of the log (a rail, a cut). A channel held between slower refreshes is judged by
    its own rate, so a hold is never stale by itself.
    """
    values = log.variables[channel].to_numpy()
    others = sum(name in log.variables for name in MOVING if name != channel)
    nothing = np.zeros(0, dtype=int)
    if channel not in MOVING or others < 2 or values.size <= 20:
        return nothing
    rows = _own_rate_rows(log, channel)
    reading = values if rows is None else values[rows]
    if not _may_stand_still(reading):
        return nothing
    rows = np.arange(values.size) if rows is None else rows
    activity = np.digitize(_second_largest([moved[rows] for moved in movement.besides(channel)]), ACTIVITY_EDGES)
    time = log.variables["time"].to_numpy()[rows]
    first, last = _incredible_runs(time, reading, activity, _running(log)[rows])
    ends = np.append(rows, values.size)
    runs = [np.arange(start, end) for start, end in zip(rows[first], ends[last + 1], strict=True)]
    return np.concatenate(runs) if runs else nothing


def _may_stand_still(reading: np.ndarray) -> bool:
    """Whether eight neighbours in a row repeat anywhere: no shorter run is incredible, whatever the habit.

    Each repeat makes a run less credible by LEAST_HABIT at most, so that a run needs 16; 15 hold a whole block of
    eight.
    """
    equal = reading[1:] == reading[:-1]
    blocks = equal[: equal.size // 8 * 8].view(np.uint64)
    return bool((blocks == 0x0101010101010101).any()) or equal.size < 24


def _own_rate_rows(log: xr.Dataset, channel: str) -> np.ndarray | None:
    """Rows at the channel's own refresh rate: all of them (None), or one per usual time between fresh readings."""
    if f"{channel}_fresh" not in log.variables:
        return None
    time = log.variables["time"].to_numpy()
    fresh = np.flatnonzero(log.variables[f"{channel}_fresh"].to_numpy())
    if fresh.size < 20:
        return None
    period = float(np.median(np.diff(time[fresh])))
    slot = np.floor((time - time[0]) / period)
    return np.append(0, np.flatnonzero(np.diff(slot) > 0) + 1)


def _running(log: xr.Dataset) -> np.ndarray:
    if "engine_speed_rpm" not in log.variables:
        return np.ones(log.sizes["time"], dtype=bool)
    return ~(log.variables["engine_speed_rpm"].to_numpy() <= RUNNING_RPM)


def movements(log: xr.Dataset) -> dict[str, np.ndarray]:
    """How far each moving channel goes within a second around each sample, over its spread, shape (time,)."""
    time = log.variables["time"].to_numpy()
    before = np.searchsorted(time, time - 0.5)
    after = np.minimum(np.searchsorted(time, time + 0.5), time.size - 1)
    moved = {}
    for name in MOVING:
        if name in log.variables:
            values = log.variables[name].to_numpy()
            moved[name] = np.nan_to_num(np.abs(values[after] - values[before])) / _spread_of(values)
    return moved


def _spread_of(values: np.ndarray) -> float:
    """Standard deviation of a channel, at least 5 % of its usual reading; infinite without readings."""
    some = values[:: max(1, values.size // 5000)]
    some = some[np.isfinite(some)]
    return max(float(np.std(some)), 0.05 * float(np.median(np.abs(some))), 1e-9) if some.size else float("inf")


def _second_largest(rows: list[np.ndarray]) -> np.ndarray:
    """Second largest of several arrays, element by element: one wild channel is no movement."""
    largest, second = rows[0], np.zeros(rows[0].size)
    for row in rows[1:]:
        second = np.maximum(second, np.minimum(largest, row))
        largest = np.maximum(largest, row)
    return second


def _incredible_runs(
    time: np.ndarray, values: np.ndarray, activity: np.ndarray, running: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """First and last positions of runs of equal readings that are incredible; each array of shape (runs,)."""
    equal = np.append(False, values[1:] == values[:-1])
    with np.errstate(all="ignore"):
        extreme = (
            (values == np.nanmin(values)) | (values == np.nanmax(values)) if np.isfinite(values).any() else running
        )
    constant = bool(np.all(equal[1:]))
    judged = running & (~extreme | constant)
    evidence = np.where(equal & judged, np.log(_habit(equal, judged, activity))[activity], 0.0)
    change = np.flatnonzero(~equal)
    first, last = change, np.append(change[1:], values.size) - 1
    total = np.append(0.0, np.cumsum(evidence))
    incredible = (total[last + 1] - total[first] < INCREDIBLE) & (time[last] - time[first] >= SHORTEST_FREEZE_S)
    incredible[incredible] = ~_quiet_around(values, first[incredible], last[incredible])
    return first[incredible], last[incredible]


def _quiet_around(values: np.ndarray, first: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Whether a channel rests anyway: its 20 readings before or after the run stay within three of its steps.

    A rest far from the run's own value says nothing of it, but for a run from the log's first row: nothing is before.
    """
    step, near = resolution(values), _spread_of(values)
    quiet = np.zeros(first.size, dtype=bool)
    for number, (start, end) in enumerate(zip(first, last, strict=True)):
        sides = values[max(start - 20, 0) : start], values[end + 1 : end + 21]
        beside = [side for side in sides if start == 0 or (side.size and abs(side.mean() - values[start]) <= near)]
        quiet[number] = any(side.size >= 10 and np.ptp(side) <= 3.01 * step for side in beside)
    return quiet


def _habit(equal: np.ndarray, judged: np.ndarray, activity: np.ndarray) -> np.ndarray:
    """Share of readings equal to the one before, for each class of activity, shape (classes,)."""
    classes = len(ACTIVITY_EDGES) + 1
    seen = np.bincount(activity[judged], minlength=classes)
    agreed = np.bincount(activity[judged & equal], minlength=classes)
    # A class with few rows says little, they may all be of one freeze: it goes by the steadier one beside it.
    known = np.maximum.accumulate(np.where(seen >= FEW_ROWS, np.arange(classes), 0))
    habit = np.maximum(((agreed + 1.0) / (seen + 2.0))[known], LEAST_HABIT)
    habit = np.maximum.accumulate(habit[::-1])[::-1]  # the steadier, the more they agree
    return np.where(np.arange(classes) >= CLEARLY_MOVING, np.minimum(habit, MOST_HABIT), habit)


def is_repeated(log: xr.Dataset) -> np.ndarray:
    """Whether every channel of a row repeats the row before while the engine runs: the link sent a frame again.

    Bool, shape (time,). A row is judged by how often the moving channels repeat at all: chance below 1e-5 for the run
    of rows. Where more than 15 % of the rows repeat, the logger writes faster than the ECU refreshes, and a run must be
    four times the usual one.
    """
    repeated = np.zeros(log.sizes["time"], dtype=bool)
    moving = [name for name in MOVING if name in log.variables]
    running = _running(log)
    if len(moving) < 3 or np.count_nonzero(running) <= 20:
        return repeated
    rows = _all_equal(log)
    if not rows.size:
        return repeated
    repeated[rows] = running[rows]
    return repeated & (_run_length(repeated) >= _shortest_repeat(log, moving, repeated, running))


def _all_equal(log: xr.Dataset) -> np.ndarray:
    """Rows in which all channels repeat the row before, int; a reading that stays missing counts as repeated."""
    rows = None
    for name, variable in log.variables.items():
        if variable.dtype.kind == "f" and variable.dims == ("time",) and _is_channel(str(name)):
            value = variable.to_numpy()
            now, before = (value[1:], value[:-1]) if rows is None else (value[rows], value[rows - 1])
            same = np.flatnonzero((now == before) | ((now != now) & (before != before)))  # NaN alone is not itself
            rows = same + 1 if rows is None else rows[same]
            if not rows.size:
                break
    return np.zeros(0, dtype=int) if rows is None else rows


def _is_channel(name: str) -> bool:
    return name != "time" and not name.endswith(("_fresh", "_flag"))


def _shortest_repeat(log: xr.Dataset, moving: list[str], repeated: np.ndarray, running: np.ndarray) -> float:
    """Shortest run of repeated rows that cannot be chance or the logger's usual refresh."""
    chance = 0.0
    for name in moving:
        values = log.variables[name].to_numpy()
        agreed = np.mean((values[1:] == values[:-1])[running[1:]])
        chance += np.log(min(max(agreed, 0.05), 0.999))
    shortest = max(1.0, np.ceil(np.log(1e-5) / chance))
    if np.mean(repeated[running]) <= USUAL_REPEAT_SHARE:
        return shortest
    starts = repeated & ~np.append(False, repeated[:-1])
    return max(shortest, 4.0 * float(np.median(_run_length(repeated)[starts])))


def _run_length(flag: np.ndarray) -> np.ndarray:
    """Length of the run of True that each True belongs to, 0 elsewhere, shape (n,)."""
    edges = np.flatnonzero(np.diff(np.r_[False, flag, False].astype(np.int8)))
    length = np.zeros(flag.size, dtype=int)
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        length[start:end] = end - start
    return length


# The same bit means the same reason in every flag variable.
MASKS: dict[str, int] = {
    "missing": 1,
    "stale": 2,
    "spike": 4,
    "out_of_range": 8,
    "rail": 16,
    "warming_up": 32,
    "excluded": 64,
    "gap": 128,
    "cold": 256,
    "fuel_cut": 512,
    "transient": 1024,
}
LAMBDA_SENSORS = ("lambda_measured", "lambda_measured_2")


def reading_faults(log: xr.Dataset, name: str, car: Car, movement: Movement) -> dict[str, np.ndarray]:
    """Rows of a channel, int, at which each reason holds of its own reading; reasons that hold nowhere are left out.

    The reasons: missing, stale, spike, out of range, rail.
    """
    if not log.sizes["time"]:
        return {}
    values, known, rails = log.variables[name].to_numpy(), channel(name), _own_rails(name, car)
    low, high = values.min(), values.max()
    found = {}
    if np.isnan(low):
        found["missing"] = np.flatnonzero(np.isnan(values))
        low, high = np.fmin.reduce(values), np.fmax.reduce(values)
    if low < known.low or high > known.high:
        found["out_of_range"] = np.flatnonzero((values < known.low) | (values > known.high))
    if may_spike(name, high - low):
        fresh = log.variables[f"{name}_fresh"].to_numpy() != 0 if f"{name}_fresh" in log.variables else None
        found["spike"] = spike_rows(name, log.variables["time"].to_numpy(), values, fresh)
    at_rail = is_at_rail(values, *rails) if rails else None
    if name in MOVING:
        stale = stale_rows(log, name, movement)
        found["stale"] = stale if at_rail is None else stale[~at_rail[stale]]  # at its rail a sensor stands by right
    if at_rail is not None:
        found["rail"] = np.flatnonzero(at_rail)
    return {reason: rows for reason, rows in found.items() if rows.size}


def _own_rails(name: str, car: Car) -> tuple[float, float] | None:
    """Rails of a channel that has any: the meter's reading and lambda."""
    if name == car.meter.channel:
        return car.meter.rail_low, car.meter.rail_high
    if name in LAMBDA_SENSORS:
        return car.lambda_sensor.rail_low, car.lambda_sensor.rail_high
    return None
