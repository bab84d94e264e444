"""An engine, its ECU, driver and logger, with a known truth.

`random_car` draws a car, `steady_sweep` says what to drive, `drive` drives it; `operating`, `air_meter` and `injector`
give the truth to score a study against.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.signal import lfilter

from tunelab.channels import CHANNELS
from tunelab.simulate import ecu, engine, vehicle
from tunelab.simulate.driver import step_driver
from tunelab.simulate.engine import over_read
from tunelab.simulate.random_car import random_car
from tunelab.simulate.schedule import Driver, Schedule, idle, one_line, steady_sweep
from tunelab.simulate.truth import KG_H, KILO, KM_H, MILLI, Conditions, Truth
from tunelab.simulate.vehicle import State, first_state, towards
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

__all__ = ["Conditions", "Drive", "Driver", "Schedule", "Truth", "drive", "one_line", "random_car", "steady_sweep"]


STEP_S = 0.01
_SETTLE_S = 25.0

CHANNEL_NAMES = (
    "engine_speed_rpm", "air_flow_kg_h", "throttle_pct", "pedal_pct", "manifold_kpa", "barometer_kpa",
    "pulse_width_ms", "injector_duty_pct", "lambda_measured", "lambda_commanded", "trim_short_pct", "trim_long_pct",
    "enrichment_pct", "battery_v", "coolant_c", "intake_air_c", "ambient_c", "oil_c", "exhaust_c", "spark_deg",
    "knock_retard_deg", "road_speed_km_h", "gps_speed_km_h", "fuel_pressure_kpa", "oil_pressure_kpa",
    "idle_actuator_pct", "idle_target_rpm", "fuel_mode", "gear", "clutch_pressed", "brake_pressed", "launch_active",
    "acceleration_m_s2", "north_m", "east_m", "altitude_m",
)  # fmt: skip
TRUE_NAMES = (
    "meter_flow_kg_h", "cylinder_flow_kg_h", "mixture_lambda", "over_read", "delivered_g_s", "torque_nm",
    "wheel_speed_m_s", "ground_speed_m_s", "task",
)  # fmt: skip


@dataclass(frozen=True)
class Drive:
    """A finished drive at STEP_S.

    `channels` holds canonical channels as the sensors and the ECU give them, arrays of shape (samples,);
    `true` holds what no logger sees: flows, mixture in the cylinders, the meter's over-read, the task's number.
    """

    schedule: Schedule
    revision: str
    time: np.ndarray
    channels: dict[str, np.ndarray]
    true: dict[str, np.ndarray]

    def log(self, rate_hz: float) -> xr.Dataset:
        """The drive as a clean log at an even rate: canonical channels, one episode, no faults."""
        step = max(round(1.0 / (rate_hz * STEP_S)), 1)
        time = self.time[::step]
        data: dict[str, tuple] = {}
        for name, values in self.channels.items():
            about = {"units": CHANNELS[name].unit, "long_name": CHANNELS[name].label}
            data[name] = ("time", values[::step].astype(float), about)
        data["episode"] = ("time", np.zeros(time.size, dtype=np.int32))
        attrs = {
            "Conventions": "CF-1.11",
            "title": self.schedule.name,
            "history": "simulated",
            "session": self.schedule.name,
        }
        attrs |= {"revision": self.revision, "files": "[]", "set_aside": "[]", "columns": "{}"}
        return xr.Dataset(data, coords={"time": ("time", time - time[0], {"units": "s"})}, attrs=attrs)


def _coloured(rng: np.random.Generator, count: int, time_s: float) -> np.ndarray:
    """Noise of unit variance with a correlation time; shape (count,)."""
    keep = math.exp(-STEP_S / time_s)
    white = rng.standard_normal(count)
    white[0] /= math.sqrt(1.0 - keep * keep)
    return lfilter([math.sqrt(1.0 - keep * keep)], [1.0, -keep], white)


@dataclass(frozen=True)
class _Noise:
    """Every random draw of a drive, made before the loop."""

    flow: list[float]
    pulsation: list[float]
    sensor: list[float]
    sensor_2: list[float]
    combustion: list[float]
    foot: list[float]
    luck: list[float]


def _noise(truth: Truth, rng: np.random.Generator, count: int) -> _Noise:
    meter = truth.meter
    return _Noise(
        _coloured(rng, count, meter.noise_time_s).tolist(),
        _coloured(rng, count, 0.08).tolist(),
        rng.standard_normal(count).tolist(),
        rng.standard_normal(count).tolist(),
        _coloured(rng, count, 0.05).tolist(),
        _coloured(rng, count, 0.8).tolist(),
        rng.random(count).tolist(),
    )


def _step_air(s: State, truth: Truth, schedule: Schedule, noise: tuple[float, float], dt: float) -> None:
    """Throttle, manifold and meter; the manifold is linearly-implicit because a wide throttle makes it stiff."""
    ambient = schedule.conditions.pressure_kpa
    charge_k = engine.charge_temperature(s.intake_air_c, s.coolant_c)
    area = engine.throttle_area(truth.engine, s.throttle_pct, s.idle_pct)
    inflow, slope = engine.throttle_flow(area, ambient, s.manifold_kpa, 273.15 + s.intake_air_c)
    drawn = engine.cylinder_flow(truth.engine, s.engine_speed_rpm, s.manifold_kpa, ambient, charge_k)
    gain = engine.GAS_CONSTANT * charge_k / (truth.engine.manifold_volume_l * MILLI) / KILO
    change = dt * gain * (inflow - drawn) / (1.0 - dt * gain * (slope - drawn / s.manifold_kpa))
    s.meter_flow_kg_h = max(inflow + slope * change, 0.0) * KG_H
    s.manifold_kpa = max(s.manifold_kpa + change, 8.0)
    s.cylinder_kg_h = max(drawn * s.manifold_kpa / (s.manifold_kpa - change), 0.0) * KG_H
    s.vacuum_kpa = ambient - s.manifold_kpa
    meter = truth.meter
    s.over_read = over_read(meter, s.engine_speed_rpm, s.manifold_kpa / ambient)
    turbulent = 1.0 + meter.noise * noise[0] + meter.pulsation_noise * s.over_read * noise[1]
    s.felt_flow_kg_h = towards(s.felt_flow_kg_h, s.meter_flow_kg_h, dt, meter.lag_s)
    seen = max(s.felt_flow_kg_h * (1.0 + s.over_read) * turbulent, 0.0)
    s.reading = min(
        max((meter.zero + meter.slope * seen**meter.exponent) ** meter.root, meter.rail_low), meter.rail_high
    )


def _step_fuelling(s: State, truth: Truth, tables: ecu.EcuTables, luck: float, dt: float) -> None:
    ecu.step_metering(s, truth, tables, dt)
    ecu.step_cut(s, truth, tables, dt)
    ecu.step_enrichment(s, truth, tables, dt)
    ecu.step_command(s, truth, tables)
    ecu.step_trims(s, truth, dt)
    ecu.step_pulse(s, truth, tables, dt)
    ecu.step_idle(s, truth, tables, dt)
    ecu.step_spark(s, truth, tables, luck, dt)
    injectors = truth.injectors
    dead_ms = injectors.dead_time_ms * (13.5 / s.battery_v) ** injectors.dead_time_power
    engine.step_fuel(s, truth, dead_ms, dt)


def _step_torque(s: State, truth: Truth, ambient_kpa: float, burn: float, dt: float) -> None:
    drag = engine.drag_torque(truth.engine, s.engine_speed_rpm, s.manifold_kpa, ambient_kpa, s.oil_c)
    drag *= min(s.engine_speed_rpm / 100.0, 1.0)
    fires = s.pulse_ms > 0.0 and s.engine_speed_rpm > 120.0 and s.mixture < 2.0
    air_kg_s = s.cylinder_kg_h / KG_H
    work = (
        engine.indicated_torque(truth.engine, air_kg_s, s.engine_speed_rpm, s.mixture, s.spark_loss) if fires else 0.0
    )
    starter = 70.0 * truth.engine.displacement_l / 2.0 * max(1.0 - s.engine_speed_rpm / 320.0, 0.0) if s.crank else 0.0
    s.torque_nm = towards(s.torque_nm, work * (1.0 + 0.02 * burn) - drag + starter, dt, 0.02)
    s.run_clock = s.run_clock + dt if s.engine_speed_rpm > 350.0 and s.key else 0.0


def _row(s: State, truth: Truth, schedule: Schedule, shown: float) -> tuple[float, ...]:
    return (
        s.engine_speed_rpm, s.air_flow_kg_h, s.throttle_pct, s.pedal_pct, s.manifold_kpa,
        schedule.conditions.pressure_kpa, s.pulse_ms, 100.0 * s.duty, shown, s.lambda_commanded, s.short_pct,
        s.long_cells[s.cell], s.enrichment_pct, s.battery_v, s.coolant_c, s.intake_air_c, schedule.conditions.air_c,
        s.oil_c, s.exhaust_c, s.spark_deg, s.retard_deg,
        KM_H * s.wheel_rad_s * truth.vehicle.rolling_radius_m * truth.vehicle.speed_reading,
        KM_H * s.gps_m_s, s.fuel_pressure_kpa, s.oil_pressure_kpa, s.idle_pct, s.idle_target_rpm,
        s.fuel_mode, s.gear, s.clutch_open > 0.5, s.brake > 0.01, s.launch, s.acceleration, s.north_m, s.east_m,
        s.altitude_m, s.reading, s.wide, s.meter_flow_kg_h, s.cylinder_kg_h, s.mixture, s.over_read,
        s.delivered_g_s, s.torque_nm, s.wheel_rad_s * truth.vehicle.rolling_radius_m, s.speed_m_s, s.task,
    )  # fmt: skip


def _throttle(s: State, driver: Driver, foot: float, dt: float) -> None:
    """Move the plate after the pedal; the foot is never quite still, but it is on the stop when flat out."""
    unsteady = 1.0 + 0.01 * driver.wobble_pct * foot if s.pedal_pct < 95.0 else 1.0
    s.throttle_pct = towards(s.throttle_pct, min(s.pedal_pct * unsteady, 100.0), dt, 0.03)


@dataclass(frozen=True)
class _Rig:
    """What the loop needs besides the state."""

    truth: Truth
    tables: ecu.EcuTables
    schedule: Schedule
    noise: _Noise
    pipe: engine.Pipe
    density: float


def _step(s: State, rig: _Rig, i: int) -> None:
    """Everything but the driver, by one step."""
    truth, schedule, noise, dt = rig.truth, rig.schedule, rig.noise, STEP_S
    conditions = schedule.conditions
    _throttle(s, schedule.driver, noise.foot[i], dt)
    _step_air(s, truth, schedule, (noise.flow[i], noise.pulsation[i]), dt)
    _step_fuelling(s, truth, rig.tables, noise.luck[i], dt)
    engine.step_pipe(s, rig.pipe, dt)
    engine.step_sensors(s, truth, dt)
    _step_torque(s, truth, conditions.pressure_kpa, noise.combustion[i], dt)
    vehicle.step_motion(s, truth, conditions, rig.density, dt)
    vehicle.step_position(s, dt)
    vehicle.step_battery(s, truth, dt)
    vehicle.step_heat(s, truth, conditions, dt)
    vehicle.step_pressures(s, truth, dt)


def _settle(s: State, rig: _Rig) -> None:
    """Idle for a while before the log begins, so that it does not begin with a jolt."""
    for i in range(round(_SETTLE_S / STEP_S)):
        step_driver(s, rig.truth, rig.schedule.driver, idle(2.0 * _SETTLE_S), STEP_S)
        _step(s, rig, i % len(rig.noise.luck))
    s.task_clock = s.settled_clock = 0.0


def _loop(rig: _Rig) -> list[tuple[float, ...]]:
    schedule, sensor = rig.schedule, rig.noise.sensor
    s = first_state(rig.truth, schedule.conditions)
    if schedule.conditions.is_running:
        _settle(s, rig)
    rows: list[tuple[float, ...]] = []
    for i in range(len(sensor)):
        step_driver(s, rig.truth, schedule.driver, schedule.tasks[s.task], STEP_S)
        if s.task >= len(schedule.tasks):
            break
        _step(s, rig, i)
        rows.append(_row(s, rig.truth, schedule, engine.shown_lambda(s, rig.truth, sensor[i])))
    return rows


def drive(
    truth: Truth, revision: Revision, schedule: Schedule, *, rng: np.random.Generator, car: Car | None = None
) -> Drive:
    """Drive a schedule with a revision in the ECU. The same `rng` state gives the same drive.

    `car` says whether the ECU takes the air from a table; without it, or where it says so, from the meter.
    """
    count = round(schedule.longest_s / STEP_S)
    noise = _noise(truth, rng, count)
    conditions = schedule.conditions
    density = conditions.pressure_kpa * KILO / (engine.GAS_CONSTANT * (conditions.air_c + 273.15))
    rig = _Rig(truth, ecu.ecu_tables(revision, car), schedule, noise, engine.pipe_of(truth, STEP_S), density)
    table = np.array(_loop(rig), dtype=float).T
    names = (*CHANNEL_NAMES, "reading", "wide", *TRUE_NAMES)
    columns = dict(zip(names, table, strict=True))
    true = {name: columns.pop(name) for name in TRUE_NAMES}
    channels = _finish(columns, truth, schedule, noise, rng)
    if car is not None and not car.has_meter:
        channels = {name: values for name, values in channels.items() if not name.startswith("meter_")}
    return Drive(schedule, revision.name, STEP_S * np.arange(table.shape[1]), channels, true)


def _finish(
    columns: dict[str, np.ndarray], truth: Truth, schedule: Schedule, noise: _Noise, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """Name the meter's channel, add the second sensor, the noise of slow sensors, and the position."""
    channel = {"voltage": "meter_v", "frequency": "meter_hz", "counts": "meter_counts"}[truth.meter.kind]
    out = {name: values for name, values in columns.items() if name not in ("reading", "wide", "north_m", "east_m")}
    out[channel] = columns["reading"]
    spread = {"manifold_kpa": 0.15, "battery_v": truth.supply.ripple_v, "road_speed_km_h": 0.08, "gps_speed_km_h": 0.12}
    spread |= {"fuel_pressure_kpa": 1.2, "oil_pressure_kpa": 3.0, "acceleration_m_s2": 0.25, "altitude_m": 0.4}
    for name, sigma in spread.items():
        out[name] = out[name] + sigma * rng.standard_normal(out[name].size)
    for name in ("manifold_kpa", "road_speed_km_h", "gps_speed_km_h", "oil_pressure_kpa", "fuel_pressure_kpa"):
        out[name] = np.maximum(out[name], 0.0)
    if truth.sensor.bank_2 is not None:
        second = np.array(noise.sensor_2[: out[channel].size])
        seen = columns["wide"] * truth.sensor.bank_2 * truth.sensor.gain * (1.0 + truth.sensor.noise * second)
        out["lambda_measured_2"] = np.clip(seen, truth.sensor.rail_low, truth.sensor.rail_high)
    conditions = schedule.conditions
    out["latitude_deg"] = conditions.latitude_deg + columns["north_m"] / 111_200.0
    east = columns["east_m"] / (111_200.0 * math.cos(math.radians(conditions.latitude_deg)))
    out["longitude_deg"] = conditions.longitude_deg + east
    return out
