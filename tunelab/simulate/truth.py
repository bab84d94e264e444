"""What the simulated car really is: the numbers that a study has to find and never sees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

KG_H = 3600.0  # kg/h in 1 kg/s
KG_H_IN_G_S = 3.6  # kg/h in 1 g/s
KM_H = 3.6  # km/h in 1 m/s
KILO = 1e3
MILLI = 1e-3


@dataclass(frozen=True)
class EngineTruth:
    """Breathing, torque and friction."""

    displacement_l: float
    cylinders: int
    compression: float
    ve_peak: float  # volumetric efficiency referred to manifold density, at its best speed
    ve_speed_rpm: float  # speed of best filling
    ve_fall: float  # how much of it is lost one `ve_speed_rpm` away from there
    ve_ripple: float  # amplitude of the intake tuning
    ve_ripple_rpm: float  # its period
    throttle_bore_mm: float
    manifold_volume_l: float
    idle_bore_mm: float  # of the idle actuator, fully open
    indicated_efficiency: float
    friction_bar: tuple[float, float, float]  # constant, per 1000 rpm, per (1000 rpm)²
    inertia_kg_m2: float
    overlap_lean: float  # how much leaner than it is a long-overlap camshaft makes lambda read at idle, as a share
    knock_limit_deg: float  # spark at which knock begins at full load, 25 °C intake air, `ve_speed_rpm`


@dataclass(frozen=True)
class MeterTruth:
    """Hot-film meter: reading = (zero + slope * flow ** exponent) ** root, flow in kg/h."""

    kind: Literal["voltage", "frequency", "counts"]
    zero: float
    slope: float
    exponent: float
    root: float
    rail_low: float
    rail_high: float
    lag_s: float
    noise: float  # standard deviation of the flow noise, as a share of flow
    noise_time_s: float  # its correlation time
    pulsation_peak: float  # over-read at full load and no speed, as a share of flow
    pulsation_load: float  # manifold over ambient pressure at which half of it is there
    pulsation_width: float
    pulsation_speed_rpm: float  # speed over which it falls to 1/e
    pulsation_noise: float  # extra noise, as a share of the over-read


@dataclass(frozen=True)
class InjectorTruth:
    """Injectors: mass = flow * (pulse width − dead time), dead time = dead_time_ms * (13.5 / battery) ** power."""

    count: int
    injections_per_cycle: int
    flow_g_min: float  # of one injector at rated_pressure_kpa
    rated_pressure_kpa: float
    rail_pressure_kpa: float
    is_manifold_referenced: bool
    ecu_compensates_pressure: bool
    dead_time_ms: float  # at 13.5 V
    dead_time_power: float
    pressure_drop_kpa: float  # what the pump loses at full duty


@dataclass(frozen=True)
class FilmTruth:
    """Wall film after Aquino (SAE 810494): a share X of the fuel wets the wall and leaves it with time constant tau."""

    share: float  # at 90 °C coolant
    tau_s: float
    share_cold: float  # added to the share, per 100 °C below 90 °C
    tau_cold: float  # factor on tau, per 100 °C below 90 °C: 1 doubles it


@dataclass(frozen=True)
class SensorTruth:
    """Wide-band lambda sensor in its pipe."""

    delay_s: float
    delay_flow_s_kg_h: float
    lag_s: float
    noise: float  # standard deviation in lambda
    gain: float  # reads gain * lambda
    rail_low: float
    rail_high: float
    warm_up_s: float
    bank_2: float | None  # lambda of the second bank over the first; None: no second sensor


@dataclass(frozen=True)
class EcuTruth:
    """How the engine management behaves, apart from what stands in the revision."""

    loop: Literal["open", "switching", "wide-band"]
    trim_rate_pct_s: float  # speed of the short-term integrator
    trim_step_pct: float  # jump at each switch
    trim_limit_pct: float
    learn_rate_per_s: float  # of the long-term cells
    lambda_full_load: float
    full_load_from: float  # absolute load at which enrichment begins
    idle_target_rpm: float
    cut_above_rpm: float
    cut_ends_rpm: float
    enrichment_gain: float  # acceleration enrichment in percent per percent/s of throttle
    enrichment_decay_s: float
    launch_rpm: float
    spark_full_load_deg: float  # at the speed of best filling
    spark_part_load_deg: float  # added at light load
    idle_gain: float = 1.0  # of the idle controller's slow part over a steady one; from about 10 on the idle hunts
    idle_reach_rpm: float = 400.0  # a larger departure makes it do no more: how far a hunting idle swings


@dataclass(frozen=True)
class VehicleTruth:
    """Driveline, tyres, mass and road load."""

    mass_kg: float
    ratios: tuple[float, ...]
    final_drive: float
    rolling_radius_m: float
    wheel_inertia_kg_m2: float
    drag_area_m2: float
    rolling_coefficient: float
    driveline_efficiency: float
    driven_weight_share: float
    tyre_grip: float
    slip_at_grip: float  # slip at which the tyre has used up its grip, on the linear line
    clutch_nm: float
    speed_reading: float  # what the speed sensor reads over the wheels' true speed


@dataclass(frozen=True)
class SupplyTruth:
    """Battery, charging and wiring."""

    charging_v: float
    battery_v: float
    alternator_a: float
    base_a: float
    wiring_ohm: float
    ripple_v: float


@dataclass(frozen=True)
class Truth:
    """One whole car as it really is."""

    name: str
    engine: EngineTruth
    meter: MeterTruth
    injectors: InjectorTruth
    film: FilmTruth
    sensor: SensorTruth
    ecu: EcuTruth
    vehicle: VehicleTruth
    supply: SupplyTruth
    stoich_afr: float  # of the fuel in the tank
    heating_mj_kg: float  # lower heating value of the fuel


@dataclass(frozen=True)
class Conditions:
    """The day and the state the car starts in."""

    air_c: float
    pressure_kpa: float
    humidity_pct: float
    wind_m_s: float  # along heading 0, positive as a head wind there
    coolant_c: float
    oil_c: float
    is_running: bool  # engine idling when the log begins
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
