"""The wall film by operating region, from the stretches in which the mixture was disturbed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.log.align import at_rows, has
from tunelab.log.segment import find_segments
from tunelab.study.finding import CONFIDENCE, NAN, Estimate, nothing
from tunelab.study.fuel_cut import find_cuts
from tunelab.study.idle.events import rows_between
from tunelab.study.transient.excursion import milligrams
from tunelab.study.transient.film import LOWER, UPPER, FilmFit, Prior, fit_film
from tunelab.study.transient.signal import TransientSignal
from tunelab.workspace.car import Car, LambdaSensor
from tunelab.workspace.revision import Revision

BEFORE_S, AFTER_S = 0.8, 2.5
WINDOW_READINGS = 12
EVENT_COLUMNS = [
    "kind", "at_s", "throttle_from_pct", "throttle_to_pct", "rate_pct_s", "engine_speed_rpm", "coolant_c",
    "disturbed_by",
]  # fmt: skip
DISTURBED_S = 2.0  # another event this shortly before or after lets neither be judged alone


@dataclass(frozen=True)
class Window:
    """One disturbed stretch on the signal's clock; neighbouring events share one."""

    start_s: float
    end_s: float
    kinds: tuple[str, ...]
    engine_speed_rpm: float  # at its first event
    coolant_c: float


def find_events(log: xr.Dataset, car: Car, revision: Revision) -> pd.DataFrame:
    """One row per tip-in, tip-out and end of a fuel cut, sorted by time.

    `rate_pct_s` is the mean rate of the throttle over the movement, `disturbed_by` the kind of another event within
    2 s (or a fuel cut before), empty where the event stands alone.
    """
    table = find_segments(log, car)
    cuts = find_cuts(log, car, revision)
    throttle, speed = at_rows(log, "throttle_pct"), at_rows(log, "engine_speed_rpm")
    coolant = at_rows(log, "coolant_c") if has(log, "coolant_c") else np.full(log.sizes["time"], np.nan)
    rows = []
    for row in table[table["kind"].isin(["tip-in", "tip-out"])].itertuples():
        inside = rows_between(log, (row.start_s, row.end_s))
        before, after = throttle[max(inside.start - 2, 0)], throttle[min(inside.stop + 1, throttle.size - 1)]
        seconds = max(row.end_s - row.start_s, float(np.median(np.diff(log["time"].values))))
        rate = (throttle[inside][-1] - throttle[inside][0]) / seconds
        rows.append((row.kind, row.start_s, before, after, rate, speed[inside.start], coolant[inside.start]))
    for row in cuts[cuts["ended_by"] != "gap"].itertuples():
        at = rows_between(log, (row.end_s, row.end_s + 1.0)).start
        rows.append(("fuel back", row.end_s, throttle[at], throttle[at], 0.0, row.exit_rpm, coolant[at]))
    found = pd.DataFrame(rows, columns=EVENT_COLUMNS[:-1]).sort_values("at_s", ignore_index=True)
    return found.assign(disturbed_by=_disturbed(found, cuts))


def _disturbed(events: pd.DataFrame, cuts: pd.DataFrame) -> list[str]:
    """For each event the kind of what stands too near to judge it alone, empty where nothing does."""
    at = events["at_s"].to_numpy(dtype=float)
    reasons = []
    for k, row in enumerate(events.itertuples()):
        near = np.flatnonzero((np.abs(at - at[k]) < DISTURBED_S) & (np.arange(at.size) != k))
        later_tip_out = row.kind == "tip-in" and all(at[n] - at[k] > 0.8 for n in near)
        inside = (cuts["start_s"] < at[k] + 1.0) & (cuts["end_s"] > at[k] - DISTURBED_S)
        if row.kind != "fuel back" and inside.any():
            reasons.append("fuel cut")
        elif near.size and not later_tip_out:
            reasons.append(str(events["kind"].iloc[near[0]]))
        else:
            reasons.append("")
    return reasons


def windows_of(events: pd.DataFrame, grid_time: Callable[[np.ndarray], np.ndarray]) -> list[Window]:
    """Windows on the signal's clock from `BEFORE_S` before to `AFTER_S` after each event; overlapping ones joined.

    `grid_time` turns a time of the log into one of the grid.
    """
    found: list[Window] = []
    for row in events.itertuples():
        at = float(grid_time(row.at_s))
        if found and at - BEFORE_S < found[-1].end_s and at + AFTER_S - found[-1].start_s < 12.0:
            last = found.pop()
            kinds = (*last.kinds, row.kind)
            found.append(Window(last.start_s, at + AFTER_S, kinds, last.engine_speed_rpm, last.coolant_c))
        else:
            start = max(at - BEFORE_S, found[-1].end_s) if found else at - BEFORE_S
            found.append(Window(start, at + AFTER_S, (row.kind,), row.engine_speed_rpm, row.coolant_c))
    return found


def number_readings(reading_s: np.ndarray, usable: np.ndarray, windows: list[Window]) -> np.ndarray:
    """Number of the window of each reading, -1 outside of all and in windows with too few, shape (readings,)."""
    number = np.full(reading_s.size, -1)
    for k, window in enumerate(windows):
        inside = usable & (reading_s >= window.start_s) & (reading_s <= window.end_s)
        if inside.sum() >= WINDOW_READINGS:
            number[inside] = k
    return number


COLD_C = 40.0
SPLIT_RPM = 2500.0
LEAST_WINDOWS, LEAST_READINGS = 4, 80
WIDEST_SHARE, WIDEST_TAU = 0.10, 0.5  # half-widths up to which film and sensor lag count as separated
# What no number of tip-ins removes: air that the model does not follow, samples between which the fuel steps.
MODEL_SHARE, MODEL_LOG_TAU = 0.02, 0.08
# Without manifold pressure the filling of the manifold has to be guessed from the meter, and it looks like a film.
METER_SHARE, METER_LOG_TAU = 0.12, 0.20
# And per second between readings beyond FINE_STEP_S.
FINE_STEP_S, STEP_SHARE, STEP_LOG_TAU = 0.04, 0.25, 1.0
FILLS = "a film cannot be separated from the filling of the manifold"
RAN_OUT = "the fit ran to the end of what a film can be: these stretches do not show one"


@dataclass(frozen=True)
class Film:
    """Film of one operating region."""

    region: str
    share: Estimate  # X
    tau_s: Estimate
    lag_s: Estimate  # of the sensor, as fitted along
    told_apart: bool  # film from sensor lag; nothing is proposed without
    because: str
    fit: FilmFit | None
    engine_speed_rpm: float  # mean over the windows
    coolant_c: float
    windows: int


def regions_of(windows: list[Window], coolant_min_c: float) -> dict[str, np.ndarray]:
    """Windows of each region, bool arrays of shape (windows,): by coolant temperature, warm ones by speed too."""
    coolant = np.array([w.coolant_c for w in windows])
    speed = np.array([w.engine_speed_rpm for w in windows])
    if not np.isfinite(coolant).any():
        return _by_speed(np.ones(coolant.size, dtype=bool), speed, "coolant not logged")
    warm = ~(coolant < coolant_min_c)
    found = _by_speed(warm, speed, f"from {coolant_min_c:g} °C")
    found[f"{COLD_C:g} to {coolant_min_c:g} °C"] = ~warm & (coolant >= COLD_C)
    found[f"below {COLD_C:g} °C"] = coolant < COLD_C
    return {name: own for name, own in found.items() if own.any()}


def _by_speed(own: np.ndarray, speed: np.ndarray, name: str) -> dict[str, np.ndarray]:
    slow, fast = own & (speed < SPLIT_RPM), own & (speed >= SPLIT_RPM)
    return {name: own, f"{name}, below {SPLIT_RPM:g} rpm": slow, f"{name}, from {SPLIT_RPM:g} rpm": fast}


def fit_region(
    signal: TransientSignal, sensor: LambdaSensor, windows: list[Window], chosen: tuple[str, np.ndarray],
    number: np.ndarray, prior: Prior,
) -> Film:  # fmt: skip
    """Fit the film to the windows of one region; `chosen` is its name and which windows are in it."""
    name, own = chosen
    inside = np.where((number >= 0) & own[np.maximum(number, 0)], number, -1)
    kept = np.unique(inside[inside >= 0])
    readings = int((inside >= 0).sum())
    if kept.size < LEAST_WINDOWS or readings < LEAST_READINGS:
        why = f"{kept.size} disturbed stretch{'es' * (kept.size != 1)} without clutch work, with {readings} "
        why += f"readings, are too few ({LEAST_WINDOWS} and {LEAST_READINGS} are wanted)"
        share, tau_s, lag_s = (nothing(unit, why, flagged=signal.samples_flagged) for unit in ("1", "s", "s"))
        return Film(name, share, tau_s, lag_s, False, why, None, NAN, NAN, int(kept.size))
    fit = fit_film(signal, sensor, inside, prior)
    return _film(name, fit, signal, windows, kept)


def _film(name: str, fit: FilmFit, signal: TransientSignal, windows: list[Window], kept: np.ndarray) -> Film:
    reach = float(scipy.stats.t.ppf(0.5 + CONFIDENCE / 2, max(fit.windows - 1, 3)))
    spread = fit.spread
    coarse = max(float(np.median(np.diff(signal.reading_s))) - FINE_STEP_S, 0.0)
    by_meter = signal.pressure_kg_h is None
    model, log_model = (METER_SHARE, METER_LOG_TAU) if by_meter else (MODEL_SHARE, MODEL_LOG_TAU)
    half = reach * float(np.sqrt(spread[0] ** 2 + model**2 + (STEP_SHARE * coarse) ** 2))
    log_half = reach * float(np.sqrt(spread[1] ** 2 + log_model**2 + (STEP_LOG_TAU * coarse) ** 2))
    method = (
        f"robust least squares with the sensor's lag and delay, {fit.windows} stretches left out in turn, model error"
    )
    share, tau = float(fit.values[0]), float(np.exp(fit.values[1]))
    counts = (fit.readings, signal.samples_flagged, method)
    late, doubt = float(fit.values[6]), float(reach * spread[6])
    lag = (late, max(late - doubt, 0.0), late + doubt)
    shown = (share, max(share - half, 0.0), min(share + half, 1.0))
    times = (tau, tau * float(np.exp(-log_half)), tau * float(np.exp(log_half)))
    correlation = float(fit.covariance[0, 6] / max(spread[0] * spread[6], 1e-12))
    ended = np.minimum(fit.values - LOWER, UPPER - fit.values)[:2] < 1e-3
    because = RAN_OUT if ended[1] or fit.values[0] > 0.85 else _doubt(shown, log_half, half, correlation)
    because = f"{signal.no_pressure}: {FILLS}" if by_meter else because
    return Film(
        region=name,
        share=Estimate(*shown, "1", *counts),
        tau_s=Estimate(*times, "s", *counts) if shown[1] > 0.0 else nothing("s", because),
        lag_s=Estimate(*lag, "s", *counts),
        told_apart=not because,
        because=because or f"film and sensor lag are separated by {fit.windows} stretches",
        fit=fit,
        engine_speed_rpm=float(np.mean([windows[k].engine_speed_rpm for k in kept])),
        coolant_c=float(np.mean([windows[k].coolant_c for k in kept])),
        windows=fit.windows,
    )


def _doubt(share: tuple[float, float, float], log_half: float, half: float, correlation: float) -> str:
    """Why the film is not separated, empty if it is."""
    if half > WIDEST_SHARE:
        tail = f", which moves with the sensor's lag (correlation {correlation:.2f})" if abs(correlation) > 0.5 else ""
        return f"the share X is open by {half:.2f} either way{tail}: film and sensor lag cannot be separated here"
    if share[1] <= 0.0:
        return f"no film is seen beyond what sensor lag alone could do (X at most {share[2]:.2f})"
    if log_half > WIDEST_TAU:
        return f"the film's time is open by a factor of {np.exp(log_half):.1f} either way"
    return ""


def acceleration_fuel(film: Film, tip_ins: pd.DataFrame) -> dict[str, float]:
    """What tip-ins of a region asked of acceleration fuelling, means over the tip-ins.

    A step of wanted fuel flow by dm needs X tau dm more, as (X / (1 - X)) dm at first that decays with (1 - X) tau.
    `needed_mg` is that mass, `delivered_mg` what went in beyond the need of the drawn air, `added_mg` what of it the
    ECU added beyond the need of its own airflow, `missing_mg` the difference
    (negative: too much), each for all cylinders; `first_pct` is the first surplus over the new steady fuel, `decay_s`
    its time. The interval of what is missing joins the film's with the scatter between tip-ins.
    """
    step = tip_ins["step_kg_h"].to_numpy(dtype=float)
    delivered = tip_ins["delivered_mg"].to_numpy(dtype=float)
    x, tau = film.share.value, film.tau_s.value
    needed = np.array([milligrams(x * tau * dm) for dm in step])
    missing = needed - delivered
    relative = _relative_spread(film)
    scatter = float(missing.std(ddof=1) / np.sqrt(missing.size)) if missing.size > 2 else NAN
    half = float(scipy.stats.t.ppf(0.975, max(missing.size - 1, 3)) * np.hypot(scatter, relative * needed.mean()))
    rise = float(np.mean(1.0 - tip_ins["air_from_kg_h"] / tip_ins["air_to_kg_h"]))
    return {
        "tip_ins": float(step.size),
        "air_from_kg_h": float(tip_ins["air_from_kg_h"].mean()),
        "air_to_kg_h": float(tip_ins["air_to_kg_h"].mean()),
        "needed_mg": float(needed.mean()),
        "delivered_mg": float(delivered.mean()),
        "added_mg": float(tip_ins["added_mg"].mean()),
        "missing_mg": float(missing.mean()),
        "missing_lower_mg": float(missing.mean()) - half,
        "missing_upper_mg": float(missing.mean()) + half,
        "first_pct": 100.0 * x / (1.0 - x) * rise,
        "decay_s": (1.0 - x) * tau,
    }


def _relative_spread(film: Film) -> float:
    """Standard error of X tau over X tau, with the fit's own correlation of the two."""
    fit = film.fit
    if fit is None:
        return NAN
    slopes = np.array([1.0 / max(fit.values[0], 1e-3), 1.0])
    own = fit.covariance[:2, :2] + np.diag([MODEL_SHARE**2, MODEL_LOG_TAU**2])
    return float(np.sqrt(slopes @ own @ slopes))
