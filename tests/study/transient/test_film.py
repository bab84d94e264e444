"""Wall film and manifold against their closed forms."""

import numpy as np
import pytest

from tunelab.study.transient import cylinder_air, cylinder_fuel

STEP_S = 0.01


def test_film_step_response_matches_the_closed_form():
    # d(film)/dt = X m - film / tau (C. F. Aquino, SAE 810494, from memory): after a step from m0 to m1 at a time t0 the
    # cylinders get m1 - X (m1 - m0) exp(-(t - t0) / tau). A line between samples stands for the step, so t0 lies
    # half a sample before the first new one and what is left is of second order in step over tau.
    time = np.arange(0.0, 4.0, STEP_S)
    share, tau = 0.3, 0.4
    fuel = np.where(time < 1.0, 2.0, 5.0)
    since = time - (1.0 - STEP_S / 2)
    wanted = np.where(since < 0, 2.0, 5.0 - share * 3.0 * np.exp(-since / tau))
    found = cylinder_fuel(fuel, STEP_S, share=share, tau_s=tau)
    np.testing.assert_allclose(found, wanted, rtol=2e-4)


def test_no_fuel_is_lost_on_the_wall():
    # The film holds X tau m in balance: what a step leaves on the wall is X tau (m1 - m0), from the same equation.
    time = np.arange(0.0, 8.0, STEP_S)
    fuel = np.where(time < 1.0, 2.0, 5.0)
    missing = np.trapezoid(fuel - cylinder_fuel(fuel, STEP_S, share=0.25, tau_s=0.3), time)
    assert missing == pytest.approx(0.25 * 0.3 * 3.0, rel=1e-3)


def test_without_film_all_fuel_arrives_at_once():
    fuel = np.array([1.0, 2.0, 3.0, 1.0])
    np.testing.assert_allclose(cylinder_fuel(fuel, STEP_S, share=0.0, tau_s=0.3), fuel)


@pytest.mark.parametrize(("share", "tau_s"), [(-0.1, 0.3), (1.1, 0.3), (0.3, 0.0)])
def test_impossible_films_are_refused(share, tau_s):
    with pytest.raises(ValueError, match="film needs a share"):
        cylinder_fuel(np.ones(3), STEP_S, share=share, tau_s=tau_s)


def test_nan_stays_nan_from_where_it_stands():
    fuel = np.array([1.0, 1.0, np.nan, 1.0])
    found = cylinder_fuel(fuel, STEP_S, share=0.3, tau_s=0.3)
    assert np.isnan(found[2:]).all()
    assert np.isfinite(found[:2]).all()


def test_manifold_fills_with_a_time_constant_of_its_volume_in_cycles():
    # Filling and emptying (E. Hendricks, S. C. Sorenson, SAE 900616, from memory): at constant speed a first-order lag
    # of volume ratio times two revolutions. At 3000 rpm and a ratio of 1.5 that is 1.5 x 2 x 20 ms = 60 ms.
    time = np.arange(0.0, 2.0, STEP_S)
    meter = np.where(time < 1.0, 50.0, 150.0)
    air = cylinder_air(meter, np.full(time.size, 3000.0), STEP_S, volume_ratio=1.5)
    since = time - (1.0 - STEP_S / 2)
    wanted = np.where(since < 0, 50.0, 150.0 - 100.0 * np.exp(-since / 0.06))
    np.testing.assert_allclose(air, wanted, atol=1.5)
    np.testing.assert_allclose(cylinder_air(meter, meter, STEP_S, volume_ratio=0.0), meter)
