"""A revision: what is in the ECU, and the air that an ECU without a meter takes from its table."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, SerializerFunctionWrapHandler, model_serializer, model_validator

from tunelab.physics.load import Surface, charge_temperature, flow_from_efficiency, flow_from_mass
from tunelab.workspace.car import LOAD_CHANNEL, Car, Charge, Finite, NotNegative, Percent, Table, at_most, stated


class MeterCurve(Table):
    """The meter's transfer curve in the ECU; exactly one of the three reading lists is given, rising."""

    flow_kg_h: Annotated[list[NotNegative], Field(min_length=2)]
    meter_v: list[Finite] | None = None
    meter_hz: list[Finite] | None = None
    meter_counts: list[Finite] | None = None

    @property
    def reading(self) -> np.ndarray:
        """Breakpoints, in the meter's own unit, shape (breakpoints,)."""
        lists = (self.meter_v, self.meter_hz, self.meter_counts)
        given = next((v for v in lists if v is not None), self.flow_kg_h)
        return np.asarray(given, dtype=float)


AIR_ITSELF = MeterCurve(flow_kg_h=[0.0, 20000.0])  # in place of a curve where no meter is read: air for air


class FillingTable(Table):
    """Volumetric efficiency, or air per cylinder and cycle, over engine speed and load, as in the ECU; axes rising."""

    engine_speed_rpm: Annotated[list[Annotated[float, at_most(30000)]], Field(min_length=2)]
    manifold_kpa: Annotated[list[Annotated[float, at_most(600)]], Field(min_length=2)] | None = None  # absolute
    throttle_pct: Annotated[list[Annotated[float, Field(ge=0, le=100)]], Field(min_length=2)] | None = None
    # at manifold density; over throttle, at the atmosphere's
    efficiency_pct: list[list[Annotated[float, at_most(400)]]] | None = None
    # per cylinder and cycle, at the two references below
    air_mg: list[list[Annotated[float, at_most(20000)]]] | None = None
    charge_c: Annotated[float, Field(ge=-50, le=150)] | None = None  # charge temperature at which air_mg holds
    barometer_kpa: Annotated[float, Field(ge=50, le=110)] | None = None  # at which air_mg over throttle holds

    @property
    def key(self) -> str:
        """Name of the list of rows that the ECU holds."""
        return "efficiency_pct" if self.air_mg is None else "air_mg"

    @property
    def load_key(self) -> str:
        """Name of the list of loads, which is also the channel of the load's reading."""
        return "manifold_kpa" if self.throttle_pct is None else "throttle_pct"

    @property
    def load(self) -> np.ndarray:
        """Breakpoints of the load axis, in its own unit, shape (loads,)."""
        return np.asarray(getattr(self, self.load_key), dtype=float)

    @property
    def values(self) -> np.ndarray:
        """Percent or mg, shape (loads, engine speeds)."""
        return np.asarray(getattr(self, self.key), dtype=float)


class InjectorSettings(Table):
    """Injector flow that the ECU uses, of one injector at the rail pressure of the car."""

    flow_g_min: Annotated[float, at_most(10000)]


class DeadTime(Table):
    """Injector dead time against battery voltage, as in the ECU; battery voltage rising."""

    battery_v: Annotated[list[Annotated[float, at_most(30)]], Field(min_length=1)]
    dead_time_ms: Annotated[list[Annotated[NotNegative, Field(le=20)]], Field(min_length=1)]


class Fuelling(Table):
    """The rest of the ECU's fuelling that a study needs."""

    stoich_afr: Annotated[float, at_most(40)]  # the ratio that the ECU uses, whatever fuel is in the tank
    rev_limit_rpm: Annotated[float, at_most(30000)]


class FullLoadFuel(Table):
    """Fuelling at full load over engine speed, as in the ECU: the lambda asked for, or a factor on the fuel."""

    engine_speed_rpm: Annotated[list[Annotated[float, at_most(30000)]], Field(min_length=1)]
    commanded_lambda: list[Annotated[float, at_most(1.5)]] | None = None
    fuel_factor: list[Annotated[float, Field(ge=0.5, le=2, allow_inf_nan=False)]] | None = None
    # what lambda is to be; without it, what is commanded
    target_lambda: list[Annotated[float, at_most(1.5)]] | None = None

    @property
    def values(self) -> np.ndarray:
        """Lambda or factor at the breakpoints, shape (breakpoints,)."""
        return np.asarray(self.commanded_lambda if self.fuel_factor is None else self.fuel_factor, dtype=float)

    @property
    def key(self) -> str:
        """Name of the list that the ECU holds."""
        return "commanded_lambda" if self.fuel_factor is None else "fuel_factor"


class SparkTable(Table):
    """Ignition advance before top centre, as in the ECU; exactly one of the two load lists is given; axes rising."""

    engine_speed_rpm: Annotated[list[Annotated[float, at_most(30000)]], Field(min_length=1)]
    load_pct: list[Annotated[float, at_most(400)]] | None = None  # absolute load (SAE J1979)
    manifold_kpa: list[Annotated[float, at_most(600)]] | None = None  # absolute
    spark_deg: Annotated[list[list[Annotated[float, Field(ge=-40, le=80, allow_inf_nan=False)]]], Field(min_length=1)]

    @property
    def load(self) -> np.ndarray:
        """Breakpoints of the load axis, in its own unit, shape (loads,)."""
        return np.asarray(self.manifold_kpa if self.load_pct is None else self.load_pct, dtype=float)

    @property
    def values(self) -> np.ndarray:
        """Advance, shape (loads, engine speeds). [degrees before top centre]"""
        return np.asarray(self.spark_deg, dtype=float)


class SparkRetreat(Table):
    """Cells of a spark table that is not written down, and by how much less advance they get than `based_on` had."""

    engine_speed_from_rpm: NotNegative
    engine_speed_to_rpm: Annotated[float, at_most(30000)]
    load_from_pct: NotNegative  # absolute load (SAE J1979)
    load_to_pct: Annotated[float, at_most(400)]
    retreat_deg: Annotated[float, at_most(40)]

    @property
    def words(self) -> str:
        """The cell as a reader reads it."""
        return (
            f"{self.retreat_deg:g}° less at {self.engine_speed_from_rpm:g} to {self.engine_speed_to_rpm:g} rpm and a "
            f"load of {self.load_from_pct:g} to {self.load_to_pct:g} %"
        )


Coolant = Annotated[list[Annotated[float, Field(ge=-50, le=150, allow_inf_nan=False)]], Field(min_length=1)]


class IdleBase(Table):
    """What the ECU gives the idle before its control acts, over coolant temperature: exactly one of the two lists."""

    coolant_c: Coolant
    actuator_pct: list[Percent] | None = None  # opening of the idle actuator
    air_kg_h: list[Annotated[float, at_most(500)]] | None = None  # air of the idle

    @property
    def key(self) -> str:
        """Name of the list that the ECU holds."""
        return "actuator_pct" if self.air_kg_h is None else "air_kg_h"

    @property
    def values(self) -> np.ndarray:
        """Opening or air at the breakpoints, shape (breakpoints,)."""
        return np.asarray(getattr(self, self.key), dtype=float)


class IdleTarget(Table):
    """Idle speed that the ECU aims for, over coolant temperature."""

    coolant_c: Coolant
    target_rpm: list[Annotated[float, at_most(5000)]]

    @property
    def values(self) -> np.ndarray:
        """Idle speed at the breakpoints, shape (breakpoints,). [rpm]"""
        return np.asarray(self.target_rpm, dtype=float)


class IdleReturn(Table):
    """How the ECU brings the engine back to idle: what it opens more while the throttle is open, and how that fades."""

    decay_s: Annotated[float, at_most(60)]  # time constant with which it fades once the throttle is closed
    extra_pct: Percent | None = None  # of the idle actuator


class AccelerationFuel(Table):
    """Fuel for tip-ins over coolant temperature and engine speed: an amount, or a wall film that the ECU makes up for.

    Exactly one law: `amount`, or `film_share` with `film_time_s`. A row for each coolant temperature.
    """

    coolant_c: Coolant
    engine_speed_rpm: Annotated[list[Annotated[float, at_most(30000)]], Field(min_length=1)]
    amount: list[list[NotNegative]] | None = None  # per tip-in, in the ECU's own unit (mg, ms or per cent)
    film_share: list[list[Annotated[float, Field(ge=0, le=0.95, allow_inf_nan=False)]]] | None = None  # X
    film_time_s: list[list[Annotated[float, at_most(20)]]] | None = None  # tau

    @property
    def keys(self) -> tuple[str, ...]:
        """Names of the lists that the ECU holds."""
        return ("amount",) if self.amount is not None else ("film_share", "film_time_s")

    @property
    def values(self) -> np.ndarray:
        """What a tip-in gets, shape (coolant, engine speeds): the amount, or share times time of the film."""
        lists = [np.asarray(getattr(self, key), dtype=float) for key in self.keys]
        return lists[0] if len(lists) == 1 else lists[0] * lists[1]


class FuelCut(Table):
    """Engine speeds of the fuel cut on overrun."""

    entry_rpm: Annotated[float, at_most(30000)]  # above it the fuel is cut
    return_rpm: Annotated[float, at_most(30000)]  # below it the fuel comes back


# What an ECU or a car holds that no table of a revision does, in the trade's words.
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
    meter_curve: MeterCurve = Field(default_factory=lambda: AIR_ITSELF)  # without a meter, air stands for air
    volumetric_efficiency: FillingTable | None = None  # of a car whose ECU takes the air from a table
    injectors: InjectorSettings
    dead_time: DeadTime
    fuelling: Fuelling
    based_on: str | None = None
    proposed_in: str | None = None  # record whose proposal was entered, altered or not
    entered_by: str | None = None  # who put it into the ECU
    also_changed: list[OtherChange] | None = None  # against based_on; empty: nothing else; None: it does not say
    full_load_fuel: FullLoadFuel | None = None
    spark: SparkTable | None = None
    spark_retreat: list[SparkRetreat] | None = None  # against based_on, where no spark table is written down
    idle_base: IdleBase | None = None
    idle_target: IdleTarget | None = None
    idle_return: IdleReturn | None = None
    acceleration_fuel: AccelerationFuel | None = None
    fuel_cut: FuelCut | None = None
    notes: str = ""

    @property
    def air_table(self) -> FillingTable:
        """The table that the ECU takes the air from; ValueError where the revision holds none."""
        return stated(self.volumetric_efficiency, f"[volumetric_efficiency] in revisions/{self.name}.toml")

    def followed_by(self, name: str, date: datetime.date, changes: Mapping[str, Any]) -> Revision:
        """Give the revision that changes this one in some of its keys, for a person to review.

        It says that nothing else changes; `date` is a placeholder until a person enters it.
        """
        own = {"name": name, "date": date, "based_on": self.name, "proposed_in": None, "entered_by": None}
        own |= {"also_changed": [], "spark_retreat": None}
        return Revision.model_validate(self.model_dump() | own | dict(changes))

    @property
    def stated_changes(self) -> list[OtherChange]:
        """What it says was changed against `based_on` and no pair of tables shows."""
        cells = "; ".join(cell.words for cell in self.spark_retreat or ())
        return [*(self.also_changed or ()), *([OtherChange(kind="spark", what=cells)] if cells else ())]

    @model_serializer(mode="wrap")
    def _as_written(self, written: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """What stands in the file: no curve where there is no meter."""
        content = written(self)
        if self.meter_curve == AIR_ITSELF:
            content.pop("meter_curve", None)
        return content


STANDARD_ATMOSPHERE_KPA = 101.325  # ISO 2533, where the barometer is not logged
ROUNDS = 4  # of air flow and charge temperature, which rest on one another; three settle it to 1e-5


@dataclass(frozen=True)
class Inlet:
    """What an ECU without an air meter goes by, arrays of shape (n,) or scalars; NaN where not known."""

    engine_speed_rpm: ArrayLike
    load: ArrayLike  # manifold pressure [kPa absolute] or throttle opening [%], by the table's own axis
    intake_air_c: ArrayLike
    coolant_c: ArrayLike
    barometer_kpa: ArrayLike = STANDARD_ATMOSPHERE_KPA


def load_channel(car: Car) -> str:
    """Channel of the load's reading: `manifold_kpa` or `throttle_pct`; empty for a car that goes by an air meter."""
    return LOAD_CHANNEL.get(car.load_from, "")


def surface_of(table: FillingTable) -> Surface:
    """The table's breakpoints."""
    return Surface(np.asarray(table.engine_speed_rpm, dtype=float), table.load)


def charge_weight(charge: Charge, air_kg_h: ArrayLike) -> np.ndarray:
    """Weight of the coolant in the charge temperature at an air flow; the ends are held."""
    if charge.air_flow_kg_h is None:
        return np.full(np.shape(air_kg_h), charge.coolant_weight[0])
    return np.interp(np.asarray(air_kg_h, dtype=float), charge.air_flow_kg_h, charge.coolant_weight)


def table_air_kg_h(car: Car, revision: Revision, inlet: Inlet, values: ArrayLike | None = None) -> np.ndarray:
    """Air mass flow that the ECU takes from its table.

    Parameters
    ----------
    car, revision
        A car whose ECU has a table, and the revision that holds it.
    inlet : Inlet
        The readings that it goes by.
    values : array, optional
        Another table in the same breakpoints, shape (loads, speeds).

    Returns
    -------
    array, shape (n,)
        NaN where a reading is missing, is no pressure, or the engine stands. [kg/h]
    """
    table, law = revision.air_table, car.charge_law
    speed, load, intake, coolant, barometer = np.broadcast_arrays(
        *(np.asarray(getattr(inlet, name), dtype=float) for name in Inlet.__dataclass_fields__)
    )
    speed, load = np.where(speed > 0, speed, np.nan), np.where(load > 0, load, np.nan)
    value = surface_of(table).at(speed, load, table.values if values is None else values)
    pressure = load if table.load_key == "manifold_kpa" else np.where(barometer > 0, barometer, np.nan)
    air = np.full(speed.shape, np.nan)
    weight: np.ndarray | float = law.coolant_weight[0]
    for _ in range(ROUNDS if law.air_flow_kg_h else 1):
        charge = charge_temperature(intake, coolant, weight)
        air = _flow(car, table, value, pressure, charge, speed)
        weight = np.where(np.isfinite(air), charge_weight(law, np.nan_to_num(air)), 0.0)
    return air


def charge_of(car: Car, inlet: Inlet, air_kg_h: ArrayLike) -> np.ndarray:
    """Charge temperature by the car's law at a known air flow. [°C]"""
    return charge_temperature(inlet.intake_air_c, inlet.coolant_c, charge_weight(car.charge_law, air_kg_h))


def _flow(
    car: Car, table: FillingTable, value: np.ndarray, pressure: np.ndarray, charge: np.ndarray, speed: np.ndarray
) -> np.ndarray:
    if table.key == "efficiency_pct":
        return flow_from_efficiency(value, pressure, charge, speed, displacement_l=car.engine.displacement_l)
    at: np.ndarray | float = 1.0
    if table.load_key == "throttle_pct":
        at = pressure / stated(table.barometer_kpa, "barometer_kpa in [volumetric_efficiency] of the revision")
    reference_c = stated(table.charge_c, "charge_c in [volumetric_efficiency] of the revision")
    return flow_from_mass(value * at, charge, speed, reference_c=reference_c, cylinders=car.engine.cylinders)
