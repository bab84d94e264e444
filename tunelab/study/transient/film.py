"""The wall film: part of the fuel wets the port wall and follows later; its fit to disturbed stretches.

Aquino's model: of the injected fuel flow m a share X goes to the film, the film gives off its mass over a time
constant tau. d(film)/dt = X m - film / tau; into the cylinders go (1 - X) m + film / tau. With X and tau constant the
cylinder's fuel is (1 - X) m + X times m after a first-order lag of tau.

Source: C. F. Aquino, "Transient A/F Control Characteristics of the 5 Liter Central Fuel Injection Engine", SAE 810494
(1981), from memory.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import scipy
from threadpoolctl import threadpool_limits

from tunelab.study.delay import DelayFit
from tunelab.study.delay_model import KEPT, follow, robust
from tunelab.study.transient.signal import GRID_S, TransientSignal, at_sensor
from tunelab.workspace.car import LambdaSensor

REVOLUTION_STEP = 0.25  # of the crank, on which the manifold is followed


def cylinder_fuel(injected: np.ndarray, step_s: float, *, share: float, tau_s: float) -> np.ndarray:
    """Fuel flow into the cylinders, in the unit of `injected`, shape (n,), on an even clock.

    The film is taken to be in balance with the first value. NaN spreads to all later values.

    Raises
    ------
    ValueError
        A share outside 0 to 1 or a time constant at or below zero.
    """
    if not 0.0 <= share <= 1.0 or tau_s <= 0.0:
        raise ValueError(f"the film needs a share from 0 to 1 and a time constant above 0 s: got {share:g}, {tau_s:g}.")
    return (1.0 - share) * injected + share * follow(injected, step_s, tau_s)


def cylinder_air(meter_kg_h: np.ndarray, speed_rpm: np.ndarray, step_s: float, *, volume_ratio: float) -> np.ndarray:
    """Air that the cylinders draw, from air through the meter: the manifold between them fills and empties. [kg/h]

    Parameters
    ----------
    meter_kg_h, speed_rpm : arrays, shape (n,)
        On an even clock; above zero.
    volume_ratio : float
        Manifold volume over displacement and volumetric efficiency. The manifold follows with a time constant of
        `volume_ratio` engine cycles (two revolutions each).

    Notes
    -----
    Filling and emptying with a charge proportional to manifold pressure: any text on engine modelling, such as
    E. Hendricks, S. C. Sorenson, "Mean Value Modelling of Spark Ignition Engines", SAE 900616 (from memory). In crank
    angle the time constant is fixed, so the charge per revolution is followed there.
    """
    if volume_ratio <= 0.0:
        return meter_kg_h.copy()
    turned = np.append(0.0, np.cumsum(0.5 * (speed_rpm[1:] + speed_rpm[:-1]) / 60.0 * step_s))
    even = np.arange(0.0, turned[-1] + REVOLUTION_STEP, REVOLUTION_STEP)
    charge = np.interp(even, turned, meter_kg_h / speed_rpm)
    return speed_rpm * np.interp(turned, even, follow(charge, REVOLUTION_STEP, 2.0 * volume_ratio))


NAMES = ("share", "log_tau", "volume_ratio", "lead_s", "delay_s", "delay_flow", "lag_s", "before", "dead_time_ms")
LOWER = np.array([0.0, np.log(0.03), 0.0, -0.05, 0.0, 0.0, 0.005, 0.0, -0.5])
UPPER = np.array([0.9, np.log(5.0), 6.0, 0.08, 1.0, 60.0, 0.8, 1.0, 0.5])
# Before looking; common practice, no source: a manifold of one to two displacements, films of any size.
MANIFOLD_RATIO, MANIFOLD_SPREAD = 1.9, 0.7
# By how much the air is ahead of its reading: a hot film is late by 10 to 30 ms, a pressure sensor by up to 5. Neither
# can be early; a looser prior let the fit put its own error there, and a film came out larger by 0.01 for each ms.
METER_LEAD, PRESSURE_LEAD = (0.015, 0.012), (0.001, 0.002)
FILM_PRIOR = (0.25, 0.35), (np.log(0.35), 0.9)
BEFORE = (0.5, 0.4)  # share of the constant delay that passes before the pipe: not known
DEAD_TIME_MS = (0.0, 0.08)  # by which the injectors open sooner than the revision says
# Each window has its own offset and slope over log airflow: the meter's error where it happened to be.
OFFSET_SPREAD, SLOPE_SPREAD = 0.3, 0.15
PENALTY = np.diag([(0.03 / OFFSET_SPREAD) ** 2, (0.03 / SLOPE_SPREAD) ** 2])  # for a noise of 0.03
LEAST_NOISE = 0.004
CORRELATED = 6.0  # readings within a window lean on one another: so many count as one
LEANEST = 20.0  # lambda at which the mixture counts as air


@dataclass(frozen=True)
class Prior:
    """What is known of the parameters before a fit, in the order of NAMES; shapes (parameters,)."""

    mean: np.ndarray
    spread: np.ndarray


@dataclass(frozen=True)
class FilmFit:
    """Best parameters in the order of NAMES and their covariance."""

    values: np.ndarray
    covariance: np.ndarray
    noise: float  # of the logarithm of lambda, what the model leaves over
    windows: int
    readings: int

    @property
    def spread(self) -> np.ndarray:
        """Standard errors, shape (parameters,)."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))


def first_prior(signal: TransientSignal, delay: DelayFit) -> Prior:
    """Priors from the delay study; wide where it showed nothing."""
    reach = 1.96 if delay.shown else 2.0
    spread = [
        np.ptp(ends) / (2 * reach) for ends in (delay.delay_interval, delay.delay_flow_interval, delay.lag_interval)
    ]
    lead = METER_LEAD if signal.pressure_kg_h is None else PRESSURE_LEAD
    film = (FILM_PRIOR[0][0], FILM_PRIOR[1][0]), (FILM_PRIOR[0][1], FILM_PRIOR[1][1])
    tail = [max(float(s), low) for s, low in zip(spread, (0.004, 0.2, 0.008), strict=True)]
    gas = (delay.delay_s, delay.delay_flow_s_kg_h, delay.lag_s)
    mean = np.array([*film[0], MANIFOLD_RATIO, lead[0], *gas, BEFORE[0], DEAD_TIME_MS[0]])
    return Prior(mean, np.array([*film[1], MANIFOLD_SPREAD, lead[1], *tail, BEFORE[1], DEAD_TIME_MS[1]]))


def predict(signal: TransientSignal, sensor: LambdaSensor, parameters: np.ndarray) -> np.ndarray:
    """Logarithm of lambda as the sensor would show it, but for the meter's steady error, shape (readings,)."""
    share, log_tau, _, _, delay_s, delay_flow, lag_s, before, _ = parameters
    air = drawn_air(signal, parameters)
    fuel = cylinder_fuel(injected(signal, parameters), GRID_S, share=share, tau_s=float(np.exp(log_tau)))
    lambda_ = air / np.maximum(signal.stoich_afr * fuel, air / LEANEST)
    felt = np.clip(lambda_, 0.97 * sensor.rail_low, 1.04 * sensor.rail_high)
    return np.log(at_sensor(signal, felt, (delay_s, delay_flow, before), lag_s))


def injected(signal: TransientSignal, parameters: np.ndarray) -> np.ndarray:
    """Fuel that was injected, with the fitted error of the dead time [kg/h], shape (grid,).

    A dead time that is off shifts the mixture most at short pulses, so a tip-in changes it as a film would.
    """
    return np.maximum(signal.fuel_kg_h + parameters[8] * signal.fuel_per_ms_kg_h, 0.0)


def drawn_air(signal: TransientSignal, parameters: np.ndarray) -> np.ndarray:
    """Air that the cylinders draw [kg/h], shape (grid,): by manifold pressure if logged, else by the meter."""
    return _drawn_air(signal, float(parameters[2]), float(parameters[3]))


@functools.lru_cache(maxsize=KEPT)
def _drawn_air(signal: TransientSignal, volume_ratio: float, lead_s: float) -> np.ndarray:
    air = signal.pressure_kg_h
    if air is None:
        air = cylinder_air(signal.meter_kg_h, signal.speed_rpm, GRID_S, volume_ratio=volume_ratio)
    return np.interp(signal.grid_s + lead_s, signal.grid_s, air)


@functools.lru_cache(maxsize=KEPT)
def _load_felt(
    signal: TransientSignal, air: tuple[float, float], gas: tuple[float, float, float], lag_s: float
) -> np.ndarray:
    """Logarithm of the air as the sensor would show it, shape (readings,)."""
    return at_sensor(signal, np.log(np.maximum(_drawn_air(signal, *air), 1.0)), gas, lag_s)


@functools.lru_cache(maxsize=1)
def _windows(number: bytes) -> tuple[np.ndarray, ...]:
    """Readings of each window, in the order of their numbers."""
    numbers = np.frombuffer(number, dtype=int)
    return tuple(np.flatnonzero(numbers == k) for k in np.unique(numbers[numbers >= 0]))


def leftover(
    signal: TransientSignal, sensor: LambdaSensor, parameters: np.ndarray, number: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Residual of log lambda with each window's own offset and slope taken out, and the prediction with them put in.

    Shapes (readings,); NaN outside of all windows.
    """
    predicted = predict(signal, sensor, parameters)
    measured, values = np.log(signal.reading), parameters.tolist()
    load = _load_felt(signal, tuple(values[2:4]), (values[4], values[5], values[7]), values[6])
    residual, whole = np.full(measured.size, np.nan), np.full(measured.size, np.nan)
    for own in _windows(number.astype(int).tobytes()):
        difference = measured[own] - predicted[own]
        steady = _steady_part(difference, load[own])
        residual[own] = difference - steady
        whole[own] = predicted[own] + steady
    return residual, whole


def _steady_part(difference: np.ndarray, load: np.ndarray) -> np.ndarray:
    """Offset and slope over log airflow that explain a window's differences best, by ridge regression."""
    columns = np.ones((load.size, 2))
    columns[:, 1] = load - load.sum() / load.size
    weight = 1.0 / (1.0 + (difference - _median(difference)) ** 2 / 0.1**2)
    best = np.linalg.solve(columns.T @ (weight[:, None] * columns) + PENALTY, columns.T @ (weight * difference))
    return columns @ best


def _median(values: np.ndarray) -> float:
    """As numpy's, whose checks take longer than the median of a short window itself."""
    half = values.size // 2
    if values.size % 2:
        return np.partition(values, half)[half]
    return np.partition(values, (half - 1, half))[half - 1 : half + 1].sum() / 2


def fit_film(signal: TransientSignal, sensor: LambdaSensor, number: np.ndarray, prior: Prior) -> FilmFit:
    """Fit all parameters to the readings of the numbered windows.

    Parameters
    ----------
    signal : TransientSignal
    sensor : LambdaSensor
        Its rails.
    number : array of int, shape (readings,)
        Window of each reading, -1 for readings left out.
    prior : Prior
        Of the parameters.

    Notes
    -----
    Robust least squares; the covariance leaves out one window at a time, so correlation within a window does not
    narrow it, plus the share that rests on the priors.
    """
    with threadpool_limits(limits=1):  # the matrices are narrow: threads only wait for one another
        return _fit_film(signal, sensor, number, prior)


def _fit_film(signal: TransientSignal, sensor: LambdaSensor, number: np.ndarray, prior: Prior) -> FilmFit:
    used = number >= 0
    values = np.clip(prior.mean, LOWER + 1e-4, UPPER - 1e-4)
    noise = 0.03
    for _ in range(3):
        solution = _solve(signal, sensor, number, prior, values, noise)
        values = solution.x
        residual = leftover(signal, sensor, values, number)[0][used]
        noise = max(1.4826 * float(np.median(np.abs(residual))), LEAST_NOISE)
    return FilmFit(
        values=values,
        covariance=_covariance(solution, number[used], prior),
        noise=noise,
        windows=int(np.unique(number[used]).size),
        readings=int(used.sum()),
    )


def _solve(
    signal: TransientSignal, sensor: LambdaSensor, number: np.ndarray, prior: Prior, start: np.ndarray, noise: float
) -> scipy.optimize.OptimizeResult:
    used = number >= 0
    scale = noise * np.sqrt(CORRELATED)

    def misfit(parameters: np.ndarray) -> np.ndarray:
        white = leftover(signal, sensor, parameters, number)[0][used] / noise
        return np.append(robust(white) * noise / scale, (parameters - prior.mean) / prior.spread)

    inside = np.clip(start, LOWER + 1e-6, UPPER - 1e-6)
    return scipy.optimize.least_squares(
        misfit, inside, bounds=(LOWER, UPPER), x_scale=np.maximum(prior.spread, 1e-3), diff_step=2e-3, max_nfev=25,
        ftol=1e-5, xtol=1e-5,
    )  # fmt: skip


def _covariance(solution: scipy.optimize.OptimizeResult, number: np.ndarray, prior: Prior) -> np.ndarray:
    """Covariance by leaving out whole windows, one Newton step each, plus the priors' own share."""
    slopes, misfit = solution.jac[: number.size], solution.fun[: number.size]
    precision = np.diag(prior.spread**-2.0)
    information = slopes.T @ slopes + precision
    moved = []
    for k in np.unique(number):
        own = slopes[number == k]
        moved.append(np.linalg.solve(information - own.T @ own, own.T @ misfit[number == k]))
    moves = np.array(moved)
    inverse = np.linalg.inv(information)
    few = moves.shape[0] / max(moves.shape[0] - 1.0, 1.0)
    return few * moves.T @ moves + inverse @ precision @ inverse
