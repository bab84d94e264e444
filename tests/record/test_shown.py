"""The summary's findings: in the order in which they matter, with the digits they carry, each said once."""

import pytest

from tunelab.record.short import short_answer, short_lines
from tunelab.record.shown import begin_large, is_told, reading, settle_first, shown_findings

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
         because="cannot tell yet: drive on for an hour.")],
        ["Cannot tell yet: drive on for an hour."],
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
        (0.00131, 2.91e-5, 0.00258, None, "0.00131 % (0.00003 to 0.00258, 95 % interval)"),
        (21.52, 21.21, 21.81, 2.0, "21.5 % (21.2 to 21.8, 95 % interval); held against 2 %"),
        (4.31, 0.109, 24.03, 2.0, "4.3 % (0.1 to 24, 95 % interval); held against 2 %"),
        (0.276, None, None, 0.9641, "0.276 %; held against 0.964 %"),
        (5683.4, 5601.0, 5790.0, 6750.0, "5680 % (5600 to 5790, 95 % interval); held against 6750 %"),
        (-0.0, -1e-9, 1e-9, None, "0 % (-0.000000001 to 0.000000001, 95 % interval)"),
        (None, None, None, 2.0, "not shown"),
    ],
)
def test_a_reading_has_the_digits_that_its_interval_leaves_it(value, lower, upper, limit, text):
    assert reading(finding(value=value, lower=lower, upper=upper, limit=limit)) == text


def test_a_sentence_begins_large_but_a_name_stays_as_it_is():
    assert begin_large("worst in pull 7.") == "Worst in pull 7."
    assert begin_large("r03 makes more.") == "r03 makes more."
    assert begin_large("") == ""


def test_the_short_answer_has_the_five_parts_in_their_order():
    found = shown_findings([finding("a.bad", "stop", 21.52), finding("a.met")], [])
    told = chapter(
        change={"sentences": ["Enter r02. It is better."]}, cannot_show={"sentences": ["Dead time: one line only."]},
        drive_next={"sentences": ["Long and winding."], "short": "3 holds."},
    )  # fmt: skip
    answer = short_answer("9 s of log.", found, [told], held="", first=settle_first(["A.Bad"]))
    assert [entry["part"] for entry in answer] == ["driven", "shows", "change", "cannot_show", "drive_next"]
    lines = [[(line["word"], line["text"]) for line in entry["lines"]] for entry in answer]
    assert lines == [
        [("", "9 s of log.")],
        [("stop", "A.Bad: 21.5 %. Because of it."), ("met", "1 within their limits")],
        [("", "Enter r02.")],
        [("", "Dead time.")],
        [
            (
                "stop",
                "A.Bad. Change what the record names, or find the cause, before you drive this.",
            ),
            ("", "3 holds."),
        ],
    ]


def test_a_record_that_shows_nothing_says_so_in_each_part():
    answer = short_answer("9 s of log.", shown_findings([], []), [chapter()], held="", first=settle_first([]))
    texts = {entry["part"]: entry["lines"][0]["text"] for entry in answer}
    assert texts["shows"] == "Nothing that was asked."
    assert texts["change"] == "Nothing."


def test_the_short_answer_is_told_in_the_terminal_part_by_part():
    short = [
        {"part": "shows", "label": "Log shows", "lines": [{"word": "stop", "text": "No."}, {"word": "", "text": "2."}]},
        {"part": "change", "label": "Change", "lines": [{"word": "not_shown", "text": "Nothing that was asked."}]},
    ]  # fmt: skip
    assert list(short_lines(short)) == [
        "Log shows    stop: No.",
        "             2.",
        "Change       not shown: Nothing that was asked.",
    ]
