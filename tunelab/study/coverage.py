"""Coverage: which cells of engine speed and airflow have how many usable seconds, and which are still missing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag import sample_seconds, trusted, was_logged
from tunelab.study.finding import shows_its_table
from tunelab.study.hold import (
    FULL_LOAD_PCT,
    HIGH_LOAD_SHARE,
    HIGHEST_SPEED_SHARE,
    ThrottleLine,
    counted_quantile,
    flow_at_load,
    flow_edges,
    highest_load,
    learn_throttle,
    no_load,
    speed_aims,
    speed_edges,
)
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

WANTED_S = 6.0  # usable seconds that a cell should have; common practice, no source
WANTED_HIGH_LOAD_S = 2.0
HELD_S = 1.0  # how long the last reading of a channel slower than the rows stands for it
IDLE_WITHIN = 0.12  # share of the idle speed by which an engine that idles strays
FEWEST_IDLE_S = 2.0  # of idle, to tell what air an engine takes that turns only itself
STANDING_BETWEEN = (0.5, 2.5)  # times the usual load without load: an engine, or a curve, further off is not believed
WIDE_OPEN_PCT = 92.0
FEWEST_WIDE_OPEN_S = 0.3
POOL_RPM, POOL_THROTTLE_PCT, POOL_BATTERY_V, POOL_SHARE = 20.0, 1.0, 0.1, 0.002  # how close pooled samples lie
POOLED_BY = ("speed_rpm", "reading", "flow_kg_h")  # what says in which cell a pooled row lies
POOL_AT = 12  # drives
APART = 1.6  # ratio of two engine speeds at one airflow that tells dead time from meter; common practice, no source


@shows_its_table
@dataclass(frozen=True)
class Coverage:
    """Usable seconds over engine speed and airflow. 2-D arrays have shape (flows, speeds)."""

    speed_edges_rpm: np.ndarray  # shape (speeds + 1,)
    speeds_rpm: np.ndarray  # what to hold in each: its middle, but idle speed where that is inside, shape (speeds,)
    flow_edges_kg_h: np.ndarray  # shape (flows + 1,); by the revision's curve
    seconds: np.ndarray  # good: every channel that the steady study needs is trusted, and all is steady
    seconds_visited: np.ndarray  # good or not
    reachable: np.ndarray  # bool: the engine can be held there, between idle and rev limit, light and full load
    high_load: np.ndarray  # bool: of the reachable ones, near full load
    wanted_s: np.ndarray  # 0 where not reachable
    full_load_pct: np.ndarray  # absolute load at wide-open throttle, shape (speeds,)
    full_load_basis: str  # "log", "car" or "assumed"
    standing_share: float  # load of the engine that turns only itself over the usual one, as it idled; 1 until it did
    throttle: ThrottleLine | None
    battery_v: tuple[float, float]  # 1st and 99th percentile over the good samples; NaN where there are none
    samples_used: int
    samples_flagged: int
    notes: tuple[str, ...]

    @property
    def missing(self) -> np.ndarray:
        """Reachable cells that have less than the wanted seconds, shape (flows, speeds)."""
        return self.reachable & (self.seconds < self.wanted_s)

    @property
    def flows_kg_h(self) -> np.ndarray:
        """Middle of each airflow cell [kg/h], geometric, shape (flows,)."""
        return np.sqrt(self.flow_edges_kg_h[1:] * self.flow_edges_kg_h[:-1])

    @property
    def share_covered(self) -> float:
        """Share of the reachable cells that have their seconds; NaN where none is reachable."""
        reachable = int(self.reachable.sum())
        return 1.0 - int(self.missing.sum()) / reachable if reachable else float("nan")

    def table(self) -> pd.DataFrame:
        """One row per reachable or visited cell: its edges, good and visited seconds, wanted seconds, missing."""
        rows, columns = np.nonzero(self.reachable | (self.seconds_visited > 0))
        at = (rows, columns)
        return pd.DataFrame(
            {
                "speed_from_rpm": self.speed_edges_rpm[columns],
                "speed_to_rpm": self.speed_edges_rpm[columns + 1],
                "flow_from_kg_h": self.flow_edges_kg_h[rows],
                "flow_to_kg_h": self.flow_edges_kg_h[rows + 1],
                "seconds": self.seconds[at],
                "seconds_visited": self.seconds_visited[at],
                "wanted_s": self.wanted_s[at],
                "reachable": self.reachable[at],
                "high_load": self.high_load[at],
                "missing": self.missing[at],
            }
        )


@dataclass(frozen=True)
class Samples:
    """What coverage takes from one log, whatever revision it is compared with; arrays have shape (n,).

    One row stands for one sample, or for `count` of them that lie close together.
    """

    speed_rpm: np.ndarray
    reading: np.ndarray  # of the meter, in its own unit; NaN where the log has none
    flow_kg_h: np.ndarray  # the ECU's own, NaN where the reading tells
    throttle_pct: np.ndarray
    battery_v: np.ndarray
    seconds: np.ndarray  # of all its samples together
    count: np.ndarray
    good: np.ndarray
    believed: np.ndarray  # speed and airflow are, steady or not
    flagged: int = 0  # samples that are not good and were left out of the rows
    notes: tuple[str, ...] = field(default=())


def cover(logs: Sequence[xr.Dataset | Samples] | xr.Dataset, car: Car, revision: Revision) -> Coverage:
    """Count the usable seconds of one or more logs in cells of engine speed and airflow.

    Parameters
    ----------
    logs : Dataset or sequence of them, or of Samples
        Flagged logs, or what `samples_of` or `pooled` took from them. None at all is allowed: everything is then
        missing, and the engine's range is assumed.
    car : Car
        Displacement, idle speed, limits, meter.
    revision : Revision
        Its curve turns meter readings into airflow, for all logs alike, so that sessions driven with different
        revisions meet in the same cells. A log without the meter's reading counts by `air_flow_kg_h`.

    Returns
    -------
    Coverage

    Raises
    ------
    ValueError
        A log was not flagged.
    """
    logs = [logs] if isinstance(logs, xr.Dataset) else list(logs)
    parts = [log if isinstance(log, Samples) else samples_of(log, car) for log in logs]
    samples = _with_flow(_joined(parts), revision)
    limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    idle, displacement = car.engine.idle_target_rpm, car.engine.displacement_l
    speeds = speed_edges(idle, limit)
    middle = speed_aims(speeds, idle)
    unit = flow_at_load(1.0, middle, displacement_l=displacement)
    full, basis = _full_load(samples, speeds, car)
    standing = _standing_share(samples, idle, displacement)
    least = _lightest(samples, displacement, most=max(standing, 1.0))
    lowest = 0.75 * float(flow_at_load(least * no_load(idle), idle, displacement_l=displacement))
    flows = flow_edges(lowest, float(np.max(full * unit)) * 1.05, revision.meter_curve.flow_kg_h)
    load = np.sqrt(flows[1:] * flows[:-1])[:, None] / unit
    seconds = _count(samples, samples.good, flows, speeds)
    holdable = (load >= least * no_load(middle)) & (load <= highest_load(middle, full, idle_rpm=idle))
    holdable &= (speeds[1:] > 0.9 * idle) & _idle_is_open(middle, idle, seconds)
    reachable = (holdable | (seconds >= WANTED_S)) & (middle <= HIGHEST_SPEED_SHARE * limit)
    high = reachable & (load > HIGH_LOAD_SHARE * full)
    throttle = _throttle(samples, np.interp(samples.speed_rpm, middle, full * unit))
    return Coverage(
        speed_edges_rpm=speeds,
        speeds_rpm=middle,
        flow_edges_kg_h=flows,
        seconds=seconds,
        seconds_visited=_count(samples, samples.believed, flows, speeds),
        reachable=reachable,
        high_load=high,
        wanted_s=np.where(reachable, np.where(high, WANTED_HIGH_LOAD_S, WANTED_S), 0.0),
        full_load_pct=full,
        full_load_basis=basis,
        standing_share=standing,
        throttle=throttle,
        battery_v=_range(samples.battery_v[samples.good], samples.count[samples.good]),
        samples_used=int(samples.count[samples.good].sum()),
        samples_flagged=int(samples.count[~samples.good].sum()) + samples.flagged,
        notes=samples.notes,
    )


def _throttle(samples: Samples, flow_full: np.ndarray) -> ThrottleLine | None:
    good = samples.good
    return learn_throttle(samples.throttle_pct[good], samples.flow_kg_h[good], flow_full[good], samples.count[good])


def samples_of(log: xr.Dataset, car: Car) -> Samples:
    """Take from a flagged log what coverage needs.

    Raises
    ------
    ValueError
        The log was not flagged.

    Notes
    -----
    A log without engine speed or without any airflow counts for nothing, and a note says so.
    """
    notes: list[str] = []
    speed, speed_ok = _channel(log, "engine_speed_rpm")
    reading, flow, flow_ok = _flow(log, car, notes)
    if not np.isfinite(speed).any() or not (np.isfinite(flow) | np.isfinite(reading)).any():
        session = log.attrs.get("session", "a session")
        notes.append(f"The log of {session} has no engine speed or no airflow: where it was driven is not known.")
    believed = speed_ok & flow_ok & np.isfinite(speed) & (np.isfinite(flow) | np.isfinite(reading))
    _, lambda_ok = _channel(log, "lambda_measured")
    if "lambda_measured" not in log:
        notes.append("A log without lambda_measured has no usable seconds.")
    good = believed & lambda_ok & trusted(log).to_numpy()
    throttle, throttle_ok = _channel(log, "throttle_pct")
    battery, battery_ok = _channel(log, "battery_v")
    return Samples(
        speed_rpm=speed,
        reading=reading,
        flow_kg_h=flow,
        throttle_pct=np.where(throttle_ok, throttle, np.nan),
        battery_v=np.where(battery_ok, battery, np.nan),
        seconds=sample_seconds(log),
        count=np.ones(speed.size),
        good=good,
        believed=believed,
        notes=tuple(notes),
    )


def pooled(samples: Samples, car: Car) -> Samples:
    """Put samples that lie close together into one row each, so that many drives fit into memory and a small file.

    What is not believed is only counted. Close: finer than any cell of the coverage by a factor of ten. Where a row
    lies in engine speed and airflow does not depend on throttle and battery, nor on whether all was pooled at once.
    """
    kept = samples.believed
    steps = {
        "speed_rpm": POOL_RPM,
        "reading": (car.meter.rail_high - car.meter.rail_low) * POOL_SHARE,
        "flow_kg_h": None,
        "throttle_pct": POOL_THROTTLE_PCT,
        "battery_v": POOL_BATTERY_V,
    }
    values = {name: getattr(samples, name)[kept] for name in steps}
    keys = [samples.good[kept], *(_pool_key(values[name], step) for name, step in steps.items())]
    (first, place), (_, spot) = (_groups(own) for own in (keys, keys[: 1 + len(POOLED_BY)]))
    count, weight = samples.count[kept], np.bincount(place, samples.count[kept])
    means = {name: _group_means(value, count, spot if name in POOLED_BY else place) for name, value in values.items()}
    return Samples(
        **{name: mean[first] for name, mean in means.items()},
        seconds=np.bincount(place, samples.seconds[kept]),
        count=weight,
        good=samples.good[kept][first],
        believed=np.ones(weight.size, dtype=bool),
        flagged=samples.flagged + int(samples.count[~kept].sum()),
        notes=samples.notes,
    )


def _groups(keys: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """First sample of each group of equal keys, and the group of each sample."""
    _, first, place = np.unique(np.column_stack(keys), axis=0, return_index=True, return_inverse=True)
    return first, place.reshape(-1)


def _group_means(values: np.ndarray, count: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Mean of its group at each sample, as exact as the values where all of a group are alike."""
    base = np.zeros(int(group.max(initial=-1)) + 1)
    base[group] = values
    return (base + np.bincount(group, count * (values - base[group])) / np.bincount(group, count))[group]


def pooled_together(drives: Iterable[Samples], car: Car) -> list[Samples]:
    """Put many drives into one as they come, so that hundreds take no more memory than a few; a few stay apart."""
    kept: list[Samples] = []
    for drive in drives:
        kept.append(drive)
        if len(kept) == POOL_AT:
            kept = [pooled(_joined(kept), car)]
    return kept


def _pool_key(values: np.ndarray, step: float | None) -> np.ndarray:
    """Number the place of each value; what is not known has a place of its own. Without a step, by its share."""
    scaled = np.log(np.maximum(values, 0.1)) / POOL_SHARE if step is None else values / step
    return np.nan_to_num(np.floor(scaled), nan=-1e9)


def _channel(log: xr.Dataset, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Values and whether they are trusted; a channel slower than the rows is held between its readings."""
    if name not in log:
        return np.full(log.sizes["time"], np.nan), np.zeros(log.sizes["time"], dtype=bool)
    whole = ("gap", "cold", "fuel_cut", "transient")
    sure = trusted(log, name, allow=whole).to_numpy()
    waits = trusted(log, name, allow=(*whole, "missing")).to_numpy() & ~sure
    time, values = log["time"].to_numpy(), log[name].to_numpy()
    last = np.maximum.accumulate(np.where(waits, 0, np.arange(time.size)))
    held = np.where(time - time[last] <= HELD_S, last, np.arange(time.size))
    return values[held], sure[held]


def _flow(log: xr.Dataset, car: Car, notes: list[str]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the meter's reading or, in episodes whose logger has none, the ECU's airflow, and what is sure of it."""
    channel = car.meter.channel
    reading, is_sure = _channel(log, channel)
    has_reading = was_logged(log, channel) if channel in log else np.zeros(reading.size, dtype=bool)
    if has_reading.all():
        return reading, np.full(reading.size, np.nan), is_sure & np.isfinite(reading)
    whose = "The part of a log" if has_reading.any() else "A log"
    notes.append(f"{whose} without {channel} counts by the airflow that the ECU logged.")
    flow, flow_is_sure = _channel(log, "air_flow_kg_h")
    sure = np.where(has_reading, is_sure & np.isfinite(reading), flow_is_sure)
    return reading, np.where(has_reading, np.nan, flow), sure


def _with_flow(samples: Samples, revision: Revision) -> Samples:
    """Turn readings into airflow by a revision's curve."""
    curve = revision.meter_curve
    by_curve = np.interp(samples.reading, curve.reading, curve.flow_kg_h)
    return replace(samples, flow_kg_h=np.where(np.isfinite(samples.reading), by_curve, samples.flow_kg_h))


def _joined(parts: list[Samples]) -> Samples:
    masks, plain = ("good", "believed"), ("flagged", "notes")
    names = [name for name in Samples.__dataclass_fields__ if name not in (*masks, *plain)]
    joined = {name: np.concatenate([getattr(part, name) for part in parts] or [np.empty(0)]) for name in names}
    joined |= {
        name: np.concatenate([getattr(part, name) for part in parts] or [np.empty(0, dtype=bool)]) for name in masks
    }
    notes = tuple(dict.fromkeys(note for part in parts for note in part.notes))
    return Samples(**joined, flagged=sum(part.flagged for part in parts), notes=notes)


def _count(samples: Samples, which: np.ndarray, flows: np.ndarray, speeds: np.ndarray) -> np.ndarray:
    at = (samples.flow_kg_h[which], samples.speed_rpm[which])
    return np.histogram2d(*at, bins=(flows, speeds), weights=samples.seconds[which])[0]


def _idle_is_open(speeds_rpm: np.ndarray, idle_rpm: float, seconds: np.ndarray) -> np.ndarray:
    """False at idle speed once it was driven: an engine idles at the airflow that it needs, not at a chosen one."""
    return ~((speeds_rpm == idle_rpm) & (seconds.max(axis=0) >= WANTED_S))


def _full_load(samples: Samples, speeds: np.ndarray, car: Car) -> tuple[np.ndarray, str]:
    """Absolute load at wide-open throttle at each speed [%]: as driven, else from neighbouring speeds, car or habit."""
    middle = (speeds[1:] + speeds[:-1]) / 2
    said = car.engine.volumetric_efficiency_expected_pct
    seen = _loads(samples, car.engine.displacement_l)
    wide = samples.believed & (samples.throttle_pct >= WIDE_OPEN_PCT) & np.isfinite(seen)
    column = np.searchsorted(speeds, samples.speed_rpm, side="right") - 1
    inside = [wide & (column == k) for k in range(middle.size)]
    known = [k for k, mask in enumerate(inside) if samples.seconds[mask].sum() >= FEWEST_WIDE_OPEN_S]
    if known:
        median = [counted_quantile(seen[inside[k]], samples.count[inside[k]], 0.5) for k in known]
        return np.interp(middle, middle[known], median), "log"
    calm = samples.good & np.isfinite(seen)
    least = float(counted_quantile(seen[calm], samples.count[calm], 0.99)) if calm.any() else 0.0
    return np.full(middle.size, max(said or FULL_LOAD_PCT, least)), "car" if said else "assumed"


def _standing_share(samples: Samples, idle_rpm: float, displacement_l: float) -> float:
    """Load of an engine that turns only itself over the usual one, as it idled, by the curve in force; 1 until then."""
    share = _loads(samples, displacement_l) / no_load(samples.speed_rpm)
    known = samples.good & np.isfinite(share) & (np.abs(samples.speed_rpm / idle_rpm - 1) <= IDLE_WITHIN)
    if samples.seconds[known].sum() < FEWEST_IDLE_S:
        return 1.0
    return float(np.clip(counted_quantile(share[known], samples.count[known], 0.5), *STANDING_BETWEEN))


def _lightest(samples: Samples, displacement_l: float, *, most: float) -> float:
    """Lightest load of a hold over the usual one without load: where the log went, but not above `most`."""
    share = _loads(samples, displacement_l) / no_load(samples.speed_rpm)
    known = samples.good & np.isfinite(share)
    lightest = counted_quantile(share[known], samples.count[known], 0.02) if known.any() else 1.0
    return float(np.clip(lightest, STANDING_BETWEEN[0], most))


def _loads(samples: Samples, displacement_l: float) -> np.ndarray:
    turning = np.where(samples.speed_rpm > 0, samples.speed_rpm, np.nan)
    return samples.flow_kg_h / flow_at_load(1.0, turning, displacement_l=displacement_l)


def _range(values: np.ndarray, count: np.ndarray) -> tuple[float, float]:
    known = np.isfinite(values)
    if not known.any():
        return np.nan, np.nan
    low, high = counted_quantile(values[known], count[known], np.array([0.01, 0.99]))
    return float(low), float(high)


# For a log that is still being written (`study/following.py`).
join_samples, with_flow = _joined, _with_flow
