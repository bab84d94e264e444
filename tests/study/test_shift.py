"""Shift points against those worked out from the plain vehicle's own torque curve."""

from __future__ import annotations

import dataclasses
import datetime

import numpy as np
import pandas as pd
import pytest
from finding_rules import assert_holds
from plain_car import in_force, owners_car
from plain_power import measure, on_small_hills, pulled
from plain_vehicle import EvenPower, PlainVehicle, out_and_back, true_shift

from tunelab.study.shift import ShiftChart, ShiftPoint, _change, find_shift_points, limit_speeds, propose_rev_limit

# A torque curve that falls away early, so that the next gear pulls harder well before the limit.
CAR = dataclasses.replace(PlainVehicle(), ratios=(3.2, 2.2, 1.75, 1.45, 1.2), c_n_s2_m2=0.3)


class Peaky(PlainVehicle):
    """Torque that drops sharply above 5200 rpm."""

    def torque_nm(self, rpm):
        rpm = np.asarray(rpm, dtype=float)
        return 250.0 - 45.0 * (np.clip(rpm - 4700, 0, None) / 1000) ** 1.5


PEAKY = Peaky(ratios=CAR.ratios, c_n_s2_m2=0.3)


def measured(car, seed=31, top=6700):
    log = pulled(car, np.random.default_rng(seed), phases=out_and_back(3, 2400, top, pairs=2))
    owner = owners_car(car)
    return find_shift_points(measure(log, owner)[0], owner, in_force())


@pytest.mark.parametrize("gear", [1, 2, 3, 4])
def test_shift_points_lie_inside_their_intervals(gear):
    chart = measured(PEAKY)
    point = chart.points[gear - 1]
    assert point.verdict == "shift at"
    assert point.lower_rpm - 40 <= true_shift(PEAKY, gear) <= point.upper_rpm + 40
    assert point.upper_rpm <= chart.limit_rpm


def points_on_small_hills(car, seed):
    log, owner = on_small_hills(car, seed)
    return find_shift_points(measure(log, owner)[0], owner, in_force()).points[:3]


def test_intervals_hold_what_does_not_act_on_both_gears_alike():
    """Inertias, slip, road load, hills on the way: with the power's noise alone two of the nine lay outside."""
    car = EvenPower()
    points = [p for seed in (100, 102, 104) for p in points_on_small_hills(car, seed)]
    assert {p.verdict for p in points} == {"shift at"}
    inside = [p.lower_rpm <= true_shift(car, p.from_gear) <= p.upper_rpm for p in points]
    assert sum(inside) >= len(inside) - 1
    assert np.median([p.upper_rpm - p.lower_rpm for p in points]) < 600


def test_where_two_gears_pull_alike_no_speed_is_named():
    """The next gear pulls harder from 5640 rpm, by 1 % at the limit: no speed is named, least of all the limit."""
    car = EvenPower(fall=0.98)
    rng = np.random.default_rng(7)
    owner = owners_car(car)
    chart = find_shift_points(measure(pulled(car, rng), owner)[0], owner, in_force())
    point, finding = chart.points[1], chart.findings()[1]
    assert point.verdict == "no difference shown"
    assert point.lower_rpm < true_shift(car, 2) < point.upper_rpm <= chart.limit_rpm
    assert (finding.status, finding.value) == ("not_shown", None)
    assert f"between {point.lower_rpm:.0f} and {point.upper_rpm:.0f} rpm" in finding.because


def test_noise_at_the_top_does_not_send_the_engine_to_its_limit():
    """The next gear pulls harder from 5050 rpm on, but for the last reading; by hand."""
    rpm = np.arange(4000.0, 6600.0, 100.0)
    here, after = 3.0 - (rpm - 5050.0) / 2000.0, np.full(rpm.size, 3.0)
    here[-1] = 3.01
    assert _change(rpm, rpm / 200.0, here, after) == pytest.approx(5050.0, abs=1.0)
    assert _change(rpm, rpm / 200.0, after + 0.1, after) == np.inf


def test_a_car_that_pulls_to_the_limit_is_reported_as_such():
    chart = measured(PlainVehicle(), top=6800)
    assert [p.verdict for p in chart.points[:2]] == ["still pulling at the limit"] * 2
    assert chart.points[0].engine_speed_rpm == chart.limit_rpm == 6900  # of the revision, below the owner's 7000
    assert chart.points[0].lower_rpm <= 6800  # beyond the pull nothing was measured, so the change may lie there


def test_a_pull_that_ended_early_shows_no_limit():
    chart = measured(PlainVehicle(), top=5800)
    assert chart.points[0].verdict == "not shown"
    assert "highest speed measured" in chart.points[0].because
    assert chart.findings()[0].status == "not_shown"


def test_speeds_at_the_limit_follow_from_the_ratios():
    car = owners_car(PlainVehicle())
    speed = limit_speeds(car, 6900.0)["road_speed_km_h"].to_numpy()
    wanted = 6900 * 60 / (np.array(PlainVehicle().ratios) * 3.64) * 2 * np.pi * 0.302 / 1000
    np.testing.assert_allclose(speed, wanted, rtol=1e-9)
    assert limit_speeds(owners_car(PlainVehicle(), tyres=None), 6900.0).empty


def test_without_power_there_are_no_shift_points():
    log = pulled(PlainVehicle(), np.random.default_rng(1))
    car = owners_car(PlainVehicle(), vehicle=None)
    chart = find_shift_points(measure(log, car)[0], car, in_force())
    assert not chart.shown
    assert chart.findings()[0].status == "not_shown"


def by_hand(*points, shown=True):
    """A chart of shift points given as (verdict, lower, upper)."""
    made = tuple(
        ShiftPoint(k, k + 1, verdict, (low + high) / 2, low, high, 100.0, 4000.0, "by hand")
        for k, (verdict, low, high) in enumerate(points, start=1)
    )
    return ShiftChart(shown, "" if shown else "no pulls.", 6900.0, made, pd.DataFrame(), pd.DataFrame(), 1, 0)


EARLY, STILL = ("shift at", 5300.0, 5620.0), ("still pulling at the limit", 6600.0, 6900.0)
UNKNOWN = ("not shown", np.nan, np.nan)


def limits(**more):
    return owners_car(CAR, limits=owners_car(CAR).limits.model_dump() | {"top_speed_km_h": 130} | more)


@pytest.mark.parametrize(("points", "rpm", "because"), [
    ((EARLY, ("shift at", 5400.0, 5800.0)), 6000.0, "above 5800 rpm"),
    ((EARLY, STILL), 6900.0, "no power was measured up there"),
    ((EARLY, UNKNOWN), 6900.0, "gear 2 is not shown"),
    ((EARLY, ("shift at", 6300.0, 6600.0)), 6900.0, "worth driving to"),
])  # fmt: skip
def test_the_rev_limit_comes_down_only_where_no_gear_gains_anything_above_it(points, rpm, because):
    found = propose_rev_limit(by_hand(*points), limits(), in_force())
    assert found.proposed_rpm == rpm
    assert because in found.because
    assert found.parts() == (("fuelling",) if rpm < 6900 else ())
    said = {finding.id: finding for finding in found.findings()}
    for finding in said.values():
        assert_holds(finding)
    assert ("rev_limit.predicted" in said) == (rpm < 6900)
    if found.parts():
        assert said["rev_limit.predicted"].upper <= limits().limits.rev_limit_rpm
        assert said["shift.useful_predicted"].upper == said["shift.useful"].upper == 5800.0
        after = found.to_revision("r02", datetime.date(2026, 5, 9))
        assert after.fuelling.rev_limit_rpm == rpm
        assert after.fuelling.stoich_afr == in_force().fuelling.stoich_afr


def test_a_rev_limit_that_the_top_speed_needs_stays():
    found = propose_rev_limit(by_hand(EARLY), limits(top_speed_km_h=400), in_force())
    assert found.parts() == ()
    assert "top speed" in found.because


def test_no_proposal_ever_raises_a_rev_limit_or_passes_the_owners():
    rng = np.random.default_rng(8)
    verdicts = ("shift at", "still pulling at the limit", "no difference shown", "not shown")
    lowered = 0
    for _ in range(300):
        low = rng.uniform(3000, 7000, rng.integers(1, 5))
        points = [(verdicts[rng.integers(4)] if rng.random() < 0.3 else "shift at", x, x + rng.uniform(0, 800))
                  for x in low]  # fmt: skip
        now, owners = rng.uniform(5000, 8000, 2)
        base = in_force()
        base = base.model_copy(update={"fuelling": base.fuelling.model_copy(update={"rev_limit_rpm": float(now)})})
        chart = by_hand(*points, shown=bool(rng.random() < 0.95))
        found = propose_rev_limit(chart, limits(rev_limit_rpm=float(owners)), base)
        assert found.proposed_rpm <= min(now, owners) + 1e-9
        lowered += bool(found.parts())
    assert lowered > 50
