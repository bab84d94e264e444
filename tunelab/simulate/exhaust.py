"""From the fuel that was injected to what the lambda sensor reads: wall film, plug flow in the pipe, sensor lag."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from tunelab.simulate.engine import pressure_difference_kpa, true_injector_flow_g_s
from tunelab.simulate.state import State, towards
from tunelab.simulate.truth import KG_H, KG_H_IN_G_S, MILLI, FilmTruth, Truth

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
