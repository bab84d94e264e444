"""Operating points: of the calm blocks, of every place that the engine was driven or idled in, of the breakpoints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tunelab.physics.load import absolute_load
from tunelab.study.steady.coordinate import Coordinate
from tunelab.study.steady.design import MAP_SCALE
from tunelab.study.steady.posterior import Posterior, local_mean
from tunelab.study.steady.samples import Samples
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import MeterCurve

UNDISTURBED = 0.005  # log units of pulsation up to which a point counts as undisturbed
CELL = (0.03, 0.12)  # size of a place: along the curve's coordinate and in log speed
LEAST_CELL_S = 2.0  # of driving, calm or not, for a place to count as visited


@dataclass(frozen=True)
class Points:
    """Operating points, such as one for each calm block; arrays of shape (points,)."""

    reading: np.ndarray
    engine_speed_rpm: np.ndarray
    load: np.ndarray
    battery_v: np.ndarray
    commanded: np.ndarray  # lambda; 1 where not logged
    log_pressure: np.ndarray  # log of the injectors' flow over the one in force
    seconds: np.ndarray
    hold: np.ndarray
    disturbed: np.ndarray
    reference_v: float  # that the dead-time error's coefficients refer to


def points_of(blocks: pd.DataFrame, posterior: Posterior, reference_v: float) -> Points:
    """Visited points from the calm blocks."""
    commanded = blocks["lambda_commanded"].to_numpy()
    return Points(
        reading=blocks["reading"].to_numpy(),
        engine_speed_rpm=np.exp(blocks["log_speed"].to_numpy()),
        load=blocks["load"].to_numpy(),
        battery_v=blocks["battery_v"].to_numpy(),
        commanded=np.where(commanded > 0.3, commanded, 1.0),
        log_pressure=blocks["log_pressure"].to_numpy(),
        seconds=blocks["seconds"].to_numpy(),
        hold=blocks["hold"].to_numpy(),
        disturbed=np.abs(posterior.pulsation[0]) > UNDISTURBED,
        reference_v=reference_v,
    )


def visited_places(samples: Sequence[Samples], calm: Points, coordinate: Coordinate, car: Car) -> Points:
    """Every place that the engine was driven or idled in, calm or not: means over cells of reading and speed."""
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
        reference_v=calm.reference_v,
    )


def _as_nearest(calm: Points, speed_rpm: np.ndarray, load: np.ndarray) -> np.ndarray:
    """Whether the calm block nearest in speed and load is disturbed by pulsation, shape (places,)."""
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
    near = {
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
        **near,
    )
