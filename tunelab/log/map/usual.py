"""What a column without a unit may be: the units that a channel is logged in, and where its numbers lie in real drives.

The ranges are wide on purpose: a unit is taken only where every other one is clearly impossible. Whatever is left open
is asked, as a wrong unit spoils every result while a question costs one line of channels.toml.
"""

from __future__ import annotations

from tunelab.channels import CHANNELS

_TRIED = {
    "rpm": ("rpm", "krpm"),
    "V": ("V", "mV"),
    "Hz": ("Hz", "kHz"),
    "kPa": ("kPa", "psi", "bar", "mbar", "inHg"),
    "percent": ("percent", "1"),
    "ms": ("ms", "us", "s"),
    "degree_Celsius": ("degree_Celsius", "degree_Fahrenheit"),
    "km h-1": ("km h-1", "mph", "m s-1"),
    "kg h-1": ("kg h-1", "g s-1", "lb min-1"),
    "mg": ("mg", "g"),
    "m s-2": ("m s-2", "g0"),
    "m": ("m", "ft"),
}
_TRIED_OF_CHANNEL = {
    "fuel_pressure_kpa": ("kPa", "psi", "bar"),
    "oil_pressure_kpa": ("kPa", "psi", "bar"),
    "gps_speed_km_h": ("km h-1", "mph", "m s-1", "knot"),
}

Ends = tuple[float, float] | None

# Where the 2nd percentile, the middle and the 98th percentile lie in a real drive, in the channel's unit. Common
# practice, no source. None: says nothing.
USUAL: dict[str, tuple[Ends, Ends, Ends]] = {
    "engine_speed_rpm": (None, (400, 12000), (600, 16000)),
    "idle_target_rpm": (None, (400, 2500), (400, 3000)),
    "meter_v": ((0, 4), (0.3, 5), (0.5, 5.5)),
    "meter_hz": (None, (200, 15000), (600, 20000)),
    "meter_counts": (None, (20, 65535), (100, 65535)),
    "air_flow_kg_h": (None, (3, 900), (4, 2100)),  # from the idle of a small engine to 600 kW
    "air_charge_mg": (None, (20, 1500), (40, 4000)),  # from the idle of a small engine to a boosted large cylinder
    "throttle_pct": (None, None, (-5, 105)),
    "pedal_pct": (None, None, (-5, 105)),
    "injector_duty_pct": ((0, 60), None, (1.5, 110)),
    "idle_actuator_pct": ((-5, 100), None, (-5, 105)),
    "manifold_kpa": ((12, 101), None, (20, 300)),
    "barometer_kpa": ((55, 108), (60, 108), (60, 108)),
    "pulse_width_ms": ((0, 15), (0.7, 25), (1, 40)),
    "lambda_measured": ((0.45, 1.3), (0.65, 1.45), (0.7, 12)),
    "battery_v": ((6, 16), (9, 16.5), (10, 20)),
    "coolant_c": (None, None, (15, 120)),
    "oil_c": (None, None, (15, 160)),
    "intake_air_c": (None, (-20, 80), None),
    "ambient_c": (None, (-25, 50), None),
    "exhaust_c": (None, (100, 1000), (180, 1200)),
    "fuel_pressure_kpa": (None, (140, 900), (140, 1500)),
    "oil_pressure_kpa": (None, (50, 900), (100, 1500)),
    "road_speed_km_h": (None, (0, 250), (8, 320)),
    "acceleration_m_s2": ((-16, 2), (-4, 4), (0.05, 17)),
    "altitude_m": (None, (-400, 5000), None),
}
_LIKE = {
    "lambda_measured_2": "lambda_measured",
    "lambda_commanded": "lambda_measured",
    "gps_speed_km_h": "road_speed_km_h",
}


def tried_units(channel: str) -> tuple[str, ...]:
    """Units in which a channel is logged."""
    unit = CHANNELS[channel].unit
    return _TRIED_OF_CHANNEL.get(channel) or _TRIED.get(unit, (unit,))


def usual_ends(channel: str) -> tuple[Ends, Ends, Ends]:
    """Where the 2nd percentile, the middle and the 98th percentile of a channel lie, in its unit; None says nothing."""
    known = CHANNELS[channel]
    return USUAL.get(_LIKE.get(channel, channel), (None, (known.low, known.high), None))


# What a channel can be at all, in its unit: the 2nd percentile lies above the first number, the 98th between the second
# and the third, unless it is 0 throughout. Outside, a stated unit is not believed: it is a thousand times off, or
# another quantity. Wide, as an engine may stand still or a sensor lie at its stop. Common practice, no source.
POSSIBLE: dict[str, tuple[float, float, float]] = {
    "engine_speed_rpm": (-1, 50, 25000),
    "idle_target_rpm": (-1, 50, 8000),
    "meter_v": (-1, 0.02, 20),
    "meter_hz": (-1, 20, 50000),
    "meter_counts": (-1, 1, 70000),
    "air_flow_kg_h": (-50, 0.5, 5000),
    "air_charge_mg": (-50, 5, 10000),
    "throttle_pct": (-50, -50, 150),
    "pedal_pct": (-50, -50, 150),
    "injector_duty_pct": (-50, -50, 200),
    "idle_actuator_pct": (-50, -50, 150),
    "manifold_kpa": (-5, 15, 600),
    "barometer_kpa": (30, 40, 120),
    "pulse_width_ms": (-1, 0.2, 100),
    "lambda_measured": (-0.1, 0.3, 70),
    "battery_v": (-1, 2, 60),
    "coolant_c": (-60, -60, 175),
    "oil_c": (-60, -60, 200),
    "intake_air_c": (-60, -60, 150),
    "ambient_c": (-60, -60, 80),
    "exhaust_c": (-60, -60, 1500),
    "spark_deg": (-100, -100, 100),
    "knock_retard_deg": (-60, -60, 60),
    "road_speed_km_h": (-50, -50, 600),
    "fuel_pressure_kpa": (-120, 15, 30000),
    "oil_pressure_kpa": (-120, 2, 3000),
    "acceleration_m_s2": (-150, -150, 150),
    "latitude_deg": (-90, -90, 90),
    "longitude_deg": (-180, -180, 180),
    "altitude_m": (-1000, -1000, 12000),
    "gear": (-3, -3, 20),
    "enrichment_pct": (-200, -200, 1500),
    "trim_short_pct": (-150, -150, 150),
    "trim_long_pct": (-150, -150, 150),
}
_LIKE_POSSIBLE = {"trim_short_2_pct": "trim_short_pct", "trim_long_2_pct": "trim_long_pct"}
HIGHEST_MIDDLE = {"lambda_measured": 10.0}  # and the middle of the readings lies no higher, free air or not


def possible_ends(channel: str) -> tuple[float, float, float] | None:
    """What a channel can be at all, as `POSSIBLE` has it; None where nothing is said."""
    return POSSIBLE.get(_LIKE.get(channel, _LIKE_POSSIBLE.get(channel, channel)))


def highest_middle(channel: str) -> float:
    """Highest middle of the readings that a channel can have, in its unit."""
    return HIGHEST_MIDDLE.get(_LIKE.get(channel, channel), float("inf"))
