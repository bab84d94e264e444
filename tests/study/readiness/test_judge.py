"""Gates with evidence that is there, missing, stale, and against each other; which change empties which gate."""

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
import xarray as xr
from ready_drives import EVERY, REACH, car, drive, finding, revision

from tunelab.study.readiness import GATES, Breach, Reach, judge_readiness, reach_of
from tunelab.study.readiness.gate import EMPTIED_BY, EMPTIED_BY_TABLE, HELD_AGAINST, touches
from tunelab.workspace.revision import OtherChange, OtherKind, Revision

NAMES = {gate.name for gate in GATES}


def judged(drives, revisions=None, current="r01", **limits):
    revisions = revisions or {"r01": revision()}
    return judge_readiness(drives, car(**limits), revisions, current)


def status_of(readiness):
    return {state.gate.name: state.status for state in readiness.gates}


def test_with_every_finding_met_it_may_run_and_says_that_this_is_no_certificate():
    found = judged([drive(3)])
    assert found.verdict == "may run"
    assert found.bounds == ()
    assert set(status_of(found).values()) == {"met"}
    assert "no certificate" in found.caution
    assert "brakes" in found.caution


def test_margins_put_what_presses_most_first_and_tell_a_least_from_a_most():
    battery = finding("full_throttle.battery", value=12.0, lower=11.5, upper=12.5, unit="V", limit=10.5)
    knock = finding("full_throttle.knock_retard", "stop", value=4.0, lower=3.5, upper=4.5, unit="°", limit=3.0)
    own = ("full_throttle.battery", "full_throttle.knock_retard", "link.drop_outs")
    one = drive(3, ids=[name for name in EVERY if name not in own])
    limits = {HELD_AGAINST["full_throttle.battery"]: 10.5, HELD_AGAINST["full_throttle.knock_retard"]: 3.0}
    table = judged([replace(one, findings=(*one.findings, battery, knock))], **limits).margins().set_index("gate")
    assert list(table.index[:2]) == ["knock", "link"]
    assert list(table["status"][:2]) == ["stop", "not_shown"]
    assert table.loc["link", ["used_pct", "reach_pct"]].isna().all()
    # by hand: 4 of 3 at most, its interval to 4.5; 10.5 at least of 12, its interval down to 11.5
    assert table.loc["knock", ["used_pct", "reach_pct"]].tolist() == pytest.approx([400 / 3, 150.0])
    assert table.loc["battery", ["used_pct", "reach_pct"]].tolist() == pytest.approx([87.5, 1050 / 11.5])
    assert set(table.index[table["is_least"]]) == {"battery", "headroom", "oil_pressure"}
    assert "fresh" not in table.index
    assert table.loc["link", "step"] == "link"  # what an empty bar says to drive


def test_a_gate_shows_the_worst_of_all_drives_and_a_calmer_one_takes_nothing_back():
    fast = finding("limits.engine_speed", "stop", value=6826.0, limit=6700.0)
    less = replace(fast, value=6820.0, lower=6820.0, upper=6820.0)
    limits = {HELD_AGAINST["limits.engine_speed"]: 6700, HELD_AGAINST["limits.road_speed"]: 125}
    road = finding("limits.road_speed", "watch", value=126.0, limit=125.0)
    days = [(3, (fast, road)), (4, (less, replace(road, value=100.0, status="met")))]
    drives = [drive(day, ids=[n for n in EVERY if n != "limits.engine_speed"]) for day, _ in days]
    drives = [replace(d, findings=(*d.findings, *more)) for d, (_, more) in zip(drives, days, strict=True)]
    speeds = next(state for state in judged(drives, **limits).gates if state.gate.name == "speeds")
    assert (speeds.finding.value, speeds.record, speeds.date.day) == (6826.0, "2026-05-03", 3)
    calm = [replace(d, findings=tuple(f for f in d.findings if f.id != "limits.engine_speed")) for d in drives]
    speeds = next(state for state in judged(calm, **limits).gates if state.gate.name == "speeds")
    assert (speeds.status, speeds.finding.value, speeds.record) == ("watch", 126.0, "2026-05-03")


def test_of_two_findings_as_bad_the_one_furthest_past_its_limit_is_shown_and_the_other_named():
    near = finding("full_throttle.lambda_error", "watch", value=2.21, limit=2.0, title="Largest lean error", unit="%")
    far = finding("full_throttle.rich_error", "watch", value=7.59, limit=2.0, title="Largest rich error", unit="%")
    one = drive(3)
    found = judged([replace(one, findings=(*one.findings, near, far))])
    state = next(state for state in found.gates if state.gate.name == "full_throttle")
    assert state.finding.value == 7.59
    assert state.because.endswith("Also: Largest lean error 2.21 % (limit 2) in 2026-05-03.")


@pytest.mark.parametrize(("newer", "status"), [(900, "met"), (400, "watch")])
def test_an_error_measured_with_the_earlier_pulls_takes_their_place_and_a_smaller_drive_does_not(newer, status):
    title = "Largest lean error"
    first = finding("full_throttle.lambda_error", "watch", value=1.4, upper=2.3, limit=2.0, title=title, unit="%")
    first = replace(first, samples_used=500)
    joined = replace(first, status="met", value=1.2, upper=1.8, samples_used=newer)
    days = [replace(drive(day), findings=(*drive(day).findings, one)) for day, one in ((3, first), (4, joined))]
    state = next(state for state in judged(days).gates if state.gate.name == "full_throttle")
    assert state.status == status


def test_of_what_is_met_the_one_nearest_to_its_limit_is_shown():
    cool = finding("limits.coolant", value=60.0, limit=105.0)
    weak = finding("limits.battery", value=10.9, lower=10.8, limit=10.5)
    one = drive(3, ids=[name for name in EVERY if name != "limits.injector_duty"])
    limits = {HELD_AGAINST["limits.coolant"]: 105.0, HELD_AGAINST["limits.battery"]: 10.5}
    found = judged([replace(one, findings=(*one.findings, cool, weak))], **limits)
    assert next(state for state in found.gates if state.gate.name == "supply").finding.id == "limits.battery"


def test_without_a_drive_nothing_is_met():
    found = judged([])
    assert set(status_of(found).values()) == {"not_shown"}
    assert found.verdict == "not shown"


REQUIRED = [g.name for g in GATES if not g.lacking]
BOUNDED = [g.name for g in GATES if g.stop_bounds]
IDS = {g.name: (g.ids or g.also)[0] for g in GATES}


@pytest.mark.parametrize("gate", sorted(NAMES))
@pytest.mark.parametrize("missing", ["no finding", "finding not shown"])
def test_missing_evidence_is_never_met(gate, missing):
    name = IDS[gate]
    one = (
        drive(3, ids=[i for i in EVERY if i != name])
        if missing == "no finding"
        else drive(3, status={name: "not_shown"})
    )
    found = judged([one])
    assert status_of(found)[gate] == "not_shown"
    assert found.verdict == ("not shown" if gate in REQUIRED else "may run within bounds")
    assert [n for n, s in status_of(found).items() if s != "met"] == [gate]


@pytest.mark.parametrize("gate", sorted(NAMES))
def test_a_stop_stops_but_where_it_only_sets_a_bound(gate):
    found = judged([drive(3, status={IDS[gate]: "stop"})])
    assert status_of(found)[gate] == "stop"
    assert found.verdict == ("may run within bounds" if gate in BOUNDED else "may not run")
    assert bool(found.bounds) == (gate in BOUNDED)


@pytest.mark.parametrize("gate", sorted(NAMES))
def test_a_doubt_lets_it_run_and_is_named(gate):
    found = judged([drive(3, status={IDS[gate]: "watch"})])
    assert found.verdict == "may run"
    (doubt,) = [state for state in found.gates if state.status == "watch"]
    assert doubt.finding.id == IDS[gate]


def test_a_finding_that_is_welcome_but_not_needed_counts_when_it_is_bad():
    assert judged([drive(3, status={"full_throttle.fuel_mode": "stop"})]).verdict == "may not run"
    assert judged([drive(3, status={"full_throttle.fuel_mode": "not_shown"})]).verdict == "may run"


@pytest.mark.parametrize(("name", "gate"), [("oil_pressure_min_kpa", "oil_pressure"),
                                            ("fuel_pressure_drop_max_kpa", "fuel_pressure")])  # fmt: skip
def test_a_limit_that_is_not_stated_shows_nothing(name, gate):
    found = judged([drive(3)], **{name: None})
    assert status_of(found)[gate] == "not_shown"
    assert f"limits.{name}" in next(s.because for s in found.gates if s.gate.name == gate)
    assert found.verdict == "may run within bounds"


# Which gates a change empties. The drive reached readings 0.6-4.2 V, idle 0.6-1.6 V, full throttle 3.0-4.2 V; the
# curve's breakpoints are 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5 V.
FUEL = {"steady", "lean_at_load", "full_throttle", "knock", "duty", "idle", "return", "under_load"}
FULL = {"full_throttle", "knock", "duty"}
HARD = {"temperatures", "oil_pressure", "fuel_pressure", "battery", "launch", "under_load", "supply", "speeds"}
ALL = {"steady", "under_load", "lean_at_load"}  # looked at in every drive, at whatever load
CHANGES = [
    ("nothing", {}, set()),
    ("high flow only", {"curve": {7: 1.05}}, {*ALL, *FULL, "headroom"}),
    ("low flow only", {"curve": {1: 1.05}}, {*ALL, "idle", "return"}),
    ("beyond what was driven", {"curve": {8: 1.0004}}, set()),
    ("the end of the curve", {"curve": {8: 1.02}}, {*ALL, *FULL, "headroom"}),
    ("between idle and full", {"curve": {4: 1.03}}, ALL),
    ("less than a log shows", {"curve": {4: 1.0005}}, set()),
    ("dead time", {"dead_time": 0.05}, FUEL),
    ("less dead time than an ECU stores", {"dead_time": 0.001}, set()),
    ("injector flow", {"flow_g_min": 320}, FUEL),
    ("stoichiometric ratio", {"stoich_afr": 14.0}, FUEL),
    ("rev limit raised", {"rev_limit_rpm": 6900}, {*FULL, "headroom", *HARD}),
    ("rev limit lowered", {"rev_limit_rpm": 6500}, set()),
]


@pytest.mark.parametrize(("what", "change", "emptied"), CHANGES, ids=[row[0] for row in CHANGES])
def test_a_later_revision_empties_the_gates_that_its_change_touches_and_only_those(what, change, emptied):
    revisions = {"r01": revision(), "r02": revision("r02", day=4, based_on="r01", **change)}
    found = judged([drive(3)], revisions, "r02")
    gone = {name for name, status in status_of(found).items() if status == "not_shown"} - {"fresh"}
    assert gone == emptied
    for state in found.gates:
        if state.gate.name in emptied:
            assert state.emptied
            assert "r02 changed it" in state.because
    assert status_of(found)["fresh"] == "not_shown"  # nothing was driven with r02


@pytest.mark.parametrize("name", sorted(HELD_AGAINST))
def test_a_limit_that_the_owner_changed_empties_what_was_held_against_the_old_one(name):
    key = HELD_AGAINST[name]
    gates = {g.name for g in GATES if HELD_AGAINST[name] in {HELD_AGAINST.get(i) for i in (*g.ids, *g.also)}}
    also = [i for g in GATES for i in g.also]
    found = judged([drive(3, ids=(*EVERY, *also))], **{key: getattr(car().limits, key) * 0.9})
    assert {n for n, s in status_of(found).items() if s == "not_shown"} == gates
    for state in found.gates:
        if state.gate.name in gates:
            assert f"(limits.{key})" in state.because
            assert state.because.endswith("Record that session again.")


@pytest.mark.parametrize(("hold_rpm", "why"), [
    (4200.0, "measured from 4000, and car.toml now states 4200"), (None, "no longer states what it was measured from"),
])  # fmt: skip
def test_another_setting_of_the_launch_hold_empties_its_gate(hold_rpm, why):
    found = judged([drive(3)], launch_hold_rpm=hold_rpm)
    assert {n for n, s in status_of(found).items() if s == "not_shown"} == {"launch"}
    because = next(state.because for state in found.gates if state.gate.name == "launch")
    assert why in because
    assert "limits.launch_hold_rpm" in because


def test_a_held_speed_whose_record_does_not_tell_its_setting_does_not_count():
    one = drive(3)
    without = replace(one, findings=tuple(f for f in one.findings if f.id != "launch.held"))
    found = judged([without])
    assert status_of(found)["launch"] == "not_shown"
    assert "does not say which limits.launch_hold_rpm" in next(
        s.because for s in found.gates if s.gate.name == "launch"
    )


def test_a_limit_as_finely_as_records_write_it_is_the_same_limit():
    one = drive(3, status={"full_throttle.lambda": "met"})
    findings = tuple(replace(f, limit=0.9000001) if f.id == "full_throttle.lambda" else f for f in one.findings)
    assert judged([replace(one, findings=findings)]).verdict == "may run"


@pytest.mark.parametrize(("name", "value", "bounded"), [
    ("idle.speed_error", -3.0, True), ("idle.speed_error", 1.0, False), ("return.settling", 2.5, True),
    ("idle.actuator_margin", 1.5, True), ("idle.actuator_margin", 3.0, False), ("link.drop_outs", 4.0, True),
    ("steady.lambda_error", 2.5, False),
])  # fmt: skip
def test_a_doubt_whose_value_itself_lies_past_the_limit_bounds_the_car(name, value, bounded):
    one = drive(3, ids=(*EVERY, name))
    doubt = finding(name, "watch", value)
    found = judged([replace(one, findings=tuple(doubt if f.id == name else f for f in one.findings))])
    assert found.verdict == ("may run within bounds" if bounded else "may run")
    assert [state.status for state in found.gates].count("watch") == 1


def test_going_back_to_the_old_content_brings_its_evidence_back():
    revisions = {"r01": revision(), "r02": revision("r02", day=4, based_on="r01", dead_time=0.05),
                 "r03": revision("r03", day=5, based_on="r02")}  # fmt: skip
    found = judged([drive(3), drive(6, "r03", ids=["steady.lambda_error"])], revisions, "r03")
    assert found.verdict == "may run"
    assert status_of(found)["fresh"] == "watch"  # most of it was shown with r01
    assert any("Shown with r01" in state.because for state in found.gates)


def test_a_change_touches_everything_where_the_reach_is_not_known():
    revisions = {"r01": revision(), "r02": revision("r02", day=4, curve={4: 1.03})}
    found = judged(
        [drive(3, reach=replace(REACH, readings=None, idle_readings=None, full_readings=None))], revisions, "r02"
    )
    assert {n for n, s in status_of(found).items() if s == "not_shown"} >= FUEL


def test_a_drive_of_a_revision_that_is_gone_does_not_count():
    assert judged([drive(3, "r00")]).verdict == "not shown"


def test_another_wiring_empties_the_link_and_nothing_else():
    other = drive(5, ids=[name for name in EVERY if not name.startswith("link.")], wiring="loom B")
    found = judged([drive(3), other])
    assert {n for n, s in status_of(found).items() if s != "met"} == {"link"}
    assert "another wiring" in next(s for s in found.gates if s.gate.name == "link").emptied[0].because


@pytest.mark.parametrize(("gate", "name", "status"), [("knock", "full_throttle.knock_retard", "stop"),
                                                     ("full_throttle", "full_throttle.lambda", "stop"),
                                                     ("battery", "full_throttle.battery", "watch")])  # fmt: skip
def test_an_earlier_stop_is_not_forgotten_with_the_same_revision(gate, name, status):
    found = judged([drive(3, status={name: "stop"}), drive(5)])
    assert status_of(found)[gate] == status


def test_a_stop_between_two_drives_that_show_it_met_stays_and_of_two_stops_the_worse_one():
    name = "full_throttle.knock_retard"

    def stopped(day, value):
        return drive(day, ids=[one for one in EVERY if one != name]), finding(name, "stop", value=value)

    stops = [replace(one, findings=(*one.findings, bad)) for one, bad in (stopped(2, 5.0), stopped(3, 9.0))]
    one = judged([drive(1), stops[0], drive(4)])
    assert status_of(one)["knock"] == "stop"
    for order in (stops, [replace(stops[1], date=stops[0].date), replace(stops[0], date=stops[1].date)]):
        both = judged([drive(1), *order, drive(4)])
        assert next(state for state in both.gates if state.gate.name == "knock").finding.value == 9.0


def test_a_stop_of_a_revision_that_was_changed_is_over():
    revisions = {"r01": revision(), "r02": revision("r02", day=4, curve={7: 1.05})}
    found = judged([drive(3, status={"full_throttle.lambda": "stop"}), drive(5, "r02")], revisions, "r02")
    assert found.verdict == "may run"


def test_the_newest_drive_decides_and_is_named():
    found = judged([drive(3), drive(5, status={"steady.lambda_error": "stop"})])
    state = next(s for s in found.gates if s.gate.name == "steady")
    assert (state.status, state.record) == ("stop", "2026-05-05")


def test_a_limit_passed_only_above_a_speed_bounds_the_speed():
    title = finding("full_throttle.injector_duty").title
    one = drive(
        3, status={"full_throttle.injector_duty": "stop"}, breaches=(Breach(title, 6250.0), Breach(title, 6400.0))
    )
    found = judged([one])
    assert found.verdict == "may run within bounds"
    assert any(bound.startswith("Rev limit 6000 rpm") for bound in found.bounds)
    low = judged([replace(one, breaches=(Breach(title, 3500.0),))])
    assert low.verdict == "may not run"


def test_a_lean_mixture_is_never_bounded_by_speed():
    one = drive(3, status={"full_throttle.lambda": "stop"}, breaches=(Breach("full_throttle.lambda", 6250.0),))
    assert judged([one]).verdict == "may not run"


def test_full_throttle_is_bounded_by_what_was_driven():
    found = judged([drive(3, reach=replace(REACH, full_top_rpm=5960.0))])
    assert found.verdict == "may run within bounds"
    assert found.bounds[0].startswith("Rev limit 5950 rpm at full throttle")


def test_a_failed_analysis_leaves_a_doubt():
    assert status_of(judged([drive(3, failed=True)]))["fresh"] == "watch"


# What no table of a revision holds: which gates each kind of change empties. Common practice, no source.
KNOCK, LEAN = "full_throttle.knock_retard", "full_throttle.lambda"
AT_FULL_THROTTLE = {g.name for g in GATES if "full-throttle" in g.steps}
SPARK = {"knock", "temperatures", "launch", "idle", "return", "under_load"}
OTHERS = [
    ("spark", SPARK),
    ({"kind": "spark", "where": "full load"}, SPARK - {"idle", "return"}),
    ({"kind": "spark", "where": "idle"}, SPARK - {"knock"}),
    (
        "commanded lambda",
        {*FULL, "steady", "lean_at_load", "temperatures", "fuel_pressure", "idle", "return", "under_load", "supply"},
    ),
    ("idle", {"idle", "return"}),
    ("acceleration fuelling", {"return", "under_load"}),
    ("launch", {"launch", "speeds"}),
    ("fuel", {*FUEL, "temperatures", "fuel_pressure", "launch", "supply"}),
    ("mechanical parts", NAMES),
]


def chain(*also):
    """Revisions r01, r02, ... of equal tables, each based on the one before and saying what it also changed."""
    names = [f"r{number:02d}" for number in range(1, len(also) + 2)]
    made = {names[0]: revision()}
    for day, (base, name, change) in enumerate(zip(names, names[1:], also, strict=False), start=4):
        made[name] = revision(name, day=day, based_on=base, also=change)
    return made


def not_met(found):
    return {name for name, status in status_of(found).items() if status != "met"} - {"fresh"}


@pytest.mark.parametrize(("change", "emptied"), OTHERS, ids=[str(row[0]) for row in OTHERS])
def test_what_no_table_holds_empties_the_gates_that_it_touches(change, emptied):
    found = judged([drive(3)], chain([change]), "r02")
    assert not_met(found) == emptied
    assert all("r02 changed" in s.because for s in found.gates if s.gate.name in emptied)


def test_changes_add_up_over_the_revisions_between():
    found = judged([drive(3), drive(6, "r03", ids=["steady.lambda_error"])], chain(["spark"], []), "r03")
    assert not_met(found) == SPARK
    assert found.verdict == "not shown"


def test_a_change_that_is_left_out_again_counts_too():
    revisions = chain(["spark"]) | {"r03": revision("r03", day=6, based_on="r01")}
    found = judged([drive(5, "r02")], revisions, "r03")
    assert not_met(found) == SPARK
    assert "left out again" in next(s.because for s in found.gates if s.gate.name == "knock")
    assert judged([drive(3)], revisions, "r03").verdict == "not shown"  # r03 itself was never driven
    assert not_met(judged([drive(3)], revisions, "r03")) == set()


def test_a_revision_that_does_not_say_what_else_was_changed_is_asked():
    steady_only = drive(6, "r02", ids=["steady.lambda_error"])
    found = judged([drive(3), steady_only], chain(None), "r02")
    assert found.verdict == "not shown"
    assert not_met(found) == AT_FULL_THROTTLE
    knock = next(s for s in found.gates if s.gate.name == "knock")
    assert "r02 does not say what else was changed" in knock.because
    (sentence,) = found.asked
    assert "also_changed in revisions/r02.toml" in sentence
    assert judged([drive(3), steady_only], chain([]), "r02").asked == ()
    assert judged([drive(3)]).asked == ()  # the first revision changes nothing
    assert judged([drive(3, "r02")], chain(None), "r02").verdict == "may run"  # all of it was driven with it


def test_notes_that_speak_of_a_change_are_held_against_the_word_that_there_was_none():
    def asked(notes, also=()):
        revisions = chain(list(also))
        revisions["r02"] = revisions["r02"].model_copy(update={"notes": notes})
        return judged([drive(3), drive(5, "r02")], revisions, "r02").asked

    (sentence,) = asked("Spark +6 degrees everywhere, leaner at full load.")
    assert "r02 says that nothing else was changed, and its notes speak of 'spark'" in sentence
    assert asked("Spark +6 degrees everywhere.", ["spark"]) == ()
    assert asked("From the sweep of 3 May, typed to a hundredth.") == ()


def test_without_a_chain_of_revisions_everything_counts_as_changed():
    revisions = {"r01": revision(), "r02": revision("r02", day=4)}
    found = judged([drive(3)], revisions, "r02")
    assert not_met(found) == NAMES - {"link"}
    assert any("No chain of based_on leads from r01 to r02" in sentence for sentence in found.asked)


STOPPED = {"knock": KNOCK, "full_throttle": LEAN}
CURES = [("knock", "spark", True), ("knock", "boost", True), ("knock", "fuel", True), ("knock", "idle", False),
         ("knock", "knock control", False), ("full_throttle", "commanded lambda", True),
         ("full_throttle", "spark", False), ("full_throttle", "boost", True)]  # fmt: skip


@pytest.mark.parametrize(("gate", "change", "ends"), CURES)
def test_a_stop_ends_with_a_change_that_touches_it_and_a_drive_that_shows_it_met(gate, change, ends):
    stop, revisions = drive(3, status={STOPPED[gate]: "stop"}), chain([change])
    waiting = judged([stop], revisions, "r02")
    assert waiting.verdict == "may not run"
    state = next(s for s in waiting.gates if s.gate.name == gate)
    assert (state.status, state.to_show) == ("stop", ends)
    after = judged([stop, drive(5, "r02")], revisions, "r02")
    assert after.verdict == ("may run" if ends else "may not run")
    later = {**revisions, "r03": revision("r03", day=7, based_on="r02")}
    assert status_of(judged([stop, drive(5, "r02")], later, "r03"))[gate] == ("met" if ends else "stop")


@pytest.mark.parametrize("shown", ["doubt", "no interval", "not shown", "stop again"])
def test_a_drive_that_does_not_show_it_met_ends_no_stop(shown):
    status = {"doubt": "watch", "not shown": "not_shown", "stop again": "stop"}.get(shown, "met")
    after = drive(5, "r02", status={KNOCK: status})
    if shown == "no interval":
        bare = [replace(f, lower=None, upper=None) if f.id == KNOCK else f for f in after.findings]
        after = replace(after, findings=tuple(bare))
    found = judged([drive(3, status={KNOCK: "stop"}), after], chain(["spark"]), "r02")
    assert status_of(found)["knock"] == "stop"


@pytest.mark.parametrize("also", [[], None], ids=["nothing", "does not say"])
def test_a_stop_stands_while_no_change_is_written_down(also):
    found = judged([drive(3, status={KNOCK: "stop"}), drive(5, "r02")], chain(also), "r02")
    assert found.verdict == "may not run"
    because = next(s.because for s in found.gates if s.gate.name == "knock")
    assert "also_changed" in because


def test_going_back_to_what_knocked_brings_its_stop_back():
    revisions = chain(["spark"]) | {"r03": revision("r03", day=6, based_on="r01")}
    drives = [drive(3, status={KNOCK: "stop"}), drive(5, "r02")]
    assert status_of(judged(drives, revisions, "r02"))["knock"] == "met"
    assert status_of(judged(drives, revisions, "r03"))["knock"] == "stop"


def test_a_gate_that_the_table_does_not_name_yet_is_emptied_by_every_kind():
    new = replace(GATES[0], name="new")
    assert all(touches(OtherChange(kind=kind), new) for kind in EMPTIED_BY)
    assert set(EMPTIED_BY) == set(get_args(OtherKind))


@pytest.mark.parametrize("kind", ["full_load_fuel", "boost", "commanded lambda", "fuel"])
def test_what_changes_the_mixture_at_full_load_empties_every_gate_of_full_load(kind):
    emptied = EMPTIED_BY_TABLE[kind] if kind in EMPTIED_BY_TABLE else EMPTIED_BY[kind]
    assert {"full_throttle", "knock", "duty", "temperatures", "fuel_pressure", "under_load", "supply"} <= emptied
    assert "lean_at_load" in emptied


def test_the_table_has_one_row_per_gate():
    table = judged([drive(3)]).table()
    assert len(table) == len(GATES) + 1
    assert set(table["status"]) == {"met"}


def test_an_unknown_revision_is_an_error():
    with pytest.raises(KeyError, match="r07"):
        judged([], current="r07")


@pytest.mark.parametrize(("name", "verdict"), [
    ("limits.knock_retard", "may not run"), ("limits.lean_under_load", "may not run"),
    ("limits.coolant", "may not run"), ("limits.engine_speed", "may run within bounds"),
    ("limits.road_speed", "may run within bounds"),
])  # fmt: skip
def test_a_limit_passed_in_a_drive_of_any_step_reaches_the_car(name, verdict):
    """Knock at part throttle stops the car; a rev limit or top speed passed is a bound on how it is driven."""
    road = replace(drive(5, ids=[], status={name: "stop"}), steps=("part-throttle", "road"))
    found = judged([drive(3), road])
    assert found.verdict == verdict
    assert any(f"{name} is stop" in state.because for state in found.gates)


def test_knock_at_part_throttle_stands_until_something_is_changed():
    road = replace(drive(5, ids=[], status={"limits.knock_retard": "stop"}), steps=("part-throttle",))
    calm = replace(drive(6, ids=["limits.knock_retard"]), steps=("road",))
    assert judged([drive(3), road, calm]).verdict == "may not run"


def test_records_made_before_every_drive_was_watched_set_bounds():
    old = drive(3, ids=[name for name in EVERY if not name.startswith("limits.")])
    found = judged([old])
    assert found.verdict == "may run within bounds"
    assert sum("record the drives again" in bound for bound in found.bounds) == 2


ADVANCE = {"engine_speed_rpm": [2000.0, 6000.0], "load_pct": [40.0, 90.0], "spark_deg": [[30.0, 36.0], [16.0, 22.0]]}
AT_FULL_LOAD = {*FULL, "temperatures", "fuel_pressure", "supply", "under_load", "lean_at_load"}
IDLES = {"idle_base": {"coolant_c": [20.0, 80.0], "actuator_pct": [45.0, 30.0]},
         "idle_target": {"coolant_c": [20.0, 80.0], "target_rpm": [1100.0, 850.0]}, "idle_return": {"decay_s": 1.5},
         "acceleration_fuel": {"coolant_c": [80.0], "engine_speed_rpm": [2000.0], "amount": [[40.0]]},
         "fuel_cut": {"entry_rpm": 2000.0, "return_rpm": 1500.0}}  # fmt: skip
FILM = {"coolant_c": [80.0], "engine_speed_rpm": [2000.0], "film_share": [[0.2]], "film_time_s": [[0.3]]}


def idles(key, **change):
    return {key: IDLES[key] | change}


RICHER = {"engine_speed_rpm": [3000.0], "commanded_lambda": [0.88]}


@pytest.mark.parametrize(("before", "after", "emptied"), [
    ({"spark": ADVANCE}, {"spark": ADVANCE | {"spark_deg": [[30.0, 36.0], [16.0, 19.0]]}}, SPARK),
    ({"spark": ADVANCE}, {"spark": ADVANCE}, set()),
    ({}, {"spark": ADVANCE}, SPARK),  # written down for the first time: whether it changed is not known
    ({}, {"spark_retreat": [{"engine_speed_from_rpm": 4000.0, "engine_speed_to_rpm": 4500.0, "load_from_pct": 80.0,
                             "load_to_pct": 90.0, "retreat_deg": 3.0}]}, SPARK),
    ({"full_load_fuel": RICHER}, {"full_load_fuel": RICHER | {"commanded_lambda": [0.86]}}, AT_FULL_LOAD),
    (IDLES, IDLES, set()),
    (IDLES, IDLES | idles("idle_base", actuator_pct=[45.0, 31.0]), {"idle", "return"}),
    (IDLES, IDLES | idles("idle_target", target_rpm=[1150.0, 850.0]), {"idle", "return"}),
    (IDLES, IDLES | {"idle_return": {"decay_s": 1.2}}, {"return"}),
    (IDLES, IDLES | {"idle_return": {"decay_s": 1.5, "extra_pct": 9.0}}, {"return"}),
    (IDLES, IDLES | idles("acceleration_fuel", amount=[[44.0]]), {"return", "under_load"}),
    ({"acceleration_fuel": FILM}, {"acceleration_fuel": FILM | {"film_time_s": [[0.4]]}}, {"return", "under_load"}),
    (IDLES, IDLES | {"acceleration_fuel": FILM}, {"return", "under_load"}),  # another law: not comparable
    (IDLES, IDLES | idles("fuel_cut", return_rpm=1550.0), {"return"}),
    ({}, {"idle_base": IDLES["idle_base"]}, {"idle", "return"}),
])  # fmt: skip
def test_a_changed_table_empties_the_gates_that_its_kind_touches(before, after, emptied):
    revisions = {
        name: Revision.model_validate(one.model_dump(exclude_none=True) | tables)
        for name, one, tables in (("r01", revision(), before), ("r02", revision("r02", day=4, based_on="r01"), after))
    }
    assert not_met(judged([drive(3)], revisions, "r02")) == emptied


def test_a_stop_that_did_not_come_again_with_the_same_revision_is_watched_and_never_met():
    name = "full_throttle.battery"
    state = next(s for s in judged([drive(3, status={name: "stop"}), drive(5)]).gates if s.gate.name == "battery")
    assert state.status == "watch"
    assert "2026-05-03 came to a stop here" in state.because


def test_a_car_without_an_air_meter_is_asked_everything_but_the_meters_headroom():
    bare = car().model_copy(update={"load_from": "manifold_pressure"})
    found = judge_readiness([drive(3)], bare, {"r01": revision()}, "r01")
    assert {state.gate.name for state in found.gates} == {*NAMES, "fresh"} - {"headroom"}


# Ten readings a second: standing, idle, just above what counts as idle, full throttle. Ends of each range by hand.
def test_a_drive_reached_what_its_readings_show_at_idle_at_full_throttle_and_over_all():
    idle = car().engine.idle_target_rpm
    parts = [(0.3, 0.0, 0), (1.1, idle, 0), (1.2, 1.34 * idle, 0), (1.5, 1.36 * idle, 5), (4.2, 6000.0, 100)]
    columns = zip(*(part for part in parts for _ in range(200)), strict=True)
    volts, rpm, throttle = (np.array(column, dtype=float) for column in columns)
    battery = np.where(rpm > 0, 13.5, 9.0)
    battery[-1] = 8.0  # one dip is no range that was driven
    names = {"meter_v": volts, "engine_speed_rpm": rpm, "throttle_pct": throttle, "battery_v": battery}
    data = {name: ("time", values) for name, values in names.items()}
    flags = {f"{name}_flag": ("time", np.zeros(rpm.size, dtype=np.int32)) for name in (*names, "sample")}
    log = xr.Dataset(data | flags, {"time": 0.1 * np.arange(rpm.size)})
    log["meter_v_flag"][300] = 1  # a reading that is not to be trusted says nothing
    log["meter_v"][300] = 5.0
    found = reach_of(log, car())
    assert (found.readings, found.idle_readings, found.full_readings) == ((1.1, 4.2), (1.1, 1.2), (4.2, 4.2))
    assert (found.battery_v, found.full_top_rpm) == ((13.5, 13.5), 6000.0)
    assert reach_of(log.drop_vars("engine_speed_rpm"), car()) == reach_of(log.drop_vars("meter_v"), car()) == Reach()
    nine, ten = (reach_of(log.isel(time=slice(200, 200 + count)), car()).idle_readings for count in (9, 10))
    assert (nine, ten) == (None, (1.1, 1.1))
