"""Shift points against those worked out from the plain vehicle's own torque curve."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from plain_car import in_force, owners_car
from plain_power import measure, pulled
from plain_vehicle import PlainVehicle, out_and_back

from tunelab.study.shift import find_shift_points, limit_speeds

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


def true_shift(car: PlainVehicle, gear: int) -> float:
    """Engine speed at which acceleration in the next gear equals that in this one; plain numpy."""
    rpm = np.arange(4000.0, 6700.0, 5.0)

    def acceleration(n, g):
        ratio, r = car.overall(g), car.radius_m
        speed = n * np.pi / 30 / ratio * r
        mass = car.mass_kg + (car.wheel_inertia_kg_m2 + car.efficiency * car.engine_inertia_kg_m2 * ratio**2) / r**2
        road = car.a_n + car.b_n_s_m * speed + car.c_n_s2_m2 * speed**2
        return (car.efficiency * car.torque_nm(n) * ratio / r - road) / mass

    after = acceleration(rpm * car.ratios[gear] / car.ratios[gear - 1], gear + 1)
    return float(rpm[np.argmax(after > acceleration(rpm, gear))])


@pytest.mark.parametrize("gear", [1, 2, 3, 4])
def test_shift_points_lie_inside_their_intervals(gear):
    chart = measured(PEAKY)
    point = chart.points[gear - 1]
    assert point.verdict == "shift at"
    assert point.lower_rpm - 40 <= true_shift(PEAKY, gear) <= point.upper_rpm + 40
    assert point.upper_rpm <= chart.limit_rpm


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
