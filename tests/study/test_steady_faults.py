"""What the steady study must never call met or state too narrowly: lean at load, a level that steps or drifts."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from driven_log import CAR
from finding_rules import assert_holds
from plain_engine import lean_at_load, level_step
from plain_fit import made_up_fit
from steady_trials import fit_first, plain_trial

from tunelab.record import steady_lines
from tunelab.study.proposal import propose
from tunelab.study.steady.levels import lean_at_load as leanest
from tunelab.study.steady.points import is_pulsation
from tunelab.study.steady.posterior import with_misplaced_reading
from tunelab.study.steady.prediction import in_force, predict_lambda_error
from tunelab.study.steady.suspects import UNKNOWN, Bend, Size, Suspects
from tunelab.workspace.revision import Revision


def set_right(trial):
    """The trial with a revision that is right, but for what no log can separate."""
    now = trial.revision.model_dump()
    reading, battery = np.array(trial.revision.meter_curve.reading), np.array(now["dead_time"]["battery_v"])
    now["meter_curve"]["flow_kg_h"] = (trial.true_flow(reading) * np.exp(trial.constant)).tolist()
    now["dead_time"]["dead_time_ms"] = trial.true_dead_time(battery).tolist()
    return dataclasses.replace(trial, revision=Revision.model_validate(now))


def findings_of(trial, *sessions):
    fit = fit_first(trial, [trial.run(trial.revision, n) for n in sessions or (1,)], {"r01": trial.revision})
    return {finding.id: finding for finding in fit.findings(trial.car)}, fit


@pytest.fixture(scope="module")
def right():
    """A car that is set right and has no fault, and what is found on it."""
    trial = set_right(plain_trial(22))
    return trial, *findings_of(trial)


def test_a_car_that_is_right_is_met_at_load_too(right):
    _, found, fit = right
    for finding in found.values():
        assert_holds(finding)
    lean = found["steady.lean_at_load"]
    assert lean.status == found["steady.lambda_error"].status == "met"
    assert lean.lower <= lean.value <= lean.upper < 10
    assert fit.lean_at_load.holds > 10
    assert {found[f"steady.{name}"].status for name in ("battery", "regulator", "injector_line")} == {"met"}
    assert fit.suspects.dead_time_hidden == ""


def test_lean_at_load_is_no_pulsation_and_never_met():
    onset = 0.8
    trial = set_right(plain_trial(22, faults={"starved": lean_at_load(0.12, onset=onset)}))
    found, fit = findings_of(trial)
    for finding in found.values():
        assert_holds(finding)
    lean = found["steady.lean_at_load"]
    assert lean.status == "stop"
    assert lean.lower < 12 + 1.5
    assert lean.upper > 12 - 1.5
    assert "fuel pressure" in lean.because
    assert found["steady.lambda_error"].status != "met"
    assert found["steady.lambda_error"].upper > 9
    assert found["steady.lambda_predicted"].status != "met"
    assert "no pulsation" in found["steady.pulsation"].because
    blocks = fit.blocks[fit.blocks["load"] > onset + 0.1]
    assert not blocks["disturbed"].any()


SPEED, LOAD = (axis.ravel() for axis in np.meshgrid(np.linspace(1200, 6000, 25), np.linspace(0.2, 0.9, 15)))
AT_LOAD = np.clip((LOAD - 0.6) / 0.1, 0, 1)


@pytest.mark.parametrize(
    ("over", "set_aside"),
    [
        (0.1 * AT_LOAD * np.exp(-SPEED / 1800), True),  # fades with speed
        (0.1 * AT_LOAD * np.exp(-(((SPEED - 2000) / 600) ** 2)), True),  # a resonance at low speed
        (0.08 * AT_LOAD, False),  # rich at load at any speed: fuel
        (0.03 * AT_LOAD * SPEED / 3000, False),  # grows with speed
        (-0.12 * AT_LOAD, False),  # lean
        (-0.12 * AT_LOAD * np.exp(-SPEED / 1800), False),
    ],
)
def test_only_what_pulsation_explains_is_set_aside(over, set_aside):
    aside = is_pulsation(over, SPEED, LOAD, 7000.0)
    assert aside.any() == set_aside
    assert not aside[over <= 0].any()


def held(lean_pct, **columns):
    """Calm blocks of holds at a load, three blocks each, with some noise."""
    n = 3 * len(lean_pct)
    noise = 0.003 * np.random.default_rng(1).normal(size=n)
    table = {"hold": np.arange(n) // 3, "y": np.repeat(np.log1p(np.array(lean_pct) / 100), 3) + noise, "load": 0.7}
    table |= {"pressure_ratio": np.nan, "log_speed": np.log(3000.0), "session": "s", "seconds": 1.0, "samples": 25}
    frame = pd.DataFrame(table | {"start_s": np.arange(n)})
    return frame.assign(**{"driven": frame["y"]} | columns)


def test_the_leanest_hold_is_told_with_an_interval_that_no_hold_passes():
    found = leanest(held([1.0, -3.0, 11.0, 10.0, 0.0, 2.0]))
    assert found.lean_pct == pytest.approx(11.0, abs=0.6)
    assert found.lower_pct < 11.0 < found.upper_pct
    assert found.holds == 6


def test_trims_that_hide_a_lean_mixture_are_taken_out_and_a_lean_pulse_law_is_not_hidden():
    behind_trims = held([9.0] * 6, driven=0.0)
    assert leanest(behind_trims).lean_pct == pytest.approx(9.0, abs=0.6)
    assert not leanest(behind_trims).as_driven
    fuel_taken_out = held([9.0] * 6).assign(y=0.0)
    assert leanest(fuel_taken_out).lean_pct == pytest.approx(9.0, abs=0.6)
    assert leanest(fuel_taken_out).as_driven


def test_few_holds_have_no_interval_and_none_at_load_shows_nothing():
    assert np.isnan(leanest(held([1.0, 2.0])).upper_pct)
    assert "No hold" in leanest(held([1.0] * 6, load=0.3)).because
    assert leanest(held([4.0] * 6, load=0.3, pressure_ratio=0.8)).lean_pct == pytest.approx(4.0, abs=0.6)
    assert "steady" in leanest(None).because
    assert "Commanded" in leanest(held([1.0] * 6, driven=np.nan).assign(y=np.nan)).because


def covered(trial, fit, share):
    """Share of the measured readings whose interval holds the truth as a sensor that reads leaner tells it."""
    true = trial.true_flow(fit.meter.reading) / fit.meter.flow_in_force_kg_h * np.exp(trial.constant) * (1 + share)
    known = np.isfinite(fit.meter.factor)
    return np.mean(((fit.meter.lower <= true) & (true <= fit.meter.upper))[known])


def test_a_sensor_that_steps_during_the_drive_is_told_and_spoils_no_answer():
    trial = plain_trial(8, faults={"sensor_shift": level_step(0.03, at_s=300.0)})
    found, fit = findings_of(trial)
    halves = found["steady.halves"]
    assert halves.status == "watch"
    assert halves.limit == 1.0
    assert 1.0 < halves.value < 3.5
    assert "sensor" in halves.because
    assert found["steady.dead_time"].status == "not_shown"
    assert "second half" in found["steady.dead_time"].because
    assert covered(trial, fit, 0.0) == covered(trial, fit, 0.03) == 1.0


def test_the_curve_of_one_drive_holds_the_truth_on_a_day_when_lambda_reads_leaner():
    trial = plain_trial(10, faults={"sensor_shift": level_step(0.004, at_s=-1.0)})
    _, fit = findings_of(trial)
    assert covered(trial, fit, 0.0) > 0.9
    at = fit.blocks["reading"].to_numpy()
    now = np.interp(at, trial.revision.meter_curve.reading, trial.revision.meter_curve.flow_kg_h)
    level = np.exp(np.mean(np.log(trial.true_flow(at) / now)) + trial.constant)
    assert fit.constant.lower <= level <= fit.constant.upper


def test_a_second_drive_that_reads_leaner_is_told_with_its_interval_and_the_curve_reaches_both():
    trial = plain_trial(5, faults={"sensor_shift": level_step(0.03, at_s=-1.0)}, from_session=2)
    found, fit = findings_of(trial, 1, 2)
    apart = found["steady.sessions"]
    assert apart.status == "watch"
    assert apart.value == pytest.approx(3.0, abs=0.4)
    assert apart.upper - apart.lower < 1.0
    assert "drive 2 less drive 1" in fit.levels.apart.session
    assert "another tank of fuel" in apart.because
    assert found["steady.halves"].status == "met"
    assert covered(trial, fit, 0.0) == covered(trial, fit, 0.03) == 1.0


def test_levels_that_hold_are_met(right):
    _, found, fit = right
    halves = found["steady.halves"]
    assert halves.status == "met"
    assert -1 < halves.lower < halves.value < halves.upper < 1
    assert fit.levels.apart is None


def test_met_needs_the_whole_interval_inside_and_a_maximum_is_a_maximum(right):
    trial, found, fit = right
    dead = fit.dead_time
    limit = max(abs(dead.lower_ms), abs(dead.upper_ms)) * 0.99  # the value is inside, an end is not
    tight = trial.car.model_copy(
        update={"limits": trial.car.limits.model_copy(
            update={"dead_time_change_max_ms": limit, "meter_change_max_pct": abs(found["steady.meter"].value) * 1.01}
        )}
    )  # fmt: skip
    held = {finding.id: finding.status for finding in fit.findings(tight)}
    assert held["steady.dead_time"] == "watch"
    assert held["steady.meter"] == "watch"
    no_ends = dataclasses.replace(fit, dead_time=dataclasses.replace(dead, lower_ms=np.nan, upper_ms=np.nan))
    assert {f.id: f.status for f in no_ends.findings(trial.car)}["steady.dead_time"] == "watch"


def test_a_cell_counts_the_same_however_long_it_was_held(right):
    trial, _, fit = right
    idle = np.flatnonzero(fit.points.engine_speed_rpm < 1000)
    assert idle.size
    index = np.concatenate([np.arange(len(fit.blocks)), np.tile(idle, 40)])
    longer = dataclasses.replace(
        fit.points, **{name: value[index] for name, value in vars(fit.points).items() if np.ndim(value)}
    )
    drawn = dataclasses.replace(
        fit.posterior, pulsation=fit.posterior.pulsation[:, index], local=fit.posterior.local[:, index]
    )
    setting = in_force(trial.revision)
    again = predict_lambda_error(longer, drawn, setting, trial.car, trial.revision)
    assert again.p95_pct == pytest.approx(fit.before.p95_pct, rel=1e-6)
    assert again.cells == fit.before.cells > 10


def test_the_worst_hold_stands_beside_the_p95_and_the_summary_says_what_the_lines_say(right):
    trial, found, fit = right
    predicted = propose(fit, trial.car, trial.revision).predicted
    table = fit.summary(predicted)["value"]
    lines = steady_lines(fit, propose(fit, trial.car, trial.revision))
    p95, worst = (table[f"lambda error predicted, {what}"] for what in ("95 % of cells below", "worst hold"))
    assert f"{p95:.1f} % predicted" in lines[0]
    assert f"{abs(worst):.1f} % " in lines[1].split(" now, ")[1]
    assert predicted.worst_lower_pct <= worst <= predicted.worst_upper_pct
    assert f"the worst hold is {fit.before.worst_words}" in found["steady.lambda_error"].because


def test_seconds_of_evidence_add_up_to_what_was_driven(right):
    _, _, fit = right
    assert fit.meter.points["seconds"].sum() == pytest.approx(fit.blocks["seconds"].sum())


BEND = Bend(Size(0.01, 0.02), 0.05, 1e-4, np.zeros(3), np.zeros(1), 1.5)


@pytest.mark.parametrize(
    ("battery", "regulator", "status"),
    [
        (Size(0.02, 0.003), Size(0.9, 0.1), "watch"),
        (Size(0.001, 0.001), Size(0.0, 0.1), "met"),
        (Size(0.002, 0.008), Size(0.1, 0.3), "not_shown"),  # the drive tells too little: no alarm, and no all-clear
        (UNKNOWN, UNKNOWN, "not_shown"),
    ],
)
def test_a_suspect_is_watched_where_it_is_clear_and_not_shown_where_the_drive_cannot_tell(battery, regulator, status):
    suspects = Suspects(battery, 1.5, regulator, BEND)
    found = {f.id: f for f in dataclasses.replace(made_up_fit(), suspects=suspects).findings(CAR)}
    for name in ("steady.battery", "steady.regulator"):
        assert_holds(found[name])
        assert found[name].status == status
    assert bool(suspects.dead_time_hidden) == (status == "watch")
    assert (suspects.level_doubt > 0) == (status == "watch")


def test_what_a_regulator_off_its_hose_cannot_do_withholds_nothing():
    """A rail that does not follow the manifold makes light loads richer; lambda that moves the other way is not it."""
    suspects = Suspects(Size(0.001, 0.001), 1.5, Size(-0.7, 0.2), BEND)
    found = {f.id: f for f in dataclasses.replace(made_up_fit(), suspects=suspects).findings(CAR)}
    assert found["steady.regulator"].status == "met"
    assert suspects.dead_time_hidden == ""


def test_a_reading_that_may_be_misplaced_widens_the_curve_where_it_is_steep(right):
    _, _, fit = right
    posterior = fit.posterior
    wider = with_misplaced_reading(posterior, 0.015, np.random.default_rng(1))
    shift = np.interp(posterior.reading * np.exp(-0.015), posterior.reading, posterior.log_factor[0])
    apart = np.abs(shift - posterior.log_factor[0])
    np.testing.assert_allclose(wider.log_factor[0], posterior.log_factor[0])
    assert (wider.log_factor_sd[apart > 0.002] > posterior.log_factor_sd[apart > 0.002]).all()
    assert with_misplaced_reading(posterior, 0.0, np.random.default_rng(1)) is posterior
