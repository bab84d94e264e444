"""The tests' own engine without an air meter: a true filling over engine speed and load, and an ECU with a table of it.

Written apart from the kit's simulator and its formulas: the ECU reads its table by scipy, the gas law stands here too.
The true charge temperature follows another law than the one that the owner states. All numbers are invented.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr
from plain_engine import BREAKS, PlainEngine, invent, logged, smoothed, wander, wavy
from plain_engine import fuelling as fuelled
from scipy.interpolate import RegularGridInterpolator

from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

R_AIR = 287.055  # J/(kg K), dry air
WARM_C, OUTSIDE_C, SEA_KPA = 88.0, 21.0, 100.4


@dataclass(frozen=True)
class TableEngine:
    """One invented car without an air meter: what the kit is told (`car`, `revision`) and the truth."""

    car: Car
    revision: Revision
    efficiency: Callable[[np.ndarray, np.ndarray], np.ndarray]  # true, share of 1, at (rpm, load)
    coolant_weight: Callable[[np.ndarray], np.ndarray]  # true, at an air flow [kg/h]
    true_dead_time: Callable[[np.ndarray], np.ndarray]  # ms at a battery voltage
    engine: PlainEngine  # whose injectors, film, sensor and noise it has
    traits: dict[str, float]
    starved: Callable[[np.ndarray, np.ndarray], np.ndarray]
    sensor_shift: Callable[[np.ndarray], np.ndarray]
    misread: Callable[..., np.ndarray]
    bend: Callable[..., np.ndarray]

    @property
    def by_throttle(self) -> bool:
        return self.car.load_from == "throttle"

    def air(self, rpm, load, intake_c, coolant_c, baro=SEA_KPA) -> np.ndarray:
        """True air flow [kg/h]."""
        return _air(self, self.efficiency(rpm, load), rpm, load, intake_c, coolant_c, self.coolant_weight, baro)

    def believed(self, revision: Revision, rpm, load, intake_c, coolant_c, baro=SEA_KPA) -> np.ndarray:
        """Air flow that the ECU takes from its table [kg/h]."""
        table, charge = revision.volumetric_efficiency, self.car.charge
        axes = (table.throttle_pct or table.manifold_kpa), table.engine_speed_rpm
        at = np.column_stack([np.clip(load, axes[0][0], axes[0][-1]), np.clip(rpm, axes[1][0], axes[1][-1])])
        share = RegularGridInterpolator(axes, np.asarray(table.efficiency_pct) / 100)(at)
        flows = charge.air_flow_kg_h or [0.0, 1.0]
        weights = charge.coolant_weight if charge.air_flow_kg_h else charge.coolant_weight * 2
        law = lambda air: np.interp(air, flows, weights)  # noqa: E731
        return _air(self, share, rpm, load, intake_c, coolant_c, law, baro)


def _air(engine, share, rpm, load, intake_c, coolant_c, weight, baro) -> np.ndarray:
    """Air by the gas law, p V = m R T, with a charge temperature that rests on the flow."""
    pascal = 1000 * (baro if engine.by_throttle else load)
    volume_m3_h = engine.car.engine.displacement_l / 1000 * np.asarray(rpm) / 2 * 60
    air = 100.0
    for _ in range(12):
        kelvin = 273.15 + intake_c + weight(air) * (coolant_c - np.asarray(intake_c))
        air = share * volume_m3_h * pascal / (R_AIR * kelvin)
    return air


def invent_table(seed: int, *, load_from: str = "manifold_pressure", boost: bool = False) -> TableEngine:
    """Invent a car whose ECU has a table, and its revision r01."""
    rng = np.random.default_rng([seed, 41])
    plain = invent(seed)
    top_kpa = 190.0 if boost else 101.0
    by_throttle = load_from == "throttle"
    efficiency = _throttle_filling(rng) if by_throttle else _filling(rng, top_kpa)
    size, base = rng.uniform(0.1, 0.35), rng.uniform(0.05, 0.2)
    scale = rng.uniform(60, 160)
    stated = rng.random() < 0.5
    flows = np.array([0.0, 30.0, 100.0, 300.0])
    told = np.clip(base + size * np.exp(-flows / scale) + rng.normal(0, 0.03), 0, 1)
    charge = {"coolant_weight": told.tolist(), "air_flow_kg_h": flows.tolist()}
    charge = charge if stated else {"coolant_weight": [round(float(base + size / 2), 2)]}
    limits = plain.car.limits.model_copy(update={"boost_max_kpa": 100.0 if boost else None})
    data = plain.car.model_copy(update={"limits": limits}).model_dump(exclude={"meter"})
    car = Car.model_validate(data | {"load_from": load_from, "charge": charge})
    speeds = np.round(np.linspace(700, 6800, int(rng.choice([10, 13, 16]))), -1)
    loads = np.geomspace(4, 100, 11) if by_throttle else np.linspace(25, top_kpa, int(rng.choice([8, 11, 14])))
    loads = np.round(loads, 1)
    rpm, load = np.meshgrid(speeds, loads)
    flaw = _error(rng, rpm, load / loads[-1]) + rng.uniform(0.0, 0.015) * rng.normal(size=rpm.shape)
    table = np.round(100 * efficiency(rpm, load) * np.exp(-flaw), 1)
    name = "throttle_pct" if by_throttle else "manifold_kpa"
    filling = {"engine_speed_rpm": speeds.tolist(), name: loads.tolist(), "efficiency_pct": table.tolist()}
    revision = plain.revision.model_dump(exclude={"meter_curve"}) | {"date": datetime.date(2026, 4, 1)}
    return TableEngine(
        car=car,
        revision=Revision.model_validate(revision | {"volumetric_efficiency": filling}),
        efficiency=efficiency,
        coolant_weight=lambda air: base + size * np.exp(-np.asarray(air) / scale),
        true_dead_time=plain.true_dead_time,
        engine=plain,
        traits=plain.traits | {"noise_kpa": rng.uniform(0.1, 0.5)},
        starved=plain.starved,
        sensor_shift=plain.sensor_shift,
        misread=plain.misread,
        bend=plain.bend,
    )


def _filling(rng: np.random.Generator, top_kpa: float) -> Callable:
    """Efficiency at manifold density: humps over speed, and residual gas that takes room at low pressure."""
    peak, hump, crest = rng.uniform(0.82, 0.98), rng.uniform(0.02, 0.08), rng.uniform(3200, 5200)
    residual, wave = rng.uniform(0.05, 0.14), wavy(rng, 700, 7000, width=900, count=6)
    cross = rng.uniform(-0.05, 0.05)

    def share(rpm: np.ndarray, kpa: np.ndarray) -> np.ndarray:
        arch = peak - 0.22 * ((np.asarray(rpm) - crest) / 4000) ** 2 + hump * 0.4 * wave(rpm)
        room = 1 - residual * (101.0 / np.asarray(kpa) - 1) / 2.2
        return arch * room * (1 + cross * (np.asarray(rpm) - 3500) / 3500 * (np.asarray(kpa) / top_kpa - 0.5))

    return share


def _throttle_filling(rng: np.random.Generator) -> Callable:
    """Efficiency at the atmosphere's density: a throttle that chokes the more the faster the engine turns."""
    full = _filling(rng, 101.0)
    bore, bend = rng.uniform(0.018, 0.03), rng.uniform(0.9, 1.3)

    def share(rpm: np.ndarray, throttle: np.ndarray) -> np.ndarray:
        reach = (np.asarray(throttle) + 2.5) * bore * 1000 / np.asarray(rpm)
        opened = (1 - np.exp(-((2.2 * reach) ** bend))) * 0.9 + 0.1
        return full(rpm, 101.0) * opened

    return share


def _error(rng: np.random.Generator, rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
    """Smooth error of the table in force, log units."""
    over_speed, over_load = wavy(rng, 700, 7000, width=1500, count=5), wavy(rng, 0.1, 1.0, width=0.3, count=4)
    tilt = rng.normal(0, 0.06) * (rpm / 3500 - 1) + rng.normal(0, 0.08) * (load - 0.6)
    return rng.normal(0, 0.04) + tilt + 0.05 * over_speed(rpm) + 0.04 * over_load(load)


def schedule(rng: np.random.Generator, engine: TableEngine, seconds: float) -> np.ndarray:
    """Random holds over speed and load: start, rpm, load; idle in between."""
    rows, at, top = [], 0.0, 150.0 if engine.car.limits.boost_max_kpa else 96.0
    while at < seconds:
        rpm = rng.uniform(1300, 5400)
        load = rng.uniform(6, 80) ** 1.0 if engine.by_throttle else rng.uniform(32, top)
        if rng.random() < 0.12:
            rpm, load = 850.0, 5.0 if engine.by_throttle else rng.uniform(30, 38)
        rows.append((at, rpm, load))
        at += rng.uniform(5, 13)
    return np.array(rows)


def drive_table(
    engine: TableEngine, revision: Revision, *, seed: int, minutes: float = 10, rate_hz: float = 25.0,
    holds: np.ndarray | None = None, session: str = "drive",
) -> xr.Dataset:  # fmt: skip
    """Drive with `revision` in the ECU; the flagged log, without the truth."""
    rng = np.random.default_rng([seed, 43])
    n = int(minutes * 60 * rate_hz)
    time = np.arange(n) / rate_hz + rng.uniform(-0.1, 0.1, n) / rate_hz
    plan = schedule(rng, engine, minutes * 60) if holds is None else holds
    which = np.searchsorted(plan[:, 0], time, side="right").clip(1) - 1
    rpm = smoothed(plan[which, 1], 0.5, rate_hz) * np.exp(0.005 * wander(rng, n, 3, rate_hz))
    load = smoothed(plan[which, 2], 0.3, rate_hz) * np.exp(0.006 * wander(rng, n, 2, rate_hz))
    cut = (time - plan[which, 0] < 1.0) & (rng.random(len(plan)) < 0.12)[which]
    coolant = WARM_C + 4 * wander(rng, n, 90, rate_hz)
    flow = engine.air(rpm, load, OUTSIDE_C, coolant)
    intake = OUTSIDE_C + 4 + 14 * np.exp(-smoothed(flow, 25, rate_hz) / 80) + wander(rng, n, 60, rate_hz)
    air = engine.air(rpm, load, intake, coolant)
    noise = engine.traits["noise_kpa"] * (0.15 if engine.by_throttle else 1.0)
    read = load + noise * (rng.normal(size=n) + wander(rng, n, 0.3, rate_hz)) / 1.4
    read = np.clip(read, 0.1, None)
    battery = 14.1 - np.array([0, 0.35, 0.8, 1.5])[np.cumsum(rng.random(n) < 1 / (45 * rate_hz)) % 4]
    battery = battery - 0.6 * (rpm < 1100) + 0.04 * wander(rng, n, 1, rate_hz)
    believed = engine.believed(revision, rpm, smoothed(read, 0.05, rate_hz), intake, coolant)
    share = air / 60 / rpm * 2 / (1.184e-3 * engine.car.engine.displacement_l)
    columns = fuelled(
        engine, revision, rng, rate_hz, rpm=rpm, load=share, air=air, believed=believed, battery=battery, cut=cut
    )
    apart = np.exp(engine.traits["hold"] * rng.normal(size=len(plan)))
    columns["lambda_measured"] = columns["lambda_measured"] * apart[which]
    name = "throttle_pct" if engine.by_throttle else "manifold_kpa"
    columns |= {"engine_speed_rpm": rpm, name: read, "battery_v": battery, "coolant_c": coolant, "intake_air_c": intake}
    columns |= {"barometer_kpa": np.full(n, SEA_KPA)}
    columns.pop("air_flow_kg_h")
    log = logged(engine, rng, time, cut, columns, breaks=round(BREAKS * minutes / 10), spiked=name)
    return log.assign_attrs(session=session, revision=revision.name)


def without(engine: TableEngine, **changed: float) -> TableEngine:
    """The same car with other traits."""
    return replace(engine, traits=engine.traits | changed)


def truth_at(
    engine: TableEngine, revision: Revision, rpm: np.ndarray, load: np.ndarray, *, battery: np.ndarray | float = 13.6,
    intake_c: float = 29.0,
) -> np.ndarray:  # fmt: skip
    """Log of lambda over commanded 1 with `revision` in force and trims at zero, as this car's sensor reads it."""
    rpm, load = np.asarray(rpm, dtype=float), np.asarray(load, dtype=float)
    air = engine.air(rpm, load, intake_c, WARM_C)
    believed = engine.believed(revision, rpm, load, intake_c, WARM_C)
    per_cycle = 1000 / 60 / rpm * 2 / engine.car.engine.cylinders
    scale, afr = 60e3 / revision.injectors.flow_g_min, revision.fuelling.stoich_afr
    dead = np.interp(battery, revision.dead_time.battery_v, revision.dead_time.dead_time_ms)
    opened = believed * per_cycle / afr * scale + dead - engine.true_dead_time(battery)
    fuel = np.maximum(opened, 0.02) / scale
    return np.log(air * per_cycle / (afr * fuel)) + engine.traits["gain"]


def volts_around(fit, surface) -> np.ndarray:
    """Battery voltage that each cell was driven with, shape (cells,); the drive's mean where it was not driven. [V]"""
    at = surface.weights(fit.visited.engine_speed_rpm, fit.visited.load)
    weight = at.sum(axis=0)
    return np.where(weight > 0.2, fit.visited.battery_v @ at / np.maximum(weight, 1e-9), fit.visited.battery_v.mean())


def to_enter(engine: TableEngine, rpm: np.ndarray, load: np.ndarray, *, battery: float | np.ndarray) -> np.ndarray:
    """Log of what the table at a place has to be multiplied by for lambda to read right, the dead times as they are."""
    revision, change = engine.revision, 0.0
    right = truth_at(engine, revision, rpm, load, battery=battery)
    believed = engine.believed(revision, np.asarray(rpm, float), np.asarray(load, float), 29.0, WARM_C)
    per_cycle = 1000 / 60 / np.asarray(rpm) * 2 / engine.car.engine.cylinders
    opened = believed * per_cycle / revision.fuelling.stoich_afr * 60e3 / revision.injectors.flow_g_min
    off = np.interp(battery, revision.dead_time.battery_v, revision.dead_time.dead_time_ms)
    off = off - engine.true_dead_time(battery)  # [ms] that the ECU adds too much
    for _ in range(30):
        change = right + np.log1p(off / opened) - np.log1p(off / (opened * np.exp(change)))
    return change


def score_table(engine: TableEngine, revision: Revision, *, seed: int) -> float:
    """95th percentile of |lambda / commanded − 1| [%] over the places of the drive of that seed."""
    rng = np.random.default_rng([seed, 43])
    rng.uniform(-0.1, 0.1, int(600 * 25.0))  # as the drive draws its clock first
    plan = schedule(rng, engine, 600)[:, 1:]
    rng = np.random.default_rng([seed, 47])
    rpm, load = np.repeat(plan, 12, axis=0).T * np.exp(rng.normal(0, [[0.005], [0.006]], (2, 12 * len(plan))))
    return float(np.percentile(100 * np.abs(np.expm1(truth_at(engine, revision, rpm, load))), 95))
