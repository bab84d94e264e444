"""Noise of each analog channel, engine off against running, and the supply voltage."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.log.flag import MASKS, trusted
from tunelab.log.flag_channel import resolution
from tunelab.log.segment import EngineStates, engine_states
from tunelab.study.finding import step_of
from tunelab.study.link.account import BEFORE_S
from tunelab.study.statistics import require_confidence
from tunelab.workspace.car import Car

ANALOG = (
    "meter_v",
    "meter_hz",
    "meter_counts",
    "throttle_pct",
    "pedal_pct",
    "manifold_kpa",
    "barometer_kpa",
    "lambda_measured",
    "lambda_measured_2",
    "battery_v",
    "coolant_c",
    "intake_air_c",
    "oil_c",
    "fuel_pressure_kpa",
    "oil_pressure_kpa",
    "acceleration_m_s2",
)
# What these measure does not move with each turn of the engine, so noise that comes with it came in by the wire.
STILL = ("throttle_pct", "pedal_pct", "barometer_kpa", "battery_v", "coolant_c", "intake_air_c", "oil_c")
BLOCK_S = 1.0  # noise is read from stretches this long
FEWEST_READINGS = 6  # in a block
DOES_NOT_MATTER = ("cold", "fuel_cut", "warming_up", "spike")  # a noisy reading is what is looked for
STEP_NOISE = 12**-0.5  # standard deviation of what rounding to one step adds


@dataclass(frozen=True)
class NoiseTable:
    """Noise by channel and state."""

    table: pd.DataFrame  # see `channel_noise`
    confidence: float
    method: str
    samples_used: int
    samples_flagged: int


def channel_noise(log: xr.Dataset, car: Car, *, confidence: float) -> NoiseTable:
    """Measure the noise of each analog channel in each state of the engine.

    Parameters
    ----------
    log : Dataset
        Flagged log. While the engine runs only steady samples count; of a channel slower than the rows its readings.
    car : Car
        For the states.
    confidence : float
        Of the intervals.

    Returns
    -------
    NoiseTable
        Rows: channel, unit, state, blocks, noise with lower and upper (standard deviation of one reading, in the
        channel's unit; NaN ends with fewer than six blocks), step (the logger's resolution), times_off (noise over that
        with the engine off, NaN where it was never logged off), spikes_per_min.

    Notes
    -----
    Noise is the root mean square of second differences within blocks of 1 s, over the root of 6, which straight drifts
    leave alone; the median over blocks, with the distribution-free interval of a median by order statistics.
    """
    require_confidence(confidence)
    states = engine_states(log, car)
    names = [name for name in ANALOG if name in log and np.isfinite(log[name].to_numpy()).any()]
    rows = [row for name in names for row in _rows(log, name, states, confidence)]
    columns = ["channel", "unit", "state", "blocks", "noise", "lower", "upper", "step", "times_off", "spikes_per_min"]
    calm = trusted(log, allow=DOES_NOT_MATTER).to_numpy()
    return NoiseTable(
        table=pd.DataFrame(rows, columns=columns).astype(dict.fromkeys(columns[4:], float)),  # also without rows
        confidence=confidence,
        method="second differences within 1 s blocks, median over blocks, interval by order statistics",
        samples_used=int(calm.sum()),
        samples_flagged=int(calm.size - calm.sum()),
    )


def _rows(log: xr.Dataset, name: str, states: EngineStates, confidence: float) -> Iterator[tuple]:
    time, values, rows = _readings(log, name)
    calm = _calm(log, name, states)[rows]
    spike = (log[f"{name}_flag"].to_numpy()[rows] & MASKS["spike"]) != 0
    episode, code = log["episode"].to_numpy()[rows], states.code[rows]
    block, noise = _block_noise(time, values, (calm, episode, code))
    state_of_block = code[block]
    step, off = resolution(values), float("nan")
    for number, state in enumerate(states.names):
        own = noise[state_of_block == number]
        if not own.size:
            continue
        middle, lower, upper = median_interval(own, confidence=confidence)
        off = middle if number == 0 else off
        minutes = max(np.count_nonzero(code == number) * float(np.median(np.diff(time))) / 60, 1e-9)
        spikes = np.count_nonzero(spike & (code == number)) / minutes
        floor = max(off, STEP_NOISE * step)
        times = middle / floor if np.isfinite(off) and floor > 0 else float("nan")
        yield (name, CHANNELS[name].unit, state, own.size, middle, lower, upper, step, times, spikes)


def _readings(log: xr.Dataset, name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time, value and row of each fresh reading."""
    values = log[name].to_numpy().astype(float)
    fresh = np.isfinite(values)
    if f"{name}_fresh" in log:
        fresh &= log[f"{name}_fresh"].to_numpy() != 0
    rows = np.flatnonzero(fresh)
    return log["time"].to_numpy()[rows], values[rows], rows


def _calm(log: xr.Dataset, name: str, states: EngineStates) -> np.ndarray:
    """Rows whose readings may be used: steady while the engine turns, anything undisturbed while it does not."""
    turning = states.code > 0
    still = trusted(log, name, allow=(*DOES_NOT_MATTER, "transient")).to_numpy() & ~turning
    return still | trusted(log, name, allow=DOES_NOT_MATTER).to_numpy()


def _block_noise(
    time: np.ndarray, values: np.ndarray, kept: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """First reading of each usable block and the noise in it."""
    calm, episode, code = kept
    if time.size < FEWEST_READINGS:
        return np.zeros(0, dtype=int), np.zeros(0)
    step = float(np.median(np.diff(time)))
    length = max(BLOCK_S, FEWEST_READINGS * step)
    slot = np.floor((time - time[0]) / length)
    breaks = (np.diff(slot) != 0) | (np.diff(episode) != 0) | (np.diff(code) != 0) | (np.diff(time) > 3 * step)
    breaks |= np.diff(calm.astype(np.int8)) != 0
    first = np.r_[0, np.flatnonzero(breaks) + 1]
    size = np.diff(np.r_[first, time.size])
    bend = np.r_[0.0, np.diff(values, n=2), 0.0] ** 2
    inside = np.ones(time.size, dtype=bool)
    inside[first] = inside[first + size - 1] = False  # a second difference needs both neighbours
    total = np.add.reduceat(np.where(inside, bend, 0.0), first)
    usable = calm[first] & (size >= FEWEST_READINGS)
    return first[usable], np.sqrt(total[usable] / (6.0 * (size[usable] - 2)))


def median_interval(values: np.ndarray, *, confidence: float) -> tuple[float, float, float]:
    """Median with its distribution-free interval; NaN ends where there are too few values, NaN all for none.

    Notes
    -----
    Order statistics: the number of values below the true median is binomial with 1/2. Source: W. R. Thompson, Ann.
    Math. Stat. 7 (1936) 122.
    """
    ordered = np.sort(values)
    if not ordered.size:
        return (float("nan"),) * 3
    outside = int(scipy.stats.binom.ppf((1 - confidence) / 2, ordered.size, 0.5))
    if scipy.stats.binom.cdf(outside - 1, ordered.size, 0.5) > (1 - confidence) / 2:
        outside -= 1
    if outside < 1:
        return float(np.median(ordered)), float("nan"), float("nan")
    return float(np.median(ordered)), float(ordered[outside - 1]), float(ordered[-outside])


@dataclass(frozen=True)
class Supply:
    """What the supply voltage did."""

    table: pd.DataFrame  # state, readings, median_v, lowest_v (1 %), highest_v (99 %), ripple_v with lower and upper
    lowest_cranking_v: float  # NaN where no start was logged
    dips: int  # drop-outs that began below `dip_v`
    drop_outs_seen: int  # drop-outs with a voltage in the second before
    dip_v: float  # lowest 1 % of the voltage while the engine ran
    running: int  # readings while it ran
    dip_interval_v: tuple[float, float]  # 2 % and 0.5 % instead, and half a step of the reading; NaN if it never moved
    p_dips: float  # chance that as many drop-outs or more begin below it if they come at any moment; NaN without any
    samples_used: int
    samples_flagged: int


def supply_voltage(log: xr.Dataset, car: Car, drop_out_v: np.ndarray, noise: NoiseTable) -> Supply | None:
    """Describe the supply voltage by state, and whether drop-outs began with a dip; None without `battery_v`.

    Parameters
    ----------
    log : Dataset
        Flagged log.
    car : Car
        For the states.
    drop_out_v : array, shape (drop-outs,)
        Lowest voltage in the second before each drop-out; NaN where not logged. [V]
    noise : NoiseTable
        Of the same log; gives the ripple.
    """
    if "battery_v" not in log:
        return None
    states, values = engine_states(log, car), log["battery_v"].to_numpy()
    good = np.isfinite(values) & ((log["battery_v_flag"].to_numpy() & (MASKS["spike"] | MASKS["out_of_range"])) == 0)
    ripple = noise.table[noise.table["channel"] == "battery_v"].set_index("state")
    rows = []
    for number, state in enumerate(states.names):
        own = values[good & (states.code == number)]
        if own.size:
            ends = ripple.loc[state, ["noise", "lower", "upper"]] if state in ripple.index else (np.nan,) * 3
            rows.append((state, own.size, np.median(own), *np.quantile(own, (0.01, 0.99)), *ends))
    columns = ["state", "readings", "median_v", "lowest_v", "highest_v", "ripple_v", "ripple_lower_v", "ripple_upper_v"]
    running, cranking = values[good & states.is_running()], values[good & (states.code == 1)]
    dip = float(np.quantile(running, 0.01)) if running.size else float("nan")
    seen = drop_out_v[np.isfinite(drop_out_v)]
    dips = int(np.count_nonzero(seen < dip))
    return Supply(
        table=pd.DataFrame(rows, columns=columns),
        lowest_cranking_v=float(cranking.min()) if cranking.size else float("nan"),
        dips=dips,
        drop_outs_seen=int(seen.size),
        dip_v=dip,
        running=int(running.size),
        dip_interval_v=_dip_interval(running),
        p_dips=_chance_of_dips(log, np.where(good, values, np.nan), states.is_running(), dip, (dips, seen.size)),
        samples_used=int(good.sum()),
        samples_flagged=int(good.size - good.sum()),
    )


def _dip_interval(running: np.ndarray) -> tuple[float, float]:
    """Ends of the lowest voltage, from how few readings make it and how fine they are; NaN if it never moved. [V]"""
    half = step_of(running) / 2
    if not running.size:
        return np.nan, np.nan
    return float(np.quantile(running, 0.005)) - half, float(np.quantile(running, 0.02)) + half


def _chance_of_dips(
    log: xr.Dataset, values: np.ndarray, running: np.ndarray, dip: float, seen: tuple[int, int]
) -> float:
    """P of as many drop-outs below `dip` or more, if the second before each were any second of running."""
    if not seen[1] or not running.any():
        return float("nan")
    rows = max(1, round(BEFORE_S / float(np.median(np.diff(log["time"].to_numpy())))))
    lowest = pd.Series(values).rolling(rows, min_periods=1).min().to_numpy()[running]
    share = float(np.mean(lowest[np.isfinite(lowest)] < dip)) if np.isfinite(lowest).any() else 1.0
    return float(scipy.stats.binomtest(*seen, share, alternative="greater").pvalue)
