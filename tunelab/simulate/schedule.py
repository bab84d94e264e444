"""What the driver is asked to do: tasks in a row, one schedule for each step of driving.

What the driver is asked to do: tasks in a row, one schedule per step of `house.md`.

Schedules for the steps beyond the steady sweep.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tunelab.simulate.truth import Conditions

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
