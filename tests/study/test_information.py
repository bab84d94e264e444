"""What a drive is said to tell is held against the steady fit itself, and against the formula for one more reading."""

import numpy as np
import pandas as pd
import pytest
from steady_trials import driven_plain, fit_first, plain_trial

from tunelab.study.coverage import cover, pooled, samples_of
from tunelab.study.drive_plan import plan_drive
from tunelab.study.hold import flow_at_load
from tunelab.study.information import CalmDrive, Places, calm_drive, known_from, usual_battery_v
from tunelab.study.proposal import propose
from tunelab.study.steady.joint import NEVER
from tunelab.study.steady.model import Design, columns_of, coordinate_of
from tunelab.study.steady.points import Points
from tunelab.study.steady.prediction import in_force, log_error_draws
from tunelab.study.steady.setting import beyond_lines
from tunelab.workspace.revision import MeterCurve


@pytest.fixture(scope="module")
def driven():
    trial = plain_trial(3)
    log = trial.run(trial.revision, 1)
    return trial, log, calm_drive(log, trial.car, trial.revision)


@pytest.fixture(scope="module")
def fit(driven):
    trial, log, _ = driven
    return fit_first(trial, [log], {"r01": trial.revision})


def places_of(trial, battery_v=13.8):
    speed, load = (grid.ravel() for grid in np.meshgrid([1500.0, 2500.0, 3500.0, 4500.0], [20.0, 35.0, 50.0]))
    flow = flow_at_load(load, speed, displacement_l=trial.car.engine.displacement_l)
    return Places(speed, flow, np.full(speed.size, battery_v))


def test_holds_are_those_of_the_fit(driven, fit):
    _, _, calm = driven
    assert calm.seconds == pytest.approx(fit.blocks["seconds"].sum())
    assert len(calm.holds) == fit.blocks["hold"].nunique()
    assert usual_battery_v([calm]) == pytest.approx(fit.blocks["battery_v"].median(), abs=0.3)


def test_the_spread_is_about_that_of_the_fit(driven, fit):
    """Over where was driven; the fit averages over onsets of pulsation and adds what it knows of lambda's own scale."""
    trial, _, calm = driven
    places = places_of(trial, usual_battery_v([calm]))
    known = known_from([calm], places, trial.car, trial.revision)
    reading = known.rows[:, 0]
    curve = np.interp(reading, fit.posterior.reading, fit.posterior.log_factor_sd)
    ratio = np.sqrt(np.diag(known.error)) / curve
    assert 0.4 < np.median(ratio) < 2.0
    everywhere = np.ones(reading.size, dtype=bool)
    assert 0.3 < known.expected(everywhere).upper_pct / fit.predicted.upper_pct < 3.0
    assert known.tells_dead_time == fit.dead_time.shown


def test_what_straight_lines_leave_is_what_the_fits_own_proposal_leaves():
    """A curve of few breakpoints, after ten minutes: by the fit's draws, with the proposed values in the ECU."""
    trial = plain_trial(1)
    car, revision = trial.car, trial.revision
    assert revision.meter_curve.reading.size == 14
    log = trial.run(revision, 1)
    fit, calm = fit_first(trial, [log], {revision.name: revision}), calm_drive(log, car, revision)
    proposed = propose(fit, car, revision).to_revision("r02", revision.date)
    speed, load = (grid.ravel() for grid in np.meshgrid(np.arange(1500.0, 4600.0, 500.0), [25.0, 35.0, 50.0]))
    flow, none = flow_at_load(load, speed, displacement_l=car.engine.displacement_l), np.zeros(speed.size)
    known = known_from([calm], Places(speed, flow, none + usual_battery_v([calm])), car, revision)
    points = Points(
        reading=known.rows[:, 0], engine_speed_rpm=speed, load=load / 100, battery_v=known.places.battery_v,
        commanded=none + 1, log_pressure=none, seconds=none + 1, hold=np.arange(speed.size), disturbed=none > 0,
        unexplained=none, reference_v=fit.points.reference_v,
    )  # fmt: skip
    mean, *draws = log_error_draws(points, fit.posterior, in_force(proposed), car, revision)
    size = [np.sqrt(np.mean(own)) for own in (known.left**2, mean**2, np.diag(known.error) + known.left**2)]
    assert 0.6 < size[0] / size[1] < 1.6
    assert 0.75 < size[2] / np.sqrt(np.mean(np.square(draws))) < 1.33


def test_straight_lines_leave_of_a_parabola_what_arithmetic_says():
    """The nearest broken line to a parabola misses it by the second Bernoulli polynomial, h² times the bend over 12.

    At the breakpoints h²/12 one way and in the middles h²/24 the other. Source: L. L. Schumaker, "Spline Functions:
    Basic Theory" (1981), on monosplines of least norm; cited from memory.
    """
    curve = MeterCurve(meter_v=np.linspace(1, 4, 11).tolist(), flow_kg_h=(100 + np.arange(11) * 1e-3).tolist())
    reading = np.linspace(1, 4, 61)
    coordinate = coordinate_of(curve, reading)
    holds = pd.DataFrame(
        {"reading": reading, "log_open": 0.0, "log_speed": 8.0, "load": 0.1 + reading, "battery_v": 14.0}
    ).assign(session="one", start_s=np.arange(61.0), slope=0.0, speed_slope=0.0)
    design = Design(holds, coordinate, curve, 14.0)
    columns = columns_of(design, NEVER, np.zeros(3), np.zeros(3))
    beyond, more = beyond_lines(design, columns, reading)
    bend = 0.02  # second derivative of the log of the flow, per V²
    values = np.zeros(columns.matrix.shape[1])
    values[columns.parts["curve"]] = 0.3 + bend / 2 * coordinate.reading_at(design.nodes) ** 2
    left = (beyond @ values + more)[12:49]  # the ends have a neighbour on one side alone
    at_points, at_middles = left[::6], left[3::6]
    np.testing.assert_allclose(at_points, bend * 0.3**2 / 12, rtol=0.2)
    np.testing.assert_allclose(at_middles, -bend * 0.3**2 / 24, rtol=0.2)


def test_enough_means_that_the_fit_shows_the_dead_time():
    """The plan's own figure comes out up to 1.15 times less than that of the fit, which decides."""
    trial, logs, plan = plain_trial(5), [], None
    car, revision = trial.car, trial.revision
    while plan is None or (plan.holds and len(logs) < 4):
        coverage = cover([pooled(samples_of(log, car), car) for log in logs], car, revision)
        calm = [calm_drive(log, car, revision) for log in logs]
        plan = plan_drive(coverage, car, revision, top_speed_km_h=car.limits.top_speed_km_h, drives=calm)
        if plan.holds:
            logs.append(driven_plain(5, trial, plan.holds, len(logs) + 1))
    assert plan.is_enough
    assert fit_first(trial, logs, {revision.name: revision}).dead_time.shown


def test_one_more_hold_takes_what_the_formula_for_one_reading_says(driven):
    """C. E. Rasmussen and C. K. I. Williams, "Gaussian Processes for Machine Learning" (2006), equation 2.24."""
    trial, _, calm = driven
    seconds = 5.0
    known = known_from([calm], places_of(trial), trial.car, trial.revision)
    taken = known.gain(np.full(12, seconds), np.ones(12, dtype=bool))
    for place in range(12):
        noise = known.noise(np.full(12, seconds))[place]
        left = known.error - np.outer(known.across[:, place], known.across[:, place]) / (
            known.seen[place, place] + noise
        )
        after = known.after(place, seconds)
        np.testing.assert_allclose(after.error, left, atol=1e-12)
        fallen = np.trace(known.error) - np.trace(after.error + after.table - known.table)
        assert taken[place] == pytest.approx(fallen, rel=1e-6)


def test_more_driving_never_makes_lambda_less_known(driven):
    trial, _, calm = driven
    few = CalmDrive(calm.holds.iloc[::4].reset_index(drop=True), calm.sizes)
    places = places_of(trial)
    spread = [np.diag(known_from(drives, places, trial.car, trial.revision).error) for drives in ([], [few], [calm])]
    assert (spread[1] < spread[0]).all()
    assert (spread[2] <= spread[1] * (1 + 1e-6)).all()


def test_a_drive_with_another_revision_tells_as_much(driven):
    """The truth about a reading is the same, whatever curve and dead times were in the ECU."""
    trial, log, _ = driven
    flow = (1.1 * np.asarray(trial.revision.meter_curve.flow_kg_h)).tolist()
    curve = trial.revision.meter_curve.model_copy(update={"flow_kg_h": flow})
    other = trial.revision.model_copy(update={"name": "r02", "meter_curve": curve})
    everywhere, places = np.ones(12, dtype=bool), places_of(trial)
    own, through = (
        known_from([calm_drive(log, trial.car, revision)], places, trial.car, trial.revision)
        for revision in (trial.revision, other)
    )
    assert through.expected(everywhere).upper_pct == pytest.approx(own.expected(everywhere).upper_pct, rel=0.15)


def test_a_log_that_nothing_can_be_fitted_to_says_why(driven):
    trial, log, _ = driven
    calm = calm_drive(log.drop_vars(["lambda_measured", "lambda_measured_flag"]), trial.car, trial.revision)
    assert calm.holds.empty
    assert "lambda_measured" in calm.because
    nothing = known_from([calm], places_of(trial), trial.car, trial.revision)
    assert not nothing.tells_dead_time
    assert nothing.expected(np.ones(12, dtype=bool)).p95_pct > 5


def test_a_hundred_drives_tell_more_than_twelve_and_take_no_more_room(driven):
    trial, _, calm = driven
    places, everywhere = places_of(trial), np.ones(12, dtype=bool)
    few, many = (known_from([calm] * count, places, trial.car, trial.revision) for count in (12, 100))
    assert len(many.held) < 2 * len(few.held)
    few, many = few.followed(), many.followed()  # the same noise a hundred times over looks like a curve that bends
    assert many.expected(everywhere).upper_pct <= few.expected(everywhere).upper_pct * 1.02
