"""Pull detection on drives with pulls, shifts, wheelspin, slip, lifted throttle and gaps."""

from __future__ import annotations

import numpy as np
import pytest
from plain_car import flagged, outing, owners_car
from plain_vehicle import Logger, PlainVehicle, drive, out_and_back, write_down

from tunelab.study.pull import find_pulls

CAR = PlainVehicle()
OWNER = owners_car(CAR)


def pulls_of(phases, logger=None, *, session=None, change=lambda log: log):
    log = change(write_down(drive(CAR, phases), logger or Logger(), np.random.default_rng(1)))
    return find_pulls(flagged(log, OWNER), OWNER, session or outing("full-throttle"))


def approach(gear: int) -> list[tuple]:
    return [("hold", gear, 2500, 3.0)]


def test_full_throttle_pulls_both_ways_with_gear_and_range():
    found = pulls_of(out_and_back(3, 2500, 6800, pairs=2))
    assert [p.gear for p in found.pulls] == [3] * 4
    assert [p.direction for p in found.pulls] == ["out", "back", "out", "back"]
    assert all(p.throttle == "full" and p.from_rpm < 2950 and p.to_rpm > 6650 for p in found.pulls)
    assert found.refused == ()


def test_part_throttle_is_told_from_full():
    found = pulls_of([*out_and_back(3, 2500, 6000, pairs=1), *approach(3), ("pull", 3, 6000, 45.0), ("lift", 3, 1.0)])
    assert [p.throttle for p in found.pulls] == ["full", "full", "part"]
    assert found.pulls[2].throttle_pct == pytest.approx(45, abs=1)


def test_a_run_through_the_gears_is_one_pull_per_gear():
    phases = [*approach(2), ("pull", 2, 6500), ("shift", 3, 0.4), ("pull", 3, 6500), ("lift", 3, 1.0)]
    assert [p.gear for p in pulls_of(phases).pulls] == [2, 3]


def test_a_shift_with_the_throttle_open_is_cut_out():
    def keep_open(log):
        throttle = np.where(log["throttle_pct"].values < 8, 100.0, log["throttle_pct"].values)
        return log.assign(throttle_pct=("time", throttle)).drop_vars("clutch_pressed")

    phases = [*approach(2), ("pull", 2, 6500), ("shift", 3, 0.4), ("pull", 3, 6500)]
    found = pulls_of(phases, change=keep_open)
    assert [p.gear for p in found.pulls] == [2, 3]
    assert any("gear" in r.because or "fell" in r.because for r in found.refused)


def test_wheelspin_at_the_start_is_cut_away_and_named():
    phases = [*approach(2), ("pull", 2, 4000, 100.0, 0.15), ("pull", 2, 6500), ("lift", 2, 1.0)]
    found = pulls_of(phases)
    assert len(found.pulls) == 1
    assert found.pulls[0].from_rpm > 3400
    assert any("wheels spun" in r.because for r in found.refused)


def test_wheelspin_all_the_way_leaves_no_pull():
    found = pulls_of([("hold", 3, 2500, 10.0), ("pull", 3, 6500, 100.0, 0.25), ("lift", 3, 1.0)])
    assert found.pulls == ()
    assert any("wheels spun" in r.because for r in found.refused)
    assert "refused" in found.because


def test_clutch_slip_is_named():
    def slip(log):
        """Engine speed runs 12 % ahead of the gearbox for the second second of the pull."""
        time, throttle = log["time"].values, log["throttle_pct"].values
        opened = time[throttle > 90][0]
        ahead = 0.12 * np.clip(1 - np.abs(time - opened - 1.5) / 0.8, 0, 1)
        return log.assign(engine_speed_rpm=log["engine_speed_rpm"] * (1 + ahead)).drop_vars("clutch_pressed")

    found = pulls_of([*approach(4), ("pull", 4, 6000), ("lift", 4, 1.0)], change=slip)
    assert any("clutch slipped" in r.because for r in found.refused)
    assert all(p.from_rpm > 2800 for p in found.pulls)


def test_a_lifted_throttle_ends_the_pull():
    found = pulls_of([*approach(3), ("pull", 3, 4500), ("lift", 3, 0.6), ("pull", 3, 6500), ("lift", 3, 1.0)])
    assert len(found.pulls) == 2
    assert found.pulls[0].to_rpm < 4600


def test_a_short_blip_is_refused_with_its_length():
    found = pulls_of([*approach(3), ("pull", 3, 3400), ("lift", 3, 1.0)])
    assert found.pulls == ()
    assert "s are wanted" in found.refused[0].because


def test_a_gap_in_the_log_splits_a_pull():
    def gap(log):
        keep = (log["time"].values < 6.0) | (log["time"].values > 7.2)
        return log.isel(time=np.flatnonzero(keep))

    found = pulls_of([*approach(4), ("pull", 4, 6500), ("lift", 4, 1.0)], change=gap)
    assert all(not (p.start_s < 6.0 and p.end_s > 7.2) for p in found.pulls)
    assert len(found.pulls) == 2


def test_without_road_speed_the_gear_stays_unknown_and_says_so():
    found = pulls_of(
        out_and_back(3, 2500, 6500, pairs=1), Logger(gps=False), change=lambda x: x.drop_vars("road_speed_km_h")
    )
    assert [p.gear for p in found.pulls] == [0, 0]
    assert "road_speed_km_h" in found.gear_source
    assert {p.direction for p in found.pulls} == {"unknown"}


def test_a_pull_on_another_road_is_neither_out_nor_back():
    """Its slope has nothing to do with that of the first one, whichever way it points."""

    def elsewhere(log):
        return log.assign(longitude_deg=log["longitude_deg"] + 0.01 * (log["time"] > log["time"][-1] / 2))

    found = pulls_of(out_and_back(3, 2500, 6500, pairs=1), change=elsewhere)
    assert [p.direction for p in found.pulls] == ["out", "unknown"]


def test_three_readings_make_no_pull():
    found = pulls_of([*approach(3), ("pull", 3, 5000), ("lift", 3, 2.0)], Logger(rate_hz=1.0))
    assert found.pulls == ()
    assert "no pull can be followed" in found.because
    assert any("readings" in r.because for r in found.refused)


def test_turning_moments_stand_in_for_a_position():
    phases = out_and_back(3, 2500, 6500, pairs=1)
    no_gps = Logger(gps=False)
    first_end = pulls_of(phases, no_gps).pulls[0].end_s
    found = pulls_of(phases, no_gps, session=outing("full-throttle", turned_at_s=(first_end + 3.0,)))
    assert [p.direction for p in found.pulls] == ["out", "back"]


def test_no_throttle_channel_is_said_by_name():
    found = pulls_of(approach(3), change=lambda log: log.drop_vars("throttle_pct"))
    assert "throttle_pct" in found.because
    assert found.pulls == ()


def test_a_throttle_that_reads_84_percent_wide_open_is_still_full():
    found = pulls_of(
        out_and_back(3, 2500, 6500, pairs=1), change=lambda log: log.assign(throttle_pct=log.throttle_pct * 0.84)
    )
    assert [p.throttle for p in found.pulls] == ["full", "full"]
