"""Power of one pull on a grid of engine speeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from tunelab.study.gearing.reading import fresh_readings
from tunelab.study.power.inputs import PowerInputs, deviates
from tunelab.study.power.model import Motion, pull_power_kw
from tunelab.study.power.result import PullPower
from tunelab.study.power.rise import Rise, smooth_rise, window_of
from tunelab.study.pull.result import Pull
from tunelab.workspace.car import Car

GRID_RPM = 100.0
LEAST_WINDOWS = 2.5  # in a shorter pull most of the curve lies at the ends, where the window is one-sided


@dataclass(frozen=True)
class Drawing:
    """How many draws, and from which seed."""

    draws: int
    seed: int


def pull_rise(log: xr.Dataset, pull: Pull) -> tuple[Rise | None, str]:
    """Smoothed engine speed of a pull, or why it cannot be used."""
    if pull.gear == 0:
        return None, "its gear is not known"
    time, rpm = fresh_readings(log, "engine_speed_rpm")
    inside = (time >= pull.start_s) & (time <= pull.end_s)
    if inside.sum() < 5 or np.diff(time[inside]).max() > 0.5:
        return None, "readings of engine speed are missing for more than half a second"
    wanted = LEAST_WINDOWS * window_of(time[inside][-1] - time[inside][0], rpm[inside][-1] - rpm[inside][0])
    if pull.seconds < wanted:
        return None, f"it lasts {pull.seconds:.1f} s, at this pace {wanted:.1f} s are wanted"
    try:
        return smooth_rise(time[inside], rpm[inside]), ""
    except ValueError as problem:
        return None, str(problem)


def common_grid(rises: list[Rise]) -> np.ndarray:
    """Engine speeds that any of the pulls reached, GRID_RPM apart; shape (grid,). [rpm]"""
    low = min(rise.rpm[rise.inner].min() for rise in rises)
    high = max(rise.rpm[rise.inner].max() for rise in rises)
    return GRID_RPM * np.arange(np.ceil(low / GRID_RPM), np.floor(high / GRID_RPM) + 1)


def measure_pull(pull: Pull, rise: Rise, car: Car, inputs: PowerInputs, draws, drawing: Drawing, grid) -> PullPower:
    """Power of one pull on the grid; row 0 of the draws is the estimate itself."""
    own = draws | own_draws(pull, inputs, draws, drawing)
    rng = np.random.default_rng([drawing.seed, pull.number])
    noise = rise.noise_draws(drawing.draws, rng)
    noise[0] = 0.0
    power = pull_power_kw(motion_of(rise, car, pull), rise.rise_rpm_s + noise, own, way_sign(pull))
    on_grid = power @ to_grid(rise, grid).T
    lower, upper = np.quantile(on_grid[1:], [0.025, 0.975], axis=0)
    return PullPower(pull, on_grid[0], lower, upper, on_grid, int(rise.time.size), rise.window_s)


def own_draws(pull: Pull, inputs: PowerInputs, draws, drawing: Drawing) -> dict[str, np.ndarray]:
    """Slope and wind met by one pull: what all pulls of the road share, and its own part. Along the way out."""
    out = {}
    for name, shared, own in (("grade", "mean grade", "local grade"), ("wind", "steady wind", "gusts")):
        change = inputs[own].uncertainty * deviates(drawing.draws, drawing.seed, f"{own} {pull.number} {pull.start_s}")
        change[0] = 0.0
        out[name] = draws[shared] + change[:, None]
    return out


def way_sign(pull: Pull) -> float:
    """Sign of slope and head wind met by a pull, against the way out."""
    return -1.0 if pull.direction == "back" else 1.0


def to_grid(rise: Rise, grid: np.ndarray) -> np.ndarray:
    """Operator from rows to the grid by linear interpolation over engine speed; NaN outside; shape (grid, rows)."""
    rpm = np.maximum.accumulate(rise.rpm)
    low, high = rpm[rise.inner][0], rpm[rise.inner][-1]
    after = np.clip(np.searchsorted(rpm, grid), 1, rpm.size - 1)
    share = (grid - rpm[after - 1]) / np.maximum(rpm[after] - rpm[after - 1], 1e-9)
    operator = np.zeros((grid.size, rpm.size))
    operator[np.arange(grid.size), after - 1] = 1 - share
    operator[np.arange(grid.size), after] += share
    operator[(grid < low) | (grid > high)] = np.nan
    return operator


def motion_of(rise: Rise, car: Car, pull: Pull) -> Motion:
    """The pull as the wheels turned, by the gear's overall ratio."""
    overall = car.gearing.ratios[pull.gear - 1] * car.gearing.final_drive
    return Motion(rise.rpm, rise.rise_rpm_s, rise.to_rise, overall)
