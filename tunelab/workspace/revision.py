"""A revision: what is in the ECU."""

from __future__ import annotations

import datetime
from typing import Annotated

import numpy as np
from pydantic import Field

from tunelab.workspace.car import Finite, NotNegative, Table, at_most


class MeterCurve(Table):
    """The meter's transfer curve in the ECU; exactly one of the three reading lists is given, rising."""

    flow_kg_h: Annotated[list[NotNegative], Field(min_length=2)]
    meter_v: list[Finite] | None = None
    meter_hz: list[Finite] | None = None
    meter_counts: list[Finite] | None = None

    @property
    def reading(self) -> np.ndarray:
        """Breakpoints, in the meter's own unit, shape (breakpoints,)."""
        given = next(v for v in (self.meter_v, self.meter_hz, self.meter_counts) if v is not None)
        return np.asarray(given, dtype=float)


class InjectorSettings(Table):
    """Injector flow that the ECU reckons with, of one injector at the rail pressure of the car."""

    flow_g_min: at_most(10000)


class DeadTime(Table):
    """Injector dead time against battery voltage, as in the ECU; battery voltage rising."""

    battery_v: Annotated[list[at_most(30)], Field(min_length=1)]
    dead_time_ms: Annotated[list[Annotated[NotNegative, Field(le=20)]], Field(min_length=1)]


class Fuelling(Table):
    """The rest of the ECU's fuelling that a study needs."""

    stoich_afr: at_most(40)  # the ratio that the ECU reckons with, whatever fuel is in the tank
    rev_limit_rpm: at_most(30000)


class Revision(Table):
    """Everything `revisions/rNN.toml` holds."""

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$")]
    date: datetime.date
    meter_curve: MeterCurve
    injectors: InjectorSettings
    dead_time: DeadTime
    fuelling: Fuelling
    based_on: str | None = None
    proposed_in: str | None = None  # record whose proposal was entered, altered or not
    entered_by: str | None = None  # who put it into the ECU
    notes: str = ""
