"""The true engine: breathing and torque, its meter and injectors, and what the lambda sensor reads of its exhaust."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from tunelab.simulate.truth import (
    KG_H,
    KG_H_IN_G_S,
    KILO,
    MILLI,
    EngineTruth,
    FilmTruth,
    InjectorTruth,
    MeterTruth,
    Truth,
)
from tunelab.simulate.vehicle import State, towards
from tunelab.workspace.revision import Revision


def meter_reading(meter: MeterTruth, flow_kg_h: ArrayLike) -> np.ndarray:
    """Reading at a steady flow without pulsation, between the rails; the meter's own unit.

    Shape follows `flow_kg_h`; NaN stays NaN. King's law with a free exponent.
    """
    flow = np.maximum(np.asarray(flow_kg_h, dtype=float), 0.0)
    return np.clip((meter.zero + meter.slope * flow**meter.exponent) ** meter.root, meter.rail_low, meter.rail_high)


def true_flow_kg_h(meter: MeterTruth, reading: ArrayLike) -> np.ndarray:
    """Flow that gives this reading when it is steady and without pulsation: the curve the owner looks for. [kg/h]"""
    bare = np.maximum(np.asarray(reading, dtype=float) ** (1.0 / meter.root) - meter.zero, 0.0)
    return (bare / meter.slope) ** (1.0 / meter.exponent)


def pulsation_factor(
    meter: MeterTruth, engine_speed_rpm: ArrayLike, manifold_kpa: ArrayLike, ambient_kpa: float
) -> np.ndarray:
    """What the meter reads over the mean flow because the intake pulsates; 1 is undisturbed.

    Grows with load, where the open throttle lets the waves out, and falls with engine speed. Arrays broadcast.
    """
    speed = np.asarray(engine_speed_rpm, dtype=float)
    ratio = np.asarray(manifold_kpa, dtype=float) / ambient_kpa
    open_share = 1.0 / (1.0 + np.exp(-(ratio - meter.pulsation_load) / meter.pulsation_width))
    return 1.0 + meter.pulsation_peak * open_share * np.exp(-speed / meter.pulsation_speed_rpm)


def over_read(meter: MeterTruth, engine_speed_rpm: float, pressure_ratio: float) -> float:
    """`pulsation_factor` − 1 for single numbers, for the inner loop."""
    open_share = 1.0 / (1.0 + math.exp(-(pressure_ratio - meter.pulsation_load) / meter.pulsation_width))
    return meter.pulsation_peak * open_share * math.exp(-engine_speed_rpm / meter.pulsation_speed_rpm)


def ecu_flow_kg_h(revision: Revision, reading: ArrayLike) -> np.ndarray:
    """Flow that the ECU takes from its curve; straight lines between breakpoints, held beyond the ends. [kg/h]"""
    curve = revision.meter_curve
    return np.interp(np.asarray(reading, dtype=float), curve.reading, curve.flow_kg_h)


def meter_factor(meter: MeterTruth, revision: Revision, reading: ArrayLike) -> np.ndarray:
    """True flow over the current flow at a reading: what to multiply the curve by; NaN where it has no flow."""
    in_force = ecu_flow_kg_h(revision, reading)
    return true_flow_kg_h(meter, reading) / np.where(in_force > 0.0, in_force, np.nan)


def true_dead_time_ms(injectors: InjectorTruth, battery_v: ArrayLike) -> np.ndarray:
    """Dead time of the injectors at a supply voltage. Shape follows `battery_v`. [ms]"""
    return injectors.dead_time_ms * (13.5 / np.asarray(battery_v, dtype=float)) ** injectors.dead_time_power


def ecu_dead_time_ms(revision: Revision, battery_v: ArrayLike) -> np.ndarray:
    """Dead time that the ECU adds: straight lines in the revision's table, held beyond its ends. [ms]"""
    return np.interp(np.asarray(battery_v, dtype=float), revision.dead_time.battery_v, revision.dead_time.dead_time_ms)


def dead_time_change_ms(injectors: InjectorTruth, revision: Revision, battery_v: ArrayLike) -> np.ndarray:
    """What has to be added to the revision's dead time to make it true. [ms]"""
    return true_dead_time_ms(injectors, battery_v) - ecu_dead_time_ms(revision, battery_v)


def pressure_difference_kpa(injectors: InjectorTruth, vacuum_kpa: float, duty: float) -> float:
    """Fuel pressure across the injector. `vacuum_kpa` is ambient less manifold pressure, `duty` 0 to 1. [kPa]"""
    drop = injectors.pressure_drop_kpa * duty
    return injectors.rail_pressure_kpa - drop + (0.0 if injectors.is_manifold_referenced else vacuum_kpa)


def true_injector_flow_g_s(injectors: InjectorTruth, difference_kpa: float) -> float:
    """Flow of one open injector; orifice law. [g/s]"""
    return injectors.flow_g_min / 60.0 * math.sqrt(max(difference_kpa, 1.0) / injectors.rated_pressure_kpa)


def ecu_injector_flow_g_s(injectors: InjectorTruth, flow_g_min: float, vacuum_kpa: float) -> float:
    """Flow that the ECU uses, `flow_g_min` being the revision's. [g/s]"""
    if injectors.is_manifold_referenced or not injectors.ecu_compensates_pressure:
        return flow_g_min / 60.0
    return flow_g_min / 60.0 * math.sqrt((injectors.rail_pressure_kpa + vacuum_kpa) / injectors.rail_pressure_kpa)


GAS_CONSTANT = 287.05  # of dry air [J kg⁻¹ K⁻¹]
HEAT_RATIO = 1.4
_CHOKED = 0.528  # pressure ratio below which a throttle flow no longer depends on it, for HEAT_RATIO 1.4
_LINEAR = 0.97  # pressure ratio above which the throttle flow is taken as a straight line to zero


def volumetric_efficiency(
    engine: EngineTruth, engine_speed_rpm: float, manifold_kpa: float, ambient_kpa: float
) -> float:
    """Air drawn in over what fills the displacement at manifold density.

    The pressure term is the ideal-cycle residual-gas correction (C. F. Taylor, "The Internal Combustion Engine in
    Theory and Practice", vol. 1, ch. 6, from memory); the speed terms are invented.
    """
    back_kpa = ambient_kpa * (1.0 + 0.02 * (engine_speed_rpm / 3000.0) ** 2)
    residual = (engine.compression - (back_kpa / max(manifold_kpa, 10.0)) ** (1.0 / HEAT_RATIO)) / (
        engine.compression - 1.0
    )
    away = engine_speed_rpm / engine.ve_speed_rpm - 1.0
    ripple = engine.ve_ripple * math.sin(2.0 * math.pi * engine_speed_rpm / engine.ve_ripple_rpm)
    return engine.ve_peak * (1.0 - engine.ve_fall * away * away + ripple) * max(residual, 0.05)


def charge_temperature(intake_air_c: float, coolant_c: float) -> float:
    """Temperature at which the charge is drawn in, warmed by the ports. [K]"""
    return 273.15 + intake_air_c + 0.15 * (coolant_c - intake_air_c)


def cylinder_flow(
    engine: EngineTruth, engine_speed_rpm: float, manifold_kpa: float, ambient_kpa: float, charge_k: float
) -> float:
    """Air drawn from the manifold by all cylinders. [kg/s]"""
    filling = volumetric_efficiency(engine, engine_speed_rpm, manifold_kpa, ambient_kpa)
    volume_m3_s = engine.displacement_l * MILLI * engine_speed_rpm / 120.0
    return filling * manifold_kpa * KILO / (GAS_CONSTANT * charge_k) * volume_m3_s


def throttle_area(engine: EngineTruth, throttle_pct: float, idle_pct: float) -> float:
    """Open area past the plate and through the idle actuator, discharge included. [m²]"""
    closed = math.radians(6.0)
    angle = closed + (math.pi / 2.0 - closed) * min(max(throttle_pct, 0.0), 100.0) / 100.0
    bore = math.pi / 4.0 * (engine.throttle_bore_mm * MILLI) ** 2
    idle = math.pi / 4.0 * (engine.idle_bore_mm * MILLI) ** 2
    return 0.85 * bore * (1.0 - math.cos(angle) / math.cos(closed)) + 0.7 * idle * (0.06 + 0.94 * idle_pct / 100.0)


def _flow_function(ratio: float) -> tuple[float, float]:
    """Dimensionless flow of a compressible fluid past a throttle and its slope, by pressure ratio."""
    if ratio <= _CHOKED:
        return 0.6847, 0.0
    if ratio >= _LINEAR:
        edge = _flow_function(_LINEAR - 1e-9)[0]
        slope = -edge / (1.0 - _LINEAR)
        return slope * (ratio - 1.0), slope
    a = ratio ** (2.0 / HEAT_RATIO)
    b = ratio ** ((HEAT_RATIO + 1.0) / HEAT_RATIO)
    value = math.sqrt(7.0 * (a - b))
    return value, 3.5 * (2.0 / HEAT_RATIO * a - (HEAT_RATIO + 1.0) / HEAT_RATIO * b) / ratio / value


def throttle_flow(area_m2: float, upstream_kpa: float, downstream_kpa: float, upstream_k: float) -> tuple[float, float]:
    """Air past the throttle and its slope by downstream pressure. [kg/s], [kg/s per kPa]"""
    scale = area_m2 * upstream_kpa * KILO / math.sqrt(GAS_CONSTANT * upstream_k)
    value, slope = _flow_function(downstream_kpa / upstream_kpa)
    return scale * value, scale * slope / upstream_kpa


def best_spark(engine: EngineTruth, engine_speed_rpm: float, load: float) -> float:
    """Spark advance of best torque: more with speed, less with load. [° before top centre]"""
    return 24.0 + 10.0 * min(engine_speed_rpm / engine.ve_speed_rpm, 1.4) - 18.0 * (load - 0.5)


def mixture_factor(mixture_lambda: float) -> float:
    """Work of a fixed mass of air over its work at lambda 1; best near 0.88, little left beyond 1.5."""
    if mixture_lambda <= 1.0:
        return max(1.05 - 3.4722 * (mixture_lambda - 0.88) ** 2, 0.0)
    return max((1.0 - 1.6 * max(mixture_lambda - 1.25, 0.0) ** 1.0) / mixture_lambda, 0.0)


def indicated_torque(
    engine: EngineTruth, air_kg_s: float, engine_speed_rpm: float, mixture_lambda: float, spark_loss: float
) -> float:
    """Torque on the pistons, before friction and pumping, for 43 MJ/kg at 14.6 (all motor fuels are near it). [N m]

    A thin charge burns slowly among its own residual gas: efficiency falls at light load.
    """
    heat_w = air_kg_s / 14.6 * 43.0e6
    speed_rad_s = max(engine_speed_rpm, 50.0) * math.pi / 30.0
    charge = air_kg_s / (engine.displacement_l * MILLI * speed_rad_s)  # kg/m³ over 4 pi
    thin = 1.0 - 0.7 * math.exp(-charge / 0.02)
    return (
        engine.indicated_efficiency * thin * mixture_factor(mixture_lambda) * (1.0 - spark_loss) * heat_w / speed_rad_s
    )


def drag_torque(
    engine: EngineTruth, engine_speed_rpm: float, manifold_kpa: float, ambient_kpa: float, oil_c: float
) -> float:
    """Friction, pumping and accessories, positive when turning. [N m]"""
    thousands = engine_speed_rpm / KILO
    constant, linear, square = engine.friction_bar
    cold = 1.0 + 0.8 * math.exp(-(oil_c + 10.0) / 30.0)
    pressure_pa = (constant + linear * thousands + square * thousands**2) * 1e5 * cold + (
        ambient_kpa - manifold_kpa
    ) * KILO
    return pressure_pa * engine.displacement_l * MILLI / (4.0 * math.pi)


LEANEST = 20.0  # lambda at which the mixture counts as air


def film_at(film: FilmTruth, coolant_c: float) -> tuple[float, float]:
    """Share X of the fuel that wets the wall and its time constant, at a coolant temperature. [1], [s]"""
    cold = max(90.0 - coolant_c, 0.0) / 100.0
    return min(film.share + film.share_cold * cold, 0.8), film.tau_s * (1.0 + film.tau_cold * cold)


def step_fuel(s: State, truth: Truth, dead_time_ms: float, dt: float) -> None:
    """Injected fuel, wall film and the mixture that burns."""
    injectors = truth.injectors
    events_s = injectors.count * injectors.injections_per_cycle * s.engine_speed_rpm / 120.0
    difference = pressure_difference_kpa(injectors, s.vacuum_kpa, s.duty)
    open_ms = max(s.pulse_ms - dead_time_ms, 0.0)
    injected = true_injector_flow_g_s(injectors, difference) * open_ms * MILLI * events_s
    share, tau = film_at(truth.film, s.coolant_c)
    s.film_g = (s.film_g + share * injected * dt) / (1.0 + dt / tau)
    s.delivered_g_s = (1.0 - share) * injected + s.film_g / tau
    air_g_s = s.cylinder_kg_h / KG_H_IN_G_S
    fuel_for_air = air_g_s / truth.stoich_afr
    s.mixture = LEANEST if s.delivered_g_s * LEANEST <= fuel_for_air else fuel_for_air / s.delivered_g_s


@dataclass(slots=True)
class Pipe:
    """Exhaust on its way to the sensor: what left the ports, and how much exhaust has left since the start."""

    delay_steps: float  # the constant part of the delay, in steps
    held_kg: float  # exhaust mass between ports and sensor
    mixtures: list[float] = field(default_factory=list)
    left_kg: list[float] = field(default_factory=list)
    tips: list[float] = field(default_factory=list)
    first: int = 0  # the last parcel that has reached the sensor


def pipe_of(truth: Truth, dt: float) -> Pipe:
    """Empty pipe. A delay of delay_s + k / flow is a fixed wait and k kg·s/h of exhaust in plug flow."""
    return Pipe(truth.sensor.delay_s / dt, truth.sensor.delay_flow_s_kg_h / KG_H)


def _arriving(pipe: Pipe, now_kg: float) -> float:
    edge = now_kg - pipe.held_kg
    left, i, last = pipe.left_kg, pipe.first, len(pipe.left_kg) - 1
    while i < last and left[i + 1] <= edge:
        i += 1
    pipe.first = i
    if i >= last or edge <= left[i]:
        return pipe.mixtures[i]
    share = (edge - left[i]) / (left[i + 1] - left[i])
    return pipe.mixtures[i] + share * (pipe.mixtures[i + 1] - pipe.mixtures[i])


def step_pipe(s: State, pipe: Pipe, dt: float) -> None:
    """Push this step's exhaust into the pipe; what comes out at the sensor goes to `s.sensed`."""
    exhaust_kg = (s.cylinder_kg_h / KG_H + s.delivered_g_s * MILLI) * dt
    now_kg = (pipe.left_kg[-1] if pipe.left_kg else 0.0) + exhaust_kg
    pipe.mixtures.append(s.mixture)
    pipe.left_kg.append(now_kg)
    pipe.tips.append(_arriving(pipe, now_kg))
    back = len(pipe.tips) - 1 - pipe.delay_steps
    if back <= 0.0:
        s.sensed = pipe.tips[0]
        return
    whole = int(back)
    s.sensed = pipe.tips[whole] + (back - whole) * (pipe.tips[min(whole + 1, len(pipe.tips) - 1)] - pipe.tips[whole])


def step_sensors(s: State, truth: Truth, dt: float) -> None:
    """The lags of the wide-band and the switching sensor; both feel only what lies near their rails."""
    sensor = truth.sensor
    blown_through = 1.0 + truth.engine.overlap_lean * math.exp(-max(s.engine_speed_rpm - 700.0, 0.0) / 400.0)
    felt = min(max(s.sensed * blown_through, 0.97 * sensor.rail_low), 1.04 * sensor.rail_high)
    s.wide = towards(s.wide, felt, dt, sensor.lag_s)
    s.narrow = towards(s.narrow, min(max(s.sensed, 0.9), 1.1), dt, 0.05)
    s.sensor_clock = s.sensor_clock + dt if s.key else 0.0


def shown_lambda(s: State, truth: Truth, noise: float) -> float:
    """What the controller gives out: gain, noise, rails, and its lean rail until it is warm."""
    sensor = truth.sensor
    if s.sensor_clock < sensor.warm_up_s:
        return sensor.rail_high
    return min(max(s.wide * sensor.gain * (1.0 + noise * sensor.noise), sensor.rail_low), sensor.rail_high)
