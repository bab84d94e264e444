import numpy as np
import pytest
from model_contract import assert_keeps_contract
from published import assert_agrees, entries, matching
from scipy.optimize import brentq

from tunelab.physics import air


@pytest.mark.parametrize("entry", matching("a_choked_cf"))
def test_flow_coefficient_matches_published_table(entry):
    assert_agrees(air.flow_coefficient(0.1, entry["inputs"]["gamma"], entry["inputs"]["beta"]), entry)


def test_critical_pressure_ratio_matches_closed_formula():
    entry = entries()["a_choke_ratio_14"]
    assert_agrees(air.critical_pressure_ratio(entry["inputs"]["gamma"], 0.0), entry)


# Venturi of 40 CFR 1065.640 (c)(5): its discharge coefficient from our flow coefficient and the stated molar flow.
def test_flow_coefficient_recovers_published_discharge_coefficient():
    entry, ratio = entries()["a_ssv_cd"], entries()["a_ssv_r"]
    given = entry["inputs"]
    r = 1 - ratio["inputs"]["dp_kPa"] / ratio["inputs"]["pin_kPa"]
    assert_agrees(r, ratio)
    ideal = given["A_m2"] * given["p_Pa"] / np.sqrt(given["M"] * 8.314472 * given["T_K"])
    assert_agrees(given["n_mol_s"] / (ideal * air.flow_coefficient(r, 1.399, 0.8)), entry)


# Bernoulli's law for an incompressible gas, which a small pressure drop must approach (closed formula).
def test_flow_coefficient_of_a_small_drop_approaches_bernoulli():
    np.testing.assert_allclose(air.flow_coefficient(1 - 2e-4, 1.4, 0.0), np.sqrt(2 * 2e-4), rtol=2e-4)


# The entry takes 287.05 J/(kg K), ours is 287.048: 4e-6 of the flow.
def test_flow_chokes_at_computed_value():
    entry = entries()["a_choke_mass"]
    given = entry["inputs"]
    share = air.flow_coefficient([0.0, 20.0 / 101.325, 0.52, 1.0, 1.3], 1.4, 0.0)
    ideal_g_s = 1000 * np.pi / 4 * given["d_m"] ** 2 * given["p_Pa"] / np.sqrt(287.048 * given["T_K"])
    assert_agrees(ideal_g_s * share[:3], entry)
    np.testing.assert_array_equal(share[3:], 0.0)  # it does not run backwards


# scipy's brentq on the same equation of 40 CFR 1065.640.
def test_critical_pressure_ratio_solves_its_equation_to_the_stated_precision():
    def rest(r, gamma, beta):
        return r ** ((1 - gamma) / gamma) + (gamma - 1) / 2 * beta**4 * r ** (2 / gamma) - (gamma + 1) / 2

    for gamma, beta in ((1.01, 0.0), (1.4, 0.0), (1.385, 0.8), (1.67, 0.95)):
        wanted = brentq(rest, 0.3, 1.0, args=(gamma, beta), xtol=1e-14, rtol=1e-14)
        np.testing.assert_allclose(air.critical_pressure_ratio(gamma, beta), wanted, atol=2e-12)


@pytest.mark.parametrize(
    ("model", "arguments"),
    [
        (air.critical_pressure_ratio, (1.4, 0.3)),
        (air.flow_coefficient, (0.8, 1.4, 0.3)),
    ],
)
def test_models_keep_the_contract(model, arguments):
    assert_keeps_contract(model, *arguments)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: air.critical_pressure_ratio(1.0, 0), "heat_capacity_ratio"),
        (lambda: air.critical_pressure_ratio(1.4, 1.0), "diameter_ratio"),
        (lambda: air.critical_pressure_ratio(1.4, -0.1), "diameter_ratio"),
        (lambda: air.flow_coefficient(-0.1, 1.4, 0), "pressure_ratio"),
        (lambda: air.flow_coefficient(0.5, 2, 0), "heat_capacity_ratio"),
        (lambda: air.flow_coefficient(0.5, 1.4, 2), "diameter_ratio"),
    ],
)
def test_models_say_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()
