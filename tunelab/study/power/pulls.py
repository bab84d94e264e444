"""Power of each pull on a grid of engine speeds, and of all pulls together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.align import fresh_readings
from tunelab.physics import STANDARD_GRAVITY_M_S2
from tunelab.study.power.inputs import PowerInputs, deviates
from tunelab.study.power.result import PullPower
from tunelab.study.pull_result import Pull
from tunelab.units import convert
from tunelab.workspace.car import Car, stated

SLIP_ROUNDS = 2  # slip depends on force and force on slip; the third round changes nothing that shows


@dataclass(frozen=True)
class Motion:
    """One pull as the wheels turned. Shapes (rows,); the operator (rows, rows) gives a rate of change per second."""

    engine_speed_rpm: np.ndarray
    rise_rpm_s: np.ndarray
    rate_of_change: np.ndarray
    overall_ratio: float


def pull_power_kw(motion: Motion, rise_rpm_s: np.ndarray, inputs: dict[str, np.ndarray], way: float) -> np.ndarray:
    """Power that the wheels would get at steady engine speed.

    Parameters
    ----------
    motion : Motion
        Smoothed engine speed, the overall ratio and the operator of a rate of change.
    rise_rpm_s : array, shape (rows,) or (draws, rows)
        Rate of rise of engine speed, noise added. [rpm/s]
    inputs : dict of arrays, shape (draws, 1) each
        Draws of every named input (`PowerInputs`), with `grade` [%] and `wind` [m/s] along the way out.
    way : float
        1 on the way out, -1 on the way back.

    Returns
    -------
    array, shape (draws, rows)
        Power at the wheel hubs plus what the turning of the engine takes up while it speeds up. [kW]

    Notes
    -----
    Tyre slip is proportional to tractive force over weight; where the force changes, so does the slip, and the car
    gains or loses speed against its wheels. The engine's own inertia is counted behind the driveline loss, as it is the
    engine's torque that turns it. Newton's second law; closed formulas.
    """
    engine = convert(motion.engine_speed_rpm, "rpm", "rad/s")
    wheel, wheel_rise = engine / motion.overall_ratio, convert(rise_rpm_s, "rpm", "rad/s") / motion.overall_ratio
    mass = inputs["mass"] + inputs["load of the day"]
    free, pace = wheel * inputs["rolling radius"], wheel_rise * inputs["rolling radius"]
    slip, growth = _slip(motion, free, inputs, way)
    force = tractive_force(free * (1 - slip), pace * (1 - slip) - free * growth, mass, inputs, way)
    through = 1 - convert(inputs["driveline loss"], "percent", "1")
    turning = inputs["wheel inertia"] * wheel * wheel_rise
    turning = turning + inputs["engine inertia"] * through * engine * wheel_rise * motion.overall_ratio
    return convert(force * free + turning, "W", "kW")


def _slip(motion: Motion, free: np.ndarray, inputs: dict[str, np.ndarray], way: float) -> tuple[np.ndarray, np.ndarray]:
    """Tyre slip and its rate of change, from the force without the noise that draws add; shapes (draws, rows)."""
    mass = inputs["mass"] + inputs["load of the day"]
    pace = convert(motion.rise_rpm_s, "rpm", "rad/s") / motion.overall_ratio * inputs["rolling radius"]
    per_force = convert(inputs["tyre slip"], "percent", "1") / (mass * STANDARD_GRAVITY_M_S2)
    slip, growth = np.zeros_like(free), np.zeros_like(free)
    for _ in range(SLIP_ROUNDS):
        force = tractive_force(free * (1 - slip), pace * (1 - slip) - free * growth, mass, inputs, way)
        slip = per_force * force
        growth = slip @ motion.rate_of_change.T
    return slip, growth


def tractive_force(
    speed_m_s: np.ndarray, acceleration_m_s2: np.ndarray, mass_kg: np.ndarray, inputs: dict[str, np.ndarray], way: float
) -> np.ndarray:
    """Force of the tyres on the road: acceleration, road load with wind, grade. [N]"""
    through_air = speed_m_s + way * inputs["wind"]
    road = inputs["a_n"] + inputs["b_n_s_m"] * speed_m_s + inputs["c_n_s2_m2"] * through_air * np.abs(through_air)
    slope = way * convert(inputs["grade"], "percent", "1")
    return mass_kg * (acceleration_m_s2 + STANDARD_GRAVITY_M_S2 * slope) + inputs["road-load scale"] * road


LONGEST_WINDOW_S = 1.4  # raw differences are useless; over about this long a local quadratic holds
SHORTEST_WINDOW_S = 0.7
WINDOW_RPM = 900.0  # a quick pull gets a shorter window, so that the curve's own shape is kept
BLOCK_S = 0.4  # neighbouring residuals are alike over about this long
CALIBRATION = 40  # runs of white noise from which the shortfall of resampled residuals is found


@dataclass(frozen=True)
class Rise:
    """Smoothed engine speed of one pull. Arrays of shape (rows,), operators of shape (rows, rows)."""

    time: np.ndarray  # s
    rpm: np.ndarray
    rise_rpm_s: np.ndarray
    residual_rpm: np.ndarray
    to_rise: np.ndarray  # operator: readings to rate of rise
    window_s: float
    inner: np.ndarray  # bool: far enough from both ends for the window to be whole

    def noise_draws(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Rates of rise that fresh noise would have added, by a moving-block bootstrap; shape (draws, rows). [rpm/s]

        Smoothing takes slow noise out of the residuals, and slow noise is what moves a slope: resampled residuals alone
        fall short. By how much is found with white noise sent the same way, and made up for.
        """
        white = rng.standard_normal((CALIBRATION, self.time.size))
        left = white - white @ self.to_value().T
        direct = (white @ self.to_rise.T)[:, self.inner]
        resampled = np.concatenate([self._resampled(row, 8, rng) for row in left])[:, self.inner]
        short = float(np.sqrt((direct**2).mean() / (resampled**2).mean()))
        return short * self._resampled(self.residual_rpm, draws, rng)

    def _resampled(self, residual: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Slopes of resampled residuals; shape (draws, rows)."""
        n = residual.size
        block = max(2, round(BLOCK_S * (n - 1) / (self.time[-1] - self.time[0])))
        starts = rng.integers(0, max(n - block, 0) + 1, size=(draws, -(-n // block)))
        index = (starts[:, :, None] + np.arange(block)).reshape(draws, -1)[:, :n]
        return (residual - residual.mean())[index] @ self.to_rise.T

    def to_value(self) -> np.ndarray:
        """Operator from readings to smoothed values; shape (rows, rows)."""
        return _operators(self.time, self.window_s)[0]


def window_of(seconds: float, rise_rpm: float) -> float:
    """Window for a pull of so many seconds in which engine speed rises by `rise_rpm`. [s]"""
    pace = abs(rise_rpm) / seconds
    return float(np.clip(WINDOW_RPM / max(pace, 1.0), SHORTEST_WINDOW_S, LONGEST_WINDOW_S))


def smooth_rise(time_s: np.ndarray, engine_speed_rpm: np.ndarray) -> Rise:
    """Smooth the engine speed of one pull.

    Parameters
    ----------
    time_s, engine_speed_rpm : array, shape (rows,)
        Readings of one pull, NaN left out by the caller, time rising. [s], [rpm]

    Raises
    ------
    ValueError
        The window holds fewer than five readings.

    Notes
    -----
    Local quadratic with tricube weights (Cleveland 1979, doi:10.1080/01621459.1979.10481038), one-sided at the ends.
    """
    window = window_of(time_s[-1] - time_s[0], engine_speed_rpm[-1] - engine_speed_rpm[0])
    if time_s.size < 5 or window / np.median(np.diff(time_s)) < 5:
        raise ValueError(f"only {window / np.median(np.diff(time_s)):.0f} readings of engine speed in {window:.1f} s")
    to_value, to_rise = _operators(time_s, window)
    value = to_value @ engine_speed_rpm
    inner = (time_s >= time_s[0] + 0.3 * window) & (time_s <= time_s[-1] - 0.3 * window)
    return Rise(time_s, value, to_rise @ engine_speed_rpm, engine_speed_rpm - value, to_rise, window, inner)


def _operators(time_s: np.ndarray, window_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Linear operators from readings to local value and to local slope; shapes (rows, rows)."""
    apart = time_s[None, :] - time_s[:, None]
    reach = np.maximum(window_s / 2, _reach(time_s, window_s))[:, None]
    weight = np.clip(1 - np.abs(apart / reach) ** 3, 0, None) ** 3
    basis = np.stack([np.ones_like(apart), apart / reach, (apart / reach) ** 2])
    normal = np.einsum("aij,ij,bij->iab", basis, weight, basis)
    right = np.einsum("aij,ij->iaj", basis, weight)
    solved = np.linalg.solve(normal, right)
    return solved[:, 0, :], solved[:, 1, :] / reach


def _reach(time_s: np.ndarray, window_s: float) -> np.ndarray:
    """Half-width at each row that takes in a whole window even at the ends."""
    from_start, to_end = time_s - time_s[0], time_s[-1] - time_s
    nearest = np.minimum(from_start, to_end)
    return np.where(nearest < window_s / 2, window_s - nearest, window_s / 2)


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


def measure_pull(
    pull: Pull,
    rise: Rise,
    car: Car,
    inputs: PowerInputs,
    draws: dict[str, np.ndarray],
    drawing: Drawing,
    grid: np.ndarray,
) -> PullPower:
    """Power of one pull on the grid; row 0 of the draws is the estimate itself."""
    own = draws | own_draws(pull, inputs, draws, drawing)
    rng = np.random.default_rng([drawing.seed, pull.number])
    noise = rise.noise_draws(drawing.draws, rng)
    noise[0] = 0.0
    power = pull_power_kw(motion_of(rise, car, pull), rise.rise_rpm_s + noise, own, way_sign(pull))
    on_grid = power @ to_grid(rise, grid).T
    lower, upper = np.quantile(on_grid[1:], [0.025, 0.975], axis=0)
    return PullPower(pull, on_grid[0], lower, upper, on_grid, int(rise.time.size), rise.window_s)


def own_draws(pull: Pull, inputs: PowerInputs, draws: dict[str, np.ndarray], drawing: Drawing) -> dict[str, np.ndarray]:
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
    gearing = stated(car.gearing, "[gearing] in car.toml")
    overall = gearing.ratios[pull.gear - 1] * gearing.final_drive
    return Motion(rise.rpm, rise.rise_rpm_s, rise.to_rise, overall)


def mean_of_ways(ways: list[list[PullPower]], drawing: Drawing) -> tuple[np.ndarray, float]:
    """Draws of the combined curve, shape (draws, grid), and the run-to-run spread in percent (NaN below two pulls).

    Each direction counts alike, however many pulls it has; an engine speed counts where each direction has a pull that
    reached it. Where the pulls of one direction differ by more than noise, local slope and gusts explain, the rest goes
    into the band as an error of each pull.
    """
    means = [_mean_where_known([pull.draws_kw for pull in way]) for way in ways]
    spread, extra = _run_to_run(ways)
    for k, way in enumerate(ways):
        change = extra / np.sqrt(len(way)) * deviates(drawing.draws, drawing.seed, f"run to run {k}")
        change[0] = 0.0
        means[k] = means[k] * (1 + change[:, None])
    return np.mean(means, axis=0), 100 * spread


def _mean_where_known(curves: list[np.ndarray]) -> np.ndarray:
    """Mean of the curves that reached each engine speed, NaN where none did; shape (draws, grid)."""
    stack = np.stack(curves)
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, stack, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def _stack(way: list[PullPower]) -> np.ndarray:
    """Draws of the pulls of one direction; shape (pulls, draws, grid)."""
    return np.stack([pull.draws_kw for pull in way])


def _run_to_run(ways: list[list[PullPower]]) -> tuple[float, float]:
    """Standard deviation between pulls of one direction, and the part of it that the draws do not explain; shares."""
    seen, explained, freedom = 0.0, 0.0, 0
    for way in ways:
        if len(way) < 2:
            continue
        shared = np.isfinite(_stack(way)[:, 0]).all(axis=0)
        if not shared.any():
            continue
        level = _stack(way)[:, :, shared].mean(axis=2)
        ratio = level / level.mean(axis=0)
        seen += float(((ratio[:, 0] - 1) ** 2).sum())
        explained += float(((ratio[:, 1:] - 1) ** 2).sum(axis=0).mean()) - float(((ratio[:, 0] - 1) ** 2).sum())
        freedom += len(way) - 1
    if not freedom:
        return float("nan"), 0.0
    return np.sqrt(seen / freedom), float(np.sqrt(max(seen - max(explained, 0.0), 0.0) / freedom))


def effect_table(
    measured: list[tuple[PullPower, Rise]], ways: list[list[PullPower]], inputs: PowerInputs, car: Car, grid: np.ndarray
) -> pd.DataFrame:
    """What one standard deviation of every input does to the highest combined power, each by itself.

    Columns: input, value, uncertainty, unit, scope, effect_pct, source. Road slope and wind cancel between directions;
    what differs from pull to pull counts with the root of the number of pulls.
    """
    changed = _one_at_a_time(inputs)
    curves = {id(p): _curve(p, rise, car, changed, grid) for p, rise in measured}
    mean = np.mean([_mean_where_known([curves[id(p)] for p in way]) for way in ways], axis=0)
    k = int(np.argmax(np.nan_to_num(mean[0], nan=-np.inf)))
    rows = []
    for at, row in enumerate(inputs.rows, start=1):
        effect = 100 * (mean[at, k] / mean[0, k] - 1)
        if row.scope == "pull":
            effect = _own_effect(measured, curves, at, k)
        if row.name == "standard-day factor":
            effect = 100 * row.uncertainty
        rows.append((row.name, row.value, row.uncertainty, row.unit, row.scope, effect, row.source))
    columns = ["input", "value", "uncertainty", "unit", "scope", "effect_pct", "source"]
    return pd.DataFrame(rows, columns=columns)


def _own_effect(measured: Sequence[tuple[PullPower, Rise]], curves: dict[int, np.ndarray], at: int, k: int) -> float:
    """Effect of what differs from pull to pull, for all pulls together. [%]"""
    own = [abs(curves[id(p)][at, k] / curves[id(p)][0, k] - 1) for p, _ in measured]
    known = [value for value in own if np.isfinite(value)]
    return float(100 * np.mean(known) / np.sqrt(len(own))) if known else float("nan")


def _one_at_a_time(inputs: PowerInputs) -> dict[str, np.ndarray]:
    """Inputs with row 0 nominal and row k the k-th input one standard deviation up; shape (inputs + 1, 1) each."""
    count = len(inputs.rows) + 1
    out = {row.name: np.full((count, 1), row.value) for row in inputs.rows}
    for k, row in enumerate(inputs.rows, start=1):
        out[row.name][k] += row.uncertainty
    out["grade"] = out["mean grade"] + out["local grade"]
    out["wind"] = out["steady wind"] + out["gusts"]
    mass = out["mass"] + out["load of the day"]
    scales = inputs.coast_down_mass_kg is not None
    return out | {"road-load scale": mass / inputs["mass"].value if scales else np.ones_like(mass)}


def _curve(power: PullPower, rise: Rise, car: Car, values: dict[str, np.ndarray], grid: np.ndarray) -> np.ndarray:
    motion = motion_of(rise, car, power.pull)
    on_rows = pull_power_kw(motion, rise.rise_rpm_s, values, way_sign(power.pull))
    return on_rows @ to_grid(rise, grid).T
