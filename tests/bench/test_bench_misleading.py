"""Drives that mislead, asked as the steady notebook asks: what comes of each. `pytest -m bench -s`."""

import datetime
import json
from pathlib import Path

import pytest
from misleading_drives import KINDS, Kind, answer, drive_of

from tunelab.cli import main

CARS = (0, 5, 7)  # one in open loop, two in closed loop
HEAD = f"\n{'kind':44s} car  p95 before  entered  predicted          dead time, true          comes of it; who spoke"


@pytest.mark.bench
@pytest.mark.parametrize("name", KINDS)
def test_bench_misleading(name):
    """Every kind is caught, or held by an interval, or rests on one assumption that the page names with its test."""
    missed = []
    print(HEAD)
    for seed in CARS:
        found = answer(KINDS[name], seed)
        predicted, dead, comes = found.proposal.predicted, found.fit.dead_time, found.comes_of(KINDS[name])
        told = f"{1000 * dead.level_ms:+.0f} ({1000 * dead.lower_ms:+.0f} to {1000 * dead.upper_ms:+.0f})"
        spoke = ", ".join(f"{key} {status}" for key, status in found.speaking.items())
        print(
            f"{name:44s} {seed:3d} {found.before_pct:8.2f} {found.after_pct:10.2f}    "
            f"{predicted.p95_pct:5.2f} ({predicted.lower_pct:.2f} to {predicted.upper_pct:.2f})  "
            f"{told if dead.shown else 'not shown':20s} {1000 * found.true_dead_time_ms:+5.0f} µs  "
            f"{comes or 'MISSED'}; {spoke}",
            flush=True,
        )
        missed += [] if comes else [seed]
    assert not missed


def toml_of(tables: dict, name: str = "") -> str:
    """Write nested tables of plain values as TOML."""
    plain = [f"{key} = {value_of(value)}" for key, value in tables.items() if not isinstance(value, dict)]
    inner = [toml_of(value, f"{name}.{key}".strip(".")) for key, value in tables.items() if isinstance(value, dict)]
    return "\n".join([f"[{name}]"] * bool(name and plain) + plain + [""] + inner)


def value_of(value) -> str:
    return value.isoformat() if isinstance(value, datetime.date) else json.dumps(value)


def write_workspace(root: Path, kind: Kind, seed: int) -> Path:
    """A workspace as an owner keeps it, with the log as the logger wrote it; gives the session's folder."""
    car, stated, log = drive_of(kind, seed, minutes=8)
    session = root / "sessions" / "2026-05-03-steady"
    session.mkdir(parents=True)
    (root / "revisions").mkdir()
    dumped = {"car.toml": car, "revisions/r01.toml": stated}
    for name, model in dumped.items():
        tables = model.model_dump(exclude_none=True, exclude_defaults=True)
        (root / name).write_text(toml_of(tables), encoding="utf-8")
    told = {"date": stated.date, "steps": ["steady"], "revision": "r01", "files": ["log.csv"]}
    (session / "session.toml").write_text(toml_of(told), encoding="utf-8")
    names = {"engine_speed_rpm": "Engine speed (rpm)", "meter_v": "Air meter (V)", "battery_v": "Battery (V)"}
    names |= {"pulse_width_ms": "Pulse width (ms)", "lambda_measured": "Lambda", "air_flow_kg_h": "Airflow (kg/h)"}
    names |= {"lambda_commanded": "Commanded lambda", "trim_short_pct": "Short-term trim (%)"}
    table = log[list(names)].to_dataframe().rename(columns=names)
    table.index.name = "Time (s)"
    table.round(4).to_csv(session / "log.csv")
    return session


@pytest.mark.bench
@pytest.mark.parametrize("name", ["lambda ground follows battery, 2.5 %/V", "regulator off the manifold"])
def test_bench_misleading_record(name, tmp_path):
    """The same through the command: what the record's own results say."""
    session = write_workspace(tmp_path / "car", KINDS[name], 0)
    assert main(["record", str(session), "--notebook", "steady"]) == 0
    found = json.loads((tmp_path / "car" / "records" / session.name / "results.json").read_text(encoding="utf-8"))
    said = {item["id"]: item for item in found["findings"]}
    print(f"\n{name}: " + ", ".join(f"{key} {said[key]['status']}" for key in KINDS[name].caught_by))
    assert all(said[key]["status"] in ("watch", "stop") for key in KINDS[name].caught_by)
    assert said["steady.dead_time"]["status"] == "not_shown"
