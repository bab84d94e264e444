import numpy as np
import pytest
from model_contract import assert_keeps_contract
from published import assert_agrees, entries

from tunelab.physics import driveline
from tunelab.units import convert


def test_tyre_circumference_matches_size_code():
    entry = entries()["r_tyre_205_55_16"]
    assert_agrees(driveline.tyre_circumference("205/55R16"), entry)
    diameter = entries()["r_tyre_205_dia"]
    assert_agrees(convert(2 * driveline.tyre_radius("205/55R16"), "m", "mm"), diameter)


@pytest.mark.parametrize(
    "text", ["205/55 R16", "205/55ZR16 91V", "P205/55R16", "205/55r16", "205/55-16", " 205/55R16C "]
)
def test_tyre_circumference_reads_the_ways_a_size_is_written(text):
    np.testing.assert_allclose(driveline.tyre_circumference(text), driveline.tyre_circumference("205/55R16"))


# Common practice, no source: a size without a profile has about 82 %.
def test_tyre_circumference_takes_a_full_profile_where_none_is_stated():
    assert driveline.tyre_circumference("165R13") == driveline.tyre_circumference("165/82R13")


@pytest.mark.parametrize("text", ["", "205/55", "31x10.5R15", "wide", "205/55R1", "999/55R16", "205/55R99", "20/55R16"])
def test_tyre_circumference_refuses_what_it_does_not_understand(text):
    with pytest.raises(ValueError, match=r"205|16"):
        driveline.tyre_circumference(text)


# The narrowest and smallest, widest and largest that are taken; geometry by hand.
def test_tyre_circumference_takes_the_ends_of_its_range_and_nothing_beyond():
    np.testing.assert_allclose(driveline.tyre_circumference("105/70R10") / np.pi, 0.254 + 2 * 0.105 * 0.70)
    np.testing.assert_allclose(driveline.tyre_circumference("455/40R26") / np.pi, 0.6604 + 2 * 0.455 * 0.40)
    for text in ("104/70R10", "456/40R20", "205/55R8", "205/55R27"):
        with pytest.raises(ValueError, match=r"205|16"):
            driveline.tyre_circumference(text)


@pytest.mark.parametrize("name", ["u_torque_power_kw2", "u_torque_power_kw3"])
def test_power_from_torque_matches_published_example(name):
    entry = entries()[name]
    assert_agrees(driveline.power_from_torque(entry["inputs"]["Nm"], entry["inputs"]["rpm"]), entry)


def test_torque_and_power_meet_at_their_constant():
    entry = entries()["u_kw_const_9549"]
    assert_agrees(driveline.torque_from_power(1.0, 1.0), entry)
    np.testing.assert_allclose(driveline.power_from_torque(driveline.torque_from_power(82.0, 4100.0), 4100.0), 82.0)


# 1.90 × 4.10 on 205/55R16 at 6500 rpm gives 61.8 mph: worked example printed with the check values (geometry).
def test_road_speed_matches_worked_example():
    speed = driveline.road_speed_km_h(6500.0, 1.90 * 4.10, driveline.tyre_radius("205/55R16"))
    np.testing.assert_allclose(convert(speed, "km/h", "mph"), 61.8, atol=0.1)


def test_engine_speed_and_ratio_turn_road_speed_round():
    engine_speed_rpm = np.array([900.0, 2500.0, 6400.0])
    speed = driveline.road_speed_km_h(engine_speed_rpm, 5.5, 0.31)
    np.testing.assert_allclose(driveline.engine_speed_rpm(speed, 5.5, 0.31), engine_speed_rpm, rtol=1e-12)
    np.testing.assert_allclose(driveline.overall_ratio(engine_speed_rpm, speed, 0.31), 5.5, rtol=1e-12)


def test_overall_ratio_is_shown_however_slowly_the_car_rolls():
    speed = driveline.road_speed_km_h(8.0, 12.0, 0.31)
    np.testing.assert_allclose(driveline.overall_ratio(8.0, speed, 0.31), 12.0, rtol=1e-12)


def test_overall_ratio_is_not_shown_at_standstill():
    np.testing.assert_array_equal(driveline.overall_ratio([850.0, 850.0], [0.0, np.nan], 0.31), [np.nan, np.nan])


# Kinetic energy, counted part by part: car, wheels turning at v / r, crankshaft at ratio × v / r.
def test_effective_mass_holds_the_kinetic_energy_of_all_parts():
    speed, radius, ratio = 14.0, 0.31, 7.8
    wheel_rad_s = speed / radius
    joule = 0.5 * 1150 * speed**2 + 0.5 * 4.2 * wheel_rad_s**2 + 0.5 * 0.19 * (ratio * wheel_rad_s) ** 2
    mass = driveline.effective_mass(1150.0, 4.2, 0.19, ratio, radius)
    np.testing.assert_allclose(0.5 * mass * speed**2, joule, rtol=1e-12)


@pytest.mark.parametrize(
    ("model", "arguments"),
    [
        (driveline.road_speed_km_h, (3000.0, 5.5, 0.31)),
        (driveline.engine_speed_rpm, (80.0, 5.5, 0.31)),
        (driveline.overall_ratio, (3000.0, 80.0, 0.31)),
        (driveline.power_from_torque, (150.0, 3000.0)),
        (driveline.torque_from_power, (60.0, 3000.0)),
        (driveline.effective_mass, (1150.0, 4.2, 0.19, 7.8, 0.31)),
    ],
)
def test_models_keep_the_contract(model, arguments):
    assert_keeps_contract(model, *arguments)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: driveline.road_speed_km_h(-1, 5, 0.3), "engine_speed_rpm"),
        (lambda: driveline.road_speed_km_h(1, 0, 0.3), "overall_ratio"),
        (lambda: driveline.road_speed_km_h(1, 5, 0), "rolling_radius_m"),
        (lambda: driveline.engine_speed_rpm(-1, 5, 0.3), "road_speed_km_h"),
        (lambda: driveline.engine_speed_rpm(1, 0, 0.3), "overall_ratio"),
        (lambda: driveline.engine_speed_rpm(1, 5, 0), "rolling_radius_m"),
        (lambda: driveline.overall_ratio(-1, 5, 0.3), "engine_speed_rpm"),
        (lambda: driveline.overall_ratio(1, -5, 0.3), "road_speed_km_h"),
        (lambda: driveline.overall_ratio(1, 5, 0), "rolling_radius_m"),
        (lambda: driveline.power_from_torque(1, -1), "speed_rpm"),
        (lambda: driveline.torque_from_power(1, 0), "speed_rpm"),
        (lambda: driveline.effective_mass(0, 1, 1, 1, 1), "mass_kg"),
        (lambda: driveline.effective_mass(1, -1, 1, 1, 1), "wheel_inertia_kg_m2"),
        (lambda: driveline.effective_mass(1, 1, -1, 1, 1), "engine_inertia_kg_m2"),
        (lambda: driveline.effective_mass(1, 1, 1, 0, 1), "overall_ratio"),
        (lambda: driveline.effective_mass(1, 1, 1, 1, 0), "rolling_radius_m"),
    ],
)
def test_models_say_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()
