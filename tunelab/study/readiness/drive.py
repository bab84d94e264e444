"""What the gates look at: one recorded drive with its findings, and how far it reached."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from tunelab.study.finding import Finding

Range = tuple[float, float]


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
        return next((finding for finding in self.findings if finding.id == name), None)
