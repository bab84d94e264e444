"""The summary's findings: in the order in which they matter, with the digits they carry, each said once."""

import pytest

from tunelab.record.answer import short_answer, short_lines
from tunelab.record.shown import STEP_WORDS, begin_large, is_told, reading, settle_first, shown_findings

EMPTY = {"sentences": [], "tables": [], "short": ""}


def finding(key="a.b", status="met", value=1.0, lower=None, upper=None, limit=2.0, because="Because of it."):
    return {
        "id": key, "title": key.title(), "value": value, "unit": "%", "lower": lower, "upper": upper,
        "confidence": None if lower is None else 0.95, "samples_used": 10, "samples_flagged": 2, "status": status,
        "limit": limit, "because": because,
    }  # fmt: skip


def chapter(**sections):
    parts = {name: {**EMPTY, **sections.get(name, {})} for name in ("driven", "change", "cannot_show", "drive_next")}
    return {"notebook": "n", **parts}


def test_findings_are_sorted_by_what_has_to_be_done():
    found = shown_findings(
        [
            finding("a.met"),
            finding("a.measured", limit=None),
            finding("a.watch", "watch"),
            finding("consistency.fine"),
            finding("consistency.bad", "stop"),
            finding("a.none", "not_shown", value=None),
        ],
        [],
    )
    names = {group: [f["id"] for f in found[group]] for group in ("attention", "measured", "met", "checks")}
    assert names == {
        "attention": ["consistency.bad", "a.watch"],
        "measured": ["a.measured"],
        "met": ["a.met"],
        "checks": ["consistency.fine"],
    }
    assert found["absent"] == [{"titles": "A.None", "because": "Because of it."}]


def test_one_reason_for_several_findings_stands_once():
    absent = shown_findings(
        [finding("a.x", "not_shown", None), finding("a.y", "not_shown", None), finding("a.z", "not_shown", None,
         because="not shown yet: drive on for an hour.")],
        ["Not shown yet: drive on for an hour."],
    )["absent"]  # fmt: skip
    assert absent == [
        {"titles": "A.X; A.Y", "because": "Because of it."},
        {"titles": "A.Z", "because": "See what to drive next."},
    ]
    assert is_told("The dead time. Because of it.", [{"titles": "", "because": "Because of it."}])
    assert not is_told("Something else.", absent)


@pytest.mark.parametrize(
    ("value", "lower", "upper", "limit", "text"),
    [
        (0.00131, 2.91e-5, 0.00258, None, "0.0013 % (0.0000 to 0.0026, 95 % interval)"),
        (21.52, 21.21, 21.81, 2.0, "21.5 % (21.2 to 21.8, 95 % interval); limit 2 %"),
        (4.31, 0.109, 24.03, 2.0, "4.3 % (0.1 to 24.0, 95 % interval); limit 2 %"),
        (0.276, None, None, 0.9641, "0.28 %; limit 0.964 %"),
        (5683.4, 5601.0, 5790.0, 6750.0, "5683 % (5601 to 5790, 95 % interval); limit 6750 %"),
        (-0.0, -1e-9, 1e-9, None, "0.000000 % (0.000000 to 0.000000, 95 % interval)"),
        (None, None, None, 2.0, "not shown"),
    ],
)
def test_a_reading_has_the_digits_that_its_interval_leaves_it(value, lower, upper, limit, text):
    assert reading(finding(value=value, lower=lower, upper=upper, limit=limit)) == text


def test_a_sentence_begins_large_but_a_name_stays_as_it_is():
    assert begin_large("worst in pull 7.") == "Worst in pull 7."
    assert begin_large("r03 makes more.") == "r03 makes more."
    assert begin_large("") == ""


def answer_of(findings, *chapters, **given):
    return short_answer("9 s of log.", shown_findings(findings, []), chapters, **{"held": "", "first": ""} | given)


def lines_of(answer, part):
    return [(line["word"], line["text"]) for entry in answer if entry["part"] == part for line in entry["lines"]]


def test_the_short_answer_has_its_parts_in_the_order_of_a_reader_in_a_hurry():
    told = chapter(
        change={"sentences": ["Enter r02. It is better."]}, cannot_show={"sentences": ["Dead time: one line only."]},
        drive_next={"sentences": ["Long and winding."], "short": "3 holds."},
    )  # fmt: skip
    findings = [
        finding("limits.knock", "stop", 4.1, limit=3.0, because="Worst at 9 s; beyond it once."),
        finding("limits.coolant"),
        finding("a.bad", "stop", 21.52),
        finding("a.met"),
        finding("a.none", "not_shown", None),
    ]
    answer = answer_of(findings, told, first=settle_first(["A.Bad"]), held="The prediction held")
    assert [entry["part"] for entry in answer] == ["driven", "limits", "shows", "change", "evidence", "drive_next"]
    assert [lines_of(answer, entry["part"]) for entry in answer] == [
        [("", "9 s of log.")],
        [("stop", "Limits.Knock: 4.1 % (limit 3 %). Worst at 9 s."), ("met", "1 other checked, none passed.")],
        [("stop", "A.Bad: 21.5 % (limit 2 %). Because of it.")],
        [("", "Enter r02.")],
        [("", "The prediction held."), ("", "Not shown: a.None.")],
        [("stop", "Before any drive, settle: a.Bad."), ("", "3 holds.")],
    ]


def test_a_limit_is_not_called_kept_beside_a_stop_on_the_same_limit():
    found = [finding("limits.lean_under_load", value=8.8, limit=10.0), finding("limits.coolant")]
    stop = finding("steady.lean_at_load", "stop", 11.5, limit=10.0)
    assert lines_of(answer_of([*found, stop], nearest="coolant 0.9"), "limits") == [
        ("stop", "Steady.Lean_At_Load: 11.5 % (limit 10 %)."),
        ("met", "2 checked over the whole log, as it was driven, none passed."),
    ]


def test_a_stop_of_a_revision_that_others_followed_points_to_their_drives():
    first = settle_first(["A.Bad"])
    answer = answer_of([finding("a.bad", "stop", 21.52)], chapter(), first=first, since="r02 and r03")
    assert lines_of(answer, "drive_next")[0] == (
        "stop",
        "Before any drive, settle: a.Bad. r02 and r03 came since; run tunelab ready to see whether that settled it.",
    )


def test_a_record_that_shows_nothing_says_so_in_each_part():
    answer = answer_of([], chapter())
    texts = {entry["part"]: entry["lines"][0]["text"] for entry in answer}
    assert texts["shows"] == "Nothing that was asked."
    assert texts["change"] == "Nothing."
    assert "limits" not in texts


def test_each_step_has_one_verdict_the_most_urgent_first_and_its_own_question_before_others():
    findings = [
        finding("steady.lambda_error", value=0.43),
        finding("steady.pulsation", "watch", 8.7, limit=None),
        finding("idle.hunting", "watch", 30.0, limit=25.0),
        finding("idle.speed_error"),
        finding("link.drop_outs", "stop", 33.0, because="Often. Look at the loom."),
        finding("launch.time", "not_shown", None, because="No launch."),
    ]
    lines = lines_of(answer_of(findings, steps=["steady", "road", "link", "launch", "coast-down"]), "shows")
    assert lines == [
        ("stop", "Link to the logger: drop-outs 33 % (limit 2 %). Look at the loom."),
        (
            "watch",
            "Road manners: idle hunting 30 % (limit 25 %). Within limits: idle speed off target 1 % (limit 2 %).",
        ),
        ("not_shown", "Launch: No launch."),
        ("met", "Steady driving: lambda error 0.43 % (limit 2 %)."),
    ]
    alike = [finding("link.drop_outs", "watch", 3.0), finding("steady.lambda_error", "watch", 3.0)]
    for steps in (["link", "steady"], ["steady", "link"]):
        lines = lines_of(answer_of(alike, steps=steps), "shows")
        assert [text.split(":")[0] for _, text in lines] == [STEP_WORDS[step] for step in steps]


def test_what_nobody_can_act_on_decides_no_verdict_and_is_listed_after_what_was_asked():
    findings = [
        finding("steady.pulsation", "watch", 8.7),
        finding("steady.lambda_error", "watch", 2.1),
        finding("steady.lean_at_load", "watch", 21.0, limit=10.0),
    ]
    found = shown_findings(findings, [])
    assert [f["id"] for f in found["attention"]] == ["steady.lean_at_load", "steady.lambda_error", "steady.pulsation"]


def test_no_limit_is_called_passed_where_none_was_and_the_nearest_is_named():
    answer = answer_of(
        [finding("limits.coolant"), finding("limits.oil", "not_shown", None)], nearest="coolant 97 of 105"
    )
    assert lines_of(answer, "limits") == [("met", "None passed, of 1 checked; nearest: coolant 97 of 105.")]
    answer = answer_of([finding("limits.oil", "not_shown", None)])
    assert lines_of(answer, "limits") == [("not_shown", "None could be checked.")]


def test_a_chapter_that_has_nothing_of_weight_keeps_out_of_the_short_answer():
    quiet = chapter(change={"sentences": ["Trims: long and winding."], "short": None})
    assert lines_of(answer_of([], quiet), "change") == [("", "Nothing.")]


def test_what_the_step_asked_for_is_answered_before_the_rest():
    link = {**chapter(change={"sentences": ["Wiring."]}), "notebook": "link"}
    road = {**chapter(change={"sentences": ["Film."]}), "notebook": "road_manners"}
    for steps, first in ((["link", "road"], "Wiring."), (["road", "link"], "Film.")):
        assert lines_of(answer_of([], link, road, steps=steps), "change")[0] == ("", first)


def test_the_short_answer_is_told_in_the_terminal_part_by_part():
    short = [
        {"part": "shows", "label": "Result", "lines": [{"word": "stop", "text": "No."}, {"word": "", "text": "2."}]},
        {"part": "change", "label": "Change", "lines": [{"word": "not_shown", "text": "Nothing that was asked."}]},
    ]  # fmt: skip
    assert list(short_lines(short)) == [
        "Result     stop: No.",
        "           2.",
        "Change     not shown: Nothing that was asked.",
    ]
