"""Battery and charging, temperatures and pressures."""

from __future__ import annotations

import math

from tunelab.simulate.state import State, towards
from tunelab.simulate.truth import KILO, Conditions, Truth


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
