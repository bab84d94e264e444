"""The first page: the answer and its pictures without any script, every number that of results.json."""

import html
import re
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from axe_playwright_python.sync_playwright import Axe
from hypothesis import given, settings
from hypothesis import strategies as st
from offline_browser import browser, offline_page
from page_checks import as_read
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.chart.first_page import (
    Moment,
    draw_curve_change,
    draw_lambda_off,
    draw_limits_used,
    draw_pull_lambda_off,
    draw_trend,
    limit_gauges,
)
from tunelab.record.chapter import Chapter, Section, as_data
from tunelab.record.display import most_decimals
from tunelab.record.evidence import gather_evidence
from tunelab.record.opened import open_session
from tunelab.record.shown import reading
from tunelab.record.summary import said, summary_page
from tunelab.study.explore_cells import EngineLoad, LoadMap, map_lambda_error

HEIGHT_OF_LETTERS = (
    "Math.min(...[...document.querySelectorAll('svg.still text')].map(text => text.getBoundingClientRect().height))"
)
CURVE = pd.DataFrame({
    "meter_v": [1.0, 1.5, 2.0, 2.5], "flow_in_force_kg_h": [8.0, 22.0, 50.0, 98.0],
    "factor": [np.nan, 1.04, 0.95, 1.01], "factor_lower": [np.nan, 1.03, 0.94, 0.88],
    "factor_upper": [np.nan, 1.05, 0.96, 1.02], "flow_proposed_kg_h": [8.0, 22.88, 47.5, 98.49],
    "seconds": [0.0, 9.0, 9.0, 9.0], "basis": ["unchanged", "measured", "measured", "measured"],
})  # fmt: skip
BINS = pd.DataFrame({
    "engine_speed_rpm": [2000.0, 3000.0, 4000.0, 5000.0], "lambda": [0.85, 0.87, 0.88, 0.89],
    "lower": [0.84, 0.86, 0.87, 0.88], "upper": [0.86, 0.88, 0.89, 0.9], "commanded": [0.87] * 4,
})  # fmt: skip


def finding(name, value, limit=2.0, status="met", lower=None, upper=None, unit="%"):
    return {
        "id": name, "title": name.replace(".", " "), "value": value, "unit": unit, "lower": lower, "upper": upper,
        "confidence": None if lower is None else 0.95, "samples_used": 100, "samples_flagged": 3, "status": status,
        "limit": limit, "because": "Seen at 9 s.",
    }  # fmt: skip


FINDINGS = [
    finding("steady.lambda_error", 16.2, status="stop", lower=15.8, upper=16.4),
    finding("steady.lean_at_load", 0.71, 10.0, lower=0.2, upper=1.1),
    finding("limits.knock_retard", 4.08, 3.0, "stop", 4.03, 4.13, "°"),
    finding("limits.battery", 10.9, 10.5, "met", 10.8, 11.0, "V"),
    finding("limits.coolant", None, 105.0, "not_shown"),
    finding("consistency.pulse", 0.14, 5.0),
]


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    return open_session(write_workspace(tmp_path_factory.mktemp("first")) / "sessions" / SESSION_NAME)


@pytest.fixture(scope="module")
def evidence(opened):
    return gather_evidence(opened)


@pytest.fixture(scope="module")
def record(opened):
    place = opened.workspace.root / "records" / SESSION_NAME
    (place / "tables").mkdir(parents=True)
    margins = {f["title"]: f["limit"] - f["value"] for f in FINDINGS if f["value"] is not None}
    margins["limits battery"] *= -1  # a least
    table = pd.DataFrame({"check": list(margins), "margin": list(margins.values())})
    table.to_csv(place / "tables" / "limits.csv", index=False)
    CURVE.to_csv(place / "tables" / "meter_curve.csv", index=False)
    BINS.to_csv(place / "tables" / "lambda_by_speed.csv", index=False)
    return place


def page_of(record, opened, evidence, findings=FINDINGS):
    change = Section(("Enter r02 on top of r01. Keep a copy.",))
    chapters = [as_data(Chapter("steady", change=change, drive_next=Section(("12 holds. Long.",))))]
    results = {
        "findings": findings, "inputs": [], "settings": [], "versions": {}, "parameters": {}, "notebooks": [],
        "timestamps": {"finished": "2026-05-03"},
    }  # fmt: skip
    return summary_page(record, opened, evidence, chapters, results)


@pytest.fixture(scope="module")
def page(record, opened, evidence):
    return page_of(record, opened, evidence)[0]


def pictures_of(page):
    return [
        ET.fromstring(text) for text in re.findall(r"<svg[^>]*class=\"still\".*?</svg>\s*(?=<p|</figure>)", page, re.S)
    ]


def test_the_pictures_stand_in_the_page_without_a_script_and_tell_their_result(page):
    assert "<script" not in page
    told = [picture.get("aria-label") for picture in pictures_of(page)]
    assert len(told) == 3
    assert "Knock retard 4.1 of 3°, 136 %" in told[0]
    assert "Battery voltage 10.9 V, least 10.5 V, 96 %" in told[0]
    assert "2 V −5.0 (−6.0 to −4.0), then 0.0" in told[1].replace("+0.0", "0.0").replace("−0.0", "0.0")
    assert "5000 rpm 2.3 % lean" in told[2]
    assert all(picture.get("role") == "img" for picture in pictures_of(page))


def test_the_answer_comes_before_everything_in_the_order_of_a_reader_in_a_hurry(page):
    labels = re.findall(r'<dt><a href="#(\w+)">(\w+)</a></dt>', page)
    assert [label for _, label in labels] == ["Driven", "Limits", "Result", "Change", "Evidence", "Next"]
    assert all(f'id="{part}"' in page for part, _ in labels)
    assert page.index('class="short"') < page.index('class="still"') < page.index("<h2>What was driven")


def test_the_page_leads_to_all_records_only_where_they_lie_beside_it(page, opened, evidence, tmp_path):
    assert 'href="../index.html"' in page
    assert 'href="../index.html"' not in page_of(tmp_path, opened, evidence)[0]


def test_a_record_without_tables_has_no_picture_and_its_page_all_the_same(opened, evidence, tmp_path):
    page = page_of(tmp_path, opened, evidence)[0]
    assert 'class="still"' not in page
    assert "Enter r02 on top of r01." in page


numbers = st.floats(-1e4, 1e4).filter(lambda value: abs(value) > 1e-3)
rows = st.tuples(numbers, st.floats(1e-3, 10), st.floats(0.01, 1e4), st.sampled_from(["met", "watch", "stop"]))


@settings(max_examples=15, deadline=None)
@given(st.lists(rows, min_size=1, max_size=6))
def test_every_number_of_the_page_is_that_of_the_results(record, opened, evidence, drawn):
    """To three digits, or to a hundredth of the interval or the last decimal of the quantity where that is coarser."""
    names = ["steady.lambda_error", "idle.hunting", "a.b", "limits.oil", "link.drop_outs", "heat.x"]
    findings = [
        finding(name, value, limit, status, value - half, value + half)
        for name, (value, half, limit, status) in zip(names, drawn, strict=False)
    ]
    page = as_read(html.unescape(page_of(record, opened, evidence, findings)[0]))
    said = re.findall(r"<h3>.*?<span>(.*?)</span></h3>\s*<p class=\"reading\">(.*?) <span", page, re.S)
    assert sorted(title for title, _ in said) == sorted(f["title"] for f in findings)
    texts = dict(said)
    for f in findings:
        assert texts[f["title"]] == reading(f)
        value = float(texts[f["title"]].split(" ")[0].replace("−", "-"))
        half = 0.501 * 10.0 ** -most_decimals(f["unit"], max(abs(f[name]) for name in ("value", "lower", "upper")))
        assert value == pytest.approx(f["value"], rel=0.006, abs=max(0.011 * (f["upper"] - f["lower"]), half))
        limit = float(texts[f["title"]].rpartition("limit ")[2].split(" ")[0])
        assert limit == pytest.approx(f["limit"], rel=0.006)


@given(st.floats(0.01, 1e4), st.floats(0.01, 1e4), st.booleans())
def test_the_share_of_a_limit_is_over_a_hundred_exactly_where_it_was_passed(value, limit, is_most):
    margin = (limit - value) if is_most else (value - limit)
    (gauge,) = limit_gauges([finding("limits.oil", value, limit)], {"limits oil": margin})
    if abs(margin) > 1e-6 * limit:
        assert (gauge.used > 100) == (margin < 0)


def test_a_limit_of_which_nothing_was_used_is_none_used_and_never_nan():
    least, most = (finding(f"limits.{name}", 0.0, 8.0) for name in ("least", "most"))
    gauges = limit_gauges([most], {"limits most": 8.0})
    assert [gauge.used for gauge in gauges] == [0.0]
    many = [finding(f"limits.{k}", 1.0 + k, 20.0) for k in range(8)]
    margins = {f"limits {k}": 19.0 - k for k in range(8)} | {"limits most": 8.0}
    assert draw_limits_used(limit_gauges([*many, most], margins)).note == "1 more: at most 0 % used."
    assert limit_gauges([least], {"limits least": -8.0}) == []  # no share of a minimum can be given at zero


def test_a_stop_beside_the_watch_over_the_limits_is_drawn_past_its_limit():
    stop = finding("steady.lean_at_load", 11.5, 10.0) | {"status": "stop"}
    gauges = limit_gauges(
        [*(f for f in FINDINGS if f["id"] != stop["id"]), stop], {"steady lean_at_load": -1.5, "limits battery": 0.4}
    )
    title = draw_limits_used(gauges).title
    assert title == "Past its limit: lean at load, trims out; next: battery voltage, 96 % used"
    waits = [gauge if gauge.tone != "stop" else replace(gauge, tone="watch") for gauge in gauges]
    assert draw_limits_used(waits).title.startswith("Past a limit that can wait: lean at load, trims out; next: ")


def test_a_title_says_what_came_out():
    gauges = limit_gauges(FINDINGS, {"limits knock_retard": -1.08, "limits battery": 0.4})
    assert draw_limits_used(gauges).title == "Past its limit: knock retard; next: battery voltage, 96 % used"
    assert draw_limits_used(gauges[1:]).title == "No limit was passed; nearest: battery voltage, 96 % used"
    assert draw_limits_used([]) is None
    title = draw_curve_change(CURVE, "meter_v", "r02").title
    where = "Meter curve at its breakpoints: −5.0 % at 2 V, where it is furthest off"
    assert title == f"{where}; 0.5 % at most with r02"
    leaning = CURVE.assign(factor=[1.2, *CURVE["factor"][1:]], basis=["extended", *CURVE["basis"][1:]])
    assert draw_curve_change(leaning, "meter_v", "r02").title == title  # no drive went there
    assert "most with" not in draw_curve_change(CURVE, "meter_v", "").title
    assert draw_curve_change(CURVE[:1], "meter_v", "r02") is None
    assert draw_pull_lambda_off(BINS).title.startswith(
        "Full throttle, mean of all pulls: lambda 2.3 % lean of commanded at 5000 rpm, 2.3 %"
    )


def test_a_far_longer_side_of_an_interval_is_named_and_does_not_rule_the_picture():
    picture = draw_curve_change(CURVE, "meter_v", "")
    assert "leak" in picture.note
    assert draw_curve_change(CURVE[:3], "meter_v", "").note == ""


def cells_log(trim=0.0):
    time = np.arange(400) * 0.1
    speed = np.repeat([1500.0, 2500.0, 3500.0, 4500.0], 100)
    lambda_ = np.repeat([1.1, 1.0, 0.9, 1.0], 100)
    names = {"engine_speed_rpm": speed, "lambda_measured": lambda_ / (1 + trim / 100),
             "lambda_commanded": np.ones(400), "trim_short_pct": np.full(400, trim)}  # fmt: skip
    flags = {f"{name}_flag": np.zeros(400, dtype=np.int32) for name in names} | {"sample_flag": np.zeros(400, np.int32)}
    data = {name: ("time", values) for name, values in (names | flags).items()}
    return xr.Dataset(data, coords={"time": time})


@pytest.mark.parametrize("trim", [0.0, 10.0, -5.0])
def test_the_map_of_lambda_takes_the_trims_out(trim):
    """Trims that correct the whole error hide it from lambda alone; by its definition the error is what they leave."""
    log = cells_log(trim)
    load = EngineLoad(np.full(400, 30.0), "absolute load [%]", np.ones(400, dtype=bool))
    found = map_lambda_error(log, load, speed_step_rpm=1000.0, loads=1)
    np.testing.assert_allclose(found.mean[found.count > 0], [10, 0, -10, 0], atol=1e-9)
    picture = draw_lambda_off(found)
    assert picture.title == "Lambda against commanded, trims taken out: 10.0 % lean to 10.0 % rich"
    assert "10.0 % lean, 1000–2000 rpm" in picture.description


def test_a_map_without_commanded_lambda_says_what_it_lacks():
    load = EngineLoad(np.full(400, 30.0), "absolute load [%]", np.ones(400, dtype=bool))
    found = map_lambda_error(cells_log().drop_vars("lambda_commanded"), load, speed_step_rpm=1000.0, loads=1)
    assert found.because == "the log has no lambda_commanded."
    assert draw_lambda_off(found) is None


def test_a_trend_tells_its_days_and_values_and_names_its_limit():
    import datetime

    moments = [Moment(datetime.date(2026, 5, day), value, np.nan, np.nan) for day, value in ((3, 16.2), (17, 0.43))]
    picture = draw_trend("Lambda error", moments, 2.0)
    assert "2026-05-03 16.2; 2026-05-17 0.43" in picture.description
    assert all(f">{word}<" in picture.svg for word in ("3 May", "17 May", "limit 2"))
    near = [Moment(datetime.date(2026, 5, day), value, np.nan, np.nan) for day, value in ((3, 9.0), (17, 2.1))]
    words = [
        draw_trend("T", moments, 2.0).svg.partition(">limit 2<")[0].rpartition("<text")[2]
        for moments in (near, near[::-1])
    ]
    assert ['text-anchor="start"' in word for word in words] == [True, False]  # where there is room


SCREENS = ((1280, 900, "light"), (390, 844, "dark"), (360, 740, "light"))


def test_the_first_screen_holds_the_answer_and_nothing_runs_off_the_side(chromium_path, page, tmp_path):
    path = tmp_path / "index.html"
    path.write_text(page, encoding="utf-8")
    with browser(chromium_path) as started:
        for width, height, scheme in SCREENS:
            size = {"width": width, "height": height}
            with offline_page(started, color_scheme=scheme, viewport=size) as shown:
                shown.show(path, figures=False)
                box = shown.page.locator(".short").bounding_box()
                assert box["y"] + box["height"] <= height
                assert shown.page.evaluate("document.documentElement.scrollWidth") <= width
                assert shown.page.evaluate(HEIGHT_OF_LETTERS) >= 11  # a line of about 10 px letters
                bad = [v["id"] for v in Axe().run(shown.page).response["violations"]
                       if v["impact"] in ("serious", "critical")]  # fmt: skip
                assert bad == []
                assert shown.left_the_page() == []
                assert shown.complaints == []


def test_a_table_that_holds_sentences_is_cards_on_a_phone_and_names_each_cell(opened, evidence, tmp_path):
    rows = {"no.": ["1"], "where": ["at the pump"], "why": ["because nothing has been driven here yet, nor near it"]}
    wide = Chapter("drive_plan", drive_next=Section(("A plan.",), (("Holds", pd.DataFrame(rows)),)))
    results = {
        "findings": [], "inputs": [], "settings": [], "versions": {}, "parameters": {}, "notebooks": [],
        "timestamps": {"finished": "2026-05-03"},
    }  # fmt: skip
    page, _ = summary_page(tmp_path, opened, evidence, [as_data(wide)], results)
    assert 'class="cards" role="table"' in page
    assert 'class="long" role="cell" data-label="why">because nothing' in page


def test_a_drive_at_idle_alone_has_no_map_of_lambda():
    """Five cells of one speed, 29.1 to 29.7 kPa, are no map; the same cells at a second speed make one."""
    speeds, loads = np.array([600.0, 1200.0, 1800.0]), np.linspace(29.1, 29.7, 6)
    drawn = {}
    for columns in (1, 2):
        count = np.zeros((5, 2), dtype=int)
        count[:, :columns] = 100
        off = np.where(count > 0, 1.0, np.nan)
        found = LoadMap("lambda_error", speeds, loads, "manifold pressure [kPa]", count, off, off, 500, 0)
        drawn[columns] = draw_lambda_off(found) is not None
    assert drawn == {1: False, 2: True}


@pytest.mark.parametrize(
    ("value", "words"),
    [(None, "not set"), ("", "not set"), ([], "none"), (["a", "b"], "a, b"), (True, "yes"), (1, "1"), (0.0, "0.0")],
)
def test_a_parameter_is_told_in_words(value, words):
    assert said(value) == words
