"""A sheet for each step: within the limits, gears and speeds by hand, on one sheet of paper in large type."""

import itertools
import re
import shutil

import numpy as np
import pytest
from offline_browser import browser, offline_page
from page_checks import torn_in_print
from plain_workspace import SESSION_NAME, write_workspace
from ready_drives import car, finding, revision
from written_results import write_results

from tunelab.cli import main
from tunelab.record.shown import small
from tunelab.record.step_sheet import print_sheet
from tunelab.study.step_sheet import SHEETS, sheet_for

RADIUS_M = 0.5 * (16 * 0.0254 + 2 * 0.55 * 0.205)  # of an unloaded 205/55R16, ETRTO size code
SHEET_PX = 725  # A4 less two margins of 9 mm


def numbers(text):
    return [float(n) for n in re.findall(r"\d+(?:\.\d+)?", text)]


@pytest.mark.parametrize(("step", "top"), list(itertools.product(SHEETS, (60.0, 90.0, 500.0))))
def test_nothing_on_a_sheet_goes_past_a_limit(step, top):
    sheet = sheet_for(step, car(), revision(), top)
    least = min(top, 120.0)  # the owner's own top speed
    for column in sheet.runs:
        values = [v for cell in sheet.runs[column].astype(str) for v in numbers(cell)]
        if "km/h" in column:
            assert max(values, default=0) <= least
        if "rpm" in column:
            assert max(values, default=0) <= 6800  # the revision's rev limit, lower than the owner's
    cruise = [n for cell in sheet.runs.get("part", []) for n in numbers(cell) if "km/h" in cell]
    assert max(cruise, default=0) <= least


def test_the_gear_of_a_pull_is_the_highest_that_stays_under_the_speed():
    # Plain car: 3.5, 2.1, 1.4, 1.0, 0.8, final drive 3.9; speed in km/h is 0.12 pi r rpm / ratio.
    speeds = [0.12 * np.pi * RADIUS_M * 6800 / (3.9 * ratio) for ratio in (3.5, 2.1, 1.4, 1.0, 0.8)]
    expected = max(k for k, speed in enumerate(speeds, start=1) if speed <= 120)
    sheet = sheet_for("full-throttle", car(), revision(), 120.0)
    assert set(sheet.runs["gear"]) == {str(expected)}
    assert float(sheet.runs["to km/h"].iloc[-1]) == pytest.approx(speeds[expected - 1] * 6700 / 6800, rel=0.04)
    assert sheet.runs["to rpm"].tolist() == ["4400", "5750", "6700"]


def test_a_pull_that_fits_no_gear_is_not_planned():
    sheet = sheet_for("full-throttle", car(), revision(), 20.0)
    assert sheet.runs.empty
    assert "no pull fits" in sheet.notes[0]
    bare = car().model_copy(update={"gearing": None})
    assert "no gearing" in sheet_for("full-throttle", bare, revision(), 120.0).notes[0]


@pytest.mark.parametrize("step", SHEETS)
def test_a_sheet_says_what_to_log_what_to_watch_and_when_to_stop(step):
    sheet = sheet_for(step, car(), revision(), 100.0)
    assert any("battery above 11.5 V" in item for item in sheet.watch)
    assert any("oil pressure above 150 kPa" in item for item in sheet.watch)
    assert any("knock" in item for item in sheet.abort)
    assert any("smell of fuel" in item for item in sheet.abort)
    assert (sheet.must_log or sheet.log_too) != ()


def test_a_sheet_watches_what_its_driving_can_hurt_and_no_limit_where_it_cannot_hold():
    watched = {step: " ".join(sheet_for(step, car(), revision(), 100.0).watch) for step in SHEETS}
    assert all("kPa off idle" in text for text in watched.values())
    assert all("lean of commanded under load" in watched[step] for step in ("steady", "part-throttle"))
    assert all("knock retard" in watched[step] for step in ("steady", "part-throttle", "full-throttle", "launch"))
    assert "before any load" in watched["road"]  # a cold start lies below the least for load
    cautions = " ".join(sheet_for("coast-down", car(), revision(), 100.0).cautions)
    assert [word for word in ("engine runs", "key", "bend", "brake") if word not in cautions] == []
    launch = sheet_for("launch", car(), revision(), 100.0)
    assert launch.runs["runs"].tolist() == ["5 for each driver: 3, a pause, 2"]


def test_a_sheet_names_one_reading_of_the_meter_and_never_as_both_needed_and_optional():
    for step in SHEETS:
        sheet = sheet_for(step, car(), revision(), 100.0)
        named = [*sheet.must_log, *sheet.log_too]
        assert not any("meter frequency" in name for name in named)
        assert sum("the air meter's reading" in name for name in named) <= 1
    assert "GPS speed" in sheet_for("coast-down", car(), revision(), 100.0).log_too  # better than the wheels' own


def test_a_stop_that_any_drive_may_show_stands_on_the_sheet_of_every_step(tmp_path):
    root = write_workspace(tmp_path)
    write_results(root, SESSION_NAME, [finding("limits.knock_retard", "stop", 9.0)])
    for step in SHEETS:
        assert print_sheet(step, root, None).first.startswith("At stop: knock and mixture in every drive: "), step


def test_a_sheet_does_not_call_shown_what_is_only_to_watch(tmp_path):
    root = write_workspace(tmp_path)
    write_results(root, SESSION_NAME, [finding("link.drop_outs", "watch", 2.9)])
    notes = " ".join(print_sheet("link", root, None).sheet.notes)
    assert "Near or past a limit that can wait" in notes
    assert "is shown with" not in notes


def test_the_sheet_of_a_road_drive_asks_for_what_its_questions_read():
    sheet = sheet_for("road", car(), revision(), 100.0)  # idle, trims, tip-ins, fuel cut and heat
    named = " ".join((*sheet.must_log, *sheet.log_too))
    words = ("engine speed", "speed", "throttle", "lambda", "pulse width", "trim", "coolant", "battery", "intake air")
    assert [word for word in words if word not in named.lower()] == []


@pytest.mark.parametrize(("step", "top"), [("wide-open", 100.0), ("steady", 0.0), ("steady", float("nan"))])
def test_a_step_or_a_speed_that_is_none_is_an_error(step, top):
    with pytest.raises(ValueError, match=r"no step|top speed"):
        sheet_for(step, car(), revision(), top)


@pytest.mark.parametrize(
    ("name", "step", "title"),
    [
        ("full_throttle.knock_retard", "full-throttle", "Knock at full throttle"),
        ("steady.lambda_error", "steady", "Fuelling at steady speed"),
    ],
)
def test_a_sheet_begins_with_what_stands_at_stop_in_an_earlier_drive(tmp_path, capsys, name, step, title):
    root = write_workspace(tmp_path)
    log = "Time (s),Engine speed (rpm),MAF (V)\n0.00,850,1.2\n0.04,852,1.21\n0.08,851,1.2\n"
    (root / "sessions" / SESSION_NAME / "log1.csv").write_text(log, encoding="utf-8")
    assert not print_sheet(step, root, None).first
    write_results(root, SESSION_NAME, [finding(name, "stop", 21.0)])
    found = {each: print_sheet(each, root, None).first for each in SHEETS}
    assert found[step].startswith(f"At stop: {small(title)}: ")
    assert title.lower() not in " ".join(print_sheet(step, root, None).sheet.notes)  # said once
    assert [each for each in SHEETS if found[each]] == [step]
    text = print_sheet(step, root, None).text()
    assert text.index("At stop: ") < text.index("The passenger watches")
    capsys.readouterr()
    assert main(["plan", str(root)]) == 0
    assert ("At stop: " in capsys.readouterr().out) == (step == "steady")


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    root = write_workspace(tmp_path_factory.mktemp("sheets"))
    shutil.rmtree(root / "sessions")  # nothing driven yet: the steady sheet is as full as it gets
    found = {}
    for step in SHEETS:
        (root / f"{step}.html").write_text(print_sheet(step, root, None).html(), encoding="utf-8")
        found[step] = root / f"{step}.html"
    return found


def test_each_sheet_prints_on_one_page_in_large_type_without_a_barrier(chromium_path, pages):
    from axe_playwright_python.sync_playwright import Axe

    with browser(chromium_path) as started, offline_page(started) as opened:
        assert "11" in pages["steady"].read_text("utf-8")  # as many holds as one sheet takes
        for step, page in pages.items():
            opened.show(page, figures=False)
            opened.page.emulate_media(media="print")
            pdf = opened.page.pdf(prefer_css_page_size=True)
            assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) == 1, step
            size = opened.page.evaluate("parseFloat(getComputedStyle(document.querySelector('td, li')).fontSize)")
            assert size >= 17, step  # 13 pt
            serious = [v["id"] for v in Axe().run(opened.page).response["violations"]
                       if v["impact"] in ("serious", "critical")]  # fmt: skip
            assert serious == [], step
            assert torn_in_print(opened.page, SHEET_PX)[1] == [], step
        assert opened.left_the_page() == []
        assert opened.complaints == []


def with_full_load_table(*rpm):
    own = {"engine_speed_rpm": list(rpm), "commanded_lambda": [0.87] * len(rpm)}
    return type(revision()).model_validate(revision().model_dump() | {"full_load_fuel": own})


def test_pulls_begin_low_enough_for_the_first_breakpoint_of_the_full_load_table():
    """A third of the way to the next below the first: 2000 - 1000 / 3 is 1650; never within 500 rpm of idle."""
    assert sheet_for("full-throttle", car(), revision(), 120.0).runs["from rpm"].tolist() == ["2000"] * 3
    low = sheet_for("full-throttle", car(), with_full_load_table(2000.0, 3000.0, 4000.0), 120.0)
    assert low.runs["from rpm"].tolist() == ["1650"] * 3
    assert not low.notes
    late = sheet_for("full-throttle", car(), with_full_load_table(3000.0, 4000.0), 120.0)
    assert late.runs["from rpm"].tolist() == ["2000"] * 3
    labouring = sheet_for("full-throttle", car(), with_full_load_table(1000.0, 2000.0), 120.0)
    least = 50 * np.ceil((car().engine.idle_target_rpm + 500) / 50)
    assert [float(rpm) for rpm in labouring.runs["from rpm"]] == [least] * 3
    assert "begins at 1000 rpm" in labouring.notes[0]
