"""Drives of the plain engine as dirty as a logger makes them, flagged by the kit itself, with the places they visit.

What `plain_engine.drive` leaves out: a manifold that fills, holds that wander and ramps between them, lambda later
than the car's file says, values in the logger's steps, columns that refresh slowly or freeze, spikes, lost rows and
breaks of the link. All numbers are invented.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr
from plain_engine import LITRE_DENSITY, PlainEngine, error_at, fuelling, invent, smoothed, wander

from tunelab.log.flag import flag_log
from tunelab.study.delay import estimate_delay
from tunelab.study.steady import Delay
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

DAY = datetime.date(2026, 5, 3)
RATE_HZ = 25.0
STEP = {"engine_speed_rpm": 4.0, "meter_v": 0.005, "pulse_width_ms": 0.008, "lambda_measured": 0.002}
STEP |= {"battery_v": 0.05, "trim_short_pct": 0.4, "throttle_pct": 0.4}
REFRESH_HZ = {"battery_v": 5.0, "trim_short_pct": 5.0, "throttle_pct": 12.5}
STUCK = ("meter_v", "lambda_measured", "pulse_width_ms", "engine_speed_rpm")
SPIKED = {"meter_v": 5.0, "engine_speed_rpm": 12000.0, "pulse_width_ms": 10.4, "lambda_measured": 0.68}
UNDISTURBED = 0.004  # log units of over-reading up to which a place counts as undisturbed
WORSE = 0.3  # points of lambda error by which a cell counts as further off
STILL = 0.02  # log units of speed and load over a second up to which a place counts as visited steadily


@dataclass(frozen=True)
class Style:
    """How a car is driven: seconds of a hold and of the ramp to the next, from and to."""

    hold_s: tuple[float, float] = (3.0, 7.0)
    ramp_s: tuple[float, float] = (1.5, 5.0)
    minutes: float = 10.0


SWEEP = Style()
BRISK = Style(hold_s=(1.6, 2.4), ramp_s=(0.8, 2.0))  # holds of 2 s
ROAD = Style(hold_s=(0.0, 2.0), ramp_s=(5.0, 14.0))  # slow ramps, hardly a hold


@dataclass(frozen=True)
class Visited:
    """Where a drive went steadily; arrays of shape (places,), every cell of airflow and engine speed alike."""

    rpm: np.ndarray
    load: np.ndarray
    battery_v: np.ndarray
    weight: np.ndarray
    over: np.ndarray  # log of indicated over true air
    cell: np.ndarray  # number of the cell of airflow and engine speed

    def p95(self, engine: PlainEngine, revision: Revision, *, pulsating: bool = False) -> float:
        """Lambda error [%] that 95 % of the weight does not pass with a revision in the ECU."""
        used = np.ones(self.rpm.size, dtype=bool) if pulsating else self.over < UNDISTURBED
        rpm, load, battery, weight = (getattr(self, name)[used] for name in ("rpm", "load", "battery_v", "weight"))
        size = np.abs(error_at(engine, revision, rpm, load, battery=battery))
        order = np.argsort(size)
        reached = np.cumsum(weight[order]) / weight.sum()
        return float(size[order][np.searchsorted(reached, 0.95)])

    def left_where_worse(self, engine: PlainEngine, before: Revision, after: Revision) -> float:
        """Largest error [%] left in a cell that is further off than before by more than `WORSE`; 0 where none is."""
        used = self.over < UNDISTURBED
        at, cell = (self.rpm[used], self.load[used]), self.cell[used]
        errors = [error_at(engine, revision, *at, battery=self.battery_v[used]) for revision in (before, after)]
        count = np.maximum(np.bincount(cell), 1)
        now, then = (np.abs(np.bincount(cell, error) / count) for error in errors)
        return float(then[then > now + WORSE].max(initial=0.0))


def dirty_engine(seed: int) -> PlainEngine:
    """A plain engine whose lambda comes later than its car's file says, by up to 60 ms either way."""
    engine, rng = invent(seed), np.random.default_rng([seed, 41])
    return replace(engine, traits=engine.traits | {"late_s": rng.uniform(0.0, 0.06), "closed": 1.0})


def _late_car(engine: PlainEngine):
    sensor = engine.car.lambda_sensor
    late = sensor.model_copy(update={"delay_s": sensor.delay_s + engine.traits["late_s"]})
    return engine.car.model_copy(update={"lambda_sensor": late})


def dirty_drive(
    engine: PlainEngine, revision: Revision, *, seed: int, style: Style = SWEEP
) -> tuple[xr.Dataset, Visited, Delay]:
    """Drive with a revision: the flagged log, the places visited steadily, and the delay as the kit estimates it."""
    rng = np.random.default_rng([seed, 43])
    n = int(style.minutes * 60 * RATE_HZ)
    at, rpm, load = _waypoints(rng, style)
    time = np.arange(n) / RATE_HZ + rng.uniform(-0.2, 0.2, n) / RATE_HZ
    rpm, load = (smoothed(np.interp(time, at, to), 0.2, RATE_HZ) for to in (rpm, load))
    restless = rng.uniform(0.005, 0.018)
    rpm, load = (x * np.exp(restless * wander(rng, n, 3, RATE_HZ)) for x in (rpm, load))
    load *= np.exp(rng.uniform(0.008, 0.025) * wander(rng, n, 1.5, RATE_HZ))
    cut = _cuts(rng, time, at)
    air = load * LITRE_DENSITY * engine.car.engine.displacement_l * rpm / 2 * 60
    filling = 1.3 * engine.car.engine.displacement_l * LITRE_DENSITY * np.gradient(load, time) * 3600
    passed = np.maximum(air + smoothed(filling, 0.05, RATE_HZ), 0.2 * air)
    noise = engine.traits["noise_v"] * (rng.normal(size=n) + wander(rng, n, 0.3, RATE_HZ)) / 1.4
    volt = engine.reading(passed, rpm) + noise
    drop = np.array([0, 0.35, 0.8, 1.5])[np.cumsum(rng.random(n) < 1 / (45 * RATE_HZ)) % 4]
    battery = 14.1 - drop - 0.6 * (rpm < 1100) + 0.04 * wander(rng, n, 1, RATE_HZ)
    driven = replace(engine, car=_late_car(engine))
    columns = fuelling(
        driven, revision, rng, RATE_HZ, rpm=rpm, load=load, air=air, volt=volt, battery=battery, cut=cut
    )  # fmt: skip
    day = rng.normal(0, 0.002)  # weather and fuel of the day
    columns["lambda_measured"] *= np.exp(day)
    columns |= {"engine_speed_rpm": rpm, "meter_v": volt, "battery_v": battery}
    columns["fuel_mode"] = np.where(cut, 3.0, 2.0)
    log = _logged(engine, rng, time, columns).assign_attrs(session=f"drive {seed}", revision=revision.name, day=day)
    flagged = flag_log(log, engine.car, Session(date=DAY, steps=["steady"], revision=revision.name), revision=revision)
    found = estimate_delay(flagged, engine.car, revision)
    late = Delay(found.delay_s, found.delay_flow_s_kg_h, found.lag_s)
    return flagged, _visited(engine, time, rpm, load, battery, cut), late


def _waypoints(rng: np.random.Generator, style: Style) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times [s], speeds and loads between which the car is driven evenly."""
    at, rows = 0.0, []
    while at < style.minutes * 60:
        rpm, load = rng.uniform(1300, 5200), rng.uniform(0.18, 0.92)
        if rng.random() < 0.1:
            rpm, load = 850.0, rng.uniform(0.15, 0.2)
        hold, ramp = rng.uniform(*style.hold_s), rng.uniform(*style.ramp_s)
        rows += [(at, rpm, load), (at + hold, rpm * np.exp(rng.normal(0, 0.01)), load * np.exp(rng.normal(0, 0.01)))]
        at += hold + ramp
    return tuple(np.array(rows).T)


def _cuts(rng: np.random.Generator, time: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Fuel cuts on about one ramp in seven."""
    cut = np.zeros(time.size, dtype=bool)
    for begin in at[1::2]:
        if rng.random() < 0.15:
            cut |= (time > begin) & (time < begin + rng.uniform(0.6, 1.5))
    return cut


def _logged(engine: PlainEngine, rng: np.random.Generator, time: np.ndarray, columns: dict) -> xr.Dataset:
    """What the logger makes of it: steps, slow and frozen columns, spikes, lost rows, breaks of the link."""
    n, fresh = time.size, {}
    columns = {
        name: np.array(values) for name, values in columns.items() if name not in ("true_lambda", "air_flow_kg_h")
    }
    columns["lambda_measured"][time < rng.uniform(8, 18)] = engine.car.lambda_sensor.rail_high
    refresh = REFRESH_HZ | {"lambda_measured": RATE_HZ / engine.traits["lambda_every"]}
    for name, values in columns.items():
        if name in STEP:
            values = np.round(values / STEP[name]) * STEP[name]
        every = max(1, round(RATE_HZ / refresh.get(name, RATE_HZ)))
        columns[name] = values[np.arange(n) // every * every]
        if every > 1:
            fresh[name] = (np.arange(n) % every == 0).astype(np.int8)
    for name in rng.choice(STUCK, 3, replace=False):
        begin = int(rng.integers(0, n - 300))
        columns[name][begin : begin + int(rng.uniform(40, 200))] = columns[name][begin]
    for name, value in SPIKED.items():
        columns[name] = np.where(rng.random(n) < 4e-4, value, columns[name])
    kept = rng.random(n) > 0.03
    for begin in rng.integers(0, n, 6):
        kept[begin : begin + int(rng.uniform(10, 120))] = False
    data = {name: ("time", values[kept]) for name, values in columns.items()}
    data |= {f"{name}_fresh": ("time", values[kept]) for name, values in fresh.items()}
    data["episode"] = ("time", np.cumsum(np.diff(time[kept], prepend=time[0]) > 1.0).astype(np.int32))
    return xr.Dataset(data, coords={"time": time[kept]}, attrs={"title": "plain engine, dirty"})


def _visited(engine, time, rpm, load, battery, cut) -> Visited:
    """Still places once every 0.2 s, weighted so that each cell of airflow and engine speed counts alike."""
    half = int(RATE_HZ / 2)
    apart = [np.abs(np.log(x[2 * half :] / x[: -2 * half])) for x in (rpm, load)]
    still = np.zeros(time.size, dtype=bool)
    still[half:-half] = (apart[0] < STILL) & (apart[1] < 1.5 * STILL)
    still &= ~cut & (time > 20)
    at = np.flatnonzero(still)[::5]
    air = np.log(load[at] * rpm[at])
    cells = np.unique(np.stack([np.floor(air / 0.15), np.floor(rpm[at] / 400)]), axis=1, return_inverse=True)[1].ravel()
    weight = 1.0 / np.maximum(np.bincount(cells)[cells], 10)
    return Visited(rpm[at], load[at], battery[at], weight, engine.over_reading(rpm[at], load[at]), cells)
