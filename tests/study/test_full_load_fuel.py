"""Fuel at full load from pulls: a known error over engine speed is found, and nothing is made worse by a proposal."""

from __future__ import annotations

import dataclasses
import datetime
import functools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from plain_car import flagged, in_force, outing, owners_car
from plain_engine import MASKS
from plain_fit import made_up_fit
from plain_mixture import DELAY_FLOW, DELAY_S, FLOW, LAG_S, READING, Fault, with_fuelling
from plain_vehicle import Logger, PlainVehicle, drive, out_and_back, write_down

from tunelab.chart.first_page import draw_pull_lambda_off
from tunelab.study.delay import DelayFit
from tunelab.study.fuel_supply import at_readings, supply_doubts
from tunelab.study.full_load_error import join_setting
from tunelab.study.full_load_fuel import CHANGED, propose_full_load
from tunelab.study.full_throttle import check_full_throttle
from tunelab.study.high_flow import extend_curve
from tunelab.study.limits import watch_limits
from tunelab.study.pull import find_pulls
from tunelab.study.steady import MeterError
from tunelab.workspace.check_revision import check_revision
from tunelab.workspace.revision import MeterCurve, Revision
from tunelab.workspace.toml_file import read_toml
from tunelab.workspace.write import write_revision

VEHICLE = PlainVehicle()
OWNER = owners_car(VEHICLE)
VOLTS = np.round(np.arange(0.5, 4.51, 0.1), 3)
CURVE = MeterCurve(meter_v=VOLTS.tolist(), flow_kg_h=np.interp(VOLTS, READING, FLOW).tolist())
DELAY = DelayFit(
    DELAY_S, (DELAY_S - 0.02, DELAY_S + 0.02), DELAY_FLOW, (4.0, 6.0), LAG_S, (0.08, 0.12), 0.16, (0.14, 0.18), 60.0,
    0.95, True, "", "known", 1000, 0,
)  # fmt: skip
POINTS = [1500.0, 3000.0, 4000.0, 5000.0, 6000.0, 7000.0]
EMPTY = xr.Dataset(coords={"time": [0.0, 1e4]})
SEEDS = 24  # 300 in tests/bench/test_bench_full_load.py
DAY = datetime.date(2026, 5, 9)


def stating(key="commanded_lambda", value=0.87, base=None, **more) -> Revision:
    own = {"engine_speed_rpm": POINTS, key: [value] * len(POINTS)} | more
    return Revision.model_validate((base or in_force()).model_dump(exclude_none=True) | {"full_load_fuel": own})


def owner(**limits):
    return owners_car(VEHICLE, limits=owners_car(VEHICLE).limits.model_dump() | limits)


def pulls_of(true_error, rng, *, count=4, low=2400.0, high=6750.0, commanded=0.87, noise=0.006, pull_spread=0.007):
    """Judged readings of pulls whose lambda is off by exp(`true_error`(rpm)): what `check_mixture` would hand over."""
    parts = []
    for number in range(1, count + 1):
        rpm = np.sort(rng.uniform(low, high, 90))
        error = true_error(rpm) + rng.normal(0, pull_spread) + rng.normal(0, noise, rpm.size)
        seen = np.nan_to_num(commanded, nan=0.87) * np.exp(error)
        parts.append(pd.DataFrame({
            "stretch": number, "engine_speed_rpm": rpm, "lambda": seen, "commanded": commanded,
            "judged": True, "fuelled_s": np.linspace(1, 5, rpm.size),
        }))  # fmt: skip
    return SimpleNamespace(readings=pd.concat(parts, ignore_index=True))


def alone(revision):
    return join_setting(revision, None, None, None)


def proposed(true_error, *, revision=None, car=None, seed=1, **pulls):
    revision = revision or stating()
    mixture = pulls_of(true_error, np.random.default_rng(seed), **pulls)
    return propose_full_load(EMPTY, car or owner(), revision, mixture, alone(revision))


def hump(size, at=5000.0, wide=900.0):
    return lambda rpm: size * np.exp(-0.5 * ((np.asarray(rpm) - at) / wide) ** 2)


def test_a_known_error_over_engine_speed_is_corrected_in_the_owners_breakpoints():
    found = proposed(hump(0.07))
    table = found.table.set_index("engine_speed_rpm")
    assert table.index.tolist() == POINTS
    for rpm in (4000.0, 5000.0, 6000.0):
        assert table.loc[rpm, "factor_lower"] <= np.exp(hump(0.07)(rpm)) <= table.loc[rpm, "factor_upper"]
    assert table.loc[5000.0, "proposed"] == pytest.approx(0.87 / np.exp(0.07), rel=0.015)
    assert table.loc[[1500.0, 7000.0], "proposed"].tolist() == [0.87, 0.87]
    assert "1500, 7000 rpm" in " ".join(found.notes)
    assert found.now.value == pytest.approx(7.2, abs=1.5)
    assert found.predicted.upper < found.now.value


def test_a_richer_command_that_makes_up_for_missing_fuel_is_judged_by_what_lambda_is_meant_to_be():
    """Entered as proposed, lambda comes out right: neither gate nor limit may call it lean of the richer command."""
    log = write_down(drive(VEHICLE, out_and_back(3, 2400, 6600, pairs=1)), Logger(), np.random.default_rng(3))
    log = flagged(with_fuelling(log, Fault(), np.random.default_rng(4)), OWNER)
    full = log["lambda_commanded"].values < 0.95
    target = float(np.median(log["lambda_commanded"].values[full]))
    richer = log.assign(lambda_commanded=log["lambda_commanded"] * np.where(full, 0.89, 1.0))
    stated = stating(value=0.89 * target, target_lambda=[target] * len(POINTS))
    for revision, status in ((stated, "met"), (stating(value=0.89 * target), "watch")):
        found = check_full_throttle(richer, OWNER, revision, find_pulls(richer, OWNER, outing("full-throttle")), DELAY)
        said = {finding.id: finding for finding in found.findings()}
        assert said["full_throttle.lambda_error"].status == status
        bins = found.mixture.bins
        assert bins["meant"].to_numpy() == pytest.approx(target if status == "met" else 0.89 * target, rel=0.01)
        assert bins["error_pct"].to_numpy() == pytest.approx(0.0 if status == "met" else 12.4, abs=2.0)
        picture = draw_pull_lambda_off(bins)
        assert ("of target at" in picture.title) is (status == "met")
        watched = watch_limits(richer, OWNER, revision, outing("full-throttle"), DELAY).findings()
        lean = next(finding for finding in watched if finding.id == "limits.lean_under_load")
        assert lean.value == pytest.approx(0.0 if status == "met" else 12.4, abs=2.0)


def test_the_proposal_reads_back_as_a_revision_that_knows_what_lambda_was_meant_to_be(tmp_path):
    found = proposed(hump(0.07))
    write_revision(tmp_path / "r02.toml", found.to_revision("r02", DAY), {})
    reading = read_toml(tmp_path / "r02.toml", Revision, "r02.toml")
    assert [*reading.problems, *check_revision(reading, owner())] == []
    entered = reading.partial
    assert entered.full_load_fuel.target_lambda == [0.87] * len(POINTS)
    assert entered.meter_curve == in_force().meter_curve
    # With it in the ECU lambda is right, though it is no longer what is commanded: nothing is corrected a second time.
    asked = np.interp(np.arange(7100.0), POINTS, entered.full_load_fuel.commanded_lambda)
    mixture = pulls_of(lambda rpm: hump(0.07)(rpm) + np.log(np.interp(rpm, np.arange(7100.0), asked) / 0.87),
                       np.random.default_rng(2))  # fmt: skip
    mixture.readings["commanded"] = np.interp(mixture.readings["engine_speed_rpm"], np.arange(7100.0), asked)
    again = propose_full_load(EMPTY, owner(), entered, mixture, alone(entered))
    assert not again.changes
    assert again.now.value <= found.predicted.upper


def test_a_factor_on_the_fuel_goes_the_other_way_than_a_commanded_lambda():
    found = proposed(hump(0.07), revision=stating("fuel_factor", 1.0, target_lambda=[0.87] * len(POINTS)))
    assert found.table.set_index("engine_speed_rpm").loc[5000.0, "proposed"] == pytest.approx(np.exp(0.07), rel=0.015)


def test_without_a_stated_table_it_is_a_factor_by_engine_speed_and_no_revision():
    found = proposed(hump(0.07), revision=in_force())
    assert found.changes
    assert found.parts() == ()
    assert (found.table["engine_speed_rpm"] % 500 == 0).all()
    with pytest.raises(ValueError, match="states no full_load_fuel"):
        found.to_revision("r02", DAY)


@pytest.mark.parametrize(("made", "because"), [
    (lambda: proposed(hump(0.07), count=1), "two pulls"),
    (lambda: proposed(lambda rpm: 0 * rpm, noise=0.0, pull_spread=0.0), "the sensor may be dead"),
    (lambda: proposed(hump(0.07), revision=stating(value=0.84)), "another table was at work"),
    (lambda: proposed(hump(0.07), revision=stating("fuel_factor", 1.0), commanded=np.nan), "neither logged"),
])  # fmt: skip
def test_without_evidence_nothing_is_proposed(made, because):
    found = made()
    assert not found.shown
    assert because in found.because
    assert found.findings()[0].status == "not_shown"


def test_the_owners_cap_bites_is_told_and_full_throttle_is_warned_of():
    found = proposed(hump(0.25), car=owner(full_load_fuel_change_max_pct=8))
    change = found.table["in_force"] / found.table["proposed"]
    assert change.max() == pytest.approx(1.08)
    assert "cap of 8 %" in found.capped[0]
    assert "no full throttle there" in found.notes[0]


def wavy(rng):
    size, at, wide = rng.normal(0, 0.05, 3), rng.uniform(2500, 6800, 3), rng.uniform(250, 1500, 3)
    return lambda rpm: sum(hump(*one)(rpm) for one in zip(size, at, wide, strict=True))


@functools.cache
def trial(seed):
    """A random error, table, cap and coverage; gives what was proposed and lambda before and after at every speed."""
    rng = np.random.default_rng([seed, 12])
    error, target = wavy(rng), rng.uniform(0.82, 0.91)
    car = owner(lambda_max_full_load=float(rng.uniform(0.86, 0.93)), full_load_fuel_change_max_pct=rng.uniform(3, 15))
    points = np.sort(rng.choice(np.arange(1500.0, 7100.0, 250.0), rng.integers(3, 10), replace=False))
    key = str(rng.choice(["commanded_lambda", "fuel_factor"]))
    own = {"engine_speed_rpm": points.tolist(), "target_lambda": [target] * points.size}
    own[key] = [target if key == "commanded_lambda" else 1.0] * points.size
    revision = Revision.model_validate(in_force().model_dump(exclude_none=True) | {"full_load_fuel": own})
    mixture = pulls_of(error, rng, count=int(rng.integers(2, 6)), low=rng.uniform(2000, 3000),
                       high=rng.uniform(5200, 6800), commanded=target)  # fmt: skip
    found = propose_full_load(EMPTY, car, revision, mixture, alone(revision))
    if not found.shown:
        return found, car, (np.zeros(1), np.zeros(1), np.zeros(1), np.ones(1))
    speed = np.arange(1500.0, 6900.0, 20.0)
    new = np.interp(speed, points, found.table["proposed"])
    fuel = new if key == "fuel_factor" else target / new
    before = target * np.exp(error(speed))
    return found, car, (speed, before, before / fuel, fuel)


def test_no_proposal_leans_full_throttle_beyond_the_owners_limit_or_touches_what_was_not_measured():
    changed = 0
    for seed in range(SEEDS):
        found, car, (_, before, after, fuel) = trial(seed)
        limit = car.limits.lambda_max_full_load
        leaner = after > before + 1e-9
        assert (after[leaner] <= limit * 1.003).all(), seed
        cap = 1 + car.limits.full_load_fuel_change_max_pct / 100
        assert fuel.max() <= cap + 1e-9
        assert fuel.min() >= 1 / cap - 1e-9
        rest = found.table[found.table["basis"] != CHANGED]
        assert (rest["proposed"] == rest["in_force"]).all()
        changed += found.changes
    assert changed > SEEDS / 4


@pytest.mark.parametrize("lean_between", [0.0, 0.09])
def test_less_fuel_is_taken_back_where_lambda_between_two_breakpoints_would_pass_the_owners_limit(lean_between):
    """6 % rich throughout, but for a narrow hump between two breakpoints that less fuel would carry past 0.90."""
    points = [2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 6900.0]
    car = owner(lambda_max_full_load=0.90, full_load_fuel_change_max_pct=15.0)
    between = hump(lean_between, at=4500.0, wide=120.0)
    found = proposed(lambda rpm: between(rpm) - 0.06, revision=stating(engine_speed_rpm=points), car=car,
                     low=1800.0, high=6850.0)  # fmt: skip
    after = found.table.set_index("engine_speed_rpm")["proposed"]
    leaner = after[after > 0.87].index.tolist()
    assert leaner == ([3000.0] if lean_between else [3000.0, 4000.0, 5000.0])  # 2000 and 6000 end measured ground
    speed = np.arange(2000.0, 6900.0, 20.0)
    true = np.exp(between(speed) - 0.06) * np.interp(speed, points, after)
    assert true.max() <= 0.90


def test_intervals_of_what_is_expected_cover_the_truth():
    inside, total = 0, 0
    for seed in range(SEEDS):
        found, _, (speed, _, after, _) = trial(seed)
        known = found.table.dropna(subset=["after_lower"])
        known = known[known["engine_speed_rpm"].between(speed[0], speed[-1])]
        true = np.interp(known["engine_speed_rpm"], speed, after)
        inside += int(((known["after_lower"] <= true) & (true <= known["after_upper"])).sum())
        total += len(known)
    assert total > 1.5 * SEEDS
    assert inside / total > 0.93


def calm_fit():
    """A steady fit whose curve is right from 1 to 3.2 V, and the dead time too; nothing known beyond."""
    known = (VOLTS >= 1.0) & (VOLTS <= 3.2)
    factor = np.where(known, 1.0, np.nan)
    flow = np.interp(VOLTS, READING, FLOW)
    meter = MeterError("meter_v", VOLTS, flow, factor, factor - 0.006, factor + 0.006, 30.0 * known, pd.DataFrame())
    fit = made_up_fit()
    dead = dataclasses.replace(fit.dead_time, shown=True, level_ms=0.0, lower_ms=-0.02, upper_ms=0.02)
    return dataclasses.replace(fit, reference="r01", meter=meter, dead_time=dead)


@pytest.fixture(scope="module")
def starved():
    """Pulls with 8 % more air above 4600 rpm than the meter's curve says, judged, and the curve extended by them."""
    base = stating(base=in_force().model_copy(update={"meter_curve": CURVE}))
    plain = write_down(drive(VEHICLE, out_and_back(3, 2400, 6700, pairs=2)), Logger(), np.random.default_rng(1))
    fault = Fault(lean_from_rpm=4600, more_air=0.08)
    log = flagged(with_fuelling(plain, fault, np.random.default_rng(51)), OWNER)
    pulls = find_pulls(log, OWNER, outing("full-throttle"))
    mixture = check_full_throttle(log, OWNER, base, pulls, DELAY).mixture
    return base, log, mixture, extend_curve(log, OWNER, base, mixture, calm_fit())


def steady_proposal(revision, dead_time_ms=0.0):
    curve = pd.DataFrame({"flow_proposed_kg_h": revision.meter_curve.flow_kg_h})
    dead = pd.DataFrame({"dead_time_proposed_ms": np.asarray(revision.dead_time.dead_time_ms) + dead_time_ms})
    return SimpleNamespace(curve=curve, dead_time=dead)


def test_what_the_meter_corrects_is_not_corrected_again(starved):
    base, log, mixture, high = starved
    fuel_only = propose_full_load(log, OWNER, base, mixture, alone(base))
    assert fuel_only.table["factor"].max() == pytest.approx(1.08, abs=0.015)
    joined = join_setting(base, calm_fit(), steady_proposal(base), high)
    both = propose_full_load(log, OWNER, base, mixture, joined)
    assert joined.words
    top = both.table.set_index("engine_speed_rpm").loc[6000.0]
    assert top["by_meter_pct"] == pytest.approx(8.0, abs=1.5)
    assert top["factor"] == pytest.approx(1.0, abs=0.02)
    assert top["lambda"] == pytest.approx(0.87 * 1.08, abs=0.015)
    assert both.table["lambda_after"].max() < 0.885


def test_a_longer_dead_time_is_taken_out_by_the_pulse_it_adds(starved):
    """Worked by hand: 0.2 ms more on a pulse whose opening time is t gives ln((t + 0.2) / t) more fuel."""
    base, log, mixture, _ = starved
    joined = join_setting(base, calm_fit(), steady_proposal(base, 0.2), None)
    table = propose_full_load(log, OWNER, base, mixture, joined).table.set_index("engine_speed_rpm")
    air = 0.075 * 4000
    opened = air / 60 * 1e6 / (14.5 * 0.87) / (6 * 2000) / (310 / 60)
    assert table.loc[4000.0, "by_meter_pct"] == pytest.approx(100 * 0.2 / opened, rel=0.05)


def test_a_curve_of_less_air_takes_enrichment_back_that_begins_at_a_load(starved):
    """By hand: 4 % less air at load L lies 0.04 L lower, on a ramp of 0.12 of load up to the full-load table.

    Load is the mass of a cycle over 1.184 g/l times the displacement (SAE J1979); the fuel falls by the air's 4 % and
    by the table's share that no longer acts.
    """
    base, log, mixture, _ = starved
    rpm, full = log["engine_speed_rpm"].to_numpy(), log["throttle_pct"].to_numpy() > 90
    swept = np.where(full, 1.0, 0.5 + 0.5 * np.abs(np.sin(np.arange(rpm.size) / 40)))
    load = 0.075 * swept * 1000 / 60 * 2 / (1.184 * OWNER.engine.displacement_l)
    share = np.clip((load - load.max()) / 0.12 + 1, 0, 1)
    by_load = log.assign(
        meter_v=("time", np.interp(0.075 * rpm * swept, FLOW, READING)),
        lambda_commanded=("time", np.exp(share * np.log(0.87))),
    )
    less = steady_proposal(base)
    less.curve["flow_proposed_kg_h"] *= 0.96
    joined = join_setting(base, calm_fit(), less, None)
    car = owner(full_load_fuel_change_max_pct=30.0, lambda_max_full_load=0.99)
    assert "would pass the owner's limit" in propose_full_load(by_load, OWNER, base, mixture, joined).because
    found = propose_full_load(by_load, car, base, mixture, joined)
    kept = 1 - 0.04 * load.max() / 0.12
    row = found.table.set_index("engine_speed_rpm").loc[4000.0]
    assert row["by_meter_pct"] == pytest.approx(100 * (0.96 * 0.87 ** (1 - kept) - 1), abs=0.7)
    told = " ".join([found.because, *found.notes])
    assert "enriches less" in told
    # where enrichment does not go by load, the air alone counts
    everywhere = log.assign(lambda_commanded=log["lambda_commanded"] * 0 + 0.87)
    flat = propose_full_load(everywhere, car, base, mixture, joined).table.set_index("engine_speed_rpm").loc[4000.0]
    assert flat["by_meter_pct"] == pytest.approx(-4.0, abs=0.5)


def supplied(*, pulse_ms=9.0, fuel_kpa=300.0, rpm=5000.0):
    """A log beside made pulls: pulse, battery, speed and pressure, the same at every row."""
    rows = {"pulse_width_ms": pulse_ms, "battery_v": 13.8, "engine_speed_rpm": rpm, "fuel_pressure_kpa": fuel_kpa}
    time = np.linspace(0.0, 6.0, 61)
    data = {name: ("time", np.full(time.size, value)) for name, value in rows.items()}
    about = {"flag_masks": list(MASKS.values()), "flag_meanings": " ".join(MASKS)}
    flags = {f"{name}_flag": ("time", np.zeros(time.size, dtype=np.int32), about) for name in (*rows, "sample")}
    return xr.Dataset(data | flags, {"time": time})


def pulled_at(rich, *, commanded=0.87, seed=1):
    return pulls_of(lambda rpm: rich + 0 * rpm, np.random.default_rng(seed), commanded=commanded)


SUPPLIED = [
    ({}, {}, "", CHANGED),
    ({"fuel_kpa": 240.0}, {}, "60 kPa short", "fuel supply first"),
    (
        {"pulse_ms": 18.5},
        {},
        "would pass your 85 %",
        "fuel supply first",
    ),  # 18.5 ms × 5000 / 1200 = 77 %, and 10 % more
    ({}, {"commanded": 0.91}, "acts in part only", CHANGED),
]


@pytest.mark.parametrize(("log", "pulls", "words", "basis"), SUPPLIED)
def test_no_more_fuel_is_asked_of_a_supply_at_its_end(log, pulls, words, basis):
    base = stating(value=0.87, target_lambda=[0.87] * len(POINTS))
    limits = owner(injector_duty_max_pct=85.0, fuel_pressure_drop_max_kpa=30.0, full_load_fuel_change_max_pct=15.0)
    car = limits.model_copy(update={"injectors": limits.injectors.model_copy(update={"rail_pressure_kpa": 300.0,
                                                                                    "pressure": "fixed"})})  # fmt: skip
    mixture = pulled_at(0.12, **pulls)
    if pulls:  # the ECU asks for the table's lambda at low speeds and for another at high ones
        own = mixture.readings
        own["commanded"] = np.where(own["engine_speed_rpm"] > 5500, 0.91, 0.87)
    found = propose_full_load(supplied(**log), car, base, mixture, alone(base))
    table = found.table.set_index("engine_speed_rpm")
    told = " ".join((*found.capped, *found.notes))
    assert words in told
    assert table.loc[4000.0, "basis"] == basis
    if basis != CHANGED:
        assert (table["proposed"] == table["in_force"]).all()
        assert "Look at the fuel supply" in told
        assert "no full throttle there" in told


@pytest.mark.parametrize("other_above_rpm", [5500, 9000])
def test_a_correction_that_another_table_may_keep_from_acting_is_predicted_with_what_it_would_leave(other_above_rpm):
    """12 % lean; where the ECU commands another lambda than the table says, all of it may stay."""
    base, mixture = stating(value=0.87, target_lambda=[0.87] * len(POINTS)), pulled_at(0.12)
    own = mixture.readings
    own["commanded"] = np.where(own["engine_speed_rpm"] > other_above_rpm, 0.91, 0.87)
    found = propose_full_load(supplied(), owner(full_load_fuel_change_max_pct=15.0), base, mixture, alone(base))
    assert found.now.value == pytest.approx(100 * np.expm1(0.12), abs=1.5)
    assert (found.predicted.upper > 9.0) == (other_above_rpm < 7000)


@pytest.mark.parametrize(("answered", "refused"), [(0.45, True), (0.55, False)])
def test_lambda_has_to_answer_half_of_a_longer_pulse(answered, refused):
    """The pulse opens 10 % longer; the least that counts as an answer is common practice, no source."""
    then = pd.DataFrame({"engine_speed_rpm": [4000.0], "lambda": 0.95, "lower": 0.9499, "upper": 0.9501,
                         "opened_ms": 8.0, "commanded": 0.87, "in_force": 0.87})  # fmt: skip
    now = pd.DataFrame({"engine_speed_rpm": [4000.0], "lambda": 0.95 * 1.1**-answered, "se": 0.0001, "opened_ms": 8.8,
                        "commanded": 0.87, "asked": 0.87, "in_force": 0.87, "duty_pct": 40.0,
                        "short_kpa": 0.0})  # fmt: skip
    [(basis, _)] = supply_doubts(now, np.array([0.05]), owner(), earlier=then)
    assert (basis == "fuel supply first") is refused


# By hand: a regulator on the manifold holds rail pressure above it, any other above atmosphere.
@pytest.mark.parametrize(("kind", "short_kpa"), [("manifold-referenced", 300 + 95 - 99 - 280.0), ("fixed", 20.0)])
def test_what_fuel_pressure_should_be_follows_the_regulator(kind, short_kpa):
    injectors = OWNER.injectors.model_copy(update={"rail_pressure_kpa": 300.0, "pressure": kind})
    log = supplied(fuel_kpa=280.0)
    for name, value in (("manifold_kpa", 95.0), ("barometer_kpa", 99.0)):
        log = log.assign({name: log["battery_v"] * 0 + value, f"{name}_flag": log["battery_v_flag"]})
    found = at_readings(log, OWNER.model_copy(update={"injectors": injectors}), in_force(), np.array([2.0, 3.0]))
    assert found["short_kpa"].tolist() == pytest.approx([short_kpa] * 2)


def test_duty_is_taken_from_the_ecu_where_speed_was_not_logged():
    log = supplied().drop_vars("engine_speed_rpm")
    log = log.assign(injector_duty_pct=log["battery_v"] * 0 + 61.0, injector_duty_pct_flag=log["battery_v_flag"])
    assert at_readings(log, OWNER, in_force(), np.array([2.0]))["duty_pct"].tolist() == [61.0]


def test_lambda_that_does_not_answer_a_longer_pulse_sends_to_the_fuel_supply():
    """The pulse opens 10 % longer than with the revision before: lambda answers in one car and stays in the other."""
    base, wide = stating(value=0.87), owner(full_load_fuel_change_max_pct=15.0, injector_duty_max_pct=95.0)
    then = propose_full_load(supplied(pulse_ms=9.0), wide, base, pulled_at(0.20), alone(base))
    opened = float(then.table["opened_ms"].median())
    richer = then.to_revision("r02", DAY)
    log = supplied(pulse_ms=9.0 + 0.1 * opened)
    for left, basis in ((0.105, CHANGED), (0.197, "fuel supply first")):
        mixture = pulled_at(left, commanded=float(np.median(richer.full_load_fuel.values[1:5])), seed=2)
        mixture.readings["lambda"] = (
            0.87 * np.exp(left) * mixture.readings["lambda"] / mixture.readings["lambda"].mean()
        )
        found = propose_full_load(log, wide, richer, mixture, alone(richer), earlier=then.table)
        table = found.table.set_index("engine_speed_rpm")
        assert table.loc[4000.0, "basis"] == basis
    assert "10.0 % longer" in " ".join(found.capped)
    without = propose_full_load(log, wide, richer, mixture, alone(richer))
    assert (without.table["basis"] == CHANGED).any()  # one drive alone cannot tell


def test_a_prediction_counts_what_the_next_pull_will_measure_for_certain():
    """One breakpoint was brushed by a few readings that lie far off: it widens the upper end and moves nothing else."""
    base, mixture = stating(), pulls_of(hump(0.0), np.random.default_rng(5), low=2400.0, high=5600.0)
    few = mixture.readings.iloc[:10].assign(engine_speed_rpm=np.linspace(5950, 6050, 10), stretch=[1, 2] * 5)
    few["lambda"] = 0.87 * 0.93  # rich, and kept so: it is beside ground that nobody measured
    rows = SimpleNamespace(readings=pd.concat([mixture.readings, few], ignore_index=True))
    rows.readings = rows.readings[
        (rows.readings["engine_speed_rpm"] < 5000) | (rows.readings["engine_speed_rpm"] > 5900)
    ]
    found = propose_full_load(EMPTY, owner(), base, rows, alone(base))
    table = found.table.set_index("engine_speed_rpm")
    assert table.loc[6000.0, "pulls"] == 2
    assert table.loc[6000.0, "readings"] < 16
    assert found.predicted.value < 3.0
    assert found.predicted.upper > 6.0
    assert "few readings" in found.predicted.because


def test_an_error_between_breakpoints_asks_for_a_further_one_there():
    narrow = proposed(hump(0.07, at=4500.0, wide=220.0))
    assert narrow.missing_rpm == pytest.approx(4500.0, abs=126.0)
    assert f"Around {narrow.missing_rpm:.0f} rpm lambda stays about" in " ".join(narrow.notes)
    assert proposed(hump(0.0)).missing_rpm is None
    assert proposed(lambda rpm: 0.05 + 0 * rpm, low=1600.0, high=6950.0).missing_rpm is None


def test_a_further_breakpoint_close_to_another_leaves_all_three_measured():
    """What was asked for and entered has to be measured again: uneven steps left the neighbours unknown for ever."""
    rpm = [2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 6250.0]
    own = {"engine_speed_rpm": rpm, "commanded_lambda": [0.87] * len(rpm)}
    base = Revision.model_validate(in_force().model_dump(exclude_none=True) | {"full_load_fuel": own})
    true = hump(0.06, at=6100.0, wide=500.0)
    table = proposed(true, revision=base, low=1700.0, high=6700.0, pull_spread=0.0).table.set_index("engine_speed_rpm")
    assert table["lambda"].notna().all()
    off = np.log(table["lambda"] / table["target"]).to_numpy()
    assert off == pytest.approx(true(np.array(rpm)), abs=0.008)
    assert (table.loc[[6000.0, 6250.0], "basis"] == CHANGED).all()


def test_no_breakpoint_is_asked_for_that_the_same_pulls_could_not_measure():
    """Pulls that end just above it lie to one side of a further breakpoint: entered, it would never be known."""
    rpm = [2000.0, 3000.0, 4000.0, 5000.0, 6000.0]
    own = {"engine_speed_rpm": rpm, "commanded_lambda": [0.87] * len(rpm)}
    base = Revision.model_validate(in_force().model_dump(exclude_none=True) | {"full_load_fuel": own})
    steep = hump(0.08, at=6300.0, wide=150.0)
    assert proposed(steep, revision=base, low=1700.0, high=6250.0, pull_spread=0.0).missing_rpm is None
    further = proposed(steep, revision=base, low=1700.0, high=6700.0, pull_spread=0.0)
    assert further.missing_rpm == pytest.approx(6300, abs=130)


def test_more_fuel_beyond_the_last_breakpoint_is_expected_only_as_far_as_the_table_acts_there():
    """6 % lean from 5500 rpm on, of a table that ends at 6000 rpm; from there on the ECU enriches less and less."""
    rpm = [2000.0, 3000.0, 4000.0, 5000.0, 6000.0]
    own = {"engine_speed_rpm": rpm, "commanded_lambda": [0.87] * len(rpm), "target_lambda": [0.87] * len(rpm)}
    base = Revision.model_validate(in_force().model_dump(exclude_none=True) | {"full_load_fuel": own})
    mixture = pulls_of(lambda x: np.interp(x, [5300, 5700], [0.0, 0.06]), np.random.default_rng(4), low=1700.0)
    told = {}
    for name, share in (("acts", [1.0, 1.0]), ("in part", [1.0, 0.1])):
        acts = np.interp(mixture.readings["engine_speed_rpm"], [6100.0, 6500.0], share)
        with_share = SimpleNamespace(readings=mixture.readings.assign(commanded=0.87**acts))
        with_share.readings["lambda"] = mixture.readings["lambda"]
        found = propose_full_load(EMPTY, owner(lambda_max_full_load=0.9), base, with_share, alone(base))
        assert found.table.set_index("engine_speed_rpm").loc[6000.0, "basis"] == CHANGED
        told[name] = [note for note in found.notes if note.startswith("With all of it entered lambda is still")]
    assert told["acts"] == []
    assert "6625, 6750 rpm" in told["in part"][0]


def test_lean_while_the_wall_film_fills_moves_no_breakpoint():
    """8 % lean in the second after opening, from 1700 to 2300 rpm: the fuel for tip-ins, and no table of full load."""
    rpm = [2000.0, 2500.0, 3000.0, 4000.0, 5000.0, 6000.0]
    base = stating(engine_speed_rpm=rpm, commanded_lambda=[0.87] * len(rpm))
    mixture = pulls_of(lambda x: 0.08 * (np.asarray(x) < 2300), np.random.default_rng(4), low=1700.0, pull_spread=0.0)
    early = mixture.readings["engine_speed_rpm"] < 2300
    for past, moves in ((~early, False), (early | True, True)):
        known = SimpleNamespace(readings=mixture.readings.assign(past_film=past))
        table = propose_full_load(EMPTY, owner(), base, known, alone(base)).table
        assert (table["proposed"] != table["in_force"]).any() == moves
