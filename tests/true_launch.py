"""Launches of invented cars, and what they truly did."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tunelab.log.flag import flag_log
from tunelab.simulate import Drive, Driver, Schedule, drive, random_car
from tunelab.simulate.schedule import DAY, launches
from tunelab.study.launch import Launch, study_launches
from tunelab.workspace.session import Session

SESSION = Session(date=datetime.date(2026, 5, 20), steps=["launch"], revision="r01")
DISTANCE_M = 50.0


@dataclass(frozen=True)
class Known:
    """One launch as the study measured it, beside the truth."""

    launch: Launch
    held_rpm: float  # true mean from the end of the climb until the hold lets go
    time_to_distance_s: float  # NaN if it did not get there
    slip_pct: float  # largest mean over 0.2 s within 4 s of the first movement, from 8 km/h of wheel speed on

    @property
    def slip_is_covered(self) -> bool:
        """Whether the measured slip holds the true one within 1.96 of its standard errors."""
        return abs(self.launch.slip_peak_pct - self.slip_pct) <= 1.96 * self.launch.slip_se_pct


def known_launches(seed: int, driver: Driver, *, without: Sequence[str], rate_hz: float) -> Iterator[Known]:
    """Three launches of one invented car, its log lacking the channels `without`."""
    car, truth, revision = random_car(np.random.default_rng([seed, 41]))
    tasks = launches(driver, np.random.default_rng([seed, 5]), repeats=3, until_km_h=75.0)
    run = drive(truth, revision, Schedule("launches", driver, DAY, tasks, 200.0), rng=np.random.default_rng(seed))
    log = flag_log(run.log(rate_hz).drop_vars(list(without)), car, SESSION, revision=revision)
    for launch in study_launches(log, car, driver=driver.name, distance_m=DISTANCE_M).own:
        yield Known(launch, true_held(run, launch), _time_to_distance(run, launch), _true_slip(run, launch))


def true_held(run: Drive, launch: Launch) -> float:
    """Mean of the true engine speed at 100 Hz over the hold as the study means it, by when the hold truly let go.

    Its last 1.5 s but for 0.15 s, from where the climb comes within 2 % of the mean of the last 0.75 s.
    """
    lets_go = np.flatnonzero((run.channels["launch_active"] > 0.5) & (run.time < launch.release_s + 1.0))[-1] + 1
    speed = run.channels["engine_speed_rpm"][lets_go - 165 : lets_go - 15]
    return float(speed[int(np.argmax(speed >= 0.98 * speed[75:].mean())) :].mean())


def _true_slip(run: Drive, launch: Launch) -> float:
    rows = round(0.2 / (run.time[1] - run.time[0]))
    wheels, ground = (
        np.convolve(run.true[name], np.full(rows, 1.0 / rows), "same")
        for name in ("wheel_speed_m_s", "ground_speed_m_s")
    )
    early = (run.time >= launch.moves_s) & (run.time < launch.moves_s + 4.0) & (wheels * 3.6 > 8.0)
    return float(100.0 * np.max(1.0 - ground[early] / wheels[early]))


def _time_to_distance(run, launch: Launch) -> float:
    wheels, ground, time = run.true["wheel_speed_m_s"], run.true["ground_speed_m_s"], run.time
    begins = int(np.argmax((time > launch.release_s - 0.5) & (wheels * 3.6 > 1.0)))
    own = slice(begins, int(np.searchsorted(time, launch.moves_s + 20.0)))
    covered = np.cumsum(ground[own]) * (time[1] - time[0])
    return float(time[own][np.argmax(covered >= DISTANCE_M)] - time[begins]) if covered[-1] >= DISTANCE_M else np.nan
