"""Yardstick of the steady study: 24 invented cars, two spreadsheets and the joint fit, one drive and two.

Prints what is left of the lambda error at steady speed, the dead-time error and the coverage of the 95 % intervals,
on the plain engine of the tests and on the kit's own simulator. Run with `pytest -m bench -s`.
"""

import time

import numpy as np
import pytest
from cell_means import cell_mean_revision
from steady_trials import DAY, fit_first, outcome, plain_trial, simulated_trial

from tunelab.study.proposal import propose

CARS = 24
SPREADSHEETS = {"spreadsheet": (0.0, 1), "better spreadsheet": (0.2, 40)}


def show(text: str) -> None:
    print(text)


def spread(values) -> str:
    known = np.asarray(values)[np.isfinite(values)]
    return f"{np.median(known):6.2f}  {np.percentile(known, 90):6.2f}  {known.max():6.2f}"


def spreadsheet_scores(trial, first_log, shift_s, least):
    """Lambda error after one correction and, driven again, after a second."""
    once = cell_mean_revision([first_log], trial.car, trial.revision, shift_s=shift_s, least_samples=least)
    again = trial.run(once.model_copy(update={"name": "r02"}), 2)
    twice = cell_mean_revision([again], trial.car, once, shift_s=shift_s, least_samples=least)
    return trial.score(once), trial.score(twice)


def joint_scores(trial, first_log):
    """Outcome after one drive; with two drives pooled on the first revision; lambda error after the second."""
    revisions = {trial.revision.name: trial.revision}
    started = time.perf_counter()
    fit = fit_first(trial, [first_log], revisions)
    took = time.perf_counter() - started
    second = propose(fit, trial.car, trial.revision).to_revision("r02", DAY)
    logs, revisions = [first_log, trial.run(second, 2)], revisions | {"r02": second}
    pooled = fit_first(trial, logs, revisions)
    return outcome(trial, fit), outcome(trial, pooled), took


@pytest.mark.bench
@pytest.mark.parametrize("make", [plain_trial, simulated_trial])
def test_bench_steady(make):
    rows = {name: [] for name in SPREADSHEETS}
    joint = []
    for seed in range(CARS):
        trial = make(seed)
        log = trial.run(trial.revision, 1)
        for name, (shift_s, least) in SPREADSHEETS.items():
            rows[name].append(spreadsheet_scores(trial, log, shift_s, least))
        joint.append(joint_scores(trial, log))
    one, two = [row[0] for row in joint], [row[1] for row in joint]
    show(f"\n{make.__name__}, {CARS} cars                   median    90 %     worst")
    show(f"p95 of lambda, before, %             {spread([o.before for o in one])}")
    for name, scores in rows.items():
        show(f"{name:19s} after 1 drive, %  {spread([s[0] for s in scores])}")
        show(f"{name:19s} after 2 drives, % {spread([s[1] for s in scores])}")
    for drives, outcomes in ((1, one), (2, two)):
        show(f"joint fit           after {drives} drives, % {spread([o.after for o in outcomes])}")
        show(f"  dead-time error, µs                {spread([abs(o.dead_time_error_us) for o in outcomes])}")
        curve, rows_in = ([getattr(o, name) for o in outcomes] for name in ("curve_covered", "rows_covered"))
        show(f"  coverage: curve {np.mean(curve):.3f} (worst car {np.min(curve):.2f}), rows {np.nanmean(rows_in):.3f}")
    over = sum(s[1] > 2 for s in rows["better spreadsheet"]), sum(o.after > 2 for o in two)
    show(f"cars not under 2 % after 2 drives: better spreadsheet {over[0]}, joint fit {over[1]}")
    show(f"seconds of one fit (10 min at 25 Hz) {spread([row[2] for row in joint])}")
    assert np.median([o.after for o in one]) < np.median([s[0] for s in rows["better spreadsheet"]])
