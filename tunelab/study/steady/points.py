"""Operating points: those of the blocks, of all that was driven, and of the whole range."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from tunelab.physics.load import absolute_load
from tunelab.study.steady.model import MAP_SCALE, Coordinate
from tunelab.study.steady.posterior import Posterior, local_mean
from tunelab.study.steady.samples import Samples
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import MeterCurve

UNDISTURBED = 0.005  # log units of over-reading up to which a point counts as undisturbed

ODD = 0.01  # log units that the fit may leave of a hold without a word; common practice, no source

FALLS_TO = 0.75  # of what it reaches below half the rev limit: over-reading from pulsation is less above that.

# Common practice, no source: the faster the strokes follow one another, the more evenly the meter is passed.
LEAST_FAST = 3  # blocks at load above half the rev limit, to tell that

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
