import subprocess
import sys

import numpy as np
import pint
import pytest
import save_unit_factors
from hypothesis import given
from hypothesis import strategies as st
from published import assert_agrees, entries, matching

from tunelab import units
from tunelab.channels import CHANNELS
from tunelab.units import convert, is_convertible, pressure_reference, recognise_unit

PINT = pint.UnitRegistry()

# entry of check_values.toml -> spelling of its source unit, and of the target
SPELLINGS = {
    "u_hp_W": ("hp", "W"),
    "u_mhp_W": ("PS", "W"),
    "u_ftlbf_J": ("lb-ft", "N m"),
    "u_psi_Pa": ("psi", "Pa"),
    "u_lbmin_gs": ("lb/min", "g/s"),
    "u_lbmin_kgh": ("lbs/min", "kg/hr"),
    "u_lbh_gs": ("lb/h", "g/s"),
    "u_gs_lbmin": ("g/s", "lb/min"),
    "u_mph_kmh": ("mph", "km/h"),
    "u_in_mm": ("inch", "mm"),
    "u_gal_L": ("gal", "L"),
    "u_cfm_m3s": ("cfm", "m3/s"),
    "u_atm_Pa": ("atm", "Pa"),
    "u_g0": ("g", "m/s²"),
    "u_inHg_conv_Pa": ("inHg", "Pa"),
}


@pytest.mark.parametrize("name", SPELLINGS)
def test_convert_matches_published_value(name):
    entry = entries()[name]
    assert_agrees(convert(entry["inputs"]["value"], *SPELLINGS[name]), entry)


@pytest.mark.parametrize("entry", matching("u_F"))
def test_convert_keeps_the_offset_of_temperatures(entry):
    assert_agrees(convert(entry["inputs"]["degF"], "°F", "°C"), entry)


def test_convert_takes_the_conventional_inch_of_mercury_not_that_at_60_fahrenheit():
    assert abs(convert(1, "inHg", "Pa") - entries()["u_inHg_60F_Pa"]["expected"]) > 9


def test_convert_fuel_economy_matches_definition():
    entry = entries()["u_mpg_L100"]
    assert_agrees(100 / convert(entry["inputs"]["mpg"], "mpg", "km/l"), entry)


@pytest.mark.parametrize("entry", matching("u_lbh_ccmin_"))
def test_convert_gives_the_published_volume_of_a_fuel_whose_density_is_stated(entry):
    given = entry["inputs"]
    assert_agrees(convert(given["lb_per_h"], "lb/h", "g/min") / given["density_g_per_cc"], entry)


# CGPM definitions: 0 °C is 273.15 K; 32 °F is 0 °C; 671.67 °R is 100 °C, the steam point of the older scale.
@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        (0, "C", "K", 273.15),
        (273.15, "K", "°C", 0),
        (32, "F", "K", 273.15),
        (212, "F", "C", 100),
        (671.67, "°R", "C", 100),
    ],
)
def test_convert_temperature_scales(value, source, target, expected):
    np.testing.assert_allclose(convert(value, source, target), expected, atol=1e-10)


# Every unit of the table, against pint's own parser fed with pint's own names.
@pytest.mark.parametrize(("kind", "canonical", "pint_name"), [row[:3] for row in units._ROWS])
def test_convert_every_unit_matches_pint(kind, canonical, pint_name):
    for other_kind, other, other_pint, _ in units._ROWS:
        if other_kind == kind:
            wanted = PINT.Quantity(np.array([1.0, 40.0, -7.5]), pint_name).to(other_pint).magnitude
            np.testing.assert_allclose(convert([1.0, 40.0, -7.5], canonical, other), wanted, rtol=1e-12, atol=1e-12)


# What loggers write in headers and unit rows.
@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("(°F)", "degree_Fahrenheit"), ("[psi]", "psi"), ("deg C", "degree_Celsius"), ("degC", "degree_Celsius"),
        ("C", "degree_Celsius"), ("℃", "degree_Celsius"), ("ºC", "degree_Celsius"), ("Â°C", "degree_Celsius"),
        ("\ufffdC", "degree_Celsius"), ("deg_C", "degree_Celsius"), ("Deg. F", "degree_Fahrenheit"), ("RPM", "rpm"),
        ("1/min", "rpm"), ("min⁻¹", "rpm"), ("rev/min", "rpm"), ("U/min", "rpm"), ("kph", "km h-1"), ("km/h", "km h-1"),
        ("KM/H", "km h-1"), ("MPH", "mph"), ("inHg", "inHg"), ("in Hg", "inHg"), ("bar", "bar"), ("mbar", "mbar"),
        ("hPa", "hPa"), ("kPa", "kPa"), ("KPA", "kPa"), ("g/s", "g s-1"), ("kg/h", "kg h-1"), ("kg/hr", "kg h-1"),
        ("lb/min", "lb min-1"), ("lb/h", "lb h-1"), ("mg", "mg"), ("mg/stroke", "mg"), ("ms", "ms"), ("mS", "ms"),
        ("us", "us"), ("µs", "us"), ("μs", "us"), ("Âµs", "us"), ("V", "V"), ("volts", "V"), ("mV", "mV"),
        ("%", "percent"), ("deg", "degree"), ("°", "degree"),
        ("° BTDC", "degree"), ("Nm", "N m"), ("N·m", "N m"), ("lb-ft", "lbf ft"),
        ("ft·lb", "lbf ft"), ("hp", "hp"), ("PS", "PS"), ("counts", "counts"), ("ADC", "counts"), ("λ", "lambda"),
        ("Lambda", "lambda"), ("ratio", "1"), ("-", "1"), ("–", "1"), ("AFR", "AFR"), ("A/F", "AFR"), ("Φ", "phi"),
        ("m/s²", "m s-2"), ("m/s^2", "m s-2"), ("G", "g"), ("{ cc/min }", "cm3 min-1"), ("[ % ]", "percent"),
        ("s", "s"), ("sec", "s"), ("Hz", "Hz"), ("  kPa  ", "kPa"), ("psig", "psi"), ("kPa abs", "kPa"),
        ("bar(g)", "bar"),
    ],
)  # fmt: skip
def test_recognise_unit_knows_what_loggers_write(text, canonical):
    assert recognise_unit(text) == canonical


@pytest.mark.parametrize(
    "text", ["", "   ", "()", "foo", "Va", "kWg", "°FC", "meter*pascal", "1000*kPa", "V V V", "inHg vac"]
)
def test_recognise_unit_does_not_guess(text):
    assert recognise_unit(text) is None


# pint reads these as something else than the trade does (coulomb, nanometre, picosecond, ...).
@pytest.mark.parametrize(
    ("text", "base"),
    [("deg C", "degC"), ("C", "degC"), ("F", "degF"), ("Nm", "N*m"), ("PS", "metric_horsepower"), ("mS", "ms")],
)
def test_recognise_unit_differs_from_a_free_parser(text, base):
    ours = units._units()[recognise_unit(text)].pint_name
    assert PINT.Unit(ours) == PINT.Unit(base)


def test_every_channel_unit_is_recognised_as_itself():
    for channel in CHANNELS.values():
        assert recognise_unit(channel.unit) == channel.unit


def test_no_spelling_belongs_to_two_units_but_the_named_doubles():
    owners: dict[str, set[str]] = {}
    for _, canonical, _, spellings in units._ROWS:
        for spelling in (canonical, *filter(None, spellings.split(", "))):
            owners.setdefault(units._key(spelling), set()).add(canonical)
    shared = {key: names for key, names in owners.items() if len(names) > 1}
    assert shared == {"kn": {"knot", "kN"}}


@pytest.mark.parametrize(
    ("source", "target", "expected"),
    [
        ("g", "mg", 1000.0),
        ("g", "m/s²", 9.80665),
        ("lb", "kg", 0.45359237),
        ("lb", "N", 4.4482216152605),
        ("kn", "m/s", 1852 / 3600),
    ],
)
def test_convert_settles_a_double_spelling_by_the_other_unit(source, target, expected):
    np.testing.assert_allclose(convert(1.0, source, target), expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("source", "target", "message"),
    [
        ("kpaz", "kPa", "'kpaz' is not a unit that tunelab knows; the nearest known unit is 'kPa'"),
        ("kPa", "killopascal", "nearest known unit is 'kPa'"),
        ("", "kPa", "'' is not a unit"),
        ("AFR", "lambda", "stoichiometric ratio of the fuel"),
        ("AFR", "1", "stoichiometric ratio of the fuel"),
        ("phi", "lambda", "1 / phi"),
        ("cc/min", "g/min", "density"),
        ("rpm", "Hz", "pulses per revolution"),
        ("°C", "kPa", r"'°C' \(temperature\) does not convert to 'kPa' \(pressure\)"),
        ("deg", "%", "measure different things"),
        ("V", "counts", "measure different things"),
    ],
)
def test_convert_says_what_is_wrong(source, target, message):
    with pytest.raises(ValueError, match=message):
        convert(1.0, source, target)
    assert not is_convertible(source, target)


def test_plain_numbers_convert_to_the_number_one():
    assert convert(50.0, "%", "1") == 0.5
    assert convert(812.0, "counts", "1") == 812.0
    assert convert(0.98, "λ", "1") == 0.98
    assert not is_convertible("counts", "percent")


def test_convert_keeps_nan_shape_and_its_input():
    given_values = np.array([[32.0, np.nan], [212.0, -40.0]])
    before = given_values.copy()
    got = convert(given_values, "°F", "°C")
    np.testing.assert_allclose(got, [[0, np.nan], [100, -40]], atol=1e-12)
    np.testing.assert_array_equal(given_values, before)
    same = convert(given_values, "°F", "deg F")
    same[0, 0] = 7.0
    np.testing.assert_array_equal(given_values, before)
    assert convert(77, "°F", "°C") == pytest.approx(convert([77], "°F", "°C")[0])


@given(st.sampled_from([row[1] for row in units._ROWS]), st.floats(-1e6, 1e6))
def test_convert_there_and_back_is_the_same(canonical, value):
    first = next(row[1] for row in units._ROWS if row[0] == units._units()[canonical].kind)
    np.testing.assert_allclose(
        convert(convert(value, canonical, first), first, canonical), value, rtol=1e-12, atol=1e-6
    )


@given(st.text(max_size=12))
def test_recognise_unit_takes_any_text(text):
    assert recognise_unit(text) is None or recognise_unit(text) in units._units()


@pytest.mark.parametrize(
    ("text", "reference"),
    [
        ("psig", "gauge"), ("PSIA", "absolute"), ("bar(a)", "absolute"), ("kPa gauge", "gauge"),
        ("kPa abs", "absolute"),
        ("[kPa(g)]", "gauge"), ("kPa", None), ("inHg", None), ("psi", None), ("kg", None), ("mA", None), ("foo", None),
    ],
)  # fmt: skip
def test_pressure_reference_reads_what_the_unit_says(text, reference):
    assert pressure_reference(text) == reference


def test_the_saved_factors_are_those_of_pint_for_every_pair():
    wanted = save_unit_factors.factors()
    saved = units._factors()
    assert set(saved) == set(wanted)
    for pair, factor in wanted.items():
        np.testing.assert_allclose(saved[pair], factor, rtol=1e-14, err_msg=pair)


def test_converting_does_not_load_pint():
    """Its registry takes a quarter of a second to build, in every process of a record."""
    code = "import sys; from tunelab.units import convert; convert(1, 'psi', 'kPa'); print('pint' in sys.modules)"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "False"
