"""Parts of a drive against what the simulated driver was asked to do."""

import numpy as np
import pytest
from driven_log import CAR, REVISION, driven, flagged

from tunelab.simulate.schedule import cruise, idle, off, overrun, start, stop, tip_in
from tunelab.study.delay import estimate_delay
from tunelab.study.fuel_cut_log import study_fuel_cut
from tunelab.study.idle import study_idle
from tunelab.study.launch import find_launches
from tunelab.study.road import KINDS, name_drive

TASKS = (
    off(3.0), start(15.0), idle(6.0), cruise(2, 30.0, 8.0), stop(5.0), cruise(3, 50.0, 8.0), tip_in(3, 2200.0, 35.0),
    overrun(3, 3200.0, 1150.0), stop(8.0), off(35.0), start(15.0),
)  # fmt: skip


@pytest.fixture(scope="module")
def run():
    return driven(*TASKS, is_running=False, coolant_c=84.0, oil_c=80.0)


@pytest.fixture(scope="module")
def drive(run):
    return name_drive(run.log, CAR, REVISION)


def task_span(run, number):
    inside = run.drive.time[run.drive.true["task"] == number]
    return inside[0], inside[-1]


@pytest.mark.parametrize(
    ("kind", "task"),
    [
        ("idle", 2),
        ("take-off", 3),
        ("cruise", 3),
        ("stop", 4),
        ("cruise", 5),
        ("tip-in", 6),
        ("fuel cut", 7),
        ("stop", 8),
    ],
)
def test_each_part_is_found_where_it_was_driven(run, drive, kind, task):
    begin, end = task_span(run, task)
    own = drive.segments[drive.segments["kind"] == kind]
    assert ((own["start_s"] < end) & (own["end_s"] > begin)).any()


STAGES = ((3, 45.0), (4, 70.0), (2, 35.0), (4, 60.0), (3, 50.0), (4, 65.0))


@pytest.fixture(scope="module")
def errand():
    """Six cruises of six seconds, each reached through the gears, with an overrun or a stop after each; no tip-in."""
    tasks = [idle(3.0)]
    for k, (gear, km_h) in enumerate(STAGES):
        tasks += [cruise(gear, km_h, 6.0), overrun(gear, 3400.0, 1900.0) if k % 2 else stop(4.0)]
    return driven(*tasks).log


@pytest.mark.parametrize("without", [(), ("clutch_pressed", "gear")])
def test_a_foot_that_takes_up_the_clutch_is_no_tip_in(errand, without):
    """The three overruns are each begun with a tip-in from the cruise; the other openings follow a change of gear."""
    kinds = name_drive(errand.drop_vars(list(without)), CAR, REVISION).segments["kind"]
    assert 3 <= (kinds == "tip-in").sum() <= 4
    assert (kinds == "gear change").sum() >= 8


@pytest.mark.parametrize(("noise_km_h", "noise_pct"), [(0.0, 0.0), (0.5, 0.7)])
def test_cruises_of_six_seconds_are_found_whole(errand, noise_km_h, noise_pct):
    rng = np.random.default_rng(3)
    noisy = {
        name: errand[name] + spread * rng.normal(size=errand.sizes["time"])
        for name, spread in (("road_speed_km_h", noise_km_h), ("throttle_pct", noise_pct))
    }
    found = name_drive(errand.assign(noisy), CAR, REVISION).segments
    own = found[found["kind"] == "cruise"]
    assert len(own) >= 5
    assert own["seconds"].median() > 4.5


@pytest.mark.parametrize("tips", [False, True])
def test_a_log_whose_throttle_never_shuts_still_cruises(tips):
    """Three minutes in third at 60 km/h; the lowest throttle is the cruise's own."""
    time = np.arange(0.0, 180.0, 0.05)
    throttle = 14.0 + 0.3 * np.sin(time / 9.0) + 20.0 * (tips & (time % 45.0 < 2.0))
    log = flagged(
        time, engine_speed_rpm=2400.0 + 10.0 * np.sin(time / 9.0), throttle_pct=throttle,
        road_speed_km_h=60.0 + 0.25 * np.sin(time / 9.0), pulse_width_ms=np.full(time.size, 4.0),
    )  # fmt: skip
    drive = name_drive(log, CAR, REVISION)
    own = drive.segments[drive.segments["kind"] == "cruise"]
    assert own["seconds"].sum() > 150.0


def test_a_start_after_a_hot_stand_is_a_hot_restart(run, drive):
    restart = drive.segments[drive.segments["kind"] == "hot restart"]
    assert len(restart) == 2  # the log itself begins hot, after a stand of unknown length
    assert task_span(run, 10)[0] < restart["start_s"].iloc[-1] < task_span(run, 10)[1]


def test_what_was_not_driven_says_so(drive):
    assert "warm-up" in drive.missing
    assert "none was driven" in drive.missing["warm-up"]
    assert list(drive.summary().index) == list(KINDS)


def test_parts_whose_channel_is_absent_name_it(run):
    drive = name_drive(run.log.drop_vars(["road_speed_km_h", "coolant_c"]), CAR, REVISION)
    assert "no road_speed_km_h" in drive.missing["take-off"]
    assert "no coolant_c" in drive.missing["warm-up"]


def test_a_cold_start_warms_up():
    cold = driven(off(2.0), start(14.0), idle(8.0), is_running=False, coolant_c=11.0, oil_c=11.0)
    kinds = set(name_drive(cold.log, CAR, REVISION).segments["kind"])
    assert {"start", "warm-up", "idle"} <= kinds
    assert "hot restart" not in kinds


def test_a_log_too_coarse_or_too_short_names_no_launch_and_breaks_nothing(run):
    """A row a second makes every take-off look like a launch from a raised engine speed."""
    coarse = run.log.isel(time=slice(None, None, 25))
    spans, because = find_launches(coarse, CAR)
    assert spans == ()
    assert "too coarse" in because
    one = run.log.isel(time=slice(0, 1))
    assert name_drive(one, CAR, REVISION).segments.empty
    assert not study_idle(one, CAR).shown
    assert {f.status for f in study_fuel_cut(one, CAR, REVISION).findings(CAR)} == {"not_shown"}
    standing = driven(off(6.0), is_running=False).log
    assert not estimate_delay(standing, CAR, REVISION).shown
