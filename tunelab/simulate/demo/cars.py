"""The demo cars as they really are, and how their loggers write: plain trade words, none of them any real logger's.

All of it invented. The second car's ECU has a table over speed and pressure; its r01 is a first guess, and r02 is
what the kit proposed from the sweep of r01, typed in.
"""

from __future__ import annotations

import csv
import datetime
import tomllib
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from tunelab.physics.fuel import stoich_afr
from tunelab.simulate import drive
from tunelab.simulate.logger import Column, Dialect, Faults, Link, Sampling, disturb, log_bytes, log_text, sample
from tunelab.simulate.schedule import Driver, Schedule, Task, idle, sweep_tasks
from tunelab.simulate.truth import (
    Conditions,
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
from tunelab.workspace.car import Car, stated
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session


def _loggers() -> Iterator[Dialect]:
    """How each logger writes, from the two files beside this module."""
    beside = Path(__file__).parent
    settings = tomllib.loads((beside / "loggers.toml").read_text(encoding="utf-8"))
    rows = list(csv.DictReader((beside / "loggers.csv").read_text(encoding="utf-8").splitlines()))
    for name, own in settings.items():
        columns = (
            Column(row["channel"], row["heading"], row["unit"], int(row["digits"]))
            for row in rows
            if row["logger"] == name
        )
        given = settings["plain"] | own
        yield Dialect(tuple(columns), **given | {"preamble": tuple(given["preamble"])})


PLAIN, CHATTY, FOREIGN, TABBED, PIPED, TABLED = _loggers()


TRUTH = Truth(
    name="Hill-climb special",
    engine=EngineTruth(
        displacement_l=2.99, cylinders=6, compression=10.2, ve_peak=0.94, ve_speed_rpm=4400.0, ve_fall=0.24,
        ve_ripple=0.015, ve_ripple_rpm=1900.0, throttle_bore_mm=64.0, manifold_volume_l=5.2, idle_bore_mm=12.5,
        indicated_efficiency=0.365, friction_bar=(0.72, 0.12, 0.018), inertia_kg_m2=0.19, overlap_lean=0.0,
        knock_limit_deg=21.5,
    ),
    meter=MeterTruth(
        kind="voltage", zero=0.36, slope=(4.72**2 - 0.36) / 800.0**0.6, exponent=0.6, root=0.5, rail_low=0.02,
        rail_high=4.98, lag_s=0.016, noise=0.008, noise_time_s=0.06, pulsation_peak=0.24, pulsation_load=0.86,
        pulsation_width=0.045, pulsation_speed_rpm=1800.0, pulsation_noise=0.15,
    ),
    injectors=InjectorTruth(
        count=6, injections_per_cycle=1, flow_g_min=322.0, rated_pressure_kpa=300.0, rail_pressure_kpa=300.0,
        is_manifold_referenced=True, ecu_compensates_pressure=False, dead_time_ms=0.98, dead_time_power=1.55,
        pressure_drop_kpa=9.0,
    ),
    film=FilmTruth(share=0.24, tau_s=0.28, share_cold=0.35, tau_cold=1.6),
    sensor=SensorTruth(
        delay_s=0.062, delay_flow_s_kg_h=4.1, lag_s=0.095, noise=0.004, gain=1.0, rail_low=0.65, rail_high=1.8,
        warm_up_s=16.0, bank_2=None,
    ),
    ecu=EcuTruth(
        loop="switching", trim_rate_pct_s=4.0, trim_step_pct=1.4, trim_limit_pct=25.0, learn_rate_per_s=0.008,
        lambda_full_load=0.87, full_load_from=0.68, idle_target_rpm=880.0, cut_above_rpm=1700.0, cut_ends_rpm=1300.0,
        enrichment_gain=0.08, enrichment_decay_s=0.3, launch_rpm=4200.0, spark_full_load_deg=17.5,
        spark_part_load_deg=21.0,
    ),
    vehicle=VehicleTruth(
        mass_kg=968.0, ratios=(3.42, 2.12, 1.48, 1.13, 0.89), final_drive=3.91, rolling_radius_m=0.297,
        wheel_inertia_kg_m2=3.1, drag_area_m2=0.63, rolling_coefficient=0.0138, driveline_efficiency=0.925,
        driven_weight_share=0.55, tyre_grip=1.12, slip_at_grip=0.08, clutch_nm=430.0, speed_reading=1.012,
    ),
    supply=SupplyTruth(
        charging_v=14.2, battery_v=12.6, alternator_a=72.0, base_a=14.0, wiring_ohm=0.012, ripple_v=0.03
    ),
    stoich_afr=float(stoich_afr(1.89, 0.0166)), heating_mj_kg=42.4,
)  # fmt: skip

MARIT = Driver(
    "Marit Oldskar", wobble_pct=1.2, shift_s=0.42, take_off_s=1.5, launch_release_s=0.45, launch_throttle_pct=20.0,
    spread=0.1,
)  # fmt: skip
PIA = Driver(
    "Pia Lundrek", wobble_pct=1.8, shift_s=0.55, take_off_s=1.8, launch_release_s=0.7, launch_throttle_pct=26.0,
    spread=0.35,
)  # fmt: skip

LOOSE_LOOM = Link(per_hour_idle=8.0, per_hour_running=60.0, per_hour_shaken=20.0, chance_crank=0.9, gap_s=(2.0, 9.0))
BOUND_LOOM = Link(per_hour_idle=0.3, per_hour_running=1.5, per_hour_shaken=0.8, chance_crank=0.1, gap_s=(1.5, 4.0))

PLACE = "table_car"  # its folder within the demo
OWNER = Path(__file__).parent / "owner" / PLACE  # what the owner wrote by hand
LONGEST_S = 480.0
SWEEPS = {
    "2026-06-06-steady": ("sweep.csv.gz", datetime.datetime(2026, 6, 6, 18, 5, 10)),
    "2026-06-13-steady": ("sweep.csv.gz", datetime.datetime(2026, 6, 13, 18, 20, 44)),
}
SECOND = replace(
    TRUTH,
    name="Light single-seater",
    engine=replace(
        TRUTH.engine, displacement_l=1.79, cylinders=4, ve_peak=0.9, ve_speed_rpm=4900.0, ve_fall=0.3, ve_ripple=0.03,
        ve_ripple_rpm=2300.0, throttle_bore_mm=52.0, manifold_volume_l=3.1, idle_bore_mm=10.5, inertia_kg_m2=0.13,
    ),
    injectors=replace(TRUTH.injectors, count=4, flow_g_min=236.0, dead_time_ms=0.86, dead_time_power=1.4),
    ecu=replace(TRUTH.ecu, idle_target_rpm=920.0, learn_rate_per_s=0.004),
    vehicle=replace(TRUTH.vehicle, mass_kg=640.0, ratios=(3.1, 2.0, 1.42, 1.1, 0.87), final_drive=4.1),
    sensor=replace(TRUTH.sensor, delay_s=0.05, delay_flow_s_kg_h=2.9, lag_s=0.085),
)  # fmt: skip
_SAMPLING = Sampling(rate_hz=20.0, jitter=0.04, poll_s=0.0, slow_hz={"coolant_c": 1.0, "intake_air_c": 1.0})
_FAULTS = Faults(
    gaps=((143.0, 4.2),), restarts_at_zero=False, spikes_per_min={"lambda_measured": 0.4, "manifold_kpa": 0.3},
    frozen=(), words={},
)  # fmt: skip


def second_car() -> Car:
    """What its owner knows of it."""
    return Car.model_validate(tomllib.loads((OWNER / "car.toml").read_text(encoding="utf-8")))


def second_files() -> list[Path]:
    """Every file of its workspace, relative to the demo."""
    kept = [path.relative_to(OWNER) for path in OWNER.rglob("*.toml") if path.parent.name != "sessions"]
    sessions = [Path("sessions") / name / file for name, (log, _) in SWEEPS.items() for file in ("session.toml", log)]
    return sorted(Path(PLACE) / path for path in (*kept, *sessions))


def write_second(out: Path) -> None:
    """Write its workspace into the demo's folder, the same bytes every time."""
    root = out / PLACE
    (root / "revisions").mkdir(parents=True, exist_ok=True)
    (root / "car.toml").write_bytes((OWNER / "car.toml").read_bytes())
    for path in sorted((OWNER / "revisions").glob("*.toml")):
        (root / "revisions" / path.name).write_bytes(path.read_bytes())
    for name, (log, _) in SWEEPS.items():
        folder = root / "sessions" / name
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "session.toml").write_bytes((OWNER / "sessions" / f"{name}.toml").read_bytes())
        (folder / log).write_bytes(second_log(name))


def second_log(name: str) -> bytes:
    """Drive and record one of its sweeps; the random draws hang on the session's name alone."""
    written = Session(**tomllib.loads((OWNER / "sessions" / f"{name}.toml").read_text(encoding="utf-8")))
    text = (OWNER / "revisions" / f"{written.revision}.toml").read_text(encoding="utf-8")
    rng = np.random.default_rng(zlib.crc32(f"{PLACE}/{name}".encode()))
    weather = stated(written.weather, "[weather] in session.toml")
    day = Conditions(
        air_c=weather.air_c, pressure_kpa=weather.pressure_kpa,
        humidity_pct=weather.humidity_pct, wind_m_s=weather.wind_m_s or 0.0, coolant_c=86.0, oil_c=88.0,
        is_running=True, latitude_deg=44.52, longitude_deg=-30.41, altitude_m=146.0,
    )  # fmt: skip
    schedule = Schedule(name, PIA, day, _tasks(day), LONGEST_S)
    driven = drive(SECOND, Revision(**tomllib.loads(text)), schedule, rng=rng, car=second_car())
    clean = sample(driven, tuple(column.channel for column in TABLED.columns), _SAMPLING, rng)
    lines = log_text(disturb(clean, _FAULTS, rng), TABLED, SWEEPS[name][1], 14.7)
    return log_bytes(lines, TABLED, is_cut_off=False, is_packed=True)


def _tasks(day: Conditions) -> tuple[Task, ...]:
    """Holds over two grids that lie between one another, with idling around them."""
    first = sweep_tasks(SECOND, day, (1500.0, 2300.0, 3100.0, 4000.0), (0.36, 0.5, 0.64, 0.78), 8.0)
    second = sweep_tasks(SECOND, day, (1900.0, 2700.0, 3500.0, 4500.0), (0.43, 0.57, 0.71), 8.0)
    return (idle(15.0), *first, idle(15.0, load_a=60.0), *second, idle(15.0))
