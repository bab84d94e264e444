"""Columns into channels: names of the trade, units, forms, and what only the owner can settle."""

import json

import numpy as np
import pytest
from plain_car import WEATHER, owners_car
from written_log import ROWS, map_log, waves, write_log

from tunelab.log.map import MapError, map_raw
from tunelab.log.map.heading import parse_heading
from tunelab.log.read import read_raw
from tunelab.workspace import ChannelMap, ColumnRule


@pytest.fixture
def mapped(tmp_path):
    """Write columns and map them."""

    def _mapped(columns, *rules, weather=None, **tables):
        return map_log(write_log(tmp_path / "log.csv", columns), *rules, weather=weather, **tables)

    return _mapped


def _columns(log):
    return {note["column"]: note for note in json.loads(log.attrs["columns"])}


# Headings as loggers write them; common practice of the trade and SAE J1979's names, no one source.
HEADINGS = {
    "engine_speed_rpm": "RPM|Engine Speed (rpm)|Engine RPM|n [1/min]|Drehzahl|Régime moteur [tr/mn]|EngineSpeed|rpm",
    "meter_v": "MAF [V]|MAF Voltage|Air meter (mV)|Luftmassenmesser [V]|MAF sensor (Volts)",
    "meter_hz": "MAF (Hz)|MAF Frequency|Air meter [kHz]",
    "meter_counts": "MAF ADC|MAF [counts]",
    "air_flow_kg_h": "MAF (g/s)|Mass Air Flow Rate [lb/min]|Luftmasse (kg/h)|Débit d'air (kg/h)|Air flow, g/s",
    "air_charge_mg": "Air mass (mg/stroke)|Airmass mg/str|Cylinder air charge [g]|Luftmasse mg/Hub|Air per cylinder",
    "throttle_pct": "TPS|Throttle Position (%)|Drosselklappe [%]|Papillon (%)|Absolute Throttle Position(%)",
    "manifold_kpa": "MAP [psi]|Manifold Absolute Pressure (kPa)|Boost (psig)|Saugrohrdruck [mbar]|MAP_kPa",
    "barometer_kpa": "Baro|Barometric Pressure (inHg)|Luftdruck [hPa]",
    "pulse_width_ms": "PW|Injector Pulse Width (ms)|Einspritzzeit [µs]|Temps d'injection (ms)|Injection time_ms",
    "injector_duty_pct": "Duty [%]|Injector Duty Cycle (%)|Tastverhältnis (%)",
    "lambda_measured": "Lambda|AFR|Wideband AFR|O2 sensor 1 lambda|Equivalence Ratio|AFR (bank 1) [AFR]|λ",
    "lambda_measured_2": "Lambda 2|AFR 2|AFR (bank 2)",
    "lambda_commanded": "Target AFR|Lambda target|Commanded Equivalence Ratio|Lambda Soll|AFR Target",
    "trim_short_pct": "STFT|Short Term Fuel Trim Bank 1 (%)|Lambda correction|Short-term trim, bank 1(%)",
    "trim_long_pct": "LTFT|Long Term Fuel Trim (%)",
    "battery_v": "Battery|Batt V|Battery Voltage (V)|Batteriespannung [V]|Control Module Voltage(V)|VPWR (V)",
    "coolant_c": "ECT|Coolant (°F)|Engine Coolant Temperature(°C)|Kühlmittel|T. eau (°C)|coolant_temp_c|ECT [deg F]",
    "intake_air_c": "IAT|Intake Air Temp (°C)|Ansaugluft [°C]|IAT C",
    "spark_deg": "Ignition Timing|Spark advance (deg)|Zündwinkel [°]|Avance (°)|Timing Advance(°)",
    "knock_retard_deg": "Knock retard (°)|Knock Retard",
    "road_speed_km_h": "Speed_kph|Vehicle Speed (mph)|VSS [km/h]|Geschwindigkeit (km/h)|Speed (Km/h)",
    "gps_speed_km_h": "GPS Speed (m/s)|Speed (GPS) [km/h]",
    "fuel_pressure_kpa": "Fuel Pressure (bar)|Kraftstoffdruck [bar]|Fuel Rail Pressure (kPa)",
    "oil_pressure_kpa": "Oil Pressure (psi)|Öldruck [bar]",
    "fuel_mode": "Fuel mode|Fuel system status|Closed loop",
    "acceleration_m_s2": "Accel X [g]|Longitudinal acceleration (m/s²)",
    "latitude_deg": "Latitude|GPS lat",
    "longitude_deg": "Longitude|Lon",
}


@pytest.mark.parametrize(("channel", "heading"), [(c, h) for c, text in HEADINGS.items() for h in text.split("|")])
def test_headings_of_the_trade_name_their_channel(channel, heading):
    assert channel in parse_heading(heading).channels


# Shortened, turned round, and in other languages: as people and loggers write; common practice, no source.
ABBREVIATED = {
    "coolant_c": "Kühlmitteltemp.|Kühlm. Temp|T_Coolant|T° eau|Coolnt Tmp|Eng. Cool. Temp|water_tmp_degC|Acqua",
    "oil_c": "T.Öl|tOil|Öltemp. [°C]|Temp. huile|Temp olio|Oil tmp (F)",
    "oil_pressure_kpa": "Druck Öl|Öldr.|Press. aceite|Oil prs [bar]|P Oil|Pressione olio",
    "fuel_pressure_kpa": "p_Fuel|Kraftstoffdr.|Fuel press.|Benzindruck",
    "manifold_kpa": "p_Manifold|Saugrohrdr.|Mfld. Press. (kPa)|Mani pres",
    "barometer_kpa": "Umgebungsdruck (mbar)|Baro Press.|Atm. press.",
    "intake_air_c": "Air Temp.|Lufttemp.|Ansauglufttemp|Inl Air Tmp|tIntake",
    "ambient_c": "Außentemp.|Amb. temp",
    "exhaust_c": "Abgastemp|Exh. Gas Temp",
    "battery_v": "Batt. Volt.|U_Batt|Bat. spannung",
    "lambda_commanded": "Lam. soll|AFR des.|Req. lambda",
    "trim_short_pct": "Short Trim #1(%)|Lambda corr. 1",
    "trim_long_2_pct": "Long Trim #2(%)|LONGFT2",
    "pulse_width_ms": "Fuel Pulse (ms)|Inj. time 1|Inj. Dur. (ms)|Inj PW|Inj. puls wid.",
    "spark_deg": "Ign. Adv.|Ign tim",
    "road_speed_km_h": "vehicle_speed_m_s|Veh. Spd.|Geschw.",
    "throttle_pct": "Thr. Pos.|Thrtl Pos",
    "gear": "Current gear",
    "air_flow_kg_h": "mass_airflow_g_s|Luftmasse_kg_h",
}


@pytest.mark.parametrize(("channel", "heading"), [(c, h) for c, text in ABBREVIATED.items() for h in text.split("|")])
def test_abbreviations_name_their_channel(channel, heading):
    assert parse_heading(heading).channels == (channel,)


OTHER_THINGS = (
    "Coolant Temp Sensor Voltage (V)|Oil press warning|Target MAP|Temp|Press|T_1|Cyl Head Temp|Fuel temp|"
    "Sensor supply (V)|Sensor voltage|Injector temp|"
    "Brake pressure|Tire Press|Battery current|Lambda error|Coolant level|Fuel flow|Throttle target|Intake cam advance|"
    "Injector 2 pulse width|O2 voltage|Oil temp target|Idle speed error|Fuel pump duty|Timing retard cyl 3"
)


# The number of a bank or of a sensor, wherever it stands; common practice, no source.
@pytest.mark.parametrize(
    ("heading", "channel"),
    [
        ("Short Fuel Trim B1", "trim_short_pct"),
        ("Short Fuel Trim B2 (%)", "trim_short_2_pct"),
        ("Long Trim #2", "trim_long_2_pct"),
        ("MAF Sensor Voltage B1", "meter_v"),
        ("Injector no. 1 pulse width (msec)", "pulse_width_ms"),
        ("AFR Target 1", "lambda_commanded"),
        ("Speed (GPS)", "gps_speed_km_h"),
        ("ECU.InjPW.ms", "pulse_width_ms"),
        ("n/min^-1", "engine_speed_rpm"),
    ],
)
def test_numbers_of_banks_and_names_of_sources_do_not_hide_a_channel(heading, channel):
    assert channel in parse_heading(heading).channels


@pytest.mark.parametrize(
    "heading", ["MAF 2", "PW2", "Gear ratio", "rpm/s", "Load (g/turn)", "IAT 2", "Gear 1 ratio", "Data.ms"]
)
def test_a_second_of_its_kind_a_ratio_or_a_rate_is_no_channel(heading):
    parsed = parse_heading(heading)
    assert parsed.channels == ()
    assert not parsed.is_time


@pytest.mark.parametrize("heading", OTHER_THINGS.split("|"))
def test_what_is_merely_like_a_channel_names_none(heading):
    assert parse_heading(heading).channels == ()


@pytest.mark.parametrize(
    ("heading", "unit"),
    [
        ("Coolant (°F)", "°F"),
        ("MAP [psi]", "psi"),
        ("Speed_kph", "kph"),
        ("coolant_temp_c", "c"),
        ("Drehzahl / 1/min", "1/min"),
        ("Battery Voltage(V)", "V"),
        ("TPS", ""),
        ("RPM", ""),
        ("Lambda 1", ""),
        ("engine_speed_rpm", "rpm"),
    ],
)
def test_unit_in_a_heading(heading, unit):
    assert parse_heading(heading).unit == unit


@pytest.mark.parametrize(
    "heading", ["Cylinder count", "My secret channel", "Notes", "O3", "", "()", "[V]", "Speedometer cable"]
)
def test_other_headings_name_nothing(heading):
    assert parse_heading(heading).channels == ()


# NIST SP 811 appendix B.8 (from memory): psi 6894.757 Pa, inHg 3386.389 Pa, mile 1609.344 m, lb/min to kg/h 27.2155.
@pytest.mark.parametrize(
    ("heading", "logged", "channel", "expected"),
    [
        ("MAP [psi]", 10.0, "manifold_kpa", 68.94757),
        ("MAP (inHg)", 20.0, "manifold_kpa", 67.72778),
        ("MAP (mbar)", 650.0, "manifold_kpa", 65.0),
        ("Coolant (°F)", 185.0, "coolant_c", 85.0),
        ("Speed (mph)", 60.0, "road_speed_km_h", 96.56064),
        ("Air flow (lb/min)", 3.0, "air_flow_kg_h", 81.6466266),
        ("Air flow (g/s)", 25.0, "air_flow_kg_h", 90.0),
        ("PW (µs)", 4200.0, "pulse_width_ms", 4.2),
        ("MAF (mV)", 2150.0, "meter_v", 2.15),
        ("Accel X [g]", 0.5, "acceleration_m_s2", 4.903325),
        ("Throttle (ratio)", 0.42, "throttle_pct", 42.0),
    ],
)
def test_stated_units_convert(mapped, heading, logged, channel, expected):
    log = mapped({heading: [*waves(logged, logged * 1.3)[:-1].tolist(), logged]})
    assert log[channel].values[-1] == pytest.approx(expected, rel=1e-4)


def test_car_leaves_only_its_own_meter_to_an_unlabelled_maf_column(mapped):
    frequency = {"kind": "frequency", "rail_low": 100, "rail_high": 15000}
    assert "meter_hz" in mapped({"MAF": waves(1500, 7000), "RPM": waves(800, 6000)}, meter=frequency)
    driven = {"RPM": waves(800, 6000), "MAP (kPa)": waves(30, 100)}
    assert "meter_v" in mapped({"MAF": waves(0.9, 4.2), **driven})
    with pytest.raises(MapError, match="meter_v in V, air_flow_kg_h in g s-1, air_flow_kg_h in lb min-1"):
        mapped({"MAF": waves(0.9, 4.2)})


@pytest.mark.parametrize(
    ("heading", "low", "high", "channel", "factor"),
    [
        ("MAP", 25, 100, "manifold_kpa", 1.0),
        ("MAP", 0.25, 1.0, "manifold_kpa", 100.0),
        ("MAP", 250, 1000, "manifold_kpa", 0.1),
        ("TPS", 0.02, 0.9, "throttle_pct", 100.0),
        ("TPS", 2, 90, "throttle_pct", 1.0),
        ("PW", 1500, 12000, "pulse_width_ms", 0.001),
        ("Battery", 13200, 14100, "battery_v", 0.001),
        ("RPM", 0.9, 6.2, "engine_speed_rpm", 1000.0),
    ],
)
def test_missing_unit_is_told_from_numbers_that_fit_one_only(mapped, heading, low, high, channel, factor):
    numbers = waves(low, high)
    log = mapped({heading: numbers})
    np.testing.assert_allclose(log[channel], numbers * factor, rtol=1e-4)
    assert _columns(log)[heading]["sure"] == "likely"


@pytest.mark.parametrize(
    ("heading", "low", "high", "candidates"),
    [
        ("Speed", 0, 90, ("km h-1", "mph", "m s-1")),
        ("IAT", 38, 48, ("degree_Celsius", "degree_Fahrenheit")),
        ("Air flow", 8, 90, ("kg h-1", "g s-1")),
        ("LTFT", 0.97, 1.06, ("percent", "factor")),
        ("Altitude", 300, 500, ("m", "ft")),
    ],
)
def test_missing_unit_that_stays_open_is_an_error_with_its_candidates(mapped, heading, low, high, candidates):
    with pytest.raises(MapError) as caught:
        mapped({heading: waves(low, high)})
    message = str(caught.value)
    assert all(candidate in message for candidate in candidates)
    assert "[[column]]" in message
    assert f'name = "{heading}"' in message


def test_rule_settles_what_is_open(mapped):
    log = mapped({"Speed": waves(0, 90)}, ColumnRule(name="Speed", unit="mph"))
    assert float(log["road_speed_km_h"].max()) == pytest.approx(90 * 1.609344, rel=0.01)
    assert "road_speed_km_h" not in mapped(
        {"Speed": waves(0, 90), "RPM": waves(800, 3000)}, ColumnRule(name="Speed", ignore=True)
    )


def test_every_open_column_stands_in_one_error(mapped):
    with pytest.raises(MapError) as caught:
        mapped({"Speed": waves(0, 90), "Altitude": waves(300, 500), "RPM": waves(800, 6000)})
    assert len(caught.value.problems) == 2


def test_speed_of_all_zeros_needs_no_unit(mapped):
    assert float(mapped({"Speed": np.zeros(ROWS), "RPM": waves(800, 3000)})["road_speed_km_h"].max()) == 0


def test_two_columns_that_claim_one_channel_are_an_error_that_names_both(mapped):
    columns = {"RPM": waves(800, 6000), "Engine speed (rpm)": waves(900, 6100, seed=2)}
    with pytest.raises(MapError, match=r"'RPM' and 'Engine speed \(rpm\)'"):
        mapped(columns)
    log = mapped(columns, ColumnRule(name="RPM", channel="engine_speed_rpm"))
    np.testing.assert_allclose(log["engine_speed_rpm"], columns["RPM"], rtol=1e-4)
    assert "by channels.toml" in _columns(log)["Engine speed (rpm)"]["conversion"]


def test_twin_columns_with_the_same_readings_are_no_rivals(mapped):
    speed = waves(800, 6000)
    log = mapped({"RPM": speed, "Engine RPM": speed})
    assert "has the same readings" in _columns(log)["Engine RPM"]["conversion"]


def test_readings_written_twice_with_different_rounding_are_no_rivals(mapped):
    flow = waves(9, 300)
    log = mapped({"RPM": waves(800, 6000), "MAF (kg/h)": flow.round(0), "MAF (g/s)": (flow / 3.6).round(2)})
    np.testing.assert_allclose(log["air_flow_kg_h"], flow, atol=0.02)
    assert "but for rounding" in _columns(log)["MAF (kg/h)"]["conversion"]


def test_two_sensors_that_nearly_agree_are_rivals(mapped):
    flow = waves(9, 300)
    with pytest.raises(MapError, match="both claim it and differ"):
        mapped({"MAF (kg/h)": flow.round(1), "Air mass flow (kg/h)": (flow + waves(-0.6, 0.6, seed=3)).round(1)})


# A gauge that reckons with 14.7 whatever the fuel: common practice, no source.
def test_lambda_goes_before_an_afr_that_is_a_fixed_number_of_times_as_much(mapped):
    mixture, aim = waves(0.8, 1.2), np.repeat([1.0, 0.9], ROWS // 2)
    columns = {"Lambda": mixture.round(2), "AFR": (14.7 * mixture).round(1)}
    log = mapped(columns | {"Target lambda": aim, "Target AFR": (14.7 * aim).round(1)})
    np.testing.assert_allclose(log["lambda_measured"], mixture, atol=0.0051)
    np.testing.assert_allclose(log["lambda_commanded"], aim)
    assert "needs no stoichiometric ratio" in _columns(log)["AFR"]["conversion"]


def test_an_afr_of_another_sensor_is_a_rival_of_lambda(mapped):
    mixture = waves(0.8, 1.2)
    with pytest.raises(MapError, match="both claim it and differ"):
        mapped({"Lambda": mixture.round(2), "AFR": (14.7 * (mixture + waves(-0.03, 0.03, seed=4))).round(1)})


@pytest.mark.parametrize("atmosphere", [{}, {"Baro (kPa)": np.full(ROWS, 97.4)}])
def test_an_absolute_pressure_goes_before_a_gauge_pressure_beside_it(mapped, atmosphere):
    absolute = waves(30, 180)
    boost = ((absolute - 97.9) / 6.894757).round(1)
    log = mapped({"MAP (kPa)": absolute.round(0), "Boost (psi)": boost} | atmosphere)
    np.testing.assert_allclose(log["manifold_kpa"], absolute, atol=0.51)
    assert "absolute pressure" in _columns(log)["Boost (psi)"]["conversion"]


def test_a_gauge_pressure_that_does_not_run_beside_the_absolute_one_still_wants_the_atmosphere(mapped):
    with pytest.raises(MapError, match="barometer"):
        mapped({"MAP (kPa)": waves(30, 180), "Boost (psi)": waves(-9, 12, seed=7)})


def test_a_reading_goes_before_its_own_average(mapped):
    lam = waves(0.8, 1.2)
    average = np.convolve(lam, np.full(25, 1 / 25), "same")
    np.testing.assert_allclose(mapped({"Avg lambda": average, "Lambda": lam})["lambda_measured"], lam, rtol=1e-4)


def test_a_commanded_lambda_is_no_sensors_voltage(mapped):
    np.testing.assert_allclose(mapped({"LAM_SOLL": waves(0.88, 1.0)})["lambda_commanded"], waves(0.88, 1.0), rtol=1e-4)


def test_same_name_twice_with_different_numbers_is_an_error(tmp_path):
    lines = ["Time,RPM,RPM", *(f"{i / 25},{800 + i},{900 + 2 * i}" for i in range(50))]
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n")
    with pytest.raises(MapError, match="are all named 'RPM' and differ"):
        map_log(tmp_path / "log.csv")


# Stoichiometric ratios by elemental balance, computed with cantera 3.2.0 (reference check values): ethanol 9.0052.
# A display that shows 14.7 x lambda beside a car.toml of another fuel puts the whole curve off by the two ratios.
def test_what_an_afr_was_made_with_is_asked_for_never_taken_from_the_fuel(mapped):
    ethanol = {"name": "ethanol", "hydrogen_to_carbon": 3.0, "oxygen_to_carbon": 0.5, "density_kg_l": 0.789}
    with pytest.raises(MapError, match=r"14\.7 on most displays, whatever the fuel; 9\.01 where it was set to ethanol"):
        mapped({"AFR": waves(8.0, 10.0).round(3)}, fuel=ethanol)


def test_car_says_once_what_an_afr_display_reckons_with(mapped):
    sensor = owners_car().lambda_sensor.model_dump() | {"afr_stoich": 14.7}
    log = mapped({"AFR": waves(12, 15), "AFR target": waves(12, 14)}, lambda_sensor=sensor)
    np.testing.assert_allclose(log["lambda_measured"], waves(12, 15) / 14.7, rtol=1e-4)
    assert "by car.toml" in log["lambda_commanded"].attrs["comment"]


def test_display_that_reckons_with_its_own_ratio(mapped):
    rule = ColumnRule(name="AFR", afr_stoich=14.7)
    log = mapped({"AFR": np.full(ROWS, 14.7) + waves(-1, 1)}, rule)
    assert float(log["lambda_measured"].mean()) == pytest.approx(1.0, abs=0.05)
    np.testing.assert_allclose(log["lambda_measured"], (14.7 + waves(-1, 1)) / 14.7, rtol=1e-4)


def test_afr_without_a_car_is_an_error_that_asks_for_the_ratio(tmp_path):
    raw = read_raw(write_log(tmp_path / "log.csv", {"AFR": waves(12, 15)}))
    with pytest.raises(MapError, match="afr_stoich"):
        map_raw(raw, None, ChannelMap())


def test_equivalence_ratio_is_turned_over(mapped):
    phi = waves(0.8, 1.25)
    log = mapped({"Commanded Equivalence Ratio": phi, "Phi": phi})
    np.testing.assert_allclose(log["lambda_commanded"], 1 / phi, rtol=1e-4)
    np.testing.assert_allclose(log["lambda_measured"], 1 / phi, rtol=1e-4)


# SAE J1979, service 01, PID 44 (from memory): its "equivalence ratio" times the stoichiometric ratio is the commanded
# air-fuel ratio, so it is lambda, while an engineer's equivalence ratio is fuel over air.
def test_equivalence_ratio_is_told_by_a_lambda_beside_it(mapped):
    truth = waves(0.8, 1.25)
    log = mapped({"Lambda": truth, "Commanded Equivalence Ratio": truth})
    np.testing.assert_allclose(log["lambda_commanded"], truth, rtol=1e-4)
    assert "same side" in _columns(log)["Commanded Equivalence Ratio"]["why"]
    log = mapped({"Lambda": truth, "Commanded Equivalence Ratio (-)": 1 / truth})
    np.testing.assert_allclose(log["lambda_commanded"], truth, rtol=1e-4)


def test_air_fuel_equivalence_ratio_is_lambda(mapped):
    log = mapped({"Air fuel equivalence ratio": waves(0.8, 1.2)})
    np.testing.assert_allclose(log["lambda_measured"], waves(0.8, 1.2), rtol=1e-4)


def test_column_named_afr_that_reads_like_lambda_is_not_guessed(mapped):
    with pytest.raises(MapError, match="named AFR, but its numbers read like"):
        mapped({"AFR": waves(0.8, 1.2)})
    log = mapped({"AFR": waves(0.8, 1.2)}, ColumnRule(name="AFR", unit="lambda"))
    assert float(log["lambda_measured"].max()) < 1.3


def test_unit_beside_a_wideband_column_decides(mapped):
    assert float(mapped({"Wideband (lambda)": waves(0.8, 1.2)})["lambda_measured"].mean()) == pytest.approx(1, abs=0.1)
    afr = mapped({"Wideband (AFR)": waves(12, 16)}, ColumnRule(name="Wideband (AFR)", afr_stoich=14.7))
    np.testing.assert_allclose(afr["lambda_measured"], waves(12, 16) / 14.7, rtol=1e-4)


@pytest.mark.parametrize(
    ("heading", "numbers", "expected"),
    [
        ("STFT (%)", waves(-6, 8), waves(-6, 8)),
        ("STFT", waves(0.94, 1.08), (waves(0.94, 1.08) - 1) * 100),
        ("STFT (%)", waves(94, 108), waves(94, 108) - 100),
        ("Lambda correction (factor)", waves(0.9, 1.1), (waves(0.9, 1.1) - 1) * 100),
        ("LTFT (%)", waves(1, 3), waves(1, 3)),
    ],
)
def test_trims_as_percent_factor_or_percent_of_the_base(mapped, heading, numbers, expected):
    log = mapped({heading: numbers})
    channel = "trim_long_pct" if "LTFT" in heading else "trim_short_pct"
    np.testing.assert_allclose(log[channel], expected, atol=0.011)


def test_gauge_pressure_takes_the_logged_barometer_or_the_weather(mapped):
    boost = waves(-0.7, 0.8)
    with pytest.raises(MapError, match=r"weather\.pressure_kpa"):
        mapped({"Boost (bar)": boost})
    log = mapped({"Boost (bar)": boost}, weather=WEATHER)
    np.testing.assert_allclose(log["manifold_kpa"], boost * 100 + 99.5, rtol=1e-3)
    log = mapped({"Boost (bar)": boost, "Baro (hPa)": np.full(ROWS, 950.0)}, weather=WEATHER)
    np.testing.assert_allclose(log["manifold_kpa"], boost * 100 + 95.0, rtol=1e-3)


def test_pressure_that_falls_below_zero_can_only_be_gauge(mapped):
    psi = waves(-11, 9)
    log = mapped({"MAP [psi]": psi}, weather=WEATHER)
    np.testing.assert_allclose(log["manifold_kpa"], psi * 6.894757 + 99.5, rtol=1e-3)


def test_vacuum_is_taken_from_the_atmosphere(mapped):
    vacuum = waves(1, 20)
    log = mapped({"Vacuum (inHg)": vacuum}, weather=WEATHER)
    np.testing.assert_allclose(log["manifold_kpa"], 99.5 - vacuum * 3.386389, rtol=1e-3)


def test_absolute_fuel_pressure_is_brought_above_atmosphere(mapped):
    log = mapped({"Fuel pressure (bar abs)": waves(3.9, 4.1)}, weather=WEATHER)
    np.testing.assert_allclose(log["fuel_pressure_kpa"], waves(3.9, 4.1) * 100 - 99.5, rtol=1e-3)
    rule = ColumnRule(name="Fuel pressure (bar)", gauge=False)
    log = mapped({"Fuel pressure (bar)": waves(3.9, 4.1)}, rule, weather=WEATHER)
    np.testing.assert_allclose(log["fuel_pressure_kpa"], waves(3.9, 4.1) * 100 - 99.5, rtol=1e-3)


def test_fuelling_words_and_switch_words(mapped):
    words = ["CL", "Open Loop", "fuel cut", "WOT", "???", ""] * 5
    switch = ["on", "OFF", "1", "0", "yes", "no"] * 5
    gears = ["N", "1", "2", "R", "3rd", "4"] * 5
    log = mapped({"Fuel mode": words, "Clutch": switch, "Gear": gears, "RPM": waves(800, 900, 30)})
    assert log["fuel_mode"].values[:4].tolist() == [2, 1, 3, 4]
    assert np.isnan(log["fuel_mode"].values[4:6]).all()
    assert _columns(log)["Fuel mode"]["unreadable"] == {"???": 5}
    assert log["clutch_pressed"].values[:6].tolist() == [1, 0, 1, 0, 1, 0]
    assert log["gear"].values[:6].tolist() == [0, 1, 2, -1, 3, 4]
    assert log["fuel_mode"].attrs["flag_meanings"].split() == [
        "unknown",
        "open_loop",
        "closed_loop",
        "fuel_cut",
        "full_load",
    ]


# SAE J1979, service 01, PID 03 (from memory): 1 open loop, not yet warm; 2 closed loop; 4 open loop by driving
# conditions; 8 open loop by a fault; 16 closed loop with a fault.
def test_fuel_system_status_codes_of_j1979(mapped):
    codes = np.tile([1, 2, 4, 8, 16], 20)
    log = mapped({"Fuel system status": codes.astype(float), "RPM": waves(800, 900, 100)})
    assert log["fuel_mode"].values[:5].tolist() == [1, 2, 1, 1, 2]


def test_fuelling_codes_of_unknown_meaning_are_an_error_and_words_settle_them(mapped):
    codes = np.tile([0.0, 5.0, 7.0], 30)
    with pytest.raises(MapError, match="0, 5, 7"):
        mapped({"Fuel state": codes, "RPM": waves(800, 900, 90)})
    rule = ColumnRule(name="Fuel state", words={"0": 1, "5": 2, "7": 3})
    log = mapped({"Fuel state": codes, "RPM": waves(800, 900, 90)}, rule)
    assert log["fuel_mode"].values[:3].tolist() == [1, 2, 3]


def test_every_code_that_was_seen_is_asked_for_at_once(mapped):
    with pytest.raises(MapError, match=r"what the codes 0, 1, 2, .*, 15, 16 mean") as error:
        mapped({"Fuel state": np.tile(np.arange(17.0), 6), "RPM": waves(800, 900, 102)})
    assert all(f'"{code}" = "fill in"' in str(error.value) for code in range(17))


def test_a_three_in_the_column_does_not_make_its_codes_the_kits(mapped):
    with pytest.raises(MapError, match="nothing says what the codes 1, 2, 3 mean"):
        mapped({"Fuel mode": np.tile([1.0, 2.0, 3.0], 30), "RPM": waves(800, 900, 90)})


@pytest.mark.parametrize(
    "said", ["0 open,1 closed,2 fuel cut", "0=OL; 1=CL; 2=DFCO", "0: open loop / 1: closed / 2: cut"]
)
def test_codes_that_the_unit_line_states_are_read(tmp_path, said):
    rows = [f"{i * 0.04:.2f};{i % 4};{900 + i}" for i in range(100)]
    (tmp_path / "log.csv").write_text("\n".join(["Time;Fuel Mode;RPM", f's;"{said}";rpm', *rows, ""]))
    log = map_log(tmp_path / "log.csv")
    assert log["fuel_mode"].values[:3].tolist() == [1, 2, 3]
    assert np.isnan(log["fuel_mode"].values[3])
    assert _columns(log)["Fuel Mode"]["unreadable"] == {"3": 25}
    assert "without a meaning in channels.toml, and not read: '3' 25" in log.attrs["history"]


def test_a_code_that_words_do_not_name_is_told_of(mapped):
    rule = ColumnRule(name="Fuel state", words={"0": 1, "1": 2, "-1": 3})
    log = mapped({"Fuel state": np.tile([0.0, 1.0, -1.0, 7.0], 25), "RPM": waves(800, 900, 100)}, rule)
    assert log["fuel_mode"].values[:3].tolist() == [1, 2, 3]
    assert _columns(log)["Fuel state"]["unreadable"] == {"7": 25}


@pytest.mark.parametrize(("heading", "expected"), [("Closed loop", [1, 2]), ("Open loop", [2, 1])])
def test_a_loop_switch_is_read_where_its_name_says_which_loop(mapped, heading, expected):
    log = mapped({heading: np.tile([0.0, 1.0], 50), "RPM": waves(800, 900, 100)})
    assert log["fuel_mode"].values[:2].tolist() == expected


@pytest.mark.parametrize("heading", ["Loop status", "Open/closed loop", "Fuel mode"])
def test_a_loop_switch_that_does_not_say_which_loop_is_asked_for(mapped, heading):
    with pytest.raises(MapError, match="nothing says what the codes 0, 1 mean"):
        mapped({heading: np.tile([0.0, 1.0], 50), "RPM": waves(800, 900, 100)})


def test_scale_offset_and_invert_act_in_the_documented_order(mapped):
    raw = waves(100, 900)
    rule = ColumnRule(name="Aux 3", channel="coolant_c", unit="°F", scale=0.5, offset=-20)
    log = mapped({"Aux 3": raw}, rule)
    np.testing.assert_allclose(log["coolant_c"], (raw * 0.5 - 20 - 32) / 1.8, atol=0.01)
    turned = mapped({"Brake": np.tile([0.0, 1.0], 50)}, ColumnRule(name="Brake", invert=True))
    assert turned["brake_pressed"].values[:2].tolist() == [1, 0]


def test_retard_logged_as_negative_comes_out_positive(mapped):
    log = mapped({"Knock retard (°)": -waves(0, 4).round(1), "RPM": waves(800, 3000)})
    assert float(log["knock_retard_deg"].max()) == pytest.approx(4, abs=0.1)


def test_unmapped_columns_are_listed_with_a_reason(mapped):
    log = mapped(
        {"RPM": waves(800, 3000), "Secret": waves(0, 1), "Coolant (V)": waves(0, 5), "Oil temp (°C)": [""] * ROWS}
    )
    notes = _columns(log)
    assert notes["Secret"]["conversion"] == "not mapped: no channel has this name"
    assert "V is no unit of it" in notes["Coolant (V)"]["conversion"]
    assert notes["Oil temp (°C)"]["conversion"] == "not mapped: the column is empty"
    assert {"coolant_c", "oil_c"}.isdisjoint(log)


def test_error_words_are_listed_with_their_column(mapped):
    rpm = [f"{x:.0f}" for x in waves(800, 3000)]
    rpm[5] = rpm[9] = "ERR"
    log = mapped({"RPM": rpm})
    assert _columns(log)["RPM"]["unreadable"] == {"ERR": 2}
    assert np.isnan(log["engine_speed_rpm"].values[[5, 9]]).all()


def test_log_says_what_it_is(mapped):
    log = mapped({"RPM": waves(800, 3000), "Lambda": waves(0.9, 1.1)})
    assert log.attrs["Conventions"] == "CF-1.11"
    files = json.loads(log.attrs["files"])
    assert [(f["path"], f["rows_in"], f["rows_kept"], f["rows_set_aside"]) for f in files] == [
        ("log.csv", ROWS, ROWS, 0)
    ]
    assert len(files[0]["sha256"]) == 64
    assert json.loads(log.attrs["set_aside"]) == []
    assert log["engine_speed_rpm"].attrs["units"] == "rpm"
    assert log["time"].attrs["units"] == "s"
    assert log["episode"].dtype == np.int32
    assert all(isinstance(value, str) for value in log.attrs.values())


def test_mapping_twice_gives_the_same_log_and_leaves_the_table_alone(tmp_path):
    path = write_log(tmp_path / "log.csv", {"RPM": waves(800, 3000), "Lambda": waves(0.8, 1.1)})
    raw = read_raw(path)
    before = raw.frame.clone()
    first = map_raw(raw, owners_car(), ChannelMap())
    first["engine_speed_rpm"].values[:] = 0
    second = map_raw(raw, owners_car(), ChannelMap())
    assert raw.frame.equals(before)
    assert float(second["engine_speed_rpm"].min()) > 700
