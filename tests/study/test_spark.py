"""Spark where knock came: cells retreat by what was seen and a margin, nothing ever gets more advance."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from finding_rules import assert_holds
from plain_car import flagged, in_force, outing, owners_car
from plain_mixture import Fault, with_fuelling
from plain_vehicle import Logger, PlainVehicle, drive, out_and_back, write_down
from scipy import stats

from tunelab.study.power import RoadDoubt, fit_power
from tunelab.study.power.pulls import Drawing
from tunelab.study.pull import find_pulls
from tunelab.study.revision_change import spark_at
from tunelab.study.spark import knock_limited, study_spark
from tunelab.workspace.check_revision import check_revision
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml
from tunelab.workspace.write import write_revision

CAR, OWNER = PlainVehicle(), owners_car(PlainVehicle())
DAY = datetime.date(2026, 5, 9)
TABLE = {"engine_speed_rpm": [2000.0, 4000.0, 5000.0, 6000.0, 7000.0], "load_pct": [40.0, 70.0, 100.0],
         "spark_deg": [[30.0, 34.0, 36.0, 37.0, 37.0], [22.0, 26.0, 28.0, 29.0, 29.0],
                       [12.0, 16.0, 18.0, 19.0, 19.0]]}  # fmt: skip


@pytest.fixture(scope="module")
def plain():
    return write_down(drive(CAR, out_and_back(3, 2400, 6600, pairs=1)), Logger(), np.random.default_rng(5))


def knocking(plain, deg, at=5500.0, *, rise=0.0):
    """Two pulls with `deg` of retard within 300 rpm of `at`, `rise` more in the second."""
    log = with_fuelling(plain, Fault(knock_deg=deg, knock_at_rpm=at), np.random.default_rng(6))
    late = log["time"].values > log["time"].values.mean()
    return flagged(log.assign(knock_retard_deg=log["knock_retard_deg"] + rise * late * (log["knock_retard_deg"] > 1)),
                   OWNER)  # fmt: skip


def stating(**spark):
    return Revision.model_validate(in_force().model_dump(exclude_none=True) | {"spark": TABLE | spark})


def owner(**limits):
    return owners_car(CAR, limits=OWNER.limits.model_dump() | limits)


def test_the_breakpoints_around_the_knock_retreat_by_what_was_seen_and_the_margin(plain):
    found = study_spark(knocking(plain, 4.5), owner(spark_retreat_margin_deg=1.5), stating())
    after = found.to_revision("r02", DAY).spark
    less = np.asarray(TABLE["spark_deg"]) - after.values
    # 5200 to 5800 rpm; 0.075 kg/h per rpm over 3.0 l per two turns at 1.184 kg/m3 (25 °C, 1 atm) is a load of 70.4 %.
    np.testing.assert_allclose(less[1:, 2:4], 6.0)
    less[1:, 2:4] = 0
    assert (less == 0).all()
    assert len(found.events) == 2
    assert found.events["highest_deg"].tolist() == [4.5, 4.5]
    assert found.events["intake_air_c"].between(24, 26).all()
    assert found.retard.status == "stop"  # as the owner's limit says, which it passed for more than a moment
    assert found.predicted.value == 0.0
    for finding in found.findings():
        assert_holds(finding)
    assert "2 times" in found.notes[0]


def test_the_retreat_reads_back_as_a_revision(plain, tmp_path):
    for base in (stating(), in_force()):
        revision = study_spark(knocking(plain, 4.5), OWNER, base).to_revision("r02", DAY)
        write_revision(tmp_path / "r02.toml", revision, {})
        reading = read_toml(tmp_path / "r02.toml", Revision, "r02.toml")
        assert [*reading.problems, *check_revision(reading, OWNER)] == []
        assert reading.partial == revision


def test_without_a_table_it_is_a_list_of_cells_and_those_around_them(plain):
    found = study_spark(knocking(plain, 4.5), OWNER, in_force())
    assert found.parts() == ("spark_retreat",)
    own = found.cells[found.cells["basis"] == "knock"]
    assert own["engine_speed_from_rpm"].min() == 5000
    assert own["engine_speed_to_rpm"].max() == 6000
    assert set(own["retreat_deg"]) == {5.5}  # what was seen and a degree
    around = found.cells[found.cells["basis"] == "beside knock"]
    assert set(around["retreat_deg"]) == {1.0}
    assert around["engine_speed_from_rpm"].min() == 4500
    places = set(zip(found.cells["engine_speed_from_rpm"], found.cells["load_from_pct"], strict=True))
    loads = {own["load_from_pct"].min() + step for step in (-10.0, 0.0, 10.0)}
    assert own["load_from_pct"].nunique() == 1
    assert places == {(rpm, load) for rpm in (4500.0, 5000.0, 5500.0, 6000.0) for load in loads}


@pytest.mark.parametrize(("deg", "cells"), [(2.9, 0), (3.1, 1)])
def test_what_the_owners_limit_allows_is_named_and_does_not_retreat(plain, deg, cells):
    found = study_spark(knocking(plain, deg), OWNER, in_force())
    assert len(found.events) == 2
    assert bool(len(found.cells)) == bool(cells)
    assert ("no spark has to be taken out" in found.notes[1]) != bool(cells)


@pytest.mark.parametrize(("high", "retreats"), [(4.5, True), (2.9, False)])
def test_once_the_limit_was_passed_every_place_where_knock_came_retreats(plain, high, retreats):
    """Two degrees at 3500 rpm stayed within the limit by chance, as those at 5500 rpm did not."""
    log, low = knocking(plain, high), knocking(plain, 2.0, at=3500.0)
    both = log.assign(knock_retard_deg=np.maximum(log["knock_retard_deg"], low["knock_retard_deg"]))
    for revision in (in_force(), stating()):
        cells = study_spark(both, OWNER, revision).cells
        if not retreats:
            assert cells.empty
            continue
        speeds = "engine_speed_rpm" if revision.spark is not None else "engine_speed_from_rpm"
        own = cells[cells["basis"] == "knock"].groupby(speeds)["retreat_deg"].max()
        assert set(own[own.index < 3800]) == {3.0}
        assert set(own[own.index >= 5000]) == {5.5}


def test_retard_that_only_fades_out_over_other_speeds_and_loads_names_no_cell_there(plain):
    """Four degrees come at 5000 rpm in each pull and are given back at half a degree a second, over lift and idle."""
    log = knocking(plain, 0.0)
    rpm, open_pct, time = (log[name].values for name in ("engine_speed_rpm", "throttle_pct", "time"))
    knocks = np.flatnonzero((open_pct > 90) & (rpm > 5000) & (np.append(0, rpm[:-1]) <= 5000))
    deg = np.max([np.where(time >= time[k], np.maximum(4.0 - 0.5 * (time - time[k]), 0), 0) for k in knocks], axis=0)
    found = study_spark(log.assign(knock_retard_deg=("time", np.round(deg, 1))), OWNER, in_force())
    own = found.cells[found.cells["basis"] == "knock"]
    assert own["engine_speed_from_rpm"].between(4500, 5000).all()
    assert own["load_from_pct"].min() >= 60
    assert own["retreat_deg"].max() == pytest.approx(5.0)
    assert found.events["start_s"].tolist() == pytest.approx([time[k] for k in knocks], abs=0.05)
    assert found.events["seconds"].max() > 3
    assert found.events["to_rpm"].max() < 5400
    assert found.predicted.value == pytest.approx(0.0)


def test_the_next_knock_may_come_as_much_higher_as_two_events_differ(plain):
    """Student prediction interval of a third event, ISO 16269-8 (from memory): 4 and 5 degrees, a retreat by 5 + 1."""
    log = knocking(plain, 4.0, rise=1.0)
    found = study_spark(log, OWNER, in_force())
    step = np.diff(np.unique(log["knock_retard_deg"].values.round(6))).min()
    reach = stats.t.ppf(0.975, 1) * np.std([4.0, 5.0], ddof=1) * np.sqrt(1 + 1 / 2)
    assert found.predicted.value == 0.0
    assert found.predicted.upper == pytest.approx(5.0 - 6.0 + np.hypot(reach, step / 2))
    ends = (found.retard.value, found.retard.lower, found.retard.upper)
    assert ends == pytest.approx((5.0, 5.0 - step / 2, 5.0 + step / 2))


def test_a_table_of_spark_is_never_taken_below_what_it_may_hold(plain):
    late = stating(spark_deg=[[-36.0] * 5] * 3)
    after = study_spark(knocking(plain, 4.5), OWNER, late).to_revision("r02", DAY).spark.values
    assert set(after.ravel()) == {-36.0, -40.0}


def test_a_dead_or_missing_reading_shows_nothing(plain):
    log = knocking(plain, 4.5)
    for broken in (log.drop_vars("knock_retard_deg"), log.assign(knock_retard_deg=0.0 * log["knock_retard_deg"])):
        found = study_spark(broken, OWNER, in_force())
        assert not found.shown
        assert found.findings()[0].status == "not_shown"
        assert found.parts() == ()


def test_one_wild_reading_of_retard_is_watched_and_does_not_stop(plain):
    """As for every limit, what stops is a mean over a quarter of a second."""
    log = knocking(plain, 1.0)
    deg = log["knock_retard_deg"].values.copy()
    deg[np.flatnonzero(deg > 0)[3]] = 4.5
    found = study_spark(log.assign(knock_retard_deg=("time", deg)), OWNER, stating())
    assert (found.retard.value, found.retard.status) == (4.5, "watch")


def test_knock_where_the_load_is_not_known_is_named_and_no_cell_is_guessed(plain):
    log = knocking(plain, 4.5).drop_vars(["air_flow_kg_h", "meter_v"])
    found = study_spark(log, OWNER, in_force())
    assert found.cells.empty
    assert "load is not known" in found.notes[0]
    assert found.retard.status == "stop"


def test_no_proposal_ever_advances_spark_and_each_reading_gets_what_it_needed(plain):
    rng = np.random.default_rng(3)
    base = knocking(plain, 0.0)
    rpm, time = base["engine_speed_rpm"].values, base["time"].values
    for _ in range(12):
        deg = np.zeros(time.size)
        for at in rng.uniform(time[0], time[-1], rng.integers(1, 6)):
            deg = np.maximum(deg, rng.uniform(0, 9) * (np.abs(time - at) < rng.uniform(0.1, 1.5)))
        deg[0] = 0.4
        speeds = np.sort(rng.choice(np.arange(800.0, 7200.0, 200.0), rng.integers(2, 9), replace=False))
        loads = np.sort(rng.choice(np.arange(10.0, 120.0, 10.0), rng.integers(1, 6), replace=False))
        table = {"engine_speed_rpm": speeds.tolist(), "load_pct": loads.tolist(),
                 "spark_deg": rng.uniform(5, 40, (loads.size, speeds.size)).tolist()}  # fmt: skip
        log = base.assign(knock_retard_deg=("time", deg))
        limit = float(rng.uniform(0, 4))
        for revision in (stating(**table), in_force()):
            found = study_spark(log, owner(knock_retard_max_deg=limit), revision)
            if not found.parts():
                continue
            after = found.to_revision("r02", DAY)
            assert found.cells["retreat_deg"].min() > 0
            if revision.spark is None:
                assert all(cell.retreat_deg > 0 for cell in after.spark_retreat)
                continue
            less = revision.spark.values - after.spark.values
            assert (less >= 0).all()
            rose = deg > np.append(deg[0], deg[:-1]) + 0.3
            beyond = np.flatnonzero(rose & (deg > max(limit, 0.5)) & (rpm > 1000))
            load = found_load(log, revision)
            grid = revision.spark.model_copy(update={"spark_deg": less.tolist()})
            known = beyond[np.isfinite(load[beyond])]
            given = spark_at(grid, rpm[known], load[known])
            assert (given >= deg[known] - 1e-9).all()


def found_load(log, revision):
    from tunelab.study.limits_driving import with_load

    return with_load(log, OWNER, revision)[1]


def test_power_with_knock_is_named_as_knock_limited_and_without_is_not(plain):
    for deg, told in ((4.5, "knock-limited: in 2 of 2 pulls the ECU took up to 4.5°"), (0.0, "")):
        log = knocking(plain, deg)
        pulls = find_pulls(log, OWNER, outing("full-throttle"))
        fit = fit_power(log, OWNER, outing("full-throttle"), pulls, RoadDoubt(1.0, 0.3, 1.5, 0.5),
                        coast_down=None, drawing=Drawing(20, 1), standard="ISO 1585")  # fmt: skip
        assert (told in knock_limited(log, fit)) if told else knock_limited(log, fit) == ""
    assert "is not shown" in knock_limited(log.drop_vars("knock_retard_deg"), fit)
