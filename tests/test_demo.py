"""The demo from end to end: one command, then pages that a helper opens without a network."""

import itertools
import json
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from offline_browser import QUESTION_HEAD, SCREENS, SUMMARY_HEAD, below_first_screen, browser, ink, offline_page
from page_checks import (
    as_read,
    captions_without_result,
    contradictions,
    lines_out_of_view,
    misstated,
    one_as_many,
    parted_in_print,
    shown_on,
)
from playwright.sync_api import expect

from tunelab.record.lab import copy_demo
from tunelab.record.notebook import choose_notebooks, notebooks_folder
from tunelab.record.opened import open_session
from tunelab.record.plan import plan_for, plan_sentence
from tunelab.record.quick import answer_quickly
from tunelab.record.results import results_text
from tunelab.study.revision_change import differences
from tunelab.workspace import open_workspace
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import read_toml

PAGES = ("index", "steady", "drive_plan", "drive_sheet")
DRAWN = ("steady", "drive_plan")
PHONE = {"viewport": {"width": 360, "height": 740}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True}
SIZE_LIMIT = 5e6  # bytes of one page
STEADY_FIGURES = 10
FOLDED_FIGURES = 3  # of the steady page: what is flagged, and the raw traces
QUESTIONS = ("steady", "limits", "drive_plan")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """What the command printed, and the workspace that it made."""
    folder = tmp_path_factory.mktemp("demo")
    done = subprocess.run(
        [sys.executable, "-m", "tunelab", "demo"], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-4000:]
    return done, folder / "tunelab-demo"


@pytest.fixture(scope="module")
def record(demo) -> Path:
    return demo[1] / "records" / "2026-05-03-steady"


@pytest.fixture(scope="module")
def pages(demo, record, tmp_path_factory) -> dict[str, Path]:
    """The pages by name; after the demo's sweep enough is driven, so the sheet is of the car before its first drive."""
    root = tmp_path_factory.mktemp("new") / "car"
    shutil.copytree(demo[1], root, ignore=shutil.ignore_patterns("sessions", "records"))
    sheet = root / "drive_sheet.html"
    sheet.write_text(plan_for(root, None).html(), encoding="utf-8")
    return {name: record / f"{name}.html" for name in PAGES} | {"drive_sheet": sheet}


@pytest.fixture(scope="module")
def chromium(chromium_path):
    with browser(chromium_path) as started:
        yield started


@pytest.fixture(scope="module", params=["light", "dark"])
def steady(request, record, chromium):
    """The steady page, drawn, on light and on dark paper; the tests that share it only look."""
    with offline_page(chromium, color_scheme=request.param, viewport={"width": 1100, "height": 900}) as opened:
        opened.show(record / "steady.html")
        yield request.param, opened


@pytest.fixture(scope="module")
def light_steady(record, chromium):
    """The steady page for tests that move things about."""
    with offline_page(chromium, viewport={"width": 1100, "height": 900}) as opened:
        opened.show(record / "steady.html")
        yield opened


@pytest.fixture(scope="module")
def phone_steady(record, chromium):
    """The steady page on a phone."""
    with offline_page(chromium, **PHONE) as opened:
        opened.show(record / "steady.html")
        yield opened


def test_it_says_where_the_page_is_and_shows_progress(demo, record):
    done, _ = demo
    assert done.stdout.strip().endswith(f"open {record / 'index.html'}")
    assert "steady: 100%" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_quick_answer_is_the_one_that_the_record_begins_with(demo):
    done, root = demo
    command = [sys.executable, "-m", "tunelab", "record", "--quick", "sessions/2026-05-03-steady"]
    before = sorted((str(path), path.stat().st_mtime_ns) for path in root.rglob("*"))
    quick = subprocess.run(command, cwd=root, capture_output=True, text=True, check=True)
    *answer, last = quick.stdout.splitlines()
    assert len(answer) > 8
    assert " ".join(" ".join(answer).split()) in " ".join(done.stdout.split())  # however wide the terminal is
    assert "no record was written" in last
    assert sorted((str(path), path.stat().st_mtime_ns) for path in root.rglob("*")) == before


def test_the_quick_values_are_those_of_the_record(demo, record, tmp_path):
    """All of results.json but its times and how the session was named: with nothing kept, then with what was kept."""
    root = copy_demo(tmp_path / "demo")
    opened = open_session(root / "sessions" / record.name)
    notebooks = choose_notebooks(notebooks_folder(), tuple(opened.folder.session.steps), ())
    made, kept = (json.loads(results_text(answer_quickly(opened, notebooks, {}).results)) for _ in range(2))
    full = json.loads((record / "results.json").read_text(encoding="utf-8"))
    assert made["findings"] == full["findings"]
    assert len(made["findings"]) > 20
    apart = {"timestamps": 0, "parameters": 0}
    assert made | apart == full | apart
    assert kept | apart == full | apart
    assert (root / "records" / ".driven" / f"{record.name}.estimate_delay.npz").is_file()
    assert sorted(path.name for path in (root / "records").iterdir()) == [".driven"]


def test_it_overwrites_nothing(demo):
    before = sorted(path.stat().st_mtime_ns for path in demo[1].rglob("*"))
    again = subprocess.run(
        [sys.executable, "-m", "tunelab", "demo"], cwd=demo[1].parent, capture_output=True, text=True, check=False
    )
    assert again.returncode == 2
    assert "exists already" in again.stderr
    assert sorted(path.stat().st_mtime_ns for path in demo[1].rglob("*")) == before


def test_a_demo_that_was_killed_before_its_record_stood_is_taken_on(tmp_path):
    root = copy_demo(tmp_path / "demo")
    (root / "records" / ".unfinished-x").mkdir(parents=True)
    before = sorted(path.stat().st_mtime_ns for path in root.rglob("*"))
    assert copy_demo(root) == root
    assert sorted(path.stat().st_mtime_ns for path in root.rglob("*")) == before
    note = root / "note.txt"
    note.write_text("mine")
    with pytest.raises(FileExistsError, match="stays as it is"):
        copy_demo(root)
    note.unlink()
    (root / "car.toml").write_text((root / "car.toml").read_text("utf-8") + "# mine\n", "utf-8")
    with pytest.raises(FileExistsError, match="stays as it is"):
        copy_demo(root)


def test_the_record_answers_the_steady_question(record):
    results = json.loads((record / "results.json").read_text(encoding="utf-8"))
    found = {finding["id"]: finding for finding in results["findings"]}
    assert found["steady.lambda_error"]["status"] in ("watch", "stop")
    assert found["steady.dead_time"]["lower"] > 0
    assert found["steady.proposal_predicted"]["value"] < found["steady.lambda_error"]["value"]
    assert all(finding["status"] in ("met", "watch", "stop", "not_shown") for finding in found.values())
    text = (record / "proposal.toml").read_text(encoding="utf-8")
    assert "write the day on which you enter it" in text
    assert tomllib.loads(text)["based_on"] == results["revision"] == "r01"


def test_what_the_owner_entered_next_is_what_the_record_proposes(demo, record):
    """So that a history of the demo can hold what was predicted against what the next drive measured."""
    reading = read_toml(record / "proposal.toml", Revision, "proposal.toml")
    assert reading.problems == ()
    proposal = reading.partial
    assert differences(proposal, open_workspace(demo[1]).revisions["r02"]) == ()


def test_the_summary_tells_its_parts_in_the_promised_order(record):
    text = (record / "index.html").read_text(encoding="utf-8")
    heads = re.findall(r"<h2>([^<]*)</h2>", text)
    wanted = ["What was driven", "What the log shows", "What to change", "Why believe it", "What it cannot show"]
    assert heads[:6] == [*wanted, "What to drive next"]


def test_the_summary_shows_what_to_enter(record, demo):
    text = (record / "index.html").read_text(encoding="utf-8")
    change = text.partition("<h2>What to change")[2].partition("<h2>Why believe it")[0]
    assert change.index("Already entered: r02 of ") < change.index("proposed [kg/h]")  # the demo's next revision
    assert "proposed [kg/h]" in change
    assert "proposed [ms]" in change
    assert "go in together" in change
    assert "closed road" in text
    proposal = tomllib.loads((record / "proposal.toml").read_text(encoding="utf-8"))
    shown = set(re.findall(r'<td class="number">([^<]*)</td>', change))
    assert {f"{value:.3f}" for value in proposal["dead_time"]["dead_time_ms"]} <= shown  # as they are typed in
    before = open_workspace(demo[1]).revisions["r01"].meter_curve.flow_kg_h
    pairs = zip(proposal["meter_curve"]["flow_kg_h"], before, strict=True)
    assert {f"{value:.3f}" for value, was in pairs if value != was} <= shown


@pytest.mark.parametrize("name", PAGES)
def test_a_page_opens_offline_without_a_request_or_a_complaint(pages, chromium, name):
    path = pages[name]
    assert path.stat().st_size <= SIZE_LIMIT
    with offline_page(chromium) as opened:
        opened.show(path, figures=name in DRAWN)
        assert opened.left_the_page() == []
        assert opened.requests == [path.resolve().as_uri()]
        assert opened.complaints == []
        assert "default-src 'none'" in opened.page.get_attribute("meta[http-equiv]", "content")
        assert opened.page.title()
        assert opened.page.locator("h1").count() == 1


def test_the_policy_of_a_page_stops_what_is_not_its_own(record, chromium):
    with offline_page(chromium) as opened:
        opened.show(record / "drive_plan.html")
        opened.page.evaluate(
            """() => {
                const script = document.createElement("script");
                script.textContent = "window.intruder = 1";
                document.head.append(script);
                const picture = new Image();
                picture.src = "http://a.example/x.png";
                document.body.append(picture);
            }"""
        )
        opened.page.wait_for_timeout(200)
        assert opened.page.evaluate("window.intruder") is None
        assert any("Content Security Policy" in text for text in opened.complaints)


def test_figures_are_drawn_and_legible_on_light_and_dark(steady):
    scheme, opened = steady
    assert opened.page.locator("html.ready").count() == 1
    assert opened.page.locator(".drawing").count() >= STEADY_FIGURES
    painted = ink(opened.page, ".drawing")
    assert sum(share > 0.005 for share in painted) >= STEADY_FIGURES
    label = opened.page.evaluate(
        """() => Object.values(Bokeh.index.roots ?? Bokeh.index)[0].model.references
            ? [...Object.values(Bokeh.index.roots ?? Bokeh.index)[0].model.references()]
                .find((model) => "axis_label_text_color" in model).axis_label_text_color : null"""
    )
    paper = opened.page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (label, paper) == {
        "light": ("#23262b", "rgb(251, 250, 247)"),
        "dark": ("#e4e2dc", "rgb(25, 28, 32)"),
    }[scheme]


def test_whoever_cannot_see_or_point_gets_along(light_steady):
    opened = light_steady
    page = opened.page
    assert page.get_attribute("html", "lang") == "en"
    levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3,h4')].map((h) => Number(h.tagName[1]))")
    assert levels[0] == 1
    assert all(later <= earlier + 1 for earlier, later in itertools.pairwise(levels))
    assert page.locator(".drawing:not([aria-label])").count() == 0
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"


def test_a_figure_pans_zooms_and_tells_what_is_under_the_pointer(light_steady):
    opened = light_steady
    page = opened.page
    figure = page.locator(".drawing[aria-label*='True air flow']")
    figure.scroll_into_view_if_needed()
    box = figure.bounding_box()
    at = (box["x"] + box["width"] / 2, box["y"] + 150)
    spot = spot_of_a_mark(page, figure)
    page.mouse.move(spot[0] - 40, spot[1] - 40)
    page.mouse.move(*spot, steps=4)
    expect(page.get_by_text("factor:")).to_be_visible()
    before = ranges(page, figure)
    page.mouse.move(*at)
    page.mouse.down()
    page.mouse.move(at[0] + 120, at[1] + 20, steps=5)
    page.mouse.up()
    panned = ranges(page, figure)
    assert panned[0] != before[0]
    assert panned[0] == panned[1]  # the panels share their x axis
    page.mouse.wheel(0, 300)  # the wheel scrolls the page: its tool is off until it is chosen
    page.wait_for_timeout(100)
    assert ranges(page, figure) == panned
    figure.locator(".bk-tool-icon-wheel-zoom").first.click()
    figure.scroll_into_view_if_needed()
    box = figure.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 150)
    page.mouse.wheel(0, -300)
    page.wait_for_timeout(200)
    assert span(ranges(page, figure)[0]) < 0.98 * span(panned[0])


def ranges(page, figure):
    """Start and end of the x axis of every panel of a figure."""
    return page.evaluate(
        """(label) => {
            const roots = Object.values(Bokeh.index.roots ?? Bokeh.index);
            const root = roots.find((view) => label.contains(view.el.getRootNode().host ?? view.el));
            return [...root.model.references()].filter((m) => "x_range" in m && "y_range" in m)
                .map((plot) => [plot.x_range.start, plot.x_range.end]);
        }""",
        figure.element_handle(),
    )


def span(limits):
    return limits[1] - limits[0]


def spot_of_a_mark(page, figure):
    """Where on the screen one of the marks of a figure's first panel lies."""
    return page.evaluate(
        """(drawing) => {
            const all = (view) => [view, ...[...view.children()].flatMap(all)];
            const roots = Object.values(Bokeh.index.roots ?? Bokeh.index);
            const root = roots.find((view) => drawing.contains(view.el.getRootNode().host ?? view.el));
            const panel = all(root).find((view) => view.model.renderers && view.frame);
            const marks = panel.model.renderers.find((r) => r.glyph?.type === "Scatter" && r.data_source.data.factor);
            const at = (axis) => [...marks.data_source.data[marks.glyph[axis].field]];
            const middle = Math.floor(at("x").length / 2);
            const box = panel.canvas_view.el.getBoundingClientRect();
            return [box.left + panel.frame.x_scale.compute(at("x")[middle]),
                    box.top + panel.frame.y_scale.compute(at("y")[middle])];
        }""",
        figure.element_handle(),
    )


@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_a_phone(pages, chromium, name):
    with offline_page(chromium, **PHONE) as opened:
        opened.show(pages[name], figures=name in DRAWN)
        width = opened.page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
        assert width[0] <= width[1] == 360
        wide = opened.page.evaluate(
            """() => [...document.querySelectorAll(".drawing")]
                .filter((drawing) => drawing.scrollWidth > drawing.clientWidth + 1).length"""
        )
        assert wide == 0


def test_a_finger_on_a_figure_scrolls_the_page(phone_steady):
    opened = phone_steady
    active = opened.page.evaluate(
        """() => Object.values(Bokeh.index.roots ?? Bokeh.index).flatMap((view) => [...view.model.references()])
            .filter((m) => "gestures" in m && m.gestures.pan).map((bar) => bar.gestures.pan.active)"""
    )
    assert active
    assert set(active) == {None}


def test_print_has_the_figures_on_white(steady, tmp_path):
    _, opened = steady
    opened.page.pdf(path=tmp_path / "steady.pdf", prefer_css_page_size=True)
    assert (tmp_path / "steady.pdf").stat().st_size > 100_000
    opened.page.emulate_media(media="print")
    shown = opened.page.evaluate(
        """() => [...document.querySelectorAll("figure")].map((figure) => {
            const box = figure.querySelector("svg.drawn").getBoundingClientRect();
            return [getComputedStyle(figure.querySelector(".drawing")).display, box.width, box.height];
        })"""
    )
    assert len(shown) >= STEADY_FIGURES
    in_folded = sum(not width for _, width, _ in shown)  # this browser unfolds for paper only when it prints
    assert in_folded <= FOLDED_FIGURES
    assert all(drawing == "none" and (not width or (width > 300 and height > 80)) for drawing, width, height in shown)
    paper = opened.page.evaluate("getComputedStyle(document.body).backgroundColor")
    opened.page.emulate_media(media="screen")
    assert paper == "rgb(255, 255, 255)"


def test_the_drive_plan_prints_on_one_sheet_and_has_six_holds_a_line_on_a_phone(pages, chromium, tmp_path):
    with offline_page(chromium, **PHONE | {"viewport": {"width": 390, "height": 740}}) as opened:
        opened.show(pages["drive_sheet"], figures=False)
        inside = opened.page.evaluate(
            """() => [...document.querySelectorAll(".compact")].map((box) => [box.scrollWidth, box.clientWidth,
                box.querySelectorAll("tbody tr:first-child td").length])"""
        )
        assert inside
        assert all(wide <= room and cells == 7 for wide, room, cells in inside)  # a gear, and six holds
    with offline_page(chromium) as opened:
        opened.show(pages["drive_sheet"], figures=False)
        opened.page.pdf(path=tmp_path / "sheet.pdf", prefer_css_page_size=True)
    pages = re.findall(rb"/Type\s*/Page[^s]", (tmp_path / "sheet.pdf").read_bytes())
    assert len(pages) == 1


def test_a_status_is_a_word_and_a_shape_not_only_a_colour(record, chromium):
    with offline_page(chromium) as opened:
        opened.show(record / "index.html", figures=False)
        seen = opened.page.evaluate(
            """() => [...document.querySelectorAll(".findings .status")].map((s) => [s.textContent.trim(),
                s.querySelector("svg").innerHTML.trim()])"""
        )
    assert {word for word, _ in seen} <= {"met", "measured", "watch", "stop", "not shown"}
    shapes = dict(seen)
    assert len(set(shapes.values())) == len(shapes) >= 2


def test_every_link_of_the_summary_leads_to_a_file_of_the_record(record):
    text = (record / "index.html").read_text(encoding="utf-8")
    links = set(re.findall(r'<a [^>]*href="([^"#]+)"', text))
    assert {"steady.html", "drive_plan.html", "results.json", "tables/meter_curve.csv", "proposal.toml"} <= links
    assert all((record / link).is_file() for link in links)


@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.parametrize("name", QUESTIONS)
def test_a_question_is_answered_on_the_first_screen_without_scripts(record, chromium, name, screen):
    """Sentence, value, limit and status of the leading finding, equal to results.json, above everything else."""
    with offline_page(chromium, java_script_enabled=False, **SCREENS[screen]) as opened:
        opened.show(record / f"{name}.html", figures=False)
        page = opened.page
        assert below_first_screen(page, QUESTION_HEAD, needed=tuple(QUESTION_HEAD)) == []
        row = page.locator(".answer .values li").first
        title, word = row.locator(".what").inner_text(), row.locator(".status").inner_text().strip()
        reading, bound = row.locator(".reading").inner_text(), row.locator(".bound").inner_text()
        answer = page.locator("#answer").bounding_box()
        below = page.locator("main > section:not(#answer)").first.bounding_box()
    found = next(f for f in json.loads((record / "results.json").read_text("utf-8"))["findings"] if f["title"] == title)
    assert word == found["status"].replace("_", " ")
    number = re.match(r"[\u2212\d.]+", reading).group().replace("\u2212", "-")
    last_digit = 10.0 ** -len(number.partition(".")[2])
    assert float(number) == pytest.approx(found["value"], abs=0.501 * last_digit)
    assert found["limit"] is None or f"limit {found['limit']:g}" in bound
    assert answer["y"] + answer["height"] <= below["y"]


def test_every_value_interval_limit_and_status_on_a_page_is_that_of_results_json(record):
    findings = json.loads((record / "results.json").read_text("utf-8"))["findings"]
    texts = {path.name: path.read_text("utf-8") for path in record.glob("*.html")}
    assert {name: misstated(text, findings) for name, text in texts.items()} == {name: [] for name in texts}
    assert {shown.title for text in texts.values() for shown in shown_on(text)} >= {
        f["title"] for f in findings if f["value"] is not None
    }
    assert contradictions(texts) == []


def test_every_caption_says_what_came_out_and_one_thing_is_never_written_as_many(record):
    for page in record.glob("*.html"):
        text = page.read_text("utf-8")
        assert captions_without_result(text) == [], page.name
        assert one_as_many(text) == [], page.name


def test_a_caption_without_a_result_and_one_as_many_are_found():
    """The test above can fail."""
    caption = '<figcaption><span class="count">Figure 3.</span> {}</figcaption>'
    for words, count in (("Parts of the drive", 1), ("Idle: 3 rpm off", 0), ("Tables: none changes", 0)):
        assert len(captions_without_result(caption.format(words))) == count
    for words, count in (("of 1 samples, a", 1), ("11 starts", 0), ("1 process", 0), ("bank 1 follows it", 0)):
        assert len(one_as_many(f"<p>{words}</p><pre>1 samples</pre>")) == count


def test_a_number_that_is_not_that_of_results_json_is_found():
    """The two tests above can fail."""
    row = (
        '<li><span class="status met"></span> <span class="what">T</span> '
        '<span class="reading">1.5 % (1.2 to 1.8)</span> <span class="bound">limit 2 %, kept</span></li>'
    )
    known = {"id": "t.value", "title": "T", "status": "met", "value": 1.5, "lower": 1.2, "upper": 1.8, "limit": 2.0}
    assert misstated(row, [known]) == []
    for name, other in (("status", "watch"), ("value", 1.6), ("lower", 1.0), ("upper", 1.9), ("limit", 3.0)):
        assert len(misstated(row, [known | {name: other}])) == 1, name
    assert contradictions({"a": row, "b": row}) == []
    assert len(contradictions({"a": row, "b": row.replace("1.5 %", "1.6 %")})) == 1


def test_the_plan_is_the_same_on_the_page_in_the_summary_and_from_the_command(demo, record, tmp_path):
    """The command counts all drives, a record those up to its own: without later ones both have the same."""
    later = [path.name for path in (demo[1] / "sessions").iterdir() if path.name > record.name]
    left_out = shutil.ignore_patterns("records", "r02.toml", "r03.toml", *later)
    root = shutil.copytree(demo[1], tmp_path / "car", ignore=left_out)
    sentence = plan_sentence(plan_for(root, None).plan)
    for name in ("index", "drive_plan"):
        assert sentence in re.sub("<[^>]+>", "", as_read((record / f"{name}.html").read_text("utf-8"))), name


def test_the_proposal_is_predicted_alike_wherever_it_is_spoken_of(record):
    findings = json.loads((record / "results.json").read_text("utf-8"))["findings"]
    predicted = next(f for f in findings if f["id"] == "steady.proposal_predicted")
    pages = {name: as_read((record / f"{name}.html").read_text("utf-8")) for name in ("index", "steady")}
    shown = [shown for text in pages.values() for shown in shown_on(text) if shown.title == predicted["title"]]
    seen = {one.reading.rstrip(")") for one in shown}
    assert len(seen) == 1
    said = re.search(r"([\d.]+) % predicted after", pages["steady"])
    assert float(said[1]) == pytest.approx(predicted["value"], abs=0.051)


def test_every_reference_line_lies_in_view_or_is_named_at_the_edge(record):
    counts, outside = zip(*(lines_out_of_view(path) for path in record.glob("*.ipynb")), strict=True)
    assert sum(counts) > 10
    assert [line for found in outside for line in found] == []


@pytest.mark.parametrize("name", ["index", "steady"])
def test_no_caption_or_heading_is_printed_without_what_belongs_to_it(record, chromium, name):
    with offline_page(chromium) as opened:
        opened.show(record / f"{name}.html", figures=name != "index")
        found, parted = parted_in_print(opened.page)
    assert found > 25
    assert parted == []


@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.parametrize("name", ["index", *QUESTIONS])
def test_the_first_screen_holds_the_answer_and_its_figure_when_it_is_drawn(record, chromium, name, screen):
    with offline_page(chromium, **SCREENS[screen]) as opened:
        opened.show(record / f"{name}.html", figures=name != "index")
        head = SUMMARY_HEAD if name == "index" else QUESTION_HEAD
        assert below_first_screen(opened.page, head, needed=tuple(head)) == []


def test_every_figure_has_a_picture_without_scripts_and_says_in_numbers_what_it_shows(record, chromium):
    with offline_page(chromium, java_script_enabled=False) as opened:
        opened.show(record / "steady.html", figures=False)
        page = opened.page
        figures, folded = page.locator("figure"), page.locator("main > details figure")
        assert figures.count() >= STEADY_FIGURES
        shown = [page.locator("figure svg.drawn").nth(k).is_visible() for k in range(figures.count())]
        assert shown.count(False) == folded.count() == FOLDED_FIGURES
        assert page.locator("figure svg.drawn path").count() > 10 * figures.count()
        names = [page.locator("figure .drawing").nth(k).get_attribute("aria-label") for k in range(figures.count())]
        numbers = page.locator("figcaption .count").all_text_contents()
    assert all(re.search(r"\d", name) for name in names)
    assert numbers == [f"Figure {k}." for k in range(1, len(names) + 1)]


@pytest.mark.parametrize("name", QUESTIONS)
def test_every_entry_of_the_contents_leads_to_its_part(record, name):
    text = (record / f"{name}.html").read_text(encoding="utf-8")
    contents = text.partition('<nav class="contents"')[2].partition("</nav>")[0]
    links = re.findall(r'href="#([^"]+)"', contents)
    assert links[:2] == ["answer", "what-to-do"]
    assert links[-2:] == ["what-may-be-trusted", "what-was-read"]
    assert all(f'id="{link}"' in text for link in links)


def test_code_is_folded_behind_one_switch(light_steady):
    page = light_steady.page
    assert page.locator("pre.code").count() > 10
    assert not page.locator("pre.code").first.is_visible()
    page.get_by_label("Show the code").check()
    assert page.locator("#how pre.code").first.is_visible()
    page.get_by_label("Show the code").uncheck()


def test_the_keyboard_stops_once_at_each_row_of_tools_and_hears_their_names(light_steady):
    stops = light_steady.page.evaluate(
        """() => {
            const all = (node) => [node, ...[...(node.shadowRoot?.children ?? []), ...node.children].flatMap(all)];
            return [...document.querySelectorAll("section .drawing")].map((drawing) => all(drawing)
                .filter((e) => e.tabIndex >= 0 && e.getBoundingClientRect().width)
                .map((e) => [e.getAttribute("role"), e.getAttribute("aria-label")]));
        }"""
    )
    assert stops
    assert all(len(own) <= 1 for own in stops)
    assert all(role == "button" and name for own in stops for role, name in own)
