"""Gears, ratios and the speed sensor, from a plain vehicle whose gearing is known."""

from __future__ import annotations

import numpy as np
import pytest
from plain_car import flagged, owners_car
from plain_vehicle import STEP_S, Logger, PlainVehicle, drive, write_down

from tunelab.study.gearing import check_speed, estimate_ratios, log_ratio, rolling_radius, trace_gears
from tunelab.study.gearing.tyre import RollingRadius

CAR = PlainVehicle()


def through_the_gears() -> list[tuple]:
    phases = []
    for gear in (1, 2, 3, 4, 5):
        phases += [("hold", gear, 3000, 5.0), ("hold", gear, 4200, 4.0)]
        phases += [("pull", gear, 5500)] if gear < 4 else [("hold", gear, 3500, 3.0)]
        phases += [("lift", gear, 1.5), ("shift", min(gear + 1, 5), 0.5)]
    return phases


@pytest.fixture(scope="module")
def truth():
    return drive(CAR, through_the_gears())


def gear_in(truth, log) -> np.ndarray:
    pick = np.minimum((log["time"].values / STEP_S).astype(int), truth.array("gear").size - 1)
    return truth.array("gear")[pick]


@pytest.mark.parametrize("logger", [
    Logger(),
    Logger(speed_scale=1.08),
    Logger(speed_scale=0.93, gps=False),
    Logger(rate_hz=5.0, speed_step_km_h=1.0, rpm_noise=25.0),
])  # fmt: skip
def test_gears_are_right_on_99_percent_of_steady_samples(truth, logger):
    log = write_down(truth, logger, np.random.default_rng(3))
    trace = trace_gears(flagged(log, owners_car(CAR)), owners_car(CAR))
    assert trace.steady.mean() > 0.5
    assert np.mean(trace.gear[trace.steady] == gear_in(truth, log)[trace.steady]) >= 0.99


def test_ratios_of_an_unknown_gearbox_lie_inside_their_intervals(truth):
    log = write_down(truth, Logger(), np.random.default_rng(4))
    found = estimate_ratios(flagged(log, owners_car(CAR)))
    # rpm per km/h from the definition of the ratios, without slip: 1000/60 turns a minute, circumference 2 pi r.
    wanted = [r * CAR.final_drive / (2 * np.pi * CAR.radius_m) * 1000 / 60 for r in CAR.ratios]
    assert len(found.gears) == 5
    for gear, value in zip(found.gears, wanted, strict=True):
        assert gear.lower * 0.9985 < value < gear.upper * 1.0015
        assert gear.upper / gear.lower < 1.005
    assert found.samples_used + found.samples_flagged == log.sizes["time"]
    overall = found.overall(RollingRadius(CAR.radius_m, 0.005 * CAR.radius_m, "measured"))
    true = np.array(CAR.ratios) * CAR.final_drive
    np.testing.assert_allclose(overall["overall ratio"], true, rtol=0.004)
    assert ((overall["lower"] < true) & (true < overall["upper"])).all()


def test_ratios_need_no_car_file(truth):
    log = write_down(truth, Logger(), np.random.default_rng(4))
    bare = owners_car(CAR, gearing=None, tyres=None)
    trace = trace_gears(flagged(log, bare), bare)
    assert np.mean(trace.gear[trace.steady] == gear_in(truth, log)[trace.steady]) >= 0.99
    assert "the log itself" in trace.source


@pytest.mark.parametrize("scale", [1.0, 1.07, 0.93])
def test_the_speed_sensors_scale_is_found_against_gearing_and_gps(truth, scale):
    log = write_down(truth, Logger(speed_scale=scale), np.random.default_rng(5))
    check = check_speed(flagged(log, owners_car(CAR)), owners_car(CAR))
    assert check.against_gearing.factor == pytest.approx(1 / scale, abs=0.001)
    # The driven wheels turn faster than the car by the slip of steady driving, some 0.3 %.
    assert check.against_gps.factor == pytest.approx(1 / scale, rel=0.005)
    assert check.proposed_factor == pytest.approx(1 / scale, rel=0.005)
    assert check.gears_seen == (1, 2, 3, 4, 5)


def test_a_wrong_rolling_radius_shows_against_gps(truth):
    log = write_down(truth, Logger(), np.random.default_rng(6))
    car = owners_car(CAR, tyres={"rolling_radius_m": CAR.radius_m * 1.03})
    check = check_speed(flagged(log, car), car)
    assert check.rolling_radius.factor == pytest.approx(1 / 1.03, rel=0.005)


def test_a_log_without_road_speed_is_refused_by_name(truth):
    log = write_down(truth, Logger(gps=False), np.random.default_rng(7)).drop_vars("road_speed_km_h")
    car = owners_car(CAR)
    with pytest.raises(ValueError, match="road_speed_km_h or gps_speed_km_h"):
        trace_gears(flagged(log, car), car)
    with pytest.raises(ValueError, match="no gear can be told"):
        estimate_ratios(flagged(log, car))


def test_coasting_out_of_gear_makes_no_gear():
    truth = drive(CAR, [("hold", 5, 4000, 2.0), ("lift", 5, 1.0), ("coast", 40.0)])
    log = write_down(truth, Logger(), np.random.default_rng(8))
    found = estimate_ratios(flagged(log, owners_car(CAR)))
    assert len(found.gears) <= 1


def test_log_ratio_gives_nan_for_nan_and_standstill():
    ratio = log_ratio(np.array([3000.0, np.nan, 3000.0, 0.0]), np.array([50.0, 50.0, 0.0, 50.0]))
    assert ratio[0] == pytest.approx(np.log(60.0))
    assert np.isnan(ratio[1:]).all()


def test_rolling_radius_from_a_size_code():
    # ETRTO size-code arithmetic: 205/55R16 is 631.9 mm across; less 3 % for the load (common practice, no source).
    car = owners_car(CAR, tyres={"size": "205/55R16"})
    assert rolling_radius(car).radius_m == pytest.approx(0.97 * 0.6319 / 2, abs=1e-4)
    with pytest.raises(ValueError, match=r"\[tyres\]"):
        rolling_radius(owners_car(CAR, tyres=None))
