import numpy as np
import pytest
from model_contract import assert_keeps_contract
from published import assert_agrees, entries, matching

from tunelab.physics import driveline
from tunelab.physics.driveline import RoadLoadCurve
from tunelab.units import convert

CURVE = RoadLoadCurve(150.0, 2.0, 0.42)
PER_KM_H_SQUARED = 3.6**2  # N/(km/h)² to N/(m/s)²


def _motorcycle(given):
    return RoadLoadCurve(given["A_N"], 0.0, given["C_N_per_kmh2"] * PER_KM_H_SQUARED)


@pytest.mark.parametrize("entry", matching("r_moto_F65"))
def test_road_load_matches_published_table(entry):
    assert_agrees(driveline.road_load(convert(65, "km/h", "m/s"), _motorcycle(entry["inputs"])), entry)


def test_road_load_in_customary_units_matches_published_values():
    force, power = entries()["r_force_50mph"], entries()["r_power_50mph"]
    given = force["inputs"]
    per_mph = float(convert(1, "lbf", "N") / convert(1, "mph", "m/s"))
    curve = RoadLoadCurve(
        float(convert(given["A_lbf"], "lbf", "N")),
        given["B_lbf_mph"] * per_mph,
        given["C_lbf_mph2"] * per_mph / float(convert(1, "mph", "m/s")),
    )
    speed = convert(given["v_mph"], "mph", "m/s")
    load_n = driveline.road_load(speed, curve)
    assert_agrees(convert(load_n, "N", "lbf"), force)
    assert_agrees(convert(load_n * speed, "W", "hp"), power)
    assert_agrees(convert(entries()["r_units_A"]["inputs"]["A_lbf"], "lbf", "N"), entries()["r_units_A"])
    assert_agrees(0.1 * per_mph, entries()["r_units_B"])


def test_curve_from_drag_turns_round():
    curve = driveline.curve_from_drag(0.66, 0.013, mass_kg=1180.0, density_kg_m3=1.17)
    np.testing.assert_allclose(2 * curve.c_n_s2_m2 / 1.17, 0.66, rtol=1e-12)
    np.testing.assert_allclose(curve.a_n / (1180.0 * 9.80665), 0.013, rtol=1e-12)
    assert curve.b_n_s_m == 0.0


# Dynamic pressure of the reference density of 40 CFR 1066.310, 1.17 kg/m³, at 20 m/s is 234 Pa.
def test_curve_from_drag_is_dynamic_pressure_times_area():
    curve = driveline.curve_from_drag(0.5, 0.0, mass_kg=1000.0, density_kg_m3=entries()["r_rho_ref"]["expected"])
    np.testing.assert_allclose(driveline.road_load(20.0, curve), 0.5 * 234.0, rtol=1e-12)


def test_curve_from_drag_passes_nan():
    assert np.isnan(driveline.curve_from_drag(np.nan, 0.01, mass_kg=1000.0, density_kg_m3=1.2).c_n_s2_m2)


@pytest.mark.parametrize(
    ("model", "arguments"),
    [
        (lambda v: driveline.road_load(v, CURVE), (20.0,)),
    ],
)
def test_models_keep_the_contract(model, arguments):
    assert_keeps_contract(model, *arguments)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: driveline.road_load([3, -1], CURVE), "speed_m_s: 1 of 2"),
        (lambda: driveline.curve_from_drag(-1, 0.01, mass_kg=1, density_kg_m3=1), "drag_area_m2"),
        (lambda: driveline.curve_from_drag(1, -0.01, mass_kg=1, density_kg_m3=1), "rolling_coefficient"),
        (lambda: driveline.curve_from_drag(1, 0.01, mass_kg=0, density_kg_m3=1), "mass_kg"),
        (lambda: driveline.curve_from_drag(1, 0.01, mass_kg=1, density_kg_m3=0), "density_kg_m3"),
    ],
)
def test_models_say_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()


# The time to roll from 70 to 60 km/h is the mass times the integral of one over the force.
@pytest.mark.parametrize("entry", matching("r_moto_t_"))
def test_road_load_slows_a_motorcycle_in_the_published_time(entry):
    speed = np.linspace(*convert([60.0, 70.0], "km/h", "m/s"), 201)
    slowing = driveline.road_load(speed, _motorcycle(entry["inputs"])) / entry["inputs"]["m_kg"]
    assert_agrees(np.trapezoid(1 / slowing, speed), entry)
