"""Mixture against temperature, with known slopes."""

import numpy as np
import pytest
from driven_log import CAR, REVISION, flagged
from finding_rules import assert_holds

from tunelab.study.heat import study_heat


def made(seed=1, *, per_intake=0.1, per_coolant=-0.05, together=False, trims=True):
    rng = np.random.default_rng(seed)
    time = np.arange(0, 400, 0.1)
    coolant = 40 + 50 * (1 - np.exp(-time / 120))
    intake = 20 + 0.5 * (coolant - 40) if together else 30 + 12 * np.sin(2 * np.pi * time / 130)
    air = 40 + 30 * (np.floor(time / 20) % 4)
    error = 3.0 + per_coolant * (coolant - 88) + per_intake * (intake - 30) + 0.3 * rng.normal(size=time.size)
    trim = error if trims else np.zeros(time.size)
    reading = np.interp(air, REVISION.meter_curve.flow_kg_h, REVISION.meter_curve.reading)
    lambda_ = np.exp((error - 100 * np.log1p(trim / 100)) / 100)
    return flagged(
        time, lambda_measured=lambda_, lambda_commanded=np.ones(time.size), coolant_c=coolant, intake_air_c=intake,
        meter_v=reading, trim_short_pct=trim, trim_long_pct=np.zeros(time.size),
    )  # fmt: skip


@pytest.mark.parametrize("trims", [True, False])
def test_known_slopes_are_covered_with_trims_or_without(trims):
    inside = []
    for seed in range(20):
        study = study_heat(made(seed, trims=trims), CAR, REVISION)
        inside.append(study.per_intake_c.lower <= 0.1 <= study.per_intake_c.upper)
        inside.append(study.per_coolant_c.lower <= -0.05 <= study.per_coolant_c.upper)
        assert study.per_intake_c.value == pytest.approx(0.1, abs=0.02)
    assert np.mean(inside) >= 0.85


def test_what_the_meter_could_explain_is_a_share_of_the_slope():
    study = study_heat(made(per_intake=0.2), CAR, REVISION)
    for finding in study.findings(CAR):
        assert_holds(finding)
    assert study.meter_could.value == pytest.approx(0.05 / 0.2, rel=0.1)
    assert sum(study.explained.values()) == pytest.approx(1.0)
    assert study.explained["intake alone"] > 0.2
    assert "intake alone" in next(f for f in study.findings(CAR) if f.id == "heat.meter").because
    assert study_heat(made(per_intake=0.02), CAR, REVISION).meter_could.value == pytest.approx(1.0)


def test_temperatures_that_go_together_are_not_told_apart():
    study = study_heat(made(together=True), CAR, REVISION)
    assert not study.per_intake_c.shown
    assert "cannot be separated" in study.per_intake_c.method
    assert not study.meter_could.shown


def test_bins_follow_the_error():
    study = study_heat(made(per_intake=0.0, per_coolant=-0.2), CAR, REVISION)
    assert study.by_coolant["error_pct"].is_monotonic_decreasing


def test_without_lambda_or_time_nothing_is_shown():
    for log in (made().drop_vars("lambda_measured"), made().sel(time=slice(0, 20))):
        study = study_heat(log, CAR, REVISION)
        assert not study.shown
        assert {f.status for f in study.findings(CAR)} == {"not_shown"}
