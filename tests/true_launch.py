"""Launches of invented cars, and what they truly did."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tunelab.log.flag import flag_log
from tunelab.simulate import Driver, Schedule, drive, random_car
from tunelab.simulate.plans import launches
from tunelab.simulate.sweep import DAY
from tunelab.study.launch import Launch, study_launches
from tunelab.workspace.session import Session

SESSION = Session(date=datetime.date(2026, 5, 20), steps=["launch"], revision="r01")
DISTANCE_M = 50.0


@dataclass(frozen=True)
class Known:
    """One launch as the study measured it, beside the truth."""

    launch: Launch
    held_rpm: float  # true mean over the stretch that the study reads
    time_to_distance_s: float  # NaN if it did not get there


def known_launches(seed: int, driver: Driver, *, without: Sequence[str], rate_hz: float) -> Iterator[Known]:
    """Three launches of one invented car, its log lacking the channels `without`."""
    car, truth, revision = random_car(np.random.default_rng([seed, 41]))
    tasks = launches(driver, np.random.default_rng([seed, 5]), repeats=3, until_km_h=75.0)
    run = drive(truth, revision, Schedule("launches", driver, DAY, tasks, 200.0), rng=np.random.default_rng(seed))
    log = flag_log(run.log(rate_hz).drop_vars(list(without)), car, SESSION, revision=revision)
    for launch in study_launches(log, car, driver=driver.name, distance_m=DISTANCE_M).own:
        held = (run.time > launch.release_s - 1.65) & (run.time < launch.release_s - 0.15)
        speed = run.channels["engine_speed_rpm"][held]
        speed = speed[int(np.argmax(speed > 0.93 * np.quantile(speed, 0.9))) :]
        yield Known(launch, float(speed.mean()), _time_to_distance(run, launch))


def _time_to_distance(run, launch: Launch) -> float:
    wheels, ground, time = run.true["wheel_speed_m_s"], run.true["ground_speed_m_s"], run.time
    begins = int(np.argmax((time > launch.release_s - 0.5) & (wheels * 3.6 > 1.0)))
    own = slice(begins, int(np.searchsorted(time, launch.moves_s + 20.0)))
    covered = np.cumsum(ground[own]) * (time[1] - time[0])
    return float(time[own][np.argmax(covered >= DISTANCE_M)] - time[begins]) if covered[-1] >= DISTANCE_M else np.nan
