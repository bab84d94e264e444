"""The proposal: monotone, within the owner's caps, untouched where unmeasured, curve and dead time together."""

import datetime
from dataclasses import replace

import numpy as np
import pytest
from steady_trials import fit_first, plain_trial

from tunelab.study.proposal import propose
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
    assert set(proposal.curve["basis"]) <= {"measured", "extended", "unchanged"}
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
    """Beyond what was driven the curve in force hardly rises: the last measured flows stop at what stands there."""
    trial, fit = first
    flow = np.asarray(trial.revision.meter_curve.flow_kg_h)
    last = int(np.flatnonzero(fit.meter.points["basis"] == "measured")[-1])
    rises = flow[last] * (1 + 0.005 * np.arange(flow.size - last))
    curve = trial.revision.meter_curve.model_copy(update={"flow_kg_h": [*flow[:last], *rises]})
    flat = trial.revision.model_copy(update={"meter_curve": curve})
    again = fit_first(trial, [trial.run(flat, 1)], {"r01": flat})
    proposal = propose(again, trial.car, flat)
    table = proposal.curve
    stays = table["basis"] == "unchanged"
    assert (table["flow_proposed_kg_h"][stays] == table["flow_in_force_kg_h"][stays]).all()
    held = table["flow_proposed_kg_h"][last]
    assert held == pytest.approx(table["flow_in_force_kg_h"][stays & (table.index > last)].min(), abs=1e-3)
    wanted = table["flow_in_force_kg_h"][last] * table["factor"][last]
    assert wanted > 1.005 * held
    said = [line for line in proposal.capped if "a curve has to rise" in line]
    assert any(line.startswith(f"At {table['meter_v'][last]:.4g} V the curve wants {wanted:.4g} kg/h") for line in said)
    assert all("lean is left there until the range above is driven" in line for line in said)
