"""A second engine that idles, apart from the kit's simulator: own equations, written for the idle tables.

Torque rises with the opening of the idle actuator and falls with engine speed; oil drags more when cold; an electrical
load costs torque and battery voltage. The ECU opens a base value over coolant temperature, and a slow integrator does
the rest. Every visit to a temperature wants a little more or less than another (oil, charge). All numbers are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import xarray as xr
from driven_log import CAR, REVISION, flagged

from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

STEP_S = 0.05
POINTS = (0.0, 30.0, 60.0, 90.0)


@dataclass(frozen=True)
class IdleEngine:
    """The truth of one invented engine at idle."""

    warm_pct: float = 24.0  # opening wanted warm, at 850 rpm
    cold_pct: float = 22.0  # more at 0 °C
    fade_c: float = 35.0  # over which the cold's share falls to 1/e
    per_100_rpm_pct: float = 1.5  # opening wanted for 100 rpm more
    visit_pct: float = 0.5  # standard deviation from visit to visit
    fan_pct: float = 3.0  # opening that the fan costs
    rough_rpm: float = 6.0  # of uneven burning

    def wanted(self, coolant_c: np.ndarray, target_rpm: np.ndarray) -> np.ndarray:
        """Opening that holds a speed without electrical loads. [%]"""
        cold = self.cold_pct * np.exp(-np.asarray(coolant_c, dtype=float) / self.fade_c)
        return self.warm_pct + cold + self.per_100_rpm_pct * (np.asarray(target_rpm) - 850.0) / 100.0


@dataclass(frozen=True)
class Visit:
    """One stretch of idling: coolant at its ends, how long, and when within it the fan runs."""

    from_c: float
    to_c: float
    seconds: float = 40.0
    fan: tuple[float, float] = field(default=(1e9, 1e9))


def invent(seed: int) -> IdleEngine:
    """One engine drawn at random."""
    rng = np.random.default_rng([seed, 17])
    return IdleEngine(
        warm_pct=rng.uniform(16, 34), cold_pct=rng.uniform(10, 30), fade_c=rng.uniform(25, 45),
        per_100_rpm_pct=rng.uniform(1.0, 2.2), visit_pct=rng.uniform(0.3, 0.8), fan_pct=rng.uniform(1.5, 5.0),
        rough_rpm=rng.uniform(4.0, 9.0),
    )  # fmt: skip


def stating(base_pct: Sequence[float], target_rpm: Sequence[float] = (850.0,) * 4, **more: object) -> Revision:
    """The revision with idle tables in POINTS."""
    tables = {"idle_base": {"coolant_c": list(POINTS), "actuator_pct": [float(v) for v in base_pct]},
              "idle_target": {"coolant_c": list(POINTS), "target_rpm": [float(v) for v in target_rpm]}}  # fmt: skip
    return Revision.model_validate(REVISION.model_dump() | tables | more)


def owner(**limits: float) -> Car:
    """The car with more of the owner's limits stated."""
    return Car.model_validate(CAR.model_dump() | {"limits": CAR.limits.model_dump() | limits})


def log_of(
    engine: IdleEngine, revision: Revision, visits: Sequence[Visit], *, seed: int, authority_pct: float = 40.0
) -> xr.Dataset:
    """Idle through visits with short drives between; a flagged log of 20 rows a second."""
    rng = np.random.default_rng([seed, 23])
    parts = [_visit(engine, revision, visit, rng, authority_pct, driven=k > 0) for k, visit in enumerate(visits)]
    rows = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    time = STEP_S * np.arange(rows["engine_speed_rpm"].size)
    rows["idle_actuator_pct"] = np.round(rows["idle_actuator_pct"] / 0.39) * 0.39
    rows["coolant_c"] = np.round(rows["coolant_c"])
    return flagged(time, **rows)


def _visit(engine, revision, visit: Visit, rng, authority_pct: float, *, driven: bool) -> dict[str, np.ndarray]:
    before = round(6.0 / STEP_S) if driven else 0
    count = before + round(visit.seconds / STEP_S)
    idles = np.arange(count) >= before
    coolant = np.where(idles, np.interp(np.arange(count), [before, count], [visit.from_c, visit.to_c]), visit.from_c)
    at = STEP_S * (np.arange(count) - before)
    fan = (at >= visit.fan[0]) & (at < visit.fan[1])
    base_table, target_table = revision.idle_base, revision.idle_target
    base = np.interp(coolant, base_table.coolant_c, base_table.values)
    target = np.interp(coolant, target_table.coolant_c, target_table.values)
    wanted = engine.wanted(coolant, target) + engine.visit_pct * rng.normal() + engine.fan_pct * fan
    speed, opening = _controlled(engine, base, target, wanted, idles, authority_pct)
    rough = np.convolve(rng.normal(size=count + 4), np.ones(5) / np.sqrt(5), "valid")
    lamp = 0.03 * rng.normal(size=count)
    return {
        "engine_speed_rpm": speed + engine.rough_rpm * rough, "idle_actuator_pct": opening, "coolant_c": coolant,
        "throttle_pct": np.where(idles, 0.0, 20.0), "road_speed_km_h": np.where(idles, 0.0, 40.0),
        "battery_v": 14.0 - 0.5 * fan + lamp, "meter_v": 1.2 + 0.01 * opening, "pulse_width_ms": np.full(count, 2.5),
        "clutch_pressed": idles.astype(float),
    }  # fmt: skip


def _controlled(engine, base, target, wanted, idles, authority_pct: float) -> tuple[np.ndarray, np.ndarray]:
    """Speed and opening step by step: speed follows opening over 0.5 s, the integrator closes what is left."""
    speed, opening, away, part = np.empty(base.size), np.empty(base.size), 0.0, 0.0
    now = 2200.0 if not idles[0] else float(target[0])
    if idles[0]:
        part = float(np.clip(wanted[0] - base[0], -authority_pct, authority_pct))
    for k in range(base.size):
        opening[k] = base[k] + part
        if not idles[k]:
            now, part = 2200.0, 0.0
        else:
            settles = target[k] + 100.0 * (opening[k] - wanted[k]) / engine.per_100_rpm_pct
            now += (settles - now) * STEP_S / 0.5
            away = float(np.clip(target[k] - now, -100.0, 100.0))
            part = float(np.clip(part + 0.006 * away * STEP_S, -authority_pct, authority_pct))
        speed[k] = now
    return speed, opening
