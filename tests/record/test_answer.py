"""The head of a question's page: which finding leads, what the sentence says, and what stands under it."""

import dataclasses

import pytest

from tunelab.record.answer import answer_of
from tunelab.record.chapter import Chapter, Section, Verdict, as_data
from tunelab.record.shown import stops_beside, stops_for
from tunelab.study.finding import Finding

MET = Finding("a.kept", "Hottest coolant", 88.0, "°C", 87.0, 89.0, 0.95, 9, 0, "met", 105.0, "worst at 3 s.")
NEAR = Finding("a.near", "Leanest lambda", 0.89, "1", 0.88, 0.9, 0.95, 9, 0, "met", 0.92, "worst at 4 s.")
WATCH = Finding("a.watch", "Lean error", 2.5, "%", 2.2, 2.7, 0.95, 9, 0, "watch", 2.0, "beyond the limit 3 times.")
STOP = Finding("a.stop", "Pressure drop", 4.1, "kPa", 4.0, 4.2, 0.95, 9, 0, "stop", 3.0, "worst at 5 s.")
COLD = Finding("a.cold", "Room below zero", -1.5, "%", -2.5, -0.5, 0.95, 9, 0, "met", 3.0, "a negative value.")
ABSENT = Finding("a.absent", "Oil pressure", None, "kPa", None, None, None, 0, 0, "not_shown", 120.0, "not logged.")


def answer(*findings, leads=(), question="limits", **parts):
    return answer_of(as_data(Chapter(question, findings, **parts)), leads)


def test_a_question_about_limits_is_answered_by_the_one_nearest_to_its_limit():
    found = answer(MET, NEAR, ABSENT)
    assert found.word == "met"
    assert found.sentence == (
        "All 2 limits judged were kept. Nearest to its limit: Leanest lambda: 0.890 (0.880 to 0.900); limit 0.92, kept."
    )
    assert [row["id"] for row in found.rows] == ["a.near", "a.kept", "a.absent"]


def test_a_stop_leads_whatever_the_question_asks_first():
    found = answer(NEAR, WATCH, STOP, leads=("a.near",))
    assert [row["id"] for row in found.rows] == ["a.stop", "a.near", "a.watch"]
    assert found.word == "stop"
    assert "Pressure drop: 4.1 kPa (4.0 to 4.2); limit 3 kPa, passed" in found.sentence
    assert found.to_do[0].startswith("At stop: pressure drop.")


def test_what_answers_the_question_leads_and_gives_its_status():
    found = answer(MET, WATCH, NEAR, leads=("a.near", "a.kept"))
    assert [row["id"] for row in found.rows] == ["a.near", "a.kept", "a.watch"]
    assert found.word == "met"
    assert found.sentence == "Leanest lambda: 0.890 (0.880 to 0.900); limit 0.92, kept."


def test_a_value_to_watch_stands_in_the_sentence_whose_status_it_gives():
    found = answer(NEAR, WATCH, leads=("a.near", "a.watch"))
    assert found.word == "watch"
    assert found.sentence.endswith("limit 0.92, kept. To watch: Lean error: 2.50 % (2.20 to 2.70); limit 2 %.")


def test_a_question_about_limits_says_yes_where_a_whole_interval_lies_past_one_that_can_wait():
    assert answer(MET, WATCH, NEAR).sentence == (
        "Yes, one that can wait: Lean error: 2.50 % (2.20 to 2.70); limit 2 %. The other 2 limits were kept."
    )


def test_a_question_about_something_else_is_not_answered_with_yes():
    said = answer(MET, WATCH, NEAR, question="road_manners").sentence
    assert said.startswith("Past a limit that can wait: Lean error: 2.50 %")


def test_a_question_about_limits_says_perhaps_where_the_interval_holds_the_limit():
    speed = Finding("a.speed", "Highest road speed", 126.0, "km/h", 120.0, 127.0, 0.95, 9, 0, "watch", 125.0, "at 3 s.")
    assert answer(speed, MET).sentence == (
        "Perhaps: highest road speed read 126 km/h, limit 125 km/h; its interval is 120 to 127. "
        "The other limit was kept."
    )
    bare = dataclasses.replace(speed, lower=None, upper=None)
    assert answer(bare).sentence.endswith("limit 125 km/h; it has no interval.")


LOADED = Finding("limits.lean_under_load", "Leanest under load, trims at work", 8.8, "%", 8.6, 9.1, 0.95, 9, 0, "met",
                 10.0, "worst at 3 s.")  # fmt: skip
HOLD = Finding("steady.lean_at_load", "Leanest hold at load, trims taken out", 11.5, "%", 11.4, 11.7, 0.95, 9, 0,
               "stop", 10.0, "at 1993 rpm.")  # fmt: skip


def test_of_several_to_watch_the_one_furthest_past_its_limit_is_named():
    near = Finding("a.near", "Lean", 1.8, "%", 1.3, 2.3, 0.95, 9, 0, "watch", 2.0, "worst at 3 s.")
    found = answer_of(as_data(Chapter("steady", (MET, near, WATCH))), (MET.id, near.id, WATCH.id))
    assert f"To watch: {WATCH.title}: 2.5" in found.sentence


def test_a_limit_that_another_question_saw_passed_is_never_called_kept():
    data = as_data(Chapter("limits", (MET, LOADED)))
    beside = stops_beside([*data["findings"], *as_data(Chapter("steady", (HOLD,)))["findings"]])
    found = answer_of(data, (), beside)
    assert found.word == "stop"
    assert found.sentence.startswith("Leanest hold at load, trims taken out: 11.5 %")
    assert "Over the whole log, as it was driven: all 2 limits judged were kept" in found.sentence
    assert [row["id"] for row in found.rows] == ["steady.lean_at_load", "limits.lean_under_load", "a.kept"]
    assert found.to_do[0].startswith("At stop: leanest hold at load")


def test_the_next_drive_begins_with_what_has_to_be_settled_first():
    plan = as_data(Chapter("drive_plan", (MET,), verdict=Verdict("No steady hold is needed. Known to 0.6 %.")))
    stops = stops_for("drive_plan", as_data(Chapter("limits", (MET, STOP)))["findings"])
    found = answer_of(plan, (), stops)
    assert (found.word, [row["id"] for row in found.rows]) == ("stop", ["a.stop", "a.kept"])
    assert found.sentence == (
        "Settle first, before any drive: pressure drop 4.1 kPa (limit 3 kPa). No steady hold is needed. Known to 0.6 %."
    )
    assert stops_for("steady", as_data(Chapter("limits", (STOP,)))["findings"]) == []


def test_a_stop_that_the_watch_over_the_whole_log_saw_itself_is_not_told_twice():
    passed = dataclasses.replace(LOADED, status="stop", value=10.4)
    assert stops_beside(as_data(Chapter("n", (passed, HOLD)))["findings"]) == []
    assert stops_beside(as_data(Chapter("n", (HOLD,)))["findings"]) == []  # the record did not look


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"lower": None, "upper": None, "value": 1.5}, "without an interval, so not called met"),
        ({"value": 1.5, "lower": 1.0, "upper": 2.2}, "inside the interval"),
    ],
)
def test_a_watch_says_how_it_stands_to_its_limit(change, words):
    assert answer(dataclasses.replace(WATCH, **change)).rows[0]["bound"] == f"limit 2 %, {words}"


def test_nothing_shown_is_never_an_all_clear():
    found = answer(ABSENT)
    assert found.word == "not_shown"
    assert found.sentence == "Not shown: Not logged."


def test_the_notebook_s_own_sentence_gets_the_leading_value_where_it_names_none():
    own = answer(NEAR, leads=("a.near",), verdict=Verdict("No limit was passed."))
    assert own.sentence.startswith("No limit was passed. Leanest lambda: 0.89")
    assert answer(NEAR, verdict=Verdict("12 holds, 5 minutes.", "watch")).sentence == "12 holds, 5 minutes."
    assert answer(verdict=Verdict("May run.", "met")).word == "met"


def test_a_negative_value_has_a_real_minus():
    assert answer(COLD).rows[0]["reading"] == "\u22121.50 % (\u22122.50 to \u22120.50)"


def test_what_to_do_is_said_once_and_cautions_stay_with_it():
    found = answer(
        NEAR, change=Section(("enter it.",)), drive_next=Section(("enter it.",)), cautions=Section(("slow.",))
    )
    assert found.to_do == ("Enter it.",)
    assert found.cautions == ("slow.",)
