"""The simulator's inner formulas against those of the physics room, which are tested against published values."""

import dataclasses
import math

import numpy as np
import pytest

from tunelab.physics.air import flow_coefficient
from tunelab.physics.fuel import flow_at_pressure
from tunelab.simulate import random_car
from tunelab.simulate.demo.cars import TRUTH
from tunelab.simulate.engine import (
    GAS_CONSTANT,
    cylinder_flow,
    meter_reading,
    mixture_factor,
    over_read,
    pipe_of,
    pulsation_factor,
    step_fuel,
    step_pipe,
    throttle_flow,
    true_flow_kg_h,
    true_injector_flow_g_s,
    volumetric_efficiency,
)
from tunelab.simulate.schedule import DAY, transport_delay_s
from tunelab.simulate.vehicle import first_state

STEP_S = 0.01


@pytest.mark.parametrize("ratio", [0.2, 0.5, 0.528, 0.6, 0.8, 0.95])
def test_throttle_flow_is_compressible_orifice_flow(ratio):
    flow, _ = throttle_flow(4e-4, 99.0, 99.0 * ratio, 295.0)
    expected = 4e-4 * 99e3 / (287.05 * 295.0) ** 0.5 * float(flow_coefficient(ratio, 1.4, 0.0))
    assert flow == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("ratio", [0.3, 0.6, 0.9, 0.985, 0.999])
def test_throttle_slope_is_the_derivative_of_its_flow(ratio):
    pressure, small = 99.0 * ratio, 1e-4
    above, below = (throttle_flow(4e-4, 99.0, pressure + step, 295.0)[0] for step in (small, -small))
    slope = throttle_flow(4e-4, 99.0, pressure, 295.0)[1]
    assert slope == pytest.approx((above - below) / (2.0 * small), rel=1e-3, abs=1e-9)


def test_cylinder_flow_is_speed_density():
    filling = volumetric_efficiency(TRUTH.engine, 3000.0, 60.0, 99.0)
    swept_m3_s = TRUTH.engine.displacement_l / 1000.0 * 3000.0 / 60.0 / 2.0
    expected = filling * 60e3 / (GAS_CONSTANT * 310.0) * swept_m3_s
    assert cylinder_flow(TRUTH.engine, 3000.0, 60.0, 99.0, 310.0) == pytest.approx(expected, rel=1e-12)


def test_residual_gas_takes_more_at_light_load():
    light, full = (volumetric_efficiency(TRUTH.engine, 3000.0, kpa, 99.0) for kpa in (25.0, 95.0))
    assert 0.6 < light / full < 0.9


def test_best_mixture_is_rich():
    best = max(np.arange(0.7, 1.4, 0.005), key=mixture_factor)
    assert 0.85 <= best <= 0.92  # common practice, no source
    assert mixture_factor(1.0) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("seed", range(6))
def test_meter_reading_and_flow_undo_each_other(seed):
    meter = random_car(np.random.default_rng(seed))[1].meter
    flow = np.array([5.0, 20.0, 100.0, 250.0])
    np.testing.assert_allclose(true_flow_kg_h(meter, meter_reading(meter, flow)), flow, rtol=1e-9)
    assert np.isnan(meter_reading(meter, np.nan))


def test_pulsation_lives_at_high_load_and_low_speed():
    factor = pulsation_factor(TRUTH.meter, [1500.0, 1500.0, 5000.0], [97.0, 45.0, 97.0], 99.0)
    assert factor[0] > 1.05
    assert factor[1] == pytest.approx(1.0, abs=1e-3)
    assert factor[2] < 1.0 + 0.3 * (factor[0] - 1.0)
    assert over_read(TRUTH.meter, 1500.0, 97.0 / 99.0) == pytest.approx(factor[0] - 1.0, rel=1e-12)


@pytest.mark.parametrize("difference_kpa", [200.0, 300.0, 380.0])
def test_injector_flow_follows_the_root_of_pressure(difference_kpa):
    expected = flow_at_pressure(TRUTH.injectors.flow_g_min, 300.0, difference_kpa) / 60.0
    assert true_injector_flow_g_s(TRUTH.injectors, difference_kpa) == pytest.approx(float(expected), rel=1e-9)


def _fuelled(pulse_ms):
    s = first_state(TRUTH, DAY)
    s.engine_speed_rpm, s.coolant_c, s.cylinder_kg_h, s.pulse_ms = 3000.0, 90.0, 150.0, pulse_ms
    return s


def test_film_gives_back_what_it_took():
    s = _fuelled(4.0)
    for _ in range(1000):
        step_fuel(s, TRUTH, 1.0, STEP_S)
    injected = TRUTH.injectors.flow_g_min / 60.0 * 3e-3 * 6 * 3000.0 / 120.0
    assert s.delivered_g_s == pytest.approx(injected, rel=1e-6)
    assert s.film_g == pytest.approx(TRUTH.film.share * TRUTH.film.tau_s * injected, rel=1e-6)


def test_film_answers_a_step_as_aquino_has_it():
    """C. F. Aquino, SAE 810494 (from memory): after a step the shortfall is X exp(−t / tau)."""
    s = _fuelled(3.0)
    for _ in range(1000):
        step_fuel(s, TRUTH, 1.0, STEP_S)
    before, s.pulse_ms = s.delivered_g_s, 4.0
    steps = round(TRUTH.film.tau_s / STEP_S)
    for _ in range(steps):
        step_fuel(s, TRUTH, 1.0, STEP_S)
    shortfall = (1.5 * before - s.delivered_g_s) / (0.5 * before)
    assert shortfall == pytest.approx(TRUTH.film.share * math.exp(-1.0), rel=0.06)  # steps of tau / 28


@pytest.mark.parametrize("flow_kg_h", [15.0, 50.0, 300.0])
def test_mixture_reaches_the_sensor_after_constant_plus_k_over_flow(flow_kg_h):
    s, pipe = first_state(TRUTH, DAY), pipe_of(TRUTH, STEP_S)
    s.cylinder_kg_h, s.delivered_g_s, s.mixture = flow_kg_h, 0.0, 0.9
    for _ in range(200):
        step_pipe(s, pipe, STEP_S)
    s.mixture, sensed = 1.1, []
    for _ in range(100):
        step_pipe(s, pipe, STEP_S)
        sensed.append(s.sensed)
    middle = np.interp(1.0, sensed, STEP_S * (np.arange(100) + 0.5))  # the step itself lies half a step back
    assert middle == pytest.approx(float(transport_delay_s(TRUTH, flow_kg_h)), abs=0.002)


def test_truth_cannot_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        TRUTH.engine.ve_peak = 1.0
