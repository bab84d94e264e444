"""The proposal: monotone, within the owner's caps, untouched where unmeasured, curve and dead time together."""

import datetime
from dataclasses import replace

import numpy as np
import plain_engine
import pytest
from steady_trials import fit_first, plain_trial

from tunelab.study.proposal import propose
from tunelab.study.steady import fit_steady
from tunelab.study.steady.prediction import Setting, in_force, opened_ms, predict_lambda_error
from tunelab.study.steady.setting import Evidence, _held_by_neighbours, best_setting
from tunelab.workspace.revision import Revision

DAY = datetime.date(2026, 5, 5)
CURVE = [
    "meter_v",
    "flow_in_force_kg_h",
    "factor",
    "factor_lower",
    "factor_upper",
    "flow_proposed_kg_h",
    "seconds",
    "basis",
]
DEAD_TIME = ["battery_v", "dead_time_in_force_ms", "change_ms", "change_lower_ms", "change_upper_ms",
             "dead_time_proposed_ms", "basis"]  # fmt: skip


@pytest.fixture(scope="module")
def first():
    trial = plain_trial(9)
    return trial, fit_first(trial, [trial.run(trial.revision, 1)], {"r01": trial.revision})


def limited(trial, **limits):
    return trial.car.model_copy(update={"limits": trial.car.limits.model_copy(update=limits)})


def test_tables_have_the_house_columns_and_unmeasured_points_stay(first):
    trial, fit = first
    proposal = propose(fit, trial.car, trial.revision)
    assert list(proposal.curve.columns) == CURVE
    assert list(proposal.dead_time.columns) == DEAD_TIME
    unchanged = proposal.curve[proposal.curve["basis"] == "unchanged"]
    assert len(unchanged)
    assert (unchanged["flow_proposed_kg_h"] == unchanged["flow_in_force_kg_h"]).all()
    assert (np.diff(proposal.curve["flow_proposed_kg_h"]) >= 0).all()
    assert set(proposal.curve["basis"]) <= {"measured", "extended", "kept pulse", "unchanged"}
    assert proposal.capped == ()


def test_the_proposed_revision_is_one_and_keeps_what_it_does_not_change(first):
    trial, fit = first
    proposal = propose(fit, trial.car, trial.revision)
    revision = proposal.to_revision("r02", DAY)
    assert (revision.based_on, revision.also_changed, revision.entered_by) == (trial.revision.name, [], None)
    assert isinstance(revision, Revision)
    assert revision.based_on == "r01"
    assert revision.injectors == trial.revision.injectors
    assert revision.fuelling == trial.revision.fuelling
    assert revision.meter_curve.meter_v == trial.revision.meter_curve.meter_v
    assert revision.meter_curve.flow_kg_h == proposal.curve["flow_proposed_kg_h"].tolist()


def test_the_prediction_holds_on_the_next_drive(first):
    trial, fit = first
    proposal = propose(fit, trial.car, trial.revision)
    after = trial.score(proposal.to_revision("r02", DAY))
    assert after < proposal.predicted.upper_pct + 0.5
    assert proposal.predicted.p95_pct < 0.2 * fit.before.p95_pct


@pytest.mark.parametrize("most_pct", [3.0, 8.0])
def test_the_cap_on_the_curve_is_kept_and_shown(first, most_pct):
    trial, fit = first
    car = limited(trial, meter_change_max_pct=most_pct)
    proposal = propose(fit, car, trial.revision)
    now, then = proposal.curve["flow_in_force_kg_h"], proposal.curve["flow_proposed_kg_h"]
    assert (np.abs(then - now) <= most_pct / 100 * now + 2e-3).all()
    assert any("one revision may change it" in line for line in proposal.capped)
    assert proposal.predicted.p95_pct <= fit.before.p95_pct
    after = trial.score(proposal.to_revision("r02", DAY))
    assert after < trial.score(trial.revision)


def test_a_cap_on_the_dead_time_refits_the_curve_for_what_goes_in(first):
    """The full curve without its dead time leaves more error than a curve chosen for the dead time that goes in."""
    trial, fit = first
    car = limited(trial, dead_time_change_max_ms=0.02)
    full, held = propose(fit, trial.car, trial.revision), propose(fit, car, trial.revision)
    change = held.dead_time["dead_time_proposed_ms"] - held.dead_time["dead_time_in_force_ms"]
    assert (change.abs() <= 0.0206).all()
    assert any("dead time wanted" in line for line in held.capped)
    mixed = full.to_revision("mixed", DAY).model_dump()
    mixed["dead_time"] = held.to_revision("held", DAY).dead_time.model_dump()
    assert trial.score(held.to_revision("held", DAY)) < trial.score(Revision.model_validate(mixed))


def test_the_dead_time_never_goes_below_zero(first):
    trial, fit = first
    rows = fit.dead_time.rows.assign(change_ms=-5.0)
    sunk = replace(fit, dead_time=replace(fit.dead_time, rows=rows))
    proposal = propose(sunk, limited(trial, dead_time_change_max_ms=10.0), trial.revision)
    assert (proposal.dead_time["dead_time_proposed_ms"] >= 0).all()
    assert any("kept at zero" in line for line in proposal.capped)


def test_a_fit_of_another_revision_is_refused(first):
    trial, fit = first
    other = trial.revision.model_copy(update={"name": "r09"})
    with pytest.raises(ValueError, match="refers to revision r01"):
        propose(fit, trial.car, other)


def test_a_curve_of_few_breakpoints_serves_the_straight_lines_between_them():
    """Sampling the true curve at sparse breakpoints leaves the lines too high in between; the proposal must not."""
    trial = plain_trial(8)
    at = np.linspace(0.5, 4.9, 9)
    flow = np.interp(at, trial.revision.meter_curve.reading, trial.revision.meter_curve.flow_kg_h)
    curve = trial.revision.meter_curve.model_copy(update={"meter_v": at.tolist(), "flow_kg_h": flow.tolist()})
    coarse = trial.revision.model_copy(update={"meter_curve": curve})
    trial = replace(trial, revision=coarse)
    fit = fit_first(trial, [trial.run(coarse, 1)], {"r01": coarse})
    proposal = propose(fit, trial.car, coarse)
    sampled = proposal.to_revision("sampled", DAY).model_dump()
    measured = (proposal.curve["basis"] != "unchanged").to_numpy()
    true = trial.true_flow(at) * np.exp(trial.constant)
    sampled["meter_curve"]["flow_kg_h"] = np.where(measured, true, flow).tolist()
    assert trial.score(proposal.to_revision("r02", DAY)) < trial.score(Revision.model_validate(sampled))


def test_a_measured_point_held_down_by_one_that_stays_is_named(first):
    """Where the car goes on but nothing was calm the curve in force hardly rises: the flows below stop at it."""
    trial, fit = first
    flow = np.asarray(trial.revision.meter_curve.flow_kg_h)
    measured = np.flatnonzero(fit.meter.points["basis"] == "measured")
    last = int(measured[-3])
    rises = flow[last] * (1 + 0.005 * np.arange(flow.size - last))
    curve = trial.revision.meter_curve.model_copy(update={"flow_kg_h": [*flow[:last], *rises]})
    flat = trial.revision.model_copy(update={"meter_curve": curve})
    again = fit_first(trial, [trial.run(flat, 1)], {"r01": flat})
    points = again.meter.points.copy()
    points.loc[last + 1 :, "basis"], points.loc[last + 1 :, "follow"] = "unchanged", 0.0
    points.loc[last + 1 :, ["factor", "factor_lower", "factor_upper"]] = np.nan
    meter = replace(again.meter, points=points)
    evidence = Evidence(
        again.points, again.places, again.at_breakpoints, again.posterior, meter, again.dead_time, trial.car, flat
    )
    setting = best_setting(evidence)
    held, above = setting.curve.flow_kg_h[last : last + 2]
    assert held == pytest.approx(above, abs=1e-3)
    wanted = flow[last] * points["factor"][last]
    assert wanted > 1.005 * held
    said = _held_by_neighbours(evidence, setting, np.inf)
    assert any(
        line.startswith(f"At {points['reading'][last]:.4g} V the curve wants {wanted:.4g} kg/h") for line in said
    )
    assert all("lean is left there until the range above is driven" in line for line in said)


def test_what_is_called_unchanged_stays_as_it_is(first, restless_idle):
    for trial, fit in (first, restless_idle[1:]):
        table = propose(fit, trial.car, trial.revision).curve
        stays = table["basis"] == "unchanged"
        assert stays.any()
        assert (table["flow_proposed_kg_h"][stays] == table["flow_in_force_kg_h"][stays]).all()


RIGHT_PCT = 2.3  # lambda this near may move: right by chance is not right


def cells(engine, revision):
    """Size of lambda's error by cells of speed and load, idle among them, where the intake does not pulse."""
    rpm, load = (m.ravel() for m in np.meshgrid([1400, 2000, 2800, 3700, 4800], [0.22, 0.35, 0.5, 0.65, 0.8]))
    rpm, load = np.append(rpm, [850.0, 850.0]), np.append(load, [0.15, 0.19])
    calm = np.abs(engine.over_reading(rpm, load)) < 0.003
    return np.abs(plain_engine.error_at(engine, revision, rpm[calm], load[calm], battery=13.5))


def assert_no_cell_is_worse(engine, proposal):
    before, after = cells(engine, proposal.base), cells(engine, proposal.to_revision("r02", DAY))
    assert (after <= np.maximum(before, RIGHT_PCT) + 0.05).all()


@pytest.fixture(scope="module", params=[4, 9])
def restless_idle(request):
    """An engine whose idle never keeps still, so that nothing is measured there, and whose dead time is off."""
    engine, trial = plain_engine.invent(request.param), plain_trial(request.param)
    log = trial.run(trial.revision, 1)
    hunting = 1 + 0.15 * np.sin(3 * log["time"]) * (log["engine_speed_rpm"] < 1150)
    log = log.assign(engine_speed_rpm=log["engine_speed_rpm"] * hunting)
    return engine, trial, fit_first(trial, [log], {"r01": trial.revision})


def test_no_cell_is_worse_where_idle_has_no_evidence_and_the_dead_time_moves(restless_idle):
    engine, trial, fit = restless_idle
    assert fit.blocks["engine_speed_rpm"].min() > 1150
    assert fit.places.engine_speed_rpm.min() < 1150
    proposal = propose(fit, trial.car, trial.revision)
    assert (proposal.dead_time["basis"] != "unchanged").all()
    assert_no_cell_is_worse(engine, proposal)
    assert any(note.startswith("By the fit the worst place is then") for note in proposal.notes)


@pytest.mark.parametrize("most_pct", [2.0, 5.0, 12.0])
@pytest.mark.parametrize("most_ms", [0.005, 0.03, 0.08])
def test_a_cap_that_bites_makes_no_cell_worse(restless_idle, most_pct, most_ms):
    engine, trial, fit = restless_idle
    car = limited(trial, meter_change_max_pct=most_pct, dead_time_change_max_ms=most_ms)
    assert_no_cell_is_worse(engine, propose(fit, car, trial.revision))


def test_a_breakpoint_without_evidence_keeps_its_pulse_where_the_posterior_knows_no_better(restless_idle):
    _engine, trial, fit = restless_idle
    points = fit.meter.points.copy()
    idle = (points["reading"] < fit.blocks["reading"].min()) & (points["basis"] != "measured") & (points["follow"] < 1)
    assert idle.any()
    points.loc[idle, "basis"], points.loc[idle, "follow"] = "unchanged", 0.0
    known = replace(fit, meter=replace(fit.meter, points=points), suspicion=None)  # an exhaust leak is another question
    proposal = propose(known, trial.car, trial.revision)
    kept = proposal.curve["basis"] == "kept pulse"
    assert kept.any()
    assert any("kept pulse" in note for note in proposal.notes)
    at = fit.at_breakpoints
    now, then = in_force(trial.revision), in_force(proposal.to_revision("r02", DAY))
    pulse = [
        opened_ms(at, one, trial.car, trial.revision)
        + np.interp(at.battery_v, one.dead_time.battery_v, one.dead_time.dead_time_ms)
        for one in (now, then)
    ]
    np.testing.assert_allclose(pulse[1][kept], pulse[0][kept], atol=2e-3)


def test_where_the_dead_time_is_not_shown_the_curve_serves_the_one_in_force():
    trial = plain_trial(3, kind="line")
    fit = fit_first(trial, [trial.run(trial.revision, 1)], {"r01": trial.revision})
    assert not fit.dead_time.shown
    proposal = propose(fit, trial.car, trial.revision)
    assert (proposal.dead_time["dead_time_proposed_ms"] == proposal.dead_time["dead_time_in_force_ms"]).all()
    assert (proposal.curve["basis"] == "measured").any()
    assert proposal.predicted.p95_pct < 0.2 * fit.before.p95_pct
    assert trial.score(proposal.to_revision("r02", DAY)) < 0.6 * trial.score(trial.revision)  # the whole grid
    width = np.log(proposal.curve["factor_upper"] / proposal.curve["factor_lower"])
    assert width[proposal.curve["basis"] == "measured"].min() > 0.04  # what an unknown dead time leaves open
    assert any(note.startswith("The dead time stays as it is.") for note in proposal.notes)


@pytest.fixture(scope="module")
def pulsating():
    """A car whose meter over-reads by up to 13 % where the intake pulses."""
    trial = plain_trial(6)
    return trial, fit_first(trial, [trial.run(trial.revision, 1)], {"r01": trial.revision})


def everywhere(trial, revision):
    """p95 of the lambda error [%] over the tests' own schedule, the pulsating places with the rest."""
    engine = plain_engine.invent(6)
    rpm, load = plain_engine.schedule(np.random.default_rng([6, 23]), 600, "grid")[:, 1:].T
    return np.percentile(np.abs(plain_engine.error_at(engine, revision, rpm, load, battery=13.7)), 95)


def test_the_owner_may_have_the_mean_over_reading_folded_into_the_curve(pulsating):
    trial, fit = pulsating
    plain = propose(fit, trial.car, trial.revision)
    car = trial.car.model_copy(update={"meter": trial.car.meter.model_copy(update={"fold_pulsation": True})})
    folded = propose(fit, car, trial.revision)
    found = plain.everywhere
    assert not found.chosen
    assert folded.everywhere.chosen
    assert found.folded.p95_pct < found.unfolded.p95_pct < found.now.p95_pct
    now, plain_left, folded_left = (
        everywhere(trial, revision)
        for revision in (trial.revision, *(p.to_revision("r02", DAY) for p in (plain, folded)))
    )
    assert folded_left < plain_left < now
    assert trial.score(folded.to_revision("r02", DAY)) <= folded.predicted.upper_pct
    assert folded.predicted.p95_pct > plain.predicted.p95_pct
    assert "fold_pulsation = true" in plain.notes[-1]
    assert "As car.toml asks" in folded.notes[-1]


def test_where_the_meter_does_not_over_read_nothing_is_offered(first):
    trial, fit = first
    clear = replace(fit, points=replace(fit.points, disturbed=np.zeros_like(fit.points.disturbed)))
    proposal = propose(clear, trial.car, trial.revision)
    assert proposal.everywhere is None
    assert not any("fold_pulsation" in note for note in proposal.notes)


def test_the_prediction_allows_for_what_the_next_drive_measures(first):
    """Its own error, another day and other places: the interval is wider than that of what is true now."""
    trial, fit = first
    proposal = propose(fit, trial.car, trial.revision)
    setting = Setting(proposal.to_revision("r02", DAY).meter_curve, proposal.to_revision("r02", DAY).dead_time)
    true = predict_lambda_error(fit.points, fit.posterior, setting, trial.car, trial.revision)
    assert proposal.predicted.lower_pct <= true.lower_pct
    assert proposal.predicted.upper_pct > 1.2 * true.upper_pct
    assert proposal.predicted.p95_pct == true.p95_pct
    after = trial.run(proposal.to_revision("r02", DAY), 2)
    revisions = {"r01": trial.revision, "r02": proposal.to_revision("r02", DAY)}
    alone = fit_steady([after], trial.car, revisions, "r02")
    assert proposal.predicted.lower_pct <= alone.before.p95_pct <= proposal.predicted.upper_pct


def test_more_of_a_drive_leaves_the_truth_out_no_more_often():
    """Five minutes of a drive, and all of it; over many cars in the bench."""
    held = {"part": 0, "whole": 0}
    for seed in (2, 9):
        trial = plain_trial(seed)
        log = trial.run(trial.revision, 1)
        for name, used in (("part", log.isel(time=slice(log.sizes["time"] // 2))), ("whole", log)):
            proposal = propose(fit_first(trial, [used], {"r01": trial.revision}), trial.car, trial.revision)
            true, predicted = trial.score(proposal.to_revision("r02", DAY)), proposal.predicted
            held[name] += predicted.lower_pct <= true <= predicted.upper_pct
    assert held["whole"] >= held["part"] >= 1
