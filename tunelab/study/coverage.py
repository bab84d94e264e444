"""Coverage: which cells of engine speed and airflow have how many good seconds, and which are still missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag import sample_seconds, trusted
from tunelab.study.cells import (
    FULL_LOAD_PCT,
    HIGH_LOAD_SHARE,
    HIGHEST_SPEED_SHARE,
    flow_at_load,
    flow_edges,
    highest_load,
    no_load,
    speed_aims,
    speed_edges,
)
from tunelab.study.throttle import ThrottleLine, learn_throttle
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

WANTED_S = 6.0  # good seconds that a cell should have; common practice, no source
WANTED_HIGH_LOAD_S = 2.0
HELD_S = 1.0  # how long the last reading of a channel slower than the rows stands for it
WIDE_OPEN_PCT = 92.0
FEWEST_WIDE_OPEN_S = 0.3
APART = 1.6  # ratio of two engine speeds at one airflow that tells dead time from meter; common practice, no source


@dataclass(frozen=True)
class Coverage:
    """Good seconds over engine speed and airflow. 2-D arrays have shape (flows, speeds)."""

    speed_edges_rpm: np.ndarray  # shape (speeds + 1,)
    speeds_rpm: np.ndarray  # what to hold in each: its middle, but idle speed where that is inside, shape (speeds,)
    flow_edges_kg_h: np.ndarray  # shape (flows + 1,); by the revision's curve
    seconds: np.ndarray  # good: every channel that the steady study needs is trusted, and all is calm
    seconds_visited: np.ndarray  # good or not
    seconds_outside: float  # good, but in no cell: below the lightest or above the fullest load expected
    reachable: np.ndarray  # bool: the engine can be held there, between idle and rev limit, light and full load
    high_load: np.ndarray  # bool: of the reachable ones, near full load
    wanted_s: np.ndarray  # 0 where not reachable
    full_load_pct: np.ndarray  # absolute load at wide-open throttle, shape (speeds,)
    full_load_basis: str  # "log", "car" or "assumed"
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

    @property
    def separates(self) -> np.ndarray:
        """Whether each airflow was driven at speeds far enough apart to tell dead time from meter, shape (flows,)."""
        done = (self.seconds >= np.maximum(self.wanted_s, WANTED_HIGH_LOAD_S)) & (self.seconds > 0)
        return np.array([_spread(self.speeds_rpm[row]) >= APART for row in done])

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
class _Samples:
    """One log's samples, shape (n,) each."""

    speed_rpm: np.ndarray
    flow_kg_h: np.ndarray
    throttle_pct: np.ndarray
    battery_v: np.ndarray
    seconds: np.ndarray
    good: np.ndarray
    believed: np.ndarray  # speed and airflow are, calm or not


def cover(logs: Sequence[xr.Dataset] | xr.Dataset, car: Car, revision: Revision) -> Coverage:
    """Count the good seconds of one or more logs in cells of engine speed and airflow.

    Parameters
    ----------
    logs : Dataset or sequence of them
        Flagged logs. None at all is allowed: everything is then missing, and the engine's range is assumed.
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
        A log was not flagged, or has neither engine speed nor any airflow.
    """
    logs = [logs] if isinstance(logs, xr.Dataset) else list(logs)
    notes: list[str] = []
    samples = _joined([_samples(log, car, revision, notes) for log in logs])
    limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    idle, displacement = car.engine.idle_target_rpm, car.engine.displacement_l
    speeds = speed_edges(idle, limit)
    middle = speed_aims(speeds, idle)
    unit = flow_at_load(1.0, middle, displacement_l=displacement)
    full, basis = _full_load(samples, speeds, car)
    least = _lightest(samples, displacement)
    lowest = 0.75 * float(flow_at_load(least * no_load(idle), idle, displacement_l=displacement))
    flows = flow_edges(lowest, float(np.max(full * unit)) * 1.05, revision.meter_curve.flow_kg_h)
    load = np.sqrt(flows[1:] * flows[:-1])[:, None] / unit
    seconds = _count(samples, samples.good, flows, speeds)
    top = highest_load(middle, full, idle_rpm=idle)
    holdable = (load >= least * no_load(middle)) & (load <= top) & (middle <= HIGHEST_SPEED_SHARE * limit)
    reachable = (holdable & (speeds[1:] > 0.9 * idle) & _idle_is_open(middle, idle, seconds)) | (seconds >= WANTED_S)
    high = reachable & (load > HIGH_LOAD_SHARE * full)
    good = samples.good
    flow_full = np.interp(samples.speed_rpm, middle, full * unit)
    return Coverage(
        speed_edges_rpm=speeds,
        speeds_rpm=middle,
        flow_edges_kg_h=flows,
        seconds=seconds,
        seconds_outside=float(samples.seconds[samples.good].sum() - seconds.sum()),
        seconds_visited=_count(samples, samples.believed, flows, speeds),
        reachable=reachable,
        high_load=high,
        wanted_s=np.where(reachable, np.where(high, WANTED_HIGH_LOAD_S, WANTED_S), 0.0),
        full_load_pct=full,
        full_load_basis=basis,
        throttle=learn_throttle(samples.throttle_pct[good], samples.flow_kg_h[good], flow_full[good]),
        battery_v=_range(samples.battery_v[good]),
        samples_used=int(good.sum()),
        samples_flagged=int(good.size - good.sum()),
        notes=tuple(dict.fromkeys(notes)),
    )


def _samples(log: xr.Dataset, car: Car, revision: Revision, notes: list[str]) -> _Samples:
    speed, speed_ok = _channel(log, "engine_speed_rpm")
    flow, flow_ok = _flow(log, car, revision, notes)
    if not np.isfinite(speed).any() or not np.isfinite(flow).any():
        session = log.attrs.get("session", "a session")
        raise ValueError(f"the log of {session} has no engine speed or no airflow; coverage needs both of them.")
    believed = speed_ok & flow_ok & np.isfinite(speed) & np.isfinite(flow)
    _, lambda_ok = _channel(log, "lambda_measured")
    if "lambda_measured" not in log:
        notes.append("A log without lambda_measured has no good seconds.")
    good = believed & lambda_ok & trusted(log).to_numpy()
    throttle, throttle_ok = _channel(log, "throttle_pct")
    battery, battery_ok = _channel(log, "battery_v")
    return _Samples(
        speed_rpm=speed,
        flow_kg_h=flow,
        throttle_pct=np.where(throttle_ok, throttle, np.nan),
        battery_v=np.where(battery_ok, battery, np.nan),
        seconds=sample_seconds(log),
        good=good,
        believed=believed,
    )


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


def _flow(log: xr.Dataset, car: Car, revision: Revision, notes: list[str]) -> tuple[np.ndarray, np.ndarray]:
    reading, is_sure = _channel(log, car.meter.channel)
    if np.isfinite(reading).any():
        curve = revision.meter_curve
        return np.interp(reading, curve.reading, curve.flow_kg_h), is_sure & np.isfinite(reading)
    notes.append(f"A log without {car.meter.channel} counts by the airflow that the engine computer gave.")
    return _channel(log, "air_flow_kg_h")


def _joined(parts: list[_Samples]) -> _Samples:
    names = [field for field in _Samples.__dataclass_fields__ if field not in ("good", "believed")]
    joined = {name: np.concatenate([getattr(part, name) for part in parts] or [np.empty(0)]) for name in names}
    masks = {
        name: np.concatenate([getattr(part, name) for part in parts] or [np.empty(0, dtype=bool)])
        for name in ("good", "believed")
    }
    return _Samples(**joined, **masks)


def _count(samples: _Samples, which: np.ndarray, flows: np.ndarray, speeds: np.ndarray) -> np.ndarray:
    at = (samples.flow_kg_h[which], samples.speed_rpm[which])
    return np.histogram2d(*at, bins=(flows, speeds), weights=samples.seconds[which])[0]


def _idle_is_open(speeds_rpm: np.ndarray, idle_rpm: float, seconds: np.ndarray) -> np.ndarray:
    """False at idle speed once it was driven: an engine idles at the airflow that it needs, not at a chosen one."""
    return ~((speeds_rpm == idle_rpm) & (seconds.max(axis=0) >= WANTED_S))


def _full_load(samples: _Samples, speeds: np.ndarray, car: Car) -> tuple[np.ndarray, str]:
    """Absolute load at wide-open throttle at each speed [%]: as driven, else from neighbouring speeds, car or habit."""
    middle = (speeds[1:] + speeds[:-1]) / 2
    said = car.engine.volumetric_efficiency_expected_pct
    seen = _loads(samples, car.engine.displacement_l)
    wide = samples.believed & (samples.throttle_pct >= WIDE_OPEN_PCT) & np.isfinite(seen)
    column = np.searchsorted(speeds, samples.speed_rpm, side="right") - 1
    inside = [wide & (column == k) for k in range(middle.size)]
    known = [k for k, mask in enumerate(inside) if samples.seconds[mask].sum() >= FEWEST_WIDE_OPEN_S]
    if known:
        return np.interp(middle, middle[known], [np.median(seen[inside[k]]) for k in known]), "log"
    calm = seen[samples.good & np.isfinite(seen)]
    least = float(np.quantile(calm, 0.99)) if calm.size else 0.0
    return np.full(middle.size, max(said or FULL_LOAD_PCT, least)), "car" if said else "assumed"


def _lightest(samples: _Samples, displacement_l: float) -> float:
    """Lightest load of a hold over the usual one without load: lower than 1 where the log went lower."""
    share = (_loads(samples, displacement_l) / no_load(samples.speed_rpm))[samples.good]
    share = share[np.isfinite(share)]
    return float(np.clip(np.quantile(share, 0.02), 0.5, 1.0)) if share.size else 1.0


def _loads(samples: _Samples, displacement_l: float) -> np.ndarray:
    turning = np.where(samples.speed_rpm > 0, samples.speed_rpm, np.nan)
    return samples.flow_kg_h / flow_at_load(1.0, turning, displacement_l=displacement_l)


def _spread(speeds: np.ndarray) -> float:
    return float(speeds.max() / speeds.min()) if speeds.size else 0.0


def _range(values: np.ndarray) -> tuple[float, float]:
    known = values[np.isfinite(values)]
    return (float(np.quantile(known, 0.01)), float(np.quantile(known, 0.99))) if known.size else (np.nan, np.nan)
