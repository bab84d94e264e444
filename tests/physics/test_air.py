import CoolProp.CoolProp as CoolProp
import numpy as np
import psychrolib
import pytest
from model_contract import assert_keeps_contract
from published import assert_agrees, entries, matching

from tunelab.physics import air
from tunelab.units import convert

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("entry", matching("h_cfr_psat"))
def test_saturation_pressure_matches_its_own_source(entry):
    assert_agrees(air.saturation_pressure(entry["inputs"]["t_C"]), entry)


@pytest.mark.parametrize("entry", matching("h_psat_"))
def test_saturation_pressure_is_near_other_formulations(entry):
    assert_agrees(air.saturation_pressure(entry["inputs"]["t_C"]), entry)


def test_vapour_of_air_matches_published_mole_fraction_and_dew_point():
    moist, dew = entries()["h_cfr_xh2o_rh"], entries()["h_dew_from_rh"]
    given = moist["inputs"]
    vapour = air.vapour_pressure(given["t_C"], given["rh_pct"])
    assert_agrees(vapour / given["p_kPa"], moist)
    assert_agrees(1 - air.dry_pressure(given["p_kPa"], given["t_C"], given["rh_pct"]) / given["p_kPa"], moist)
    at = np.linspace(5.0, 15.0, 2001)
    assert_agrees(at[np.argmin(np.abs(air.saturation_pressure(at) - vapour))], dew)


# CoolProp 8 (IAPWS-95) over the range of weather; psychrolib 2.5 (ASHRAE 2017) from freezing up.
def test_saturation_pressure_is_near_reference_libraries():
    for celsius in (1.0, 10.0, 25.0, 45.0):
        iapws = CoolProp.PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water")
        np.testing.assert_allclose(convert(air.saturation_pressure(celsius), "kPa", "Pa"), iapws, rtol=1.2e-3)
        ashrae = psychrolib.GetSatVapPres(celsius)
        np.testing.assert_allclose(convert(air.saturation_pressure(celsius), "kPa", "Pa"), ashrae, rtol=1.2e-3)


# Smithsonian Meteorological Tables, vapour pressure over supercooled water at -20 °C: 1.2540 hPa (Goff-Gratch, from
# memory).
def test_saturation_pressure_below_freezing_is_over_liquid_water():
    np.testing.assert_allclose(convert(air.saturation_pressure(-20.0), "kPa", "hPa"), 1.2540, rtol=2e-3)


@pytest.mark.parametrize("entry", matching("h_cipm"))
def test_moist_air_density_is_near_published_values(entry):
    given = entry["inputs"]
    got = air.moist_air_density(convert(given["p_Pa"], "Pa", "kPa"), given["t_C"], 100 * given["rh"])
    assert_agrees(got, entry)
    np.testing.assert_allclose(got, entry["expected"], atol=6e-6)  # six digits printed


# CIPM-2007 at 20 °C, 101325 Pa, 50 %: 1.199314 kg/m³ (figure given to 7 digits with the check values).
def test_moist_air_density_matches_cipm_2007():
    np.testing.assert_allclose(air.moist_air_density(101.325, 20.0, 50.0), 1.199314, rtol=2e-5)


# CoolProp 8, humid air after Herrmann, Kretzschmar and Gatley (RP-1485); psychrolib 2.5, ideal gas.
@pytest.mark.parametrize(("kpa", "celsius", "humidity"), [(101.325, 20, 50), (95, 30, 70), (85, 35, 40), (103, 5, 90)])
def test_densities_match_reference_libraries(kpa, celsius, humidity):
    kelvin, share = celsius + 273.15, humidity / 100
    real = 1 / CoolProp.HAPropsSI("Vha", "T", kelvin, "P", kpa * 1e3, "R", share)
    np.testing.assert_allclose(air.moist_air_density(kpa, celsius, humidity), real, rtol=1e-4)


# U.S. Standard Atmosphere, 1976 (NASA-TM-X-74335), main table, printed to five digits.
@pytest.mark.parametrize(("kpa", "kelvin", "density"), [(101.325, 288.150, 1.2250), (54.048, 255.676, 0.73643)])
def test_dry_air_density_matches_standard_atmosphere(kpa, kelvin, density):
    np.testing.assert_allclose(air.dry_air_density(kpa, convert(kelvin, "K", "C")), density, rtol=5e-5)


def test_dry_air_density_matches_load_reference():
    entry = entries()["l_rho_1184"]
    got = air.dry_air_density(convert(entry["inputs"]["p_Pa"], "Pa", "kPa"), entry["inputs"]["t_C"])
    assert_agrees(got, entry)


# Formula evaluated, standard not opened.
@pytest.mark.parametrize("entry", [e for e in matching("p_iso_") if "p_dry_kPa" in e.values[0]["inputs"]])
def test_iso_1585_factor_matches_formula(entry):
    got = air.iso_1585_factor(entry["inputs"]["p_dry_kPa"], entry["inputs"]["T_K"] - 273)
    assert_agrees(got.factor, entry)
    assert got.is_within_band == (entries()["p_iso_limit_low"]["expected"] <= entry["expected"] <= 1.07)


# Formula evaluated, standard not opened.
def test_a_factor_names_its_standard():
    assert air.iso_1585_factor(98.0, 20.0).standard == "ISO 1585 / UN R85"
    assert air.sae_j1349_factor(98.0, 20.0).standard == "SAE J1349"


@pytest.mark.parametrize("entry", [e for e in matching("p_sae_") if "p_dry_kPa" in e.values[0]["inputs"]])
def test_sae_j1349_factor_matches_formula(entry):
    got = air.sae_j1349_factor(entry["inputs"]["p_dry_kPa"], entry["inputs"]["t_C"])
    assert_agrees(got.factor, entry)
    assert got.is_within_band == (0.93 <= entry["expected"] <= 1.07)


def test_sae_j1349_reference_pressure_in_inches_of_mercury():
    entry = entries()["p_sae_refpressure"]
    assert_agrees(convert(entry["inputs"]["p_kPa"], "kPa", "inHg"), entry)


def test_correction_from_wet_weather_matches_computed_chain():
    entry = entries()["p_chain_iso"]
    given = entry["inputs"]
    dry = air.dry_pressure(given["p_kPa"], given["t_C"], 100 * given["rh"])
    assert_agrees(air.iso_1585_factor(dry, given["t_C"]).factor, entry)


# The ends of the ranges that the docstrings state; dry air holds no water (definition).
def test_air_without_water_is_dry_air_to_the_ends_of_the_range():
    for celsius in (-50.0, 20.0, 60.0):
        moist, dry = air.moist_air_density(100.0, celsius, 0.0), air.dry_air_density(100.0, celsius)
        np.testing.assert_allclose(moist, dry, rtol=2e-3)  # a real gas: 1.6e-3 at -50 °C, from memory of tables of Z
    assert air.vapour_pressure(20.0, 0.0) == 0.0
    np.testing.assert_array_equal(air.vapour_pressure(20.0, 100.0), air.saturation_pressure(20.0))


def test_correction_of_missing_weather_is_outside_the_band():
    got = air.iso_1585_factor([99.0, np.nan], 25.0)
    np.testing.assert_array_equal(np.isnan(got.factor), [False, True])
    np.testing.assert_array_equal(got.is_within_band, [True, False])


@pytest.mark.parametrize(
    ("model", "arguments"),
    [
        (air.saturation_pressure, (20.0,)),
        (air.vapour_pressure, (20.0, 50.0)),
        (air.dry_pressure, (98.0, 20.0, 50.0)),
        (air.dry_air_density, (98.0, 20.0)),
        (air.moist_air_density, (98.0, 20.0, 50.0)),
        (lambda p, t: air.iso_1585_factor(p, t).factor, (98.0, 20.0)),
        (lambda p, t: air.sae_j1349_factor(p, t).factor, (98.0, 20.0)),
    ],
)
def test_models_keep_the_contract(model, arguments):
    assert_keeps_contract(model, *arguments)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: air.saturation_pressure(293.15), "temperature_c: 1 of 1 samples are outside -50 to 100 .*not °F or K"),
        (lambda: air.vapour_pressure(20, 101), "humidity_pct: .*half saturated is 50"),
        (lambda: air.dry_pressure([-31.2, 98], 20, 50), r"pressure_kpa: 1 of 2 samples .*-31.2 at position 0.*gauge"),
        (lambda: air.dry_pressure(5, 60, 100), "vapour pressure passes the air pressure"),
        (lambda: air.dry_air_density(0, 20), "pressure_kpa.*gauge"),
        (lambda: air.dry_air_density(100, -300), "temperature_c"),
        (lambda: air.moist_air_density(-1, 20, 50), "pressure_kpa"),
        (lambda: air.moist_air_density(100, 61, 50), "temperature_c"),
        (lambda: air.moist_air_density(100, -51, 50), "temperature_c"),
        (lambda: air.moist_air_density(100, 20, 120), "humidity_pct"),
        (lambda: air.moist_air_density(100, 20, -0.5), "humidity_pct"),
        (lambda: air.vapour_pressure(20, -0.5), "humidity_pct"),
        (lambda: air.moist_air_density(1, 50, 90), "vapour passes the air pressure"),
        (lambda: air.moist_air_density(8, 50, 90), "vapour passes the air pressure"),  # saturated: 12.3 kPa, IAPWS-95
        (lambda: air.iso_1585_factor(0, 20), "dry_kpa"),
        (lambda: air.iso_1585_factor(99, -273), "intake_c"),
        (lambda: air.sae_j1349_factor(0, 20), "dry_kpa"),
        (lambda: air.sae_j1349_factor(99, -280), "intake_c"),
    ],
)  # fmt: skip
def test_models_say_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()
