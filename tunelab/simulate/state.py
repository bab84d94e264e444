"""The state that the inner loop carries from step to step. Private to the loop: nothing outside it holds one."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

from tunelab.simulate.truth import Conditions, Truth


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
