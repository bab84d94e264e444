"""Delay and lag against the known truth of an independent model (`plain_gas`), and against logs that show nothing."""

from __future__ import annotations

import numpy as np
import plain_gas
import pytest
import xarray as xr
from published import assert_agrees, entries

from tunelab.log.flag import flag_log
from tunelab.study.delay import DelayFit, estimate_delay, stated_delay
from tunelab.study.delay_model import follow


def flagged(log: xr.Dataset) -> xr.Dataset:
    return flag_log(log, plain_gas.CAR, plain_gas.SESSION, revision=plain_gas.REVISION)


def fit_of(seed: int, rate_hz: float, *, minutes: float = 4) -> tuple[plain_gas.Gas, DelayFit]:
    gas = plain_gas.invent(seed)
    log = flagged(plain_gas.drive(gas, seed=seed, minutes=minutes, rate_hz=rate_hz))
    return gas, estimate_delay(log, plain_gas.CAR, plain_gas.REVISION)


def covered(interval: tuple[float, float], truth: float) -> bool:
    return interval[0] <= truth <= interval[1]


def test_trim_swings_show_delay_and_lag():
    fits = [fit_of(seed, 25.0, minutes=5) for seed in range(12)]
    errors = [abs(fit.at_50_kg_h_s - gas.delay_at(50.0)) for gas, fit in fits]
    lags = [abs(fit.lag_s - gas.lag_s) for gas, fit in fits]
    assert all(fit.shown for _, fit in fits)
    assert np.median(errors) < 0.008
    assert max(errors) < 0.02
    assert np.median(lags) < 0.015
    assert max(lags) < 0.04
    assert sum(covered(fit.at_50_kg_h_interval, gas.delay_at(50.0)) for gas, fit in fits) >= 11
    assert sum(covered(fit.lag_interval, gas.lag_s) for gas, fit in fits) >= 10


@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
def test_other_rates_widen_the_interval_rather_than_mislead(rate_hz):
    gas, fit = fit_of(3, rate_hz)
    assert fit.shown
    assert covered(fit.at_50_kg_h_interval, gas.delay_at(50.0))
    assert abs(fit.at_50_kg_h_s - gas.delay_at(50.0)) < 0.03


def test_one_airflow_does_not_split_the_delay():
    gas = plain_gas.invent(1)
    log = flagged(plain_gas.drive(gas, seed=1, minutes=5, rate_hz=25.0, flows=(55.0, 65.0)))
    fit = estimate_delay(log, plain_gas.CAR, plain_gas.REVISION)
    wide = fit_of(1, 25.0)[1]
    assert fit.shown
    assert "split" in fit.because
    assert np.ptp(fit.delay_flow_interval) > 2 * np.ptp(wide.delay_flow_interval)
    assert covered(fit.at_50_kg_h_interval, gas.delay_at(50.0))


def still_log() -> xr.Dataset:
    """Open loop with fuel that does not move within a hold; lambda is noise."""
    rng = np.random.default_rng(5)
    time = np.arange(0, 300, 0.04)
    air = np.repeat(rng.uniform(20, 200, 30), time.size // 30)
    curve = plain_gas.REVISION.meter_curve
    data = {
        "engine_speed_rpm": np.full(time.size, 2000.0),
        "meter_v": np.interp(air, curve.flow_kg_h, curve.reading),
        "pulse_width_ms": 0.8 + air / 20,
        "lambda_measured": 1.0 + 0.004 * rng.normal(size=time.size),
        "battery_v": np.full(time.size, 14.0),
    }
    return xr.Dataset({name: ("time", values) for name, values in data.items()}, coords={"time": time})


def test_fuel_that_stands_still_shows_nothing_and_says_so():
    fit = estimate_delay(flagged(still_log()), plain_gas.CAR, plain_gas.REVISION)
    sensor = plain_gas.CAR.lambda_sensor
    assert not fit.shown
    assert "open loop" in fit.because
    assert (fit.delay_s, fit.delay_flow_s_kg_h, fit.lag_s) == (sensor.delay_s, sensor.delay_flow_s_kg_h, sensor.lag_s)
    assert np.ptp(fit.at_50_kg_h_interval) > 0.2


def test_open_loop_is_not_taken_for_shown():
    log = flagged(plain_gas.drive(plain_gas.invent(1), seed=1, minutes=5, rate_hz=25.0, loop="open"))
    fit = estimate_delay(log, plain_gas.CAR, plain_gas.REVISION)
    assert not fit.shown
    assert "open loop" in fit.because


def test_a_short_log_and_an_absent_channel_say_why():
    log = flagged(plain_gas.drive(plain_gas.invent(2), seed=2, minutes=0.4, rate_hz=25.0))
    assert "too few" in estimate_delay(log, plain_gas.CAR, plain_gas.REVISION).because
    fit = estimate_delay(log.drop_vars("pulse_width_ms"), plain_gas.CAR, plain_gas.REVISION)
    assert "no pulse width (pulse_width_ms)" in fit.because
    assert fit.samples_used == 0


def test_an_unflagged_log_is_refused():
    log = plain_gas.drive(plain_gas.invent(2), seed=2, minutes=0.4, rate_hz=25.0)
    with pytest.raises(ValueError, match="flag_log"):
        estimate_delay(log, plain_gas.CAR, plain_gas.REVISION)


def test_flagged_lambda_does_not_leak_into_the_fit():
    log = flagged(plain_gas.drive(plain_gas.invent(4), seed=4, minutes=3, rate_hz=25.0))
    broken = log.copy(deep=True)
    bad = (log["lambda_measured_flag"] | log["sample_flag"]).to_numpy() != 0
    hidden = bad & (log["lambda_measured_flag"].to_numpy() == 0)
    broken["lambda_measured_flag"] = log["lambda_measured_flag"].where(~hidden, 64)
    broken["lambda_measured"] = log["lambda_measured"].where(~hidden, 1.6)
    log["lambda_measured_flag"] = broken["lambda_measured_flag"]
    fits = [estimate_delay(item, plain_gas.CAR, plain_gas.REVISION) for item in (log, broken)]
    assert hidden.sum() > 100
    assert fits[0] == fits[1]


def test_summary_has_an_interval_for_every_parameter():
    table = fit_of(0, 25.0, minutes=3)[1].summary()
    assert list(table.columns) == ["value", "lower", "upper", "unit"]
    assert ((table["lower"] <= table["value"]) & (table["value"] <= table["upper"])).all()


def test_follow_is_exact_for_a_ramp():
    # Response of a first-order lag to a ramp: the ramp less tau, after the start; any text on linear systems.
    time = np.arange(0, 3, 0.02)
    late = follow(time, 0.02, 0.1)
    np.testing.assert_allclose(late, time - 0.1 * (1 - np.exp(-time / 0.1)), atol=1e-12)
    np.testing.assert_allclose(follow(np.full(9, 2.5), 0.02, 0.1), 2.5)


@pytest.mark.bench
def test_coverage_over_many_cars():
    for rate_hz in (10.0, 25.0, 50.0):
        fits = [fit_of(seed, rate_hz, minutes=10) for seed in range(24)]
        errors = 1000 * np.array([[f.at_50_kg_h_s - g.delay_at(50.0), f.lag_s - g.lag_s] for g, f in fits])
        inside = [[covered(f.at_50_kg_h_interval, g.delay_at(50.0)), covered(f.lag_interval, g.lag_s)] for g, f in fits]
        print(rate_hz, "Hz: rms", np.sqrt(np.mean(errors**2, axis=0)), "ms, covered", np.mean(inside, axis=0))  # noqa: T201
        assert np.mean(inside) > 0.85


def test_a_delay_that_only_the_owner_states_may_be_twice_as_long_or_nothing():
    car = plain_gas.CAR.model_copy(
        update={
            "lambda_sensor": plain_gas.CAR.lambda_sensor.model_copy(
                update={"delay_s": 0.2, "delay_flow_s_kg_h": 20.0, "lag_s": 0.3}
            )
        }
    )
    fit = stated_delay(car, "nothing was asked")
    assert fit.delay_interval == pytest.approx((0.0, 0.4))
    assert fit.delay_flow_interval == pytest.approx((0.0, 40.0))
    assert fit.lag_interval == pytest.approx((0.0, 0.6))


def test_a_lag_answers_a_step_as_published_after_one_time_constant_and_from_a_tenth_to_nine_tenths():
    step_s, tau_s = 0.001, 0.2
    answer = follow(np.r_[0.0, np.ones(2000)], step_s, tau_s)
    time_s = step_s * (np.arange(answer.size) - 0.5)  # the step runs straight through one sample
    assert_agrees(np.interp(tau_s, time_s, answer), entries()["s_tau63"] | {"rel_tol": 1e-5})
    rise_s = np.interp([0.1, 0.9], answer, time_s)
    assert_agrees((rise_s[1] - rise_s[0]) / tau_s, entries()["s_t1090"] | {"rel_tol": 1e-4})
