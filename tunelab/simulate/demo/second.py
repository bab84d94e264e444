"""The second demo car: a light single-seater without an air meter, whose ECU has a table over speed and pressure.

All of it invented. Its r01 is a first guess; r02 is what the kit proposed from the sweep of r01, typed in.
"""

from __future__ import annotations

import datetime
import tomllib
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from tunelab.simulate.demo.dialects import TABLED
from tunelab.simulate.demo.special import PIA, TRUTH
from tunelab.simulate.dialect import log_bytes, log_text
from tunelab.simulate.drive import drive
from tunelab.simulate.logger import Faults, Sampling, disturb, sample
from tunelab.simulate.schedule import Schedule, Task, idle
from tunelab.simulate.sweep import sweep_tasks
from tunelab.simulate.truth import Conditions
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

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
    day = Conditions(
        air_c=written.weather.air_c, pressure_kpa=written.weather.pressure_kpa,
        humidity_pct=written.weather.humidity_pct, wind_m_s=written.weather.wind_m_s or 0.0, coolant_c=86.0, oil_c=88.0,
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
