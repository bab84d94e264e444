"""Looking at a log: cells, distributions, events and selections against what was laid down; NIST's certified values."""

import importlib.resources
import re

import numpy as np
import pytest
from link_log import at_speed, flagged, link_log, session
from plain_car import owners_car
from published import assert_agrees, matching

from tunelab.log.flag import MASKS
from tunelab.study.explore_cells import distribute, engine_load, map_channel, samples_inside
from tunelab.study.explore_events import align_events, compare_groups, kind_present

CAR = owners_car()


@pytest.fixture(scope="module")
def log():
    return flagged(link_log(at_speed((0, 20), (150, 1), (850, 30), (2500, 40), (3500, 40))), CAR, session())


def nist(folder, name):
    """Numbers of a NIST StRD file from scipy's wheel: rows of two columns that follow the heading of the data."""
    text = importlib.resources.files("scipy.stats.tests").joinpath("data", folder, f"{name}.dat").read_text()
    lines = text.splitlines()
    first, last = (int(n) for n in re.search(r"(?:Data|Data)\s*\(lines\s+(\d+) to\s+(\d+)\)", text).groups())
    return np.array([[float(number) for number in line.split()] for line in lines[first - 1 : last]])


@pytest.mark.parametrize("entry", matching("s_anova_"))
def test_groups_meet_nists_certified_f(entry):
    table = nist("nist_anova", entry["inputs"]["dataset"].split()[-1])
    groups = {f"{number:g}": table[table[:, 0] == number, 1] for number in np.unique(table[:, 0])}
    assert_agrees(compare_groups(groups).f_ratio, entry)


def test_too_little_for_a_comparison_is_said():
    alone = compare_groups({"a": [1.0, 2.0], "b": [3.0]})
    assert np.isnan(alone.f_ratio)
    assert "fewer than two groups" in alone.because


def test_cells_hold_mean_spread_and_count_of_what_lies_in_them(log):
    cells = map_channel(log, "manifold_kpa", engine_load(log, CAR), speed_step_rpm=500.0, loads=1)
    column = int(np.searchsorted(cells.speed_edges_rpm, 3500.0, side="right")) - 1
    values = log["manifold_kpa"].to_numpy()
    used = (log["engine_speed_rpm"].to_numpy() >= 3500) & (log["sample_flag"].to_numpy() & ~(1024 | 256) == 0)
    used &= log["manifold_kpa_flag"].to_numpy() == 0
    assert cells.count[0, column] == used.sum()
    assert cells.mean[0, column] == pytest.approx(values[used].mean(), rel=1e-12)
    assert cells.spread[0, column] == pytest.approx(values[used].std(ddof=1), rel=1e-9)
    assert cells.count.sum() == cells.samples_used
    assert cells.samples_used + cells.samples_flagged == log.sizes["time"]
    assert np.isnan(cells.mean[cells.count == 0]).all()


def test_flagged_samples_stay_out_of_the_cells(log):
    spoilt = log.copy(deep=True)
    at = 1500
    spoilt["manifold_kpa"].values[at], spoilt["manifold_kpa_flag"].values[at] = 1e6, MASKS["spike"]
    cells = map_channel(spoilt, "manifold_kpa", engine_load(spoilt, CAR), speed_step_rpm=500.0, loads=3)
    assert np.nanmax(cells.mean) < 200


def test_load_is_absolute_load_where_airflow_is_logged(log):
    # SAE J1979 LOAD_ABS by hand: 120 kg/h at 2500 rpm is 1.6 g in two turns; 1.184 g/l × 3.0 l is 3.552 g.
    flowing = log.assign(air_flow_kg_h=("time", np.full(log.sizes["time"], 120.0)))
    flowing["air_flow_kg_h_flag"] = ("time", np.zeros(log.sizes["time"], dtype=np.int32))
    load = engine_load(flowing, CAR)
    middle = np.argmin(np.abs(flowing["engine_speed_rpm"].to_numpy() - 2500))
    speed = float(flowing["engine_speed_rpm"][middle])
    assert load.values[middle] == pytest.approx(100 * 1.6 / 3.552 * 2500 / speed, rel=1e-3)
    assert engine_load(log, CAR).label.startswith("manifold pressure")
    assert "not logged" in engine_load(log[["engine_speed_rpm", "episode"]], CAR).label


def test_an_empty_map_says_why(log):
    load = engine_load(log, CAR)
    without_speed = map_channel(log.drop_vars("engine_speed_rpm"), "battery_v", load, speed_step_rpm=500.0, loads=3)
    assert (without_speed.because, len(without_speed.table())) == ("the log has no engine speed.", 0)
    holed = log.copy(deep=True)
    holed["battery_v_flag"].values[:] = MASKS["spike"]
    assert "no sample of battery_v" in map_channel(holed, "battery_v", load, speed_step_rpm=500.0, loads=3).because


def test_a_distribution_counts_every_reading_once(log):
    found = distribute(log, "lambda_measured")
    assert found.trusted.sum() == found.samples_used
    assert found.flagged.sum() == found.samples_flagged
    assert found.samples_used + found.samples_flagged == log.sizes["time"]
    assert found.quantiles[4] == pytest.approx(1.0, abs=0.001)
    assert found.quantiles[[1, 7]] == pytest.approx(
        [1 - 2.326 * 0.004, 1 + 2.326 * 0.004], abs=0.001
    )  # normal quantile


def test_a_constant_channel_has_a_distribution_too(log):
    still = log.assign(gear=("time", np.full(log.sizes["time"], 3.0)))
    still["gear_flag"] = ("time", np.zeros(log.sizes["time"], dtype=np.int32))
    assert distribute(still, "gear").trusted.tolist() == [log.sizes["time"]]
    with pytest.raises(KeyError, match="nearest"):
        distribute(log, "lambda_measurd")


def test_events_begin_at_zero_and_carry_their_session(log):
    found = align_events({"one": log, "two": log}, CAR, "engine_speed_rpm", kind="start", around_s=(2.0, 4.0))
    assert [(trace.session, trace.number) for trace in found.traces] == [("one", 1), ("two", 1)]
    trace = found.traces[0]
    assert (trace.time_s[0], trace.time_s[-1]) == (pytest.approx(-2, abs=0.06), pytest.approx(4, abs=0.06))
    assert len(found.summary()) == 2
    none = align_events({"one": log}, CAR, "engine_speed_rpm", kind="launch", around_s=(2.0, 4.0))
    assert "no launch" in none.because
    assert kind_present(log, CAR, ["launch", "start"]) == "start"
    with pytest.raises(ValueError, match="kind is 'rocket'"):
        align_events({"one": log}, CAR, "engine_speed_rpm", kind="rocket", around_s=(2.0, 4.0))


def test_a_box_selects_what_lies_in_it_and_no_missing_reading(log):
    holed = log.copy(deep=True)
    holed["manifold_kpa"].values[1500] = np.nan
    speed = log["engine_speed_rpm"].to_numpy()
    inside = samples_inside(speed, holed["manifold_kpa"].to_numpy(), (3000.0, 0.0, 4000.0, 200.0))
    np.testing.assert_array_equal(inside, (speed >= 3000) & (speed <= 4000) & (np.arange(speed.size) != 1500))
