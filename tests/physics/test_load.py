import numpy as np
import pytest
from model_contract import assert_keeps_contract
from published import assert_agrees, entries, matching

from tunelab.physics import DRY_AIR_G_MOL, load
from tunelab.units import convert


@pytest.mark.parametrize("entry", matching("l_absload"))
def test_absolute_load_matches_definition(entry):
    given = entry["inputs"]
    flow_kg_h = convert(given["maf_g_s"], "g/s", "kg/h")
    assert_agrees(load.absolute_load(flow_kg_h, given["rpm"], displacement_l=given["displacement_L"]), entry)


@pytest.mark.parametrize("entry", matching("a_ve_"))
def test_volumetric_efficiency_matches_definition(entry):
    given = entry["inputs"]
    flow_kg_h = convert(given["maf_g_s"], "g/s", "kg/h")
    got = load.volumetric_efficiency(
        flow_kg_h, given["rpm"], given["rho_kg_m3"], displacement_l=given["displacement_L"]
    )
    assert_agrees(got, entry)


# The entry takes 287.05 J/(kg K), ours is 287.048.
def test_speed_density_flow_matches_ideal_gas():
    entry = entries()["a_speed_density"]
    given = entry["inputs"]
    swept_l = given["VE"] * given["displacement_L"]
    flow = load.speed_density_flow(given["map_kPa"], convert(given["T_K"], "K", "C"), given["rpm"], swept_l)
    assert_agrees(convert(flow, "kg/h", "g/s"), entry | {"abs_tol": 5e-4})


# 40 CFR 1065.602 (l)(1): molar flow of a four-stroke engine from its volumetric efficiency.
def test_speed_density_flow_matches_published_molar_flow():
    entry = entries()["a_cfr_nexh"]
    given = entry["inputs"]
    flow = load.speed_density_flow(
        convert(given["p_Pa"], "Pa", "kPa"),
        convert(given["T_K"], "K", "C"),
        convert(given["n_rev_s"], "rev/s", "rpm"),
        given["VE"] * convert(given["V_m3"], "m3", "L"),
    )
    assert_agrees(convert(flow, "kg/h", "g/s") / DRY_AIR_G_MOL, entry)


def test_fuel_per_cylinder_matches_computed_value():
    entry = entries()["i_fuel_from_maf"]
    given = entry["inputs"]
    air_mg = load.air_per_cylinder(convert(given["maf_g_s"], "g/s", "kg/h"), given["rpm"], cylinders=given["n"])
    assert_agrees(load.fuel_per_cylinder(air_mg, given["lambda"], given["afr"]), entry)


def test_air_flow_turns_air_per_cylinder_round():
    flow = np.array([12.0, 90.0, 480.0])
    air_mg = load.air_per_cylinder(flow, [800.0, 2200.0, 6100.0], cylinders=6)
    np.testing.assert_allclose(load.air_flow(air_mg, [800.0, 2200.0, 6100.0], cylinders=6), flow, rtol=1e-12)


# 120 / rpm seconds (definition of the four-stroke cycle).
def test_cycle_time_matches_definition():
    np.testing.assert_allclose(load.cycle_time_ms([600.0, 6000.0]), [200.0, 20.0], rtol=1e-12)


# A cylinder of 86 mm by 86 mm holds pi / 4 * 0.86 dm * 0.86 dm * 0.86 dm (definition), worked out by hand to 0.4996 L.
def test_swept_volume_matches_definition():
    np.testing.assert_allclose(load.swept_volume(86.0, 86.0), 0.4996, atol=5e-5)


@pytest.mark.parametrize(
    ("model", "arguments", "options"),
    [
        (load.swept_volume, (84.0, 89.6), {}),
        (load.cycle_time_ms, (3000.0,), {}),
        (load.air_per_cylinder, (120.0, 3000.0), {"cylinders": 6}),
        (load.air_flow, (240.0, 3000.0), {"cylinders": 6}),
        (load.fuel_per_cylinder, (240.0, 0.9, 14.5), {}),
        (load.volumetric_efficiency, (120.0, 3000.0, 1.17), {"displacement_l": 3.0}),
        (load.absolute_load, (120.0, 3000.0), {"displacement_l": 3.0}),
        (load.speed_density_flow, (60.0, 35.0, 3000.0, 2.4), {}),
    ],
)
def test_models_keep_the_contract(model, arguments, options):
    assert_keeps_contract(model, *arguments, **options)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: load.swept_volume(0, 86), "bore_mm"),
        (lambda: load.swept_volume(86, 0), "stroke_mm"),
        (lambda: load.cycle_time_ms([800, 0, 0]), "engine_speed_rpm: 2 of 3 .*position 1.*is stopped"),
        (lambda: load.air_per_cylinder(-1, 3000, cylinders=6), "air_flow_kg_h"),
        (lambda: load.air_per_cylinder(1, 0, cylinders=6), "engine_speed_rpm"),
        (lambda: load.air_per_cylinder(1, 3000, cylinders=0), "cylinders"),
        (lambda: load.air_per_cylinder(1, 3000, cylinders=25), "cylinders"),
        (lambda: load.air_flow(1, 3000, cylinders=25), "cylinders"),
        (lambda: load.air_flow(-1, 3000, cylinders=6), "air_mg"),
        (lambda: load.air_flow(1, 0, cylinders=6), "engine_speed_rpm"),
        (lambda: load.air_flow(1, 3000, cylinders=0), "cylinders"),
        (lambda: load.fuel_per_cylinder(-1, 1, 14.5), "air_mg"),
        (lambda: load.fuel_per_cylinder(1, 0, 14.5), "lambda_ratio"),
        (lambda: load.fuel_per_cylinder(1, 1, 0), "stoich"),
        (lambda: load.volumetric_efficiency(-1, 3000, 1.2, displacement_l=3), "air_flow_kg_h"),
        (lambda: load.volumetric_efficiency(1, 0, 1.2, displacement_l=3), "engine_speed_rpm"),
        (lambda: load.volumetric_efficiency(1, 3000, 0, displacement_l=3), "density_kg_m3"),
        (lambda: load.volumetric_efficiency(1, 3000, 1.2, displacement_l=0), "displacement_l"),
        (lambda: load.absolute_load(-1, 3000, displacement_l=3), "air_flow_kg_h"),
        (lambda: load.speed_density_flow(-20, 20, 3000, 2), "manifold_kpa.*gauge"),
        (lambda: load.speed_density_flow(60, -300, 3000, 2), "intake_air_c"),
        (lambda: load.speed_density_flow(60, 20, 0, 2), "engine_speed_rpm"),
        (lambda: load.speed_density_flow(60, 20, 3000, 0), "swept_l"),
    ],
)
def test_models_say_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()


# A single drawing 1 mg per 40 ms cycle takes 25 mg/s (definition); twelve of them take twelve times that.
@pytest.mark.parametrize("cylinders", [1, 12, 24])
def test_any_number_of_cylinders_counts(cylinders):
    flow = load.air_flow(1.0, 3000.0, cylinders=cylinders)
    np.testing.assert_allclose(convert(flow, "kg/h", "mg/s"), 25.0 * cylinders, rtol=1e-12)
    np.testing.assert_allclose(load.air_per_cylinder(flow, 3000.0, cylinders=cylinders), 1.0, rtol=1e-12)
