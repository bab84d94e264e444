"""Steady blocks of about a second, and operating points: of the blocks, of all that was driven, of the range.

Steady blocks: about a second in which air was steady when the fuel was metered and when lambda was measured.

Time is cut into short bins; a block is four bins. It is steady if air, speed and pulse width keep still from a second
before it until its gas has passed the sensor.

Operating points: of the steady blocks, of every place that the engine was driven or idled in, of the breakpoints.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.signal import lfilter, medfilt

from tunelab.physics.load import absolute_load
from tunelab.study.steady.model import FILM_S, MAP_SCALE, Coordinate
from tunelab.study.steady.posterior import Posterior, local_mean
from tunelab.study.steady.samples import Samples
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import MeterCurve

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
    injected = np.interp(time, samples.time[known], medfilt(np.maximum(samples.open_ms[known], 0.0), 3))
    begin = table["start_s"].to_numpy()
    first, last = np.searchsorted(time, begin), np.searchsorted(time, begin + table["seconds"].to_numpy())
    for name, tau in FILM_S.items():
        keep = np.exp(-step / tau)
        leaves = lfilter([1 - keep], [1, -keep], injected, zi=[keep * injected[0]])[0]
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


UNDISTURBED = 0.005  # log units of over-reading up to which a point counts as undisturbed
ODD = 0.01  # log units that the fit may leave of a hold without a word; common practice, no source
FALLS_TO = 0.75  # of what it reaches below half the rev limit: over-reading from pulsation is less above that.
# Common practice, no source: the faster the strokes follow one another, the more evenly the meter is passed.
LEAST_FAST = 3  # blocks at load above half the rev limit, to tell that
UNDISTURBED = 0.005  # log units of pulsation up to which a point counts as undisturbed
CELL = (0.03, 0.12)  # size of a place: along the curve's coordinate and in log speed
LEAST_CELL_S = 2.0  # of driving, steady or not, for a place to count as visited


@dataclass(frozen=True)
class Points:
    """Operating points, such as one for each steady block; arrays of shape (points,)."""

    reading: np.ndarray
    engine_speed_rpm: np.ndarray
    load: np.ndarray
    battery_v: np.ndarray
    commanded: np.ndarray  # lambda; 1 where not logged
    log_pressure: np.ndarray  # log of the injectors' flow over the current one
    seconds: np.ndarray
    hold: np.ndarray
    disturbed: np.ndarray  # set aside: the meter over-reads there from intake pulsation
    unexplained: np.ndarray  # log units: what the fit leaves of its hold, beyond the usual; 0 for most
    reference_v: float  # that the dead-time error's coefficients refer to


def points_of(
    blocks: pd.DataFrame, left: np.ndarray, posterior: Posterior, reference_v: float, *, rev_limit_rpm: float
) -> Points:
    """Visited points from the steady blocks; `left`, shape (blocks,), is what the fit leaves of each [log units]."""
    commanded = blocks["lambda_commanded"].to_numpy()
    speed, load = np.exp(blocks["log_speed"].to_numpy()), blocks["load"].to_numpy()
    return Points(
        reading=blocks["reading"].to_numpy(),
        engine_speed_rpm=speed,
        load=load,
        battery_v=blocks["battery_v"].to_numpy(),
        commanded=np.where(commanded > 0.3, commanded, 1.0),
        log_pressure=blocks["log_pressure"].to_numpy(),
        seconds=blocks["seconds"].to_numpy(),
        hold=blocks["hold"].to_numpy(),
        disturbed=is_pulsation(-posterior.pulsation[0], speed, load, rev_limit_rpm),
        unexplained=_unexplained(left, blocks["hold"].to_numpy()),
        reference_v=reference_v,
    )


def _unexplained(left: np.ndarray, hold: np.ndarray) -> np.ndarray:
    """Mean of what is left of each hold, less what is usual: the fit weighs odd holds down, lambda does not."""
    mean = np.bincount(hold, left) / np.maximum(np.bincount(hold), 1)
    usual = max(ODD, 3 * 1.4826 * float(np.median(np.abs(mean))))  # 1.4826: of a normal scatter's median to its sd
    return (np.sign(mean) * np.maximum(np.abs(mean) - usual, 0.0))[hold]


def is_pulsation(over: np.ndarray, speed_rpm: np.ndarray, load: np.ndarray, rev_limit_rpm: float) -> np.ndarray:
    """Where an error that goes with load can be intake pulsation, and so no error of the curve.

    Parameters
    ----------
    over : array, shape (blocks,)
        Fitted error that goes with load, log units: positive where the meter reads more than the air (rich).
    speed_rpm, load : array, shape (blocks,)
        Operating point of each block.
    rev_limit_rpm : float
        Of the engine; its half parts low from high engine speed.

    Returns
    -------
    array of bool, shape (blocks,)

    Notes
    -----
    Pulsation makes a meter over-read and fades as engine speed rises. So an error to the lean side is none, and where
    the error at load is as large above half the rev limit as below it, nothing is: that is fuel, not air.
    """
    rich = over > UNDISTURBED
    if not rich.any():
        return rich
    loaded, slow = load >= np.quantile(load[rich], 0.1), speed_rpm <= rev_limit_rpm / 2
    allowed = FALLS_TO * _high(over[loaded & slow])
    fast = over[loaded & ~slow]
    if fast.size >= LEAST_FAST and _high(fast) > allowed:
        return np.zeros_like(rich)
    return rich & (slow | (over <= allowed))


def _high(over: np.ndarray) -> float:
    """What the upper tenth reaches; 0 where there is nothing."""
    return float(np.quantile(over, 0.9)) if over.size else 0.0


def visited_places(samples: Sequence[Samples], calm: Points, coordinate: Coordinate, car: Car) -> Points:
    """Every place that the engine was driven or idled in, steady or not: means over cells of reading and speed."""
    rows = pd.concat([_rows(own) for own in samples], ignore_index=True)
    at = np.floor(coordinate.at(rows["reading"].to_numpy()) / CELL[0])
    cells = rows.groupby([at, np.floor(rows["log_speed"] / CELL[1])], sort=True)
    seconds = cells["seconds"].sum().to_numpy()
    mean = cells.mean()[seconds >= LEAST_CELL_S]
    speed = np.exp(mean["log_speed"].to_numpy())
    share = absolute_load(np.exp(mean["log_air"].to_numpy()), speed, displacement_l=car.engine.displacement_l)
    load = convert(share, "percent", "1")
    commanded = mean["commanded"].to_numpy()
    return Points(
        reading=mean["reading"].to_numpy(),
        engine_speed_rpm=speed,
        load=load,
        battery_v=mean["battery_v"].to_numpy(),
        commanded=np.where(commanded > 0.3, commanded, 1.0),
        log_pressure=mean["log_pressure"].to_numpy(),
        seconds=seconds[seconds >= LEAST_CELL_S],
        hold=np.arange(len(mean)),
        disturbed=_as_nearest(calm, speed, load),
        unexplained=np.zeros(len(mean)),
        reference_v=calm.reference_v,
    )


def _as_nearest(calm: Points, speed_rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
    """Whether the steady block nearest in speed and load is disturbed by pulsation, shape (places,)."""
    apart = np.log(speed_rpm[:, None] / calm.engine_speed_rpm) / MAP_SCALE[0]
    away = np.hypot(apart, (load[:, None] - calm.load) / MAP_SCALE[1])
    return calm.disturbed[away.argmin(axis=1)]


def _rows(samples: Samples) -> pd.DataFrame:
    """Samples of which fuel and air are known."""
    table = pd.DataFrame(
        {
            "reading": samples.reading,
            "log_speed": np.log(np.maximum(samples.engine_speed_rpm, 1.0)),
            "log_air": samples.log_air,
            "battery_v": samples.battery_v,
            "commanded": samples.lambda_commanded,
            "log_pressure": samples.log_pressure,
            "seconds": float(np.median(np.diff(samples.time))) if samples.time.size > 1 else 0.0,
        }
    )
    return table[samples.fuel_trusted & np.isfinite(samples.log_air)]


def breakpoint_points(curve: MeterCurve, places: Points, coordinate: Coordinate, idle_rpm: float) -> Points:
    """Operating point of each breakpoint: as the places about it, or the nearest; below all of them not above idle."""
    kept = ~places.disturbed if (~places.disturbed).any() else places.disturbed
    place, at = coordinate.at(places.reading[kept]), coordinate.at(curve.reading)
    near: dict[str, Any] = {
        name: local_mean(place, getattr(places, name)[kept], at)
        for name in ("battery_v", "commanded", "log_pressure", "load")
    }
    speed = np.exp(local_mean(place, np.log(places.engine_speed_rpm[kept]), at))
    below = curve.reading < places.reading.min()
    count = curve.reading.size
    return replace(
        places,
        reading=curve.reading,
        engine_speed_rpm=np.where(below, np.minimum(speed, idle_rpm), speed),
        seconds=np.zeros(count),
        hold=np.arange(count),
        disturbed=np.zeros(count, dtype=bool),
        unexplained=np.zeros(count),
        **near,
    )
