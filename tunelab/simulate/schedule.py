"""What the driver is asked to do: one schedule for each step of driving, and the grid of the steady sweep."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tunelab.simulate import engine
from tunelab.simulate.engine import (
    ecu_dead_time_ms,
    ecu_flow_kg_h,
    ecu_injector_flow_g_s,
    meter_reading,
    pressure_difference_kpa,
    pulsation_factor,
    true_dead_time_ms,
    true_injector_flow_g_s,
)
from tunelab.simulate.truth import KG_H, KG_H_IN_G_S, KILO, KM_H, MILLI, Conditions, Truth
from tunelab.simulate.vehicle import gear_ratio
from tunelab.workspace.revision import Revision

Kind = Literal["off", "start", "idle", "hold", "pull", "cruise", "overrun", "tip-in", "free-roll", "stop", "launch"]


@dataclass(frozen=True)
class Task:
    """One thing to do. A field that a kind does not use is left at zero."""

    kind: Kind
    seconds: float  # how long, once settled; for `pull`, `overrun`, `free-roll` and `launch` the longest
    gear: int = 0
    engine_speed_rpm: float = 0.0  # hold: the speed; pull: where it begins; launch: speed of the shift
    until_rpm: float = 0.0  # pull and overrun: where it ends
    throttle_pct: float = 0.0
    speed_km_h: float = 0.0  # cruise: the speed; free-roll and launch: where it begins or ends
    until_km_h: float = 0.0
    grade: float = 0.0  # slope of the road, uphill positive
    heading_deg: float = 0.0
    load_a: float = 0.0  # electrical loads switched on
    is_charging: bool = True
    release_s: float = 0.0  # launch: time to let the clutch go
    shift_s: float = 0.0  # launch: time with the clutch down in a gear change


@dataclass(frozen=True)
class Driver:
    """How a person drives."""

    name: str
    wobble_pct: float  # unsteadiness of the foot
    shift_s: float  # time with the clutch down in a gear change
    take_off_s: float  # time to release the clutch on an ordinary start
    launch_release_s: float  # and at a launch
    launch_throttle_pct: float  # opening at which the clutch is let go
    spread: float  # how far each repeat differs, as a share


@dataclass(frozen=True)
class Schedule:
    """A drive: who, what, on which day."""

    name: str
    driver: Driver
    conditions: Conditions
    tasks: tuple[Task, ...]
    longest_s: float  # the drive is broken off here

    def __post_init__(self) -> None:
        if not self.tasks or self.longest_s <= 0.0:
            raise ValueError(f"schedule {self.name!r}: at least one task and a longest_s above zero are wanted.")


def idle(seconds: float, *, load_a: float = 0.0) -> Task:
    """Stand in neutral with the brake on."""
    return Task("idle", seconds, load_a=load_a)


def hold(gear: int, engine_speed_rpm: float, throttle_pct: float, seconds: float) -> Task:
    """Hold an engine speed at a throttle opening, the left foot on the brake as far as needed."""
    return Task("hold", seconds, gear, engine_speed_rpm, throttle_pct=throttle_pct)


def pull(gear: int, from_rpm: float, until_rpm: float, throttle_pct: float) -> Task:
    """Accelerate in one gear at one throttle opening."""
    return Task("pull", 40.0, gear, from_rpm, until_rpm, throttle_pct)


def cruise(gear: int, speed_km_h: float, seconds: float, *, grade: float = 0.0) -> Task:
    """Drive at a road speed."""
    return Task("cruise", seconds, gear, speed_km_h=speed_km_h, grade=grade)


def overrun(gear: int, from_rpm: float, until_rpm: float) -> Task:
    """Reach a speed, then close the throttle in gear."""
    return Task("overrun", 40.0, gear, from_rpm, until_rpm)


def tip_in(gear: int, engine_speed_rpm: float, throttle_pct: float) -> Task:
    """Step the throttle open from a steady speed, stay 1.5 s, and step back."""
    return Task("tip-in", 6.0, gear, engine_speed_rpm, throttle_pct=throttle_pct)


def free_roll(gear: int, from_km_h: float, until_km_h: float, heading_deg: float) -> Task:
    """Reach a road speed and roll in neutral."""
    return Task("free-roll", 120.0, gear, speed_km_h=from_km_h, until_km_h=until_km_h, heading_deg=heading_deg)


def stop(seconds: float) -> Task:
    """Brake to a stand and stay."""
    return Task("stop", seconds)


def launch(driver: Driver, until_km_h: float, heading_deg: float) -> Task:
    """Hold the launch speed, let the clutch go at some throttle, change up at 6200 rpm, until a road speed."""
    task = Task("launch", 25.0, 1, 6200.0, speed_km_h=until_km_h, heading_deg=heading_deg)
    return replace(
        task, release_s=driver.launch_release_s, shift_s=driver.shift_s, throttle_pct=driver.launch_throttle_pct
    )


def off(seconds: float) -> Task:
    """Engine switched off."""
    return Task("off", seconds)


def start(seconds: float) -> Task:
    """Crank until it runs, then idle."""
    return Task("start", seconds)


def loaded(task: Task, load_a: float, *, is_charging: bool = True) -> Task:
    """The same task with electrical loads on, or the alternator's field switched off."""
    return replace(task, load_a=load_a, is_charging=is_charging)


BACK_DEG = 180.0  # heading of the way back


def both_ways(tasks: tuple[Task, ...], grade: float) -> tuple[Task, ...]:
    """The same tasks out and back on a road with a slope: uphill out, downhill back; a stand while turning round."""
    out = tuple(replace(task, grade=grade, heading_deg=0.0) for task in tasks)
    back = tuple(replace(task, grade=-grade, heading_deg=BACK_DEG) for task in tasks)
    return (*out, stop(5.0), *back)


def full_throttle_pulls(
    gear: int, from_rpm: float, until_rpm: float, *, repeats: int, grade: float
) -> tuple[Task, ...]:
    """Pulls at full throttle in one gear, both ways, with time to cool between them."""
    one = (pull(gear, from_rpm, until_rpm, 100.0), overrun(gear, 0.0, 1.4 * from_rpm), cruise(gear, 60.0, 8.0))
    return both_ways(one, grade) * repeats + (stop(5.0),)


def part_throttle_pulls(
    gear: int, throttles_pct: tuple[float, ...], from_rpm: float, until_rpm: float
) -> tuple[Task, ...]:
    """One pull for each throttle opening."""
    tasks: list[Task] = []
    for throttle in throttles_pct:
        tasks += [pull(gear, from_rpm, until_rpm, throttle), cruise(gear, 50.0, 4.0)]
    return (*tasks, stop(5.0))


def road_drive(*, is_cold: bool) -> tuple[Task, ...]:
    """An everyday drive: start, warm-up, idle, take-offs, cruise, tip-ins, overruns, stops, a heat-soaked restart."""
    begin = (off(4.0), start(25.0), idle(40.0)) if is_cold else (idle(15.0),)
    town = (cruise(2, 30.0, 12.0), stop(8.0), cruise(3, 50.0, 20.0), stop(10.0), cruise(2, 35.0, 8.0), stop(6.0))
    country = (
        cruise(4, 70.0, 25.0),
        tip_in(3, 2200.0, 30.0),
        tip_in(3, 2200.0, 55.0),
        tip_in(4, 1800.0, 40.0),
        tip_in(2, 2600.0, 25.0),
        overrun(3, 3400.0, 1250.0),
        cruise(5, 85.0, 25.0, grade=0.02),
        overrun(4, 3000.0, 1200.0),
        tip_in(3, 2800.0, 70.0),
        cruise(4, 60.0, 15.0, grade=-0.02),
        overrun(2, 4000.0, 1250.0),
    )
    soaked = (stop(12.0), idle(20.0, load_a=45.0), off(150.0), start(25.0), idle(20.0))
    return (*begin, *town, *country, *town[:2], *country[4:8], *soaked, cruise(3, 45.0, 15.0), stop(10.0), idle(10.0))


def coast_downs(gear: int, from_km_h: float, until_km_h: float, *, repeats: int, grade: float) -> tuple[Task, ...]:
    """Coast-downs in neutral, out and back."""
    return both_ways((free_roll(gear, from_km_h, until_km_h, 0.0), stop(4.0)), grade) * repeats


def launches(driver: Driver, rng: np.random.Generator, *, repeats: int, until_km_h: float) -> tuple[Task, ...]:
    """Launches from a stand, out and back, each a little different as the driver's `spread` has it."""
    tasks: list[Task] = [idle(12.0)]
    for n in range(repeats):
        one = launch(driver, until_km_h, 0.0 if n % 2 == 0 else BACK_DEG)
        luck = np.exp(driver.spread * rng.standard_normal(4))
        one = replace(
            one,
            engine_speed_rpm=min(one.engine_speed_rpm * float(luck[0]) ** 0.15, 6450.0),
            release_s=one.release_s * float(luck[1]),
            throttle_pct=min(one.throttle_pct * float(luck[2]), 100.0),
            shift_s=one.shift_s * float(luck[3]),
        )
        tasks += [one, stop(10.0)]
    return tuple(tasks)


@dataclass(frozen=True)
class Points:
    """Steady operating points; arrays of one shape."""

    engine_speed_rpm: np.ndarray
    manifold_kpa: np.ndarray
    battery_v: np.ndarray


def steady_flow_kg_h(truth: Truth, engine_speed_rpm: float, manifold_kpa: float, conditions: Conditions) -> float:
    """Air flow of the warm engine. [kg/h]"""
    charge_k = engine.charge_temperature(conditions.air_c + 8.0, 88.0)
    drawn = engine.cylinder_flow(truth.engine, engine_speed_rpm, manifold_kpa, conditions.pressure_kpa, charge_k)
    return drawn * KG_H


def steady_throttle_pct(truth: Truth, engine_speed_rpm: float, manifold_kpa: float, conditions: Conditions) -> float:
    """Throttle opening that gives a manifold pressure, 100 where even wide open does not. By bisection."""
    wanted = steady_flow_kg_h(truth, engine_speed_rpm, manifold_kpa, conditions) / KG_H
    low, high = 0.0, 100.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        area = engine.throttle_area(truth.engine, middle, 32.0)
        passed = engine.throttle_flow(area, conditions.pressure_kpa, manifold_kpa, conditions.air_c + 281.0)[0]
        low, high = (middle, high) if passed < wanted else (low, middle)
    return high


def brake_torque_nm(truth: Truth, engine_speed_rpm: float, manifold_kpa: float, conditions: Conditions) -> float:
    """Torque at the flywheel of the warm engine at lambda 1 and best spark. [N m]"""
    air = steady_flow_kg_h(truth, engine_speed_rpm, manifold_kpa, conditions) / KG_H
    work = engine.indicated_torque(truth.engine, air, engine_speed_rpm, 1.0, 0.02)
    return work - engine.drag_torque(truth.engine, engine_speed_rpm, manifold_kpa, conditions.pressure_kpa, 90.0)


def true_lambda(
    truth: Truth, revision: Revision, points: Points, conditions: Conditions, *, with_pulsation: bool
) -> np.ndarray:
    """True steady lambda over the commanded one that a revision gives, trims at zero and lambda 1 commanded.

    This includes the overall constant that no log can tell (`overall_constant`). Shape as `points`; NaN stays NaN.
    """
    speed = np.asarray(points.engine_speed_rpm, dtype=float)
    pressure = np.asarray(points.manifold_kpa, dtype=float)
    flow = _each(lambda rpm, kpa: steady_flow_kg_h(truth, rpm, kpa, conditions), speed, pressure)
    heard = flow * pulsation_factor(truth.meter, speed, pressure, conditions.pressure_kpa) if with_pulsation else flow
    believed = ecu_flow_kg_h(revision, meter_reading(truth.meter, heard))
    vacuum = conditions.pressure_kpa - pressure
    delivered = _delivered_g_s(truth, revision, believed, (speed, vacuum, np.asarray(points.battery_v, dtype=float)))
    return flow / KG_H_IN_G_S / (delivered * truth.stoich_afr)


def _each(formula: Callable[..., float], *arrays: np.ndarray) -> np.ndarray:
    """One of the inner loop's formulas on every element of arrays of one shape."""
    values = [formula(*row) for row in zip(*(array.flat for array in arrays), strict=True)]
    return np.array(values).reshape(arrays[0].shape)


def _delivered_g_s(
    truth: Truth, revision: Revision, believed_kg_h: np.ndarray, state: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> np.ndarray:
    speed, vacuum, battery = state
    injectors = truth.injectors
    events_s = injectors.count * injectors.injections_per_cycle * speed / 120.0
    flow_ecu = _each(lambda kpa: ecu_injector_flow_g_s(injectors, revision.injectors.flow_g_min, kpa), vacuum)
    open_ecu_s = believed_kg_h / KG_H_IN_G_S / revision.fuelling.stoich_afr / events_s / flow_ecu
    pulse_s = open_ecu_s + ecu_dead_time_ms(revision, battery) * MILLI
    duty = np.minimum(pulse_s * events_s / injectors.count, 1.0)
    difference = _each(lambda kpa, share: pressure_difference_kpa(injectors, kpa, share), vacuum, duty)
    flow_true = _each(lambda kpa: true_injector_flow_g_s(injectors, kpa), difference)
    return np.maximum(pulse_s - true_dead_time_ms(injectors, battery) * MILLI, 1e-9) * events_s * flow_true


def overall_constant(truth: Truth, revision: Revision) -> float:
    """What no log can separate: true over believed injector flow and fuel, times the gain of the lambda sensor.

    A log reads lambda as if the meter's factor were the true one divided by this and by nothing else.
    """
    injectors = truth.injectors
    flow = injectors.flow_g_min * math.sqrt(injectors.rail_pressure_kpa / injectors.rated_pressure_kpa)
    fuel = flow * truth.stoich_afr / (revision.injectors.flow_g_min * revision.fuelling.stoich_afr)
    return fuel / truth.sensor.gain


def read_lambda(
    truth: Truth, revision: Revision, points: Points, conditions: Conditions, *, with_pulsation: bool
) -> np.ndarray:
    """`true_lambda` on the scale of the car's own lambda sensor: what a perfect proposal brings to 1."""
    return truth.sensor.gain * true_lambda(truth, revision, points, conditions, with_pulsation=with_pulsation)


def transport_delay_s(truth: Truth, exhaust_kg_h: ArrayLike) -> np.ndarray:
    """Time from the ports to the tip of the lambda sensor, without the sensor's lag. [s]"""
    return truth.sensor.delay_s + truth.sensor.delay_flow_s_kg_h / np.asarray(exhaust_kg_h, dtype=float)


DAY = Conditions(
    air_c=18.0, pressure_kpa=99.0, humidity_pct=55.0, wind_m_s=0.0, coolant_c=86.0, oil_c=88.0, is_running=True,
    latitude_deg=44.5, longitude_deg=-30.0, altitude_m=120.0,
)  # fmt: skip
CALM = Driver(
    "calm", wobble_pct=1.2, shift_s=0.4, take_off_s=1.5, launch_release_s=0.6, launch_throttle_pct=40.0, spread=0.1
)

_LOADS_A = ((0.0, True), (30.0, True), (0.0, True), (65.0, True), (0.0, True), (10.0, False), (0.0, True))


def hold_gear(truth: Truth, engine_speed_rpm: float, top_speed_km_h: float) -> int:
    """Highest gear up to third in which an engine speed stays below a road speed, or first."""
    fitting = [1]
    for gear in range(2, min(len(truth.vehicle.ratios), 4) + 1):
        turns_s = engine_speed_rpm / 60.0 / gear_ratio(truth, gear)
        if turns_s * 2.0 * math.pi * truth.vehicle.rolling_radius_m * KM_H <= top_speed_km_h:
            fitting.append(gear)
    return fitting[-1] if engine_speed_rpm < 2600.0 else min(fitting[-1], 3)


def brake_heat_kw(truth: Truth, engine_speed_rpm: float, manifold_kpa: float, conditions: Conditions) -> float:
    """Power that the brakes would have to take in a hold, road load left out. [kW]"""
    torque = brake_torque_nm(truth, engine_speed_rpm, manifold_kpa, conditions)
    return torque * engine_speed_rpm * math.pi / 30.0 / KILO


def sweep_tasks(
    truth: Truth, conditions: Conditions, speeds_rpm: tuple[float, ...], loads: tuple[float, ...], seconds: float
) -> tuple[Task, ...]:
    """Holds over a grid of engine speeds and manifold-to-ambient pressure ratios, the electrical loads changing.

    Loads go up and down by turns; a hold whose power the brakes could not take is left out.
    """
    tasks: list[Task] = []
    for row, speed in enumerate(speeds_rpm):
        for column, load in enumerate(loads if row % 2 == 0 else loads[::-1]):
            pressure = load * conditions.pressure_kpa
            if brake_heat_kw(truth, speed, pressure, conditions) > 0.075 * truth.vehicle.mass_kg:
                continue
            throttle = steady_throttle_pct(truth, speed, pressure, conditions)
            amps, is_charging = _LOADS_A[(row + column) % len(_LOADS_A)]
            task = hold(hold_gear(truth, speed, 115.0), speed, throttle, seconds)
            tasks.append(loaded(task, amps, is_charging=is_charging))
    return tuple(tasks)


def steady_sweep(truth: Truth, *, longest_s: float) -> Schedule:
    """About ten minutes of holds from 1300 to 5000 rpm and from light to full load, with idling in between."""
    low = sweep_tasks(truth, DAY, (1400.0, 1900.0, 2500.0, 3200.0), (0.32, 0.4, 0.5, 0.6, 0.7, 0.8, 0.93), 9.0)
    high = sweep_tasks(
        truth, DAY, (1600.0, 2200.0, 2800.0, 3700.0, 4400.0, 5000.0), (0.36, 0.45, 0.55, 0.65, 0.76), 8.0
    )
    tasks = (idle(15.0), *low, idle(20.0, load_a=60.0), *high, idle(30.0), idle(15.0, load_a=75.0))
    return Schedule("steady sweep", CALM, DAY, tasks, longest_s)


def one_line(truth: Truth, *, longest_s: float) -> Schedule:
    """Ten minutes of cruising in one gear: load follows speed along one line, at one battery voltage.

    The drive from which meter and dead time cannot be separated.
    """
    gear = min(4, len(truth.vehicle.ratios))
    speeds_km_h = (35.0, 45.0, 55.0, 65.0, 75.0, 85.0, 95.0, 85.0, 75.0, 65.0, 55.0, 45.0)
    tasks = tuple(cruise(gear, speed, 35.0) for speed in speeds_km_h)
    return Schedule("one line", CALM, DAY, (idle(20.0), *tasks), longest_s)
