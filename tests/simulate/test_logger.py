"""The logger: rates, faults and what the link drops."""

from dataclasses import replace

import numpy as np
import pytest

from tunelab.simulate import Schedule, drive
from tunelab.simulate.demo import revisions
from tunelab.simulate.demo.cars import BOUND_LOOM, LOOSE_LOOM, MARIT, TRUTH
from tunelab.simulate.logger import NO_FAULTS, Faults, Link, Sampling, disturb, drop_outs, sample
from tunelab.simulate.schedule import DAY, cruise, idle

CHANNELS = ("engine_speed_rpm", "meter_v", "coolant_c", "battery_v", "lambda_measured")
EVEN = Sampling(rate_hz=20.0, jitter=0.0, poll_s=0.0, slow_hz={})


@pytest.fixture(scope="module")
def driven():
    schedule = Schedule("test", MARIT, DAY, (idle(8.0), cruise(3, 50.0, 12.0)), 60.0)
    return drive(TRUTH, revisions()["r01"], schedule, rng=np.random.default_rng(2))


def recorded(driven, sampling=EVEN, faults=NO_FAULTS, seed=5):
    rng = np.random.default_rng(seed)
    return disturb(sample(driven, CHANNELS, sampling, rng), faults, rng)


@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 50.0])
def test_rows_come_at_the_stated_rate(driven, rate_hz):
    out = recorded(driven, replace(EVEN, rate_hz=rate_hz, jitter=0.05))
    step = np.diff(out.time)
    assert step.mean() == pytest.approx(1.0 / rate_hz, rel=0.01)
    assert (step >= 0.0).all()
    assert 0.03 < step.std() * rate_hz < 0.12


def test_slow_channel_holds_between_its_own_readings(driven):
    out = recorded(driven, replace(EVEN, slow_hz={"battery_v": 2.0}))
    fresh = np.flatnonzero(np.diff(out.columns["battery_v"]) != 0.0)
    assert np.diff(out.time[fresh]).min() > 0.4
    assert np.count_nonzero(np.diff(out.columns["meter_v"])) > 0.9 * out.time.size


def test_polled_channels_are_read_one_after_another(driven):
    together, after = recorded(driven), recorded(driven, replace(EVEN, poll_s=0.01))
    index = 5 + np.arange(together.time.size) * 5
    np.testing.assert_array_equal(together.columns["meter_v"], driven.channels["meter_v"][index])
    np.testing.assert_array_equal(after.columns["meter_v"], driven.channels["meter_v"][index + 1])


def test_unknown_channel_is_an_error(driven):
    with pytest.raises(KeyError, match="boost"):
        sample(driven, ("boost",), EVEN, np.random.default_rng(0))


def test_drop_outs_take_rows_and_may_restart_the_clock(driven):
    clean = recorded(driven)
    faults = replace(NO_FAULTS, gaps=((3.0, 2.0), (9.0, 1.5)))
    kept = recorded(driven, faults=faults)
    assert clean.time.size - kept.time.size == pytest.approx(3.5 * 20, abs=2)
    assert list(np.unique(kept.part)) == [0, 1, 2]
    assert np.diff(kept.time).max() == pytest.approx(2.0, abs=0.1)
    again = recorded(driven, faults=replace(faults, restarts_at_zero=True))
    assert np.count_nonzero(again.time == 0.0) == 3
    np.testing.assert_array_equal(again.columns["meter_v"], kept.columns["meter_v"])


def test_faults_touch_only_what_they_name(driven):
    faults = Faults(
        gaps=(),
        restarts_at_zero=False,
        spikes_per_min={"meter_v": 20.0},
        frozen=(("lambda_measured", 4.0, 2.0),),
        words={"battery_v": ("ERR", 0.1)},
    )
    clean, out = recorded(driven), recorded(driven, faults=faults)
    assert set(out.columns["meter_v"][out.columns["meter_v"] != clean.columns["meter_v"]]) <= {0.0, 5.0}
    assert np.count_nonzero(out.columns["meter_v"] != clean.columns["meter_v"]) >= 3
    still = (out.time >= 4.0) & (out.time < 6.0)
    assert np.ptp(out.columns["lambda_measured"][still]) == 0.0
    np.testing.assert_array_equal(out.columns["lambda_measured"][~still], clean.columns["lambda_measured"][~still])
    assert np.isnan(out.columns["battery_v"]).mean() == pytest.approx(0.1, abs=0.04)
    np.testing.assert_array_equal(out.columns["coolant_c"], clean.columns["coolant_c"])


def test_drop_outs_come_at_the_hazard(driven):
    """Counts of a constant hazard are Poisson: over 200 draws their mean is within four standard errors."""
    link = Link(per_hour_idle=360.0, per_hour_running=0.0, per_hour_shaken=0.0, chance_crank=0.0, gap_s=(0.1, 0.1))
    counts = np.array([len(drop_outs(driven, link, np.random.default_rng(seed))) for seed in range(200)])
    standing = (
        (driven.channels["engine_speed_rpm"] < 1100.0) & (driven.time > 5.0) & (driven.time < driven.time[-1] - 8)
    )
    expected = 360.0 / 3600.0 * standing.sum() * 0.01
    assert counts.mean() == pytest.approx(expected, abs=4.0 * np.sqrt(expected / 200.0) + 0.02)


def test_a_bound_loom_holds_better_than_a_loose_one(driven):
    loose, bound = (
        sum(len(drop_outs(driven, link, np.random.default_rng(seed))) for seed in range(500))
        for link in (LOOSE_LOOM, BOUND_LOOM)
    )
    assert loose > 5 * max(bound, 1)
