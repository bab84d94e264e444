"""Schedules for the steps beyond the steady sweep."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tunelab.simulate.schedule import (
    Driver,
    Task,
    cruise,
    free_roll,
    idle,
    launch,
    off,
    overrun,
    pull,
    start,
    stop,
    tip_in,
)

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
