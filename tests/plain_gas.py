"""From fuel to lambda reading, for the tests of delay and lag: own equations in plain numpy, not the kit's simulator.

An engine held at steady points; closed-loop trims swing (a switching loop with steps and ramps) or stand still; fuel
passes a wall film, travels at the speed of the exhaust, and a first-order sensor sees it late. The numbers are made up.
"""

from __future__ import annotations

import datetime
import tomllib
from dataclasses import dataclass

import numpy as np
import plain_workspace
import xarray as xr
from scipy.signal import lfilter

from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

CAR = Car.model_validate(tomllib.loads(plain_workspace.CAR))
REVISION = Revision.model_validate(tomllib.loads(plain_workspace.REVISION))
SESSION = Session(date=datetime.date(2026, 5, 3), steps=["steady"], revision="r01")
STEP_S = 0.005


@dataclass(frozen=True)
class Gas:
    """The truth of one invented car."""

    delay_s: float
    delay_flow_s_kg_h: float
    lag_s: float
    film: float
    film_s: float

    def delay_at(self, exhaust_kg_h: float) -> float:
        """Transport delay [s]."""
        return self.delay_s + self.delay_flow_s_kg_h / exhaust_kg_h


def invent(seed: int) -> Gas:
    rng = np.random.default_rng([seed, 41])
    return Gas(
        delay_s=rng.uniform(0.02, 0.08),
        delay_flow_s_kg_h=rng.uniform(2.0, 8.0),
        lag_s=rng.uniform(0.06, 0.15),
        film=rng.uniform(0.05, 0.3),
        film_s=rng.uniform(0.15, 0.5),
    )


def drive(
    gas: Gas, *, seed: int, minutes: float, rate_hz: float, loop: str = "switching", flows=(14.0, 220.0)
) -> xr.Dataset:
    """Drive holds between the two airflows [kg/h]; `loop` is "switching" or "open". Returns an unflagged log."""
    rng = np.random.default_rng([seed, 43])
    n = int(minutes * 60 / STEP_S)
    clock = np.arange(n) * STEP_S
    air, speed = _holds(rng, clock, flows)
    battery = 13.8 + 0.1 * np.sin(clock / 40)
    error = 0.08 * np.sin(2.5 * np.log(air) + rng.uniform(0, 6)) + rng.normal(0, 0.08)
    meter = np.interp(air * np.exp(error), REVISION.meter_curve.flow_kg_h, REVISION.meter_curve.reading)
    meter_seen = meter + 0.006 * _colour(rng, n, 0.02)
    metered = _lag(np.interp(meter_seen, REVISION.meter_curve.reading, REVISION.meter_curve.flow_kg_h), 0.02)
    injectors = np.exp(rng.normal(0, 0.03))
    noise = rng.uniform(0.002, 0.005) * _colour(rng, n, 0.3)
    trim, seen = _loop(gas, rng, air, injectors * metered / air, noise, loop)
    scale = 60e3 / REVISION.injectors.flow_g_min
    per_injection_g = metered / 3.6 * 120 / speed / CAR.injectors.count / REVISION.fuelling.stoich_afr
    dead = np.interp(battery, REVISION.dead_time.battery_v, REVISION.dead_time.dead_time_ms)
    pulse = per_injection_g * (1 + trim) * scale + dead
    return _record(
        rng,
        clock,
        rate_hz,
        engine_speed_rpm=speed,
        meter_v=meter_seen,
        air_flow_kg_h=metered,
        pulse_width_ms=pulse,
        lambda_measured=seen,
        trim_short_pct=100 * trim,
        battery_v=battery,
        coolant_c=np.full(n, 88.0),
    )


def _holds(rng, clock, flows):
    ends = np.cumsum(rng.uniform(6, 12, int(clock[-1] / 6) + 2))
    which = np.searchsorted(ends, clock)
    log_air = rng.uniform(np.log(flows[0]), np.log(flows[1]), ends.size)
    speed = np.clip(900 + 2500 * (log_air - np.log(14)) / 2.7 * rng.uniform(0.6, 1.4, ends.size), 850, 5500)
    wobble = 0.01 * _colour(rng, clock.size, 2.0)
    return np.exp(_lag(log_air[which], 0.4) + wobble), _lag(speed[which], 0.5) * (
        1 + 0.003 * _colour(rng, clock.size, 1.0)
    )


def _loop(gas, rng, air, fuel_error, noise, loop):
    """Trims [share] and the sensor's reading, step by step; `fuel_error`: fuel over what lambda 1 needs."""
    n, exhaust = air.size, air * (1 + 1 / 14.5)
    film_keep, lag_keep = np.exp(-STEP_S / gas.film_s), np.exp(-STEP_S / gas.lag_s)
    pushed = np.cumsum(exhaust) * STEP_S
    wait = gas.delay_s / STEP_S
    source = np.interp(pushed - gas.delay_flow_s_kg_h, pushed, np.arange(n)) - wait
    source = np.clip(source, 0, None).tolist()
    noise, air = noise.tolist(), air.tolist()
    fuel = (fuel_error * np.array(air)).tolist()
    left, trims, readings = [0.0] * n, [0.0] * n, [1.0] * n
    film, trim, felt, lean, at = fuel[0], 0.0, air[0] / fuel[0], False, 0
    ramp, jump = rng.uniform(0.02, 0.05), rng.uniform(0.005, 0.02)
    for i in range(n):
        trims[i] = trim
        injected = fuel[i] * (1 + trim)
        film = film_keep * film + (1 - film_keep) * injected
        left[i] = air[i] / ((1 - gas.film) * injected + gas.film * film)
        at = int(source[i])
        part = source[i] - at
        arrived = left[at] * (1 - part) + left[min(at + 1, i)] * part
        felt = lag_keep * felt + (1 - lag_keep) * arrived
        readings[i] = felt * (1 + noise[i])
        if loop == "switching":
            now = readings[i] > 1.0
            trim += (ramp * STEP_S if now else -ramp * STEP_S) + (0.0 if now == lean else (jump if now else -jump))
            trim, lean = min(max(trim, -0.25), 0.25), now
    return np.array(trims), np.array(readings)


def _record(rng, clock, rate_hz, **channels) -> xr.Dataset:
    """Sample with jitter, round as a logger does, let lambda refresh every second row on half of them, lose rows."""
    rows = int(clock[-1] * rate_hz) - 1
    time = (np.arange(rows) + rng.uniform(-0.15, 0.15, rows) + 0.5) / rate_hz
    index = np.searchsorted(clock, time) - 1
    digits = {"engine_speed_rpm": 0, "meter_v": 3, "air_flow_kg_h": 2, "pulse_width_ms": 3, "lambda_measured": 3}
    columns = {name: np.round(values[index], digits.get(name, 1)) for name, values in channels.items()}
    columns["lambda_measured"] = np.round(columns["lambda_measured"] + 0.002 * rng.normal(size=rows), 3)
    data = {name: ("time", values) for name, values in columns.items()}
    if rng.random() < 0.5:
        held = np.arange(rows) // 2 * 2
        data["lambda_measured"] = ("time", columns["lambda_measured"][held])
        data["lambda_measured_fresh"] = ("time", (held == np.arange(rows)).astype(np.int8))
    kept = np.ones(rows, dtype=bool)
    for start in rng.integers(0, rows, 3):
        kept[start : start + int(rng.uniform(0.3, 4) * rate_hz)] = False
    episode = np.cumsum(np.diff(time[kept], prepend=time[0]) > 2.0).astype(np.int32)
    log = xr.Dataset({name: ("time", values[kept]) for name, (_, values) in data.items()}, coords={"time": time[kept]})
    return log.assign(episode=("time", episode)).assign_attrs(
        session="2026-05-03-steady", revision="r01", history="made"
    )


def _lag(values, tau_s):
    keep = np.exp(-STEP_S / tau_s)
    return lfilter([1 - keep], [1, -keep], values, zi=[keep * values[0]])[0]


def _colour(rng, n, tau_s):
    keep = np.exp(-STEP_S / tau_s)
    return lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.normal(size=n))
