"""The stated power against simulated links with known hazards."""

import numpy as np
import pytest

from tunelab.study.link.rate import minutes_to_settle, power_of_comparison, rate_ratio


def shown(old, new, seconds):
    found = rate_ratio([(old, new)], [seconds], confidence=0.95)
    return found.upper < 1


@pytest.mark.parametrize(("per_h", "minutes"), [(30.0, (60.0, 60.0)), (12.0, (120.0, 240.0))])
def test_a_true_threefold_improvement_is_found_with_the_stated_power(per_h, minutes):
    stated = power_of_comparison(per_h, 3.0, minutes, confidence=0.95)
    rng = np.random.default_rng(7)
    old = rng.poisson(per_h * minutes[0] / 60, 400)
    new = rng.poisson(per_h / 3 * minutes[1] / 60, 400)
    seconds = (minutes[0] * 60, minutes[1] * 60)
    seen = {pair: shown(*pair, seconds) for pair in set(zip(old.tolist(), new.tolist(), strict=True))}
    found = np.mean([seen[pair] for pair in zip(old.tolist(), new.tolist(), strict=True)])
    assert found == pytest.approx(stated, abs=3 * np.sqrt(stated * (1 - stated) / 400))
    assert 0.3 < stated < 0.99


def test_no_improvement_is_found_no_more_often_than_allowed():
    assert power_of_comparison(30.0, 1.0, (60.0, 90.0), confidence=0.95) <= 0.025


def test_minutes_to_settle_keep_their_promise():
    # The old rate is drawn anew each time, as uncertain as 30 drop-outs in an hour leave it.
    old, rng = (30, 3600.0), np.random.default_rng(8)
    settling = minutes_to_settle(old, (0, 0.0), factor=3.0, power=0.8, confidence=0.95)
    rates = rng.gamma(30.5, 1 / 3600.0, 800)
    new = rng.poisson(rates / 3 * settling.minutes * 60)
    seen = {count: shown(30, count, (3600.0, settling.minutes * 60)) for count in set(new.tolist())}
    found = np.mean([seen[count] for count in new.tolist()])
    assert 0.8 - 3 * np.sqrt(0.16 / 800) <= found <= 0.93


def test_what_was_driven_already_shortens_the_rest():
    anew = minutes_to_settle((30, 3600.0), (0, 0.0), factor=3.0, power=0.8, confidence=0.95)
    begun = minutes_to_settle((30, 3600.0), (2, 1200.0), factor=3.0, power=0.8, confidence=0.95)
    assert begun.minutes < anew.minutes


def test_too_little_of_the_old_is_said_with_a_way_out():
    settling = minutes_to_settle((3, 1800.0), (0, 0.0), factor=3.0, power=0.8, confidence=0.95)
    assert np.isnan(settling.minutes)
    assert "driven too little" in settling.because
    assert settling.minutes_each > 60


def test_a_link_that_held_leaves_nothing_to_improve():
    settling = minutes_to_settle((0, 1800.0), (0, 0.0), factor=3.0, power=0.8, confidence=0.95)
    assert np.isnan(settling.minutes)
    assert "nothing to improve on" in settling.because


def test_many_drop_outs_are_as_good_as_normal():
    exact, per_h = power_of_comparison(290.0, 1.2, (60.0, 60.0), confidence=0.95), 301.0 * 1.2
    rough = power_of_comparison(per_h, 1.2, (60.0, 60.0), confidence=0.95)
    lower, upper = (power_of_comparison(rate, 1.2, (60.0, 60.0), confidence=0.95) for rate in (350.0, 358.0))
    assert exact < lower < upper < rough < upper + 0.03
