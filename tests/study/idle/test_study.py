"""Idle against logs with a known swing, error and margin, against the simulator, and without any idle."""

import numpy as np
import pytest
from driven_log import CAR, driven, flagged
from finding_rules import assert_holds

from tunelab.simulate.schedule import cruise, idle, off, start, stop
from tunelab.study.idle import OVERLAP_CAUTION, study_idle


def made(seed: int, *, error=12.0, swing=0.0, coolant=88.0, lean=1.0, seconds=60.0):
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, 0.05)
    speed = (
        CAR.engine.idle_target_rpm + error + 6.0 * rng.normal(size=time.size) + swing * np.sin(2 * np.pi * 0.7 * time)
    )
    return flagged(
        time, engine_speed_rpm=speed, throttle_pct=np.zeros(time.size), road_speed_km_h=np.zeros(time.size),
        coolant_c=np.full(time.size, coolant), lambda_measured=lean + 0.004 * rng.normal(size=time.size),
        lambda_commanded=np.ones(time.size), spark_deg=14.0 + 2.0 * rng.normal(size=time.size),
        idle_actuator_pct=25.0 + 0.5 * rng.normal(size=time.size), pulse_width_ms=np.full(time.size, 2.5),
    )  # fmt: skip


def test_error_spread_mixture_and_margin_are_what_they_were_made():
    inside = 0
    for seed in range(20):
        study = study_idle(made(seed), CAR)
        inside += study.speed_error.lower <= 12.0 <= study.speed_error.upper
        assert study.speed_spread.value == pytest.approx(6.0, rel=0.1)
        assert study.spark_spread.value == pytest.approx(2.0, rel=0.1)
        assert study.lambda_error.value == pytest.approx(0.0, abs=0.1)
        # the least of the blocks, a few tenths below their 5 % quantile of 25.0 - 1.645 * 0.5
        assert 25.0 - 1.645 * 0.5 - 0.8 < study.actuator_margin.value < 25.0 - 1.645 * 0.5 + 0.1
        assert study.actuator_margin.lower <= study.actuator_margin.value
    assert inside >= 16


def test_a_hunting_idle_is_held_against_the_limit():
    study = study_idle(made(1, swing=60.0), CAR)
    finding = next(f for f in study.findings(CAR) if f.id == "idle.hunting")
    assert finding.status == "watch"
    assert finding.value == pytest.approx(60.0, rel=0.1)
    assert study.worst_hunting.frequency_hz == pytest.approx(0.7, abs=study.worst_hunting.bin_hz)
    quiet = next(f for f in study_idle(made(1), CAR).findings(CAR) if f.id == "idle.hunting")
    assert quiet.status == "met"


def test_a_long_overlap_camshaft_that_reads_lean_is_not_judged():
    car = CAR.model_copy(update={"engine": CAR.engine.model_copy(update={"long_overlap_cam": True})})
    study = study_idle(made(1, lean=1.08), car)
    finding = next(f for f in study.findings(car) if f.id == "idle.lambda_error")
    assert finding.status == "not_shown"
    assert OVERLAP_CAUTION in finding.because
    plain = next(f for f in study_idle(made(1, lean=1.08), CAR).findings(CAR) if f.id == "idle.lambda_error")
    assert plain.status == "watch"


def test_a_cold_idle_is_shown_by_temperature_and_not_as_the_headline():
    study = study_idle(made(1, coolant=20.0), CAR)
    assert not study.shown
    assert "75 °C" in study.because
    assert list(study.bands["coolant"]) == ["below 40 °C"]
    assert study.bands["speed_error"].iloc[0] == pytest.approx(12.0, abs=2.0)


def test_without_idle_or_channels_nothing_is_shown():
    rolling = made(1)
    rolling["road_speed_km_h"] = rolling["road_speed_km_h"] + 50.0
    for log in (rolling, made(1).drop_vars(["throttle_pct", "throttle_pct_flag"])):
        study = study_idle(log, CAR)
        assert not study.shown
        assert {f.status for f in study.findings(CAR)} == {"not_shown"}


def test_limits_that_the_owner_has_not_stated_judge_nothing():
    limits = CAR.limits.model_copy(update={"idle_speed_error_max_rpm": None})
    study = study_idle(made(1), CAR)
    finding = study.findings(CAR.model_copy(update={"limits": limits}))[0]
    assert finding.status == "not_shown"
    assert "idle_speed_error_max_rpm in car.toml" in finding.because


@pytest.fixture(scope="module")
def morning():
    return driven(off(3.0), start(20.0), idle(15.0), idle(12.0, load_a=45.0), is_running=False, coolant_c=84.0)


def test_flare_and_load_step_of_the_simulator(morning):
    study = study_idle(morning.log, CAR)
    for finding in study.findings(CAR):
        assert_holds(finding)
    speed, time = morning.drive.channels["engine_speed_rpm"], morning.drive.time
    caught = time[np.argmax(speed > 500)]
    peak = speed[(time > caught) & (time < caught + 6)].max()
    assert len(study.flares) == 1
    assert study.flares["peak_rpm"].iloc[0] == pytest.approx(peak, abs=40)
    loads = study.load_steps[study.load_steps["battery_step_v"] < 0]
    began = time[np.argmax(morning.drive.true["task"] == 3)]
    assert len(loads) == 1
    assert loads["at_s"].iloc[0] == pytest.approx(began, abs=1.0)


@pytest.mark.parametrize("leaves_s", [2.5, 4.0, 20.0])
def test_what_follows_a_load_ends_with_the_idling(leaves_s):
    """A load comes on at 30 s and takes 60 rpm for a second; the driver opens the throttle `leaves_s` later."""
    time, rng = np.arange(0.0, 60.0, 0.05), np.random.default_rng(4)
    since = time - 30.0
    away = np.maximum(since - leaves_s, 0.0)
    speed = (
        880.0 - 60.0 * ((since > 0) & (since < 1.0)) + 500.0 * np.minimum(away, 3.0) + 4.0 * rng.normal(size=time.size)
    )
    log = flagged(
        time, engine_speed_rpm=speed, throttle_pct=np.where(away > 0, 15.0, 0.0), road_speed_km_h=20.0 * away,
        battery_v=14.0 - 0.5 * (since > 0) + 0.02 * rng.normal(size=time.size), coolant_c=np.full(time.size, 88.0),
        idle_actuator_pct=25.0 + 4.0 * (since > 0), pulse_width_ms=np.full(time.size, 2.5),
    )  # fmt: skip
    found = study_idle(log, CAR).load_steps.iloc[0]
    assert found["dip_rpm"] == pytest.approx(-60.0, abs=12.0)
    if leaves_s < 5.0:
        assert np.isnan(found["lasting_rpm"])
        assert np.isnan(found["actuator_step_pct"])
    else:
        assert found["lasting_rpm"] == pytest.approx(0.0, abs=10.0)
        assert found["actuator_step_pct"] == pytest.approx(4.0, abs=0.5)


def test_a_throttle_that_opens_leaves_the_flare_unjudged():
    log = driven(off(3.0), start(4.0), cruise(2, 25.0, 2.0), stop(3.0), is_running=False, coolant_c=84.0).log
    flares = study_idle(log, CAR).flares
    assert np.isnan(flares["flare_rpm"].iloc[0])
    assert flares["because"].iloc[0]
