"""Logs with a link that breaks in known places, and analog channels with known noise, laid down by hand."""

from __future__ import annotations

import datetime
import json

import numpy as np
import xarray as xr

from tunelab.log.flag import flag_log
from tunelab.workspace.car import Car
from tunelab.workspace.session import Session

DAY = datetime.date(2026, 5, 2)


def session(*, wiring: str = "loom A", **tables) -> Session:
    """A session of the step link."""
    return Session(date=DAY, steps=["link"], revision="r01", wiring=wiring, **tables)


def link_log(speed: np.ndarray, *, rate_hz: float = 20.0, seed: int = 1) -> xr.Dataset:
    """A log with an engine speed at every row and other channels that move, unbroken."""
    rng, size = np.random.default_rng(seed), speed.size
    running = speed > 350
    columns = {
        "engine_speed_rpm": np.where(running, speed + rng.normal(0, 4, size), speed),
        "throttle_pct": np.where(running, 12.0, 0.0) + rng.normal(0, 0.05, size),
        "manifold_kpa": np.where(running, 45.0, 98.0) + rng.normal(0, 0.3, size),
        "pulse_width_ms": np.where(running, 3.0 + rng.normal(0, 0.02, size), 0.0),
        "lambda_measured": 1.0 + rng.normal(0, 0.004, size),
        "battery_v": np.where(running, 14.0, 12.3) + rng.normal(0, 0.02, size),
        "coolant_c": np.full(size, 88.0) + rng.normal(0, 0.05, size),
    }
    data = {name: ("time", values) for name, values in columns.items()}
    data["episode"] = ("time", np.zeros(size, dtype=np.int32))
    files = json.dumps([{"path": "log.csv", "sha256": "0", "rows_in": size, "rows_kept": size, "rows_set_aside": 0}])
    attrs = {"session": "2026-05-02-link", "revision": "r01", "files": files, "set_aside": "[]"}
    return xr.Dataset(data, {"time": np.arange(size) / rate_hz}, attrs)


def without(log: xr.Dataset, start_s: float, end_s: float, *, restarts: bool = False) -> xr.Dataset:
    """Take rows out; `restarts`: the clock begins anew, and the loss of time is not known: one second is laid."""
    time = log["time"].to_numpy()
    after = time >= end_s
    kept = log.isel(time=np.flatnonzero((time < start_s) | after))
    if restarts:
        time, after = kept["time"].to_numpy().copy(), kept["time"].to_numpy() >= end_s
        time[after] += time[~after][-1] + 1.0 - time[after][0]
        episode = kept["episode"].to_numpy() + after
        kept = kept.assign_coords(time=time).assign(episode=("time", episode.astype(np.int32)))
    size = kept.sizes["time"]
    files = json.loads(kept.attrs["files"])
    if len(files) == 1:
        files[0]["rows_kept"] = size
    return kept.assign_attrs(files=json.dumps(files))


def flagged(log: xr.Dataset, car: Car, own: Session) -> xr.Dataset:
    """The log with its flags."""
    return flag_log(log, car, own)


def at_speed(*parts: tuple[float, float], rate_hz: float = 20.0) -> np.ndarray:
    """Engine speed at every row of parts (speed [rpm], seconds) that follow each other."""
    return np.concatenate([np.full(round(seconds * rate_hz), float(speed)) for speed, seconds in parts])
