import CoolProp.CoolProp as CoolProp
import numpy as np
import pint
import pytest
from published import assert_agrees, entries

from tunelab import physics

UNITS = pint.UnitRegistry()


# pint 0.25 carries the CODATA and CGPM figures.
@pytest.mark.parametrize(
    ("ours", "name", "unit"),
    [
        (physics.MOLAR_GAS_CONSTANT_J_MOL_K, "molar_gas_constant", "J/mol/K"),
        (physics.STANDARD_GRAVITY_M_S2, "standard_gravity", "m/s**2"),
        (physics.STANDARD_ATMOSPHERE_KPA, "atm", "kPa"),
    ],
)
def test_constant_equals_reference_library(ours, name, unit):
    np.testing.assert_allclose(ours, UNITS.Quantity(1.0, name).to(unit).magnitude, rtol=1e-9)


def test_standard_gravity_matches_definition():
    assert_agrees(physics.STANDARD_GRAVITY_M_S2, entries()["u_g0"])


# cantera 3.2 carries the IUPAC atomic weights; CoolProp 8 the molar masses of water and of Lemmon's air.
def test_atomic_weights_match_reference_library():
    import cantera

    for ours, symbol in (
        (physics.CARBON_G_MOL, "C"),
        (physics.HYDROGEN_G_MOL, "H"),
        (physics.OXYGEN_G_MOL, "O"),
    ):
        np.testing.assert_allclose(ours, cantera.Element(symbol).weight, rtol=5e-5)


def test_molar_masses_match_reference_library():
    np.testing.assert_allclose(physics.DRY_AIR_G_MOL * 1e-3, CoolProp.PropsSI("M", "Air"), rtol=5e-5)


# 287.05 J/(kg K): U.S. Standard Atmosphere, 1976 (287.053 from its R* and M0), from memory.
def test_dry_air_gas_constant_matches_standard_atmosphere():
    np.testing.assert_allclose(physics.DRY_AIR_GAS_CONSTANT_J_KG_K, 287.053, rtol=3e-5)


# Composition of dry air by volume, U.S. Standard Atmosphere, 1976, table 3: 20.9476 % (from memory).
def test_oxygen_in_air_matches_standard_atmosphere():
    np.testing.assert_allclose(physics.OXYGEN_IN_AIR, 0.209476, rtol=2e-4)


def test_heat_capacity_ratio_matches_reference_library():
    ratio = CoolProp.PropsSI("C", "T", 298.15, "P", 101325, "Air") / CoolProp.PropsSI(
        "O", "T", 298.15, "P", 101325, "Air"
    )
    np.testing.assert_allclose(physics.AIR_HEAT_CAPACITY_RATIO, ratio, rtol=2e-3)


def test_load_reference_density_is_dry_air_at_25_celsius():
    density = CoolProp.PropsSI("D", "T", 298.15, "P", 101325, "Air")
    np.testing.assert_allclose(physics.LOAD_REFERENCE_DENSITY_G_L, density, atol=6e-4)
