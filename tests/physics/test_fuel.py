import numpy as np
import pytest
from model_contract import assert_keeps_contract
from published import assert_agrees, entries, matching

from tunelab.physics import CARBON_G_MOL
from tunelab.physics import fuel as fuels

GASOLINE = (1.85, 0.0, 0.745)
ETHANOL = (3.0, 0.5, 0.789)


def _of_formula(entry):
    return {atom: entry["inputs"][atom] for atom in "CHO"}


@pytest.mark.parametrize("entry", [e for e in matching("f_afr_") if "C" in e.values[0]["inputs"]])
def test_stoich_afr_matches_published_value(entry):
    atoms = _of_formula(entry)
    assert_agrees(fuels.stoich_afr(atoms["H"] / atoms["C"], atoms["O"] / atoms["C"]), entry)


@pytest.mark.parametrize("entry", matching("f_wc_"))
def test_share_of_carbon_matches_published_value(entry):
    given = entry["inputs"]
    assert_agrees(CARBON_G_MOL / fuels._molar_mass(np.float64(given["a"]), np.float64(given["b"])), entry)


# cantera 3.2, gri30, air of 20.946 % oxygen with nitrogen and argon, against the same air by molar mass.
def test_stoich_afr_matches_cantera():
    import cantera

    gas = cantera.Solution("gri30.yaml")
    air = "O2:0.20946,N2:0.78084,AR:0.00934,CO2:0.0004"
    for name, hydrogen, oxygen in (("CH4", 4.0, 0.0), ("C3H8", 8 / 3, 0.0), ("CH3OH", 4.0, 1.0), ("C2H6", 3.0, 0.0)):
        wanted = gas.stoich_air_fuel_ratio(f"{name}:1", air, basis="mole")
        np.testing.assert_allclose(fuels.stoich_afr(hydrogen, oxygen), wanted, rtol=1e-3)


# 14.7 goes with H/C near 2, and CH1.85 gives 14.57: trap 3 of the check values.
def test_stoich_afr_of_gasoline_is_not_assumed():
    np.testing.assert_allclose(fuels.stoich_afr([1.85, 2.0], 0.0), [14.57, 14.78], atol=0.02)


@pytest.mark.parametrize("entry", [e for e in matching("f_afr_E") if "ethanol_vol" in e.values[0]["inputs"]])
def test_blend_by_volume_matches_published_value(entry):
    given = entry["inputs"]
    gasoline = (given["gasoline_HC"], 0.0, given["rho_gasoline"])
    blend = fuels.blend_by_volume(gasoline, (3.0, 0.5, given["rho_ethanol"]), given["ethanol_vol"])
    assert_agrees(fuels.stoich_afr(blend.hydrogen_to_carbon, blend.oxygen_to_carbon), entry)


# E85 is quoted at 9.75 to 9.9: common practice, no source.
def test_blend_of_85_per_cent_is_near_the_trade_figure():
    blend = fuels.blend_by_volume(GASOLINE, ETHANOL, 0.85)
    assert_agrees(fuels.stoich_afr(blend.hydrogen_to_carbon, blend.oxygen_to_carbon), entries()["f_afr_E85_trade"])


def test_blend_by_volume_ends_at_its_parts():
    for share, fuel in ((0.0, GASOLINE), (1.0, ETHANOL)):
        blend = fuels.blend_by_volume(GASOLINE, ETHANOL, share)
        got = (blend.hydrogen_to_carbon, blend.oxygen_to_carbon, blend.density_kg_l)
        np.testing.assert_allclose(got, fuel, rtol=1e-12)
        assert blend.mass_fraction == share


def test_blend_by_volume_weighs_density_and_mass():
    blend = fuels.blend_by_volume(GASOLINE, ETHANOL, 0.1)
    np.testing.assert_allclose(blend.density_kg_l, 0.9 * 0.745 + 0.1 * 0.789)
    np.testing.assert_allclose(blend.mass_fraction, 0.0789 / (0.6705 + 0.0789))


def test_blend_by_volume_passes_nan():
    blend = fuels.blend_by_volume((np.nan, 0.0, 0.745), ETHANOL, 0.1)
    assert np.isnan(blend.hydrogen_to_carbon)
    assert np.isnan(fuels.blend_by_volume(GASOLINE, ETHANOL, np.nan).density_kg_l)


@pytest.mark.parametrize(
    ("model", "arguments"),
    [
        (fuels.stoich_afr, (1.85, 0.03)),
    ],
)
def test_models_keep_the_contract(model, arguments):
    assert_keeps_contract(model, *arguments)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fuels.stoich_afr(-1, 0), "hydrogen_to_carbon: 1 of 1 samples are below zero.*1.85"),
        (lambda: fuels.stoich_afr(1.85, -0.1), "oxygen_to_carbon"),
        (lambda: fuels.stoich_afr(0, 2), "more oxygen than it can burn"),
        (lambda: fuels.blend_by_volume(GASOLINE, ETHANOL, 10), "second_volume_fraction: .*10 % is 0.1"),
        (lambda: fuels.blend_by_volume(GASOLINE, ETHANOL, -0.1), "second_volume_fraction"),
        (lambda: fuels.blend_by_volume(GASOLINE, ETHANOL, 1.1), "second_volume_fraction"),
        (lambda: fuels.blend_by_volume((1.85, -0.1, 0.7), ETHANOL, 0.1), "composition"),
        (lambda: fuels.blend_by_volume((1.85, 0, 0), ETHANOL, 0.1), "density_kg_l"),
        (lambda: fuels.blend_by_volume((-1, 0, 0.7), ETHANOL, 0.1), "composition"),
    ],
)
def test_models_say_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()
