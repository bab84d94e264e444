"""How far cylinders fill: Heywood's definition and ideal-gas examples, and a table as an ECU reads it."""

import numpy as np
import pytest
from published import assert_agrees, entries
from scipy.interpolate import RegularGridInterpolator

from tunelab.physics import DRY_AIR_GAS_CONSTANT_J_KG_K
from tunelab.physics import load as filling
from tunelab.physics.load import volumetric_efficiency

SPEEDS, LOADS = np.array([800.0, 2000.0, 4500.0, 6500.0]), np.array([25.0, 60.0, 100.0])
TABLE = np.array([[42.0, 55.0, 60.0, 50.0], [58.0, 74.0, 80.0, 70.0], [64.0, 82.0, 92.0, 81.0]])


@pytest.mark.parametrize("name", ["a_ve_1", "a_ve_3"])
def test_flow_from_efficiency_turns_heywoods_definition_round(name):
    # J. B. Heywood, Internal Combustion Engine Fundamentals, eq. 2.27a (from memory): flow, density, size and speed
    # give the efficiency; here the efficiency gives the flow back, at a pressure and temperature of that density.
    entry = entries()[name]
    given, charge_c = entry["inputs"], 30.0
    pressure_kpa = given["rho_kg_m3"] * DRY_AIR_GAS_CONSTANT_J_KG_K * (charge_c + 273.15) / 1000
    flow = filling.flow_from_efficiency(
        100 * entry["expected"], pressure_kpa, charge_c, given["rpm"], displacement_l=given["displacement_L"]
    )
    np.testing.assert_allclose(flow, given["maf_g_s"] * 3.6, rtol=2e-6)
    back = volumetric_efficiency(flow, given["rpm"], given["rho_kg_m3"], displacement_l=given["displacement_L"])
    assert_agrees(back, entry)


def test_flow_from_efficiency_matches_the_ideal_gas_example():
    entry = entries()["a_speed_density"]  # computed: ideal gas with R = 287.05
    given = entry["inputs"]
    flow = filling.flow_from_efficiency(
        100 * given["VE"], given["map_kPa"], given["T_K"] - 273.15, given["rpm"], displacement_l=given["displacement_L"]
    )
    np.testing.assert_allclose(flow / 3.6, entry["expected"], rtol=5e-5)  # R printed to 5 digits


def test_flow_from_efficiency_matches_the_printed_example_of_a_molar_flow():
    # 40 CFR 1065.602 (l)(1), a printed example: 6.53 mol/s, here as a mass of dry air of 28.965 g/mol (CIPM-2007).
    given = entries()["a_cfr_nexh"]["inputs"]
    flow = filling.flow_from_efficiency(
        100 * given["VE"], given["p_Pa"] / 1000, given["T_K"] - 273.15, 60 * given["n_rev_s"],
        displacement_l=1000 * given["V_m3"],
    )  # fmt: skip
    np.testing.assert_allclose(flow / 3.6 / 28.965, 6.53, atol=0.005)


def test_a_table_is_read_as_a_reference_library_reads_it():
    surface = filling.Surface(SPEEDS, LOADS)
    rng = np.random.default_rng(3)
    speed, load = rng.uniform(800, 6500, 200), rng.uniform(25, 100, 200)
    wanted = RegularGridInterpolator((LOADS, SPEEDS), TABLE)(np.column_stack([load, speed]))  # scipy
    np.testing.assert_allclose(surface.at(speed, load, TABLE), wanted, rtol=1e-12)
    np.testing.assert_allclose(surface.weights(speed, load) @ TABLE.ravel(), wanted, rtol=1e-12)
    np.testing.assert_allclose(surface.weights(*surface.cells.T), np.eye(12), atol=1e-12)


def test_a_table_holds_its_ends_and_passes_nan_on():
    surface = filling.Surface(SPEEDS, LOADS)
    got = surface.at([100.0, 9000.0, np.nan], [10.0, 120.0, 50.0], TABLE)
    np.testing.assert_array_equal(got, [42.0, 81.0, np.nan])
    assert float(surface.at(2000.0, 60.0, TABLE)) == 74.0


def test_mass_and_efficiency_say_the_same_air():
    charge_c, pressure_kpa, speed = np.array([10.0, 40.0, 80.0]), 55.0, 3200.0
    by_percent = filling.flow_from_efficiency(70.0, pressure_kpa, charge_c, speed, displacement_l=2.4)
    per_cylinder_mg = 0.70 * 0.6e-3 * pressure_kpa * 1000 / (DRY_AIR_GAS_CONSTANT_J_KG_K * 293.15) * 1e6
    by_mass = filling.flow_from_mass(per_cylinder_mg, charge_c, speed, reference_c=20.0, cylinders=4)
    np.testing.assert_allclose(by_mass, by_percent, rtol=1e-9)  # p V = m R T


@pytest.mark.parametrize(("speeds", "loads"), [(SPEEDS[:1], LOADS), (SPEEDS, LOADS[:1]), (SPEEDS[:2], LOADS[:2])])
def test_a_table_of_one_row_or_column_is_held_along_it(speeds, loads):
    surface = filling.Surface(speeds, loads)
    table = TABLE[: loads.size, : speeds.size]
    at_speed, at_load = np.array([700.0, 1400.0, np.nan, 9000.0]), np.array([60.0, 40.0, 60.0, 200.0])
    by_load = np.array([np.interp(at_load, loads, column) for column in table.T])  # numpy's own straight lines
    wanted = [np.interp(speed, speeds, column) for speed, column in zip(at_speed, by_load.T, strict=True)]
    wanted = np.where(np.isnan(at_speed), np.nan, wanted)
    np.testing.assert_allclose(surface.at(at_speed, at_load, table), wanted, rtol=1e-12)
    np.testing.assert_allclose(surface.weights(at_speed, at_load) @ table.ravel(), wanted, rtol=1e-12)


def test_charge_temperature_lies_between_intake_air_and_coolant():
    np.testing.assert_allclose(filling.charge_temperature(20.0, 90.0, [0.0, 0.3, 1.0]), [20.0, 41.0, 90.0])
    assert np.isnan(filling.charge_temperature(np.nan, 90.0, 0.3))
    for weight in (30.0, 1.01, -0.01):
        with pytest.raises(ValueError, match="coolant_weight"):
            filling.charge_temperature(20.0, 90.0, weight)


@pytest.mark.parametrize(
    ("change", "named"),
    [({"efficiency_pct": 0.0}, "efficiency_pct"), ({"pressure_kpa": -40.0}, "manifold_kpa"),
     ({"charge_c": -300.0}, "intake_air_c"), ({"engine_speed_rpm": 0.0}, "engine_speed_rpm")],
)  # fmt: skip
def test_flow_from_efficiency_names_what_is_wrong(change, named):
    given = {"efficiency_pct": 70.0, "pressure_kpa": 50.0, "charge_c": 20.0, "engine_speed_rpm": 3000.0} | change
    with pytest.raises(ValueError, match=named):
        filling.flow_from_efficiency(**given, displacement_l=2.0)
    with pytest.raises(ValueError, match="load"):
        filling.Surface(SPEEDS, LOADS[::-1])
