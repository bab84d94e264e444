"""The demo's log dialects: plain trade words, none of them any real logger's."""

from __future__ import annotations

from dataclasses import replace

from tunelab.simulate.logger import Column, Dialect


def _columns(rows: list[tuple[str, str, str, int]]) -> tuple[Column, ...]:
    return tuple(Column(*row) for row in rows)


# Comma, dot, units in brackets. The heading comes again after each reconnect.
PLAIN = Dialect(
    columns=_columns(
        [
            ("engine_speed_rpm", "Engine speed (rpm)", "rpm", 0),
            ("meter_v", "Air meter (V)", "V", 3),
            ("air_flow_kg_h", "Air flow (kg/h)", "kg/h", 1),
            ("throttle_pct", "Throttle (%)", "%", 1),
            ("manifold_kpa", "Manifold pressure (kPa)", "kPa", 1),
            ("pulse_width_ms", "Pulse width (ms)", "ms", 3),
            ("lambda_measured", "Lambda", "", 3),
            ("lambda_commanded", "Lambda commanded", "", 3),
            ("trim_short_pct", "Short-term trim (%)", "%", 1),
            ("trim_long_pct", "Long-term trim (%)", "%", 1),
            ("battery_v", "Battery (V)", "V", 2),
            ("coolant_c", "Coolant (°C)", "°C", 0),
            ("intake_air_c", "Intake air (°C)", "°C", 0),
            ("spark_deg", "Spark advance (°)", "°", 1),
            ("knock_retard_deg", "Knock retard (°)", "°", 1),
            ("road_speed_km_h", "Road speed (km/h)", "km/h", 1),
            ("fuel_pressure_kpa", "Fuel pressure (kPa)", "kPa", 0),
            ("oil_pressure_kpa", "Oil pressure (kPa)", "kPa", 0),
            ("fuel_mode", "Fuel mode", "", 0),
            ("idle_actuator_pct", "Idle actuator (%)", "%", 0),
            ("latitude_deg", "Latitude (°)", "", 6),
            ("longitude_deg", "Longitude (°)", "", 6),
            ("altitude_m", "Altitude (m)", "m", 1),
        ]
    ),
    time_heading="Time (s)",
    time_style="seconds",
    delimiter=",",
    decimal=".",
    encoding="utf-8",
    preamble=(),
    has_unit_row=False,
    is_quoted=False,
    repeats_heading=True,
    newline="\n",
)

# Lines of text before the table, milliseconds, quoted headings, a carriage return at each line's end.
CHATTY = replace(
    PLAIN,
    columns=_columns(
        [
            ("engine_speed_rpm", "RPM", "rpm", 0),
            ("meter_v", "MAF voltage (V)", "V", 3),
            ("throttle_pct", "TPS (%)", "%", 1),
            ("manifold_kpa", "MAP (kPa)", "kPa", 1),
            ("pulse_width_ms", "Inj PW (ms)", "ms", 3),
            ("lambda_measured", "Lambda", "", 3),
            ("lambda_commanded", "Lambda target", "", 3),
            ("trim_short_pct", "STFT (%)", "%", 2),
            ("trim_long_pct", "LTFT (%)", "%", 2),
            ("enrichment_pct", "Accel enrichment (%)", "%", 1),
            ("battery_v", "Battery voltage (V)", "V", 2),
            ("coolant_c", "Coolant temp (°C)", "°C", 1),
            ("intake_air_c", "IAT (°C)", "°C", 1),
            ("spark_deg", "Ignition advance (deg)", "deg", 1),
            ("knock_retard_deg", "Knock retard (deg)", "deg", 1),
            ("road_speed_km_h", "Vehicle speed (km/h)", "km/h", 1),
            ("fuel_pressure_kpa", "Fuel pressure (kPa)", "kPa", 0),
            ("fuel_mode", "Fuel mode", "", 0),
        ]
    ),
    time_heading="Time (ms)",
    time_style="milliseconds",
    encoding="utf-8-sig",
    preamble=("Road log", "Box 2, 24 channels", "Note: loads switched by hand", ""),
    is_quoted=True,
    repeats_heading=False,
    newline="\r\n",
)

# Semicolons, decimal commas, °F, psi and mph, Latin-1.
FOREIGN = replace(
    PLAIN,
    columns=_columns(
        [
            ("engine_speed_rpm", "Engine speed [rpm]", "rpm", 0),
            ("meter_v", "MAF sensor [V]", "V", 3),
            ("air_flow_kg_h", "Mass air flow [g/s]", "g/s", 2),
            ("throttle_pct", "Throttle position [%]", "%", 1),
            ("manifold_kpa", "MAP absolute [psi]", "psi", 2),
            ("pulse_width_ms", "Injector pulse width [ms]", "ms", 3),
            ("lambda_measured", "AFR", "afr", 2),
            ("lambda_commanded", "AFR target", "afr", 2),
            ("trim_short_pct", "Short-term fuel trim [%]", "%", 1),
            ("trim_long_pct", "Long-term fuel trim [%]", "%", 1),
            ("enrichment_pct", "Acceleration enrichment [%]", "%", 1),
            ("battery_v", "Battery [V]", "V", 2),
            ("coolant_c", "Coolant [°F]", "°F", 0),
            ("intake_air_c", "Intake air temp [°F]", "°F", 0),
            ("oil_c", "Oil temp [°F]", "°F", 0),
            ("spark_deg", "Spark advance [°]", "°", 1),
            ("knock_retard_deg", "Knock retard [°]", "°", 1),
            ("road_speed_km_h", "Road speed [mph]", "mph", 1),
            ("fuel_pressure_kpa", "Fuel pressure [psi]", "psi", 1),
            ("oil_pressure_kpa", "Oil pressure [psi]", "psi", 1),
            ("idle_actuator_pct", "Idle valve [%]", "%", 0),
            ("idle_target_rpm", "Idle target [rpm]", "rpm", 0),
            ("fuel_mode", "Fuel mode", "", 0),
            ("gear", "Gear", "", 0),
            ("clutch_pressed", "Clutch switch", "", 0),
        ]
    ),
    time_heading="Time [s]",
    delimiter=";",
    decimal=",",
    encoding="latin-1",
    repeats_heading=False,
    newline="\r\n",
)

# Tabs, a row of units, time of day, UTF-16.
TABBED = replace(
    PLAIN,
    columns=_columns(
        [
            ("engine_speed_rpm", "Engine speed", "1/min", 0),
            ("meter_v", "Air meter voltage", "mV", 0),
            ("throttle_pct", "Throttle", "%", 1),
            ("manifold_kpa", "Manifold absolute pressure", "mbar", 0),
            ("pulse_width_ms", "Injection time", "µs", 0),
            ("lambda_measured", "Lambda measured", "-", 3),
            ("lambda_commanded", "Lambda set", "-", 3),
            ("trim_short_pct", "Short term trim", "factor", 4),
            ("trim_long_pct", "Long term trim", "factor", 4),
            ("battery_v", "Supply voltage", "V", 2),
            ("coolant_c", "Coolant temperature", "°C", 1),
            ("intake_air_c", "Intake air temperature", "°C", 1),
            ("spark_deg", "Ignition angle", "°", 1),
            ("knock_retard_deg", "Knock retard", "°", 1),
            ("road_speed_km_h", "Vehicle speed", "km/h", 1),
            ("fuel_mode", "Fuel mode", "-", 0),
        ]
    ),
    time_heading="Time of day",
    time_style="clock",
    delimiter="\t",
    encoding="utf-16",
    has_unit_row=True,
    repeats_heading=False,
    newline="\r\n",
)

# Pipes, date and time in one column.
PIPED = replace(
    PLAIN,
    columns=_columns(
        [
            ("engine_speed_rpm", "rpm", "rpm", 0),
            ("road_speed_km_h", "wheel speed km/h", "km/h", 2),
            ("gps_speed_km_h", "gps speed km/h", "km/h", 2),
            ("throttle_pct", "throttle %", "%", 1),
            ("manifold_kpa", "map kPa", "kPa", 1),
            ("meter_v", "maf V", "V", 3),
            ("pulse_width_ms", "pulse width ms", "ms", 3),
            ("lambda_measured", "lambda", "", 3),
            ("lambda_commanded", "lambda target", "", 3),
            ("battery_v", "battery V", "V", 2),
            ("coolant_c", "coolant °C", "°C", 1),
            ("intake_air_c", "intake air °C", "°C", 1),
            ("spark_deg", "spark °", "°", 1),
            ("knock_retard_deg", "knock retard °", "°", 1),
            ("fuel_pressure_kpa", "fuel pressure kPa", "kPa", 0),
            ("oil_pressure_kpa", "oil pressure kPa", "kPa", 0),
            ("acceleration_m_s2", "acceleration m/s²", "m/s²", 2),
            ("gear", "gear", "", 0),
            ("clutch_pressed", "clutch", "", 0),
            ("brake_pressed", "brake", "", 0),
            ("launch_active", "launch hold", "", 0),
            ("fuel_mode", "fuel mode", "", 0),
            ("latitude_deg", "latitude", "", 6),
            ("longitude_deg", "longitude", "", 6),
            ("altitude_m", "altitude m", "m", 1),
        ]
    ),
    time_heading="timestamp",
    time_style="iso8601",
    delimiter="|",
    repeats_heading=False,
)

# Semicolons, dot, units in brackets: the second car's own logger, without an air meter.
TABLED = replace(
    PLAIN,
    columns=_columns(
        [
            ("engine_speed_rpm", "Engine speed (rpm)", "rpm", 0),
            ("manifold_kpa", "Manifold pressure (kPa)", "kPa", 1),
            ("throttle_pct", "Throttle (%)", "%", 1),
            ("pulse_width_ms", "Pulse width (ms)", "ms", 3),
            ("lambda_measured", "Lambda", "", 3),
            ("lambda_commanded", "Lambda commanded", "", 3),
            ("trim_short_pct", "Short-term trim (%)", "%", 1),
            ("trim_long_pct", "Long-term trim (%)", "%", 1),
            ("battery_v", "Battery (V)", "V", 2),
            ("barometer_kpa", "Barometer (kPa)", "kPa", 1),
            ("coolant_c", "Coolant (°C)", "°C", 0),
            ("intake_air_c", "Intake air (°C)", "°C", 0),
        ]
    ),
    delimiter=";",
    repeats_heading=False,
)
