"""How long the exhaust takes to the lambda sensor, and how long the sensor takes to follow.

Lambda that the mixture promises (air over the fuel that gets past the wall film, from the pulse width less its dead
time) is sent through transport delay and sensor lag and compared with lambda measured, over steady running only. Trim
swings, and whatever else moves the fuel, show the delay; a log in which nothing moves the fuel shows nothing, and says
so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.channels import in_words
from tunelab.log.once import kept_once
from tunelab.study.delay_model import ANOTHER_S, NAMES, ORDER, GasFit, at_flow, fit_gas
from tunelab.study.delay_signal import DelaySignal, NothingTrusted, delay_signal
from tunelab.study.finding import CONFIDENCE, shows_its_table
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

REFERENCE_KG_H = 50.0  # exhaust flow at which the delay is quoted
LEAST_BLOCKS = 6
LEAST_READINGS = 300
LEAST_EVIDENCE = 60.0  # squared standard errors by which the gas must explain lambda better than nothing
WIDEST_SHOWN_S = 0.04  # standard error of the delay beyond which a log has not shown it
SPLIT_RATIO = 2.0  # exhaust flows must differ by this much before constant and flow part can be separated
# What the model itself may be off by, however long the log: jitter, film of another form; and, as a share of the time
# between samples, steps of the fuel that fell between them.
MODEL_ERROR_DELAY_S, STEP_SHARE_DELAY = 0.002, 0.08
MODEL_ERROR_LAG_S, STEP_SHARE_LAG = 0.005, 0.12
# Where trims hardly swing, the meter's own noise in the fuel misleads; where they swing slowly, so does their answer to
# lambda. Standard errors at the usual quick swing; found on simulated cars with switching and with slow loops.
LEAST_SWING, USUAL_QUICK_SWING = 0.002, 0.0032
SLOW_QUICK_SWING = 0.0025
SWING_ERROR_DELAY_S, SWING_ERROR_LAG_S = 0.003, 0.006
# Without a manifold pressure the meter alone tells the air; the share of its slow moves that lambda does not confirm is
# noise that the fuel shares, and it reads as lag. Standard error for a share of one; found on simulated cars.
UNCONFIRMED_ERROR_LAG_S = 0.06
# Spread of stated values that no log has shown: half the value, at least this much.
STATED_SPREAD = 0.5
STATED_LEAST = {"delay_s": 0.05, "delay_flow": 3.0, "lag_s": 0.04}


@shows_its_table
@dataclass(frozen=True)
class DelayFit:
    """Transport delay = delay_s + delay_flow_s_kg_h / exhaust flow, then a first-order lag; each with its interval.

    Where `shown` is False the values are those stated in `car.toml`, the intervals are wide and `because` says why.
    """

    delay_s: float
    delay_interval: tuple[float, float]
    delay_flow_s_kg_h: float
    delay_flow_interval: tuple[float, float]
    lag_s: float
    lag_interval: tuple[float, float]
    at_50_kg_h_s: float  # transport delay at 50 kg/h of exhaust
    at_50_kg_h_interval: tuple[float, float]
    typical_flow_kg_h: float  # median exhaust flow of the samples used, NaN without any
    confidence: float
    shown: bool
    because: str
    method: str
    samples_used: int
    samples_flagged: int

    def half_at(self, exhaust_kg_h: float) -> float:
        """How far the delay may be off at an exhaust flow, by the wider side of its intervals. [s]"""
        constant = max(abs(end - self.delay_s) for end in self.delay_interval)
        by_flow = max(abs(end - self.delay_flow_s_kg_h) for end in self.delay_flow_interval)
        return float(np.hypot(constant, by_flow / exhaust_kg_h))

    def summary(self) -> pd.DataFrame:
        """One row per parameter: value, lower, upper, unit."""
        rows = [
            ("delay, constant part", self.delay_s, *self.delay_interval, "s"),
            ("delay, flow part", self.delay_flow_s_kg_h, *self.delay_flow_interval, "s kg h⁻¹"),
            ("delay at 50 kg/h of exhaust", self.at_50_kg_h_s, *self.at_50_kg_h_interval, "s"),
            ("sensor lag", self.lag_s, *self.lag_interval, "s"),
        ]
        return pd.DataFrame(rows, columns=["parameter", "value", "lower", "upper", "unit"]).set_index("parameter")


@kept_once
def estimate_delay(log: xr.Dataset, car: Car, revision: Revision) -> DelayFit:
    """Estimate transport delay and sensor lag from one flagged log.

    Parameters
    ----------
    log : Dataset
        As `flag_log` gives it.
    car : Car
        Injectors, meter, and the stated delay and lag, which stand in where the log shows nothing.
    revision : Revision
        Meter curve, injector flow and dead time that were in the ECU.

    Raises
    ------
    ValueError
        The log was not flagged.
    """
    needed = ("lambda_measured", "pulse_width_ms", "engine_speed_rpm")
    absent = [name for name in needed if name not in log]
    if car.meter.channel not in log and "air_flow_kg_h" not in log:
        absent.append(car.air_reading)
    if absent:
        return _stated(car, f"the log has no {in_words(*absent)}", 0, 0)
    try:
        signal = delay_signal(log, car, revision)
    except NothingTrusted as problem:
        return _stated(car, str(problem), 0, log.sizes["time"])
    used, flagged = signal.time_s.size, signal.samples_flagged
    if signal.blocks < LEAST_BLOCKS or used < LEAST_READINGS:
        found = f"{signal.blocks} steady stretches with {used} readings of lambda"
        return _stated(car, f"{found} are too few ({LEAST_BLOCKS} and {LEAST_READINGS} are wanted)", used, flagged)
    fit = fit_gas(signal)
    doubt = _doubt(fit, signal)
    if doubt:
        return _stated(car, doubt, used, flagged)
    return _shown(fit, signal)


def better_known(fits: Iterable[DelayFit], exhaust_kg_h: float) -> DelayFit:
    """Of several estimates for one car, the one with the narrowest interval at an exhaust flow.

    Stated values stand in where no log has shown the delay. Pulls say little about it: they hold little steady running,
    and that at flows far from theirs; a steady drive says more.
    """
    return min(fits, key=lambda fit: (not fit.shown, fit.half_at(exhaust_kg_h)))


def _doubt(fit: GasFit, signal: DelaySignal) -> str:
    """Say why a fit shows nothing, empty if it does show the delay."""
    if fit.gain_evidence < LEAST_EVIDENCE or fit.swing < LEAST_SWING:
        return "the fuel hardly moved in steady running (open loop?), so lambda had nothing to follow; use closed loop"
    other = _other_delay(fit)
    if np.isfinite(other):
        own = float(at_flow(fit.typical_flow_kg_h) @ fit.values)
        return (
            f"the fuel swings so evenly that {1000 * own:.0f} ms and {1000 * other:.0f} ms of delay fit it nearly "
            "alike; a longer drive with more steady running separates them"
        )
    spread = _spread(fit, signal, fit.typical_flow_kg_h)
    if spread > WIDEST_SHOWN_S:
        return f"the swings of the fuel leave the delay open by {2000 * spread:.0f} ms either way"
    return ""


def _other_delay(fit: GasFit) -> float:
    """Delay at the usual flow that fits nearly as well as the best and is another one; NaN without any. [s]"""
    weights = at_flow(fit.typical_flow_kg_h)
    off = [float(weights @ (rival - fit.values)) for rival in fit.rivals]
    far = [x for x in off if abs(x) > ANOTHER_S]
    return float(weights @ fit.values) + max(far, key=abs) if far else float("nan")


def _spread(fit: GasFit, signal: DelaySignal, flow_kg_h: float) -> float:
    """Standard error of the delay at an exhaust flow, with the errors of the model and of the flow itself. [s]"""
    weights = at_flow(flow_kg_h)
    by_flow = signal.flow_error * fit.values[1] / flow_kg_h
    return float(np.sqrt(weights @ fit.covariance @ weights + _model_error(fit, signal)[0] ** 2 + by_flow**2))


def _model_error(fit: GasFit, signal: DelaySignal) -> tuple[float, float]:
    """Standard errors of delay and lag that no length of log removes. [s]"""
    little = (USUAL_QUICK_SWING / max(fit.quick_swing, 1e-4)) ** 2
    delay = (MODEL_ERROR_DELAY_S, STEP_SHARE_DELAY * signal.step_s, SWING_ERROR_DELAY_S * little)
    unconfirmed = 0.0 if signal.by_pressure.any() else abs(1.0 - fit.values[NAMES.index("slow_air")])
    lag = (
        MODEL_ERROR_LAG_S,
        STEP_SHARE_LAG * signal.step_s,
        SWING_ERROR_LAG_S * little,
        UNCONFIRMED_ERROR_LAG_S * unconfirmed,
    )
    return float(np.linalg.norm(delay)), float(np.linalg.norm(lag))


def _shown(fit: GasFit, signal: DelaySignal) -> DelayFit:
    """Turn a fit into the result, with intervals cut off at zero."""
    reach = float(scipy.special.stdtrit(max(signal.blocks - 5, 3), 0.5 + CONFIDENCE / 2))

    def interval(value: float, spread: float) -> tuple[float, float]:
        return max(value - reach * spread, 0.0), value + reach * spread

    delay_s, delay_flow, lag_s = (float(value) for value in fit.values[:3])
    off_delay, off_lag = _model_error(fit, signal)
    sides = np.sqrt(np.diag(fit.covariance))[:3]
    at_50 = delay_s + delay_flow / REFERENCE_KG_H
    by_flow = signal.flow_error * delay_flow / fit.typical_flow_kg_h
    return DelayFit(
        delay_s=delay_s,
        delay_interval=interval(delay_s, float(np.linalg.norm((sides[0], off_delay, by_flow)))),
        delay_flow_s_kg_h=delay_flow,
        delay_flow_interval=interval(delay_flow, float(np.hypot(sides[1], signal.flow_error * delay_flow))),
        lag_s=lag_s,
        lag_interval=interval(lag_s, float(np.hypot(sides[2], off_lag))),
        at_50_kg_h_s=at_50,
        at_50_kg_h_interval=interval(at_50, _spread(fit, signal, REFERENCE_KG_H)),
        typical_flow_kg_h=fit.typical_flow_kg_h,
        confidence=CONFIDENCE,
        shown=True,
        because=_because(fit, signal),
        method=_method(signal),
        samples_used=signal.time_s.size,
        samples_flagged=signal.samples_flagged,
    )


def _because(fit: GasFit, signal: DelaySignal) -> str:
    """Say what the log has shown and what it has not."""
    shown = f"lambda follows the fuel in {signal.blocks} steady stretches"
    if fit.quick_swing < SLOW_QUICK_SWING:
        shown += ", but the trims swing slowly, which widens the intervals"
    if fit.flow_ratio < SPLIT_RATIO:
        return (
            f"{shown}; all lie near {fit.typical_flow_kg_h:.0f} kg/h of exhaust: the delay there is shown, "
            "its split into a constant and a flow part, and so the delay at other flows, is not"
        )
    return (
        f"{shown}; over a {fit.flow_ratio:.1f}-fold range of exhaust flow; sensor lag and wall film are only partly "
        "separated"
    )


def _method(signal: DelaySignal) -> str:
    return (
        f"least squares on residuals whitened by an autoregression of order {ORDER}, robust loss, weak priors on film, "
        f"lag, dead time and gain; interval from {signal.blocks} stretches of 10 s at most, plus model error and "
        f"{100 * signal.flow_error:.0f} % error of the exhaust flow"
    )


def stated_delay(car: Car, why: str) -> DelayFit:
    """Delay and lag as the owner states them, with wide intervals, where no log is asked; `why` says the reason."""
    return _stated(car, why, 0, 0)


def _stated(car: Car, why: str, used: int, flagged: int) -> DelayFit:
    """The car's stated values with widened intervals."""
    sensor = car.lambda_sensor
    values = {"delay_s": sensor.delay_s, "delay_flow": sensor.delay_flow_s_kg_h, "lag_s": sensor.lag_s}
    spread = {name: max(STATED_SPREAD * value, STATED_LEAST[name]) for name, value in values.items()}
    around = {name: (max(value - 2 * spread[name], 0.0), value + 2 * spread[name]) for name, value in values.items()}
    at_50 = sensor.delay_s + sensor.delay_flow_s_kg_h / REFERENCE_KG_H
    spread_50 = float(np.hypot(spread["delay_s"], spread["delay_flow"] / REFERENCE_KG_H))
    return DelayFit(
        delay_s=sensor.delay_s,
        delay_interval=around["delay_s"],
        delay_flow_s_kg_h=sensor.delay_flow_s_kg_h,
        delay_flow_interval=around["delay_flow"],
        lag_s=sensor.lag_s,
        lag_interval=around["lag_s"],
        at_50_kg_h_s=at_50,
        at_50_kg_h_interval=(max(at_50 - 2 * spread_50, 0.0), at_50 + 2 * spread_50),
        typical_flow_kg_h=float("nan"),
        confidence=CONFIDENCE,
        shown=False,
        because=f"{why}; the values are those stated in car.toml",
        method="stated in car.toml, interval widened to half the value either way at one standard error",
        samples_used=used,
        samples_flagged=flagged,
    )
