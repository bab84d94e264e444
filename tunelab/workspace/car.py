"""The car: engine, meter, injectors, lambda sensor, fuel, gearing, mass, road load and the owner's limits."""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]


def at_most(limit: float) -> Any:
    """Demand a number above zero, with a bound that only a wrong unit or a slip of the pen passes."""
    return Field(gt=0, le=limit, allow_inf_nan=False)


class Table(BaseModel):
    """A TOML table: frozen, and an unknown key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


Stated = TypeVar("Stated")


def stated(value: Stated | None, place: str) -> Stated:
    """Give what the owner need not state, a table or one value, to a calculation that cannot do without it.

    Raises
    ------
    ValueError
        It is not there; `place` says where it belongs, such as `[vehicle] in car.toml`.
    """
    if value is None:
        raise ValueError(f"This needs {place}, and it is not there.")
    return value


class Engine(Table):
    """The engine."""

    displacement_l: Annotated[float, at_most(30)]
    cylinders: Annotated[int, Field(ge=1, le=24)]
    idle_target_rpm: Annotated[float, at_most(5000)]
    long_overlap_cam: bool = False  # a long-overlap camshaft reads falsely lean at idle
    stroke_mm: Annotated[float, at_most(300)] | None = None
    bore_mm: Annotated[float, at_most(300)] | None = None  # with the stroke it proves displacement and cylinders
    inertia_kg_m2: NotNegative | None = None  # crankshaft, flywheel and clutch
    volumetric_efficiency_expected_pct: Positive | None = None  # at full throttle, for the check before driving


class Meter(Table):
    """The air meter; readings in V, Hz or counts by `kind`."""

    kind: Literal["voltage", "frequency", "counts"]
    rail_low: NotNegative  # at or below this reading the meter or its converter is at its stop
    rail_high: Positive  # at or above this reading likewise
    fold_pulsation: bool = False  # the curve takes in the mean over-reading from intake pulsation where that helps

    @property
    def channel(self) -> str:
        """Canonical channel name of the meter's reading."""
        names = {"voltage": "meter_v", "frequency": "meter_hz", "counts": "meter_counts"}
        return names.get(self.kind, "air_flow_kg_h")  # without a meter: the air that the ECU calculates


# In place of a meter where there is none. No file may hold this kind, so nothing is checked; the car sets `rail_high`.
_WITHOUT: dict[str, Any] = {"kind": "none", "rail_low": -1.0, "rail_high": 0.0}
NO_METER = Meter.model_construct(**_WITHOUT)

# What the ECU takes the air from: a meter, or a table over engine speed and one of these, or both mixed.
LoadFrom = Literal["air_meter", "manifold_pressure", "throttle", "blended"]
LOAD_CHANNEL = {"manifold_pressure": "manifold_kpa", "throttle": "throttle_pct"}


class Charge(Table):
    """Temperature of the air that fills the cylinders, as the ECU takes it: intake air drawn toward the coolant."""

    coolant_weight: Annotated[list[Annotated[float, Field(ge=0, le=1)]], Field(min_length=1)]  # 0: intake air alone
    air_flow_kg_h: list[NotNegative] | None = None  # one for each weight, rising; none: one weight for every flow


class Injectors(Table):
    """The injectors as fitted."""

    count: Annotated[int, Field(ge=1, le=48)]
    injections_per_cycle: Annotated[int, Field(ge=1, le=8)]  # of one injector per 720 degrees; 1 is sequential
    rated_flow_g_min: Annotated[float, at_most(10000)]  # of one injector, at rated_pressure_kpa
    rated_pressure_kpa: Annotated[float, at_most(40000)]  # pressure difference of the rating
    pressure: Literal["manifold-referenced", "fixed"]  # what the regulator holds constant
    rail_pressure_kpa: Annotated[float, at_most(40000)]  # above manifold or above atmosphere, by `pressure`
    ecu_compensates_pressure: bool  # True: the ECU corrects its flow for the pressure difference


class LambdaSensor(Table):
    """The wide-band sensor: its rails and what is known of its delay."""

    rail_low: Annotated[float, at_most(3)]
    rail_high: Annotated[float, at_most(20)]
    warm_up_s: NotNegative
    delay_s: Annotated[NotNegative, Field(le=5)]  # part of the transport delay that does not depend on flow
    delay_flow_s_kg_h: NotNegative  # transport delay = delay_s + delay_flow_s_kg_h / exhaust flow in kg/h
    lag_s: Annotated[NotNegative, Field(le=5)]  # first-order time constant of sensor and controller
    # what its display uses where it shows AFR; none: it is asked for
    afr_stoich: Annotated[float, at_most(40)] | None = None
    second: Literal["none", "other bank", "same pipe"] = "none"


class Fuel(Table):
    """The fuel, by its composition; nothing assumes 14.7."""

    name: str
    hydrogen_to_carbon: Annotated[float, at_most(4)]
    oxygen_to_carbon: Annotated[NotNegative, Field(le=2)]
    density_kg_l: Annotated[float, at_most(1.5)]
    lower_heating_mj_kg: Annotated[float, at_most(60)] | None = None


class Gearing(Table):
    """Gearbox and final drive."""

    ratios: Annotated[list[Annotated[float, at_most(30)]], Field(min_length=1, max_length=10)]  # first gear first
    final_drive: Annotated[float, at_most(30)]


class Tyres(Table):
    """Driven tyres: a size code or a measured rolling radius."""

    size: str | None = None  # such as 205/55R16
    rolling_radius_m: Annotated[float, at_most(1)] | None = None  # wins over the size code
    rolling_radius_uncertainty_pct: NotNegative | None = None  # one standard deviation
    slip_pct_per_g: NotNegative | None = None  # driven tyres: slip per unit of tractive force over weight
    slip_uncertainty_pct_per_g: NotNegative | None = None  # one standard deviation


class Vehicle(Table):
    """What is accelerated."""

    mass_kg: Annotated[float, at_most(60000)]  # as driven: people, fuel and tools on board
    mass_uncertainty_kg: NotNegative
    wheel_inertia_kg_m2: NotNegative | None = None  # all wheels, brakes and driven shafts together
    driven_axle: Literal["front", "rear", "all"]
    driveline_loss_pct: Percent | None = None  # crank to wheels; an assumption, and labelled as one wherever used


class RoadLoad(Table):
    """Road load: either drag area and rolling coefficient or A, B, C of a coast-down."""

    drag_area_m2: Annotated[float, at_most(15)] | None = None
    rolling_coefficient: Annotated[float, at_most(0.2)] | None = None
    a_n: Finite | None = None
    b_n_s_m: Finite | None = None
    c_n_s2_m2: Finite | None = None


class Limits(Table):
    """The owner's limits. They are the authority: the kit never suggests going past them."""

    rev_limit_rpm: Annotated[float, at_most(30000)]
    top_speed_km_h: Annotated[float, at_most(500)]  # the highest speed at which a test may be driven
    lambda_max_full_load: Annotated[float, at_most(1.5)]
    injector_duty_max_pct: Percent
    knock_retard_max_deg: NotNegative
    coolant_min_c: Annotated[float, Field(ge=-50, le=150)]  # below it nothing is tuned
    coolant_max_c: Annotated[float, Field(ge=-50, le=150)]
    intake_air_max_c: Annotated[float, Field(ge=-50, le=150)]
    intake_air_rise_max_c: Positive | None = None  # most that intake air may warm within one pull
    coolant_rise_max_c: Positive | None = None  # most that the coolant may warm within one pull
    oil_max_c: Annotated[float, Field(ge=0, le=200)] | None = None
    exhaust_max_c: Annotated[float, at_most(1200)] | None = None
    boost_max_kpa: Annotated[float, at_most(400)] | None = None  # manifold pressure above atmosphere
    # absolute load (SAE J1979) from which the engine counts as under load
    load_from_pct: Annotated[float, at_most(300)] | None = None
    lean_under_load_max_pct: Positive | None = None  # lambda over commanded under load
    battery_min_v: Annotated[float, at_most(20)]
    oil_pressure_min_kpa: NotNegative | None = None
    fuel_pressure_drop_max_kpa: Positive | None = None
    meter_headroom_min_pct: NotNegative | None = None  # flow left below the top of the meter's curve
    idle_speed_error_max_rpm: Positive | None = None  # either side of the idle target
    idle_speed_spread_max_rpm: Positive | None = None  # one standard deviation of the settled idle
    idle_hunting_max_rpm: Positive | None = None  # half of a regular swing
    idle_actuator_margin_min_pct: NotNegative | None = None  # opening left to either end of the idle actuator
    idle_flare_max_rpm: Positive | None = None  # overshoot after a start
    idle_undershoot_max_rpm: Positive | None = None  # below the target when engine speed comes back to idle
    idle_settling_max_s: Positive | None = None  # from the free engine to a settled idle
    trim_total_max_pct: Positive | None = None  # short- and long-term trim together, either way
    excursion_lean_max_pct: Positive | None = None  # lambda over commanded when the throttle moves
    excursion_rich_max_pct: Positive | None = None
    launch_hold_rpm: Positive | None = None  # engine speed that the launch hold is set to
    launch_hold_tolerance_rpm: Positive | None = None  # how far the held speed may stray
    launch_hold_max_s: Positive | None = None  # longest hold, for the heat of it
    launch_bog_max_rpm: Positive | None = None  # most that engine speed may fall after the release
    launch_let_go_max_s: Positive | None = None  # latest that the hold lets go after the car moves
    steady_lambda_error_max_pct: Positive  # what counts as right at steady speed
    meter_change_max_pct: Positive  # most that one revision may change the meter curve
    dead_time_change_max_ms: Annotated[float, at_most(5)]  # most that one revision may change the dead time
    # ... the fuel at full load; none: meter_change_max_pct
    full_load_fuel_change_max_pct: Annotated[float, at_most(30)] | None = None
    spark_retreat_margin_deg: Annotated[NotNegative, Field(le=10)] | None = None  # beyond the knock retard seen
    idle_target_min_rpm: Annotated[float, at_most(5000)] | None = None  # no idle speed below it is ever proposed
    # ... nor above it; without both no idle speed is proposed
    idle_target_max_rpm: Annotated[float, at_most(5000)] | None = None
    # most that one revision may change the idle's base value
    idle_base_change_max_pct: Annotated[float, at_most(50)] | None = None
    acceleration_fuel_change_max_pct: Annotated[float, at_most(100)] | None = None  # ... the fuel for tip-ins


class Car(Table):
    """Everything `car.toml` holds."""

    name: str
    load_from: LoadFrom = "air_meter"
    engine: Engine
    meter: Meter = Field(default_factory=lambda: NO_METER)  # without one, the ECU's own air stands in
    injectors: Injectors
    lambda_sensor: LambdaSensor
    fuel: Fuel
    limits: Limits
    charge: Charge | None = None  # of a car whose ECU takes the air from a table
    gearing: Gearing | None = None
    tyres: Tyres | None = None
    vehicle: Vehicle | None = None
    road_load: RoadLoad | None = None

    @property
    def has_meter(self) -> bool:
        """Whether the ECU reads an air meter."""
        return self.load_from in ("air_meter", "blended")

    @property
    def has_table(self) -> bool:
        """Whether the ECU takes the air from a table over engine speed and load."""
        return self.load_from != "air_meter"

    @property
    def charge_law(self) -> Charge:
        """How the ECU computes the temperature of the charge; ValueError where the car does not say it."""
        return stated(self.charge, "[charge] in car.toml")

    @property
    def air_reading(self) -> str:
        """Channel that the ECU takes the air from: the meter's reading, or the load that its table goes by."""
        return self.meter.channel if self.has_meter else LOAD_CHANNEL[self.load_from]

    @model_validator(mode="after")
    def _air_in_the_meters_place(self) -> Car:
        """Where there is no meter, the air that the ECU calculates takes its place, up to what the engine takes.

        So every question that only wants to know how much air there is can be asked of any car.
        """
        if self.meter is NO_METER:
            full_kg_h = 1.2e-3 * self.engine.displacement_l * self.limits.rev_limit_rpm / 2 * 60
            most = full_kg_h * (1.2 + (self.limits.boost_max_kpa or 0.0) / 100)
            object.__setattr__(self, "meter", NO_METER.model_copy(update={"rail_high": most}))
        return self
