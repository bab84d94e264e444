"""What holds for the findings of every study: a value lies in its interval, and `met` rests on one, in the limit."""

from __future__ import annotations

import numpy as np
import pytest
from driven_log import CAR, REVISION, driven, known_delay
from plain_car import WEATHER, flagged, in_force, outing, owners_car
from plain_mixture import DELAY_FLOW, DELAY_S, LAG_S, Fault, with_fuelling
from plain_vehicle import Logger, PlainVehicle, drive, out_and_back, write_down

from tunelab.simulate.demo.special import TRUTH
from tunelab.simulate.plans import road_drive
from tunelab.simulate.schedule import idle
from tunelab.study.delay import DelayFit
from tunelab.study.feasibility import FullLoad, check_feasibility
from tunelab.study.finding import Finding
from tunelab.study.fuel_cut import study_fuel_cut
from tunelab.study.full_load_fuel import join_setting, propose_full_load
from tunelab.study.full_throttle import check_full_throttle
from tunelab.study.heat import study_heat
from tunelab.study.idle import study_idle
from tunelab.study.pull import find_pulls
from tunelab.study.spark import study_spark
from tunelab.study.transient import study_transients
from tunelab.study.trims import study_trims

# Findings that may be `met` without an interval, each with its reason.
WITHOUT_INTERVAL = {
    "feasibility.injector_flow": "two numbers that the owner states, held against each other: nothing was measured",
    "feasibility.pull_gear": "a gear counted from the owner's own ratios and limits: nothing was measured",
    "power.standard_day": "a factor computed from the weather that the owner states: nothing was measured",
}
GROSS_CHECK = "consistency."  # a check of belief against gross bounds, not a measurement: it has no interval by design
LOWER_IS_WORSE = {"full_throttle.meter_headroom", "full_throttle.battery", "full_throttle.oil_pressure", "link.supply"}
LOWER_IS_WORSE |= {"feasibility.meter_headroom", "idle.actuator_margin"}
EITHER_WAY = {"idle.speed_error", "idle.lambda_error", "trims.total", "launch.held_speed", "high_flow.agreement"}


def assert_holds(finding: Finding) -> None:
    """The rules of every finding."""
    value, lower, upper, limit = finding.value, finding.lower, finding.upper, finding.limit
    assert (lower is None) == (upper is None), finding
    if finding.status == "not_shown":
        assert (value, lower, upper) == (None, None, None), finding
        assert finding.because, finding
        return
    if value is not None and lower is not None:
        assert lower <= value <= upper, finding
        assert lower < upper, finding
    if finding.status != "met" or finding.id in WITHOUT_INTERVAL or finding.id.startswith(GROSS_CHECK):
        return
    assert lower is not None, finding
    if limit is None:
        return
    if finding.id in LOWER_IS_WORSE:
        assert lower >= limit, finding
    elif finding.id in EITHER_WAY:
        assert max(abs(lower), abs(upper)) <= limit, finding
    else:
        assert upper <= limit, finding


@pytest.fixture(scope="module")
def road():
    """Idle, take-offs, cruises, tip-ins and overrun of the simulated demo car, warm."""
    return driven(idle(8.0), *road_drive(is_cold=False)[:10], idle(8.0)).log


@pytest.fixture(scope="module")
def pulls_log():
    car = PlainVehicle()
    plain = write_down(drive(car, out_and_back(3, 2400, 6600, pairs=1)), Logger(), np.random.default_rng(5))
    return with_fuelling(plain, Fault(), np.random.default_rng(6))


def road_findings(log):
    found = [*study_trims(log, CAR, REVISION).findings(CAR), *study_heat(log, CAR, REVISION).findings(CAR)]
    found += [*study_idle(log, CAR).findings(CAR), *study_fuel_cut(log, CAR, REVISION).findings(CAR)]
    return [*found, *study_transients(log, CAR, REVISION, known_delay(TRUTH)).findings(CAR)]


KNOWN = DelayFit(
    DELAY_S, (DELAY_S - 0.02, DELAY_S + 0.02), DELAY_FLOW, (DELAY_FLOW - 1, DELAY_FLOW + 1),
    LAG_S, (LAG_S - 0.02, LAG_S + 0.02), 0.16, (0.14, 0.18), 60.0, 0.95, True, "", "known", 1000, 0,
)  # fmt: skip


def pull_findings(plain):
    car = owners_car(PlainVehicle())
    log = flagged(plain, car)
    pulls = find_pulls(log, car, outing("full-throttle"))
    found = check_full_throttle(log, car, in_force(), pulls, KNOWN)
    fuel = propose_full_load(log, car, in_force(), found.mixture, join_setting(in_force(), None, None, None))
    return [*found.findings(), *fuel.findings(), *study_spark(log, car, in_force()).findings()]


def test_findings_of_the_road_hold(road):
    found = road_findings(road)
    assert len(found) > 20
    assert sum(f.status == "met" for f in found) > 3
    for finding in found:
        assert_holds(finding)


def test_findings_of_full_throttle_hold(pulls_log):
    found = pull_findings(pulls_log)
    assert sum(f.status == "met" for f in found) > 8
    for finding in found:
        assert_holds(finding)


def test_findings_before_the_drive_hold():
    engine = {"displacement_l": 3.0, "cylinders": 6, "idle_target_rpm": 850, "volumetric_efficiency_expected_pct": 92.0}
    car = owners_car(PlainVehicle(), engine=engine)
    found = check_feasibility(car, in_force(), FullLoad(WEATHER, 0.87, 13.8), pull_speed_max_km_h=150.0).findings()
    assert sum(f.status == "met" for f in found) > 1
    for finding in found:
        assert_holds(finding)


def frozen(log, names):
    """A log in which channels stand at their first known reading throughout."""
    for name in names:
        values = log[name].values.astype(float)
        log = log.assign({name: ("time", np.full(values.size, values[np.isfinite(values)][0]), log[name].attrs)})
    return log


SENSORS = ("knock_retard_deg", "battery_v", "coolant_c", "intake_air_c", "fuel_pressure_kpa", "meter_v")


def test_a_channel_that_never_moves_meets_nothing_at_full_throttle(pulls_log):
    moving = {f.id: f.status for f in pull_findings(pulls_log)}
    still = {f.id: f for f in pull_findings(frozen(pulls_log, (*SENSORS, "lambda_measured", "pulse_width_ms")))}
    assert sum(status == "met" for status in moving.values()) > 8
    alive = {name for name, f in still.items() if f.status == "met"}
    # duty goes with engine speed, which moves; fuelling mode moves too
    assert alive <= {"full_throttle.fuel_mode"}, {name: still[name] for name in alive}


def test_a_channel_that_never_moves_meets_nothing_on_the_road(road):
    names = [n for n in ("idle_actuator_pct", "trim_short_pct", "trim_long_pct", "spark_deg") if n in road]
    found = {f.id: f for f in road_findings(frozen(road, (*names, "engine_speed_rpm", "lambda_measured")))}
    for finding in found.values():
        assert_holds(finding)
        assert finding.status != "met", finding
