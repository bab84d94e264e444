"""Every finding of every study: its value lies in its interval, `met` rests on one, in the limit, and on live readings.

Each study is driven once on logs in which it has something to say. A finding that the code can make and none of them
makes fails here, and so does one that none of them shows.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from driven_log import CAR, REVISION, driven, known_delay
from finding_rules import assert_holds, patterns_of_findings
from held_log import held_log
from link_log import at_speed, link_log, without
from link_log import session as link_session
from plain_car import WEATHER, flagged, in_force, outing, owners_car
from plain_filling import drive_table, invent_table
from plain_fit import made_up_fit, made_up_proposal
from plain_mixture import DELAY_FLOW, DELAY_S, LAG_S, Fault, with_fuelling
from plain_power import measure, pulled
from plain_vehicle import Logger, PlainVehicle, drive, out_and_back, write_down

from tunelab.log.load import add_table_air
from tunelab.record.earlier import prediction
from tunelab.record.plan import plan_chapter
from tunelab.simulate.demo.cars import MARIT, PIA, TRUTH
from tunelab.simulate.schedule import idle, launches, road_drive
from tunelab.study.coast_down import fit_coast_down
from tunelab.study.consistency import check_consistency, withhold_findings
from tunelab.study.coverage import cover
from tunelab.study.delay import DelayFit
from tunelab.study.drive_plan import plan_drive
from tunelab.study.feasibility import FullLoad, check_feasibility
from tunelab.study.filling import fit_filling, propose_table
from tunelab.study.finding import Finding
from tunelab.study.fuel_cut_log import study_fuel_cut
from tunelab.study.full_load_error import join_setting
from tunelab.study.full_load_fuel import propose_full_load
from tunelab.study.full_throttle import check_full_throttle
from tunelab.study.heat import study_heat
from tunelab.study.high_flow import extend_curve
from tunelab.study.idle import study_idle
from tunelab.study.idle.events import idle_blocks, load_cost
from tunelab.study.idle_tables import propose_idle
from tunelab.study.information import calm_drive
from tunelab.study.launch import study_launches
from tunelab.study.limits import watch_limits
from tunelab.study.link import account_link, link_findings, order_noise, study_link, supply_voltage
from tunelab.study.link.noise import channel_noise
from tunelab.study.part_throttle import check_part_throttle
from tunelab.study.power import compare_power
from tunelab.study.pull import find_pulls
from tunelab.study.shift import find_shift_points, propose_rev_limit
from tunelab.study.spark import study_spark
from tunelab.study.steady.result import BankDifference, LeanAtLoad, Levels, LevelShift
from tunelab.study.steady.suspects import Bend, Size, Suspects
from tunelab.study.tip_in_fuel import propose_tip_in_fuel
from tunelab.study.transient import study_transients
from tunelab.study.trims import study_trims
from tunelab.workspace.car import Car, Limits
from tunelab.workspace.revision import Revision

# What no drive below makes, each with the reason.
MADE_ELSEWHERE = {
    "part_throttle": "stands alone where there is no pull at part throttle at all",
    "full_throttle": "stands alone where there is no full throttle at all",
    "part_throttle.meter_agreement": "high_flow.agreement under another name",
    "steady.lambda_error_alone": "steady.lambda_error under another name, where earlier drives were fitted along",
    "spark.predicted": "made where knock retard passed the limit twice: test_spark.py, by the same rules",
    "idle.target_predicted": "made where an idle is restless: test_idle_tables.py, by the same rules",
    "return.undershoot_predicted": "made where returns dip: test_idle_tables.py, by the same rules",
    "return.settling_predicted": "made where returns hang: test_idle_tables.py, by the same rules",
    "acceleration.predicted": "made where tip-ins want other fuel: test_tip_in_fuel.py, by the same rules",
    "fuel_cut.dip_predicted": "made where the engine dips after cuts: test_tip_in_fuel.py, by the same rules",
    "shift.useful_predicted": "made where no gear gains at the limit: test_shift.py, by the same rules",
    "rev_limit.predicted": "made where no gear gains at the limit: test_shift.py, by the same rules",
    "display.max_colwidth": "an option of pandas",
}
# What no drive below shows: the test beside this one that shows it and holds it against the same rules.
SHOWN_IN = {
    "heat.per_coolant": "test_heat.py", "heat.per_intake": "test_heat.py", "heat.meter": "test_heat.py",
    "idle.flare": "idle/test_study.py", "idle.load_step": "idle/test_study.py", "fuel_cut.exit": "test_fuel_cut.py",
    "fuel_cut.dip": "test_fuel_cut.py", "idle.load_cost": "test_idle_tables.py",
    "acceleration.error": "test_tip_in_fuel.py",
    "consistency.own_bank": "test_misleading.py", "consistency.cylinders": "test_misleading.py",
}  # fmt: skip
# What rests on nothing but engine speed, road speed, throttle and position, or on what the owner states.
BY_SPEEDS = {"limits.engine_speed", "limits.limiter", "limits.road_speed", "consistency.gears", "consistency.clock"}
BY_SPEEDS |= {"idle.speed_error", "idle.speed_spread", "idle.hunting", "return.undershoot", "return.hang"}
BY_SPEEDS |= {"return.settling", "launch.held", "launch.held_speed", "launch.recovery", "launch.hold_time"}
BY_SPEEDS |= {"launch.bog", "launch.drivers", "launch.time", "launch.repeat", "link.wiring_change", "link.drop_outs"}
BY_SPEEDS |= {
    "power.wheel_peak",
    "power.change",
    "power.standard_day",
    "shift.useful",
    "shift.1_2",
    "shift.2_3",
    "shift.3_4",
}
BY_SPEEDS |= {"shift.4_5", "coast_down.drag_area", "coast_down.rolling", "coast_down.force_100"}
# What may rightly stand still for a whole drive, or only tells when and where something was.
MAY_STAND_STILL = {"lambda_commanded", "trim_long_pct", "battery_v", "barometer_kpa", "throttle_pct", "latitude_deg"}
MAY_STAND_STILL |= {"longitude_deg", "launch_active", "clutch_pressed", "engine_speed_rpm"}
SPEEDS = ("engine_speed_rpm", "road_speed_km_h", "throttle_pct", "gps_speed_km_h", "latitude_deg", "longitude_deg")
# Settings of the owner's table of limits that nothing measured is held against.
NO_LIMIT_BY_ITSELF = {
    "load_from_pct": "says where load begins",
    "launch_hold_rpm": "what launch_hold_tolerance_rpm is counted from",
}
OPTIONAL = {
    "intake_air_rise_max_c": 15, "coolant_rise_max_c": 8, "oil_max_c": 130, "exhaust_max_c": 900, "boost_max_kpa": 90,
    "lean_under_load_max_pct": 10, "oil_pressure_min_kpa": 200, "fuel_pressure_drop_max_kpa": 20,
    "meter_headroom_min_pct": 5, "idle_speed_error_max_rpm": 60, "idle_speed_spread_max_rpm": 40,
    "idle_hunting_max_rpm": 50, "idle_actuator_margin_min_pct": 5, "idle_flare_max_rpm": 700,
    "idle_undershoot_max_rpm": 300, "idle_settling_max_s": 6, "trim_total_max_pct": 25, "excursion_lean_max_pct": 15,
    "excursion_rich_max_pct": 15, "launch_hold_rpm": 4200, "launch_hold_tolerance_rpm": 100, "launch_hold_max_s": 4,
    "launch_bog_max_rpm": 1500, "launch_let_go_max_s": 0.2,
}  # fmt: skip


def all_limits(car: Car) -> Car:
    """The car with every limit stated, each by a number of its own that tells which it is."""
    stated = OPTIONAL | {key: value for key, value in car.limits.model_dump().items() if value is not None}
    stated.pop("load_from_pct", None)
    own = {key: value * (1 + 1e-6 * k) for k, (key, value) in enumerate(sorted(stated.items()))}
    return car.model_copy(update={"limits": Limits.model_validate(own)})


VEHICLE = PlainVehicle()
ENGINE = {"displacement_l": 3.0, "cylinders": 6, "idle_target_rpm": 850, "volumetric_efficiency_expected_pct": 92.0}
OWNER = all_limits(owners_car(VEHICLE, engine=ENGINE | {"inertia_kg_m2": VEHICLE.engine_inertia_kg_m2}))
SIMULATED = all_limits(CAR)
KNOWN = DelayFit(
    DELAY_S, (DELAY_S - 0.02, DELAY_S + 0.02), DELAY_FLOW, (DELAY_FLOW - 1, DELAY_FLOW + 1),
    LAG_S, (LAG_S - 0.02, LAG_S + 0.02), 0.16, (0.14, 0.18), 60.0, 0.95, True, "", "known", 1000, 0,
)  # fmt: skip
COASTS = [("hold", 3, 3000, 4.0), ("hold", 4, 3500, 4.0)]
COASTS += [("hold", 5, 4300, 2.0), ("lift", 5, 1.0), ("coast", 25.0), ("turn",)] * 2
HALF_PULLS = [("hold", 3, 2200, 4.0), ("pull", 3, 4800, 50.0), ("lift", 3, 2.0), ("turn",)] * 2


@dataclass(frozen=True)
class Driven:
    """A log as it was written, and what its studies find in it."""

    log: Callable[[], xr.Dataset]
    find: Callable[[xr.Dataset], list[Finding]]


def lively(log: xr.Dataset, seed: int = 8) -> xr.Dataset:
    """Readings that move as real ones do, where the plain mixture holds them still, and some that it lacks."""
    rng, time, speed = np.random.default_rng(seed), log["time"].values, log["engine_speed_rpm"].values
    pressure = np.clip(30 + 0.7 * log["throttle_pct"].values, 30, 99.5)
    more = {
        "coolant_c": np.round(88 + 1.5 * np.sin(time / 20)),
        "intake_air_c": np.round(25 + 1.5 * np.sin(time / 15)),
        "oil_c": np.round(95 + 4 * np.sin(time / 30)),
        "exhaust_c": np.round(650 + 0.02 * speed),
        "oil_pressure_kpa": 120 + 0.05 * speed + rng.normal(0, 2, time.size),
        "manifold_kpa": pressure + rng.normal(0, 0.2, time.size),
        "barometer_kpa": np.round(99.5 + 0.1 * np.sin(time / 9), 1),
    }
    more["fuel_pressure_kpa"] = log["fuel_pressure_kpa"].values + more["manifold_kpa"] - 101.325
    return log.assign({name: ("time", values) for name, values in more.items()})


@cache
def vehicle(phases: tuple, seed: int = 5) -> xr.Dataset:
    """A log of the plain vehicle with fuelling."""
    plain = write_down(drive(VEHICLE, phases), Logger(), np.random.default_rng(seed))
    mixed = with_fuelling(plain, Fault(knock_deg=1.0, above_throttle_pct=40), np.random.default_rng(seed + 1))
    return lively(mixed)


@cache
def road_log() -> xr.Dataset:
    """Idle, take-offs, cruises, tip-ins and overrun of the simulated demo car, warm."""
    return driven(idle(8.0), *road_drive(is_cold=False)[:10], idle(8.0)).log


@cache
def launch_log(seed: int = 3) -> xr.Dataset:
    driver = {3: MARIT, 4: PIA}[seed]
    tasks = launches(driver, np.random.default_rng(seed), repeats=3, until_km_h=60.0)
    return driven(*tasks, driver=driver, seed=seed, rate_hz=20.0).log


IDLES = {
    "idle_base": {"coolant_c": [20.0, 86.0], "actuator_pct": [45.0, 40.0]},
    "acceleration_fuel": {"coolant_c": [86.0], "engine_speed_rpm": [2300.0], "amount": [[8.0]]},
}


def road_findings(log: xr.Dataset) -> list[Finding]:
    car, stating = SIMULATED, Revision.model_validate(REVISION.model_dump() | IDLES)
    found = [*study_trims(log, car, REVISION).findings(car), *study_heat(log, car, REVISION).findings(car)]
    found += [*study_idle(log, car).findings(car), *study_fuel_cut(log, car, REVISION).findings(car)]
    found += check_consistency([log], car, {"r03": REVISION}, "r03")
    idles, cut = study_idle(log, car), study_fuel_cut(log, car, REVISION)
    moves = study_transients(log, car, REVISION, known_delay(TRUTH))
    tables = (*propose_idle(log, car, stating, idles, cut), propose_tip_in_fuel(moves, car, stating))
    found += [finding for table in tables for finding in table.findings()]
    return [*found, load_cost(idle_blocks(log, car, stating)), *moves.findings(car)]


def full_findings(log: xr.Dataset) -> list[Finding]:
    log, revision = flagged(log, OWNER), in_force()
    pulls = find_pulls(log, OWNER, outing("full-throttle"))
    found = check_full_throttle(log, OWNER, revision, pulls, KNOWN)
    watched = watch_limits(log, OWNER, revision, outing("full-throttle"), KNOWN)
    own = [*found.findings(), *watched.findings(), *study_spark(log, OWNER, revision).findings()]
    if found.mixture is None:
        return own
    fit = replace(made_up_fit(), reference=revision.name)
    high = extend_curve(log, OWNER, revision, found.mixture, fit)
    fuel = propose_full_load(log, OWNER, revision, found.mixture, join_setting(revision, None, None, None))
    return [*own, *high.findings(), *fuel.findings()]


def half_findings(log: xr.Dataset) -> list[Finding]:
    log = flagged(log, OWNER)
    pulls = find_pulls(log, OWNER, outing("part-throttle"))
    found = check_part_throttle(log, OWNER, in_force(), pulls, KNOWN)
    return [*found.findings(), *watch_limits(log, OWNER, in_force(), outing("part-throttle"), KNOWN).findings()]


def power_findings(log: xr.Dataset) -> list[Finding]:
    fit, other = measure(log, OWNER)[0], measure(pulled(VEHICLE, np.random.default_rng(12)), OWNER)[0]
    found = [*fit.findings(), *compare_power(other, fit).findings()]
    chart = find_shift_points(fit, OWNER, in_force())
    return [*found, *chart.findings(), *propose_rev_limit(chart, OWNER, in_force()).findings()]


def coast_findings(log: xr.Dataset) -> list[Finding]:
    return fit_coast_down(flagged(log, OWNER), OWNER, outing("coast-down")).findings()


def launch_findings(log: xr.Dataset) -> list[Finding]:
    others = [(launch_log(4), "Pia")]
    study = study_launches(log, SIMULATED, driver="Marit", distance_m=20.0, others=others)
    return study.findings(SIMULATED)


def noisy_link() -> xr.Dataset:
    """A start that drops the link, drop-outs while running, and ignition noise on the throttle's line."""
    log = link_log(at_speed((0, 20), (200, 2), (850, 200), (2530, 300)))
    beat = 0.4 * np.sin(2 * np.pi * np.cumsum(log["engine_speed_rpm"].values / 60 * 3.0) / 20.0)
    log = log.assign(throttle_pct=("time", log["throttle_pct"].values + beat))
    for at in (21.0, 120.0, 300.0, 310.0, 400.0):
        log = without(log, at, at + 3.0)
    return log


def link_study_findings(log: xr.Dataset) -> list[Finding]:
    rng, how = np.random.default_rng(1), {"factor": 3.0, "power": 0.8, "confidence": 0.95}
    own, before = link_session(wiring="loom B"), link_session(wiring="loom A")
    worse = link_log(at_speed((850, 200), (2530, 400)))
    for at in np.arange(20.0, 580.0, 14.0):
        worse = without(worse, at, at + 3.0)
    accounts = [account_link(flagged(worse, OWNER), OWNER, before, shortest_s=0.5)]
    log = flagged(log, OWNER)
    accounts.append(account_link(log.assign_attrs(session="2026-05-09-link"), OWNER, own, shortest_s=0.5))
    study = study_link(accounts, rng=rng, **how)
    drops = np.array([drop.battery_before_v for drop in accounts[-1].drop_outs])
    supply = supply_voltage(log, OWNER, drops, channel_noise(log, OWNER, confidence=0.95))
    orders = order_noise(log, {"ignition, all cylinders": 3.0}, confidence=0.95, rng=rng)
    return link_findings(study, orders, OWNER, tolerable_per_h=60.0, supply=supply)


def steady_findings(log: xr.Dataset) -> list[Finding]:
    """Findings of a fit made up by hand; those of real fits are held in test_steady_faults.py."""
    lean = LeanAtLoad(3.0, 2.0, 4.0, True, 3000.0, 0.8, "s", 60.0, 9, 80.0, 2000, "")
    shift = LevelShift("s", 0.2, -0.1, 0.5)
    levels = Levels((shift,), (shift, shift), shift, 0.3, 0.4)
    bank = BankDifference("same pipe", 0.5, 0.2, 0.8, 60, False, "Two sensors in one pipe read +0.5 % apart.")
    dead = replace(made_up_fit().dead_time, because="Made up.", slope_because="Made up.")
    bend = Bend(Size(0.01, 0.02), 0.05, 1e-4, np.zeros(3), np.zeros(1), 1.5)
    suspects = Suspects(Size(0.001, 0.002), 1.5, Size(0.1, 0.1), bend)
    fit = replace(made_up_fit(), dead_time=dead, lean_at_load=lean, levels=levels, banks=bank, suspects=suspects)
    covered = cover(log, SIMULATED, REVISION)
    drives = [calm_drive(log, SIMULATED, REVISION)]
    plan = plan_drive(covered, SIMULATED, REVISION, top_speed_km_h=120.0, drives=drives)
    found = [*fit.findings(SIMULATED), prediction(fit, made_up_proposal(REVISION), SIMULATED)]
    return [*found, *plan_chapter(covered, plan).findings]


def table_findings(log: xr.Dataset) -> list[Finding]:
    """Of a car without an air meter; what checks of the log stop is withheld, as in its record."""
    revisions = {"r01": TABLED.revision}
    fit = fit_filling([log], TABLED.car, revisions, "r01")
    with_air = add_table_air(log, TABLED.car, TABLED.revision)
    checks = check_consistency([with_air], TABLED.car, revisions, "r01")
    found = [*fit.findings(TABLED.car), prediction(fit, propose_table(fit, TABLED.car, TABLED.revision), TABLED.car)]
    return list(withhold_findings(found, checks))


def feasibility_findings(_: xr.Dataset) -> list[Finding]:
    load = FullLoad(WEATHER, 0.87, 13.8)
    tabled = check_feasibility(TABLED.car, TABLED.revision, load, pull_speed_max_km_h=150.0).findings()
    own = check_feasibility(OWNER, in_force(), load, pull_speed_max_km_h=150.0).findings()
    return [*own, *(finding for finding in tabled if finding.id == "feasibility.table_reach")]


TABLED = invent_table(3)  # a car without an air meter
FULL = tuple(out_and_back(3, 2400, 6600, pairs=1))
DRIVES = {
    "road": Driven(road_log, road_findings),
    "full throttle": Driven(lambda: vehicle(FULL), full_findings),
    "part throttle": Driven(lambda: vehicle(tuple(HALF_PULLS)), half_findings),
    "power and shift": Driven(lambda: pulled(VEHICLE, np.random.default_rng(11)), power_findings),
    "coast-down": Driven(
        lambda: write_down(drive(VEHICLE, COASTS), Logger(), np.random.default_rng(2)), coast_findings
    ),
    "launch": Driven(launch_log, launch_findings),
    "link": Driven(noisy_link, link_study_findings),
    "before the drive": Driven(xr.Dataset, feasibility_findings),
    "table": Driven(lambda: drive_table(TABLED, TABLED.revision, seed=3, minutes=6), table_findings),
    "steady": Driven(lambda: held_log(SIMULATED, REVISION, [(2000.0, 60.0, 9.0)]), steady_findings),
}
NO_READINGS = {"before the drive", "steady"}  # nothing of a log goes into their figures, or not here


@cache
def found_in(name: str) -> tuple[Finding, ...]:
    return tuple(DRIVES[name].find(DRIVES[name].log()))


@pytest.mark.parametrize("name", DRIVES)
def test_findings_hold(name):
    found = found_in(name)
    assert any(finding.status in ("met", "watch") for finding in found)
    for finding in found:
        assert_holds(finding)


def test_every_finding_that_the_code_can_make_is_made_here():
    made = {finding.id for name in DRIVES for finding in found_in(name)}
    missing = {p for p in patterns_of_findings() if not any(re.fullmatch(p, one) for one in made | set(MADE_ELSEWHERE))}
    assert not missing


def test_every_finding_is_shown_here():
    found = [finding for name in DRIVES for finding in found_in(name)]
    shown = {finding.id for finding in found if finding.status != "not_shown"}
    assert {finding.id for finding in found} - shown == set(SHOWN_IN)
    for name in set(SHOWN_IN.values()):
        assert "assert_holds(" in (Path(__file__).parent / name).read_text(encoding="utf-8")


def test_every_limit_of_the_owner_is_held_against_something():
    keys = {key for key in Limits.model_fields if key not in NO_LIMIT_BY_ITSELF}
    limits = {finding.limit for name in DRIVES for finding in found_in(name)}
    for car in (OWNER, SIMULATED):
        keys -= {key for key, value in car.limits.model_dump().items() if value in limits}
    assert not keys


def frozen(log: xr.Dataset, names) -> xr.Dataset:
    """A log in which channels stand at their first known reading throughout."""
    for name in names:
        values = log[name].values.astype(float)
        if np.isfinite(values).any():
            log = log.assign({name: ("time", np.full(values.size, values[np.isfinite(values)][0]), log[name].attrs)})
    return log


def channels(log: xr.Dataset) -> list[str]:
    return [n for n in log.data_vars if not n.endswith(("_flag", "_fresh")) and n not in ("sample_flag", "episode")]


@pytest.mark.parametrize("name", [name for name in DRIVES if name not in NO_READINGS])
def test_readings_that_never_move_meet_nothing(name):
    log = DRIVES[name].log()
    for finding in DRIVES[name].find(frozen(log, channels(log))):
        assert_holds(finding)
        assert finding.status != "met" or finding.id == "power.standard_day", finding


@pytest.mark.parametrize("name", ["road", "full throttle", "part throttle", "launch", "link"])
def test_readings_that_never_move_meet_nothing_while_the_car_moves(name):
    log = DRIVES[name].log()
    for finding in DRIVES[name].find(frozen(log, [name for name in channels(log) if name not in SPEEDS])):
        assert_holds(finding)
        assert finding.status != "met" or finding.id in BY_SPEEDS, finding


@pytest.mark.parametrize(
    ("still", "found"), [("engine_speed_rpm", "injector_duty"), ("manifold_kpa", "fuel_pressure_drop")]
)
def test_a_figure_of_two_readings_is_not_met_while_one_of_them_never_moves(still, found):
    log = vehicle(tuple(HALF_PULLS))
    for change, status in ((log, "met"), (frozen(log, [still]), "not_shown")):
        assert {f.id: f.status for f in half_findings(change)}[f"limits.{found}"] == status


@pytest.mark.parametrize("find", [full_findings, half_findings])
def test_a_log_without_engine_speed_fails_no_study(find):
    for finding in find(vehicle(FULL).drop_vars("engine_speed_rpm")):
        assert_holds(finding)


@pytest.mark.parametrize("kept", ["throttle_pct", "engine_speed_rpm", "road_speed_km_h", "lambda_measured"])
def test_a_log_of_one_channel_fails_no_study_and_meets_nothing_without_a_reason(kept):
    log = flagged(vehicle(tuple(HALF_PULLS)).isel(time=slice(0, 400))[[kept]], OWNER)
    found = [*road_findings(log), *half_findings(log), *coast_findings(log), *DRIVES["power and shift"].find(log)]
    for finding in [*found, *study_launches(log, SIMULATED, driver="Marit", distance_m=20.0).findings(SIMULATED)]:
        assert_holds(finding)


@pytest.mark.bench
@pytest.mark.parametrize("name", [name for name in DRIVES if name not in NO_READINGS])
def test_a_finding_that_a_channel_is_needed_for_is_not_met_by_it_standing_still(name):
    log, find = DRIVES[name].log(), DRIVES[name].find
    met = {finding.id for finding in found_in(name) if finding.status == "met"}
    wrong = {}
    for channel in [one for one in channels(log) if one not in MAY_STAND_STILL]:
        lacking = find(log.drop_vars([n for n in log if n.removesuffix("_flag").removesuffix("_fresh") == channel]))
        needed = met & {finding.id for finding in lacking if finding.status == "not_shown"}
        still = find(frozen(log, [channel])) if needed else []
        if own := {finding.id for finding in still if finding.status == "met"} & needed:
            wrong[channel] = own
    assert not wrong
