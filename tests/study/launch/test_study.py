"""Launches of the simulator against its truth; holds that did not engage or let go late; logs without any."""

from types import SimpleNamespace

import numpy as np
import pytest
from driven_log import CAR, driven
from true_launch import known_launches, true_held

from tunelab.record.manners import launch_verdict
from tunelab.simulate.demo.cars import MARIT, PIA
from tunelab.simulate.schedule import cruise, idle, launches, stop
from tunelab.study.launch import find_launches, study_launches
from tunelab.study.launch.measure import measure
from tunelab.study.launch.result import QUANTITIES
from tunelab.study.statistics import DriverContrast

REPEATS = 3


def starts(driver, seed):
    tasks = launches(driver, np.random.default_rng(seed), repeats=REPEATS, until_km_h=60.0)
    return driven(*tasks, driver=driver, seed=seed, rate_hz=20.0)


@pytest.fixture(scope="module")
def two_drivers():
    return {"Marit": starts(MARIT, 3), "Pia": starts(PIA, 4)}


@pytest.fixture(scope="module")
def study(two_drivers):
    return study_launches(
        two_drivers["Marit"].log, CAR, driver="Marit", distance_m=20.0, others=[(two_drivers["Pia"].log, "Pia")]
    )


def test_every_launch_is_found_and_held_speed_is_the_true_one(two_drivers):
    for name, run in two_drivers.items():
        found = study_launches(run.log, CAR, driver=name, distance_m=20.0)
        assert len(found.own) == REPEATS
        time, true = run.drive.time, run.drive.channels
        for launch in found.own:
            assert launch.held_rpm == pytest.approx(true_held(run.drive, launch), abs=10.0)
            let_go = time[(true["launch_active"] > 0.5) & (time < launch.release_s + 1.0)][-1]
            assert launch.release_s == pytest.approx(let_go, abs=0.15)
            assert launch.moves_s == pytest.approx(let_go, abs=0.15)


def test_distance_and_slip_come_from_the_ground(two_drivers, study):
    run = two_drivers["Marit"]
    time, ground, wheels = run.drive.time, run.drive.true["ground_speed_m_s"], run.drive.true["wheel_speed_m_s"]
    for launch in study.own:
        after = time >= launch.moves_s
        covered = np.cumsum(ground[after]) * 0.01
        truth = time[after][np.argmax(covered >= 20.0)] - launch.moves_s
        assert launch.time_to_distance_s == pytest.approx(truth, abs=0.12)
        early = after & (time < launch.moves_s + 4.0) & (wheels * 3.6 > 12.0)
        assert launch.slip_peak_pct == pytest.approx(100 * np.max(1 - ground[early] / wheels[early]), abs=12.0)


@pytest.mark.parametrize("without", [(), ("gps_speed_km_h",), ("acceleration_m_s2",)])
def test_a_time_interval_holds_the_truth_whatever_the_ground_speed_comes_from(without):
    """Two invented cars; tests/bench holds 24."""
    found = [known for seed in (1, 3) for known in known_launches(seed, MARIT, without=without, rate_hz=20.0)]
    assert len(found) == 6
    for known in found:
        assert known.launch.held_rpm == pytest.approx(known.held_rpm, abs=10.0)
        assert known.launch.time_lower_s <= known.time_to_distance_s <= known.launch.time_upper_s
    assert sum(known.slip_is_covered for known in found) >= 5


def test_drivers_are_compared(study):
    assert study.effects["time to the distance"].counts == (REPEATS, REPEATS)
    finding = next(f for f in study.findings(CAR) if f.id == "launch.drivers")
    assert finding.value == pytest.approx(study.contrasts[0].difference)
    assert "no difference shown" in finding.because or "differ by" in finding.because


def test_what_the_day_may_have_done_is_said(two_drivers):
    again, pia = starts(MARIT, 5).log.assign_attrs(session="another day"), two_drivers["Pia"].log
    others = [(pia.assign_attrs(session="hers"), "Pia"), (again, "Marit")]
    found = study_launches(two_drivers["Marit"].log, CAR, driver="Marit", distance_m=20.0, others=others)
    assert [c.repeats for c in found.sessions] == [(REPEATS, REPEATS)]
    said = next(f for f in found.findings(CAR) if f.id == "launch.drivers").because
    assert "surface, tyres and day count as the driver" in said
    assert "essions of one driver" in said


def test_what_held_speed_is_measured_from_can_be_told_from_the_findings(study):
    found = {f.id: f for f in study.findings(CAR)}
    assert found["launch.held"].value - found["launch.held_speed"].value == pytest.approx(CAR.limits.launch_hold_rpm)
    assert found["launch.held"].word == "measured"


def test_holds_that_let_go_in_time_are_met(study):
    finding = next(f for f in study.findings(CAR) if f.id == "launch.zero_speed")
    assert finding.status == "met"


def test_a_hold_that_lets_go_late_is_named(two_drivers):
    log = two_drivers["Marit"].log
    active = log["launch_active"].to_numpy().copy()
    second = study_launches(log, CAR, driver="", distance_m=20.0).own[1]
    late = (log["time"].to_numpy() > second.release_s - 1.0) & (log["time"].to_numpy() < second.moves_s + 0.6)
    active[late] = 1.0
    found = study_launches(log.assign(launch_active=("time", active)), CAR, driver="", distance_m=20.0)
    assert found.late == (2,)
    finding = next(f for f in found.findings(CAR) if f.id == "launch.zero_speed")
    assert finding.status == "watch"
    assert "launch 2 let go late" in finding.because


def test_a_hold_that_did_not_engage_is_named(two_drivers):
    log = two_drivers["Marit"].log
    never = log.assign(launch_active=("time", np.zeros(log.sizes["time"])))
    found = study_launches(never, CAR, driver="", distance_m=20.0)
    assert found.not_engaged == (1, 2, 3)
    finding = next(f for f in found.findings(CAR) if f.id == "launch.zero_speed")
    assert finding.status == "watch"
    assert "did not engage" in finding.because


def without_state(log, cut_rows=None):
    """The log as an ECU leaves it that logs no state of its launch hold; the fuel is cut where it is said."""
    mode = np.where(cut_rows, 3.0, 2.0) if cut_rows is not None else np.full(log.sizes["time"], 2.0)
    spark = np.full(log.sizes["time"], 22.0)
    found = log.drop_vars(["launch_active", "launch_active_flag", "pulse_width_ms"], errors="ignore")
    return found.assign(fuel_mode=("time", mode), spark_deg=("time", spark))


def test_a_hold_by_cut_sparks_is_a_hold(two_drivers):
    """No channel tells a spark cut: a speed that stands still under wide open throttle does."""
    log = two_drivers["Marit"].log
    first = starts_of(log)[0]
    rows = (log["time"].to_numpy() > first.hold_start_s) & (log["time"].to_numpy() < first.release_s)
    throttle = np.where(rows, 70.0, log["throttle_pct"].to_numpy())
    wide = without_state(log).assign(throttle_pct=("time", throttle))
    found = study_launches(wide, CAR, driver="", distance_m=20.0)
    assert found.own[0].engaged is True
    light = without_state(log).assign(throttle_pct=("time", np.where(rows, 18.0, throttle)))
    assert study_launches(light, CAR, driver="", distance_m=20.0).own[0].engaged is False


def test_the_fuel_cut_of_a_lifted_foot_is_no_late_hold(two_drivers):
    log = two_drivers["Marit"].log
    first, time = starts_of(log)[0], log["time"].to_numpy()
    held = (time > first.hold_start_s) & (time < first.release_s)
    lifted = (time > first.moves_s + 0.8) & (time < first.moves_s + 1.4)
    throttle = np.where(lifted, 1.0, np.maximum(log["throttle_pct"].to_numpy(), 60.0))
    speed = np.where(lifted, 3000.0, log["engine_speed_rpm"].to_numpy())
    road = np.where(lifted, 20.0, log["road_speed_km_h"].to_numpy())
    columns = {"throttle_pct": throttle, "engine_speed_rpm": speed, "road_speed_km_h": road}
    bare = without_state(log, held | lifted).assign({name: ("time", v) for name, v in columns.items()})
    span = find_launches(log, CAR)[0][0]
    own = measure(bare, CAR, span, driver="", distance_m=20.0)
    assert own.let_go_s < 0.3
    pressed = bare.assign(throttle_pct=("time", np.full(time.size, 60.0)))
    assert measure(pressed, CAR, span, driver="", distance_m=20.0).let_go_s > 0.8


def test_a_hold_that_did_not_engage_is_not_averaged_into_the_held_speed(two_drivers):
    log, (first, second, third) = two_drivers["Marit"].log, starts_of(two_drivers["Marit"].log)
    time = log["time"].to_numpy()
    around = (time > second.hold_start_s - 0.5) & (time < second.moves_s + 0.5)
    speed = log["engine_speed_rpm"].to_numpy() + np.where(around, 600.0, 0.0)  # held by foot, well above
    active = np.where(around, 0.0, log["launch_active"].to_numpy())
    found = study_launches(
        log.assign(launch_active=("time", active), engine_speed_rpm=("time", speed)), CAR, driver="", distance_m=20.0
    )
    assert found.not_engaged == (2,)
    assert found.held.value == pytest.approx((first.held_rpm + third.held_rpm) / 2, abs=1.0)
    assert (found.held.samples_used, found.held.samples_flagged) == (2, 1)
    assert "1 of 3 did not engage and are left out" in found.held.method


def starts_of(log):
    return study_launches(log, CAR, driver="", distance_m=20.0).own


def test_slip_says_that_it_is_no_momentary_peak(study):
    """The mean over 0.2 s is covered, the peak of a moment is not: nothing may read as if it were that."""
    found = {f.id: f for f in study.findings(CAR)}["launch.slip"]
    assert "mean over 0.2 s" in found.title
    assert "for a moment" in found.because
    named = [*study.summary().index, *found.title.split(","), *(words for _, words, _ in QUANTITIES)]
    assert not [words for words in named if "peak" in words.lower()]


def test_without_the_ground_slip_is_not_shown(two_drivers):
    log = two_drivers["Marit"].log.drop_vars(["acceleration_m_s2", "gps_speed_km_h"])
    found = study_launches(log, CAR, driver="", distance_m=20.0)
    assert len(found.own) == REPEATS
    assert np.isnan(found.own[0].slip_peak_pct)
    findings = {f.id: f for f in found.findings(CAR)}
    assert findings["launch.slip"].status == "not_shown"
    assert findings["launch.time"].status == "not_shown"  # slipping wheels would reach any distance too soon
    assert "driven wheels run ahead" in findings["launch.time"].because


def test_an_ordinary_take_off_is_no_launch(two_drivers):
    log = driven(idle(5.0), cruise(2, 30.0, 4.0), stop(3.0)).log
    spans, because = find_launches(log, CAR)
    assert spans == ()
    assert "no start from rest" in because
    others = [(run.log, name) for name, run in two_drivers.items()]
    findings = study_launches(log, CAR, driver="", distance_m=20.0, others=others).findings(CAR)
    assert {f.status for f in findings} == {"not_shown"}


def contrasted(**differences):
    """Two drivers' times and held speeds as given: difference, lower, upper."""
    names = {"time": "time to the distance", "held": "held speed"}
    return tuple(
        DriverContrast(names[name], "s", "Pia", "Marit", *ends, (6, 6), "") for name, ends in differences.items()
    )


@pytest.mark.parametrize(
    ("differences", "said"),
    [
        ({"time": (0.15, 0.08, 0.22), "held": (41.0, -1.0, 82.0)},
         "Pia is 0.15 s slower to 50 m than Marit (0.08 to 0.22); no other difference is shown. "),
        ({"time": (-0.15, -0.22, -0.08), "held": (41.0, 1.0, 82.0)},
         "Marit is 0.15 s slower to 50 m than Pia (0.08 to 0.22); they differ in held speed too. "),
        ({"time": (0.03, -0.08, 0.14)},
         "Pia and Marit are not shown to differ to 50 m: +0.03 s (−0.08 to +0.14); no other difference is shown. "),
        ({}, ""),
    ],
)  # fmt: skip
def test_a_page_about_launches_answers_both_of_its_questions_first(differences, said):
    own = [SimpleNamespace(time_to_distance_s=value) for value in (5.06, 5.11, float("nan"))]
    study = SimpleNamespace(own=own, distance_m=50.0, contrasts=contrasted(**differences))
    assert launch_verdict(study) == f"{said}The 2 launches of this session lie within 0.05 s to 50 m."
    assert launch_verdict(SimpleNamespace(own=own[:1], distance_m=50.0, contrasts=())) == ""
