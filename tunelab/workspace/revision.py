"""A revision: what is in the ECU."""

from __future__ import annotations

import datetime
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field, model_validator

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


# What an engine computer or a car holds that no table of a revision does, in the trade's words.
OtherKind = Literal[
    "spark",  # ignition advance
    "commanded lambda",  # the mixture asked for
    "idle",  # target, air and spark at idle
    "acceleration fuelling",  # fuel for tip-ins
    "fuel cut",  # on overrun: entry, return
    "boost",
    "trims",  # closed loop and learning
    "warm-up",  # starting and warm-up fuelling
    "launch",  # launch hold
    "knock control",  # when and how far it retards
    "cooling",  # fan, thermostat, coolant, oil cooler
    "sensors",  # another one, another place, another calibration
    "fuel",
    "mechanical parts",
    "other",
]
OtherWhere = Literal["everywhere", "idle", "part load", "full load"]
BY_LOAD = ("spark", "commanded lambda", "trims")  # kinds that can change at one load and stay at another


class OtherChange(Table):
    """One thing that was changed with a revision and that no table of it holds; a bare word is its kind."""

    kind: OtherKind
    where: OtherWhere = "everywhere"
    what: str = ""  # in the owner's words

    @model_validator(mode="before")
    @classmethod
    def _of_a_word(cls, value: Any) -> Any:
        return {"kind": value} if isinstance(value, str) else value

    @property
    def words(self) -> str:
        """The change as a reader reads it: `spark at full load (4 degrees out above 5000 rpm)`."""
        where = "" if self.where == "everywhere" else f" at {self.where}"
        return f"{self.kind}{where}" + (f" ({self.what.strip()})" if self.what.strip() else "")


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
    also_changed: list[OtherChange] | None = None  # against based_on; empty: nothing else; None: it does not say
    notes: str = ""
