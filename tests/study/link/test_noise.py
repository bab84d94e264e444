"""Noise of known size is measured, and only noise in step with the engine is called that."""

import numpy as np
import pytest
from link_log import at_speed, flagged, link_log, session
from plain_car import owners_car
from scipy.signal import lfilter
from scipy.stats import norm

from tunelab.study.link.noise import channel_noise, median_interval, supply_voltage
from tunelab.study.link.order import engine_orders, order_noise

CAR = owners_car()
ORDERS = engine_orders(CAR, charging_order=None)
STEPS = [(rpm, 6) for rpm in (1500, 1730, 1940, 2210, 2480, 2750, 3060, 3310, 3590, 1620, 2110, 2890)]


def made(*parts, **channels):
    log = link_log(at_speed(*parts))
    for name, change in channels.items():
        log[name].values[:] = change(log[name].to_numpy(), log["time"].to_numpy())
    return flagged(log, CAR, session())


def row(table, channel, state):
    return table[(table["channel"] == channel) & (table["state"] == state)].iloc[0]


def test_noise_of_known_size_is_found_in_each_state():
    log = made((0, 60), (2500, 90))
    table = channel_noise(log, CAR, confidence=0.95).table
    for channel, sigma in (("throttle_pct", 0.05), ("manifold_kpa", 0.3), ("battery_v", 0.02)):
        for state in ("key on, not running", "2000–3000 rpm"):
            found = row(table, channel, state)
            assert found["lower"] < sigma < found["upper"]
            assert found["noise"] == pytest.approx(sigma, rel=0.08)


def test_noise_that_comes_with_the_engine_is_told_by_its_factor():
    def louder(values, time):
        return values + np.where(time > 60, np.random.default_rng(4).normal(0, 0.2, time.size), 0.0)

    table = channel_noise(made((0, 60), (2500, 90), throttle_pct=louder), CAR, confidence=0.95).table
    assert row(table, "throttle_pct", "2000–3000 rpm")["times_off"] == pytest.approx(
        np.hypot(0.05, 0.2) / 0.05, rel=0.15
    )


def test_a_slow_drift_is_no_noise():
    log = made((2500, 60), battery_v=lambda values, time: values + 0.02 * time)
    assert row(channel_noise(log, CAR, confidence=0.95).table, "battery_v", "2000–3000 rpm")["noise"] < 0.023


def test_median_interval_covers_and_refuses_too_few():
    rng = np.random.default_rng(9)
    ends = [median_interval(rng.exponential(1.0, 25), confidence=0.95)[1:] for _ in range(1000)]
    covered = np.mean([low <= np.log(2) <= high for low, high in ends])
    assert 0.94 <= covered <= 0.985  # a sign interval of 25 values covers 95.7 %
    assert np.isnan(median_interval(rng.normal(size=5), confidence=0.95)[1])
    assert not np.isnan(median_interval(rng.normal(size=6), confidence=0.95)[1])
    assert np.isnan(median_interval(np.zeros(0), confidence=0.95)[0])


def test_median_interval_matches_the_sign_table():
    # W. J. Conover, "Practical Nonparametric Statistics", table of the sign test: for n = 15 the 4th smallest and the
    # 4th largest bound the median with 96.5 %; from memory.
    values = np.arange(1.0, 16.0)
    assert median_interval(values, confidence=0.95) == (8.0, 4.0, 12.0)


def phase(log):
    """Turns of the crankshaft by the true speed of the steps."""
    speed = at_speed(*STEPS)
    return np.cumsum(speed / 60 * np.diff(log["time"].to_numpy(), prepend=0.0))


def with_hum(order, amplitude, seed=1):
    log = link_log(at_speed(*STEPS), seed=seed)
    log["battery_v"].values[:] += amplitude * np.cos(2 * np.pi * order * phase(log) + 0.4)
    return flagged(log, CAR, session())


def in_step(log, channel, *, order=3.0):
    found = order_noise(log, ORDERS, confidence=0.95, rng=np.random.default_rng(1))
    return next(item for item in found if item.channel == channel and item.order == order)


def test_ignition_noise_is_found_though_the_log_samples_at_20_hz():
    found = in_step(with_hum(3.0, 0.02), "battery_v")
    assert found.was_tested
    assert found.p_value < 1e-4
    assert found.lower < 0.02 < found.upper * 1.1
    assert found.amplitude == pytest.approx(0.02, rel=0.2)


def test_it_is_not_found_on_another_channel_nor_at_another_order():
    log = with_hum(3.0, 0.02)
    assert in_step(log, "manifold_kpa").p_value > 0.001
    assert in_step(log, "battery_v", order=0.5).p_value > 0.001


def test_a_hum_of_fixed_frequency_is_not_called_ignition():
    log = link_log(at_speed(*STEPS))
    log["battery_v"].values[:] += 0.03 * np.sin(2 * np.pi * 3.7 * log["time"].to_numpy())
    assert in_step(flagged(log, CAR, session()), "battery_v").p_value > 0.01


def test_coloured_noise_seldom_passes_for_ignition():
    p_values = []
    for seed in range(24):
        log = link_log(at_speed(*STEPS), seed=seed)
        white = np.random.default_rng(100 + seed).normal(0, 0.03, log.sizes["time"])
        log["battery_v"].values[:] += lfilter([1.0], [1.0, -0.8], white)
        log = flagged(log[["engine_speed_rpm", "throttle_pct", "battery_v", "episode"]], CAR, session())
        found = order_noise(log, ORDERS, confidence=0.95, rng=np.random.default_rng(seed))
        p_values += [item.p_value for item in found if item.was_tested]
    assert len(p_values) >= 90
    alarms = np.mean(np.array(p_values) < 0.05)
    assert alarms <= 0.05 + norm.ppf(0.99) * np.sqrt(0.05 * 0.95 / len(p_values))


def test_what_cannot_be_tested_says_why():
    still = flagged(link_log(at_speed((2500, 90))), CAR, session())
    assert "hardly changed" in in_step(still, "battery_v").because
    short = flagged(link_log(at_speed((2500, 12))), CAR, session())
    assert "steady windows" in in_step(short, "battery_v").because
    fast = order_noise(with_hum(3.0, 0.02), {"charging ripple": 97.0}, confidence=0.95, rng=np.random.default_rng(1))
    assert all("too coarse" in item.because for item in fast)
    assert order_noise(still.drop_vars("engine_speed_rpm"), ORDERS, confidence=0.95, rng=np.random.default_rng(1)) == ()


def test_supply_voltage_counts_the_dips_that_began_a_drop_out():
    def sags(values, time):
        return np.where((time > 60) & (time < 61), 8.6, values)

    log = made((0, 60), (150, 1), (2500, 60), battery_v=sags)
    noise = channel_noise(log, CAR, confidence=0.95)
    supply = supply_voltage(log, CAR, np.array([8.6, 14.0, np.nan]), noise)
    assert supply.lowest_cranking_v == pytest.approx(8.6)
    assert (supply.dips, supply.drop_outs_seen) == (1, 2)
    assert supply_voltage(log.drop_vars("battery_v"), CAR, np.zeros(0), noise) is None
