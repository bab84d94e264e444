"""Fuel cut and return to idle against the simulator's settings and hand-made returns."""

import numpy as np
import pandas as pd
import pytest
from driven_log import CAR, REVISION, driven, flagged
from finding_rules import assert_holds

from tunelab.simulate.demo.cars import TRUTH
from tunelab.simulate.schedule import idle, overrun, stop
from tunelab.study.fuel_cut import find_returns
from tunelab.study.fuel_cut_log import alike_ends, study_fuel_cut

TASKS = (idle(3.0), overrun(3, 3200.0, 1100.0), overrun(3, 3000.0, 1100.0), overrun(2, 3600.0, 1150.0), stop(8.0))


@pytest.mark.parametrize("rate_hz", [10.0, 25.0])
def test_cut_ends_where_the_ecu_ends_it(rate_hz):
    run = driven(*TASKS, rate_hz=rate_hz)
    study = study_fuel_cut(run.log, CAR, REVISION)
    for finding in study.findings(CAR):
        assert_holds(finding)
    assert study.exit_rpm.value == pytest.approx(TRUTH.ecu.cut_ends_rpm, abs=20)
    assert study.entry_rpm.value > TRUTH.ecu.cut_above_rpm
    true = run.drive.channels["fuel_mode"] == 3
    starts = run.drive.time[np.flatnonzero(np.diff(true.astype(int)) == 1)]
    long_ones = study.cuts[study.cuts["seconds"] > 2]
    assert len(long_ones) == 3
    for start in long_ones["start_s"]:
        assert np.min(np.abs(starts - start)) < 0.15


def test_a_log_without_mode_and_pulse_is_judged_by_lambda_alone():
    log = driven(*TASKS).log.drop_vars(["fuel_mode", "pulse_width_ms"])
    study = study_fuel_cut(log, CAR, REVISION)
    assert (study.cuts["seconds"] > 2).sum() == 3


def coming_home(undershoot: float, hang_s: float, seed: int = 1):
    """Engine speed that falls to 880 rpm after hanging, dips once, and settles."""
    rng = np.random.default_rng(seed)
    time = np.arange(0, 30, 0.04)
    speed = np.full(time.size, 2500.0)
    since = time - 5.0
    falling = since > 0
    speed[falling] = 880 + 1620 * np.exp(-since[falling] / 0.25)
    hang = falling & (since < hang_s)
    speed[hang] = np.maximum(speed[hang], 1150.0)
    dip = np.exp(-0.5 * ((since - hang_s - 1.2) / 0.25) ** 2)
    speed = speed - undershoot * dip + 3 * rng.normal(size=time.size)
    throttle = np.where(time < 5.0, 12.0, 0.0)
    return flagged(
        time, engine_speed_rpm=speed, throttle_pct=throttle, road_speed_km_h=np.zeros(time.size),
        coolant_c=np.full(time.size, 88.0), pulse_width_ms=np.full(time.size, 2.5),
    )  # fmt: skip


def test_undershoot_hang_and_settling_are_measured():
    row = find_returns(coming_home(200.0, 1.5), CAR).iloc[0]
    assert row["undershoot_rpm"] == pytest.approx(200.0, abs=15)
    assert row["hang_s"] == pytest.approx(1.5, abs=0.6)
    assert 2.5 < row["settling_s"] < 4.0
    calm = find_returns(coming_home(0.0, 0.0), CAR).iloc[0]
    assert calm["undershoot_rpm"] < 15
    assert calm["hang_s"] < 0.8
    assert calm["settling_s"] < 1.5


def hanging(hang_rpm: float, hang_s: float, *, rolls: bool, without: tuple[str, ...] = ()):
    """Third gear closes in on 1600 rpm, the clutch opens at 10 s, engine speed hangs, then falls to 880 rpm."""
    time = np.arange(0, 40, 0.04)
    since, rng = time - 10.0, np.random.default_rng(3)
    road = np.clip(40.0 - 6.0 * since, 0.0, 60.0) if rolls else np.zeros(time.size)
    in_gear = 40.0 * road if rolls else np.full(time.size, 1600.0)
    free = np.where(since < hang_s, hang_rpm, 880 + (hang_rpm - 880) * np.exp(-(since - hang_s) / 0.3))
    speed = np.where(since < 0, in_gear, free) + 3 * rng.normal(size=time.size)
    throttle = np.where(time < (4.0 if rolls else 10.0), 12.0, 0.0)
    log = flagged(
        time, engine_speed_rpm=speed, throttle_pct=throttle, road_speed_km_h=road,
        coolant_c=np.full(time.size, 88.0), pulse_width_ms=np.full(time.size, 2.5),
    )  # fmt: skip
    return log.drop_vars(list(without))


@pytest.mark.parametrize("rolls", [False, True])
@pytest.mark.parametrize("hang_rpm", [1150.0, 1350.0, 1600.0])
def test_a_hang_counts_from_where_the_engine_is_free_however_high(hang_rpm, rolls):
    row = find_returns(hanging(hang_rpm, 2.0, rolls=rolls), CAR).iloc[0]
    above_s = 2.0 + 0.3 * np.log((hang_rpm - 880) / 150)  # by construction
    assert row["hang_s"] == pytest.approx(above_s, abs=0.5)
    assert row["settling_s"] == pytest.approx(2.0 + 0.3 * np.log((hang_rpm - 880) / 50), abs=0.5)


def test_without_road_speed_a_return_begins_on_the_way_down():
    row = find_returns(hanging(1600.0, 2.0, rolls=False, without=("road_speed_km_h",)), CAR).iloc[0]
    assert row["settling_s"] < 1.5


def test_a_flare_after_a_start_is_no_return():
    time = np.arange(0, 40, 0.04)
    speed = np.where(time < 5.0, 0.0, 880 + 900 * np.exp(-np.maximum(time - 5.5, 0.0) / 1.5))
    speed[(time > 5.0) & (time < 5.4)] = 220.0
    still = np.zeros(time.size)
    log = flagged(time, engine_speed_rpm=speed, throttle_pct=still, road_speed_km_h=still, coolant_c=still + 88.0)
    assert find_returns(log, CAR).empty


def test_a_cut_that_an_unlogged_clutch_ended_says_nothing_of_the_ecus_speed():
    """Fuel stays off from 5 s until the clutch opens at 10 s, from where engine speed hangs."""
    log = hanging(1600.0, 2.0, rolls=True)
    cut = (log["time"] > 5.0) & (log["time"] < 10.0)
    study = study_fuel_cut(log.assign(pulse_width_ms=log["pulse_width_ms"].where(~cut, 0.0)), CAR, REVISION)
    assert study.cuts["ended_by"].tolist() == ["clutch"]
    assert not study.exit_rpm.shown


def overruns(end_rpm, *, foot_pct_s=0.0, clutch_rpm_s=0.0):
    """Twelve overruns in third at 250 rpm/s; fuel comes back at `end_rpm` each, where foot or clutch begin to move."""
    parts, time = [], np.arange(0, 12, 0.04)
    for out in end_rpm:
        road = 80.0 - 6.25 * np.clip(time - 3.0, 0.0, None)
        since = time - 3.0 - (80.0 * 40 - out) / 250.0
        speed = np.maximum(40.0 * road, 900.0) - np.clip(clutch_rpm_s * np.clip(since, 0.0, None), 0.0, 600.0)
        foot = np.where(time < 3.0, 15.0, foot_pct_s * np.clip(since, 0.0, None))
        parts.append(np.array([speed, road, foot, np.where((time > 3.2) & (since < 0), 0.0, 2.5)]))
    speed, road, foot, pulse = np.concatenate(parts, axis=1)
    rng = np.random.default_rng(4)
    return flagged(
        0.04 * np.arange(speed.size), engine_speed_rpm=speed + 3 * rng.normal(size=speed.size),
        road_speed_km_h=road + 0.1 * rng.normal(size=speed.size), pulse_width_ms=pulse,
        throttle_pct=foot + 0.1 * rng.normal(size=speed.size), coolant_c=np.full(speed.size, 88.0),
    )  # fmt: skip


EARLY = np.random.default_rng(6).uniform(1900, 2500, 12)


@pytest.mark.parametrize("moves", [{"foot_pct_s": 3.0}, {"clutch_rpm_s": 400.0}])
def test_where_foot_or_an_unlogged_clutch_ended_the_cuts_no_speed_is_shown(moves):
    """The ECU gives fuel back at the first touch, at 1900 to 2500 rpm; its own 1450 rpm is never reached."""
    study = study_fuel_cut(overruns(EARLY, **moves), CAR, REVISION)
    assert len(study.cuts) == 12
    assert not study.exit_rpm.shown
    out = next(f for f in study.findings(CAR) if f.id == "fuel_cut.exit")
    assert out.status == "not_shown"
    assert "the clutch is not logged" in out.because


def test_cuts_that_end_by_themselves_anywhere_show_no_speed():
    study = study_fuel_cut(overruns(EARLY), CAR, REVISION)
    assert not study.exit_rpm.shown
    assert "anywhere between" in study.exit_rpm.method


def test_the_ecus_own_end_is_found_without_a_logged_clutch():
    ends = 1450 + np.random.default_rng(8).normal(0, 8, 12)
    study = study_fuel_cut(overruns(ends), CAR, REVISION)
    assert study.exit_rpm.value == pytest.approx(1450, abs=15)
    assert study.exit_rpm.samples_used == 12


def test_fuel_comes_back_at_the_lowest_speed_it_stayed_off_to():
    """Two cuts to the speed at which the ECU ends them, three that an unseen clutch ended before."""
    ended = pd.DataFrame({"exit_rpm": [1268.0, 1430.0, 1425.0, 1266.0, 1441.0], "ended_by": "speed"})
    assert alike_ends(ended)["exit_rpm"].tolist() == [1268.0, 1266.0]


def test_without_events_or_channels_nothing_is_shown():
    still = coming_home(0.0, 0.0).sel(time=slice(15, None))
    for log in (still, still.drop_vars("throttle_pct")):
        study = study_fuel_cut(log, CAR, REVISION)
        assert len(study.cuts) == len(study.returns) == 0
        assert {f.status for f in study.findings(CAR)} == {"not_shown"}


@pytest.mark.parametrize("flow_kg_h", [10.0, 40.0])
def test_what_is_lean_after_a_cut_is_not_the_air_that_the_cut_pumped(flow_kg_h):
    """Fuel comes back at 20 s and is right at once but for 6 % at the wall; the sensor sees it a delay and a lag later.

    The delay is the car's own law, written out for a constant flow; the lag is one of first order.
    """
    sensor, time = CAR.lambda_sensor, np.arange(0, 40, 0.04)
    is_cut = (time >= 10.0) & (time < 20.0)
    delay = sensor.delay_s + sensor.delay_flow_s_kg_h / (flow_kg_h * (1 + 1 / 14.6))
    burnt = np.where((time - delay >= 10.0) & (time - delay < 20.0), sensor.rail_high, 1.0)
    since = time - delay - 20.0
    burnt = np.where((since >= 0) & (since < 2.0), 1.06, burnt)
    seen = np.ones(time.size)
    for row in range(1, time.size):
        seen[row] = seen[row - 1] + (burnt[row] - seen[row - 1]) * (1 - np.exp(-0.04 / sensor.lag_s))
    log = flagged(
        time, engine_speed_rpm=np.interp(time, [0, 10, 20, 21, 40], [3000, 3000, 1500, 1500, 1500]),
        throttle_pct=np.where((time >= 9.9) & (time < 21.0), 0.0, 12.0), road_speed_km_h=np.full(time.size, 40.0),
        coolant_c=np.full(time.size, 88.0), pulse_width_ms=np.where(is_cut, 0.0, 2.5), lambda_measured=seen,
        lambda_commanded=np.ones(time.size), air_flow_kg_h=np.full(time.size, flow_kg_h),
    )  # fmt: skip
    (row,) = study_fuel_cut(log, CAR, REVISION).cuts.itertuples()
    assert row.lean_pct == pytest.approx(6.0, abs=1.5)
