"""The car in the inner loop: its state from step to step, driveline and road, battery, temperatures and pressures."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field

from tunelab.simulate.truth import KILO, Conditions, Truth


@dataclass(slots=True)
class State:
    """Everything that moves."""

    # engine and air
    engine_speed_rpm: float
    manifold_kpa: float
    throttle_pct: float = 0.0
    idle_pct: float = 30.0
    idle_integral: float = 30.0
    idle_base: float = 0.0  # of the revision, a moment ago; 0 before the first
    idle_extra: float = 0.0  # opening that fades on the way back to idle
    idle_target_rpm: float = 0.0  # as the ECU logs it
    meter_flow_kg_h: float = 0.0  # true flow through the meter
    felt_flow_kg_h: float = 0.0  # after the meter's own lag
    cylinder_kg_h: float = 0.0
    over_read: float = 0.0
    reading: float = 0.0
    torque_nm: float = 0.0
    # fuel
    air_flow_kg_h: float = 0.0  # what the ECU makes of the reading
    load: float = 0.0  # absolute load, 1 is a full charge at 25 °C and 101.3 kPa
    lambda_commanded: float = 1.0
    pulse_ms: float = 0.0
    delivered_g_s: float = 0.0
    film_g: float = 0.0
    mixture: float = 20.0  # true lambda in the cylinders
    fuel_mode: int = 1
    is_cut: bool = False
    is_limited: bool = False
    closed_clock: float = 0.0  # how long the throttle has been closed
    since_cut: float = 100.0
    short_pct: float = 0.0
    is_lean: bool = False
    cell: int = 0
    long_cells: list[float] = field(default_factory=lambda: [0.0] * 20)
    enrichment_pct: float = 0.0
    full_factor: float = 1.0  # on the fuel at full load
    own_film_g: float = 0.0  # the film that the ECU makes up for
    throttle_before: float = 0.0
    vacuum_kpa: float = 0.0
    duty: float = 0.0
    # spark
    spark_deg: float = 10.0
    retard_deg: float = 0.0
    spark_loss: float = 0.0
    # exhaust
    sensed: float = 1.0  # lambda at the tip of the sensor
    narrow: float = 1.0  # the switching sensor
    wide: float = 1.0  # the wide-band sensor before its rails
    run_clock: float = 0.0
    sensor_clock: float = 0.0
    # supply and heat
    battery_v: float = 12.6
    coolant_c: float = 20.0
    oil_c: float = 20.0
    soak_c: float = 5.0
    intake_air_c: float = 20.0
    exhaust_c: float = 20.0
    fuel_pressure_kpa: float = 0.0
    oil_pressure_kpa: float = 0.0
    # car
    wheel_rad_s: float = 0.0
    speed_m_s: float = 0.0
    gps_m_s: float = 0.0
    acceleration: float = 0.0
    is_locked: bool = False
    grade: float = 0.0
    heading_deg: float = 0.0
    north_m: float = 0.0
    east_m: float = 0.0
    altitude_m: float = 0.0
    # what the driver does
    pedal_pct: float = 0.0
    brake: float = 0.0
    clutch_open: float = 0.0
    gear: int = 0
    launch: bool = False
    key: bool = True
    crank: bool = False
    load_a: float = 0.0
    charging: bool = True
    # what the driver remembers
    task: int = 0
    task_clock: float = 0.0
    settled_clock: float = 0.0
    hold_integral: float = 0.0
    phase: int = 0
    shift_gear: int = -1
    shift_clock: float = 0.0


def first_state(truth: Truth, conditions: Conditions) -> State:
    """State in which a drive begins: idling in neutral, or switched off."""
    running = conditions.is_running
    return State(
        engine_speed_rpm=truth.ecu.idle_target_rpm if running else 0.0,
        manifold_kpa=40.0 if running else conditions.pressure_kpa,
        coolant_c=conditions.coolant_c,
        oil_c=conditions.oil_c,
        intake_air_c=conditions.air_c + 8.0,
        exhaust_c=350.0 if running else conditions.air_c,
        altitude_m=conditions.altitude_m,
        key=running,
        run_clock=60.0 if running else 0.0,
        sensor_clock=60.0 if running else 0.0,
        battery_v=13.9 if running else 12.4,
    )


def lookup(xs: list[float], ys: list[float], x: float) -> float:
    """Straight lines between points, held beyond the ends; for single numbers faster than numpy."""
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    i = bisect_right(xs, x)
    return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])


def towards(now: float, target: float, dt: float, time_constant_s: float) -> float:
    """One step of a first-order lag."""
    return now + (target - now) * dt / (time_constant_s + dt)


GRAVITY = 9.80665
_RAD_S = math.pi / 30.0  # per rpm
_TYRE_SHAPE = 1.5
_SLIP_SPEED = 12.0  # speed difference over which a slipping clutch builds up its torque [rad/s]


def _tyre(truth: Truth, s: State) -> tuple[float, float]:
    """Drive force and its slope by wheel speed, a falling slope taken as none. [N], [N per rad/s]

    The usual sine-of-arctangent shape (E. Bakker, L. Nyborg, H. B. Pacejka, SAE 870421, from memory): linear at first,
    most at 2.6 times `slip_at_grip`, 0.71 of that when spinning.
    """
    car = truth.vehicle
    base = max(s.speed_m_s, 2.5)
    slip = (s.wheel_rad_s * car.rolling_radius_m - s.speed_m_s) / base / car.slip_at_grip
    most = car.tyre_grip * car.mass_kg * GRAVITY * car.driven_weight_share
    angle = _TYRE_SHAPE * math.atan(slip / _TYRE_SHAPE)
    steep = max(math.cos(angle), 0.0) / (1.0 + (slip / _TYRE_SHAPE) ** 2)
    return most * math.sin(angle), most * steep * car.rolling_radius_m / (base * car.slip_at_grip)


def _resistance(truth: Truth, conditions: Conditions, s: State, density: float) -> float:
    """Road load with grade and wind, without brakes. [N]"""
    car = truth.vehicle
    wind = conditions.wind_m_s * math.cos(math.radians(s.heading_deg))
    through_air = s.speed_m_s + wind
    rolling = car.rolling_coefficient * car.mass_kg * GRAVITY * min(s.speed_m_s / 0.3, 1.0)
    rolling *= 1.0 + 0.004 * s.speed_m_s
    return 0.5 * density * car.drag_area_m2 * through_air * abs(through_air) + rolling + car.mass_kg * GRAVITY * s.grade


def gear_ratio(truth: Truth, gear: int) -> float:
    """Engine turns per wheel turn; zero in neutral."""
    car = truth.vehicle
    return car.ratios[gear - 1] * car.final_drive if gear > 0 else 0.0


def _clutch(s: State, truth: Truth, ratio: float) -> tuple[float, float]:
    """Torque through a slipping clutch and its slope by speed difference. [N m], [N m per rad/s]"""
    if not ratio:
        return 0.0, 0.0
    capacity = truth.vehicle.clutch_nm * (1.0 - s.clutch_open) ** 1.5
    apart = s.engine_speed_rpm * _RAD_S - s.wheel_rad_s * ratio
    share = apart / _SLIP_SPEED
    if abs(share) >= 1.0:
        return math.copysign(capacity, share), 0.0
    return capacity * share, capacity / _SLIP_SPEED


def _free_engine(s: State, truth: Truth, ratio: float, dt: float) -> tuple[float, float]:
    """Turn the engine by itself or through a slipping clutch; what then reaches the gearbox comes back."""
    through, slope = _clutch(s, truth, ratio)
    omega = s.engine_speed_rpm * _RAD_S
    omega += dt * (s.torque_nm - through) / (truth.engine.inertia_kg_m2 + dt * slope)
    s.engine_speed_rpm = max(omega, 0.0) / _RAD_S
    s.is_locked = bool(ratio) and s.clutch_open < 0.03 and abs(omega - s.wheel_rad_s * ratio) < 4.0
    return _clutch(s, truth, ratio)


def _turn_wheels(s: State, truth: Truth, brake_n: float, dt: float) -> float:
    """One step of the wheels, with the engine when the clutch is locked; the tyres' drive force comes back. [N]"""
    car = truth.vehicle
    ratio = gear_ratio(truth, s.gear)
    if s.is_locked and (s.clutch_open > 0.03 or not ratio):
        s.is_locked = False
    inertia, stiffness, through_nm = car.wheel_inertia_kg_m2, 0.0, s.torque_nm
    if s.is_locked:
        inertia += truth.engine.inertia_kg_m2 * ratio * ratio
    else:
        through_nm, stiffness = _free_engine(s, truth, ratio, dt)
    loss = car.driveline_efficiency if through_nm > 0 else 1.0 / car.driveline_efficiency
    force, slope = _tyre(truth, s)
    rear_brake_nm = 0.35 * brake_n * car.rolling_radius_m * min(s.wheel_rad_s / 0.5, 1.0)
    net_nm = through_nm * ratio * loss - force * car.rolling_radius_m - rear_brake_nm
    held = inertia + dt * (slope * car.rolling_radius_m + stiffness * ratio * ratio)
    turned = dt * net_nm / held
    s.wheel_rad_s = max(s.wheel_rad_s + turned, 0.0)
    if s.is_locked:
        s.engine_speed_rpm = s.wheel_rad_s * ratio / _RAD_S
    return force + slope * turned


def step_motion(s: State, truth: Truth, conditions: Conditions, density: float, dt: float) -> None:
    """Engine, wheels and car by one step; the stiff tyre and clutch are taken linearly-implicit."""
    mass = truth.vehicle.mass_kg
    brake_n = s.brake * mass * GRAVITY
    force = _turn_wheels(s, truth, brake_n, dt)
    resist = _resistance(truth, conditions, s, density) + 0.65 * brake_n * min(s.speed_m_s / 0.3, 1.0)
    before = s.speed_m_s
    s.speed_m_s = max(before + dt * (force - resist) / mass, 0.0)
    s.acceleration = towards(s.acceleration, (s.speed_m_s - before) / dt + GRAVITY * s.grade, dt, 0.05)


def step_position(s: State, dt: float) -> None:
    """Where the car is, over the ground."""
    heading = math.radians(s.heading_deg)
    s.north_m += s.speed_m_s * math.cos(heading) * dt
    s.east_m += s.speed_m_s * math.sin(heading) * dt
    s.altitude_m += s.speed_m_s * s.grade * dt
    s.gps_m_s = towards(s.gps_m_s, s.speed_m_s, dt, 0.25)


def step_battery(s: State, truth: Truth, dt: float) -> None:
    """Voltage at the ECU: the alternator as far as it reaches, then the battery; less the drop in the wiring."""
    supply = truth.supply
    demand = supply.base_a + s.load_a + (150.0 if s.crank else 0.0) + 8.0 * s.duty
    spin = max(s.engine_speed_rpm - 600.0, 0.0) / 1400.0
    reach = supply.alternator_a * (1.0 - math.exp(-spin)) if s.charging and s.run_clock > 0.5 else 0.0
    deficit = max(demand - reach, 0.0)
    source = supply.charging_v if deficit <= 0.0 else max(supply.battery_v - 0.008 * deficit, 6.0)
    blend = min(max((reach - demand) / 6.0 + 0.5, 0.0), 1.0)
    source = blend * supply.charging_v + (1.0 - blend) * min(source, supply.charging_v)
    s.battery_v = towards(s.battery_v, source - supply.wiring_ohm * (supply.base_a + s.load_a), dt, 0.6)


def step_heat(s: State, truth: Truth, conditions: Conditions, dt: float) -> None:
    """Coolant with its thermostat, oil, intake air with heat soak, exhaust."""
    heat_w = s.delivered_g_s * truth.heating_mj_kg * KILO * 0.26 if s.fuel_mode != 3 else 0.0
    store = 18e3 * truth.engine.displacement_l + 15e3
    opening = min(max((s.coolant_c - 82.0) / 9.0, 0.0), 1.0)
    carried = (20.0 + opening * (700.0 + 40.0 * s.speed_m_s)) * (s.coolant_c - conditions.air_c)
    s.coolant_c += (heat_w - carried + 2.0 * (s.oil_c - s.coolant_c)) * dt / store
    s.oil_c += ((s.coolant_c + 0.0022 * s.engine_speed_rpm - s.oil_c) / 160.0) * dt
    warm = min(max((s.coolant_c - 40.0) / 45.0, 0.0), 1.2)
    soak = 4.0 + 36.0 * warm / (1.0 + s.meter_flow_kg_h / 25.0 + s.speed_m_s / 6.0)
    s.soak_c = towards(s.soak_c, soak, dt, 45.0)
    s.intake_air_c = conditions.air_c + s.soak_c
    hot = 320.0 + 520.0 * math.sqrt(min(s.load, 1.2)) + 0.02 * s.engine_speed_rpm if s.pulse_ms > 0 else 180.0
    s.exhaust_c = towards(s.exhaust_c, hot if s.engine_speed_rpm > 60.0 else conditions.air_c, dt, 7.0)


def step_pressures(s: State, truth: Truth, dt: float) -> None:
    """Fuel rail and oil pressure, above atmosphere."""
    injectors = truth.injectors
    rail = injectors.rail_pressure_kpa - injectors.pressure_drop_kpa * s.duty
    if injectors.is_manifold_referenced:
        rail -= s.vacuum_kpa
    s.fuel_pressure_kpa = towards(s.fuel_pressure_kpa, rail if s.key else 0.0, dt, 0.1 if s.key else 30.0)
    thin = math.exp(-(s.oil_c - 90.0) / 70.0)
    s.oil_pressure_kpa = towards(s.oil_pressure_kpa, min(0.11 * s.engine_speed_rpm * thin + 15.0, 430.0), dt, 0.3)
    if s.engine_speed_rpm < 60.0:
        s.oil_pressure_kpa = towards(s.oil_pressure_kpa, 0.0, dt, 0.5)
