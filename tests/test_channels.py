"""The vocabulary of channels and the names that loggers give them."""

import pytest

from tunelab.channels import CHANNELS, FUEL_MODES, alias_table, channel, in_words, is_known_name, name_key, time_names
from tunelab.units import recognise_unit

RECKONED = {"lambda_at_fuelling", "lambda_at_fuelling_2"}  # by the kit from others; no logger writes them
# What may stand as an abbreviation of up to four letters: SAE J1930 and J1979, NMEA 0183 (each from memory), units, and
# what any handbook writes. Everything else so short is some logger's own code, and is asked for.
SHORT_FORMS = (
    "aat app app_d baro ect egt eot frp iac iat map maf tp tp_b vss rpm vpwr ltft stft o2 "
    "lat lon long alt sog kmh kph mph n afr a_f phi pw tps cl_ol ol_cl"
)
WORDS = "accu accx bat batt duty g_x gang gear giri hohe lazo loop rem rev revs tach"  # plain words, in any tongue
# One name under several channels: the unit, the car's meter or the numbers decide.
SHARED = {"meter_v", "meter_hz", "meter_counts", "air_flow_kg_h"}


def test_every_channel_names_its_unit():
    suffixes = {"rpm": "rpm", "V": "v", "Hz": "hz", "kg h-1": "kg_h", "percent": "pct", "kPa": "kpa", "ms": "ms"}
    for known in CHANNELS.values():
        if known.unit in suffixes:
            assert known.name.removesuffix("_2").endswith(suffixes[known.unit]), known.name
        assert known.low < known.high
        assert recognise_unit(known.unit) is not None


def test_an_alias_belongs_to_one_channel_or_to_the_readings_of_one_meter():
    for alias, channels in alias_table().items():
        assert len(channels) == 1 or set(channels) <= SHARED, alias


def test_no_alias_is_also_a_name_of_a_time_column():
    assert not set(alias_table()) & time_names()


def test_every_channel_has_aliases_and_its_own_name_is_one():
    for known in CHANNELS.values():
        assert known.aliases or known.name in RECKONED, known.name
        assert alias_table()[name_key(known.name)] == (known.name,)


def test_no_alias_is_a_code_that_only_one_logger_writes():
    known = {name_key(text) for text in f"{SHORT_FORMS} {WORDS}".split()}
    short = {name_key(alias) for row in CHANNELS.values() for alias in row.aliases if len(name_key(alias)) <= 4}
    assert short <= known, short - known


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("Régime [1/min]", "regime1min"),
        ("Kühlmittel", "kuhlmittel"),
        ("λ 1", "lambda1"),
        ("Engine_Speed", "enginespeed"),
        ("", ""),
    ],
)
def test_name_key(name, key):
    assert name_key(name) == key


def test_is_known_name():
    assert is_known_name("Coolant (°F)")
    assert is_known_name("Time [ms]")
    assert not is_known_name("1850.5")
    assert not is_known_name("")


def test_unknown_channel_is_an_error_that_names_the_nearest():
    assert channel("battery_v").unit == "V"
    with pytest.raises(KeyError, match="battery_v"):
        channel("batery_v")


def test_axis_label_shows_the_unit_as_people_write_it():
    assert channel("coolant_c").axis_label == "coolant [°C]"
    assert channel("air_flow_kg_h").axis_label == "air flow [kg/h]"


def test_fuel_modes_are_the_numbers_that_files_hold():
    assert FUEL_MODES == {0: "unknown", 1: "open_loop", 2: "closed_loop", 3: "fuel_cut", 4: "full_load"}


def test_a_channel_that_a_log_lacks_is_named_in_words_and_as_it_is_typed():
    assert in_words("oil_pressure_kpa", "battery_v") == "oil pressure (oil_pressure_kpa) and no battery (battery_v)"
    assert in_words("no such thing") == "no such thing"
