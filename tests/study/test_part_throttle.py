"""Pulls at part throttle: knock and lambda by engine speed and load, on plain drives with a fault put in."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from plain_car import flagged, in_force, outing, owners_car
from plain_mixture import DELAY_FLOW, DELAY_S, LAG_S, Fault, with_fuelling
from plain_vehicle import Logger, PlainVehicle, drive, write_down

from tunelab.log.flag import flag_log
from tunelab.study.delay import DelayFit
from tunelab.study.part_throttle import check_part_throttle
from tunelab.study.pull import find_pulls
from tunelab.workspace.session import Exclusion

CAR = PlainVehicle()
PULL = (("hold", 3, 2200, 4.0), ("pull", 3, 4800, 50.0), ("lift", 3, 2.0), ("turn",))
DELAY = DelayFit(
    DELAY_S, (DELAY_S - 0.02, DELAY_S + 0.02), DELAY_FLOW, (DELAY_FLOW - 1, DELAY_FLOW + 1), LAG_S,
    (LAG_S - 0.02, LAG_S + 0.02), 0.16, (0.14, 0.18), 60.0, 0.95, True, "", "known", 1000, 0,
)  # fmt: skip


@functools.cache
def plain(phases: tuple):
    return write_down(drive(CAR, phases), Logger(gps=False), np.random.default_rng(5))


def judge(fault: Fault, *, change=lambda log: log, phases=PULL * 2):
    owner = owners_car(CAR)
    log = flagged(change(with_fuelling(plain(phases), fault, np.random.default_rng(6))), owner)
    return check_part_throttle(log, owner, in_force(), find_pulls(log, owner, outing("part-throttle")), DELAY)


def by_id(found) -> dict:
    return {finding.id.removeprefix("part_throttle."): finding for finding in found.findings()}


def test_six_half_throttle_pulls_that_knock_and_run_lean_say_stop_and_when_to_lift():
    fault = Fault(knock_deg=9, knock_at_rpm=4200, lean_from_rpm=3300, lean_by=0.17, above_throttle_pct=40)
    found = judge(fault, phases=PULL * 6)
    told = by_id(found)
    assert told["knock_retard"].status == told["lean"].status == "stop"
    assert told["knock_retard"].value == pytest.approx(9, abs=0.3)
    assert told["lean"].value == pytest.approx(17, abs=1.5)
    assert len(found.pulls) == 6
    assert len(found.lift) == 6
    assert found.lift["engine_speed_rpm"].between(3150, 3600).all()  # lean comes before the knock
    cells = found.cells.set_index("engine_speed_rpm")
    assert cells.loc[2750.0, "error_pct"] == pytest.approx(0, abs=1.0)
    assert cells.loc[4250.0, "error_pct"] == pytest.approx(17, abs=1.0)
    assert cells.loc[4250.0, "knock_deg"] == pytest.approx(9, abs=0.3)
    assert (cells["lower"] <= cells["error_pct"]).all()


def test_healthy_pulls_meet_their_limits_within_the_whole_interval():
    found = judge(Fault(knock_deg=1.0, knock_at_rpm=3500, above_throttle_pct=40), phases=PULL * 4)
    for finding in found.findings():
        assert finding.status == "met", finding.id
        assert finding.lower <= finding.value <= finding.upper <= finding.limit
    assert found.lift.empty
    assert set(found.pulls["gear"]) == {3}
    assert found.pulls["throttle_pct"].to_numpy() == pytest.approx(50, abs=1)
    assert found.pulls["knock_deg"].to_numpy() == pytest.approx(1.0, abs=0.3)


@pytest.mark.parametrize("by", [0.05, -0.05])
def test_a_meter_that_errs_all_through_the_pulls_is_watched_either_way(by):
    found = by_id(judge(Fault(lean_from_rpm=0, lean_by=by, above_throttle_pct=40)))
    assert found["lambda_error"].status == "watch"
    assert found["lambda_error"].value == pytest.approx(100 * by, abs=0.6)


def test_what_was_not_logged_or_never_moved_is_not_shown_and_no_pull_says_so():
    still = judge(
        Fault(), change=lambda log: log.drop_vars("lambda_measured").assign(knock_retard_deg=0 * log["throttle_pct"])
    )
    found = by_id(still)
    assert {found[name].status for name in ("lean", "lambda_error", "knock_retard")} == {"not_shown"}
    assert "lambda_measured" in found["lean"].because
    assert "never moved" in found["knock_retard"].because
    none = judge(Fault(), phases=(("hold", 3, 2200, 8.0),))
    assert not none.shown
    assert none.findings()[0].status == "not_shown"
    assert none.because


@pytest.mark.parametrize(("by", "is_stop"), [(0.06, False), (0.15, True)])
def test_lean_under_load_is_a_stop_from_a_tenth_on_where_the_owner_states_no_limit(by, is_stop):
    assert owners_car(CAR).limits.lean_under_load_max_pct is None
    found = by_id(judge(Fault(lean_from_rpm=0, lean_by=by, above_throttle_pct=40)))
    assert (found["lean"].status == "stop") == is_stop
    assert found["lean"].limit == 10


def test_a_flag_that_leaves_no_reading_out_is_not_counted_as_left_out_and_a_hand_made_exclusion_is():
    found = judge(Fault(), phases=PULL * 4)  # every pull is flagged as transient, and is judged all the same
    assert found.samples_flagged == 0
    told = by_id(found)
    assert told["lambda_error"].samples_flagged == told["lean"].samples_flagged
    owner, session = owners_car(CAR), outing("part-throttle")
    start = found.pulls["start_s"].iloc[1]
    out = [{"start_s": start, "end_s": start + 1, "author": "owner", "reason": "rain"}]
    log = with_fuelling(plain(PULL * 4), Fault(), np.random.default_rng(6))
    log = flag_log(log, owner, session.model_copy(update={"exclude": [Exclusion.model_validate(row) for row in out]}))
    pulls = find_pulls(flagged(log, owner), owner, session)
    part = check_part_throttle(log, owner, in_force(), pulls, DELAY)
    inside = log["time"].sel(time=slice(start, start + 1)).size
    assert (part.samples_used, part.samples_flagged) == (found.samples_used, inside)
    assert by_id(part)["lambda_error"].samples_used < told["lambda_error"].samples_used
