"""Invented cars for benchmarks: any size, any error, never twice the same."""

from __future__ import annotations

import datetime
from typing import Literal, cast

import numpy as np

from tunelab.physics.fuel import stoich_afr
from tunelab.simulate.engine import meter_reading, true_dead_time_ms, true_flow_kg_h
from tunelab.simulate.truth import (
    EcuTruth,
    EngineTruth,
    FilmTruth,
    InjectorTruth,
    MeterTruth,
    SensorTruth,
    SupplyTruth,
    Truth,
    VehicleTruth,
)
from tunelab.workspace.car import (
    Car,
    Engine,
    Fuel,
    Gearing,
    Injectors,
    LambdaSensor,
    Limits,
    Meter,
    RoadLoad,
    Tyres,
    Vehicle,
)
from tunelab.workspace.revision import DeadTime, Fuelling, InjectorSettings, MeterCurve, Revision

_FUEL = {"hydrogen_to_carbon": 1.89, "oxygen_to_carbon": 0.0166, "density_kg_l": 0.748}  # petrol with 5 % ethanol


def _drawn(rng: np.random.Generator, **ranges: tuple[float, float]) -> dict[str, float]:
    """One number from each range, in their order."""
    return {name: float(rng.uniform(*ends)) for name, ends in ranges.items()}


def _engine(rng: np.random.Generator) -> EngineTruth:
    litres = float(rng.uniform(1.4, 6.0))
    cylinders = int(rng.choice([4] if litres < 1.9 else [4, 6] if litres < 2.6 else [6, 8]))
    return EngineTruth(
        displacement_l=round(litres, 2), cylinders=cylinders, idle_bore_mm=7.0 * litres**0.5,
        inertia_kg_m2=0.05 * litres + 0.05, overlap_lean=0.0,
        **_drawn(
            rng, compression=(8.8, 11.0), ve_peak=(0.88, 1.02), ve_speed_rpm=(3600, 5000), ve_fall=(0.15, 0.3),
            ve_ripple=(0.005, 0.025), ve_ripple_rpm=(1500, 2600),
        ),
        throttle_bore_mm=38.0 * litres**0.5 * float(rng.uniform(0.95, 1.15)),
        manifold_volume_l=litres * float(rng.uniform(1.2, 2.2)),
        **_drawn(rng, indicated_efficiency=(0.34, 0.38)),
        friction_bar=(float(rng.uniform(0.65, 0.85)), 0.12, 0.018),
        **_drawn(rng, knock_limit_deg=(20, 27)),
    )  # fmt: skip


def _most_flow_kg_h(engine: EngineTruth) -> float:
    return engine.displacement_l * 1e-3 * 6800.0 / 120.0 * 1.2 * engine.ve_peak * 3600.0


def _meter(rng: np.random.Generator, engine: EngineTruth) -> MeterTruth:
    kinds = ["voltage", "voltage", "voltage", "voltage", "frequency", "counts"]
    kind = cast('Literal["voltage", "frequency", "counts"]', str(rng.choice(kinds)))
    top = {"voltage": 4.75, "frequency": 9000.0, "counts": 972.0}[kind]
    zero = top * float(rng.uniform(0.12, 0.25))
    rails = {"voltage": (0.02, 4.98), "frequency": (20.0, 12000.0), "counts": (2.0, 1021.0)}[kind]
    exponent = float(rng.uniform(0.42, 0.62))
    most = _most_flow_kg_h(engine) * float(rng.uniform(1.05, 1.5))
    return MeterTruth(
        kind=kind, zero=zero**2, slope=(top**2 - zero**2) / most**exponent, exponent=exponent, root=0.5,
        rail_low=rails[0], rail_high=rails[1],
        **_drawn(rng, lag_s=(0.008, 0.03), noise=(0.004, 0.015), noise_time_s=(0.03, 0.1)),
        pulsation_peak=float(rng.uniform(0.08, 0.5)) * 4.0 / engine.cylinders,
        **_drawn(
            rng, pulsation_load=(0.82, 0.92), pulsation_width=(0.03, 0.06), pulsation_speed_rpm=(1000, 2200),
            pulsation_noise=(0.1, 0.25),
        ),
    )  # fmt: skip


def _injectors(rng: np.random.Generator, engine: EngineTruth, stoich: float) -> InjectorTruth:
    need_g_min = _most_flow_kg_h(engine) / 60.0 * 1000.0 / (stoich * 0.85) / engine.cylinders
    is_referenced = bool(rng.random() < 0.75)
    rail = float(rng.choice([250.0, 300.0, 350.0]))
    return InjectorTruth(
        count=engine.cylinders, injections_per_cycle=int(rng.choice([1, 1, 1, 2])),
        flow_g_min=need_g_min * float(rng.uniform(1.3, 2.0)), rated_pressure_kpa=300.0, rail_pressure_kpa=rail,
        is_manifold_referenced=is_referenced,
        ecu_compensates_pressure=not is_referenced and bool(rng.random() < 0.7),
        **_drawn(rng, dead_time_ms=(0.6, 1.2), dead_time_power=(1.1, 1.9)), pressure_drop_kpa=0.0,
    )  # fmt: skip


def _sensor(rng: np.random.Generator, engine: EngineTruth) -> SensorTruth:
    rails = [(0.68, 1.36), (0.65, 1.8), (0.6, 2.5)][int(rng.integers(3))]
    return SensorTruth(
        **_drawn(rng, delay_s=(0.03, 0.12), delay_flow_s_kg_h=(2.0, 9.0), lag_s=(0.06, 0.15), noise=(0.003, 0.008)),
        gain=1.0 + float(rng.normal(0.0, 0.004)), rail_low=rails[0], rail_high=rails[1],
        **_drawn(rng, warm_up_s=(10, 25)),
        bank_2=1.0 + float(rng.normal(0.0, 0.015)) if engine.cylinders >= 6 and rng.random() < 0.3 else None,
    )  # fmt: skip


def _ecu(rng: np.random.Generator, stands: float) -> EcuTruth:
    loops = ["switching", "switching", "switching", "wide-band", "open"]
    return EcuTruth(
        loop=cast('Literal["open", "switching", "wide-band"]', str(rng.choice(loops))), trim_limit_pct=30.0,
        idle_target_rpm=stands, cut_above_rpm=stands + 800.0, cut_ends_rpm=stands + 400.0,
        **_drawn(
            rng, trim_rate_pct_s=(2.5, 6.0), trim_step_pct=(0.8, 2.2), learn_rate_per_s=(0.004, 0.02),
            lambda_full_load=(0.84, 0.9), full_load_from=(0.62, 0.78), enrichment_gain=(0.04, 0.12),
            enrichment_decay_s=(0.15, 0.4), launch_rpm=(3800, 4600), spark_full_load_deg=(15, 20),
            spark_part_load_deg=(18, 24),
        ),
    )  # fmt: skip


def _vehicle(rng: np.random.Generator, engine: EngineTruth) -> VehicleTruth:
    first = float(rng.uniform(3.0, 3.7))
    steps = np.array([1.0, 0.61, 0.43, 0.32, 0.26]) * first
    return VehicleTruth(
        mass_kg=float(rng.uniform(750, 1100)) + 100.0 * engine.displacement_l,
        ratios=tuple(round(float(r), 3) for r in steps), final_drive=round(float(rng.uniform(3.2, 4.3)), 2),
        rolling_radius_m=round(float(rng.uniform(0.285, 0.325)), 3), clutch_nm=160.0 * engine.displacement_l,
        **_drawn(
            rng, wheel_inertia_kg_m2=(2.5, 4.5), drag_area_m2=(0.5, 0.8), rolling_coefficient=(0.011, 0.016),
            driveline_efficiency=(0.90, 0.95), driven_weight_share=(0.48, 0.6), tyre_grip=(0.95, 1.25),
            slip_at_grip=(0.06, 0.1),
        ),
        speed_reading=1.0 + float(rng.normal(0.0, 0.01)),
    )  # fmt: skip


def random_truth(rng: np.random.Generator, name: str) -> Truth:
    """Draw a whole car as it really is."""
    engine = _engine(rng)
    stoich = float(stoich_afr(_FUEL["hydrogen_to_carbon"], _FUEL["oxygen_to_carbon"]))
    return Truth(
        name=name,
        engine=engine,
        meter=_meter(rng, engine),
        injectors=_injectors(rng, engine, stoich),
        film=FilmTruth(float(rng.uniform(0.15, 0.4)), float(rng.uniform(0.15, 0.5)), 0.35, float(rng.uniform(1, 2))),
        sensor=_sensor(rng, engine),
        ecu=_ecu(rng, float(rng.choice([800.0, 850.0, 900.0, 950.0]))),
        vehicle=_vehicle(rng, engine),
        supply=SupplyTruth(14.2, 12.6, float(rng.uniform(60, 90)), 14.0, float(rng.uniform(0.006, 0.015)), 0.03),
        stoich_afr=stoich,
        heating_mj_kg=42.4,
    )


def curve_departure(rng: np.random.Generator, place: np.ndarray) -> np.ndarray:
    """What a curve in an ECU is wrong by, over a meter's range scaled to 0 to 1: smooth 5 to 25 %, and a local bump."""
    size = rng.uniform(0.05, 0.25) * rng.choice([-1.0, 1.0])
    tilt = rng.uniform(-0.6, 0.6)
    wave = 0.35 * np.sin(2.0 * np.pi * (rng.uniform(0.5, 1.3) * place + rng.uniform()))
    bump = rng.uniform(0.03, 0.08) * rng.choice([-1.0, 1.0])
    middle, width = rng.uniform(0.4, 0.75), rng.uniform(0.025, 0.06)
    smooth = 1.0 + tilt * (place - 0.5) + wave
    return size * smooth / np.abs(smooth).max() + bump * np.exp(-0.5 * ((place - middle) / width) ** 2)


def wrong_curve(rng: np.random.Generator, meter: MeterTruth, most_kg_h: float) -> MeterCurve:
    """A curve that an owner might start from: the true one with `curve_departure`, in 12 to 64 breakpoints."""
    top = float(meter_reading(meter, 1.15 * most_kg_h))
    low = meter.zero**meter.root
    place = np.linspace(0.0, 1.0, int(rng.choice([14, 20, 24, 32, 48, 64])))
    digits = 3 if meter.kind == "voltage" else 0
    reading = np.round(low + (top - low) * place, digits)
    flow = true_flow_kg_h(meter, reading) / (1.0 + curve_departure(rng, place))
    flow = np.maximum.accumulate(flow + 1e-3 * np.arange(flow.size))
    key = {"voltage": "meter_v", "frequency": "meter_hz", "counts": "meter_counts"}[meter.kind]
    return MeterCurve(**{"flow_kg_h": np.round(flow, 3).tolist(), key: reading.tolist()})


def wrong_dead_time(rng: np.random.Generator, injectors: InjectorTruth) -> DeadTime:
    """A dead-time table wrong by 0.05 to 0.2 ms at 13.5 V, and by another slope with voltage."""
    battery = np.array([8.0, 9.0, 10.0, 11.0, 12.0, 13.0, 14.0, 15.0, 16.0])
    level = rng.uniform(0.05, 0.2) * rng.choice([-1.0, 1.0])
    slope = rng.uniform(-0.04, 0.04)
    table = true_dead_time_ms(injectors, battery) + level + slope * (battery - 13.5)
    return DeadTime(battery_v=battery.tolist(), dead_time_ms=np.round(np.maximum(table, 0.05), 3).tolist())


def first_revision(truth: Truth, rng: np.random.Generator) -> Revision:
    """The revision that the car starts with: curve, dead time and injector flow all somewhat wrong."""
    injectors = truth.injectors
    at_rail = injectors.flow_g_min * (injectors.rail_pressure_kpa / injectors.rated_pressure_kpa) ** 0.5
    return Revision(
        name="r01",
        date=datetime.date(2026, 5, 1),
        meter_curve=wrong_curve(rng, truth.meter, _most_flow_kg_h(truth.engine)),
        injectors=InjectorSettings(flow_g_min=round(at_rail * float(rng.uniform(0.97, 1.03)), 1)),
        dead_time=wrong_dead_time(rng, injectors),
        fuelling=Fuelling(stoich_afr=round(truth.stoich_afr, 2), rev_limit_rpm=6800.0),
    )


def _owners_sensor(truth: Truth, rng: np.random.Generator) -> LambdaSensor:
    sensor = truth.sensor
    return LambdaSensor(
        rail_low=sensor.rail_low,
        rail_high=sensor.rail_high,
        warm_up_s=30.0,
        delay_s=round(sensor.delay_s * float(rng.uniform(0.7, 1.4)), 3),
        delay_flow_s_kg_h=round(sensor.delay_flow_s_kg_h * float(rng.uniform(0.6, 1.5)), 2),
        lag_s=round(sensor.lag_s * float(rng.uniform(0.7, 1.4)), 3),
        second="none" if sensor.bank_2 is None else "other bank",
    )


def _owners_limits() -> Limits:
    return Limits(
        rev_limit_rpm=6800.0, top_speed_km_h=130.0, lambda_max_full_load=0.92, injector_duty_max_pct=85.0,
        knock_retard_max_deg=3.0, coolant_min_c=75.0, coolant_max_c=108.0, intake_air_max_c=60.0, battery_min_v=11.0,
        steady_lambda_error_max_pct=2.0, meter_change_max_pct=60.0, dead_time_change_max_ms=0.5,
    )  # fmt: skip


def owners_car(truth: Truth, rng: np.random.Generator) -> Car:
    """What the owner knows of the car: right where it can be looked up, near where it is measured."""
    injectors, vehicle = truth.injectors, truth.vehicle
    return Car(
        name=truth.name,
        engine=Engine(
            displacement_l=truth.engine.displacement_l,
            cylinders=truth.engine.cylinders,
            idle_target_rpm=truth.ecu.idle_target_rpm,
        ),
        meter=Meter(kind=truth.meter.kind, rail_low=truth.meter.rail_low, rail_high=truth.meter.rail_high),
        injectors=Injectors(
            count=injectors.count,
            injections_per_cycle=injectors.injections_per_cycle,
            rated_flow_g_min=round(injectors.flow_g_min * float(rng.uniform(0.98, 1.02)), 1),
            rated_pressure_kpa=injectors.rated_pressure_kpa,
            pressure="manifold-referenced" if injectors.is_manifold_referenced else "fixed",
            rail_pressure_kpa=injectors.rail_pressure_kpa,
            ecu_compensates_pressure=injectors.ecu_compensates_pressure,
        ),
        lambda_sensor=_owners_sensor(truth, rng),
        fuel=Fuel(name="petrol, 5 % ethanol", **_FUEL),
        limits=_owners_limits(),
        gearing=Gearing(ratios=list(vehicle.ratios), final_drive=vehicle.final_drive),
        tyres=Tyres(rolling_radius_m=vehicle.rolling_radius_m),
        vehicle=Vehicle(mass_kg=round(vehicle.mass_kg * 1.01), mass_uncertainty_kg=20.0, driven_axle="rear"),
        road_load=RoadLoad(
            drag_area_m2=round(vehicle.drag_area_m2, 2), rolling_coefficient=round(vehicle.rolling_coefficient, 4)
        ),
    )


def random_car(rng: np.random.Generator) -> tuple[Car, Truth, Revision]:
    """An invented car of 4 to 8 cylinders and 1.4 to 6 L: what its owner knows, what it is, what is in its ECU."""
    truth = random_truth(rng, f"car {int(rng.integers(1000, 9999))}")
    return owners_car(truth, rng), truth, first_revision(truth, rng)
