"""A second engine for the wall film, apart from the kit's simulator: own equations, cylinder by cylinder in time steps.

Throttle steps at a held engine speed; the manifold fills with a first-order lag, the meter is slow, the ECU puts some
extra fuel in while the throttle opens, each injection leaves part of itself on the wall, which dries between
injections; gas waits for the exhaust stroke, then travels at the speed of the exhaust; the sensor lags in 1 / lambda.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import plain_gas
import xarray as xr
from scipy.signal import lfilter

STEP_S = 0.002
CAR, REVISION, SESSION = plain_gas.CAR, plain_gas.REVISION, plain_gas.SESSION


@dataclass(frozen=True)
class FilmCar:
    """The truth of one invented car."""

    share: float
    tau_s: float
    lag_s: float
    delay_s: float
    delay_flow_s_kg_h: float
    manifold_s: float
    enrichment: float


def invent(seed: int) -> FilmCar:
    rng = np.random.default_rng([seed, 61])
    return FilmCar(
        share=rng.uniform(0.12, 0.4),
        tau_s=rng.uniform(0.2, 0.5),
        lag_s=rng.uniform(0.06, 0.13),
        delay_s=rng.uniform(0.03, 0.07),
        delay_flow_s_kg_h=rng.uniform(2.5, 6.0),
        manifold_s=rng.uniform(0.05, 0.1),
        enrichment=rng.uniform(0.0, 0.2),
    )


def _lag(values: np.ndarray, tau_s: float) -> np.ndarray:
    keep = np.exp(-STEP_S / tau_s)
    return lfilter([1 - keep], [1, -keep], values, zi=[keep * values[0]])[0]


def drive(car: FilmCar, *, seed: int, steps: int, rate_hz: float) -> xr.Dataset:
    """Step the throttle up and down `steps` times at several engine speeds; returns an unflagged log."""
    rng = np.random.default_rng([seed, 67])
    seconds = 6.0 * steps + 4.0
    clock = np.arange(0.0, seconds, STEP_S)
    number = np.clip(((clock - 4.0) // 6.0).astype(int), 0, steps - 1)
    speed = rng.uniform(1600.0, 3200.0, steps)[number]
    low, high = rng.uniform(38.0, 60.0, steps)[number], rng.uniform(110.0, 190.0, steps)[number]
    is_open = (clock > 4.0) & ((clock - 4.0) % 6.0 > 2.0) & ((clock - 4.0) % 6.0 < 4.2)
    plate = _lag(is_open.astype(float), 0.025)
    speed = _lag(speed, 0.6) * (1.0 + 0.05 * _lag(is_open.astype(float), 1.2))
    drawn = _lag(low + (high - low) * plate, car.manifold_s)
    through = drawn + car.manifold_s * np.gradient(drawn, STEP_S)
    pressure = 20.0 + drawn / speed * 1100.0
    noise = 0.006 * rng.normal(size=clock.size) * np.sqrt(0.05 / STEP_S)
    metered = np.maximum(_lag(through, 0.015) * (1.0 + _lag(noise, 0.05)), 3.0)
    opening = np.maximum(np.gradient(plate, STEP_S), 0.0)
    extra = 1.0 + car.enrichment * np.clip(_lag(opening, 0.2) / 2.0, 0.0, 3.0)
    fuel = _lag(metered, 0.03) / REVISION.fuelling.stoich_afr * extra * (1.0 + 0.03 * np.sin(clock / 7.0))
    reached = _wetted(fuel, car)
    lambda_ = drawn / REVISION.fuelling.stoich_afr / reached
    pushed = np.cumsum(drawn * (1 + 1 / 14.5)) * STEP_S
    at_pipe = np.interp(pushed - car.delay_flow_s_kg_h, pushed, clock)
    arrived = 1.0 / np.interp(at_pipe - car.delay_s, clock, lambda_)
    seen = 1.0 / _lag(arrived, car.lag_s) * (1.0 + 0.003 * rng.normal(size=clock.size))
    dead = np.interp(13.9, REVISION.dead_time.battery_v, REVISION.dead_time.dead_time_ms)
    injections_h = 60.0 * CAR.injectors.count * CAR.injectors.injections_per_cycle * speed / 2.0
    pulse = fuel * 1000.0 / injections_h / REVISION.injectors.flow_g_min * 60e3 + dead
    reading = np.interp(metered, REVISION.meter_curve.flow_kg_h, REVISION.meter_curve.reading)
    index = np.round(np.arange(0.0, seconds - 0.1, 1.0 / rate_hz) / STEP_S).astype(int)
    columns = {
        "engine_speed_rpm": speed, "meter_v": reading, "pulse_width_ms": pulse, "lambda_measured": seen,
        "lambda_commanded": np.ones(clock.size), "throttle_pct": 8.0 + 40.0 * plate, "manifold_kpa": pressure,
        "battery_v": np.full(clock.size, 13.9), "coolant_c": np.full(clock.size, 90.0),
    }  # fmt: skip
    data = {name: ("time", values[index]) for name, values in columns.items()}
    log = xr.Dataset(data, coords={"time": clock[index]}, attrs={"session": "film", "revision": "r01"})
    return log.assign(episode=("time", np.zeros(index.size, dtype=np.int32)))


def _wetted(fuel: np.ndarray, car: FilmCar) -> np.ndarray:
    """Fuel that reaches the cylinders: a wall that takes a share and gives it off again, step by step."""
    wall, out = car.share * car.tau_s * fuel[0], np.empty(fuel.size)
    for k, flow in enumerate(fuel.tolist()):
        off = wall / car.tau_s
        out[k] = (1.0 - car.share) * flow + off
        wall += (car.share * flow - off) * STEP_S
    return out
