"""The truth is an engine behind a throttle, solved apart from the kit.

Source of the flow through the plate: J. B. Heywood, Internal Combustion Engine Fundamentals, eqs. C.8 and C.9 (from
memory), written out here again.
"""

import numpy as np
import pytest
from scipy.optimize import brentq

from tunelab.study.hold import counted_quantile, learn_throttle

FULL_KG_H_RPM = 0.085  # flow at wide-open throttle over engine speed


def test_a_counted_quantile_is_numpys_of_all_values_written_out():
    rng = np.random.default_rng(3)
    values, count = rng.normal(size=40).round(1), rng.integers(1, 9, 40)
    shares = np.linspace(0, 1, 33)
    np.testing.assert_allclose(
        counted_quantile(values, count, shares), np.quantile(np.repeat(values, count), shares), atol=1e-12
    )


def plate_flow(area, ratio):
    """Relative flow at a pressure ratio: choked below 0.528."""
    ratio = max(ratio, 0.52828)
    return area * ratio ** (1 / 1.4) * np.sqrt(2 * 1.4 / 0.4 * (1 - ratio ** (0.4 / 1.4)))


def steady_flow(throttle_pct, speed_rpm):
    """Flow at which plate and engine agree; the engine pumps in proportion to pressure, less what stays in it."""
    area = 1500 * (0.01 + 0.99 * (1 - np.cos(np.radians(0.9 * throttle_pct))))
    full = FULL_KG_H_RPM * speed_rpm

    def excess(ratio):
        return plate_flow(area, ratio) - full * (ratio - 0.06) / 0.94

    return full * (brentq(excess, 0.06, 1.0) - 0.06) / 0.94


def test_the_throttle_of_an_airflow_is_found_within_a_point_or_two():
    rng = np.random.default_rng(4)
    throttle, speed = rng.uniform(3, 45, 3000), rng.uniform(1200, 5000, 3000)
    flow = np.array([steady_flow(t, n) for t, n in zip(throttle, speed, strict=True)])
    line = learn_throttle(throttle + rng.normal(0, 0.2, 3000), flow, FULL_KG_H_RPM * speed)
    asked, at = rng.uniform(6, 30, 60), rng.uniform(2500, 5000, 60)
    wanted = np.array([steady_flow(t, n) for t, n in zip(asked, at, strict=True)])
    found = line.throttle_for(wanted, FULL_KG_H_RPM * at)
    known = np.isfinite(found)
    assert known.mean() > 0.9
    assert np.quantile(np.abs(found - asked)[known], 0.9) < 2.0
    assert line.spread_pct < 3.0


def test_outside_what_was_driven_it_is_not_said():
    rng = np.random.default_rng(5)
    throttle, speed = rng.uniform(8, 15, 1000), rng.uniform(1500, 4000, 1000)
    flow = np.array([steady_flow(t, n) for t, n in zip(throttle, speed, strict=True)])
    line = learn_throttle(throttle, flow, FULL_KG_H_RPM * speed)
    assert np.isnan(line.throttle_for(steady_flow(40, 4000), FULL_KG_H_RPM * 4000))
    assert np.isnan(line.throttle_for(steady_flow(2, 4000), FULL_KG_H_RPM * 4000))
    assert np.isnan(line.throttle_for(np.nan, 300.0))


@pytest.mark.parametrize("throttle", [np.full(500, 12.0), np.full(500, np.nan), np.linspace(5, 40, 50)])
def test_nothing_is_learned_from_a_throttle_that_stands_still_is_not_logged_or_hardly_seen(throttle):
    assert learn_throttle(throttle, np.linspace(50, 200, throttle.size), np.full(throttle.size, 300.0)) is None
