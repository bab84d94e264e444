"""Sessions put together: the plain answer over simulated links with known hazards."""

from dataclasses import replace

import numpy as np
import pytest
from link_pairs import bunched, made_account
from scipy.stats import binomtest

from tunelab.log.segment import CRANKING, IDLE
from tunelab.study.link.account import Stretch
from tunelab.study.link.rate import power_of_comparison, rate_ratio
from tunelab.study.link.study import compare_wirings, dispersion_of, rates_by_state, study_link

HOW = {"factor": 3.0, "power": 0.8, "confidence": 0.95}


def driven(rng, wiring, factor, minutes=60.0):
    """A drive over idle and two bands whose true hazards per hour are 4, 20 and 60 over `factor`."""
    shares = {IDLE: (0.3, 4.0), "2000–3000 rpm": (0.5, 20.0), "5000–6000 rpm": (0.2, 60.0)}
    by_state = {
        state: (share * minutes * 60, int(rng.poisson(per_h / factor * share * minutes / 60)))
        for state, (share, per_h) in shares.items()
    }
    return made_account(wiring, wiring, by_state)


@pytest.fixture(scope="module")
def verdicts():
    rng = np.random.default_rng(21)
    pairs = {f: [(driven(rng, "A", 1.0), driven(rng, "B", f)) for _ in range(80)] for f in (1.0, 3.0)}
    return {f: [compare_wirings([a], [b], **HOW).verdict for a, b in both] for f, both in pairs.items()}


def test_no_difference_is_called_one_no_more_often_than_allowed(verdicts):
    # Exactly at most 5 % by construction, see test_ratio.py for many more draws; here what 80 draws can tell.
    alarms = sum(verdict != "not shown yet" for verdict in verdicts[1.0])
    assert binomtest(alarms, 80, 0.05, alternative="greater").pvalue > 0.01


def test_a_threefold_improvement_is_seen_with_the_stated_power_and_never_the_wrong_way_round(verdicts):
    stated = power_of_comparison(0.3 * 4 + 0.5 * 20 + 0.2 * 60, 3.0, (60.0, 60.0), confidence=0.95)
    assert np.mean([verdict == "helped" for verdict in verdicts[3.0]]) == pytest.approx(stated, abs=0.15)
    assert stated > 0.7
    assert "made it worse" not in verdicts[3.0]


def test_drop_outs_that_come_in_bunches_are_not_taken_for_a_change():
    """Taken for lone ones they gave 12 to 24 false verdicts of 100."""
    rng = np.random.default_rng(5)
    pairs = [(bunched(rng, "A"), bunched(rng, "B")) for _ in range(200)]
    changes = [compare_wirings([a], [b], **HOW) for a, b in pairs]
    alarms = np.mean([change.verdict != "not shown yet" for change in changes])
    counts = [(change.ratio.events_first, change.ratio.events_second) for change in changes]
    lone = [rate_ratio([pair], [(3600.0, 3600.0)], confidence=0.95).is_shown for pair in counts]
    assert np.mean(lone) > 0.2
    assert alarms < 0.09
    assert "bunches" in changes[0].because
    assert dispersion_of([[driven(rng, "A", 1.0)]]) < 1.5


def test_one_wild_bunch_settles_nothing_and_fails_nothing():
    quiet = made_account("one", "A", {IDLE: (3600.0, 1)})
    pieces = tuple(Stretch("two", "B", 0.0, s, True) for s in (1700.0, *[0.5] * 39))
    whole = (*pieces, replace(pieces[0], seconds=1880.0, dropped=False))
    wild = replace(made_account("two", "B", {IDLE: (3600.0, 40)}), stretches=whole)
    assert dispersion_of([[wild]]) > 18
    assert compare_wirings([quiet], [wild], **HOW).verdict == "not shown yet"


def test_the_answer_is_plain_and_says_how_sure():
    before = made_account("one", "A", {IDLE: (1200.0, 6), "2000–3000 rpm": (2400.0, 30)})
    after = made_account("two", "B", {IDLE: (1200.0, 1), "2000–3000 rpm": (2400.0, 4)}, day=2)
    study = study_link([before, after], rng=np.random.default_rng(1), **HOW)
    assert study.change.verdict == "helped"
    assert study.change.because.startswith("It helped: 36 drop-outs in 60 min before, 5 in 60 min since")
    assert "95 % interval" in study.change.because
    worse = study_link([after, before], rng=np.random.default_rng(1), **HOW)
    assert worse.change.because.startswith("It made it worse")


def test_a_few_drop_outs_settle_nothing_and_it_says_what_would():
    before = made_account("one", "A", {IDLE: (1800.0, 5)})
    after = made_account("two", "B", {IDLE: (600.0, 1)}, day=2)
    change = study_link([before, after], rng=np.random.default_rng(1), **HOW).change
    assert change.verdict == "not shown yet"
    assert "min with either wiring" in change.because


def test_it_is_held_against_the_wiring_before_and_only_where_it_has_a_name():
    accounts = [made_account(n, w, {IDLE: (600.0, 1)}) for n, w in (("1", "A"), ("2", "B"), ("3", "C"), ("4", "B"))]
    change = study_link(accounts, rng=np.random.default_rng(1), **HOW).change
    assert (change.before, change.after) == ("A", "B")
    assert study_link(accounts[:1], rng=np.random.default_rng(1), **HOW).change is None
    unnamed = [*accounts, made_account("5", "", {IDLE: (600.0, 1)})]
    assert study_link(unnamed, rng=np.random.default_rng(1), **HOW).change is None


def test_rates_by_state_are_their_counts_over_their_hours():
    table = rates_by_state([made_account("1", "A", {IDLE: (1800.0, 2), CRANKING: (20.0, 2)})], confidence=0.95)
    table = table.set_index("state")
    assert table.loc[IDLE, "per_h"] == pytest.approx(4.0)
    assert table.loc[CRANKING, "per_h"] == pytest.approx(360.0)
    assert table.loc[CRANKING, "times_lower"] > 1
    assert len(table) == 2


def test_sessions_of_one_wiring_that_differ_too_much_are_told():
    alike = [made_account(str(k), "A", {IDLE: (1800.0, 5)}) for k in range(3)]
    unlike = [made_account(str(k), "A", {IDLE: (1800.0, n)}) for k, n in enumerate((0, 0, 15))]
    p_values = [study_link(own, rng=np.random.default_rng(1), **HOW).wirings[0].p_alike for own in (alike, unlike)]
    assert p_values[0] > 0.5
    assert p_values[1] < 0.01


def test_the_first_drop_out_of_a_session_counts_once():
    study = study_link([made_account("1", "A", {IDLE: (1800.0, 5)})], rng=np.random.default_rng(1), **HOW)
    assert (study.wirings[0].first.stretches, study.wirings[0].first.drop_outs) == (1, 1)
    assert study.wirings[0].every.stretches == 6


def test_starts_that_dropped_the_link_are_a_chance():
    account = made_account("1", "A", {CRANKING: (10.0, 3), IDLE: (600.0, 0)}, starts=8)
    chance = study_link([account], rng=np.random.default_rng(1), **HOW).per_start
    assert (chance.events, chance.tries) == (3, 8)


def test_nothing_to_study_is_an_error():
    with pytest.raises(ValueError, match="no session"):
        study_link([], rng=np.random.default_rng(1), **HOW)
