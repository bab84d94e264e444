"""Channels on the rows of a log: trusted, fresh apart from held, and lambda referred back to the moment of fuelling."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.log.flag import LAMBDA_SENSORS, MASKS, trusted_rows
from tunelab.log.flag_sample import find_gaps
from tunelab.log.once import made_once
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

# What must not take a reading away from a study of pulls and coast-downs: they are transient by nature, and whether the
# engine is warm or its fuel cut says nothing about speeds.
OF_NO_MATTER = ("transient", "cold", "fuel_cut")

LONGEST_BRIDGE_S = 0.6  # between two fresh readings further apart than this nothing is drawn,
LONGEST_BRIDGE_STEPS = 2.2  # unless the channel is slow by itself: then this many of its usual steps


def has(log: xr.Dataset, name: str) -> bool:
    """Whether the log holds at least one reading of a channel."""
    return name in log and bool(np.isfinite(log.variables[name].values).any())


def never_moves(log: xr.Dataset, name: str) -> bool:
    """Whether a channel is logged and stands at one value throughout: a dead sensor reads the same."""
    values = log.variables[name].values if has(log, name) else np.array([])
    known = values[np.isfinite(values)]
    return bool(known.size) and bool(np.ptp(known) == 0)


def trusted_values(log: xr.Dataset, name: str) -> np.ndarray:
    """Readings of one channel, NaN where a flag of its own, a gap or an exclusion stands; shape (time,)."""
    return np.where(trusted_rows(log, name, allow=OF_NO_MATTER), log.variables[name].values, np.nan)


def fresh_readings(log: xr.Dataset, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Times and values of the trusted, fresh readings of one channel; shapes (readings,)."""
    values = trusted_values(log, name)
    keep = np.isfinite(values)
    if f"{name}_fresh" in log:
        keep &= log.variables[f"{name}_fresh"].values == 1
    return log.variables["time"].values[keep], values[keep]


def rate_hz(log: xr.Dataset, name: str) -> float:
    """Fresh readings per second, by the median step between them; NaN with fewer than three readings. [Hz]"""
    time, _ = fresh_readings(log, name)
    return float(1 / np.median(np.diff(time))) if time.size > 2 else float("nan")


@made_once
def at_rows(log: xr.Dataset, name: str) -> np.ndarray:
    """One channel at every row: fresh readings joined by straight lines.

    Returns
    -------
    array, shape (time,)
        NaN where the neighbouring fresh readings lie more than LONGEST_BRIDGE_S (of a slow channel more than
        LONGEST_BRIDGE_STEPS of its usual steps) apart, or in two episodes; everywhere where the channel is not logged.

    Raises
    ------
    KeyError
        No channel has that name.
    """
    row_time = log.variables["time"].values
    if name not in log:
        if name not in CHANNELS:
            raise KeyError(f"{name!r} is no channel; tunelab list --channels names them.")
        return np.full(row_time.size, np.nan)
    time, values = fresh_readings(log, name)
    if time.size < 2:
        return np.full(row_time.size, np.nan)
    after = np.clip(np.searchsorted(time, row_time), 1, time.size - 1)
    held = np.isclose(row_time, time[np.clip(np.searchsorted(time, row_time), 0, time.size - 1)])
    drawn = np.where(_is_bridged(time, row_time) | held, np.interp(row_time, time, values), np.nan)
    return np.where(_same_episode(log, time, after) | held, drawn, np.nan)


def _is_bridged(time: np.ndarray, row_time: np.ndarray) -> np.ndarray:
    """Whether each row lies between two of a channel's readings that belong together."""
    if time.size < 2:
        return np.isin(row_time, time)
    after = np.clip(np.searchsorted(time, row_time), 1, time.size - 1)
    longest = max(LONGEST_BRIDGE_S, LONGEST_BRIDGE_STEPS * float(np.median(np.diff(time))))
    return (row_time >= time[0]) & (row_time <= time[-1]) & (time[after] - time[after - 1] <= longest)


def _same_episode(log: xr.Dataset, time: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Whether the readings before and after each row belong to one episode."""
    if "episode" not in log:
        return np.ones(after.size, dtype=bool)
    episode = log.variables["episode"].values[np.searchsorted(log.variables["time"].values, time)]
    return episode[after] == episode[after - 1]


def row_step_s(log: xr.Dataset) -> float:
    """Median step between rows. [s]"""
    time = log.variables["time"].values
    return float(np.median(np.diff(time))) if time.size > 1 else float("nan")


def rows_in(seconds: float, step_s: float) -> int:
    """Odd number of rows that spans about `seconds`; at least 3, also where a log of one row has no step."""
    if not step_s > 0.0:
        return 3
    return max(3, 2 * round(seconds / step_s / 2) + 1)


def rolling(values: np.ndarray, rows: int, how: str) -> np.ndarray:
    """Centred rolling statistic (`median`, `std`, `mean`, `max`, `min`); NaN with less than half the rows present."""
    return getattr(pd.Series(values).rolling(rows, center=True, min_periods=rows // 2 + 1), how)().to_numpy()


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """Stretches of True as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], np.asarray(mask, dtype=np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


# Exhaust is air plus fuel; at lambda 1 petrol adds 1/14.5 of the air; with another fuel the sum is under 4 % off.
FUEL_PER_AIR = 1.0 / 14.5
LEAST_FLOW_KG_H = 1.0  # below it nothing arrives in a time worth waiting for
LONGEST_BRACKET = (
    2.6  # time between the two readings that are interpolated, over the sensor's usual time between readings
)
NOT_REFERRED = MASKS["missing"]
# Whatever of this hits the moment of the measurement is only passed on; all else takes the reading away.
PASSED_ON = MASKS["cold"] | MASKS["fuel_cut"] | MASKS["transient"]


def add_air_flow(log: xr.Dataset, car: Car, revision: Revision) -> xr.Dataset:
    """Return the log with `air_flow_kg_h` as the revision's curve reads the meter; a logged one is kept as it is.

    Where several loggers make one log and some of them leave the airflow out, the curve gives it there. What is added
    takes over the flags of the meter's reading. Readings beyond the curve take its end value.

    Raises
    ------
    ValueError
        The log has neither an airflow nor the meter's reading.
    """
    meter, is_logged = car.meter.channel, "air_flow_kg_h" in log
    if is_logged and (meter not in log or not car.has_meter):
        return log
    if meter not in log:
        log_it = "the meter's reading" if car.has_meter else "what the ECU's table goes by"
        raise ValueError(
            f"the log has neither air_flow_kg_h nor {car.air_reading}: without the airflow no delay can be "
            f"calculated; log {log_it} or the airflow that the ECU computes."
        )
    reading = log[meter].to_numpy()
    flow = np.interp(reading, revision.meter_curve.reading, revision.meter_curve.flow_kg_h)
    attrs = {"units": "kg h-1", "long_name": f"air flow by the curve of {revision.name}"}
    logged = log["air_flow_kg_h"].to_numpy() if is_logged else np.full(flow.size, np.nan)
    attrs = log["air_flow_kg_h"].attrs if is_logged else attrs
    time = log["time"].to_numpy()
    lacks = ~_is_bridged(time[np.isfinite(logged)], time) & np.isnan(logged)
    if not lacks.any():
        return log
    added = log.assign(air_flow_kg_h=("time", np.where(lacks, flow, logged), attrs))
    for mark in ("flag", "fresh"):
        added = _marked_as(added, f"air_flow_kg_h_{mark}", f"{meter}_{mark}", lacks)
    if f"{meter}_flag" in log:
        added["air_flow_kg_h"].attrs["ancillary_variables"] = "air_flow_kg_h_flag"
    where = " where no airflow was logged" if is_logged else ""
    return _with_history(added, f"air_flow_kg_h calculated from {meter} by the curve of {revision.name}{where}")


def _marked_as(log: xr.Dataset, name: str, source: str, rows: np.ndarray) -> xr.Dataset:
    """The log with flags or fresh readings of one channel as those of another at some rows."""
    if source not in log:
        return log
    marks = log[source].to_numpy()
    own = log.get(name, log[source])
    return log.assign({name: (own.dims, np.where(rows, marks, own.to_numpy()), own.attrs)})


def _with_history(log: xr.Dataset, line: str) -> xr.Dataset:
    log.attrs["history"] = "\n".join(part for part in (log.attrs.get("history", ""), line) if part)
    return log


def exhaust_flow(log: xr.Dataset) -> np.ndarray:
    """Exhaust flow [kg/h], shape (time,): air plus the fuel that the commanded lambda takes, or lambda 1 without one.

    Air readings that are flagged or missing are bridged between their neighbours: they serve the delay only.

    Raises
    ------
    ValueError
        The log has no usable `air_flow_kg_h`.
    """
    if "air_flow_kg_h" not in log:
        raise ValueError("the log has no air_flow_kg_h; call add_air_flow(log, car, revision) first.")
    air = log["air_flow_kg_h"].to_numpy()
    good = np.isfinite(air)
    if "air_flow_kg_h_flag" in log:
        good &= (log["air_flow_kg_h_flag"].to_numpy() & ~MASKS["rail"]) == 0
    if not good.any():
        raise ValueError("air_flow_kg_h: no reading can be trusted, so no delay can be calculated.")
    time = log["time"].to_numpy()
    air = np.interp(time, time[good], air[good])
    lambda_ = log["lambda_commanded"].to_numpy() if "lambda_commanded" in log else np.ones(air.size)
    lambda_ = np.where((lambda_ > 0.4) & (lambda_ < 3.0), lambda_, 1.0)
    return np.maximum(air * (1.0 + FUEL_PER_AIR / lambda_), LEAST_FLOW_KG_H)


def arrival_time(
    time_s: np.ndarray, exhaust_kg_h: np.ndarray, *, delay_s: float, delay_flow_s_kg_h: float
) -> np.ndarray:
    """Time at which the gas fuelled at each sample reaches the sensor [s], shape (time,).

    The gas waits `delay_s`, then is pushed through the pipe until `delay_flow_s_kg_h` of exhaust (a mass, in
    s x kg/h) has followed it: delay_s + delay_flow_s_kg_h / flow while the flow is constant. Arrivals never overtake
    one another, however quickly the flow changes.

    Raises
    ------
    ValueError
        A negative delay.

    Notes
    -----
    The constant part is mostly the engine's own cycle, from injection to the exhaust valve, so it comes before the
    pipe, and the gas is pushed by the flow that follows it there. The sensor's own dead time comes after; a few
    milliseconds, common practice, no source. Where it is not small, the order shifts arrivals by up to the constant
    part times the change of flow over the flow: nothing in steady running, under 1 ms in a full-throttle pull, tens of
    milliseconds at a tip-in. The transient study therefore fits the share of the constant that comes first.
    """
    if delay_s < 0 or delay_flow_s_kg_h < 0:
        raise ValueError(
            f"delays cannot be negative: got delay_s {delay_s:g}, delay_flow_s_kg_h {delay_flow_s_kg_h:g}."
        )
    step = np.diff(time_s)
    pushed = np.append(0.0, np.cumsum(step * 0.5 * (exhaust_kg_h[1:] + exhaust_kg_h[:-1])))
    entered = np.interp(time_s + delay_s, time_s, pushed) + exhaust_kg_h[-1] * np.maximum(
        time_s + delay_s - time_s[-1], 0
    )
    wanted = entered + delay_flow_s_kg_h
    beyond = np.maximum(wanted - pushed[-1], 0.0) / exhaust_kg_h[-1]
    return np.interp(wanted, pushed, time_s) + beyond


def refer_back(log: xr.Dataset, *, delay_s: float, delay_flow_s_kg_h: float, lag_s: float) -> xr.Dataset:
    """Return the log with `lambda_at_fuelling` (and `_2`): lambda of the charge that was fuelled at each sample.

    Parameters
    ----------
    log : Dataset
        A flagged log with `air_flow_kg_h` (see `add_air_flow`).
    delay_s, delay_flow_s_kg_h : float
        Transport delay = delay_s + delay_flow_s_kg_h / exhaust flow in kg/h.
    lag_s : float
        First-order time constant of the sensor. [s]

    Returns
    -------
    Dataset
        `lambda_at_fuelling` is NaN where no reading to be trusted arrived in the same episode, next to a gap, or after
        the end. `lambda_at_fuelling_flag` carries the flags of the readings it came from: what concerns the sensor, a
        gap or an exclusion takes the value away; cold, fuel cut and transient at the moment of the measurement leave
        it and stay marked, so `trusted(log, "lambda_at_fuelling")` asks for steady driving at both moments.

    Raises
    ------
    ValueError
        No lambda, no airflow, not flagged, or a negative delay or lag.

    Notes
    -----
    The lag is allowed for by reading the sensor `lag_s` later: exact where lambda is constant or drifts evenly
    (a first-order lag follows a ramp exactly its time constant later), without amplifying noise. Swings faster than
    about 6 lags stay damped.
    """
    sensors = [name for name in LAMBDA_SENSORS if name in log]
    if not sensors:
        raise ValueError("the log has no lambda_measured, so nothing can be referred back.")
    if lag_s < 0:
        raise ValueError(f"lag_s cannot be negative: got {lag_s:g}.")
    if "sample_flag" not in log or any(f"{name}_flag" not in log for name in sensors):
        raise ValueError("the log was not flagged, and flagged readings must not leak in; call flag_log first.")
    time = log["time"].to_numpy()
    arrives = arrival_time(time, exhaust_flow(log), delay_s=delay_s, delay_flow_s_kg_h=delay_flow_s_kg_h) + lag_s
    referred = log
    for name in sensors:
        value, bits = _read_at(log, name, arrives)
        referred = _assign(referred, name.replace("measured", "at_fuelling"), value, bits)
    line = (
        f"lambda referred back by {delay_s:g} s + {delay_flow_s_kg_h:g} s kg/h / exhaust flow and a lag of {lag_s:g} s"
    )
    return _with_history(referred.copy() if referred is log else referred, line)


def _assign(log: xr.Dataset, name: str, value: np.ndarray, bits: np.ndarray) -> xr.Dataset:
    attrs = {"units": "1", "long_name": CHANNELS[name].meaning, "ancillary_variables": f"{name}_flag"}
    flag_attrs = {
        "long_name": f"reasons not to trust {name.replace('_', ' ')}",
        "standard_name": "status_flag",
        "flag_masks": np.array(list(MASKS.values()), dtype=np.int32),
        "flag_meanings": " ".join(MASKS),
    }
    return log.assign({name: ("time", value, attrs), f"{name}_flag": ("time", bits, flag_attrs)})


def _read_at(log: xr.Dataset, name: str, arrives: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lambda at the arrival times and the bits it brings along, each of shape (time,)."""
    time, reading = log["time"].to_numpy(), log[name].to_numpy()
    bits = log[f"{name}_flag"].to_numpy() | log["sample_flag"].to_numpy()
    stretch = _stretches(log)
    fresh = log[f"{name}_fresh"].to_numpy() != 0 if f"{name}_fresh" in log else np.ones(time.size, dtype=bool)
    rows = np.flatnonzero(fresh & ((bits & ~np.int32(PASSED_ON)) == 0) & np.isfinite(reading))
    nearest = bits[np.clip(np.searchsorted(time, arrives), 0, time.size - 1)]
    if rows.size < 2:
        return np.full(time.size, np.nan), nearest | np.int32(NOT_REFERRED)
    after = np.clip(np.searchsorted(time[rows], arrives), 1, rows.size - 1)
    left, right = rows[after - 1], rows[after]
    inside = (time[left] <= arrives) & (arrives <= time[right])
    together = (stretch[left] == stretch[right]) & (stretch[left] == stretch)
    usual = _usual_period(time, fresh)
    available = inside & together & (time[right] - time[left] <= LONGEST_BRACKET * usual[left])
    weight = np.clip((arrives - time[left]) / (time[right] - time[left]), 0.0, 1.0)
    value = reading[left] + weight * (reading[right] - reading[left])
    passed = np.where(weight < 1.0, bits[left], 0) | np.where(weight > 0.0, bits[right], 0)
    found = np.where(available, passed, nearest | NOT_REFERRED | np.where(together, 0, MASKS["gap"]))
    return np.where(available, value, np.nan), found.astype(np.int32)


def _stretches(log: xr.Dataset) -> np.ndarray:
    """Number of the unbroken stretch each sample belongs to, shape (time,); a gap or a new episode starts another."""
    broken = np.zeros(log.sizes["time"], dtype=int)
    broken[find_gaps(log)] = 1
    return np.cumsum(broken)


def _usual_period(time: np.ndarray, fresh: np.ndarray) -> np.ndarray:
    """Usual time between fresh readings around each row [s], shape (time,): the larger of overall and local median."""
    rows = np.flatnonzero(fresh)
    if rows.size < 3:
        return np.zeros(time.size)
    step = np.diff(time[rows])
    block = 25
    padded = np.pad(step, (0, -step.size % block), mode="edge").reshape(-1, block)
    local = np.repeat(np.median(padded, axis=1), block)[: step.size]
    return local[np.clip(np.searchsorted(rows, np.arange(time.size), side="right") - 1, 0, step.size - 1)]
