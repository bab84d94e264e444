"""A whole, valid workspace as text, for tests to write down and to break."""

from pathlib import Path

CAR = """\
name = "Hill-climb special"

[engine]
displacement_l = 3.0
cylinders = 6
idle_target_rpm = 850
stroke_mm = 89.6

[meter]
kind = "voltage"
rail_low = 0.1
rail_high = 4.95

[injectors]
count = 6
injections_per_cycle = 1
rated_flow_g_min = 310
rated_pressure_kpa = 300
pressure = "manifold-referenced"
rail_pressure_kpa = 300
ecu_compensates_pressure = false

[lambda_sensor]
rail_low = 0.65
rail_high = 1.6
warm_up_s = 20
delay_s = 0.06
delay_flow_s_kg_h = 6.0
lag_s = 0.1

[fuel]
name = "pump fuel"
hydrogen_to_carbon = 1.86
oxygen_to_carbon = 0.0
density_kg_l = 0.745

[limits]
rev_limit_rpm = 7000
top_speed_km_h = 120
lambda_max_full_load = 0.9
injector_duty_max_pct = 85
knock_retard_max_deg = 3
coolant_min_c = 75
coolant_max_c = 105
intake_air_max_c = 60
battery_min_v = 11.5
steady_lambda_error_max_pct = 2
meter_change_max_pct = 15
dead_time_change_max_ms = 0.3

[gearing]
ratios = [3.5, 2.1, 1.4, 1.0, 0.8]
final_drive = 3.9

[tyres]
size = "205/55R16"

[vehicle]
mass_kg = 1150
mass_uncertainty_kg = 25
driven_axle = "rear"

[road_load]
drag_area_m2 = 0.65
rolling_coefficient = 0.014
"""

REVISION = """\
name = "r01"
date = 2026-04-20

[meter_curve]
meter_v = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5]
flow_kg_h = [2.0, 8.0, 22.0, 50.0, 98.0, 175.0, 290.0, 455.0, 680.0]

[injectors]
flow_g_min = 310

[dead_time]
battery_v = [10.0, 12.0, 14.0]
dead_time_ms = [1.6, 1.1, 0.8]

[fuelling]
stoich_afr = 14.5
rev_limit_rpm = 6800
"""

SESSION = """\
date = 2026-05-03
steps = ["steady"]
revision = "r01"
files = ["log1.csv"]
"""

SESSION_NAME = "2026-05-03-steady"


def write_workspace(root: Path) -> Path:
    """Write the valid workspace into `root` and give `root` back."""
    texts = {
        "car.toml": CAR,
        "revisions/r01.toml": REVISION,
        f"sessions/{SESSION_NAME}/session.toml": SESSION,
        f"sessions/{SESSION_NAME}/log1.csv": "Time (s),Engine speed (rpm)\n0.00,850\n0.04,852\n",
    }
    for name, text in texts.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")
    return root
