"""Parts of the steady study: covariance, likelihood and its slope, blocks, coordinate."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import plain_engine
import pytest
from plain_car import in_force, owners_car
from scipy.special import gamma, kv
from scipy.stats import multivariate_normal
from steady_trials import plain_trial

from tunelab.log.flag_stale import MASKS
from tunelab.study.steady import stated_delay
from tunelab.study.steady.blocks import calm_blocks
from tunelab.study.steady.curve import (
    _day_sd,
    _rows,
    below_for_lines,
    below_the_driven,
    beyond_the_driven,
    interval_width,
    lean_at_load,
)
from tunelab.study.steady.joint import AMPLITUDES, _slope, _state, fit_joint, hold_variance
from tunelab.study.steady.leak import leak_allowance
from tunelab.study.steady.levels import bank_difference
from tunelab.study.steady.model import (
    MEDIAN,
    NAMES,
    SPREAD,
    Design,
    Onset,
    columns_of,
    coordinate_of,
    default_dead_time_sd,
    hat_matrix,
    log_flow_in_force,
    matern,
    matern_by_log_scale,
    moments_of,
    smooth_log_flow,
)
from tunelab.study.steady.samples import refer, smooth_dead_time
from tunelab.study.steady.suspects import Bend, Size, with_bend
from tunelab.workspace.revision import DeadTime


@pytest.fixture(scope="module")
def setup():
    engine = plain_engine.invent(3)
    log = plain_engine.drive(engine, engine.revision, seed=3, minutes=3, rate_hz=25)
    blocks = calm_blocks(refer(log, engine.car, engine.revision, engine.revision), stated_delay(engine.car))
    blocks = blocks.assign(load=engine.load(np.exp(blocks["log_air"]), np.exp(blocks["log_speed"])))
    curve = engine.revision.meter_curve
    return engine, log, Design(blocks, coordinate_of(curve, blocks["reading"].to_numpy()), curve, 13.7)


def test_matern_agrees_with_its_bessel_form():
    """Rasmussen and Williams (2006), equation 4.14, evaluated by scipy's Bessel function."""
    at = np.array([0.01, 0.1, 0.5, 1.0, 3.0])
    root = np.sqrt(2 * 2.5) * at / 0.7
    np.testing.assert_allclose(matern(at, 0.7), 2 ** (1 - 2.5) / gamma(2.5) * root**2.5 * kv(2.5, root), rtol=1e-10)


def test_matern_slope_agrees_with_differences():
    at = np.linspace(0, 2, 9)
    step = (matern(at, 0.4 * np.exp(1e-5)) - matern(at, 0.4 * np.exp(-1e-5))) / 2e-5
    np.testing.assert_allclose(matern_by_log_scale(at, 0.4), step, atol=1e-8)


def test_hat_matrix_interpolates_like_numpy():
    nodes, values, at = np.array([0.0, 1.0, 3.0]), np.array([2.0, 5.0, -1.0]), np.array([-1.0, 0.25, 2.0, 3.0, 9.0])
    np.testing.assert_allclose(hat_matrix(nodes, at) @ values, np.interp(at, nodes, values))


def whole_likelihood(theta, columns, design, target, hold, weight, hold_weight):
    """Log likelihood by scipy's dense multivariate normal: no sums by hold, no whitening."""
    size = dict(zip(NAMES, np.exp(theta), strict=True))
    gate = np.bincount(hold, columns.gate) / np.bincount(hold)
    shared = hold_variance(theta, gate, hold_weight)
    noise = np.diag(size["block"] ** 2 / weight) + (hold[:, None] == hold) * shared[hold]
    distance = np.abs(design.nodes[:, None] - design.nodes)
    prior = np.diag(columns.fixed_sd**2)
    for name in AMPLITUDES:
        prior[columns.parts[name], columns.parts[name]] *= size[name] ** 2
    curve = columns.parts["curve"]
    prior[curve, curve] = size["broad"] ** 2 * matern(distance, size["broad_scale"])
    prior[curve, curve] += size["narrow"] ** 2 * matern(distance, size["narrow_scale"])
    prior[curve, curve] += np.eye(len(distance)) * (1e-9 + 1e-7 * size["broad"] ** 2)
    whole = columns.matrix @ prior @ columns.matrix.T + noise
    normal = multivariate_normal(np.zeros(len(target)), whole).logpdf(target - columns.offset)
    return normal + 0.5 * len(target) * np.log(2 * np.pi)


def test_likelihood_agrees_with_the_dense_normal_and_its_slope_with_differences(setup):
    design = setup[2]
    rng = np.random.default_rng(4)
    columns = columns_of(design, Onset("load", 0.5), np.zeros(3), default_dead_time_sd(level=True, slope=True))
    hold, target = design.blocks["hold"].to_numpy(), design.blocks["y"].to_numpy()
    weight, hold_weight = rng.uniform(0.3, 1, hold.size), rng.uniform(0.3, 1, hold.max() + 1)
    moments = moments_of(columns, target, hold, weight, hold_weight)
    theta = MEDIAN + 0.3 * rng.normal(size=MEDIAN.size) * SPREAD
    state = _state(theta, columns, design, moments)
    prior = -0.5 * np.sum(((theta - MEDIAN) / SPREAD) ** 2)
    dense = whole_likelihood(theta, columns, design, target, hold, weight, hold_weight)
    assert state.log_evidence == pytest.approx(dense + prior, abs=1e-4)
    steps = 1e-4 * np.eye(theta.size)
    rise = [
        (
            _state(theta + e, columns, design, moments).log_evidence
            - _state(theta - e, columns, design, moments).log_evidence
        )
        / 2e-4
        for e in steps
    ]
    np.testing.assert_allclose(_slope(theta, state, columns, design, moments), rise, rtol=1e-3, atol=1e-3)


def test_blocks_lie_in_calm_air_and_never_in_a_fuel_cut(setup):
    engine, log, design = setup
    time, cut = log["time"].to_numpy(), log["sample_flag"].to_numpy() != 0
    pulse = log["pulse_width_ms"].to_numpy()
    assert len(design.blocks) > 20
    for start, seconds in zip(design.blocks["start_s"], design.blocks["seconds"], strict=True):
        inside = (time >= start + 1e-9) & (time < start + seconds - 1e-9)
        assert not cut[inside].any()
        assert (pulse[inside] > 0).all()
    assert 1.0 < np.median(design.blocks["unrest"]) < 3.0
    del engine


def test_wild_driving_elsewhere_does_not_let_restless_air_pass_for_calm(setup):
    """The bound of calm air allows for the meter's noise, which throttle blips in the same log are none of."""
    engine, log, _ = setup
    samples = refer(log, engine.car, engine.revision, engine.revision)
    stirred, early = samples.time < samples.time.mean(), samples.time < samples.time.mean() - 5
    wander = 0.15 * np.sin(4 * samples.time)  # log units, 0.3 from end to end within a second
    blips = np.where(early, np.sign(np.sin(12 * samples.time)), 0.0)
    late = {}
    for name, more in (("quiet", 0.0), ("wild", blips)):
        air = samples.log_air + np.where(stirred, more, wander)
        blocks = calm_blocks(replace(samples, log_air=air), stated_delay(engine.car))
        late[name] = int((blocks["start_s"] > samples.time.mean() + 2).sum())
    assert late["wild"] <= late["quiet"] + 2


def test_nothing_calm_gives_no_blocks(setup):
    engine, log, _ = setup
    shaken = log.assign(engine_speed_rpm=log["engine_speed_rpm"] * (1 + 0.3 * np.sin(3 * log["time"])))
    samples = refer(shaken, engine.car, engine.revision, engine.revision)
    assert len(calm_blocks(samples, stated_delay(engine.car))) == 0


def test_the_pulsation_is_exactly_nothing_below_its_onset(setup):
    design = setup[2]
    gate = design.gate(Onset("load", 0.6, 0.5))
    assert (gate[design.blocks["load"] < 0.6] == 0).all()
    assert gate.max() > 0.1
    assert (design.gate(Onset("load", np.inf)) == 0).all()


def test_pulsation_that_dies_out_leaves_high_engine_speed_to_the_curve(setup):
    design = setup[2]
    speed = np.exp(design.blocks["log_speed"])
    lasts, gone = (design.gate(Onset("load", 0.5, dies_out=out)) for out in (False, True))
    fast, slow = speed > 3600, (speed < 2000) & (lasts > 0)
    assert (gone[fast] == 0).all()
    assert lasts[fast].max() > 0.3
    np.testing.assert_allclose(gone[slow], lasts[slow])


@pytest.mark.parametrize(("name", "tau"), [("wetted_short", 0.2), ("wetted_long", 0.6)])
def test_a_film_takes_of_a_step_what_its_equation_says(setup, name, tau):
    """d film / dt = (injected - film) / tau, solved by hand for a step from 2 to 4 ms: what was before is in it."""
    engine, log, _ = setup
    samples = refer(log, engine.car, engine.revision, engine.revision)
    plain = calm_blocks(samples, stated_delay(engine.car))
    row = np.searchsorted(samples.time, plain["start_s"].iloc[len(plain) // 2] - 0.6)
    at = float(samples.time[row - 1 : row + 1].mean())
    step = replace(samples, open_ms=np.where(samples.time < at, 2.0, 4.0))
    blocks = calm_blocks(step, stated_delay(engine.car))
    since = blocks["start_s"].to_numpy() - at
    expected = 0.5 * tau * (np.exp(-since / tau) - np.exp(-(since + blocks["seconds"]) / tau))
    after = since > 0
    np.testing.assert_allclose(blocks[name][~after], 0.0, atol=1e-9)
    row_s = 0.04
    np.testing.assert_allclose(blocks[name][after], expected[after], rtol=0.75 * row_s / tau, atol=1e-4)
    assert blocks[name][after].max() > 0.3 * tau * np.exp(-0.6 / tau)


def test_dead_time_linearised_about_the_truth_is_exact(setup):
    design = setup[2]
    coefficients = np.array([0.12, -0.02, 0.003])
    columns, rest = design.dead_time_columns(coefficients)
    opened = np.exp(design.blocks["log_open"].to_numpy())
    exact = -np.log(1 - design.volts @ coefficients / opened)
    np.testing.assert_allclose(columns @ coefficients + rest, exact, rtol=1e-12)


def test_smooth_curves_pass_through_the_breakpoints(setup):
    curve = setup[0].revision.meter_curve
    at = curve.reading[1:-1]
    np.testing.assert_allclose(smooth_log_flow(curve, at), log_flow_in_force(curve, at), atol=1e-9)
    table = DeadTime(battery_v=[8.0, 10.0, 12.0, 14.0], dead_time_ms=[2.0, 1.5, 1.1, 0.9])
    np.testing.assert_allclose(smooth_dead_time(table, np.array(table.battery_v)), table.dead_time_ms)
    np.testing.assert_allclose(smooth_dead_time(table, np.array([5.0, 20.0])), [2.0, 0.9])


def test_the_coordinate_rises_and_comes_back(setup):
    coordinate = setup[2].coordinate
    assert (np.diff(coordinate.place) > 0).all()
    inside = np.linspace(*coordinate.reading[[3, -3]], 20)
    np.testing.assert_allclose(coordinate.reading_at(coordinate.at(inside)), inside)
    assert coordinate.at(np.array([coordinate.reading[-1] + 0.5]))[0] > coordinate.place[-1]


def test_rows_between_two_readings_of_lambda_are_not_flagged():
    trial = plain_trial(1)
    log = trial.run(trial.revision, 1)
    log, rows = log.drop_vars("lambda_measured_fresh", errors="ignore"), np.arange(log.sizes["time"])
    quarters = [log.assign(lambda_measured_fresh=("time", (rows % 4 == k).astype(np.int8))) for k in range(4)]
    whole, *parts = (refer(one, trial.car, trial.revision, trial.revision).flagged for one in (log, *quarters))
    assert whole == sum(parts)
    assert max(parts) < whole


def test_where_one_of_two_loggers_has_no_reading_it_comes_from_the_airflow():
    trial = plain_trial(1)
    log = trial.run(trial.revision, 1)
    curve, whole = trial.revision.meter_curve, refer(log, trial.car, trial.revision, trial.revision)
    second = np.arange(log.sizes["time"]) >= log.sizes["time"] // 2
    air = np.where(second, np.interp(log["meter_v"], curve.reading, curve.flow_kg_h), np.nan)
    gone = np.int32(MASKS["missing"])
    log = log.assign(
        episode=("time", second.astype(np.int32)),
        meter_v=("time", np.where(second, np.nan, log["meter_v"])),
        meter_v_flag=("time", np.where(second, gone, log["meter_v_flag"])),
        air_flow_kg_h=("time", air),
        air_flow_kg_h_flag=("time", np.where(second, 0, gone).astype(np.int32)),
    )
    both = refer(log, trial.car, trial.revision, trial.revision)
    np.testing.assert_allclose(both.log_air, whole.log_air, atol=1e-9)
    assert both.fuel_trusted[second].sum() == pytest.approx(whole.fuel_trusted[second].sum(), rel=0.01)
    assert any("in a part of the log" in note for note in both.notes)


def test_a_breakpoint_beyond_what_was_driven_is_no_surer_than_line_and_zero_allow(setup):
    """Nothing between driven readings; more toward no air; as much as the line lies off the curve."""
    _, _, design = setup
    at, visited = design.curve.reading, design.blocks["reading"].to_numpy()
    doubt = beyond_the_driven(design, at, visited)
    inside = (at >= visited.min()) & (at <= visited.max())
    assert inside.any()
    assert (doubt[inside] == 0).all()
    below = doubt[at < visited.min()]
    assert (below > 0).all()
    assert below[0] > 2 * below[-1]
    coarse = design.curve.model_copy(
        update={name: getattr(design.curve, name)[::4] for name in ("meter_v", "flow_kg_h")}
    )
    bent = replace(design, curve=coarse)
    nearest = np.flatnonzero(coarse.reading < visited.min())[-1]
    line = visited.min() + (coarse.reading[nearest] - visited.min()) * np.linspace(0, 1, 9)
    apart = np.abs(smooth_log_flow(coarse, line) - log_flow_in_force(coarse, line)).max()
    assert beyond_the_driven(bent, coarse.reading, visited)[nearest] >= apart > 0


def test_breakpoints_that_serve_their_lines_lie_off_a_bent_meter_by_no_more_than_is_allowed(setup):
    """Least squares by straight lines puts the breakpoints of a parabola off it by its bend times h² over 12.

    From the second Bernoulli polynomial, which is what the best straight lines leave; their own depth is h² over 8.
    """
    _, _, design = setup
    at, dense = np.linspace(1.0, 5.0, 12), np.linspace(1.0, 5.0, 2000)
    lines = hat_matrix(at, dense) / np.exp(dense)[:, None]
    flow = np.linalg.lstsq(lines, np.ones(dense.size), rcond=None)[0]
    curve = design.curve.model_copy(update={"meter_v": at.tolist(), "flow_kg_h": flow.tolist()})
    served = replace(design, curve=curve)
    off, allowed = at - np.log(flow), below_for_lines(served, at, dense[dense > 1.6])
    h = at[1] - at[0]
    np.testing.assert_allclose(off[4:-2], h**2 / 12, rtol=0.15)
    assert (off[2:-1] > 0).all()
    assert (off[2:-1] <= allowed[2:-1]).all()
    assert (allowed[4:-2] < 0.25 * h**2).all()
    assert allowed[0] == 0.0  # both its gaps lie below what was driven


def test_a_dent_between_driven_breakpoints_is_as_large_a_doubt():
    """Neighbours moved by 4 % and two between them left behind; a curve without a dent leaves next to none."""
    curve = plain_engine.invent(6).revision.meter_curve
    driven = np.ones(curve.reading.size, dtype=bool)
    driven[[0, 50, 51, -1]] = False
    flow = np.asarray(curve.flow_kg_h)
    dented = curve.model_copy(update={"flow_kg_h": (flow * np.where(driven, 1.04, 1.0)).tolist()})
    doubt = below_the_driven(dented, driven)
    np.testing.assert_allclose(doubt[50:52], np.log(1.04), rtol=0.1)
    assert (doubt[driven] == 0).all()
    assert doubt[0] == doubt[-1] == 0
    assert np.abs(below_the_driven(curve, driven)).max() < 0.003


def test_the_curve_may_lie_higher_where_load_leaves_lambda_lean_and_not_where_the_meter_over_reads(setup):
    """No meter under-reads in pulsating air: 2 % lean at load is as much of the curve, and as much again besides."""
    design = setup[2]
    visited = design.blocks["reading"].to_numpy()
    high = visited > np.quantile(visited, 0.7)
    ends = np.array([visited.min(), visited.max()])
    lean, over = (SimpleNamespace(pulsation=np.where(high, size, 0.0)[None]) for size in (0.02, -0.02))
    np.testing.assert_allclose(lean_at_load(design, lean, ends), [0.0, 0.04], atol=1e-6)
    np.testing.assert_array_equal(lean_at_load(design, over, visited), 0.0)


def test_the_fit_finds_how_much_the_manifold_holds(setup):
    """Air that fills the manifold passes the meter and not the valves: its volume by the rise of its pressure."""
    blocks = setup[2].blocks
    rng = np.random.default_rng(5)
    load_rate, speed_rate = rng.normal(0, 0.02, (2, len(blocks)))
    cycle_s = 120 / np.exp(blocks["log_speed"])
    filling = -2.2 * load_rate * cycle_s
    moved = blocks.assign(slope=load_rate + speed_rate, speed_slope=speed_rate)
    moved["y"] = 0.05 + filling + rng.normal(0, 0.002, len(blocks))
    design = replace(setup[2], blocks=moved)
    member = fit_joint(design, default_dead_time_sd(level=True, slope=False)).members[0]
    found = member.solution.mean[member.columns.parts["film"]]
    spread = np.sqrt(np.sum(member.solution.root[member.columns.parts["film"]] ** 2, axis=1))
    assert abs(found[2] + 2.2) < 3 * spread[2] < 1.0
    np.testing.assert_allclose(found[:2], 0.0, atol=3 * spread[:2].max())


@pytest.mark.parametrize(("chance", "said"), [(0.1, False), (0.24, False), (0.26, True), (0.9, True)])
def test_injectors_that_may_bend_open_an_interval_only_where_the_drive_speaks_for_them(chance, said):
    """One injector in ten bends before any drive, and odds that it does not raise threefold decide no interval."""
    bend = Bend(Size(0.05, 0.04), chance, 1e-4, np.zeros(3), np.zeros(1), 1.5)
    assert bend.spoken_for == said
    if not said:
        assert with_bend("as it was", None, bend) == "as it was"


def test_a_level_that_moves_within_a_drive_moves_from_day_to_day_and_several_drives_tell_it(setup):
    def day(drift, sessions):
        sizes = np.log(np.full(len(NAMES), 0.1))
        sizes[NAMES.index("drift")] = np.log(drift)
        design = SimpleNamespace(session_columns=np.zeros((5, sessions)))
        return _day_sd(SimpleNamespace(design=design, members=[SimpleNamespace(share=1.0, sizes=sizes)]))

    assert day(0.0015, 1) == pytest.approx(0.002, rel=0.05)
    assert day(0.003, 1) == pytest.approx(2 * day(0.0015, 1))
    assert day(0.003, 2) == 0.0


@pytest.mark.parametrize(("holds", "times"), [(5, 3.182), (15, 3.182), (32, 2.086), (72, 2.000)])
def test_few_holds_widen_the_interval_as_students_t(holds, times):
    """Two-sided 95 % points of t with 3, 20 and 60 degrees of freedom: NIST/SEMATECH e-Handbook, table 1.3.6.7.2."""
    joint = SimpleNamespace(design=SimpleNamespace(blocks=pd.DataFrame({"hold": np.arange(holds)})))
    assert interval_width(joint) == pytest.approx(times, abs=5e-4)


def test_the_difference_of_two_banks_has_the_interval_of_a_mean():
    """Holds 1 to 5 % apart: mean 3, deviation 1.581, t of 4 degrees 2.776 (same table): half 2.776 x 1.581 / sqrt 5."""
    blocks = pd.DataFrame({"hold": np.arange(5), "log_lambda_1": 0.0, "log_lambda_2": np.arange(1, 6) / 100})
    car = owners_car()
    sensor = car.lambda_sensor.model_copy(update={"second": "other bank"})
    found = bank_difference(blocks, car.model_copy(update={"lambda_sensor": sensor}))
    assert (found.difference_pct, found.lower_pct, found.upper_pct) == pytest.approx(
        (3.0, 3 - 1.963, 3 + 1.963), abs=1e-3
    )


def test_a_leak_behind_a_level_curve_is_allowed_for_at_its_low_end_and_fades_with_the_air():
    flow = np.log(np.array([10.0, 20.0, 40.0, 80.0, 160.0]))
    allowed = leak_allowance(flow, np.zeros(5), flow)
    leak = -np.expm1(-0.12)  # of the air at 10 kg/h; the same flow is a quarter of that share at 40
    np.testing.assert_allclose(allowed, -np.log1p(-leak * 10.0 / np.exp(flow)))
    np.testing.assert_allclose(leak_allowance(flow, np.zeros(5), flow, suspected=True), 0.0)


def test_the_dead_time_far_from_the_visited_voltages_is_known_less():
    revision = in_force()
    exact = SimpleNamespace(dead_time_ms=np.zeros((1, 3)), dead_time_cov=np.zeros((3, 3)))
    rows = _rows(exact, SimpleNamespace(level=True, slope=True), revision, 14.0, np.array([13.5, 14.5]), 2.0)
    volts = np.asarray(revision.dead_time.battery_v)
    away = np.maximum(np.maximum(13.5 - volts, volts - 14.5), 0)
    np.testing.assert_allclose(rows["change_upper_ms"] - rows["change_ms"], 2.0 * 0.04 * away)
