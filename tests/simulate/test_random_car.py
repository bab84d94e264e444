"""Invented cars: whole, varied, and wrong by as much as they are said to be."""

import tomllib

import numpy as np
import pytest

from tunelab.simulate import random_car
from tunelab.simulate.engine import dead_time_change_ms, meter_factor
from tunelab.simulate.random_car import curve_departure
from tunelab.simulate.schedule import DAY, Points, overall_constant, read_lambda, true_lambda
from tunelab.workspace.revision import DeadTime, MeterCurve
from tunelab.workspace.write import write_revision

SEEDS = range(24)


def car_of(seed):
    return random_car(np.random.default_rng(seed))


@pytest.mark.parametrize("seed", SEEDS)
def test_car_is_whole(seed):
    car, truth, revision = car_of(seed)
    assert 4 <= car.engine.cylinders <= 8
    assert 1.4 <= car.engine.displacement_l <= 6.0
    assert (np.diff(revision.meter_curve.reading) > 0).all()
    assert (np.diff(revision.meter_curve.flow_kg_h) > 0).all()
    assert car.meter.kind == truth.meter.kind
    assert getattr(revision.meter_curve, car.meter.channel) is not None


@pytest.mark.parametrize("seed", SEEDS[:6])
def test_revision_is_one_that_an_owner_could_keep(seed, tmp_path):
    revision = car_of(seed)[2]
    write_revision(tmp_path / "r01.toml", revision, {})  # reads it back and refuses what does not agree
    assert tomllib.loads((tmp_path / "r01.toml").read_text(encoding="utf-8"))["name"] == "r01"


def test_same_seed_same_car():
    assert car_of(11) == car_of(11)
    assert car_of(11) != car_of(12)


def test_cars_are_varied():
    cars = [car_of(seed) for seed in SEEDS]
    assert {car.engine.cylinders for car, _, _ in cars} == {4, 6, 8}
    assert {truth.meter.kind for _, truth, _ in cars} == {"voltage", "frequency", "counts"}
    assert {truth.ecu.loop for _, truth, _ in cars} == {"open", "switching", "wide-band"}
    assert {car.injectors.injections_per_cycle for car, _, _ in cars} == {1, 2}
    assert any(car.lambda_sensor.second == "other bank" for car, _, _ in cars)
    delays = [truth.sensor.delay_s for _, truth, _ in cars]
    assert max(delays) > 2.0 * min(delays)


def test_dead_time_errors_are_within_what_is_said():
    level = np.array([dead_time_change_ms(t.injectors, r, 13.5) for _, t, r in map(car_of, SEEDS)])
    assert (np.abs(level) > 0.045).all()
    assert (np.abs(level) < 0.205).all()
    assert (level > 0).any()
    assert (level < 0).any()


def test_curve_errors_are_within_what_is_said():
    place = np.linspace(0.0, 1.0, 200)
    errors = np.array([curve_departure(np.random.default_rng(seed), place) for seed in SEEDS])
    most = np.abs(errors).max(axis=1)
    assert (most > 0.05).all()
    assert (most < 0.33).all()
    assert np.abs(np.diff(errors, axis=1)).max() < 0.03  # smooth: no jump between neighbours


def test_right_curve_and_right_dead_time_read_lambda_one():
    """The truth that is given for scoring closes the loop: with it entered, the sensor reads what was commanded."""
    _, truth, revision = car_of(3)
    reading = np.linspace(1.02 * revision.meter_curve.reading[0], revision.meter_curve.reading[-1], 400)
    flow = meter_factor(truth.meter, revision, reading) * np.interp(
        reading, revision.meter_curve.reading, revision.meter_curve.flow_kg_h
    )
    key = {"voltage": "meter_v", "frequency": "meter_hz", "counts": "meter_counts"}[truth.meter.kind]
    curve = MeterCurve(**{"flow_kg_h": (flow / overall_constant(truth, revision)).tolist(), key: reading.tolist()})
    battery = np.linspace(10.0, 15.0, 60)
    was = np.interp(battery, revision.dead_time.battery_v, revision.dead_time.dead_time_ms)
    dead = was + dead_time_change_ms(truth.injectors, revision, battery)
    right = revision.model_copy(
        update={"meter_curve": curve, "dead_time": DeadTime(battery_v=battery.tolist(), dead_time_ms=dead.tolist())}
    )
    points = Points(np.array([900.0, 2000.0, 4000.0]), np.array([35.0, 60.0, 80.0]), np.array([11.2, 12.9, 14.1]))
    if truth.injectors.is_manifold_referenced or truth.injectors.ecu_compensates_pressure:
        np.testing.assert_allclose(read_lambda(truth, right, points, DAY, with_pulsation=False), 1.0, atol=2e-3)
    off = np.abs(read_lambda(truth, revision, points, DAY, with_pulsation=False) - 1.0)
    assert off.max() > 0.03


def test_true_lambda_keeps_shape_and_nan():
    _, truth, revision = car_of(1)
    points = Points(np.array([[2000.0, np.nan]]), np.array([[50.0, 50.0]]), np.array([[13.8, 13.8]]))
    out = true_lambda(truth, revision, points, DAY, with_pulsation=True)
    assert out.shape == (1, 2)
    assert np.isfinite(out[0, 0])
    assert np.isnan(out[0, 1])
