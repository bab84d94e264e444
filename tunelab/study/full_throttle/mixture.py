"""Lambda at full throttle, at the moment of fuelling; what is only sensor delay is told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.log.align import add_air_flow, arrival_time, exhaust_flow
from tunelab.log.flag import MASKS
from tunelab.log.flag_sample import is_cut
from tunelab.study.delay import DelayFit
from tunelab.study.full_throttle.check import Check, Quantity, Series, hold_against, missing, step_of
from tunelab.study.full_throttle.stretch import Stretch
from tunelab.study.gearing.reading import at_rows, has, rolling, row_step_s, rows_in
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

BELIEVED_DESPITE = MASKS["rail"] | MASKS["cold"] | MASKS["fuel_cut"] | MASKS["transient"]
SETTLED_LAGS = 3.0  # a first-order sensor has taken 95 % of a step after three lags
AFTER_CUT_S = 0.3
BIN_RPM = 250.0
LEAST_IN_BIN = 4


@dataclass(frozen=True)
class Mixture:
    """Lambda at full throttle."""

    lean: Check
    against_commanded: Check
    bins: pd.DataFrame
    """By engine speed: `engine_speed_rpm, lambda, lower, upper, commanded, error_pct, samples, pulls`."""
    readings: pd.DataFrame  # seen_s, fuelled_s, stretch, engine_speed_rpm, lambda, commanded, judged, because
    delay_only: pd.DataFrame  # stretch, start_s, end_s, highest_lambda, because
    delay: DelayFit


def check_mixture(
    log: xr.Dataset, car: Car, revision: Revision, stretches: tuple[Stretch, ...], delay: DelayFit
) -> Mixture | str:
    """Hold lambda against the owner's limit and against what was commanded; or say why that cannot be done.

    Every reading speaks of the charge that was fuelled one transport delay and one lag earlier. Readings of charges
    fuelled before the throttle opened, and those that come before the sensor has had three lags to settle (by the upper
    ends of the delay's intervals), are shown but not judged.
    """
    if not has(log, "lambda_measured"):
        return "the log has no lambda_measured"
    try:
        log = add_air_flow(log, car, revision)
        arrives = _arrivals(log, delay)
    except ValueError as problem:
        return str(problem).rstrip(".")
    table = pd.concat([_readings(log, name, arrives, stretches, delay) for name in _sensors(log)], ignore_index=True)
    table = _judged(table, log, car, revision, stretches, delay)
    lean, against = _checks(table, car, stretches)
    return Mixture(lean, against, _bins(table, stretches), table, _delay_only(table, car, stretches), delay)


def _sensors(log: xr.Dataset) -> list[str]:
    return [name for name in ("lambda_measured", "lambda_measured_2") if has(log, name)]


def _arrivals(log: xr.Dataset, delay: DelayFit) -> np.ndarray:
    """Time at which the charge of each row shows in the reading: transport delay and one lag. [s]"""
    flow = exhaust_flow(log)
    time = log["time"].values
    return arrival_time(time, flow, delay_s=delay.delay_s, delay_flow_s_kg_h=delay.delay_flow_s_kg_h) + delay.lag_s


def _readings(log, name: str, arrives: np.ndarray, stretches, delay: DelayFit) -> pd.DataFrame:
    """Fresh readings of a sensor during full throttle and just after, each with the moment of its fuelling."""
    time, value = log["time"].values, log[name].values
    bits = log[f"{name}_flag"].values | log["sample_flag"].values
    keep = np.isfinite(value) & ((bits & ~np.int32(BELIEVED_DESPITE)) == 0)
    if f"{name}_fresh" in log:
        keep &= log[f"{name}_fresh"].values != 0
    fuelled = np.interp(time, arrives, time, left=np.nan)
    number = np.zeros(time.size, dtype=int)
    for stretch in stretches:
        number[(time >= stretch.start_s) & (fuelled <= stretch.end_s)] = stretch.number
    keep &= number > 0
    columns = {"seen_s": time[keep], "fuelled_s": fuelled[keep], "stretch": number[keep], "sensor": name}
    rpm, commanded = (
        np.interp(fuelled[keep], time, _bridged(log, x)) for x in ("engine_speed_rpm", "lambda_commanded")
    )
    return pd.DataFrame(columns | {"engine_speed_rpm": rpm, "lambda": value[keep], "commanded": commanded})


def _bridged(log: xr.Dataset, name: str) -> np.ndarray:
    if not has(log, name):
        return np.full(log.sizes["time"], np.nan)
    values, time = at_rows(log, name), log["time"].values
    known = np.isfinite(values)
    return np.interp(time, time[known], values[known]) if known.any() else values


def _judged(table: pd.DataFrame, log, car: Car, revision: Revision, stretches, delay: DelayFit) -> pd.DataFrame:
    """Add `judged` and, where it is False, `because`."""
    number = table["stretch"].to_numpy() - 1
    opened, closed = (np.array([getattr(s, name) for s in stretches]) for name in ("start_s", "end_s"))
    first_gas, last_gas = (_reach_sensor(log, moments, delay) for moments in (opened, closed))
    doubt = _doubt_s(log, opened, delay)
    settled = first_gas + doubt + SETTLED_LAGS * delay.lag_interval[1]
    fuelled, seen = table["fuelled_s"].to_numpy(), table["seen_s"].to_numpy()
    cut = np.interp(fuelled, log["time"].values, _cut_nearby(log, car, revision).astype(float), left=0) > 0
    reasons = np.full(seen.size, "", dtype=object)
    reasons[cut] = "fuel was cut"
    reasons[seen > (last_gas - doubt)[number]] = "gas from after the throttle closed may be in it"
    reasons[seen < settled[number]] = "the sensor had not settled after the throttle opened"
    reasons[~(fuelled >= opened[number])] = "fuelled before the throttle opened"
    return table.assign(judged=reasons == "", because=reasons)


def _reach_sensor(log: xr.Dataset, moments_s: np.ndarray, delay: DelayFit) -> np.ndarray:
    """When the gas fuelled at the given moments reaches the sensor, its lag apart. [s]"""
    return np.interp(moments_s, log["time"].values, _arrivals(log, delay)) - delay.lag_s


def _doubt_s(log: xr.Dataset, moments_s: np.ndarray, delay: DelayFit) -> np.ndarray:
    """How far the transport delay may be off, by the upper ends of its intervals. [s]"""
    flow = np.interp(moments_s, log["time"].values, exhaust_flow(log))
    by_flow = (delay.delay_flow_interval[1] - delay.delay_flow_s_kg_h) / flow
    return np.hypot(delay.delay_interval[1] - delay.delay_s, by_flow)


def _cut_nearby(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Rows with the fuel cut and shortly after."""
    rows = rows_in(2 * AFTER_CUT_S, row_step_s(log))
    return rolling(is_cut(log, car, revision).astype(float), rows, "max") > 0


def _checks(table: pd.DataFrame, car: Car, stretches) -> tuple[Check, Check]:
    limit, key = car.limits.lambda_max_full_load, "limits.lambda_max_full_load"
    lean = Quantity("full_throttle.lambda", "Leanest lambda at full throttle", "1", limit, key, "higher", lift=True)
    error_limit, key = car.limits.steady_lambda_error_max_pct, "limits.steady_lambda_error_max_pct"
    title = "Largest lean error of lambda against commanded"
    error = Quantity(
        "full_throttle.lambda_error", title, "%", error_limit, key, "higher", lift=False, worst_status="watch"
    )
    judged = table[table["judged"]].sort_values(["stretch", "fuelled_s"])
    flagged = len(table) - len(judged)
    known = judged[np.isfinite(judged["commanded"])]
    off = 100 * (known["lambda"] / known["commanded"] - 1)
    step = step_of(table["lambda"].to_numpy())
    first = hold_against(lean, _series(judged, judged["lambda"], flagged, step), stretches)
    if known.empty:
        return first, missing(error, "the log has no lambda_commanded to compare with", flagged)
    share = 100 / float(known["commanded"].median())
    return first, hold_against(error, _series(known, off, flagged, share * step), stretches)


def _series(table: pd.DataFrame, values: pd.Series, flagged: int, step: float) -> Series:
    columns = [table[name].to_numpy() for name in ("fuelled_s", "seen_s")]
    rpm, number = table["engine_speed_rpm"].to_numpy(), table["stretch"].to_numpy()
    return Series(*columns, values.to_numpy(), rpm, number, flagged, step)


def _bins(table: pd.DataFrame, stretches) -> pd.DataFrame:
    """Mean of judged lambda by engine speed; interval from the pulls' own means where three or more reached."""
    judged = table[table["judged"]]
    centre = BIN_RPM * np.floor(judged["engine_speed_rpm"] / BIN_RPM) + BIN_RPM / 2
    rows = []
    for rpm, part in judged.groupby(centre):
        if len(part) < LEAST_IN_BIN:
            continue
        mean, half = _mean_of_pulls(part)
        commanded = part["commanded"].mean()
        error = 100 * (mean / commanded - 1)
        rows.append((rpm, mean, mean - half, mean + half, commanded, error, len(part), part["stretch"].nunique()))
    names = ["engine_speed_rpm", "lambda", "lower", "upper", "commanded", "error_pct", "samples", "pulls"]
    return pd.DataFrame(rows, columns=names)


def _mean_of_pulls(part: pd.DataFrame) -> tuple[float, float]:
    """Mean and half-width of its 95 % interval; NaN half-width where a single pull gives fewer than eight readings."""
    means = part.groupby("stretch")["lambda"].mean().to_numpy()
    if means.size >= 3:
        return float(means.mean()), float(
            scipy.stats.t.ppf(0.975, means.size - 1) * means.std(ddof=1) / np.sqrt(means.size)
        )
    values = part["lambda"].to_numpy()
    if values.size < 8:
        return float(values.mean()), float("nan")
    apart = values.reshape(-1)[: values.size // 4 * 4].reshape(4, -1).mean(axis=1)
    return float(values.mean()), float(scipy.stats.t.ppf(0.975, 3) * apart.std(ddof=1) / 2)


def _delay_only(table: pd.DataFrame, car: Car, stretches) -> pd.DataFrame:
    """Stretches that read leaner than the limit and are nothing but delay or lag of the sensor."""
    rows = []
    lean = table[~table["judged"] & (table["lambda"] > car.limits.lambda_max_full_load)]
    lean = lean[lean["because"].str.contains("opened")]
    for number, part in lean.groupby("stretch"):
        text = (
            f"until {part['seen_s'].max():.2f} s the sensor still showed gas fuelled before the throttle opened, or "
            "had not settled: this says nothing about full throttle."
        )
        name = stretches[int(number) - 1].name
        rows.append((name, part["seen_s"].min(), part["seen_s"].max(), part["lambda"].max(), text))
    return pd.DataFrame(rows, columns=["stretch", "start_s", "end_s", "highest_lambda", "because"])
