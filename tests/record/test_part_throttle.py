"""What the watch over limits and pulls at part throttle say in the summary, on the demo's part-throttle drive."""

from __future__ import annotations

from types import SimpleNamespace

import holoviews as hv
import pytest
from driven_log import known_delay

from tunelab import record
from tunelab.chart import full_throttle as limit_figures
from tunelab.chart import full_throttle as pull_figures
from tunelab.record import beside, part_throttle
from tunelab.record.answer import short_answer
from tunelab.record.chapter import Chapter, Section, as_data
from tunelab.record.shown import shown_findings, value_text
from tunelab.simulate.demo.cars import TRUTH
from tunelab.study.limits import watch_limits
from tunelab.study.part_throttle import check_part_throttle
from tunelab.study.pull import find_pulls
from tunelab.study.spark import study_spark
from tunelab.study.transient import _nothing

hv.extension("bokeh", logo=False)


@pytest.fixture(scope="module")
def opened():
    return record.open_session("data_demo/sessions/2026-05-06-part-throttle")


@pytest.fixture(scope="module")
def evidence(opened):
    return record.gather_evidence(opened)


@pytest.fixture(scope="module")
def watch(opened, evidence):
    delay = known_delay(TRUTH)
    return watch_limits(evidence.log, opened.car, opened.revision, opened.folder.session, delay)


@pytest.fixture(scope="module")
def pulls(opened, evidence):
    found = find_pulls(evidence.log, opened.car, opened.folder.session)
    return check_part_throttle(evidence.log, opened.car, opened.revision, found, known_delay(TRUTH))


def test_the_knock_of_the_road_home_is_named_first_and_never_nothing(watch):
    """4.1 degrees for two seconds on the way home; the owner's limit is 3."""
    assert [check.quantity.id for check in watch.passed] == ["limits.knock_retard"]
    chapter = as_data(part_throttle.limits_chapter(watch))
    found = shown_findings(chapter["findings"], [])
    answer = {e["part"]: e["lines"] for e in short_answer("12 min of log.", found, [chapter], held="", first="")}
    assert answer["limits"][0]["word"] == "stop"
    assert answer["limits"][0]["text"].startswith("Highest knock retard of the drive: 4.1° (limit 3°).")
    assert answer["change"][0]["text"].startswith("Knock passed its limit. Take out spark there")
    assert "out spark there" in answer["change"][0]["text"]
    assert "lift" in chapter["change"]["sentences"][0]
    assert "less spark" in chapter["change"]["sentences"][0]
    assert "one was passed" in chapter["driven"]["sentences"][0]


def test_beside_a_stop_nothing_to_change_is_said_of_one_question_only(watch):
    chapter = as_data(part_throttle.limits_chapter(watch))
    steady = as_data(Chapter("steady", change=Section(("A proposal.",), short="Nothing has to: lambda is right.")))
    found = shown_findings(chapter["findings"], [])

    def change(*chapters, first="At stop: knock."):
        answer = short_answer("12 min of log.", found, chapters, held="", first=first)
        return [line["text"] for entry in answer if entry["part"] == "change" for line in entry["lines"]]

    assert change(chapter, steady)[1] == "Of meter and injectors nothing has to: lambda is right."
    assert change(steady, first="") == ["Nothing has to: lambda is right."]
    assert not any("Nothing" in text for text in change())


def test_every_limit_has_its_word_for_what_to_settle(watch):
    assert {check.quantity.id.removeprefix("limits.") for check in watch.checks} <= set(part_throttle.SETTLE)


def test_figures_of_the_watch_draw_what_passed_first(watch, evidence):
    layout = limit_figures.draw_watched(evidence.log, watch, 3)
    assert len(layout) == 3
    titles = [panel.opts.get("plot").kwargs["title"] for panel in layout]
    assert titles[0].startswith("Highest knock retard")
    assert isinstance(limit_figures.draw_lean(watch), hv.Overlay)


def test_a_part_throttle_drive_is_analysed(pulls, opened, evidence):
    assert len(pulls.pulls) >= 4
    assert pulls.findings()[0].id == "part_throttle.lean"
    steady = beside.SteadyBeside(beside.Beside(None, None, "none was asked for."), None, "none was asked for.")
    high = beside.high_flow_of(opened, evidence, pulls, steady)
    tip_ins = _nothing("not asked", known_delay(TRUTH))
    spark = study_spark(evidence.log, opened.car, opened.revision)
    chapter = part_throttle.part_throttle_chapter(opened, pulls, high=high, steady=steady, tip_ins=tip_ins, spark=spark)
    ids = [finding.id for finding in chapter.findings]
    assert ids == ["part_throttle.lean", "part_throttle.knock_retard", "part_throttle.lambda_error",
                   "part_throttle.meter_agreement", "spark.retard", "spark.predicted"]  # fmt: skip
    assert chapter.proposal.parts == ("spark_retreat",)
    assert set(chapter.tables) >= {"part_throttle_pulls", "part_throttle_cells"}
    assert chapter.cautions.sentences
    assert isinstance(pull_figures.draw_pull_error(pulls), hv.Overlay)
    assert isinstance(pull_figures.draw_error_map(pulls), hv.Overlay)


def test_a_value_above_a_thousand_without_a_unit_has_none():
    plain = {"lower": None, "upper": None, "limit": None}
    assert value_text(plain | {"value": 6836.4, "unit": "1"}) == "6836"
    assert value_text(plain | {"value": 6836.4, "unit": "rpm"}) == "6836 rpm"
    assert value_text(plain | {"value": 0.92, "unit": "1"}) == "0.92"


def test_a_limit_inside_the_interval_may_have_been_passed_and_one_past_it_was():
    def check(name, status):
        return SimpleNamespace(quantity=SimpleNamespace(id=f"limits.{name}", title="Highest speed"), status=status)

    watch = SimpleNamespace(passed=(check("engine_speed", "stop"), check("road_speed", "watch")))
    said = part_throttle._in_short(watch)
    assert said.startswith("Engine speed passed its limit. ")
    assert "Highest speed may have passed its limit: end the next run" in said
