"""The demo's drives: which log each session has, with which logger and which faults."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tunelab.simulate import schedule as plans
from tunelab.simulate.demo.cars import BOUND_LOOM, LOOSE_LOOM, MARIT, PIA
from tunelab.simulate.demo.dialects import CHATTY, FOREIGN, PIPED, PLAIN, TABBED
from tunelab.simulate.logger import NO_FAULTS, Dialect, Faults, Link, Sampling
from tunelab.simulate.schedule import Driver, Task, idle
from tunelab.simulate.sweep import steady_sweep
from tunelab.simulate.truth import Truth

Tasks = Callable[[Truth, np.random.Generator], tuple[Task, ...]]


@dataclass(frozen=True)
class Logger:
    """A box with its way of sampling and of writing."""

    dialect: Dialect
    sampling: Sampling


@dataclass(frozen=True)
class LogFile:
    """One raw log of a session. A name that ends with .gz is kept packed."""

    session: str
    name: str
    begins: datetime.datetime
    driver: Driver
    tasks: Tasks
    logger: Logger
    faults: Faults = NO_FAULTS
    link: Link | None = None  # draws the drop-outs in place of those in `faults`
    is_cut_off: bool = False
    is_cold: bool = False


_WARMTH_HZ = {"coolant_c": 1.0, "intake_air_c": 1.0}
_PLACE_HZ = {"latitude_deg": 5.0, "longitude_deg": 5.0, "altitude_m": 5.0}

_PLAIN = Logger(PLAIN, Sampling(rate_hz=20.0, jitter=0.04, poll_s=0.0, slow_hz=_WARMTH_HZ | _PLACE_HZ))
_CHATTY = Logger(
    CHATTY,
    Sampling(
        rate_hz=25.0,
        jitter=0.06,
        poll_s=0.0012,
        slow_hz=_WARMTH_HZ | {"battery_v": 6.0, "fuel_pressure_kpa": 4.0, "trim_long_pct": 5.0},
    ),
)
_BORROWED = Logger(
    FOREIGN,
    Sampling(
        rate_hz=15.0,
        jitter=0.08,
        poll_s=0.0015,
        slow_hz={"coolant_c": 0.5, "oil_c": 0.5, "intake_air_c": 0.5, "oil_pressure_kpa": 2.0},
    ),
)
_TABBED = Logger(
    TABBED, Sampling(rate_hz=25.0, jitter=0.02, poll_s=0.0004, slow_hz={"coolant_c": 2.0, "intake_air_c": 2.0})
)
_PIPED = Logger(
    PIPED,
    Sampling(rate_hz=20.0, jitter=0.03, poll_s=0.0, slow_hz=_PLACE_HZ | {"gps_speed_km_h": 5.0, "coolant_c": 1.0}),
)

_FIRST = Faults(
    gaps=(),
    restarts_at_zero=True,
    spikes_per_min={"engine_speed_rpm": 0.6, "lambda_measured": 0.4},
    frozen=(("coolant_c", 400.0, 45.0),),
    words={},
)
_SWEPT = Faults(
    gaps=((201.4, 6.3), (468.9, 11.0)),
    restarts_at_zero=False,
    spikes_per_min={"meter_v": 0.5, "lambda_measured": 0.6},
    frozen=(("lambda_measured", 352.0, 7.0),),
    words={},
)
_LENT = Faults(
    gaps=(),
    restarts_at_zero=False,
    spikes_per_min={"road_speed_km_h": 0.5},
    frozen=(),
    words={"oil_pressure_kpa": ("ERR", 0.01), "lambda_measured": ("---", 0.002)},
)
_NIGHT = Faults(
    gaps=((388.0, 3.1),),
    restarts_at_zero=False,
    spikes_per_min={"lambda_measured": 0.3},
    frozen=(),
    words={"intake_air_c": ("no data", 0.004)},
)
_PULLED = Faults(gaps=(), restarts_at_zero=True, spikes_per_min={"engine_speed_rpm": 0.4}, frozen=(), words={})


def _sweep(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return steady_sweep(truth, longest_s=900.0).tasks


def _pulls(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return (idle(10.0), *plans.full_throttle_pulls(3, 2000.0, 6420.0, repeats=3, grade=0.006))


def _part(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return (idle(10.0), *plans.part_throttle_pulls(3, (14.0, 20.0, 28.0, 38.0, 50.0), 1800.0, 4600.0))


def _cold_road(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.road_drive(is_cold=True)


def _warm_road(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.road_drive(is_cold=False)


def _coast(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.coast_downs(4, 112.0, 35.0, repeats=2, grade=0.006)


def _starts_marit(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.launches(MARIT, rng, repeats=6, until_km_h=105.0)


def _starts_pia(truth: Truth, rng: np.random.Generator) -> tuple[Task, ...]:
    return plans.launches(PIA, rng, repeats=6, until_km_h=105.0)


def _at(day: int, clock: str) -> datetime.datetime:
    return datetime.datetime.fromisoformat(f"2026-05-{day:02d}T{clock}")


def _early() -> tuple[LogFile, ...]:
    """The week with the first revision and the loose loom."""
    first = LogFile("2026-05-02-link", "road-first.csv.gz", _at(2, "09:12:05"), MARIT, _cold_road, _PLAIN, _FIRST)
    lent = "2026-05-06-part-throttle"
    home = LogFile(lent, "road-home.csv.gz", _at(6, "17:31:02"), PIA, _warm_road, _BORROWED, _LENT)
    return (
        replace(first, link=LOOSE_LOOM, is_cold=True),
        LogFile("2026-05-03-steady", "sweep-1.csv.gz", _at(3, "18:40:11"), MARIT, _sweep, _CHATTY, _SWEPT),
        LogFile(lent, "pulls-part.csv.gz", _at(6, "17:05:40"), PIA, _part, _BORROWED, _LENT),
        replace(home, is_cut_off=True),
    )


def _middle() -> tuple[LogFile, ...]:
    """The second revision, on the new loom."""
    full = LogFile("2026-05-14-full-throttle", "pulls-full.csv", _at(14, "19:02:30"), MARIT, _pulls, _PLAIN, _PULLED)
    return (
        LogFile("2026-05-09-steady", "sweep-night.txt.gz", _at(9, "23:54:20"), MARIT, _sweep, _TABBED, _NIGHT),
        LogFile("2026-05-12-coast-down", "coast.csv.gz", _at(12, "06:20:00"), MARIT, _coast, _PIPED),
        replace(full, link=BOUND_LOOM, is_cut_off=True),
    )


def _late() -> tuple[LogFile, ...]:
    """The third revision, and launches before the event."""
    third = LogFile("2026-05-17-steady", "sweep-3.csv.gz", _at(17, "17:30:00"), MARIT, _sweep, _CHATTY)
    home = LogFile("2026-05-17-steady", "road-3.csv.gz", _at(17, "17:52:00"), MARIT, _warm_road, _PLAIN)
    again = "2026-05-18-full-throttle"
    pulls = LogFile(again, "pulls-again.csv.gz", _at(18, "19:10:00"), MARIT, _pulls, _PLAIN)
    return (
        replace(third, link=BOUND_LOOM),
        replace(home, link=BOUND_LOOM),
        replace(pulls, link=BOUND_LOOM),
        LogFile("2026-05-20-launch-marit", "starts-marit.csv", _at(20, "18:10:00"), MARIT, _starts_marit, _PIPED),
        LogFile("2026-05-20-launch-pia", "starts-pia.csv", _at(20, "18:25:00"), PIA, _starts_pia, _PIPED),
    )


def log_files() -> tuple[LogFile, ...]:
    """Every raw log of the demo, in the order driven."""
    return (*_early(), *_middle(), *_late())
