"""Whole drives: what goes in comes out, and the truth given for scoring is the truth that was driven."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.integrate

from tunelab.channels import CHANNELS
from tunelab.physics.driveline import RoadLoadCurve, effective_mass, road_load, road_speed_km_h
from tunelab.physics.load import absolute_load
from tunelab.simulate import Schedule, drive, one_line, random_car, steady_sweep
from tunelab.simulate.demo import revisions
from tunelab.simulate.demo.cars import MARIT, PIA, TRUTH
from tunelab.simulate.engine import GAS_CONSTANT
from tunelab.simulate.schedule import (
    DAY,
    Points,
    brake_torque_nm,
    cruise,
    free_roll,
    full_throttle_pulls,
    hold,
    idle,
    launches,
    loaded,
    off,
    overrun,
    pull,
    read_lambda,
    start,
    steady_flow_kg_h,
    steady_throttle_pct,
    stop,
    tip_in,
)

R01 = revisions()["r01"]
OPEN_LOOP = replace(TRUTH, ecu=replace(TRUTH.ecu, loop="open"))


def driven(*tasks, truth=TRUTH, seed=1, conditions=DAY, driver=MARIT):
    return drive(truth, R01, Schedule("test", driver, conditions, tasks, 300.0), rng=np.random.default_rng(seed))


def held(drive_, *, task, seconds):
    """The last seconds of a task."""
    inside = np.flatnonzero(drive_.true["task"] == task)
    return inside[-round(seconds * 100) :]


@pytest.fixture(scope="module")
def holds():
    tasks = (hold(3, 2000.0, 9.0, 5.0), hold(3, 3000.0, 22.0, 5.0), hold(2, 3000.0, 14.0, 5.0))
    return driven(*tasks, truth=OPEN_LOOP)


def test_every_channel_is_one_that_the_kit_knows(holds):
    assert set(holds.channels) <= set(CHANNELS)
    assert all(np.isfinite(values).all() for values in holds.channels.values())


def test_channels_stay_in_their_plausible_range(holds):
    for name, values in holds.channels.items():
        assert CHANNELS[name].low <= values.min(), name
        assert values.max() <= CHANNELS[name].high, name


def test_same_seed_same_drive_other_seed_other_drive():
    first, again, other = (driven(idle(2.0), seed=seed) for seed in (7, 7, 8))
    np.testing.assert_array_equal(first.channels["meter_v"], again.channels["meter_v"])
    assert not np.array_equal(first.channels["meter_v"], other.channels["meter_v"])


def test_engine_speed_is_held_and_load_is_that_of_the_air(holds):
    last = held(holds, task=0, seconds=2.0)
    assert holds.channels["engine_speed_rpm"][last].mean() == pytest.approx(2000.0, abs=40.0)
    flow = holds.true["cylinder_flow_kg_h"][last].mean()
    expected = steady_flow_kg_h(TRUTH, 2000.0, holds.channels["manifold_kpa"][last].mean(), DAY)
    assert flow == pytest.approx(expected, rel=0.03)
    load = absolute_load(flow, 2000.0, displacement_l=TRUTH.engine.displacement_l)
    assert 15.0 < load < 100.0


@pytest.mark.parametrize("task", [0, 1, 2])
def test_steady_lambda_is_what_the_scoring_says(holds, task):
    last = held(holds, task=task, seconds=2.5)
    ch = holds.channels
    point = Points(*(np.array([ch[name][last].mean()]) for name in ("engine_speed_rpm", "manifold_kpa", "battery_v")))
    expected = read_lambda(OPEN_LOOP, R01, point, DAY, with_pulsation=True)[0]
    measured = np.mean(ch["lambda_measured"][last] / ch["lambda_commanded"][last])
    assert measured == pytest.approx(expected, rel=0.012)


def test_air_that_the_meter_saw_is_drawn_or_stays_in_the_manifold(holds):
    """Ideal gas law over the manifold; the charge temperature moves by a few kelvin, hence the tolerance."""
    seen = np.cumsum(holds.true["meter_flow_kg_h"] - holds.true["cylinder_flow_kg_h"]) / 3600.0 * 0.01
    volume = TRUTH.engine.manifold_volume_l * 1e-3
    kelvin = (
        273.15 + holds.channels["intake_air_c"] + 0.15 * (holds.channels["coolant_c"] - holds.channels["intake_air_c"])
    )
    kept = holds.channels["manifold_kpa"] * 1e3 * volume / (GAS_CONSTANT * kelvin)
    assert np.abs((seen - seen[0]) - (kept - kept[0])).max() < 0.06 * np.ptp(kept)


def test_throttle_for_a_load_gives_that_load():
    throttle = steady_throttle_pct(TRUTH, 2500.0, 60.0, DAY)
    out = driven(hold(3, 2500.0, throttle, 5.0))
    last = held(out, task=0, seconds=2.0)
    assert out.channels["manifold_kpa"][last].mean() == pytest.approx(60.0, abs=4.0)


def test_gear_and_speed_go_together():
    out = driven(cruise(4, 70.0, 6.0))
    last = held(out, task=0, seconds=3.0)
    ratio = TRUTH.vehicle.ratios[3] * TRUTH.vehicle.final_drive
    wheel = road_speed_km_h(out.channels["engine_speed_rpm"][last], ratio, TRUTH.vehicle.rolling_radius_m)
    np.testing.assert_allclose(out.channels["road_speed_km_h"][last] / TRUTH.vehicle.speed_reading, wheel, atol=0.4)
    assert out.true["ground_speed_m_s"][last].mean() * 3.6 < wheel.mean()  # the driven wheels slip


def test_coast_down_takes_the_time_of_its_road_load():
    out = driven(free_roll(4, 90.0, 60.0, 0.0), stop(1.0))
    speed, car = out.true["ground_speed_m_s"], TRUTH.vehicle
    rolling = (out.channels["gear"] == 0) & (out.true["task"] == 0) & (speed > 10.0)
    speeds = speed[rolling]
    density = DAY.pressure_kpa * 1e3 / (GAS_CONSTANT * (DAY.air_c + 273.15))
    weight = car.rolling_coefficient * car.mass_kg * 9.80665
    curve = RoadLoadCurve(weight, 0.004 * weight, 0.5 * density * car.drag_area_m2)
    mass = effective_mass(car.mass_kg, car.wheel_inertia_kg_m2, 0.0, 1.0, car.rolling_radius_m)
    expected, _ = scipy.integrate.quad(lambda v: mass / road_load(v, curve), speeds[-1], speeds[20])
    assert 0.01 * (speeds.size - 21) == pytest.approx(expected, rel=0.01)


def test_pull_accelerates_as_its_torque_allows():
    out = driven(pull(3, 2200.0, 4500.0, 100.0))
    rising = (
        (out.true["task"] == 0) & (out.channels["engine_speed_rpm"] > 2800.0) & (out.channels["throttle_pct"] > 99.0)
    )
    speed, car = out.true["ground_speed_m_s"][rising], TRUTH.vehicle
    gained = (speed[-1] - speed[0]) / (0.01 * (speed.size - 1))
    ratio = car.ratios[2] * car.final_drive
    mass = effective_mass(car.mass_kg, car.wheel_inertia_kg_m2, TRUTH.engine.inertia_kg_m2, ratio, car.rolling_radius_m)
    torque = out.true["torque_nm"][rising].mean()
    push = torque * ratio * car.driveline_efficiency / car.rolling_radius_m
    drag = 0.5 * 1.18 * car.drag_area_m2 * np.mean(speed**2) + 1.08 * car.rolling_coefficient * car.mass_kg * 9.81
    assert gained == pytest.approx((push - drag) / float(mass), rel=0.03)


def test_uphill_costs_what_downhill_gives_back():
    """Two directions average the grade away, to the curvature of drag."""

    def gain(task):
        rising = (out.true["task"] == task) & (out.channels["throttle_pct"] > 99.0)
        rising &= (out.channels["engine_speed_rpm"] > 3000.0) & (out.channels["engine_speed_rpm"] < 5500.0)
        speed = out.true["ground_speed_m_s"][rising]
        return (speed[-1] - speed[0]) / (0.01 * (speed.size - 1))

    out = driven(*full_throttle_pulls(3, 2200.0, 5600.0, repeats=1, grade=0.02))
    up, down = gain(0), gain(4)
    assert down - up == pytest.approx(2.0 * 0.02 * 9.81 / 1.25, rel=0.25)  # 1.25: turning parts in third gear


def test_overrun_cuts_the_fuel_and_lets_it_in_again():
    out = driven(overrun(3, 3200.0, 1150.0), idle(2.0))
    mode, speed = out.channels["fuel_mode"], out.channels["engine_speed_rpm"]
    cut = (mode == 3) & (out.true["task"] == 0)
    assert cut.sum() > 100
    assert (out.channels["pulse_width_ms"][cut] == 0.0).all()
    assert out.channels["lambda_measured"][cut][-1] == TRUTH.sensor.rail_high
    after = np.flatnonzero(cut)[-1] + 1
    assert speed[after] == pytest.approx(TRUTH.ecu.cut_ends_rpm, abs=60.0)


def test_tip_in_leans_out_behind_the_film_and_adds_enrichment():
    out = driven(tip_in(3, 2200.0, 60.0))
    assert out.channels["enrichment_pct"].max() > 5.0
    rising = np.flatnonzero(np.diff(out.channels["throttle_pct"]) > 1.0)[0]
    meter, drawn = (out.true[name][rising : rising + 60] for name in ("meter_flow_kg_h", "cylinder_flow_kg_h"))
    assert (meter - drawn).max() > 20.0  # the manifold fills


def test_cold_start_runs_up_rich_and_warms():
    cold = replace(DAY, is_running=False, coolant_c=10.0, oil_c=10.0)
    out = driven(off(1.0), start(30.0), conditions=cold)
    speed = out.channels["engine_speed_rpm"]
    assert speed[:90].max() < 1.0
    assert speed[-200:].mean() > TRUTH.ecu.idle_target_rpm + 100.0
    assert out.channels["lambda_commanded"][-1] < 0.95
    assert out.channels["battery_v"].min() < 11.8  # cranking
    assert (out.channels["lambda_measured"][:300] == TRUTH.sensor.rail_high).all()  # not warm yet
    assert out.channels["coolant_c"][-1] > 11.0


def test_stated_electrical_loads_pull_the_voltage_down():
    out = driven(hold(3, 2200.0, 9.0, 4.0), loaded(hold(3, 2200.0, 9.0, 4.0), 65.0), idle(3.0))
    plain, pulled = (out.channels["battery_v"][held(out, task=task, seconds=1.0)].mean() for task in (0, 1))
    assert 13.8 < plain < 14.3
    assert pulled < plain - 0.7


def test_idle_settles_at_its_target():
    out = driven(idle(15.0))
    last = held(out, task=0, seconds=5.0) if (out.true["task"] == 0).any() else slice(None)
    assert out.channels["engine_speed_rpm"][last].mean() == pytest.approx(TRUTH.ecu.idle_target_rpm, abs=25.0)
    assert out.channels["engine_speed_rpm"][last].std() < 25.0


def test_switching_trims_swing_and_learn():
    out = driven(hold(3, 2400.0, 10.0, 15.0))
    last = held(out, task=0, seconds=8.0)
    short = out.channels["trim_short_pct"][last]
    turns = np.count_nonzero(np.diff(np.sign(np.diff(short))) != 0)
    assert turns > 8
    assert np.mean(out.channels["lambda_measured"][last]) == pytest.approx(1.0, abs=0.02)
    assert abs(out.channels["trim_long_pct"][last][-1]) > 0.2


def _starts(driver):
    rng = np.random.default_rng(3)
    out = driven(*launches(driver, rng, repeats=4, until_km_h=95.0), driver=driver, seed=3)
    times = []
    for task in (1, 3, 5, 7):
        inside = np.flatnonzero(out.true["task"] == task)
        speed = out.true["ground_speed_m_s"][inside] * 3.6
        times.append(0.01 * (np.argmax(speed > 90.0) - np.argmax(speed > 2.0)))
    return out, np.array(times)


def test_launches_repeat_as_well_as_the_driver_does():
    out, marit = _starts(MARIT)
    _, pia = _starts(PIA)
    assert out.channels["launch_active"].max() == 1.0
    assert ((marit > 4.0) & (marit < 12.0)).all()
    assert pia.mean() > marit.mean()
    assert pia.std() > 1.5 * marit.std()


def test_clean_log_has_the_shape_of_a_log(holds):
    log = holds.log(25.0)
    assert log.sizes["time"] == pytest.approx(holds.time.size / 4, abs=1)
    assert set(log.data_vars) - {"episode"} <= set(CHANNELS)
    assert (np.diff(log["time"]) > 0).all()
    assert log["meter_v"].attrs["units"] == "V"


def test_sweep_separates_what_has_to_be_separated():
    """The same airflow at two engine speeds, several battery voltages, most of the time out of fuel cut."""
    _, truth, revision = random_car(np.random.default_rng(4))
    sweep = steady_sweep(truth, longest_s=700.0)
    tasks = [task for task in sweep.tasks if task.kind == "hold"]
    flows = np.array([_hold_flow(truth, task) for task in tasks])
    speeds = np.array([task.engine_speed_rpm for task in tasks])
    near = np.abs(np.log(flows[:, None] / flows[None, :])) < 0.1
    assert np.mean((near & (np.abs(speeds[:, None] / speeds[None, :] - 1.0) > 0.25)).any(axis=1)) > 0.7
    short = replace(sweep, tasks=sweep.tasks[:12], longest_s=120.0)
    out = drive(truth, revision, short, rng=np.random.default_rng(4))
    low, high = np.quantile(out.channels["battery_v"], [0.05, 0.95])
    assert high - low > 1.2
    assert np.mean(out.channels["fuel_mode"] == 3) < 0.1
    assert brake_torque_nm(truth, 3000.0, 95.0, DAY) > brake_torque_nm(truth, 3000.0, 50.0, DAY) > 0.0


def test_one_line_keeps_load_and_speed_together():
    """In the sweep the same speed sees many loads; on one line, once cruising, hardly more than one."""
    short = one_line(TRUTH, longest_s=150.0)
    out = drive(TRUTH, R01, short, rng=np.random.default_rng(6))
    cruising = (out.true["task"] >= 2) & (np.abs(np.gradient(out.true["ground_speed_m_s"], 0.01)) < 0.05)
    speed, flow = out.channels["engine_speed_rpm"][cruising], out.true["meter_flow_kg_h"][cruising]
    off = flow - np.polyval(np.polyfit(speed, flow, 2), speed)
    assert off.std() < 0.15 * flow.mean()
    assert np.ptp(np.quantile(out.channels["battery_v"][cruising], [0.02, 0.98])) < 0.3


def test_long_overlap_reads_lean_at_idle_only():
    lean = replace(TRUTH, engine=replace(TRUTH.engine, overlap_lean=0.06), ecu=replace(TRUTH.ecu, loop="open"))
    plain, odd = (driven(idle(6.0), hold(3, 2600.0, 12.0, 3.0), truth=truth) for truth in (OPEN_LOOP, lean))
    for task, expected in ((0, 1.04), (1, 1.0)):
        read, same = (out.channels["lambda_measured"][held(out, task=task, seconds=1.5)].mean() for out in (odd, plain))
        assert read / same == pytest.approx(expected, abs=0.015)
    true = [out.true["mixture_lambda"][held(out, task=0, seconds=1.5)].mean() for out in (odd, plain)]
    assert true[0] == pytest.approx(true[1], rel=1e-9)


def test_empty_schedule_is_an_error():
    with pytest.raises(ValueError, match="at least one task"):
        Schedule("nothing", MARIT, DAY, (), 10.0)


def _hold_flow(truth, task):
    low, high = 15.0, DAY.pressure_kpa
    for _ in range(25):
        middle = 0.5 * (low + high)
        is_below = steady_throttle_pct(truth, task.engine_speed_rpm, middle, DAY) < task.throttle_pct
        low, high = (middle, high) if is_below else (low, middle)
    return steady_flow_kg_h(truth, task.engine_speed_rpm, low, DAY)
