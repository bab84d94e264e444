"""Coast-down: road load from rolling out of gear in both directions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr
from threadpoolctl import threadpool_limits

from tunelab.log.align import fresh_readings
from tunelab.physics import STANDARD_GRAVITY_M_S2
from tunelab.physics.driveline import effective_mass
from tunelab.study.coast_down.result import CoastDownFit, CoastRun, believed, not_shown, weather_density
from tunelab.study.coast_down.run import KINDS, Coasts, Rolling, disturb, find_coasts, roll
from tunelab.study.finding import NORMAL_95
from tunelab.study.gear_trace import check_speed
from tunelab.study.gearing import rolling_radius
from tunelab.units import convert
from tunelab.workspace.car import Car, stated
from tunelab.workspace.session import Session

__all__ = ["CoastDownFit", "find_coasts", "fit_coast_down"]

LEAST_SPEED_UNCERTAINTY = 0.003  # of the speed scale, one standard deviation
UNCHECKED_SPEED_UNCERTAINTY = 0.02
WIND_BEFORE_LOOKING_M_S = 4.0  # one standard deviation of the wind along the road, where the weather states none
GRADE_BEFORE_LOOKING = 0.02
ROUNDS = 4
SPREAD_ROUNDS = 12
LEAST_SHOWN = 0.5  # of the disturbances of a kind: with less their size is not made smaller
LEAST_SPREAD = 0.02  # in the unit of a kind
LEAST_NOISE_M_S = 0.01  # no logged speed is finer; with none at all the equations have no solution
METHOD = (
    "speed over time of all runs at once, Gauss-Newton on the equation of motion; mean slope and wind common and of "
    "opposite sign both ways; hills that runs one way share, gusts and one force per run as random, their sizes by "
    "marginal likelihood; residuals' autocorrelation allowed for; normal interval"
)


@dataclass(frozen=True)
class Scale:
    """Factor on the speed reading and one standard deviation of it."""

    factor: float
    uncertainty: float


def fit_coast_down(log: xr.Dataset, car: Car, session: Session) -> CoastDownFit:
    """Fit the road load of a coast-down, driven both ways.

    Parameters
    ----------
    log : Dataset
        A flagged log with a road speed and, to tell the directions, a position; otherwise `turned_at_s` of the session.
    car, session
        Mass, wheel inertia, tyres; weather.

    Returns
    -------
    CoastDownFit
        Not shown, with the reason, where runs, directions, mass or weather are missing.

    Notes
    -----
    In the manner of SAE J1263/J2263 and 40 CFR part 1066 (both directions, weather taken out), without following their
    procedure to the letter: the whole trace is fitted sooner than the time between two speeds.
    """
    coasts = find_coasts(log, car, session)
    why = coasts.because or _why_not(coasts, car, session)
    if why:
        return not_shown(why, coasts.runs, coasts.refused, log.sizes["time"])
    scale = speed_scale(log, car, coasts.speed_channel)
    rolling = _gather(log, car, coasts, scale)
    with threadpool_limits(limits=1):  # the matrices are small: threads only wait for one another
        solved = _solve(rolling, session)
    return believed(_result(log, car, session, coasts, scale, rolling, solved))


def _why_not(coasts: Coasts, car: Car, session: Session) -> str:
    """Why nothing can be shown, or nothing."""
    if car.vehicle is None:
        return "no road load: car.toml has no [vehicle]; the force follows from the mass that it slows down."
    if session.weather is None:
        return "no road load: session.toml has no [weather]; the air's density is needed."
    ways = {run.direction for run in coasts.runs}
    if not {"out", "back"} <= ways:
        told = "the direction of the runs is not known (no position: add turned_at_s to session.toml; or another road)"
        one = f"all {len(coasts.runs)} runs went one way: slope and wind cannot be separated from road load"
        return f"no road load: {told if 'unknown' in ways else one}; drive the same stretch both ways."
    return ""


def speed_scale(log: xr.Dataset, car: Car, channel: str) -> Scale:
    """Factor on the log's speed channel and how sure it is."""
    if channel == "gps_speed_km_h":
        return Scale(1.0, LEAST_SPEED_UNCERTAINTY)
    try:
        check = check_speed(log, car)
    except ValueError:
        return Scale(1.0, UNCHECKED_SPEED_UNCERTAINTY)
    if check.against_gps.shown:
        return Scale(check.against_gps.factor, LEAST_SPEED_UNCERTAINTY)
    if check.against_gearing.shown and len(check.gears_seen) > 0:
        radius = rolling_radius(car)
        spread = max(radius.uncertainty_m / radius.radius_m, LEAST_SPEED_UNCERTAINTY)
        return Scale(check.against_gearing.factor, spread)
    return Scale(1.0, UNCHECKED_SPEED_UNCERTAINTY)


def _gather(log: xr.Dataset, car: Car, coasts: Coasts, scale: Scale) -> Rolling:
    """All runs' readings on their own clocks."""
    time, speed = fresh_readings(log, coasts.speed_channel)
    clock, value, number = [], [], []
    for k, run in enumerate(coasts.runs):
        inside = (time >= run.start_s) & (time <= run.end_s)
        clock.append(time[inside] - run.start_s)
        value.append(convert(speed[inside] * scale.factor, "km/h", "m/s"))
        number.append(np.full(int(inside.sum()), k))
    way = np.array([1.0 if run.direction == "out" else -1.0 if run.direction == "back" else 0.0 for run in coasts.runs])
    return Rolling(np.concatenate(clock), np.concatenate(value), np.concatenate(number), way, rolling_mass(car))


def rolling_mass(car: Car) -> float:
    """Effective mass out of gear: the car with its wheels, the engine apart. [kg]"""
    vehicle = stated(car.vehicle, "[vehicle] in car.toml")
    wheels = vehicle.wheel_inertia_kg_m2 or 0.0
    radius = rolling_radius(car).radius_m if car.tyres else 0.3
    return float(effective_mass(vehicle.mass_kg, wheels, 0.0, 1.0, radius))


@dataclass(frozen=True)
class Solved:
    """Parameters A, B, C, slope force, wind, then per run start speed and own force; with covariance."""

    values: np.ndarray
    covariance: np.ndarray
    fitted: np.ndarray


def _solve(rolling: Rolling, session: Session) -> Solved:
    """Gauss-Newton on the equation of motion, with what comes and goes as further unknowns.

    Each run's own force, slopes along the road and gusts have a standard deviation of their own, which the runs settle:
    without them the intervals would be those of a road without hills in still air.
    """
    runs = rolling.way.size
    starts = np.array([rolling.speed[rolling.number == k][:5].mean() for k in range(runs)])
    values = np.concatenate([[0.012 * rolling.mass * STANDARD_GRAVITY_M_S2, 0.5, 0.4, 0.0, 0.0], starts])
    before = _known_before(rolling, session)
    spread = np.ones(len(KINDS))
    for _ in range(ROUNDS):
        at = np.concatenate([values, np.zeros(runs)])
        extra = disturb(rolling, at, rolling.mass * STANDARD_GRAVITY_M_S2)
        base = roll(rolling, at)
        columns = np.hstack([_slopes(rolling, at, base), extra.speed])
        step = Step(columns, rolling.speed - base, values, before, extra.kind, rolling.number)
        found, covariance, spread = _settle(step, spread)
        values = values + found[: values.size]
    own = found[values.size : values.size + runs]
    return Solved(np.concatenate([values, own]), covariance[: values.size + runs], base + columns @ found)


def _known_before(rolling: Rolling, session: Session) -> np.ndarray:
    """Standard deviation of each parameter before looking: of the road's slope and of the wind; of the rest, none."""
    told = stated(session.weather, "[weather] in session.toml").wind_m_s
    wind = WIND_BEFORE_LOOKING_M_S if told is None else max(told, 1.0)
    spread = np.full(5 + rolling.way.size, np.inf)
    spread[3:5] = GRADE_BEFORE_LOOKING * rolling.mass * STANDARD_GRAVITY_M_S2, wind
    return spread


def _slopes(rolling: Rolling, values: np.ndarray, base: np.ndarray) -> np.ndarray:
    """How the speeds change with each parameter; shape (readings, 5 + runs)."""
    runs = rolling.way.size
    step = 1e-3 * np.concatenate([[20.0, 2.0, 0.1, 20.0, 1.0], np.ones(runs), np.zeros(runs)])
    moved = [roll(rolling, values + step * (np.arange(step.size) == k)) for k in range(5 + runs)]
    return np.stack([(one - base) / step[k] for k, one in enumerate(moved)], axis=1)


@dataclass(frozen=True)
class Step:
    """One linear step: `columns` times the unknowns is `target`; the unknowns are parameters, then disturbances."""

    columns: np.ndarray
    target: np.ndarray
    values: np.ndarray  # of the parameters, before the step
    before: np.ndarray  # their standard deviations before looking
    kind: np.ndarray  # of each disturbance
    number: np.ndarray  # run of each reading


def _settle(step: Step, spread: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Solve, with the standard deviation of each kind of disturbance by marginal likelihood (MacKay's update)."""
    squares, moment = step.columns.T @ step.columns, step.columns.T @ step.target
    main, spread = step.values.size, spread.copy()
    noise, lag = max(float(step.target.std()), LEAST_NOISE_M_S), 1.0
    for _ in range(SPREAD_ROUNDS):
        precision = np.concatenate([step.before**-2.0, spread[step.kind] ** -2.0])
        offset = np.concatenate([step.values * step.before**-2.0, np.zeros(step.kind.size)])
        covariance = np.linalg.inv(squares / (noise**2 * lag) + np.diag(precision))
        found = covariance @ (moment / (noise**2 * lag) - offset)
        residual = step.target - step.columns @ found
        noise, lag = max(float(residual.std()), LEAST_NOISE_M_S), _lag_factor(residual, step.number)
        shown = 1 - np.diag(covariance)[main:] * precision[main:]
        for kind in range(spread.size):
            of_kind = step.kind == kind
            known = max(float(shown[of_kind].sum()), LEAST_SHOWN)
            spread[kind] = max(float(np.sqrt((found[main:][of_kind] ** 2).sum() / known)), LEAST_SPREAD)
    return found, covariance, spread


def _lag_factor(residual: np.ndarray, number: np.ndarray) -> float:
    """How many neighbouring residuals count as one: 1 + 2 × the sum of their correlations up to the first zero."""
    total = 1.0
    for lag in range(1, 200):
        pair = number[lag:] == number[:-lag]
        correlation = float(np.mean((residual[lag:] * residual[:-lag])[pair]) / residual.var())
        if correlation < 0.05:
            break
        total += 2 * correlation
    return total


def _result(
    log: xr.Dataset, car: Car, session: Session, coasts: Coasts, scale: Scale, rolling: Rolling, solved: Solved
) -> CoastDownFit:
    """Frozen result from the solution: scale and mass go into the intervals here."""
    values = solved.values[:3]
    covariance = solved.covariance[:3, :3] + _scale_covariance(values, scale)
    vehicle = stated(car.vehicle, "[vehicle] in car.toml")
    weather = stated(session.weather, "[weather] in session.toml")
    mass_share = vehicle.mass_uncertainty_kg / vehicle.mass_kg
    density = weather_density(session.weather)
    total = covariance + mass_share**2 * np.outer(values, values)
    interval = [_interval(v, s) for v, s in zip(values, np.sqrt(np.diag(total)), strict=True)]
    area = _interval(2 * values[2] / density, 2 / density * np.sqrt(total[2, 2]))
    weight = vehicle.mass_kg * STANDARD_GRAVITY_M_S2
    crr = _interval(values[0] / weight, np.sqrt(covariance[0, 0]) / weight)
    slope, wind = solved.values[3:5]
    spread = np.sqrt(np.diag(solved.covariance))
    runs = _described(coasts.runs, rolling, solved)
    trace = _trace(rolling, solved)
    speeds = convert(np.quantile(rolling.speed, [0, 1]), "m/s", "km/h")
    used = rolling.speed.size
    return CoastDownFit(
        True, "", float(values[0]), interval[0], float(values[1]), interval[1], float(values[2]), interval[2],
        covariance, float(2 * values[2] / density), area, float(values[0] / weight), crr,
        float(slope), _interval(slope, spread[3]), float(wind), _interval(wind, spread[4]),
        rolling.mass, mass_share, density, weather.air_c, (float(speeds[0]), float(speeds[1])),
        runs, coasts.refused, trace, used, log.sizes["time"] - used, METHOD,
    )  # fmt: skip


def _scale_covariance(values: np.ndarray, scale: Scale) -> np.ndarray:
    """What an error k of the speed scale does: forces go with k, speeds with k, so A with k, B not, C with 1/k."""
    change = scale.uncertainty * values * np.array([1.0, 0.0, -1.0])
    return np.outer(change, change)


def _interval(value: float, spread: float) -> tuple[float, float]:
    return float(value - NORMAL_95 * spread), float(value + NORMAL_95 * spread)


def _described(runs: tuple[CoastRun, ...], rolling: Rolling, solved: Solved) -> tuple[CoastRun, ...]:
    residual = convert(rolling.speed - solved.fitted, "m/s", "km/h")
    offsets = solved.values[5 + len(runs) :]
    return tuple(
        replace(run, offset_n=float(offsets[k]), spread_km_h=float(residual[rolling.number == k].std()))
        for k, run in enumerate(runs)
    )


def _trace(rolling: Rolling, solved: Solved) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "run": rolling.number + 1,
            "time_s": rolling.clock,
            "speed_km_h": convert(rolling.speed, "m/s", "km/h"),
            "fitted_km_h": convert(solved.fitted, "m/s", "km/h"),
        }
    )
