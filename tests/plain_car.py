"""The owner's file of the plain vehicle: a car and a revision for tests of pulls, power and coast-downs."""

from __future__ import annotations

import datetime

import xarray as xr
from plain_vehicle import PlainVehicle

from tunelab.log.flag import flag_log
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session, Weather

DAY = datetime.date(2026, 5, 3)
WEATHER = Weather(air_c=18.0, pressure_kpa=99.5, humidity_pct=50.0)


def owners_car(true: PlainVehicle | None = None, **tables) -> Car:
    """What the owner believes of a plain vehicle: `tables` replace whole tables of car.toml, None takes one out."""
    true = true or PlainVehicle()
    data = {
        "name": "hill-climb special",
        "engine": {"displacement_l": 3.0, "cylinders": 6, "idle_target_rpm": 850,
                   "inertia_kg_m2": true.engine_inertia_kg_m2},
        "meter": {"kind": "voltage", "rail_low": 0.05, "rail_high": 4.95},
        "injectors": {"count": 6, "injections_per_cycle": 1, "rated_flow_g_min": 310, "rated_pressure_kpa": 300,
                      "pressure": "manifold-referenced", "rail_pressure_kpa": 300, "ecu_compensates_pressure": False},
        "lambda_sensor": {"rail_low": 0.65, "rail_high": 1.8, "warm_up_s": 20, "delay_s": 0.06,
                          "delay_flow_s_kg_h": 5.0, "lag_s": 0.1},
        "fuel": {"name": "petrol", "hydrogen_to_carbon": 1.89, "oxygen_to_carbon": 0.0166, "density_kg_l": 0.748,
                 "lower_heating_mj_kg": 42.4},
        "limits": {"rev_limit_rpm": 7000, "top_speed_km_h": 190, "lambda_max_full_load": 0.92,
                   "injector_duty_max_pct": 85, "knock_retard_max_deg": 3, "coolant_min_c": 75, "coolant_max_c": 105,
                   "intake_air_max_c": 55, "intake_air_rise_max_c": 15, "coolant_rise_max_c": 8,
                   "battery_min_v": 12.8, "oil_pressure_min_kpa": 200, "fuel_pressure_drop_max_kpa": 20,
                   "meter_headroom_min_pct": 5, "steady_lambda_error_max_pct": 3, "meter_change_max_pct": 12,
                   "dead_time_change_max_ms": 0.15},
        "gearing": {"ratios": list(true.ratios), "final_drive": true.final_drive},
        "tyres": {"rolling_radius_m": true.radius_m, "slip_pct_per_g": 7.0, "slip_uncertainty_pct_per_g": 2.0},
        "vehicle": {"mass_kg": true.mass_kg, "mass_uncertainty_kg": 12, "driven_axle": "rear",
                    "wheel_inertia_kg_m2": true.wheel_inertia_kg_m2, "driveline_loss_pct": 10.0},
        "road_load": {"a_n": true.a_n, "b_n_s_m": true.b_n_s_m, "c_n_s2_m2": true.c_n_s2_m2},
    }  # fmt: skip
    return Car.model_validate({key: value for key, value in (data | tables).items() if value is not None})


def in_force(name: str = "r01") -> Revision:
    """A revision with a straight meter curve up to 700 kg/h and a flat dead time."""
    return Revision.model_validate({
        "name": name, "date": DAY,
        "meter_curve": {"meter_v": [0.5, 1.5, 2.5, 3.5, 4.5], "flow_kg_h": [5.0, 60.0, 180.0, 380.0, 700.0]},
        "injectors": {"flow_g_min": 310}, "dead_time": {"battery_v": [9.0, 15.0], "dead_time_ms": [1.4, 0.7]},
        "fuelling": {"stoich_afr": 14.5, "rev_limit_rpm": 6900},
    })  # fmt: skip


def outing(*steps: str, weather: Weather | None = WEATHER, turned_at_s: tuple[float, ...] = ()) -> Session:
    """A session of the given steps."""
    return Session(date=DAY, steps=list(steps), revision="r01", weather=weather, turned_at_s=list(turned_at_s))


def flagged(log: xr.Dataset, car: Car) -> xr.Dataset:
    """The log with its flags, as the studies want it."""
    return flag_log(log, car, outing("full-throttle"))
