"""What each step of a session needs from a log."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from tunelab.workspace.car import Car

METER = ("meter_v", "meter_hz", "meter_counts")
SPEED = ("road_speed_km_h", "gps_speed_km_h")

# Each entry is a group of channels of which one is enough.
_NEEDED: dict[str, tuple[tuple[str, ...], ...]] = {
    "steady": (
        ("engine_speed_rpm",),
        (*METER, "air_flow_kg_h"),
        ("pulse_width_ms",),
        ("lambda_measured",),
        ("battery_v",),
        ("coolant_c",),
    ),
    "part-throttle": (
        ("engine_speed_rpm",),
        (*METER, "air_flow_kg_h"),
        ("pulse_width_ms",),
        ("lambda_measured",),
        ("throttle_pct",),
        ("battery_v",),
        ("coolant_c",),
    ),
    "full-throttle": (("engine_speed_rpm",), ("lambda_measured",), ("throttle_pct",), ("coolant_c",)),
    "road": (("engine_speed_rpm",), SPEED),
    "coast-down": (SPEED,),
    "launch": (("engine_speed_rpm",), SPEED),
    "link": (),
}

_HELPFUL: dict[str, tuple[tuple[str, ...], ...]] = {
    "steady": (
        METER,
        ("lambda_commanded",),
        ("trim_short_pct",),
        ("trim_long_pct",),
        ("throttle_pct",),
        ("fuel_mode",),
    ),
    "part-throttle": (METER, ("lambda_commanded",), ("enrichment_pct",), ("fuel_mode",)),
    "full-throttle": (
        ("knock_retard_deg",),
        ("pulse_width_ms", "injector_duty_pct"),
        ("spark_deg",),
        ("intake_air_c",),
        ("fuel_pressure_kpa",),
        ("oil_pressure_kpa",),
        ("battery_v",),
        METER,
        SPEED,
    ),
    "road": (
        ("throttle_pct",),
        ("lambda_measured",),
        ("lambda_commanded",),
        ("pulse_width_ms",),
        (*METER, "air_flow_kg_h"),
        ("manifold_kpa",),
        ("trim_short_pct",),
        ("trim_long_pct",),
        ("battery_v",),
        ("coolant_c",),
        ("intake_air_c",),
        ("fuel_mode",),
        ("latitude_deg",),
        ("altitude_m",),
    ),
    "coast-down": (("gps_speed_km_h",), ("altitude_m",), ("clutch_pressed", "gear"), ("brake_pressed",)),
    "launch": (("launch_active",), ("clutch_pressed",), ("acceleration_m_s2",), ("throttle_pct",)),
    "link": (("engine_speed_rpm",), ("battery_v",)),
}


def _of_car(groups: Collection[tuple[str, ...]], car: Car | None) -> list[tuple[str, ...]]:
    """Groups as a car needs them: without an air meter, what its table goes by stands in the meter's place."""
    if car is None or car.has_meter:
        return list(groups)
    return list(dict.fromkeys((car.air_reading,) if set(METER) <= set(group) else group for group in groups))


def blocks(steps: Collection[str], channels: Collection[str], known: Collection[str], car: Car | None = None) -> bool:
    """Whether one of the steps needs one of some channels, as none of those known does instead."""
    groups = (set(group) for step in steps for group in _of_car(_NEEDED[step], car))
    return any(group & set(channels) and not group & set(known) for group in groups)


@dataclass(frozen=True)
class Need:
    """What a step misses. Each entry is a group of channels of which one is enough."""

    step: str
    missing: tuple[tuple[str, ...], ...]  # the step cannot be analysed without
    would_help: tuple[tuple[str, ...], ...]


def find_needs(channels: Collection[str], car: Car | None = None) -> list[Need]:
    """Hold the channels of a log against the needs of every step; the clock every log has.

    A car whose ECU takes the air from a table needs what that goes by, and no meter's reading.
    """
    return [_need(step, set(channels), car) for step in _NEEDED]


def _need(step: str, channels: set[str], car: Car | None) -> Need:
    needed, helpful = (_of_car(groups[step], car) for groups in (_NEEDED, _HELPFUL))
    if car is not None and not car.has_meter and (car.air_reading,) in needed:
        helpful.append(("intake_air_c",))  # for the charge temperature
    missing, more = ([group for group in groups if not set(group) & channels] for groups in (needed, helpful))
    return Need(step, tuple(missing), tuple(group for group in more if group not in needed))
