"""Fuelling channels for a plain drive: air, pulses, lambda at the sensor with its delay and lag. Plain numpy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

STOICH, FLOW_G_MIN, CYLINDERS = 14.5, 310.0, 6
DELAY_S, DELAY_FLOW, LAG_S = 0.06, 5.0, 0.10
READING, FLOW = (0.5, 1.5, 2.5, 3.5, 4.5), (5.0, 60.0, 180.0, 380.0, 700.0)


@dataclass(frozen=True)
class Fault:
    """What is wrong under load, by itself at full throttle; zero is all well."""

    lean_from_rpm: float = 1e9
    lean_by: float = 0.0  # share of lambda, too little fuel
    more_air: float = 0.0  # share above the same engine speed that the meter's curve does not see
    meter_stuck_at_v: float = 9.0
    knock_deg: float = 0.0
    knock_at_rpm: float = 5500.0
    sag_v: float = 0.0
    fuel_drop_kpa: float = 0.0
    warming_c: float = 0.0  # of the intake air, per pull
    closed_loop: bool = False
    above_throttle_pct: float = 90.0  # where the engine is loaded enough for any of it to show


def with_fuelling(log: xr.Dataset, fault: Fault, rng: np.random.Generator) -> xr.Dataset:
    """Add air flow, meter, pulse width, lambda, spark, knock, temperatures, supply and mode to a plain log."""
    time, rpm = log["time"].values, log["engine_speed_rpm"].values
    throttle = np.clip(log["throttle_pct"].values, 1.0, 100.0)
    full, loaded = throttle > 90, throttle > fault.above_throttle_pct
    air = np.maximum(0.075 * rpm * np.clip(throttle / 80, 0.05, 1), 8.0)
    commanded = np.where(full, 0.87, 1.0)
    beyond = loaded & (rpm > fault.lean_from_rpm)
    injected = commanded * np.where(beyond, 1 + fault.lean_by, 1.0)
    true = injected * np.where(beyond, 1 + fault.more_air, 1.0)
    dead = np.interp(14.0, [9.0, 15.0], [1.4, 0.7])
    per_pulse_mg = air / 60 * 1e6 / (STOICH * injected) / (CYLINDERS * rpm / 2)
    early = (time < time[0] + 1.0).astype(float)  # while cruising: every sensor is seen to be alive
    since_open = np.where(loaded, 1.0, 0.0)
    values = {
        "air_flow_kg_h": air,
        "meter_v": np.minimum(np.interp(air, FLOW, READING), fault.meter_stuck_at_v),
        "pulse_width_ms": per_pulse_mg / (FLOW_G_MIN / 60) + dead,
        "lambda_commanded": commanded,
        "lambda_measured": seen_by_sensor(time, true, air * 1.07) + rng.normal(0, 0.004, time.size),
        "knock_retard_deg": np.where(loaded & (np.abs(rpm - fault.knock_at_rpm) < 300), fault.knock_deg, 0.3 * early),
        "spark_deg": np.where(full, 18.0, 30.0),
        "battery_v": 14.0 - fault.sag_v * since_open + rng.normal(0, 0.02, time.size),
        "coolant_c": 88.0 - 0.5 * early,
        "intake_air_c": 25.0 - 0.5 * early + fault.warming_c * _ramp(time, loaded),
        "fuel_pressure_kpa": 300.0 - fault.fuel_drop_kpa * since_open + rng.normal(0, 1.0, time.size),
        "fuel_mode": np.where(full & (not fault.closed_loop), 4.0, 2.0),
    }
    return log.assign({name: ("time", value) for name, value in values.items()})


def seen_by_sensor(time: np.ndarray, value: np.ndarray, exhaust_kg_h: np.ndarray) -> np.ndarray:
    """What a sensor shows: a fixed delay, then the pipe's content is pushed through, then a first-order lag."""
    fine = np.arange(time[0], time[-1], 0.004)
    pushed = np.cumsum(np.interp(fine, time, exhaust_kg_h)) * 0.004
    arrives = np.interp(np.interp(time + DELAY_S, fine, pushed) + DELAY_FLOW, pushed, fine)
    arrives = np.maximum.accumulate(arrives + 1e-9 * np.arange(time.size))
    at_sensor = np.interp(fine, arrives, value)
    shown = np.empty(fine.size)
    shown[0] = at_sensor[0]
    keep = np.exp(-0.004 / LAG_S)
    for k in range(1, fine.size):
        shown[k] = keep * shown[k - 1] + (1 - keep) * at_sensor[k]
    return np.interp(time, fine, shown)


def _ramp(time: np.ndarray, full: np.ndarray) -> np.ndarray:
    """0 at the start of each stretch of full throttle, 1 after five seconds of it."""
    out, began = np.zeros(time.size), 0.0
    for k in range(1, time.size):
        if full[k] and not full[k - 1]:
            began = time[k]
        out[k] = min((time[k] - began) / 5.0, 1.0) if full[k] else 0.0
    return out
