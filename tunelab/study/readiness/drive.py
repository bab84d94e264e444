"""What the gates look at: one recorded drive with its findings, and how far it reached."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import xarray as xr

from tunelab.study.finding import Finding
from tunelab.study.pull.detect import is_full_throttle
from tunelab.workspace.car import Car

Range = tuple[float, float]
IDLE_WITHIN = 0.35  # of the target: engine speeds from which a return to idle and its catching read the meter
BATTERY_SHARE = (0.01, 0.99)  # quantiles: one dip while cranking is no range that was driven


@dataclass(frozen=True)
class Reach:
    """Where a drive went. None: not known, so a change anywhere counts as touching it."""

    readings: Range | None = None  # of the meter, over all of the drive
    idle_readings: Range | None = None
    full_readings: Range | None = None  # at full throttle
    battery_v: Range | None = None
    full_top_rpm: float | None = None  # highest engine speed at full throttle

    def readings_of(self, region: str) -> Range | None:
        """Readings of a region: all, idle or full."""
        return {"all": self.readings, "idle": self.idle_readings, "full": self.full_readings}[region]


@dataclass(frozen=True)
class Breach:
    """A limit passed at full throttle."""

    check: str  # title of the check
    engine_speed_rpm: float


@dataclass(frozen=True)
class Drive:
    """One recorded session."""

    record: str
    date: datetime.date
    revision: str
    steps: tuple[str, ...]
    findings: tuple[Finding, ...]
    wiring: str = ""
    reach: Reach = Reach()
    breaches: tuple[Breach, ...] = ()
    failed: bool = False  # an analysis of it did not finish

    def finding(self, name: str) -> Finding | None:
        """Look up a finding by its id."""
        return self._by_id.get(name)

    @cached_property
    def _by_id(self) -> dict[str, Finding]:
        return {finding.id: finding for finding in reversed(self.findings)}


def reach_of(log: xr.Dataset, car: Car) -> Reach:
    """Tell where a flagged log went: meter readings at idle, at full throttle and over all, battery, engine speed."""
    if car.meter.channel not in log or "engine_speed_rpm" not in log:
        return Reach()
    reading = _trusted(log, car.meter.channel)
    speed = _trusted(log, "engine_speed_rpm")
    running = np.nan_to_num(speed) > 0.5 * car.engine.idle_target_rpm
    idling = running & (np.nan_to_num(speed, nan=np.inf) < (1 + IDLE_WITHIN) * car.engine.idle_target_rpm)
    full = is_full_throttle(log)
    top = speed[full][np.isfinite(speed[full])]
    battery = _trusted(log, "battery_v") if "battery_v" in log else np.array([])
    return Reach(
        readings=_range(reading[running]),
        idle_readings=_range(reading[idling]),
        full_readings=_range(reading[full]),
        battery_v=_range(battery[running] if battery.size else battery, BATTERY_SHARE),
        full_top_rpm=float(np.quantile(top, 0.999)) if top.size else None,
    )


def _trusted(log: xr.Dataset, name: str) -> np.ndarray:
    values = log[name].values.astype(float)
    flag = log.get(f"{name}_flag")
    return values if flag is None else np.where(flag.values == 0, values, np.nan)


def _range(values: np.ndarray, share: tuple[float, float] = (0.0, 1.0)) -> tuple[float, float] | None:
    known = values[np.isfinite(values)]
    if known.size < 10:
        return None
    low, high = np.quantile(known, share)
    return float(low), float(high)
