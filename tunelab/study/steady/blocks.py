"""Steady blocks of about a second, each with its hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.study.steady.model import FILM_S
from tunelab.study.steady.samples import Samples

BIN_S = 0.25  # length of a bin; longer where the log is slow

BIN_SAMPLES = 2.5  # least samples of a bin, on average

BLOCK_BINS = 4

SETTLE_S = 0.5  # steady before a block: wall film and meter settle in it

# Furthest apart of the bins of a window that is used at all, beside their noise. Common practice, no source.
CALM_LOG_AIR = 0.15

CALM_LOG_SPEED = 0.08

CALM_LOG_OPEN = 0.16

# Furthest apart of engine speed and of opening time at which a block's error has twice the variance of a still one's:
# about what blocks of three engine models of known truth show. Air that wanders adds nothing beside them.
RESTLESS_LOG_SPEED, RESTLESS_LOG_OPEN = 0.02, 0.045

LONGEST_AFTER = 8  # bins behind a block that have to be steady, at the most

LEAST_OPEN_MS = 0.2  # opening of a pulse below which no share of it is known

LEAST_SHARE = 0.6  # of a bin's rows that must be trusted

LEAST_LAMBDA = 2  # fresh lambda readings of a block

HOLD_STEP = 0.03  # change of log air or log speed from block to block that begins a new hold

HOLD_LONGEST_S = 20.0  # a slow sweep counts as several holds


@dataclass(frozen=True)
class Delay:
    """When lambda shows what was fuelled: delay + flow term / exhaust flow, then a lag."""

    constant_s: float
    flow_s_kg_h: float
    lag_s: float


@dataclass(frozen=True)
class _Bins:
    """Means of a log over short bins; arrays of shape (bins,), NaN where a bin cannot be used."""

    step_s: float
    start_s: float
    values: dict[str, np.ndarray]
    noise: np.ndarray  # standard error of the mean of log air
    rows: np.ndarray  # trusted rows


MEANS = ("log_air", "log_speed", "log_open", "log_ratio", "log_pressure", "reading", "battery_v", "pulse_width_ms",
         "pressure_ratio")  # fmt: skip


def calm_blocks(samples: Samples, delay: Delay) -> pd.DataFrame:
    """Cut a log into steady blocks, one row each; the column `y` is what the fit explains.

    y = log(lambda × fuel × stoichiometric ratio / air), lambda from the time when the block's gas was measured.
    """
    bins = _bins(samples)
    before, after = int(np.ceil(SETTLE_S / bins.step_s)), _bins_until_seen(bins, delay)
    starts = _block_starts(_calm(bins, before, after), before)
    table = _block_means(bins, starts)
    table = table.assign(**_slopes(bins, starts, before), unrest=_unrest(bins, starts, before, after[starts]))
    table = _with_lambda(table, samples, delay).assign(**_wetted(samples, table))
    table.insert(0, "session", samples.session)
    table = table[np.isfinite(table["y"]) & (table["lambda_readings"] >= LEAST_LAMBDA)]
    return _with_holds(table.reset_index(drop=True))


def _bins(samples: Samples) -> _Bins:
    time = samples.time
    step = max(BIN_S, BIN_SAMPLES * float(np.median(np.diff(time)))) if time.size > 1 else BIN_S
    which = ((time - time[0]) / step).astype(int)
    count = which[-1] + 1
    columns = {
        "log_air": samples.log_air,
        "log_speed": np.log(np.maximum(samples.engine_speed_rpm, 1.0)),
        "log_open": np.log(np.maximum(samples.open_ms, 1e-3)),
        **{name: getattr(samples, name) for name in MEANS[3:]},
    }
    good = samples.fuel_trusted
    rows = np.bincount(which[good], minlength=count)
    usable = (rows >= np.maximum(1, LEAST_SHARE * np.bincount(which, minlength=count))) & (rows > 0)

    def mean(values: np.ndarray) -> np.ndarray:
        total = np.bincount(which[good], values[good], minlength=count)
        return np.where(usable, total / np.maximum(rows, 1), np.nan)

    means = {name: mean(values) for name, values in columns.items()}
    spread = np.maximum(mean(samples.log_air**2) - means["log_air"] ** 2, 0.0)
    return _Bins(step, float(time[0]), means, np.sqrt(spread / np.maximum(rows, 1)), rows)


def _bins_until_seen(bins: _Bins, delay: Delay) -> np.ndarray:
    """Bins from the end of a block that begins at each bin until its gas has passed the sensor, shape (bins,)."""
    flow = np.exp(np.where(np.isfinite(bins.values["log_air"]), bins.values["log_air"], np.inf))
    latest = delay.constant_s + delay.lag_s + delay.flow_s_kg_h / np.maximum(flow, 1.0)
    return np.clip(np.ceil(latest / bins.step_s), 1, LONGEST_AFTER).astype(int)


def _apart(values: np.ndarray, starts: np.ndarray, before: int, after: np.ndarray | int) -> np.ndarray:
    """Range of bins from `before` bins ahead of each block to `after` bins behind it; NaN where one is missing."""
    offset = np.arange(-before, BLOCK_BINS + int(np.max(after, initial=0)))
    window = values[np.minimum(starts[:, None] + offset, values.size - 1)]
    beyond = offset >= BLOCK_BINS + np.broadcast_to(after, starts.shape)[:, None]
    return np.where(beyond, -np.inf, window).max(axis=1) - np.where(beyond, np.inf, window).min(axis=1)


def _calm(bins: _Bins, before: int, after: np.ndarray) -> np.ndarray:
    """Whether the block that begins `before` bins after each bin is steady, shape (bins,).

    Air and speed keep still until its gas has passed the sensor; its fuel only while it is metered.
    """
    starts = np.arange(before, bins.rows.size)
    starts = starts[starts + BLOCK_BINS + after[starts] <= bins.rows.size]
    calm = np.zeros(bins.rows.size, dtype=bool)
    if not starts.size:
        return calm
    noise = 4.0 * np.nanmedian(bins.noise) if np.isfinite(bins.noise).any() else 0.0  # a gear change is no noise
    still = _apart(bins.values["log_speed"], starts, before, after[starts]) <= CALM_LOG_SPEED
    still &= _apart(bins.values["log_air"], starts, before, after[starts]) <= np.hypot(CALM_LOG_AIR, noise)
    still &= _apart(bins.values["log_open"], starts, before, 0) <= np.hypot(CALM_LOG_OPEN, noise)
    calm[starts - before] = still
    return calm


def _block_starts(calm: np.ndarray, before: int) -> np.ndarray:
    """First bin of each block: steady windows taken every `BLOCK_BINS` bins along each run of them."""
    at = np.flatnonzero(calm)
    if not at.size:
        return at
    run_begins = np.append(True, np.diff(at) > 1)
    first = np.maximum.accumulate(np.where(run_begins, at, 0))
    return at[(at - first) % BLOCK_BINS == 0] + before


def _block_means(bins: _Bins, starts: np.ndarray) -> pd.DataFrame:
    index = starts[:, None] + np.arange(BLOCK_BINS)
    table = pd.DataFrame({name: values[index].mean(axis=1) for name, values in bins.values.items()})
    table["start_s"] = bins.start_s + starts * bins.step_s
    table["seconds"] = BLOCK_BINS * bins.step_s
    table["samples"] = bins.rows[index].sum(axis=1)
    return table


def _slopes(bins: _Bins, starts: np.ndarray, before: int) -> dict[str, np.ndarray]:
    """Slopes of log air and log speed over block and settling time [1/s]."""
    index = starts[:, None] + np.arange(-before, BLOCK_BINS)
    at = (np.arange(index.shape[1]) - (index.shape[1] - 1) / 2) * bins.step_s
    values = bins.values
    slopes = (("slope", "log_air"), ("speed_slope", "log_speed"))
    return {name: values[of][index] @ at / np.sum(at**2) for name, of in slopes}


def _wetted(samples: Samples, table: pd.DataFrame) -> dict[str, np.ndarray]:
    """Share of its fuel that the wall takes in each block, if all of it passed a film of each time constant.

    The film fills after a cut and while the pulses grow, and gives back while they shrink: what was injected long
    before a block is in it, so that the rates within the block do not tell it.
    Source: C. F. Aquino, "Transient A/F Control Characteristics of the 5 Liter Central Fuel Injection Engine",
    SAE 810494 (1981), with all of the film's fuel leaving by its time constant; cited from memory.
    """
    taken = dict.fromkeys(FILM_S, np.zeros(len(table)))
    known = np.isfinite(samples.open_ms)
    if known.sum() < 3 or table.empty:
        return taken
    step = float(np.median(np.diff(samples.time)))
    time = np.arange(samples.time[0], samples.time[-1] + step, step)
    opened = np.pad(np.maximum(samples.open_ms[known], 0.0), 1)
    injected = np.interp(time, samples.time[known], np.median([opened[:-2], opened[1:-1], opened[2:]], axis=0))
    begin = table["start_s"].to_numpy()
    first, last = np.searchsorted(time, begin), np.searchsorted(time, begin + table["seconds"].to_numpy())
    for name, tau in FILM_S.items():
        keep = np.exp(-step / tau)
        leaves = pd.Series(injected).ewm(alpha=1 - keep, adjust=False).mean().to_numpy()
        kept = np.append(0.0, np.cumsum(1.0 - leaves / np.maximum(injected, LEAST_OPEN_MS)))
        taken[name] = (kept[last] - kept[first]) / np.maximum(last - first, 1)
    return taken


def _unrest(bins: _Bins, starts: np.ndarray, before: int, after: np.ndarray) -> np.ndarray:
    """How many times the variance of a still block's error each block's has, from how speed and pulse moved."""
    speed = _apart(bins.values["log_speed"], starts, before, after)
    opened = _apart(bins.values["log_open"], starts, before, 0)
    return 1.0 + (speed / RESTLESS_LOG_SPEED) ** 2 + (opened / RESTLESS_LOG_OPEN) ** 2


def _with_lambda(table: pd.DataFrame, samples: Samples, delay: Delay) -> pd.DataFrame:
    """Add the mean log lambda of each block's gas, of the sensors there are, and y."""
    exhaust = np.exp(table["log_air"].to_numpy()) * 1.07  # air plus about a fourteenth of fuel
    begin = table["start_s"].to_numpy() + delay.constant_s + delay.lag_s + delay.flow_s_kg_h / np.maximum(exhaust, 1.0)
    end = begin + table["seconds"].to_numpy()
    first, count = _window_mean(samples.time, samples.log_lambda, samples.lambda_trusted, begin, end)
    second, count_2 = _window_mean(samples.time, samples.log_lambda_2, samples.lambda_2_trusted, begin, end)
    commanded = np.interp(table["start_s"] + table["seconds"] / 2, samples.time, samples.lambda_commanded)
    both = (count >= LEAST_LAMBDA) & (count_2 >= LEAST_LAMBDA)
    mean = np.where(both, (first + second) / 2, first)
    return table.assign(
        log_lambda=mean,
        log_lambda_1=first,
        log_lambda_2=np.where(both, second, np.nan),
        lambda_readings=count,
        lambda_commanded=commanded,
        y=mean + table["log_ratio"],
    )


def _window_mean(
    time: np.ndarray, values: np.ndarray, good: np.ndarray, begin: np.ndarray, end: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and count of the good values in each window; NaN where more than half is missing."""
    total = np.append(0.0, np.cumsum(np.where(good, values, 0.0)))
    counted = np.append(0, np.cumsum(good))
    first, last = np.searchsorted(time, begin), np.searchsorted(time, end)
    count = counted[last] - counted[first]
    every = np.median(np.diff(time[good])) if good.sum() > 2 else np.inf
    enough = count >= np.maximum(LEAST_LAMBDA, 0.5 * (end - begin) / every)
    return np.where(enough, (total[last] - total[first]) / np.maximum(count, 1), np.nan), count


def _with_holds(table: pd.DataFrame) -> pd.DataFrame:
    """Number the holds: blocks that follow one another at the same air and speed are one experiment."""
    if table.empty:
        return table.assign(hold=np.zeros(0, dtype=int))
    start, seconds = table["start_s"].to_numpy(), table["seconds"].to_numpy()
    apart = np.append(True, np.diff(start) > 2.0 * seconds[1:])
    for name in ("log_air", "log_speed"):
        apart |= np.abs(np.diff(table[name].to_numpy(), prepend=table[name].iloc[0])) > HOLD_STEP
    begun = np.maximum.accumulate(np.where(apart, start, -np.inf))
    part = ((start - begun) // HOLD_LONGEST_S).astype(int)
    fresh = apart | (np.diff(part, prepend=0) != 0)
    return table.assign(hold=np.cumsum(fresh) - 1)
