"""Simulated cars whose idle controller hunts, with the swing counted from their true engine speed."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
from scipy import signal

from tunelab.log.flag import flag_log
from tunelab.simulate import Schedule, drive, random_car
from tunelab.simulate.demo.cars import MARIT
from tunelab.simulate.schedule import DAY, idle
from tunelab.study.idle import Hunting, study_idle
from tunelab.workspace.session import Session

SESSION = Session(date=datetime.date(2026, 5, 6), steps=["road"], revision="r01")


def hunting(seed: int, rate_hz: float) -> tuple[float, float, Hunting | None]:
    """True frequency [Hz] and amplitude [rpm] of an invented car's swing, and what the study makes of its log."""
    rng = np.random.default_rng([seed, 31])
    car, truth, revision = random_car(rng)
    ecu = replace(truth.ecu, idle_gain=rng.uniform(14.0, 20.0), idle_reach_rpm=rng.uniform(20.0, 60.0))
    schedule = Schedule("hunting", MARIT, DAY, (idle(45.0),), 46.0)
    run = drive(replace(truth, ecu=ecu), revision, schedule, rng=np.random.default_rng(seed))
    log = flag_log(run.log(rate_hz), car, SESSION, revision=revision)
    frequency, amplitude = counted(run.time, run.channels["engine_speed_rpm"])
    return frequency, amplitude, study_idle(log, car).worst_hunting


def counted(time_s: np.ndarray, speed_rpm: np.ndarray) -> tuple[float, float]:
    """Swings counted by their upward crossings [Hz], and the root of twice their power [rpm]: no spectrum in it."""
    band = signal.butter(2, [0.3, 1.5], "band", fs=1.0 / (time_s[1] - time_s[0]), output="sos")
    swing = signal.sosfiltfilt(band, speed_rpm - speed_rpm.mean())
    up = np.flatnonzero((swing[:-1] < 0) & (swing[1:] >= 0))
    return (up.size - 1) / (time_s[up[-1]] - time_s[up[0]]), float(np.sqrt(2.0) * swing.std())
