"""The demo workspace: whole, small, and what its one command makes."""

import gzip
import hashlib
from pathlib import Path

import numpy as np
import pytest

from tunelab.simulate.demo import SUMS, demo_files, log_file_bytes, log_files, revisions, session_of, write_demo
from tunelab.simulate.demo.cars import PLACE, TRUTH, second_log
from tunelab.simulate.schedule import DAY, Points, read_lambda
from tunelab.workspace import open_workspace

DEMO = Path(__file__).parent.parent / "data_demo"
AGAIN = ("pulls-part.csv.gz", "starts-marit.csv")  # the two shortest drives; the rest by `pytest -m bench`


def content(data: bytes, name: str) -> bytes:
    """What is in a file: packed bytes differ between builds of zlib, what they hold does not."""
    return gzip.decompress(data) if name.endswith(".gz") else data


def test_workspace_is_valid_and_covers_every_step():
    workspace = open_workspace(DEMO)
    assert list(workspace.revisions) == ["r01", "r02", "r03"]
    steps = {step for folder in workspace.sessions.values() for step in folder.session.steps}
    assert steps == {"steady", "part-throttle", "full-throttle", "road", "coast-down", "launch", "link"}
    assert 8 <= len(workspace.sessions) <= 10
    assert len({folder.session.wiring for folder in workspace.sessions.values()}) == 2
    assert all(folder.files for folder in workspace.sessions.values())
    excluded = [one for folder in workspace.sessions.values() for one in folder.session.exclude]
    assert [bool(one.author and one.reason) for one in excluded] == [True]


def test_workspace_is_small_enough_for_git():
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) <= 8e6


def test_every_file_is_listed_and_unchanged():
    lines = (DEMO / SUMS).read_text(encoding="utf-8").splitlines()
    listed = {name: digest for digest, name in (line.split("  ") for line in lines)}
    present = {path.relative_to(DEMO).as_posix() for path in DEMO.rglob("*") if path.is_file()}
    shown = {name for name in present if not name.startswith("records/")}
    assert set(listed) | {SUMS} == shown
    assert set(listed) == {path.as_posix() for path in demo_files()}
    for name, digest in listed.items():
        assert hashlib.sha256((DEMO / name).read_bytes()).hexdigest() == digest, name


@pytest.mark.parametrize("name", AGAIN)
def test_a_log_is_made_again_byte_for_byte(name):
    file = next(file for file in log_files() if file.name == name)
    data = log_file_bytes(file, revisions()[session_of(file).revision])
    kept = (DEMO / "sessions" / file.session / file.name).read_bytes()
    assert content(data, name) == content(kept, name)


def test_the_second_cars_log_is_made_again_byte_for_byte():
    name = "2026-06-13-steady"
    kept = (DEMO / PLACE / "sessions" / name / "sweep.csv.gz").read_bytes()
    assert gzip.decompress(second_log(name)) == gzip.decompress(kept)


@pytest.mark.bench
def test_everything_is_made_again_byte_for_byte(tmp_path):
    write_demo(tmp_path)
    for path in demo_files():
        assert content((tmp_path / path).read_bytes(), path.name) == content((DEMO / path).read_bytes(), path.name)


def test_owners_files_do_not_give_the_truth_away():
    car, truth = open_workspace(DEMO).car, TRUTH
    told = (car.lambda_sensor.delay_s, car.lambda_sensor.lag_s, car.vehicle.mass_kg, car.road_load.drag_area_m2)
    true = (truth.sensor.delay_s, truth.sensor.lag_s, truth.vehicle.mass_kg, truth.vehicle.drag_area_m2)
    assert all(a != b for a, b in zip(told, true, strict=True))


def test_each_revision_is_nearer_and_none_is_right():
    speed, pressure = np.meshgrid([900.0, 1500.0, 2200.0, 3000.0, 4000.0], [32.0, 45.0, 60.0, 75.0])
    points = Points(speed, pressure, np.full(speed.shape, 13.6))
    known = open_workspace(DEMO).revisions
    away = [
        np.quantile(np.abs(read_lambda(TRUTH, known[name], points, DAY, with_pulsation=False) - 1.0), 0.95)
        for name in ("r01", "r02", "r03")
    ]
    assert away[0] > 0.10
    assert away[0] > 2.0 * away[1] > 4.0 * away[2]
    assert away[2] > 0.003


def test_revisions_keep_to_the_owners_caps():
    workspace = open_workspace(DEMO)
    limits, known = workspace.car.limits, workspace.revisions
    first, second = (np.array(known[name].meter_curve.flow_kg_h)[8:] for name in ("r01", "r02"))
    assert np.abs(second / first - 1.0).max() * 100.0 <= limits.meter_change_max_pct + 0.5
    dead = [np.array(known[name].dead_time.dead_time_ms) for name in ("r01", "r02")]
    assert np.abs(dead[1] - dead[0]).max() <= limits.dead_time_change_max_ms + 1e-9
