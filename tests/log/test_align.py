"""Lambda referred back to fuelling: exact when calm, right in slow drifts, nothing flagged leaks in, no gap crossed."""

from __future__ import annotations

import numpy as np
import plain_gas
import pytest
import xarray as xr

from tunelab.log.align import FUEL_PER_AIR, add_air_flow, arrival_time, at_rows, exhaust_flow, refer_back, rolling
from tunelab.log.flag import MASKS, flag_log, trusted
from tunelab.study.delay_model import follow

STEP_S = 0.04
DELAY = {"delay_s": 0.06, "delay_flow_s_kg_h": 5.0, "lag_s": 0.1}


def flags_of(log: xr.Dataset) -> xr.Dataset:
    """The log with all its flags clear."""
    rows = log.sizes["time"]
    clear = {f"{name}_flag": ("time", np.zeros(rows, dtype=np.int32)) for name in log.data_vars}
    return log.assign(clear).assign(sample_flag=("time", np.zeros(rows, dtype=np.int32)))


def seen_log(mixture, *, flow: float = 60.0, seconds: float = 40.0) -> xr.Dataset:
    """A sensor that sees `mixture(time)` late: own delay on a fine clock, then a lag."""
    fine = np.arange(-5, seconds, 0.002)
    exhaust = flow * (1 + FUEL_PER_AIR)
    seen = follow(mixture(fine - DELAY["delay_s"] - DELAY["delay_flow_s_kg_h"] / exhaust), 0.002, DELAY["lag_s"])
    time = np.arange(0, seconds - 1, STEP_S)
    data = {"lambda_measured": np.interp(time, fine, seen), "air_flow_kg_h": np.full(time.size, flow)}
    return flags_of(xr.Dataset({name: ("time", values) for name, values in data.items()}, coords={"time": time}))


def test_a_slow_drift_is_referred_back_exactly():
    def drift(time):
        return 1.0 + 0.01 * time

    log = refer_back(seen_log(drift), **DELAY)
    inside = log["time"] < 38
    np.testing.assert_allclose(log["lambda_at_fuelling"][inside], drift(log["time"])[inside], atol=1e-9)


def test_swings_come_back_in_time_and_nearly_whole():
    def swing(time):
        return 1.0 + 0.04 * np.sin(2 * np.pi * time / 3)

    log = refer_back(seen_log(swing), **DELAY)
    error = (log["lambda_at_fuelling"] - swing(log["time"])).dropna("time")
    assert np.abs(error).max() < 0.04 * 0.05
    shifted = seen_log(swing)["lambda_measured"] - swing(log["time"])
    assert np.abs(shifted).max() > 0.04 * 0.4


def test_the_end_of_a_log_has_no_lambda_and_says_so():
    log = refer_back(seen_log(np.ones_like), **DELAY)
    last = log.isel(time=-1)
    assert np.isnan(last["lambda_at_fuelling"])
    assert int(last["lambda_at_fuelling_flag"]) & MASKS["missing"]


@pytest.mark.parametrize("reason", ["spike", "rail", "stale", "warming_up", "excluded"])
def test_a_flagged_reading_does_not_leak_in(reason):
    log = seen_log(np.ones_like)
    bad = slice(300, 330)
    log["lambda_measured"][bad] = 9.0
    log["lambda_measured_flag"][bad] = MASKS[reason]
    referred = refer_back(log, **DELAY)
    value = referred["lambda_at_fuelling"].to_numpy()
    np.testing.assert_allclose(value[np.isfinite(value)], 1.0, atol=1e-9)
    hidden = np.isnan(value) & (log["time"].to_numpy() < 38)
    assert 28 <= hidden.sum() <= 32
    assert (referred["lambda_at_fuelling_flag"].to_numpy()[hidden] & MASKS[reason]).any()
    assert not trusted(referred, "lambda_at_fuelling").to_numpy()[hidden].any()


def test_one_spike_is_bridged_by_its_good_neighbours():
    log = seen_log(np.ones_like)
    log["lambda_measured"][300] = 9.0
    log["lambda_measured_flag"][300] = MASKS["spike"]
    value = refer_back(log, **DELAY)["lambda_at_fuelling"]
    np.testing.assert_allclose(value[value["time"] < 38], 1.0, atol=1e-9)


def test_a_transient_when_lambda_was_measured_stays_marked():
    log = seen_log(np.ones_like)
    log["sample_flag"][400:425] = MASKS["transient"]
    referred = refer_back(log, **DELAY)
    marked = (referred["lambda_at_fuelling_flag"].to_numpy() & MASKS["transient"]) != 0
    assert np.isfinite(referred["lambda_at_fuelling"][390:420]).all()
    assert marked[395:418].all()  # fuelled about 0.24 s earlier
    assert not trusted(referred, "lambda_at_fuelling").to_numpy()[395]
    assert trusted(referred, "lambda_at_fuelling", allow=["transient"]).to_numpy()[395]


@pytest.mark.parametrize("kind", ["gap", "episode"])
def test_nothing_is_referred_across_missing_time(kind):
    log = seen_log(lambda time: np.where(time < 20, 1.0, 1.3))
    if kind == "gap":
        log = log.isel(time=np.r_[0:500, 520 : log.sizes["time"]])
    else:
        log = log.assign(episode=("time", (np.arange(log.sizes["time"]) >= 500).astype(np.int32)))
    referred = refer_back(log, **DELAY)
    before = referred["lambda_at_fuelling"][494:500]
    assert np.isnan(before).all()
    assert (referred["lambda_at_fuelling_flag"][494:500].to_numpy() & MASKS["gap"]).all()


def test_held_readings_are_not_used():
    log = seen_log(lambda time: 1.0 + 0.01 * time)
    fresh = np.arange(log.sizes["time"]) % 5 == 0
    held = log["lambda_measured"].to_numpy()[np.arange(fresh.size) // 5 * 5]
    log = log.assign(lambda_measured=("time", held), lambda_measured_fresh=("time", fresh.astype(np.int8)))
    referred = refer_back(log, **DELAY)
    inside = log["time"].to_numpy() < 37
    np.testing.assert_allclose(referred["lambda_at_fuelling"][inside], 1 + 0.01 * log["time"][inside], atol=1e-9)


def test_arrivals_never_overtake_and_steady_delay_is_the_stated_one():
    time = np.arange(0, 20, 0.02)
    flow = np.where((time > 8) & (time < 10), 300.0, 15.0) + 5 * np.sin(40 * time)
    arrives = arrival_time(time, flow, delay_s=0.05, delay_flow_s_kg_h=6.0)
    assert (np.diff(arrives) > 0).all()
    steady = arrival_time(time, np.full(time.size, 50.0), delay_s=0.05, delay_flow_s_kg_h=6.0)
    np.testing.assert_allclose(steady - time, 0.05 + 6.0 / 50.0, rtol=1e-9)


def test_both_sensors_are_referred_back():
    gas = plain_gas.invent(4)
    log = plain_gas.drive(gas, seed=4, minutes=2, rate_hz=25.0, loop="open")
    log["lambda_measured_2"] = log["lambda_measured"]
    log = add_air_flow(flag_log(log, plain_gas.CAR, plain_gas.SESSION), plain_gas.CAR, plain_gas.REVISION)
    log = refer_back(log, delay_s=gas.delay_s, delay_flow_s_kg_h=gas.delay_flow_s_kg_h, lag_s=gas.lag_s)
    assert {"lambda_at_fuelling", "lambda_at_fuelling_2"} <= set(log.data_vars)
    calm = trusted(log, "lambda_at_fuelling", "meter_v", "pulse_width_ms")
    assert 0.4 < float(calm.mean()) < 0.95
    assert "referred back" in log.attrs["history"]


def test_air_flow_comes_from_the_curve_where_none_is_logged():
    curve = plain_gas.REVISION.meter_curve
    log = xr.Dataset({"meter_v": ("time", [0.5, 1.25, 4.5])}, coords={"time": [0.0, 1.0, 2.0]})
    added = add_air_flow(log, plain_gas.CAR, plain_gas.REVISION)
    np.testing.assert_allclose(added["air_flow_kg_h"], [curve.flow_kg_h[0], 15.0, curve.flow_kg_h[-1]])
    assert "air_flow_kg_h" not in log
    np.testing.assert_allclose(exhaust_flow(added), added["air_flow_kg_h"] * (1 + FUEL_PER_AIR))


def test_air_flow_comes_from_the_curve_where_the_other_of_two_loggers_leaves_it_out():
    """A short hole is the slow channel's own; the rows of a logger without the channel are not."""
    time = np.arange(0.0, 20.0, 0.1)
    volts, curve = np.linspace(1.0, 3.0, time.size), plain_gas.REVISION.meter_curve
    theirs = np.where(time < 10, 123.0, np.nan)
    theirs[[30, 31]] = np.nan
    log = xr.Dataset(
        {
            "meter_v": ("time", volts), "meter_v_flag": ("time", np.full(time.size, 4, np.int32)),
            "air_flow_kg_h": ("time", theirs), "air_flow_kg_h_flag": ("time", np.zeros(time.size, np.int32)),
        },
        {"time": time},
    )  # fmt: skip
    added = add_air_flow(log, plain_gas.CAR, plain_gas.REVISION)
    later = time > 9.95
    np.testing.assert_array_equal(added["air_flow_kg_h"][~later], theirs[~later])
    np.testing.assert_allclose(added["air_flow_kg_h"][later], np.interp(volts, curve.reading, curve.flow_kg_h)[later])
    assert added["air_flow_kg_h_flag"].values.tolist() == np.where(later, 4, 0).tolist()
    assert np.isnan(log["air_flow_kg_h"][later]).all()


def test_messages_say_what_is_missing():
    log = seen_log(np.ones_like)
    with pytest.raises(ValueError, match="flag_log"):
        refer_back(log.drop_vars("sample_flag"), **DELAY)
    with pytest.raises(ValueError, match="add_air_flow"):
        refer_back(log.drop_vars("air_flow_kg_h"), **DELAY)
    with pytest.raises(ValueError, match="lambda_measured"):
        refer_back(log.drop_vars("lambda_measured"), **DELAY)
    with pytest.raises(ValueError, match="negative"):
        refer_back(log, **(DELAY | {"delay_s": -0.1}))
    with pytest.raises(ValueError, match="negative"):
        refer_back(log, **(DELAY | {"lag_s": -0.1}))


def test_exhaust_is_the_air_and_its_fuel():
    """14.5 kg/h of air take 1 kg/h of petrol at lambda 1, half of it at lambda 2 (handbooks, from memory)."""
    log = flags_of(
        xr.Dataset(
            {"air_flow_kg_h": ("time", [145.0, 145.0]), "lambda_commanded": ("time", [1.0, 2.0])},
            coords={"time": [0.0, 1.0]},
        )
    )
    np.testing.assert_allclose(exhaust_flow(log), [155.0, 150.0])


def test_two_readings_gone_in_a_row_are_not_bridged():
    log = seen_log(np.ones_like)
    log["lambda_measured_flag"][300:302] = MASKS["spike"]
    value = refer_back(log, **DELAY)["lambda_at_fuelling"]
    gone = np.isnan(value.to_numpy()) & (value["time"].to_numpy() < 38)
    assert 2 <= gone.sum() <= 4


def test_a_rolling_value_needs_more_than_half_of_its_rows():
    np.testing.assert_allclose(
        rolling(np.array([1.0, 2.0, 3.0, np.nan, np.nan, 6.0, 7.0]), 3, "mean"),
        [1.5, 2.0, 2.5, np.nan, np.nan, 6.5, 6.5],  # by hand
    )


def test_a_sensor_without_lag_is_read_after_the_delay_alone():
    log = seen_log(lambda time: 1.0 + 0.01 * time)
    with_lag, without = refer_back(log, **DELAY), refer_back(log, **DELAY | {"lag_s": 0.0})
    moved = (with_lag["lambda_at_fuelling"] - without["lambda_at_fuelling"]).to_numpy()[:900]
    np.testing.assert_allclose(moved, 0.01 * DELAY["lag_s"], atol=1e-9)


@pytest.mark.parametrize(("gap_s", "second_episode", "bridged"), [(0.56, 0, True), (0.64, 0, False), (0.4, 1, False)])
def test_a_channel_is_drawn_between_fresh_readings_that_belong_together(gap_s, second_episode, bridged):
    """Straight lines by hand: a reading every 0.2 s of a channel that rises by one in a second."""
    time = np.round(np.arange(0, 4, 0.04), 2)
    fresh = (np.arange(time.size) % 5 == 0) & ((time < 1.6) | (time >= 1.6 + gap_s - 0.2 - 1e-9))
    fresh |= np.isclose(time, 1.4 + gap_s)
    values = np.where(fresh, time, np.nan)
    data = {"battery_v": ("time", values), "episode": ("time", np.where(time > 1.5, second_episode, 0))}
    log = flags_of(xr.Dataset(data, coords={"time": time}))
    drawn, inside = at_rows(log, "battery_v"), (time > 1.41) & (time < 1.39 + gap_s)
    np.testing.assert_allclose(drawn[time < 1.41], time[time < 1.41], atol=1e-12)
    assert np.isfinite(drawn[inside]).all() == bridged
    assert np.isnan(drawn[inside]).all() != bridged
    without = at_rows(log.drop_vars(["episode", "episode_flag"]), "battery_v")
    assert np.isfinite(without[inside]).all() == (gap_s <= 0.6)
