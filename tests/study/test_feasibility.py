"""What a pull asks of injectors, meter and gearing, against handbook arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from plain_car import WEATHER, in_force, owners_car

from tunelab.study.feasibility import FullLoad, check_feasibility

FULL_LOAD = FullLoad(WEATHER, lambda_full_load=0.87, battery_v=13.8)


def with_filling(percent: float | None, **tables):
    engine = {
        "displacement_l": 3.0,
        "cylinders": 6,
        "idle_target_rpm": 850,
        "volumetric_efficiency_expected_pct": percent,
    }
    return owners_car(engine=engine, **tables)


def check(car, **change):
    options = {"pull_speed_max_km_h": 150.0} | change
    return check_feasibility(car, in_force(), FULL_LOAD, **options)


def by_id(found) -> dict:
    return {finding.id: finding for finding in found.findings()}


def test_air_and_duty_by_hand():
    """Volumetric efficiency arithmetic of any engine handbook: flow = filling × density × displacement × speed / 2."""
    row = check(with_filling(90.0)).load.iloc[-1]
    density = 99.5e3 / (287.05 * 291.15) - 0.003  # dry gas law less some 0.3 % for half-saturated air at 18 °C
    air = 0.90 * density * 3.0e-3 * 6900 / 2 * 60
    assert row["engine_speed_rpm"] == 6900
    assert row["air_kg_h"] == pytest.approx(air, rel=0.004)
    # one squirt per 720 degrees: duty = pw_ms × rpm / 1200 (SAE J1832 terms; cycle time 120/rpm s by definition)
    dead = 1.4 + (13.8 - 9) / 6 * (0.7 - 1.4)
    stoich = (
        34.56 * (4 + 1.89 - 2 * 0.0166) / (12.011 + 1.008 * 1.89 + 15.999 * 0.0166)
    )  # Heywood, eq. 3.6, from memory
    pulse = air / 60 * 1e6 / (stoich * 0.87) / (6 * 3450) / (310 / 60) + dead
    assert row["pulse_width_ms"] == pytest.approx(pulse, rel=0.01)
    assert row["duty_pct"] == pytest.approx(row["pulse_width_ms"] * 6900 / 1200, rel=1e-9)
    assert row["fuel_kg_h"] == pytest.approx(air / (stoich * 0.87), rel=0.01)


def test_headroom_is_what_the_curve_reads_beyond_the_air_at_either_end_of_the_filling():
    found = check(with_filling(90.0))
    row, top = found.load.iloc[-1], found.curve_top_kg_h
    for column, filling in (("headroom_pct", 90), ("headroom_lower_pct", 95), ("headroom_upper_pct", 85)):
        assert row[column] == pytest.approx(100 * (1 - row["air_kg_h"] * filling / 90 / top))


@pytest.mark.parametrize(("flow_g_min", "status"), [(305.0, "met"), (303.0, "watch"), (317.0, "watch")])
def test_the_revisions_injector_flow_may_be_two_per_cent_off_the_rating(flow_g_min, status):
    base = in_force()  # 310 g/min, as rated; 2 % is common practice
    own = base.model_copy(update={"injectors": base.injectors.model_copy(update={"flow_g_min": flow_g_min})})
    found = check_feasibility(with_filling(90.0), own, FULL_LOAD, pull_speed_max_km_h=150.0)
    assert by_id(found)["feasibility.injector_flow"].status == status


def test_findings_are_held_against_the_owners_limits():
    found = by_id(check(with_filling(90.0)))
    assert found["feasibility.injector_duty"].status == "met"
    assert found["feasibility.meter_headroom"].status == "watch"  # 5 % wanted; 0 to 10 % with ±5 points of filling
    assert found["feasibility.injector_flow"].status == "met"
    small = check(with_filling(90.0, injectors={
        "count": 6, "injections_per_cycle": 1, "rated_flow_g_min": 150, "rated_pressure_kpa": 300,
        "pressure": "fixed", "rail_pressure_kpa": 300, "ecu_compensates_pressure": False,
    }))  # fmt: skip
    assert by_id(small)["feasibility.injector_duty"].status == "stop"
    assert by_id(small)["feasibility.injector_flow"].status == "watch"  # the revision still reckons with 310
    assert any("regulator is fixed" in note for note in small.notes)


def test_the_pressure_law_is_the_square_root():
    car = with_filling(90.0, injectors={
        "count": 6, "injections_per_cycle": 1, "rated_flow_g_min": 250, "rated_pressure_kpa": 300,
        "pressure": "manifold-referenced", "rail_pressure_kpa": 400, "ecu_compensates_pressure": False,
    })  # fmt: skip
    # 250 at 3 bar is 288.675 at 4 bar: square-root law, common practice.
    assert check(car).injector_flow_g_min == pytest.approx(288.67513, abs=1e-4)


def test_without_an_expected_filling_the_largest_one_is_told_and_nothing_counts_as_met():
    found = check(with_filling(None))
    duty = by_id(found)["feasibility.injector_duty"]
    assert duty.status == "not_shown"
    assert duty.value is None
    assert "suffice up to a volumetric efficiency" in duty.because
    stated = check(with_filling(90.0)).load.iloc[-1]
    # At that filling the duty is the limit: linear in filling between any two.
    slope = (stated["duty_upper_pct"] - stated["duty_lower_pct"]) / 10
    at_limit = stated["duty_pct"] + slope * (stated["largest_filling_duty_pct"] - 90)
    assert at_limit == pytest.approx(85.0, abs=1e-3)


def test_highest_gear_under_a_stated_speed():
    found = check(with_filling(90.0), pull_speed_max_km_h=150.0)
    assert found.pull_gear == 3
    assert list(found.gears["pull_fits"]) == [True, True, True, False, False]
    assert check(with_filling(90.0), pull_speed_max_km_h=60.0).pull_gear == 0
    assert by_id(check(with_filling(90.0), pull_speed_max_km_h=60.0))["feasibility.pull_gear"].status == "stop"


def test_no_gearing_is_not_shown():
    assert by_id(check(with_filling(90.0, gearing=None)))["feasibility.pull_gear"].status == "not_shown"


def test_the_owners_limits_cannot_be_passed():
    with pytest.raises(ValueError, match="leaner than the owner's limit"):
        check_feasibility(with_filling(90.0), in_force(), FullLoad(WEATHER, 0.95, 13.8), pull_speed_max_km_h=100)
    with pytest.raises(ValueError, match="above the owner's limit"):
        check(with_filling(90.0), pull_speed_max_km_h=220.0)


def test_injector_flow_needed_matches_the_usual_sum():
    """Fuel over the number of injectors and the highest duty: the injector-sizing arithmetic of the trade."""
    found = check(with_filling(90.0))
    fuel_g_min = found.load["fuel_upper_kg_h"].max() * 1000 / 60
    assert found.injector_flow_needed_g_min == pytest.approx(fuel_g_min / (6 * 0.85))
    assert np.isfinite(found.curve_top_kg_h)
