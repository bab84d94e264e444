"""Road load from plain coast-downs with known coefficients, grade and wind."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import xarray as xr
from plain_car import WEATHER, flagged, outing, owners_car
from plain_vehicle import Logger, PlainVehicle, drive, undulating, write_down

from tunelab.physics.air import moist_air_density
from tunelab.study.coast_down import find_coasts, fit_coast_down
from tunelab.study.coast_down.result import believed
from tunelab.study.coast_down.run import Rolling, roll

CAR = PlainVehicle()
WARM = [("hold", 3, 3000, 4.0), ("hold", 4, 3500, 4.0)]
ONE_WAY = [("hold", 5, 4300, 2.0), ("lift", 5, 1.0), ("coast", 35.0), ("turn",)]


def coast(phases, *, logger=None, grade=0.004, wind=1.2, session=None, seed=2, owner=None):
    truth = drive(CAR, phases, grade=grade, wind_m_s=wind)
    log = write_down(truth, logger or Logger(), np.random.default_rng(seed))
    owner = owner or owners_car(CAR)
    return fit_coast_down(flagged(log, owner), owner, session or outing("coast-down"))


@pytest.fixture(scope="module")
def fit():
    return coast([*WARM, *ONE_WAY * 4])


def inside(value, interval):
    return interval[0] <= value <= interval[1]


def test_coefficients_grade_and_wind_lie_inside_their_intervals(fit):
    density = float(moist_air_density(WEATHER.pressure_kpa, WEATHER.air_c, WEATHER.humidity_pct))
    assert fit.shown
    assert inside(CAR.a_n, fit.a_interval)
    assert inside(CAR.b_n_s_m, fit.b_interval)
    assert inside(CAR.c_n_s2_m2, fit.c_interval)
    assert inside(2 * CAR.c_n_s2_m2 / density, fit.drag_area_interval)
    assert inside(CAR.mass_kg * 9.80665 * 0.004, fit.grade_interval)
    assert fit.head_wind_m_s == pytest.approx(1.2, abs=0.1)


def test_force_over_speed_is_tighter_than_its_parts(fit):
    table = fit.force(np.array([60.0, 100.0]))
    truth = CAR.a_n + CAR.b_n_s_m * table["speed_km_h"] / 3.6 + CAR.c_n_s2_m2 * (table["speed_km_h"] / 3.6) ** 2
    assert ((table["lower_n"] <= truth) & (truth <= table["upper_n"])).all()
    assert ((table["upper_n"] - table["lower_n"]) / truth < 0.08).all()


def hilly(seed, **road):
    rng = np.random.default_rng([seed, 5])
    truth = drive(CAR, [*WARM, *ONE_WAY * 4], road=undulating(rng, grade=0.004, wind_m_s=1.2, **road))
    owner = owners_car(CAR)
    return fit_coast_down(flagged(write_down(truth, Logger(), rng), owner), owner, outing("coast-down"))


def force_is_inside(fit):
    table = fit.force(np.array([50.0, 70.0, 90.0, 110.0]))
    v = table["speed_km_h"] / 3.6
    truth = CAR.a_n + CAR.b_n_s_m * v + CAR.c_n_s2_m2 * v**2
    return (table["lower_n"] <= truth) & (truth <= table["upper_n"])


# Hills of 0.2 % over 200 m and gusts of 1.2 m/s (common practice, no source): before they were part of the model the
# intervals held 67 to 83 % of the forces at 50 and 70 km/h.
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_intervals_hold_on_an_undulating_road_in_gusts(seed):
    assert force_is_inside(hilly(seed, hill=0.002, hill_m=200.0, gust_m_s=1.2, gust_s=8.0)).sum() >= 3


def test_an_even_road_in_still_air_does_not_widen_the_interval(fit):
    """Nearly all of what is left is the stated mass, 12 kg of 1060 (one standard deviation)."""
    row = fit.force(np.array([80.0])).iloc[0]
    half = (row["upper_n"] - row["lower_n"]) / 2 / row["force_n"]
    assert half == pytest.approx(1.96 * 12 / 1060, rel=0.15)


def test_samples_add_up_and_the_fit_follows_the_trace(fit):
    assert fit.samples_used == len(fit.trace)
    residual = fit.trace["speed_km_h"] - fit.trace["fitted_km_h"]
    assert residual.std() == pytest.approx(0.15, abs=0.03)  # the logger's own noise


def test_one_way_is_not_shown_and_says_what_to_drive():
    found = coast([*WARM, ("hold", 5, 4300, 2.0), ("lift", 5, 1.0), ("coast", 35.0)])
    assert not found.shown
    assert "both ways" in found.because
    assert all(f.status == "not_shown" and f.value is None for f in found.findings())


def test_without_position_the_turning_moments_are_asked_for():
    found = coast([*WARM, *ONE_WAY * 2], logger=Logger(gps=False))
    assert "turned_at_s" in found.because


def test_in_gear_is_no_coast_down():
    found = coast([*WARM, ("hold", 4, 5500, 2.0), ("lift", 4, 12.0), ("turn",)] * 2)
    assert not found.shown
    assert any("in gear" in r.because for r in found.refused) or "no stretch" in found.because


@pytest.mark.parametrize(("change", "word"), [({"vehicle": None}, "[vehicle]"), ({}, "[weather]")])
def test_missing_mass_or_weather_is_named(change, word):
    session = outing("coast-down", weather=None if word == "[weather]" else WEATHER)
    found = coast([*WARM, *ONE_WAY * 2], owner=owners_car(CAR, **change), session=session)
    assert word in found.because


def test_no_speed_is_named():
    log = write_down(drive(CAR, WARM), Logger(gps=False), np.random.default_rng(1)).drop_vars("road_speed_km_h")
    owner = owners_car(CAR)
    assert "road_speed_km_h" in find_coasts(flagged(log, owner), owner, outing("coast-down")).because


def test_weather_moves_drag_with_density_and_rolling_with_temperature(fit):
    warm = WEATHER.model_copy(update={"air_c": 38.0})
    curve, covariance = fit.at_weather(warm)
    ratio = moist_air_density(99.5, 38.0, 50.0) / moist_air_density(99.5, 18.0, 50.0)
    assert curve.c_n_s2_m2 == pytest.approx(fit.c_n_s2_m2 * ratio)
    # ISO 10521-1 / UN GTR 15: 8.6e-3 per K about 20 °C, from memory.
    assert curve.a_n == pytest.approx(fit.a_n * (1 - 8.6e-3 * 18) / (1 + 8.6e-3 * 2))
    assert covariance[2, 2] == pytest.approx(fit.covariance[2, 2] * ratio**2)


# 40 CFR 86.529-98, figure F98-9 (opened): coast-down times from 70 to 60 km/h of the listed inertia masses.
@pytest.mark.parametrize(("mass_kg", "a_n", "c_n_km_h2", "seconds"), [
    (100, 0.0, 0.0224, 2.95), (130, 2.57, 0.0233, 3.60), (200, 8.69, 0.0252, 4.85), (250, 13.06, 0.0266, 5.57),
    (350, 21.8, 0.0293, 6.70), (400, 26.17, 0.0307, 7.16), (500, 34.9, 0.0321, 8.17), (600, 43.64, 0.0327, 9.19),
])  # fmt: skip
def test_the_equation_of_motion_matches_published_coast_down_times(mass_kg, a_n, c_n_km_h2, seconds):
    clock = np.linspace(0, 2 * seconds, 400)
    rolling = Rolling(clock, np.zeros(400), np.zeros(400, dtype=int), np.array([1.0]), mass_kg)
    speed = roll(rolling, np.array([a_n, 0.0, c_n_km_h2 * 3.6**2, 0.0, 0.0, 70 / 3.6, 0.0])) * 3.6
    assert np.interp(-60.0, -speed, clock) == pytest.approx(seconds, abs=0.03)


def speed_only(*, from_km_h=115.0, to_km_h=20.0, brake_m_s2=0.0, rate_hz=10.0):
    """Speed alone, as a simulator of road loads gives it, out and back twice; each run ends in a plain stop."""
    mass, speed, turned = CAR.mass_kg + CAR.wheel_inertia_kg_m2 / CAR.radius_m**2, [], []
    for _ in range(4):
        speed += [*np.linspace(0, from_km_h + 3, int(30 * rate_hz))]
        v = from_km_h / 3.6
        while v > to_km_h / 3.6:
            speed.append(3.6 * v)
            for _ in range(round(100 / rate_hz)):
                v -= 0.01 * ((CAR.a_n + CAR.b_n_s_m * v + CAR.c_n_s2_m2 * v * v) / mass + brake_m_s2)
        speed += [*np.linspace(to_km_h, 0, int(5 * rate_hz)), *np.zeros(int(5 * rate_hz))]
        turned.append((len(speed) - rate_hz) / rate_hz)
    data = {"road_speed_km_h": ("time", np.array(speed)), "episode": ("time", np.zeros(len(speed), dtype=np.int32))}
    log = xr.Dataset(data, coords={"time": np.arange(len(speed)) / rate_hz})
    owner = owners_car(CAR)
    return fit_coast_down(flagged(log, owner), owner, outing("coast-down", turned_at_s=tuple(turned[:-1])))


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_speed_alone_is_enough_and_the_stop_at_the_end_is_left_out(rate_hz):
    found = speed_only(rate_hz=rate_hz)
    assert all(run.to_km_h == pytest.approx(20, abs=2) for run in found.runs)
    assert found.b_n_s_m == pytest.approx(CAR.b_n_s_m, abs=0.03)
    assert found.c_n_s2_m2 == pytest.approx(CAR.c_n_s2_m2, rel=0.01)


def test_a_brake_without_a_switch_shows_by_what_no_car_has():
    assert "no rolling car has" in speed_only(from_km_h=70, brake_m_s2=0.3).because
    assert "no stretch of rolling" in speed_only(from_km_h=70, brake_m_s2=1.6).because


def test_force_at_100_is_not_drawn_out_of_slow_runs():
    found = speed_only(from_km_h=70)
    statuses = {f.id: f.status for f in found.findings()}
    assert statuses == {"coast_down.drag_area": "met", "coast_down.rolling": "met", "coast_down.force_100": "not_shown"}


def test_stops_in_town_are_no_coast_downs():
    """Gear by gear down to a stand: engine speed does not follow for long, yet the wheels drive it."""
    town = [("hold", 4, 2300, 2.0), ("lift", 4, 3.0), ("shift", 3, 0.6), ("lift", 3, 3.0), ("shift", 2, 0.6),
            ("lift", 2, 3.0), ("turn",)]  # fmt: skip
    assert not coast([*WARM, *town * 4]).runs


def test_a_road_load_that_no_rolling_car_has_is_refused(fit):
    """A driven cycle taken for a coast-down gave A = 1270 N and C = -6.97 N s²/m² for car.toml."""
    for wrong in ({"a_n": 1270.0, "c_n_s2_m2": -6.97}, {"a_n": -40.0}):
        found = believed(dataclasses.replace(fit, **wrong))
        assert not found.shown
        assert "both above zero" in found.because


@pytest.mark.bench
@pytest.mark.parametrize("road", [
    {"hill": 0.001, "hill_m": 100.0, "gust_m_s": 0.6, "gust_s": 5.0},
    {"hill": 0.002, "hill_m": 200.0, "gust_m_s": 1.2, "gust_s": 8.0},
    {"hill": 0.006, "hill_m": 150.0, "gust_m_s": 0.6, "gust_s": 5.0},
])  # fmt: skip
def test_coverage_on_undulating_roads(road):
    inside = np.array([force_is_inside(hilly(seed, **road)) for seed in range(24)])
    assert inside.mean() >= 0.9, (road, inside.mean(axis=0))
