"""Drop-outs, exposure and stretches of logs whose breaks are known because they were made."""

import json

import numpy as np
import pytest
from link_log import at_speed, flagged, link_log, session, without
from plain_car import owners_car

from tunelab.log.segment import CRANKING, IDLE, STOPPED, UNKNOWN
from tunelab.study.link.account import ERRORS, FROZEN, GAP, NEW_FILE, NOTED, RESTART, account_link

CAR = owners_car()


def account(log, own=None):
    own = own or session()
    return account_link(flagged(log, CAR, own), CAR, own, shortest_s=0.5)


def seconds_in(found, state):
    return float(found.exposure.set_index("state")["seconds"][state])


def test_a_log_in_one_piece_has_no_drop_out_and_its_seconds_by_state():
    found = account(link_log(at_speed((0, 10), (150, 1), (850, 20), (2500, 30), (3500, 15))))
    assert found.drop_outs == ()
    expected = {STOPPED: 10, CRANKING: 1, IDLE: 20, "2000–3000 rpm": 30, "3000–4000 rpm": 15, UNKNOWN: 0}
    for state, seconds in expected.items():
        assert seconds_in(found, state) == pytest.approx(seconds, abs=0.11), state
    assert found.starts == 1
    assert [(s.dropped, round(s.seconds)) for s in found.stretches] == [(False, 76)]


def test_a_gap_is_a_drop_out_in_the_state_before_it():
    log = without(link_log(at_speed((850, 20), (2500, 40), (850, 20))), 40.0, 44.0)
    found = account(log)
    (drop,) = found.drop_outs
    assert (drop.kind, drop.state, drop.state_after) == (GAP, "2000–3000 rpm", "2000–3000 rpm")
    assert drop.lasted_s == pytest.approx(4.0, abs=0.06)
    assert drop.battery_before_v == pytest.approx(14.0, abs=0.1)
    assert [(s.dropped, round(s.seconds)) for s in found.stretches] == [(True, 40), (False, 36)]
    assert found.seconds == pytest.approx(76.0, abs=0.2)


def test_lost_rows_are_stutters_and_no_drop_outs():
    log = without(without(link_log(at_speed((2500, 60))), 20.0, 20.25), 40.0, 40.3)
    found = account(log)
    assert found.drop_outs == ()
    assert found.stutters == 2


def test_a_restart_is_a_drop_out_of_unknown_length():
    found = account(without(link_log(at_speed((2500, 60))), 20.0, 29.0, restarts=True))
    (drop,) = found.drop_outs
    assert drop.kind == RESTART
    assert np.isnan(drop.lasted_s)


def test_frozen_frames_are_a_drop_out_and_no_exposure():
    log = link_log(at_speed((2500, 80)))
    for name in log.data_vars:
        if name != "episode":
            log[name].values[400:460] = log[name].values[400]
    (drop,) = account(log).drop_outs
    assert drop.kind == FROZEN
    assert (drop.start_s, drop.end_s) == (pytest.approx(20.0, abs=0.11), pytest.approx(23.0, abs=0.11))
    assert account(log).seconds == pytest.approx(77.0, abs=0.2)


def test_rows_of_errors_are_a_drop_out():
    log = link_log(at_speed((2500, 80)))
    for name in log.data_vars:
        if name != "episode":
            log[name].values[400:440] = np.nan
    (drop,) = account(log).drop_outs
    assert drop.kind == ERRORS
    assert drop.lasted_s == pytest.approx(2.05, abs=0.06)


def test_breaks_that_follow_each_other_closely_are_one():
    log = without(without(link_log(at_speed((2500, 60))), 20.0, 22.0), 23.0, 26.0, restarts=True)
    (drop,) = account(log).drop_outs
    assert drop.kind == f"{GAP}, {RESTART}"
    assert np.isnan(drop.lasted_s)


def test_the_starter_is_blamed_where_it_turned_behind_a_short_break():
    log = without(link_log(at_speed((0, 20), (150, 1), (850, 30))), 19.5, 22.0)
    (drop,) = account(log).drop_outs
    assert drop.state == CRANKING
    assert account(log).starts == 1
    far = without(link_log(at_speed((0, 40), (150, 1), (850, 30))), 19.5, 42.0)
    assert account(far).drop_outs[0].state == STOPPED


def test_a_log_that_simply_stops_is_a_drop_out_by_note_alone():
    log = link_log(at_speed((2500, 60)))
    assert account(log).drop_outs == ()
    assert account(log).ends_running
    noted = account(log, session(drop_out=[{"start_s": 59.9, "note": "screen went blank"}]))
    (drop,) = noted.drop_outs
    assert (drop.kind, drop.state_after, drop.note) == (NOTED, "", "screen went blank")
    assert [s.dropped for s in noted.stretches] == [True]


def test_a_note_gives_a_restart_its_length_or_takes_it_back():
    log = without(link_log(at_speed((2500, 60))), 20.0, 29.0, restarts=True)
    timed = account(log, session(drop_out=[{"start_s": 20.0, "end_s": 29.0}]))
    assert timed.drop_outs[0].lasted_s == pytest.approx(9.0)
    assert timed.seconds == pytest.approx(51.0, abs=0.2)  # the watch's end takes no logged row away
    denied = account(log, session(drop_out=[{"start_s": 20.0, "counts": False}]))
    assert denied.drop_outs == ()
    assert "on purpose" in denied.not_counted[0].because
    assert [s.dropped for s in denied.stretches] == [False, False]


def test_an_exclusion_hides_a_break_and_its_time():
    log = without(link_log(at_speed((2500, 60))), 20.0, 24.0)
    rows = [{"start_s": 15.0, "end_s": 30.0, "author": "Pia", "reason": "cable pulled"}]
    found = account(log, session(exclude=rows))
    assert found.drop_outs == ()
    assert "cable pulled" in found.not_counted[0].because
    assert found.seconds == pytest.approx(45.0, abs=0.3)


@pytest.mark.parametrize(("new_file", "drops"), [(None, 0), ("by hand", 0), ("drop-out", 1)])
def test_a_new_file_counts_only_where_the_owner_says_so(new_file, drops):
    log = without(link_log(at_speed((2500, 60))), 20.0, 29.0, restarts=True)
    rows = [{"path": f"{k}.csv", "rows_kept": n, "rows_set_aside": 0} for k, n in enumerate((400, 620))]
    found = account(log.assign_attrs(files=json.dumps(rows)), session(new_file=new_file))
    assert len(found.drop_outs) == drops
    assert [item.kind for item in found.not_counted] == [NEW_FILE] * (1 - drops)


def test_spikes_of_the_speed_reading_change_no_state():
    log = link_log(at_speed((850, 60)))
    log["engine_speed_rpm"].values[[300, 700]] = 6100.0
    found = account(log)
    assert seconds_in(found, IDLE) == pytest.approx(60.0, abs=0.1)


def test_without_engine_speed_the_state_is_unknown_and_drop_outs_still_count():
    log = without(link_log(at_speed((2500, 60))), 20.0, 24.0).drop_vars("engine_speed_rpm")
    found = account(log)
    assert [drop.state for drop in found.drop_outs] == [UNKNOWN]
    assert seconds_in(found, UNKNOWN) == pytest.approx(56.0, abs=0.2)


def test_nonsense_is_refused():
    log = link_log(at_speed((850, 10)))
    with pytest.raises(ValueError, match="was not flagged"):
        account_link(log, CAR, session(), shortest_s=0.5)
    with pytest.raises(ValueError, match="above zero"):
        account_link(flagged(log, CAR, session()), CAR, session(), shortest_s=0.0)
