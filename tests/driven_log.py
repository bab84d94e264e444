"""Flagged logs of the simulated demo car, driven as a test asks, with the truth beside them."""

from __future__ import annotations

import datetime
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import xarray as xr

from tunelab.log.flag import flag_log
from tunelab.simulate import Drive, Schedule, Truth, drive
from tunelab.simulate.demo import revisions
from tunelab.simulate.demo.cars import MARIT, TRUTH
from tunelab.simulate.schedule import DAY, idle, tip_in
from tunelab.study.delay import DelayFit
from tunelab.workspace.car import Car
from tunelab.workspace.session import Session

OWNER = Path(__file__).parents[1] / "tunelab" / "simulate" / "demo" / "owner"
CAR = Car.model_validate(tomllib.loads((OWNER / "car.toml").read_text(encoding="utf-8")))
SESSION = Session(date=datetime.date(2026, 5, 6), steps=["road"], revision="r03")
REVISION = revisions()["r03"]
TIP_INS = (idle(5.0), *(tip_in(g, rpm, t) for g, rpm, t in ((3, 2200.0, 30.0), (3, 2200.0, 55.0), (4, 1800.0, 40.0))))
TIP_INS += tuple(tip_in(g, rpm, t) for g, rpm, t in ((2, 2600.0, 25.0), (3, 2800.0, 70.0), (3, 2000.0, 25.0)))
TIP_INS += tuple(tip_in(g, rpm, t) for g, rpm, t in ((3, 2500.0, 45.0), (2, 3000.0, 30.0), (4, 2000.0, 60.0)))


@dataclass(frozen=True)
class Driven:
    """A drive at the simulator's own rate, and its flagged log."""

    drive: Drive
    log: xr.Dataset


def driven(*tasks, truth: Truth = TRUTH, seed: int = 1, rate_hz: float = 25.0, driver=MARIT, **day) -> Driven:
    """Drive tasks with revision r03 in the ECU; `day` replaces fields of the usual conditions."""
    schedule = Schedule("drive", driver, replace(DAY, **day), tasks, 500.0)
    done = drive(truth, REVISION, schedule, rng=np.random.default_rng(seed))
    return Driven(done, flag_log(done.log(rate_hz), CAR, SESSION, revision=REVISION))


def known_delay(truth: Truth, *, lag_half_s: float = 0.02) -> DelayFit:
    """What a good delay study would say of a truth; `lag_half_s` is half of the lag's interval."""
    s = truth.sensor
    lag = (max(s.lag_s - lag_half_s, 0.0), s.lag_s + lag_half_s)
    flow = (s.delay_flow_s_kg_h - 0.2, s.delay_flow_s_kg_h + 0.2)
    ends = (s.delay_s - 0.006, s.delay_s + 0.006)
    at_50 = s.delay_s + s.delay_flow_s_kg_h / 50
    return DelayFit(
        s.delay_s, ends, s.delay_flow_s_kg_h, flow, s.lag_s, lag, at_50, (at_50 - 0.01, at_50 + 0.01), 60.0, 0.95,
        shown=True, because="", method="known", samples_used=1, samples_flagged=0,
    )  # fmt: skip


def flagged(time_s: np.ndarray, *, sample_flag: int = 0, **channels: np.ndarray) -> xr.Dataset:
    """A log of given channels in which nothing is flagged but what `sample_flag` says of every sample."""
    data = {name: ("time", np.asarray(values, dtype=float)) for name, values in channels.items()}
    for name in channels:
        data[f"{name}_flag"] = ("time", np.zeros(time_s.size, dtype=np.int32))
    data["sample_flag"] = ("time", np.full(time_s.size, sample_flag, dtype=np.int32))
    data["episode"] = ("time", np.zeros(time_s.size, dtype=np.int32))
    return xr.Dataset(data, coords={"time": time_s}, attrs={"session": "made", "revision": "r03"})
