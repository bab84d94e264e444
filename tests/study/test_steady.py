"""The steady study against engines whose truth is known, against the spreadsheet, and against poor drives."""

import datetime

import numpy as np
import plain_engine
import pytest
import steady_trials
from cell_means import cell_mean_revision
from steady_trials import fit_first, outcome, plain_trial, simulated_trial

from tunelab.simulate import one_line
from tunelab.study.consistency import check_consistency
from tunelab.study.delay import stated_delay
from tunelab.study.limits import watch_limits
from tunelab.study.proposal import propose
from tunelab.study.steady import Delay, fit_steady
from tunelab.workspace.session import Session

DAY = datetime.date(2026, 5, 3)


@pytest.fixture(scope="module")
def first():
    """One plain engine, its first drive and the fit."""
    trial = plain_trial(5)
    log = trial.run(trial.revision, 1)
    return trial, log, fit_first(trial, [log], {"r01": trial.revision})


@pytest.mark.parametrize(
    ("make", "seed"), [(plain_trial, 8), (plain_trial, 11), (plain_trial, 22), (simulated_trial, 6)]
)
def test_a_known_truth_is_recovered_and_beats_the_spreadsheet(make, seed):
    trial = make(seed)
    log = trial.run(trial.revision, 1)
    fit = fit_first(trial, [log], {trial.revision.name: trial.revision})
    found = outcome(trial, fit)
    cells = trial.score(cell_mean_revision([log], trial.car, trial.revision, shift_s=0.2, least_samples=40))
    assert found.after < 1.5
    assert found.after < 0.6 * cells
    assert found.after < 0.2 * found.before
    assert abs(found.dead_time_error_us) < 25
    assert found.curve_covered > 0.7


@pytest.mark.parametrize(("make", "seed"), [(plain_trial, 9), (simulated_trial, 7)])
def test_two_drives_of_different_revisions_are_referred_to_one(make, seed):
    trial = make(seed)
    first_log = trial.run(trial.revision, 1)
    fit = fit_first(trial, [first_log], {"r01": trial.revision})
    second = propose(fit, trial.car, trial.revision).to_revision("r02", DAY)
    logs = [first_log, trial.run(second, 2)]
    pooled = fit_first(trial, logs, {"r01": trial.revision, "r02": second})
    found = outcome(trial, pooled)
    assert pooled.sessions == ("drive 1", "drive 2")
    assert found.after < 1.2
    assert found.curve_covered > 0.7
    assert abs(found.dead_time_error_us) < 20


def test_a_drive_along_one_line_shows_no_dead_time():
    trial = plain_trial(3, kind="line")
    fit = fit_first(trial, [trial.run(trial.revision, 1)], {"r01": trial.revision})
    assert not fit.dead_time.shown
    assert "one line" in fit.dead_time.because
    assert np.isnan(fit.dead_time.level_ms)
    found = {f.id: f for f in fit.findings(trial.car)}
    assert found["steady.dead_time"].status == "not_shown"
    assert found["steady.dead_time"].value is None
    proposal = propose(fit, trial.car, trial.revision)
    assert proposal.dead_time["dead_time_proposed_ms"].tolist() == trial.revision.dead_time.dead_time_ms
    # The interval of the curve knows that the dead time is unknown.
    true = trial.true_flow(fit.meter.reading) / fit.meter.flow_in_force_kg_h * np.exp(trial.constant)
    known = np.isfinite(fit.meter.factor)
    assert np.mean(((fit.meter.lower <= true) & (true <= fit.meter.upper))[known]) > 0.8


def test_a_steady_battery_shows_no_change_with_voltage(first):
    trial, log, _ = first
    still_v = 14.0 + 0.02 * np.sin(log["time"])
    shift = trial.true_dead_time(still_v) - trial.true_dead_time(log["battery_v"])
    pulse = (log["pulse_width_ms"] + shift).where(log["pulse_width_ms"] > 0, 0.0)
    still = log.assign(battery_v=still_v, pulse_width_ms=pulse)
    fit = fit_first(trial, [still], {"r01": trial.revision})
    assert not fit.dead_time.slope_shown
    assert np.isnan(fit.dead_time.slope_ms_v)
    assert "battery" in fit.dead_time.slope_because.lower()


def test_the_same_logs_give_the_same_result(first):
    trial, log, fit = first
    again = fit_first(trial, [log], {"r01": trial.revision})
    np.testing.assert_array_equal(again.meter.factor, fit.meter.factor)
    assert again.predicted == fit.predicted


def test_unmeasured_readings_are_nan_and_evidence_is_counted(first):
    _, _, fit = first
    assert np.isnan(fit.meter.factor).any() or fit.meter.reading[0] > fit.meter.points["reading"].iloc[0]
    assert fit.meter.seconds.sum() == pytest.approx(fit.blocks["seconds"].sum())
    assert fit.samples_used == fit.blocks["samples"].sum()
    assert fit.samples_flagged > 0
    unchanged = fit.meter.points["basis"] == "unchanged"
    assert unchanged.any()
    assert fit.meter.points.loc[unchanged, "factor"].isna().all()
    assert fit.meter.points.loc[~unchanged, "factor"].notna().all()


def test_the_residuals_are_centred_and_the_halves_agree(first):
    _, _, fit = first
    assert abs(fit.blocks["residual_pct"].median()) < 0.1
    assert fit.split_half.difference_rms_pct < 3 * fit.split_half.expected_rms_pct


def test_summary_and_findings_tell_the_same(first):
    trial, _, fit = first
    table = fit.summary()
    assert list(table.columns) == ["value", "lower", "upper", "unit", "seconds"]
    found = {f.id: f for f in fit.findings(trial.car)}
    in_force = table.loc["lambda error now, 95 % of cells below", "value"]
    assert found["steady.lambda_error"].value == pytest.approx(in_force)
    assert found["steady.lambda_error"].status in {"watch", "stop"}
    assert found["steady.lambda_predicted"].value < found["steady.lambda_error"].value
    for finding in found.values():
        assert finding.value is None or finding.lower <= finding.value <= finding.upper


def test_without_pulse_width_the_ecus_law_stands_in(first):
    trial, log, fit = first
    bare = log.drop_vars(["pulse_width_ms", "pulse_width_ms_flag"])
    stood_in = fit_first(trial, [bare], {"r01": trial.revision})
    assert any("pulse_width_ms is not logged" in note for note in stood_in.notes)
    assert stood_in.dead_time.level_ms == pytest.approx(fit.dead_time.level_ms, abs=0.02)


def test_without_a_meter_reading_the_airflow_is_turned_back(first):
    trial, log, fit = first
    bare = log.drop_vars(["meter_v", "meter_v_flag"])
    turned = fit_first(trial, [bare], {"r01": trial.revision})
    assert any("meter_v is not logged" in note for note in turned.notes)
    assert turned.dead_time.level_ms == pytest.approx(fit.dead_time.level_ms, abs=0.02)


def test_a_second_sensor_in_the_same_pipe_that_disagrees_is_told(first):
    trial, log, _ = first
    sensor = trial.car.lambda_sensor.model_copy(update={"second": "same pipe"})
    car = trial.car.model_copy(update={"lambda_sensor": sensor})
    both = log.assign(
        lambda_measured_2=log["lambda_measured"] * 1.03, lambda_measured_2_flag=log["lambda_measured_flag"]
    )
    if "lambda_measured_fresh" in log:
        both["lambda_measured_2_fresh"] = log["lambda_measured_fresh"]
    fit = fit_steady([both], car, {"r01": trial.revision}, "r01")
    assert fit.banks.disagrees
    assert fit.banks.lower_pct <= 100 * np.log(1.03) + 1e-6
    assert fit.banks.upper_pct >= 100 * np.log(1.03) - 1e-6
    assert {f.id: f.status for f in fit.findings(car)}["steady.banks"] == "watch"


def test_fuel_pressure_that_cannot_be_corrected_refuses_dead_time(first):
    trial, log, _ = first
    injectors = trial.car.injectors.model_copy(update={"pressure": "fixed"})
    car = trial.car.model_copy(update={"injectors": injectors})
    fit = fit_steady([log], car, {"r01": trial.revision}, "r01")
    assert not fit.dead_time.shown
    assert "manifold" in fit.dead_time.because
    assert any("manifold_kpa is not logged" in note for note in fit.notes)


def test_a_delay_that_is_off_by_a_tenth_of_a_second_matters_little(first):
    trial, log, fit = first
    sensor = trial.car.lambda_sensor
    late = Delay(sensor.delay_s + 0.1, sensor.delay_flow_s_kg_h, sensor.lag_s)
    other = fit_steady([log], trial.car, {"r01": trial.revision}, "r01", delay=late)
    both = (
        np.isfinite(other.meter.factor[: fit.meter.factor.size])
        if other.meter.reading.size == fit.meter.reading.size
        else []
    )
    assert other.dead_time.level_ms == pytest.approx(fit.dead_time.level_ms, abs=0.01)
    assert len(both) == 0 or np.nanmax(np.abs(np.log(other.meter.factor / fit.meter.factor))) < 0.03


def assert_shows_nothing(trial, fit):
    """No figure anywhere, one reason in every finding, and a proposal that leaves all as it is."""
    found = [f for f in fit.findings(trial.car) if f.id != "steady.lean_at_load"]  # measured, not fitted
    assert {finding.status for finding in found} == {"not_shown"}
    assert all(finding.value is finding.lower is finding.upper is None for finding in found)
    assert {finding.because for finding in found} == {fit.because, fit.dead_time.slope_because}
    assert fit.summary()[["value", "lower", "upper"]].isna().all(axis=None)
    proposal = propose(fit, trial.car, trial.revision)
    assert proposal.curve["flow_proposed_kg_h"].tolist() == list(trial.revision.meter_curve.flow_kg_h)
    assert proposal.dead_time["dead_time_proposed_ms"].tolist() == list(trial.revision.dead_time.dead_time_ms)
    assert set(proposal.curve["basis"]) == set(proposal.dead_time["basis"]) == {"unchanged"}
    assert proposal.notes == (fit.because, *fit.notes)
    assert "hold each engine speed and throttle still" in fit.notes[0]


@pytest.mark.parametrize("rows", [600, 40, 1])
def test_too_little_driving_shows_nothing_and_names_the_drive(first, rows):
    trial, log, _ = first
    fit = fit_first(trial, [log.isel(time=slice(0, rows))], {"r01": trial.revision})
    assert "24 blocks of about a second in 6 holds are the least" in fit.because
    assert_shows_nothing(trial, fit)


def test_no_logs_and_unknown_revisions_are_refused(first):
    trial, log, _ = first
    with pytest.raises(ValueError, match="no logs"):
        fit_steady([], trial.car, {"r01": trial.revision}, "r01")
    with pytest.raises(KeyError, match="nearest known one is r01"):
        fit_steady([log], trial.car, {"r01": trial.revision}, "r1")


def test_a_meter_that_never_moves_shows_nothing(first):
    trial, log, _ = first
    fit = fit_first(trial, [log.assign(meter_v=0 * log["meter_v"] + 2.0)], {"r01": trial.revision})
    assert "gave one reading" in fit.because
    assert_shows_nothing(trial, fit)


@pytest.mark.parametrize("channel", ["lambda_measured", "engine_speed_rpm"])
def test_a_log_without_lambda_or_speed_shows_nothing_and_names_the_channel(first, channel):
    trial, log, _ = first
    fit = fit_first(trial, [log.drop_vars(channel)], {"r01": trial.revision})
    assert f"{channel} is not in the log" in fit.because
    assert_shows_nothing(trial, fit)


def test_the_yardstick_is_not_a_straw_man():
    """The spreadsheet halves the error at least; more than a few percent it cannot get below."""
    trial = plain_trial(3)
    log = trial.run(trial.revision, 1)
    after = trial.score(cell_mean_revision([log], trial.car, trial.revision, shift_s=0.2, least_samples=40))
    assert after < trial.score(trial.revision)
    assert steady_trials.DAY == DAY


def test_cruising_along_one_line_in_the_simulator_shows_no_dead_time():
    """The small wander about the line, and the idle, must not pass for a contrast."""
    trial = simulated_trial(2, schedule=one_line)
    fit = fit_first(trial, [trial.run(trial.revision, 1)], {trial.revision.name: trial.revision})
    assert not fit.dead_time.shown
    assert "one line" in fit.dead_time.because


def test_a_meter_ahead_of_a_turbine_is_fitted_with_boost_and_raises_no_alarm():
    """Loads up to 1.6 times a filled cylinder: curve set right where nothing pulsates, boost held against its limit."""
    engine, rng = plain_engine.invent(3), np.random.default_rng(3)
    starts = np.cumsum(rng.uniform(5, 13, 50)) - 5
    holds = np.column_stack([starts, rng.uniform(1400, 3600, 50), rng.uniform(0.3, 1.6, 50), np.tile([0, 0.8], 25)])
    car = engine.car.model_copy(update={"limits": engine.car.limits.model_copy(update={"boost_max_kpa": 50.0})})
    log = plain_engine.drive(engine, engine.revision, seed=3, minutes=7, rate_hz=20, holds=holds, with_manifold=True)
    flat = log["battery_v"] * 0
    log = log.assign(barometer_kpa=flat + 100.0, coolant_c=flat + 88.0, intake_air_c=flat + 30.0)
    for name in ("barometer_kpa", "coolant_c", "intake_air_c"):
        log[f"{name}_flag"] = log["battery_v_flag"] * 0
        log[f"{name}_flag"].attrs = log["battery_v_flag"].attrs
    checks = check_consistency([log.assign_attrs(revision="r01")], car, {"r01": engine.revision}, "r01")
    assert not [check.id for check in checks if check.status in ("watch", "stop")]
    fit = fit_steady([log], car, {"r01": engine.revision}, "r01")
    after = propose(fit, car, engine.revision).to_revision("r02", DAY)
    rpm, load = holds[:, 1], holds[:, 2]
    calm = engine.over_reading(rpm, load) < 0.003
    assert load[calm].max() > 1.3
    now, then = (
        np.percentile(np.abs(plain_engine.error_at(engine, one, rpm[calm], load[calm], battery=13.6)), 95)
        for one in (engine.revision, after)
    )
    assert then < min(now / 3, 2.0)
    session = Session(date=DAY, steps=["steady"], revision="r01")
    boost = {f.id: f for f in watch_limits(log, car, engine.revision, session, stated_delay(car, "")).findings()}
    assert boost["limits.boost"].status == "stop"
    assert boost["limits.boost"].value == pytest.approx(float(log["manifold_kpa"].max()) - 100.0, abs=4.0)
