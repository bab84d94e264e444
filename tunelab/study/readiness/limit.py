"""Which of the owner's limits a finding is compared with, whether it still is the same, and whether it was passed."""

from __future__ import annotations

import math

from tunelab.study.finding import LEAN_STOP_PCT, Finding
from tunelab.study.launch import LET_GO_S
from tunelab.workspace.car import Car

HELD_AGAINST = {
    "steady.lambda_error": "steady_lambda_error_max_pct",
    "full_throttle.lambda": "lambda_max_full_load",
    "full_throttle.lambda_error": "steady_lambda_error_max_pct",
    "full_throttle.rich_error": "steady_lambda_error_max_pct",
    "full_throttle.knock_retard": "knock_retard_max_deg",
    "full_throttle.injector_duty": "injector_duty_max_pct",
    "full_throttle.meter_headroom": "meter_headroom_min_pct",
    "full_throttle.coolant": "coolant_max_c",
    "full_throttle.coolant_rise": "coolant_rise_max_c",
    "full_throttle.intake_air": "intake_air_max_c",
    "full_throttle.intake_air_rise": "intake_air_rise_max_c",
    "full_throttle.oil_pressure": "oil_pressure_min_kpa",
    "full_throttle.fuel_pressure_drop": "fuel_pressure_drop_max_kpa",
    "full_throttle.battery": "battery_min_v",
    "idle.speed_error": "idle_speed_error_max_rpm",
    "idle.hunting": "idle_hunting_max_rpm",
    "idle.lambda_error": "steady_lambda_error_max_pct",
    "idle.actuator_margin": "idle_actuator_margin_min_pct",
    "return.undershoot": "idle_undershoot_max_rpm",
    "return.settling": "idle_settling_max_s",
    "launch.held_speed": "launch_hold_tolerance_rpm",
    "launch.zero_speed": "launch_let_go_max_s",
    "limits.knock_retard": "knock_retard_max_deg",
    "limits.lean_under_load": "lean_under_load_max_pct",
    "limits.lambda_full_load": "lambda_max_full_load",
    "limits.injector_duty": "injector_duty_max_pct",
    "limits.meter_headroom": "meter_headroom_min_pct",
    "limits.boost": "boost_max_kpa",
    "limits.coolant": "coolant_max_c",
    "limits.coolant_rise": "coolant_rise_max_c",
    "limits.intake_air": "intake_air_max_c",
    "limits.intake_air_rise": "intake_air_rise_max_c",
    "limits.oil_temperature": "oil_max_c",
    "limits.exhaust": "exhaust_max_c",
    "limits.oil_pressure": "oil_pressure_min_kpa",
    "limits.fuel_pressure_drop": "fuel_pressure_drop_max_kpa",
    "limits.battery": "battery_min_v",
    "limits.engine_speed": "rev_limit_rpm",
    "limits.road_speed": "top_speed_km_h",
    "steady.lean_at_load": "lean_under_load_max_pct",
}
# Findings that tell how far a value is from one that the owner states: the finding of the value itself, and the key.
MEASURED_FROM = {"launch.held_speed": ("launch.held", "launch_hold_rpm")}
# What holds where the owner states none.
WITHOUT = {
    "meter_headroom_min_pct": 0.0,
    "launch_let_go_max_s": LET_GO_S,
    "lean_under_load_max_pct": LEAN_STOP_PCT,
}
LOWER_IS_WORSE = ("idle.actuator_margin",)
ONE_SIDED = ("steady.lean_at_load",)  # below zero is no error of the kind
SAME = 1e-5  # share by which a limit in a record may differ from the one in car.toml: how finely records are written


def other_limit(finding: Finding, car: Car) -> str:
    """Say that car.toml now states another limit than the one a finding was compared with; empty where it does not."""
    key = HELD_AGAINST.get(finding.id)
    if key is None:
        return ""
    now = getattr(car.limits, key)
    now = WITHOUT.get(key) if now is None else now
    if now == finding.limit or (None not in (now, finding.limit) and math.isclose(now, finding.limit, rel_tol=SAME)):
        return ""
    texts = ["no limit" if limit is None else f"{limit:g}" for limit in (finding.limit, now)]
    return f"it was compared with {texts[0]}, and car.toml now states {texts[1]} (limits.{key})"


def other_setting(finding: Finding, whole: Finding | None, car: Car) -> str:
    """Say that car.toml now states another value than a finding was measured from; empty where it does not.

    `whole` is the finding of the value itself (the first of MEASURED_FROM); the difference of the two is what was
    stated. A record without it does not tell what that was.
    """
    if finding.id not in MEASURED_FROM:
        return ""
    key = MEASURED_FROM[finding.id][1]
    now = getattr(car.limits, key)
    if now is None:
        return f"car.toml no longer states what it was measured from (limits.{key})"
    if whole is None or whole.value is None or finding.value is None:
        return f"its record does not say which limits.{key} it was measured from"
    then = whole.value - finding.value
    if math.isclose(then, now, rel_tol=SAME, abs_tol=SAME * abs(whole.value)):
        return ""
    return f"it was measured from {then:.5g}, and car.toml now states {now:g} (limits.{key})"


def passes_limit(finding: Finding) -> bool:
    """Whether the value itself, not only its interval, lies past the limit."""
    if finding.value is None or finding.limit is None:
        return False
    size = finding.value if finding.id in ONE_SIDED else abs(finding.value)
    return size < finding.limit if finding.id in LOWER_IS_WORSE else size > finding.limit
