"""Gears, ratios and the speed sensor, from a plain vehicle whose gearing is known."""

from __future__ import annotations

import numpy as np
import pytest
import scipy
import xarray as xr
from plain_car import flagged, owners_car
from plain_vehicle import STEP_S, Logger, PlainVehicle, drive, out_and_back, write_down

from tunelab.log.align import at_rows
from tunelab.study.gear_trace import against_stated_gearing, check_speed, trace_gears
from tunelab.study.gearing import (
    RollingRadius,
    estimate_ratios,
    find_peaks,
    log_ratio,
    rolling_radius,
    speed_ratio,
)

CAR = PlainVehicle()


def through_the_gears() -> list[tuple]:
    phases = []
    for gear in (1, 2, 3, 4, 5):
        phases += [("hold", gear, 3000, 5.0), ("hold", gear, 4200, 4.0)]
        phases += [("pull", gear, 5500)] if gear < 4 else [("hold", gear, 3500, 3.0)]
        phases += [("lift", gear, 1.5), ("shift", min(gear + 1, 5), 0.5)]
    return phases


@pytest.mark.parametrize("seed", range(20))
def test_peaks_are_those_of_a_reference_library(seed):
    rng = np.random.default_rng(seed)
    values = scipy.ndimage.gaussian_filter1d(rng.exponential(1.0, 400) * (rng.random(400) < 0.2), rng.uniform(1, 4))
    values[: rng.integers(0, 60)] = 0.0
    for least, apart in ((0.02, 1), (0.05, 7), (0.15, 20)):
        expected, _ = scipy.signal.find_peaks(values, height=least, prominence=least, distance=apart)
        np.testing.assert_array_equal(find_peaks(values, least, apart), expected)


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


def test_ratios_of_a_log_of_pulls_hold_a_speed_that_is_dated_late():
    """Eight pulls in third, road speed 20 ms late: 0.2 % in ratio while the car gains a tenth of its speed a second."""
    log = write_down(drive(CAR, out_and_back(3, 2400, 5800, pairs=4)), Logger(), np.random.default_rng(4))
    speed = np.interp(log["time"] - 0.02, log["time"], log["road_speed_km_h"])
    (third,) = estimate_ratios(flagged(log.assign(road_speed_km_h=("time", speed)), owners_car(CAR))).gears
    wanted = CAR.overall(3) / (2 * np.pi * CAR.radius_m) * 1000 / 60
    assert third.lower < wanted < third.upper
    assert third.upper / third.lower < 1.02


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


def test_the_scale_against_gearing_holds_the_radius_own_doubt(truth):
    """Forty owners whose radius is off by a draw of the doubt that they state; the gears tell the speed to 0.02 %."""
    log = flagged(write_down(truth, Logger(), np.random.default_rng(5)), owners_car(CAR))
    trace, inside = speed_ratio(log), []
    for off in np.random.default_rng(11).normal(0, 0.012, 40):
        tyres = {"rolling_radius_m": CAR.radius_m * (1 + off), "rolling_radius_uncertainty_pct": 1.2}
        scale, _ = against_stated_gearing(trace, owners_car(CAR, tyres=tyres))
        inside.append(scale.lower <= 1.0 <= scale.upper)
        assert scale.upper / scale.lower < 1.055
    assert np.mean(inside) >= 0.85


@pytest.mark.parametrize(("tyres", "said"), [
    ({"rolling_radius_m": 0.302}, "0.5 %, assumed"),
    ({"size": "205/55R16"}, "1 %, assumed"),
    ({"rolling_radius_m": 0.302, "rolling_radius_uncertainty_pct": 0.8}, "0.8 %, stated in car.toml"),
])  # fmt: skip
def test_where_the_radius_doubt_comes_from_is_said(truth, tyres, said):
    log = flagged(write_down(truth, Logger(gps=False), np.random.default_rng(5)), owners_car(CAR))
    check = check_speed(log, owners_car(CAR, tyres=tyres))
    assert said in check.because
    assert check.against_gearing.lower < check.against_gearing.factor < check.against_gearing.upper


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
    with pytest.raises(ValueError, match="no gear can be found"):
        estimate_ratios(flagged(log, car))


def test_coasting_out_of_gear_makes_no_gear():
    truth = drive(CAR, [("hold", 5, 4000, 2.0), ("lift", 5, 1.0), ("coast", 40.0)])
    log = write_down(truth, Logger(), np.random.default_rng(8))
    found = estimate_ratios(flagged(log, owners_car(CAR)))
    assert len(found.gears) <= 1


ROLLING = [("hold", 5, 3600, 1.0), ("pull", 5, 4600), ("lift", 5, 1.0), ("coast", 30.0), ("turn",)] * 3


@pytest.fixture(scope="module")
def rolled():
    """Coast-downs along a road that falls by 0.8 %: uphill and down, the engine idling throughout."""
    truth = drive(CAR, ROLLING, grade=-0.008)
    log = write_down(truth, Logger(), np.random.default_rng(8)).drop_vars("clutch_pressed")
    return truth, flagged(log, owners_car(CAR))


def test_an_idling_engine_makes_no_gear_however_slowly_the_car_slows(rolled):
    fifth = CAR.ratios[4] * CAR.final_drive / (2 * np.pi * CAR.radius_m) * 1000 / 60
    found = estimate_ratios(rolled[1])
    assert [gear.rpm_per_km_h for gear in found.gears] == [pytest.approx(fifth, rel=0.01)]
    assert set(np.unique(trace_gears(rolled[1], owners_car(CAR)).gear)) == {0, 5}


def test_an_engine_that_settles_to_idle_while_the_car_coasts_makes_no_gear(settling):
    """It falls by a tenth while the car does by a twentieth: for some seconds their ratio hardly moves."""
    found = estimate_ratios(settling)
    assert not found.shown


@pytest.fixture(scope="module")
def settling():
    """Six coasts from 92 km/h; engine speed comes down to 880 rpm within some seconds."""
    time, rng = np.arange(0.0, 20.0, 0.04), np.random.default_rng(12)
    speed = np.tile(92.0 - 1.1 * time, 6)
    rpm = np.tile(880.0 + 130.0 * np.exp(-time / 2.5), 6) + rng.normal(0, 8, speed.size)
    channels = {"engine_speed_rpm": ("time", rpm), "road_speed_km_h": ("time", speed + rng.normal(0, 0.15, speed.size))}
    log = xr.Dataset(channels, coords={"time": 0.04 * np.arange(speed.size)})
    return flagged(log, owners_car(CAR))


def test_a_ratio_held_at_one_speed_alone_is_no_gear():
    """Downhill at 60 km/h for a minute with the engine at 900 rpm: held, but by the hill."""
    time = np.arange(0.0, 60.0, 0.04)
    noise = np.random.default_rng(9).normal(size=(2, time.size))
    log = xr.Dataset(
        {"engine_speed_rpm": ("time", 900 + 8 * noise[0]), "road_speed_km_h": ("time", 60 + 0.15 * noise[1])},
        coords={"time": time},
    )
    found = estimate_ratios(flagged(log, owners_car(CAR)))
    assert not found.shown
    assert "engine and road moved together" in found.because


def test_braking_to_a_stand_with_the_clutch_out_makes_no_first_gear_in_a_log_of_one_row_a_second():
    """Stops from 40 km/h at 0.5 to 1.6 m/s² with the engine at idle, and pulling away in second in between."""
    speed = np.concatenate([
        np.r_[np.zeros(5), np.arange(0, 40, 2.5), np.arange(40, 0, -3.6 * rate)]
        for rate in (0.5, 0.7, 0.9, 1.1, 1.3, 1.6) * 2
    ])  # fmt: skip
    second = CAR.overall(2) * 1000 / 60 / (2 * np.pi * CAR.radius_m)
    speeds_up = np.diff(speed, append=0.0) > 0
    rpm = np.where(speeds_up, np.maximum(second * speed, 850.0), 850.0)
    rpm = rpm + np.random.default_rng(2).normal(0, 15, rpm.size)
    time = np.arange(speed.size, dtype=float)
    log = xr.Dataset({"engine_speed_rpm": ("time", rpm), "road_speed_km_h": ("time", speed)}, coords={"time": time})
    found = estimate_ratios(flagged(log, owners_car(CAR)))
    assert [gear.rpm_per_km_h for gear in found.gears] == [pytest.approx(second, rel=0.02)]


def test_no_gear_is_named_while_a_clutch_that_is_not_logged_is_out():
    phases = [("hold", 1, 3000, 1.0), ("pull", 1, 5500, 70.0)]
    phases += [phase for g in (2, 3, 4) for phase in (("lift", g - 1, 1.0), ("shift", g, 0.8), ("pull", g, 4800, 70.0))]
    truth = drive(CAR, phases * 2)
    log = flagged(write_down(truth, Logger(), np.random.default_rng(1)).drop_vars("clutch_pressed"), owners_car(CAR))
    named, true = trace_gears(log, owners_car(CAR)).gear, gear_in(truth, log)
    assert np.mean(named[true == 0] > 0) < 0.1  # 0.7 while any ratio near a gear's counted
    assert np.mean(named[true > 0] == true[true > 0]) > 0.98


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


def test_a_channel_that_is_not_logged_has_no_reading_at_any_row_and_a_wrong_name_is_an_error():
    log = xr.Dataset(coords={"time": np.arange(0, 2, 0.1)})
    assert np.isnan(at_rows(log, "battery_v")).all()
    with pytest.raises(KeyError):
        at_rows(log, "batery_v")
