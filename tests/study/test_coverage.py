"""Seconds are laid down by hand; the one published definition used is named beside its check."""

import tomllib
from dataclasses import fields, replace

import numpy as np
import plain_engine
import pytest
import xarray as xr
from held_log import held_log
from plain_workspace import CAR, REVISION

from tunelab.log.flag import MASKS
from tunelab.study.coverage import cover, join_samples, pooled, pooled_together, samples_of
from tunelab.study.hold import flow_at_load, flow_edges, highest_load, speed_edges
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

# 3.0 L, idle 850 rpm, rev limit in force 6800 rpm.
CAR_3L = Car.model_validate(tomllib.loads(CAR))
R01 = Revision.model_validate(tomllib.loads(REVISION))
HOLDS = [(2000.0, 60.0, 7.0), (3000.0, 60.0, 8.0), (3000.0, 140.0, 5.0), (850.0, 16.0, 20.0)]


def cell_of(coverage, speed, flow):
    row = np.searchsorted(coverage.flow_edges_kg_h, flow, side="right") - 1
    return row, np.searchsorted(coverage.speed_edges_rpm, speed, side="right") - 1


def test_good_seconds_are_those_laid_down():
    coverage = cover(held_log(CAR_3L, R01, HOLDS), CAR_3L, R01)
    for speed, flow, seconds in HOLDS:
        assert coverage.seconds[cell_of(coverage, speed, flow)] == pytest.approx(seconds, abs=1e-6)
    assert coverage.seconds.sum() == pytest.approx(40.0)
    assert coverage.samples_used == 800
    assert coverage.samples_flagged == 0


def test_a_cell_is_missing_until_it_has_its_seconds():
    coverage = cover(held_log(CAR_3L, R01, HOLDS), CAR_3L, R01)
    assert not coverage.missing[cell_of(coverage, 2000, 60)]
    assert coverage.missing[cell_of(coverage, 3000, 140)]
    assert coverage.share_covered == pytest.approx(3 / coverage.reachable.sum())


@pytest.mark.parametrize(
    ("variable", "reason"),
    [
        ("sample_flag", "transient"),
        ("sample_flag", "cold"),
        ("lambda_measured_flag", "rail"),
        ("meter_v_flag", "spike"),
    ],
)
def test_flagged_samples_are_not_good(variable, reason):
    log = held_log(CAR_3L, R01, HOLDS)
    log[variable][:60] = MASKS[reason]
    coverage = cover(log, CAR_3L, R01)
    at = cell_of(coverage, 2000, 60)
    assert coverage.seconds[at] == pytest.approx(4.0)
    assert coverage.samples_flagged == 60
    visited = 4.0 if variable == "meter_v_flag" else 7.0  # what is not believed has no cell
    assert coverage.seconds_visited[at] == pytest.approx(visited)


def test_a_slow_channel_counts_between_its_readings_but_not_for_ever():
    log = held_log(CAR_3L, R01, [(2000.0, 60.0, 10.0)])
    missing = np.arange(200) % 5 != 0  # 4 Hz in rows at 20 Hz
    missing[100:] = True  # then silent
    log["lambda_measured"][missing] = np.nan
    log["lambda_measured_flag"][missing] = MASKS["missing"]
    assert cover(log, CAR_3L, R01).seconds.sum() == pytest.approx(5.8, abs=0.06)  # last reading at 4.75 s, held 1 s


def test_pooled_samples_cover_as_the_log_does_in_a_tenth_of_the_rows():
    rng = np.random.default_rng(5)
    log = held_log(CAR_3L, R01, [*HOLDS, (2500.0, 90.0, 30.0, 25.0, 13.5)])
    for name, spread in (("engine_speed_rpm", 15.0), ("meter_v", 0.002), ("throttle_pct", 0.3), ("battery_v", 0.03)):
        log[name] = log[name] + rng.normal(0, spread, log.sizes["time"])
    log["meter_v_flag"][:60] = MASKS["spike"]
    samples = samples_of(log, CAR_3L)
    few = pooled(samples, CAR_3L)
    assert few.count.size < samples.count.size / 3
    exact, near = cover(log, CAR_3L, R01), cover([few], CAR_3L, R01)
    np.testing.assert_allclose(near.seconds, exact.seconds, atol=1.0)  # [s]; a row on the edge of a cell
    assert near.seconds.sum() == pytest.approx(exact.seconds.sum())
    assert (near.samples_used, near.samples_flagged) == (exact.samples_used, exact.samples_flagged)
    assert near.battery_v == pytest.approx(exact.battery_v, abs=0.05)
    assert near.full_load_pct == pytest.approx(exact.full_load_pct)
    many = pooled_together([few] * 30, CAR_3L)
    assert sum(part.count.size for part in many) < 12 * few.count.size
    np.testing.assert_allclose(cover(many, CAR_3L, R01).seconds, 30 * near.seconds, atol=1e-6)
    both = cover([few, pooled(few, CAR_3L)], CAR_3L, R01)
    np.testing.assert_allclose(both.seconds, 2 * near.seconds, atol=1e-6)


def test_where_a_pooled_row_lies_does_not_depend_on_what_else_is_kept_nor_on_the_pieces():
    rng = np.random.default_rng(6)
    log = held_log(CAR_3L, R01, HOLDS)
    for name, spread in (("engine_speed_rpm", 30.0), ("meter_v", 0.01), ("throttle_pct", 3.0), ("battery_v", 0.3)):
        log[name] = log[name] + rng.normal(0, spread, log.sizes["time"])
    whole = pooled(samples_of(log, CAR_3L), CAR_3L)
    bare = samples_of(log.drop_vars(["throttle_pct", "battery_v"]), CAR_3L)
    half, rest = (
        replace(
            bare, **{f.name: getattr(bare, f.name)[part] for f in fields(bare) if f.name not in ("flagged", "notes")}
        )
        for part in (slice(0, 377), slice(377, None))
    )
    pieces = pooled(join_samples([pooled(half, CAR_3L), rest]), CAR_3L)
    for low in np.arange(1000.0, 4000.0, 7.0):  # wherever an edge lies, as many seconds lie below it
        assert pieces.seconds[pieces.speed_rpm < low].sum() == pytest.approx(
            whole.seconds[whole.speed_rpm < low].sum(), abs=1e-6
        )


def test_without_lambda_nothing_is_good_and_it_says_so():
    log = held_log(CAR_3L, R01, HOLDS).drop_vars(["lambda_measured", "lambda_measured_flag"])
    coverage = cover(log, CAR_3L, R01)
    assert coverage.seconds.sum() == 0
    assert any("lambda_measured" in note for note in coverage.notes)


@pytest.mark.parametrize("gone", ["meter_v", "engine_speed_rpm"])
def test_without_air_or_engine_speed_nothing_is_good_and_it_says_so(gone):
    """A launch or link log may have neither: the plan goes on without it in place of failing."""
    log = held_log(CAR_3L, R01, HOLDS)
    coverage = cover(log.drop_vars([gone, f"{gone}_flag"]), CAR_3L, R01)
    assert coverage.seconds.sum() == 0
    assert any("no engine speed or no airflow" in note for note in coverage.notes)


def test_sessions_with_different_revisions_meet_at_the_meter_reading():
    """The same readings count in the same cells, whatever airflow each ECU made of them."""
    log = held_log(CAR_3L, R01, HOLDS)
    other = log.assign(air_flow_kg_h=("time", np.full(log.sizes["time"], 500.0)))
    pooled = cover([log, other], CAR_3L, R01)
    assert pooled.seconds[cell_of(pooled, 3000, 60)] == pytest.approx(16.0)


def test_a_log_without_the_reading_counts_by_the_logged_airflow():
    log = held_log(CAR_3L, R01, [(2000.0, 60.0, 10.0)])
    flow = np.interp(log["meter_v"], R01.meter_curve.reading, R01.meter_curve.flow_kg_h)
    log = log.rename(meter_v="air_flow_kg_h", meter_v_flag="air_flow_kg_h_flag").assign(air_flow_kg_h=("time", flow))
    coverage = cover(log, CAR_3L, R01)
    assert coverage.seconds[cell_of(coverage, 2000, 60)] == pytest.approx(10.0)
    assert any("meter_v" in note for note in coverage.notes)


def test_where_one_of_two_loggers_has_no_reading_its_rows_count_by_the_logged_airflow():
    first, second = (held_log(CAR_3L, R01, [hold]) for hold in ((2000.0, 60.0, 10.0), (3000.0, 140.0, 8.0)))
    flow = np.interp(second["meter_v"], R01.meter_curve.reading, R01.meter_curve.flow_kg_h)
    later = second.drop_vars(["meter_v", "meter_v_flag"]).assign(
        air_flow_kg_h=("time", flow), air_flow_kg_h_flag=("time", np.zeros(flow.size, dtype=np.int32))
    )
    later = later.assign(episode=later["episode"] + 1).assign_coords(time=later["time"] + 100.0)
    both = xr.concat([first, later], "time", data_vars="all", join="outer", fill_value={"meter_v": np.nan})
    for name in ("meter_v_flag", "air_flow_kg_h_flag"):
        both[name] = both[name].fillna(MASKS["missing"]).astype(np.int32)
    coverage = cover(both, CAR_3L, R01)
    for hold in ((2000, 60, 10.0), (3000, 140, 8.0)):
        assert coverage.seconds[cell_of(coverage, *hold[:2])] == pytest.approx(hold[2], abs=0.06)
    assert any("meter_v" in note for note in coverage.notes)


def test_what_cannot_be_counted_is_refused():
    log = held_log(CAR_3L, R01, HOLDS)
    with pytest.raises(ValueError, match="flag_log"):
        cover(log.drop_vars("sample_flag"), CAR_3L, R01)


def test_full_load_is_measured_where_it_was_driven():
    """Wide open at 4000 rpm and an absolute load of 80 %."""
    flow = float(flow_at_load(80.0, 4000.0, displacement_l=3.0))
    coverage = cover(held_log(CAR_3L, R01, [*HOLDS, (4000.0, flow, 2.0, 98.0, 14.0)]), CAR_3L, R01)
    assert coverage.full_load_basis == "log"
    np.testing.assert_allclose(coverage.full_load_pct, 80.0, rtol=1e-6)
    assert cover([], CAR_3L, R01).full_load_basis == "assumed"
    said = CAR_3L.model_copy(
        update={"engine": CAR_3L.engine.model_copy(update={"volumetric_efficiency_expected_pct": 96.0})}
    )
    assert cover([], said, R01).full_load_basis == "car"
    assert cover([], said, R01).full_load_pct[0] == 96.0


def test_an_engine_that_takes_more_than_assumed_widens_its_range():
    """A supercharged engine at 150 % of absolute load."""
    flow = float(flow_at_load(150.0, 3250.0, displacement_l=3.0))
    coverage = cover(held_log(CAR_3L, R01, [(3250.0, flow, 9.0)]), CAR_3L, R01)
    assert coverage.seconds[cell_of(coverage, 3250, flow)] == pytest.approx(9.0)
    assert coverage.full_load_pct.min() == pytest.approx(150.0, rel=1e-3)


@pytest.mark.parametrize("seed", range(12))
def test_only_what_the_engine_can_be_held_at_is_reachable(seed):
    engine = plain_engine.invent(seed)
    coverage = cover([], engine.car, engine.revision)
    rows, columns = np.nonzero(coverage.reachable)
    speed, flow = coverage.speeds_rpm[columns], coverage.flows_kg_h[rows]
    load = engine.load(flow, speed)  # absolute load by the other engine model's own formula
    assert rows.size > 20
    assert speed.max() <= 0.93 * engine.car.limits.rev_limit_rpm
    assert speed.min() >= 0.9 * engine.car.engine.idle_target_rpm
    assert load.max() <= 0.85 + 1e-9
    assert load.min() >= 0.11
    assert (load[speed < 1000] < 0.3).all()  # no lugging


def test_nothing_driven_means_everything_missing():
    coverage = cover([], CAR_3L, R01)
    assert coverage.share_covered == 0
    assert (coverage.missing == coverage.reachable).all()
    assert np.isnan(coverage.battery_v).all()


def test_the_table_has_a_row_for_every_reachable_or_visited_cell():
    coverage = cover(held_log(CAR_3L, R01, [*HOLDS, (6700.0, 500.0, 3.0)]), CAR_3L, R01)
    table = coverage.table()
    assert len(table) == coverage.reachable.sum() + 1
    assert table["seconds"].sum() == pytest.approx(coverage.seconds.sum())
    assert (table["speed_to_rpm"] > table["speed_from_rpm"]).all()


def test_airflow_at_full_absolute_load():
    """SAE J1979, LOAD_ABS: 100 % is 1.184 g/L times the displacement per intake stroke (public page with its wording).

    3.0 L at 6000 rpm: 1.184 g/L * 3.0 L * 3000 strokes/min * 60 min/h = 639.36 kg/h.
    """
    assert flow_at_load(100.0, 6000.0, displacement_l=3.0) == pytest.approx(639.36, abs=0.005)
    assert np.isnan(flow_at_load(np.nan, 6000.0, displacement_l=3.0))


@pytest.mark.parametrize(("points", "share"), [(9, 0.15), (24, 0.8), (96, 1.0)])
def test_airflow_edges_rise_in_about_equal_ratios_and_keep_between_breakpoints(points, share):
    breakpoints = np.geomspace(2.0, 680.0, points)
    edges = flow_edges(10.0, 650.0, breakpoints)
    ratio = edges[1:] / edges[:-1]
    assert edges[[0, -1]] == pytest.approx([10.0, 650.0])
    assert ratio.min() > 1.1
    assert ratio.max() < 1.45**1.6
    middles = np.sqrt(breakpoints[1:] * breakpoints[:-1])
    on_middle = np.isclose(edges[1:-1, None], middles[None, :], rtol=1e-9).any(axis=1)
    assert on_middle.mean() >= share


def test_speed_edges_are_round_and_hold_idle_and_limit():
    for idle, limit in ((850, 6800), (1200, 13000), (600, 3200)):
        edges = speed_edges(idle, limit)
        assert edges[0] <= idle
        assert edges[-1] >= limit
        assert (edges % 250 == 0).all()
        assert 8 <= edges.size <= 16


def test_an_engine_is_not_lugged():
    load = highest_load(np.array([850.0, 1300.0, 1900.0, 4000.0]), 90.0, idle_rpm=850.0)
    assert (np.diff(load) >= 0).all()
    assert load[0] < 30
    assert load[-1] == 90.0
