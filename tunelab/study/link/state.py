"""What the engine was doing: off, cranking, idling, or turning in which band."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import xarray as xr

from tunelab.log.flag import NOT_BELIEVED
from tunelab.log.flag_channel import RUNNING_RPM
from tunelab.workspace.car import Car

STOPPED, CRANKING, IDLE = "key on, not running", "cranking", "idle"
UNKNOWN = "engine speed not known"
TURNING_RPM = 30.0  # slower than this nothing turns; common practice, no source
IDLE_MULTIPLE = 1.25  # of the idle target: up to here the engine idles; common practice, no source
BAND_RPM = 1000.0


@dataclass(frozen=True)
class EngineStates:
    """The state of every row of a log."""

    names: tuple[str, ...]  # off first, then faster and faster, unknown last
    code: np.ndarray  # shape (time,), index into `names`
    starts: int  # times that the engine was turned from rest, as far as logged

    def name_at(self, row: int) -> str:
        """State of one row."""
        return self.names[int(self.code[row])]

    def is_running(self) -> np.ndarray:
        """Whether the engine ran, shape (time,)."""
        return (self.code >= self.names.index(IDLE)) & (self.code < len(self.names) - 1)


def state_names(car: Car) -> tuple[str, ...]:
    """Names of the states of this car's engine, the unknown one last."""
    edges = _band_edges(car)
    bands = [f"{low:.0f}–{high:.0f} rpm" for low, high in itertools.pairwise(edges)]
    return (STOPPED, CRANKING, IDLE, *bands, UNKNOWN)


def _band_edges(car: Car) -> np.ndarray:
    """Edges of the bands above idle [rpm]: the end of idle, whole thousands, the rev limit or what lies above."""
    first = IDLE_MULTIPLE * car.engine.idle_target_rpm
    begin = np.ceil((first + BAND_RPM / 2) / BAND_RPM) * BAND_RPM
    return np.r_[first, np.arange(begin, car.limits.rev_limit_rpm + BAND_RPM, BAND_RPM)]


def engine_states(log: xr.Dataset, car: Car) -> EngineStates:
    """Tell the engine's state at every row.

    Parameters
    ----------
    log : Dataset
        Flagged or not; a doubtful or missing speed keeps the one before within its episode, else the one after.
    car : Car
        Idle target and rev limit.

    Returns
    -------
    EngineStates
        A log without engine speed is of unknown state throughout.
    """
    names = state_names(car)
    speed = believed_speed(log)
    code = 2 + np.searchsorted(_band_edges(car), speed, side="right")
    code = np.minimum(code, len(names) - 2)
    code = np.where(speed < RUNNING_RPM, 1, code)
    code = np.where(speed < TURNING_RPM, 0, code)
    code = np.where(np.isfinite(speed), code, len(names) - 1)
    return EngineStates(names, code.astype(int), _starts(code))


def believed_speed(log: xr.Dataset) -> np.ndarray:
    """Engine speed [rpm] with doubtful readings replaced by the last good one of the episode, shape (time,)."""
    size = log.sizes["time"]
    if "engine_speed_rpm" not in log:
        return np.full(size, np.nan)
    speed = log["engine_speed_rpm"].to_numpy().astype(float)
    good = np.isfinite(speed)
    if "engine_speed_rpm_flag" in log:
        good &= (log["engine_speed_rpm_flag"].to_numpy() & NOT_BELIEVED) == 0
    episode = log["episode"].to_numpy() if "episode" in log else np.zeros(size, dtype=int)
    rows = np.arange(size)
    before = np.maximum.accumulate(np.where(good, rows, -1))
    after = np.minimum.accumulate(np.where(good, rows, size)[::-1])[::-1]
    held = np.where((before >= 0) & (episode[np.maximum(before, 0)] == episode), before, after)
    known = (held < size) & (episode[np.minimum(held, size - 1)] == episode)
    return np.where(known, speed[np.minimum(held, size - 1)], np.nan)


def _starts(code: np.ndarray) -> int:
    """How often cranking began, or a running engine followed a stopped one."""
    return int(np.count_nonzero((code[1:] > 0) & (code[:-1] == 0)))
