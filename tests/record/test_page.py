"""The page of a notebook: everything from outside stays text, and only the page's own scripts may run."""

import base64
import gzip
import hashlib
import re
from pathlib import Path

import holoviews as hv
import nbformat
import numpy as np
import pandas as pd
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output
from offline_browser import browser, offline_page
from page_checks import as_read, parted_in_print, torn_in_print

from tunelab.chart.explore import NO_BOX
from tunelab.chart.look import CELL_INK, EDGE, panel
from tunelab.record.display import FIGURE, PAGE_RUN, TABLE, bullets, figure_item, set_up_display, table_item, typeset
from tunelab.record.execute import Run
from tunelab.record.notebook import Notebook
from tunelab.record.page import TEMPLATES, fitted, notebook_page, prose

hv.extension("bokeh", logo=False)
CURVE = hv.Curve([(0, 1), (1, 2)])
HOSTILE = '</script><img src=x onerror="alert(1)"><b>bold</b>&amp;'


def page_of(*cells, failure="") -> str:
    run = Run(Notebook("n", Path("n.ipynb"), "What?", (), ()), new_notebook(cells=list(cells)), failure)
    return notebook_page(run, {"session": HOSTILE})


def cell_with(*outputs) -> nbformat.NotebookNode:
    return new_code_cell("x = 1", outputs=list(outputs))


def figure_cell(figure) -> nbformat.NotebookNode:
    item, title = figure_item(figure)
    return cell_with(new_output("display_data", data={FIGURE: item, "text/plain": title}))


def test_whatever_comes_from_outside_stays_text():
    table = pd.DataFrame({HOSTILE: [HOSTILE]})
    page = page_of(
        new_markdown_cell(f"# T\n\n{HOSTILE}"),
        new_code_cell(HOSTILE, outputs=[new_output("stream", name="stdout", text=HOSTILE)]),
        cell_with(new_output("execute_result", data={TABLE: table_item(table), "text/html": HOSTILE})),
        cell_with(new_output("execute_result", data={"text/html": HOSTILE, "text/plain": HOSTILE})),
        cell_with(new_output("execute_result", data={"text/markdown": HOSTILE})),
        cell_with(new_output("error", ename="E", evalue=HOSTILE, traceback=[f"\x1b[31m{HOSTILE}\x1b[0m"])),
        failure=HOSTILE,
    )
    assert "<img" not in page
    assert "<b>" not in page
    assert "onerror=&#34;" in page
    assert "\x1b" not in page
    assert page.count("</script>") == 0  # no figure, so no script at all


def test_a_hostile_figure_cannot_leave_its_data_block():
    curve = hv.Curve([(0, 1), (1, 2)], "x", "y").opts(title=HOSTILE, responsive=True, height=200)
    page = page_of(figure_cell(curve))
    assert "<img" not in page
    packed = re.search(r'data-figure="figure-1">([^<]*)</script>', page).group(1)
    assert "Curve" not in packed
    assert gzip.decompress(base64.b64decode(packed)).startswith(b'{"target_id"')


def test_the_policy_lets_in_exactly_the_scripts_of_the_page():
    page = page_of(figure_cell(hv.Curve([(0, 1), (1, 2)]).opts(responsive=True, height=200)))
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page).group(1)
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["connect-src"] == "'none'"
    inline = re.search(r"<script>(.*?)</script>", page, re.DOTALL).group(1)
    packed = re.search(r'data-script="bokeh">([^<]*)</script>', page).group(1)
    texts = [inline.encode(), gzip.decompress(base64.b64decode(packed))]
    wanted = [f"'sha256-{base64.b64encode(hashlib.sha256(text).digest()).decode()}'" for text in texts]
    assert rules["script-src"].split() == wanted


def test_a_page_without_figures_carries_and_allows_no_script():
    page = page_of(new_markdown_cell("# T"))
    assert "script-src 'none'" in page
    assert "<script" not in page


def test_the_same_run_gives_the_same_page():
    cell = figure_cell(hv.Curve([(0, 1), (1, 2)]).opts(responsive=True, height=200))
    assert page_of(cell) == page_of(cell)


def test_a_failure_stands_at_the_top_before_everything_else():
    page = page_of(new_markdown_cell("# Title"), failure="ValueError: no lambda")
    assert page.index("ValueError: no lambda") < page.index("<h1>What?</h1>")
    assert 'role="alert"' in page


def test_a_failed_page_says_where_it_stopped_and_folds_the_traceback():
    failed = cell_with(new_output("error", ename="ValueError", evalue="no lambda", traceback=["File tunelab.x:12"]))
    page = page_of(new_markdown_cell("## Over load\n\nbefore"), failed, failure="ValueError: no lambda")
    head, _, rest = page.partition("<h1>")
    assert '<a href="#over-load">Over load</a>: ValueError: no lambda' in head
    assert "record the session again" in head
    assert re.search(r'<details class="also trace"[^>]*><summary>[^<]*</summary>\s*<pre[^>]*>File tunelab.x:12', rest)


def test_what_did_not_run_is_left_out_of_the_page():
    failed = cell_with(new_output("error", ename="ValueError", evalue="no lambda", traceback=["ValueError: no lambda"]))
    cells = [new_markdown_cell("before"), failed, new_markdown_cell("look at the figure"), cell_with()]
    page = page_of(*cells, failure="ValueError: no lambda")
    assert "before" in page
    assert "did not run" in page
    assert "look at the figure" not in page


@pytest.mark.parametrize("make", [lambda: CURVE, lambda: CURVE + CURVE, lambda: hv.DynamicMap(lambda: CURVE)])
def test_a_live_figure_asks_no_server_for_its_styles(make, monkeypatch):
    monkeypatch.delenv(PAGE_RUN, raising=False)
    set_up_display()
    shown = str(hv.renderer("bokeh").components(make()))
    assert len(shown) > 1000
    assert "cdn." not in shown
    assert ".css" not in shown


def test_markdown_shows_tables_and_no_pictures_and_no_dangerous_links():
    html = prose("| a |\n|---|\n| 1 |\n\n![x](http://a.example/x.png)\n\n[l](javascript:alert(1))\n\nλ = 1 °C ²")
    assert "<table>" in html
    assert "<img" not in html
    assert 'href="javascript' not in html
    assert "λ = 1 °C ²" in as_read(html)


def test_sentences_cannot_bring_markup_of_their_own():
    html = prose(bullets(["# not a head\n\n- a", "*x* [l](http://a.example) <b>"]).data)
    assert "<h1" not in html
    assert "<a " not in html
    assert "<em>" not in html
    assert html.count("<li>") == 2


def test_what_was_printed_in_pieces_is_one_text():
    pieces = [new_output("stream", name="stdout", text=text) for text in ("-", " one\n", "- two\n")]
    assert "<pre" in page_of(cell_with(*pieces))
    assert page_of(cell_with(*pieces)) == page_of(cell_with(new_output("stream", name="stdout", text="- one\n- two\n")))


def test_figures_carry_their_caption_and_a_name_for_those_who_cannot_see_them():
    curve = hv.Curve([(0, 1), (1, 2)], "time [s]", "lambda [–]").opts(title="A caption", responsive=True, height=200)
    page = page_of(figure_cell(curve))
    assert '<figcaption><span class="count">Figure 1.</span> A caption</figcaption>' in page
    assert 'aria-label="A caption: lambda [–] against time [s], 0 to 1 across, 1 to 2 up"' in page


def test_tables_round_for_reading_and_show_what_is_missing():
    item = table_item(pd.DataFrame({"a": [1 / 3, float("nan"), 12345.678, 1e-9], "b": [True, False, None, "x"]}))
    assert [row[0] for row in item["rows"]] == ["0.3333", "–", "12345.7", "1.000e-09"]
    assert [row[1] for row in item["rows"]] == ["yes", "no", "–", "x"]
    assert item["numeric"] == [True, False]


def test_a_column_has_as_many_decimals_throughout_and_none_that_its_quantity_does_not_carry():
    table = pd.DataFrame({"battery_v": [12.44, 14.0, 9.7], "engine_speed_rpm": [5420.04, 850.0, 6700.0],
                          "gain": [0.74, 0.8, 1.0], "far apart": [1e-9, 2.0, 3.0], "count": [1, 20, 300]})  # fmt: skip
    columns = list(zip(*table_item(table)["rows"], strict=True))
    assert columns == [
        ("12.44", "14.00", "9.70"), ("5420", "850", "6700"), ("0.74", "0.80", "1.00"), ("1.000e-09", "2", "3"),
        ("1", "20", "300"),
    ]  # fmt: skip


def test_where_each_row_is_a_quantity_its_numbers_have_as_many_decimals_and_keep_their_digits():
    table = pd.DataFrame({"check": ["lambda", "coolant", "speed"], "value": [0.8937, 88.01, 6422.4],
                          "limit": [0.92, 105.0, 6700.0], "unit": ["1", "°C", "rpm"]})  # fmt: skip
    assert [row[1:3] for row in table_item(table)["rows"]] == [
        ["0.8937", "0.9200"],
        ["88.0", "105.0"],
        ["6422", "6700"],
    ]
    noise = pd.DataFrame({"unit": ["V", "rpm"], "value": [0.0031, 12.0], "times": [15.04, 1.5]})
    assert [row[1:] for row in table_item(noise)["rows"]] == [["0.0031", "15.04"], ["12", "1.50"]]
    mixed = pd.DataFrame({"within": [0.06906, 30.16, 339.9]})
    assert [row[0] for row in table_item(mixed)["rows"]] == ["0.06906", "30.16", "339.9"]


def test_a_column_of_units_is_read_as_the_trade_writes_them():
    units = ["percent", "degree_Celsius", "kg h-1", "kPa", "1", None]
    rows = table_item(pd.DataFrame({"channel": list("abcdef"), "unit": units}))["rows"]
    assert [row[1] for row in rows] == ["%", "°C", "kg/h", "kPa", "–", "–"]


def test_channels_and_reasons_are_shown_in_words_but_where_they_are_to_be_typed():
    table = pd.DataFrame({"channel": ["meter_v", "own"], "reason": ["fuel_cut", "file_1.csv is cut"], "n": [1, 2]})
    assert table_item(table)["rows"] == [["meter voltage [V]", "fuel cut", "1"], ["own", "file_1.csv is cut", "2"]]
    assert table_item(table.assign(unit="V"))["rows"][0][0] == "meter voltage"  # its unit stands in the row
    table.attrs["typed"] = ["channel"]
    assert table_item(table)["rows"][0][0] == "meter_v"


def test_shown_numbers_have_a_real_minus_and_what_is_typed_or_run_keeps_its_hyphen():
    table = pd.DataFrame({"change_pct": [-1.5, 2.0], "value": ["-0.5", "r01-r02"]})
    table.attrs["typed"] = ["value"]
    code = new_code_cell("x = -1", outputs=[new_output("execute_result", data={TABLE: table_item(table)})])
    failed = new_output("error", ename="E", evalue="", traceback=["-7"])
    printed = cell_with(new_output("stream", name="stdout", text="low -2.5"), failed)
    page = page_of(new_markdown_cell("# T\n\nfrom -3 to 2026-05-03, `-4`"), code, printed)
    assert "from \u22123 to 2026-05-03, <code>-4</code>" in page
    assert '<td class="number"><data value="-1.5">\u22121.5</data></td>' in page
    assert "<code>-0.5</code>" in page
    assert "x = -1" in page
    assert "low \u22122.5" in page
    assert ">-7</pre>" in page


def test_a_status_is_read_in_words():
    rows = table_item(pd.DataFrame({"check": ["oil"], "status": ["not_shown"], "passed": [False]}))["rows"]
    assert rows == [["oil", "not shown", "no"]]


def test_a_table_without_rows_says_none():
    neither = page_of(cell_with(new_output("execute_result", data={TABLE: table_item(pd.DataFrame())})))
    assert "Nothing to list" not in neither
    table = pd.DataFrame({"date": [], "author": []})
    page = page_of(cell_with(new_output("execute_result", data={TABLE: table_item(table)})))
    assert '<p class="note">Nothing to list.</p>' in page  # no head without a body
    assert "<table" not in page.partition("<main")[2]


def test_a_wide_table_has_each_interval_beside_its_value_and_a_narrow_one_keeps_its_columns():
    table = pd.DataFrame({
        "state": ["idle", "cruise"], "dip_rpm": [-12.5, np.nan], "dip_lower_rpm": [-20.0, np.nan],
        "dip_upper_rpm": [-5.0, np.nan], "error": [0.25, 1.0], "error_lower": [0.125, np.nan],
        "error_upper": [0.5, np.nan],
    })  # fmt: skip
    assert len(table_item(table)["head"]) == 7
    wide = table_item(table.assign(**dict.fromkeys("abc", 1)))
    assert wide["head"] == ["state", "dip [rpm]", "error", "a", "b", "c"]
    assert wide["rows"][0][1:3] == ["−12 (−20 to −5)", "0.250 (0.125 to 0.500)"]
    assert wide["rows"][1][1:3] == ["–", "1.000"]


def test_a_tables_head_names_its_unit_in_brackets():
    table = pd.DataFrame(columns=["start_s", "air_flow_kg_h", "c_n_s2_m2 [N s²/m²]", "basis", "lower per h", "_s"])
    assert table_item(table)["head"] == [
        "start [s]",
        "air flow [kg/h]",
        "c n s2 m2 [N s²/m²]",
        "basis",
        "lower per h",
        " s",
    ]


def test_a_section_that_holds_only_code_is_no_empty_fold_and_what_is_done_by_hand_is_not_printed(
    chromium_path, tmp_path
):
    words = "Look for spikes. Drag to the side: the axis is shared. A cell of *few* samples says little."
    cells = [new_markdown_cell(f"## Seen\n\n{words}"), new_markdown_cell("## What was read"), cell_with()]
    cells += [new_markdown_cell("## What may be trusted"), cell_with(new_output("stream", name="stdout", text="all"))]
    (tmp_path / "n.html").write_text(page_of(*cells), encoding="utf-8")
    heads = "[...document.querySelectorAll('h2')].filter((h) => h.checkVisibility()).map((h) => h.textContent)"
    with browser(chromium_path) as started, offline_page(started) as opened:
        opened.show(tmp_path / "n.html", figures=False)
        page = opened.page
        assert page.evaluate(heads) == ["Seen", "What may be trusted"]
        assert "Drag to the side" in page.inner_text("#seen")
        page.emulate_media(media="print")
        assert page.inner_text("#seen p") == "Look for spikes. A cell of few samples says little."
        assert page.evaluate(heads) == ["Seen", "What may be trusted"]
        page.emulate_media(media="screen")
        page.locator("summary", has_text="Contents").click()
        page.check("#show-code")
        assert page.evaluate(heads) == ["Seen", "What may be trusted", "What was read"]


def launches(columns: int) -> pd.DataFrame:
    """A table as wide as that of the launches: sessions, drivers, and numbers of five digits."""
    keys = {"session": ["2026-05-20-launch-marit"] * 6, "launch": range(1, 7), "driver": ["Marit Oldskar"] * 6}
    numbers = {f"largest slip {k} recovery_pct": np.linspace(-1000.25, 999.75, 6) for k in range(columns - 3)}
    return pd.DataFrame(keys | numbers)


@pytest.mark.parametrize("columns", [6, 10, 12, 17])
def test_on_paper_no_table_breaks_a_number_or_a_word_and_its_columns_stay_apart(chromium_path, tmp_path, columns):
    page = page_of(cell_with(new_output("display_data", data={TABLE: table_item(launches(columns))})))
    (tmp_path / "n.html").write_text(page, encoding="utf-8")
    with browser(chromium_path) as started, offline_page(started, viewport={"width": 1280, "height": 800}) as opened:
        opened.show(tmp_path / "n.html", figures=False)
        scrolled = (
            "[...document.querySelectorAll('.wide')].filter((box) => box.scrollWidth > box.clientWidth + 1).length"
        )
        assert opened.page.evaluate(scrolled) == 0  # all of it is in view on a desk
        count, found = torn_in_print(opened.page)
    assert found == []
    assert count == page.count("<table")


def test_a_table_too_wide_for_a_page_comes_in_parts_that_each_begin_with_what_names_the_row():
    table = launches(17).assign(launch=[1, 2, 3, 1, 2, 3], session=["a"] * 3 + ["b"] * 3)
    parts = fitted(table_item(table))
    assert len(parts) > 1
    assert all(part["head"][:2] == ["session", "launch"] for part in parts)
    shown = [name for part in parts for name in part["head"][2:]]
    assert shown == table_item(table)["head"][2:]  # every column, once
    assert fitted(table_item(launches(5)))[0]["rows"] == table_item(launches(5))["rows"]


def test_in_the_dark_a_figure_has_the_pages_tones_before_it_is_drawn(chromium_path, tmp_path):
    curve = hv.Curve([(0, 1), (1, 2)], "x", "y").opts(title="t", responsive=True, height=200, show_grid=True)
    cells = hv.Rectangles([(0, 0, 1, 1)]).opts(**EDGE, responsive=True, height=200)
    (tmp_path / "n.html").write_text(page_of(figure_cell(curve), figure_cell(cells)), encoding="utf-8")
    edges = """Object.values(Bokeh.index.roots ?? Bokeh.index).flatMap((view) => [...view.model.references()])
        .filter((m) => m.type === "Quad" && m.line_alpha?.value !== 0.1).map((m) => m.line_color?.value)"""
    keep = """Object.defineProperty(window, "Bokeh", {configurable: true, get() { return this.kept; }, set(made) {
        this.kept = made;
        const own = made.embed.embed_item;
        made.embed.embed_item = (item, ...rest) => { window.given = JSON.stringify(item); return own(item, ...rest); };
    }})"""
    for scheme, tone in (("dark", "#a5abb3"), ("light", None)):
        with browser(chromium_path) as started, offline_page(started, color_scheme=scheme) as opened:
            opened.page.add_init_script(keep)
            opened.show(tmp_path / "n.html")
            axis = re.search(r'"name":"LinearAxis".*?"attributes":(\{.*?\})', opened.page.evaluate("window.given"))
            assert (f'"major_label_text_color":"{tone}"' in opened.page.evaluate("window.given")) == (tone is not None)
            assert axis
            assert ("#191c20" if tone else "#fbfaf7") in opened.page.evaluate(edges)  # the paper's, round each cell
            assert "white" not in opened.page.evaluate(edges)
            assert not opened.complaints


def test_a_figure_on_a_page_asks_for_no_box_that_nothing_there_would_mark():
    item, title = figure_item(CURVE.opts(title=NO_BOX, clone=True))
    assert item["caption"] == "Over time"
    assert "box" not in title


# A space stands between a number and its unit (SI Brochure, 9th edition, 5.4.3); that no line breaks there is common
# practice, no source.
@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("16.1 % of it", "16.1_% of it"), ("6,700 rpm", "6,700_rpm"), ("1.2 ± 0.3 %", "1.2_±_0.3_%"),
        ("0.95 to 1.10 V", "0.95 to 1.10_V"), ("3 min 59 s", "3_min 59_s"), ("12 N m", "12_N_m"), ("5 %/s", "5_%/s"),
        ("2 ms", "2_ms"), ("3 holds", "3 holds"), ("4 Vans", "4 Vans"), ("2.9 per hour", "2.9 per hour"),
    ],
)  # fmt: skip
def test_a_number_stays_on_one_line_with_its_unit(text, kept):
    assert typeset(text).replace("\N{NO-BREAK SPACE}", "_") == kept
    assert as_read(typeset(text)) == text


LONG_TITLE = "lambda: standard deviation within a cell, 0 to 0.266 over 56 cells of the map"
PHONE, DESK = {"viewport": {"width": 390, "height": 844}}, {"viewport": {"width": 1280, "height": 800}}
# Of each panel: whether its words on cells and its cells are drawn, and how far its title reaches beyond the frame.
PANELS = """() => Object.values(Bokeh.index.roots ?? Bokeh.index).flatMap((view) => [...view.model.references()])
    .filter((m) => "inner_width" in m).map((m) => {
        const pen = document.createElement("canvas").getContext("2d");
        pen.font = `bold ${m.title.text_font_size} ${m.title.text_font}`;
        const lines = m.title.text.split("\\n").map((line) => pen.measureText(line).width);
        const seen = (name) => m.renderers.filter((r) => r.glyph.type === name).map((r) => r.visible);
        const beyond = Math.max(...lines) - m.inner_width;
        return {words: seen("Text"), cells: seen("Quad"), beyond, title: m.title.text};
    })"""


def map_of(columns: int) -> hv.Layout:
    """Two panels of a map with words on its cells, and a long title over the second."""
    cells = hv.Rectangles([(k, 0, k + 1, 1) for k in range(columns)])
    words = hv.Labels([(k + 0.5, 0.5, "65.2\n−0.3") for k in range(columns)]).opts(
        text_color=CELL_INK, text_font_size="7pt"
    )
    options = panel("", 200, xlabel="x", ylabel="y") | {"padding": 0}
    return hv.Layout([(cells * words).opts(**options | {"title": title}) for title in ("", LONG_TITLE)]).cols(1)


def test_on_a_phone_no_title_is_cut_and_no_words_of_a_map_run_together(chromium_path, tmp_path):
    (tmp_path / "n.html").write_text(page_of(figure_cell(map_of(12))), encoding="utf-8")
    with browser(chromium_path) as started:
        for screen, shown in ((PHONE, False), (DESK, True)):
            with offline_page(started, **screen) as opened:
                opened.show(tmp_path / "n.html")
                opened.page.wait_for_timeout(200)
                panels = opened.page.evaluate(PANELS)
                assert len(panels) == 2
                assert all(panel["words"] == [shown] and panel["cells"] == [True] for panel in panels)
                assert all(panel["beyond"] <= 0 for panel in panels)
                assert LONG_TITLE in [panel["title"].replace("\n", " ") for panel in panels]
                assert opened.page.locator("figure.wordless").count() == (not shown)  # a sentence says so
                assert not opened.complaints


def test_words_within_a_panel_are_smaller_where_its_edge_would_cut_them(chromium_path, tmp_path):
    words = hv.Labels([(0.0, 0.5, "Largest rich error of lambda against commanded: 236 %, watch")])
    options = panel("", 200, xlabel="x", ylabel="y") | {"padding": 0, "xlim": (0, 1)}
    drawn = (hv.Curve([(0, 0), (1, 1)]) * words.opts(text_align="left", text_font_size="9pt")).opts(**options)
    (tmp_path / "n.html").write_text(page_of(figure_cell(drawn)), encoding="utf-8")
    look = """() => Object.values(Bokeh.index.roots ?? Bokeh.index).flatMap((view) => [...view.model.references()])
        .filter((m) => m.type === "Text").map((m) => parseFloat(m.text_font_size.value))"""
    with browser(chromium_path) as started:
        for screen, least, most in ((PHONE, 7, 8.9), (DESK, 9, 9)):
            with offline_page(started, **screen) as opened:
                opened.show(tmp_path / "n.html")
                sizes = opened.page.evaluate(look)
                assert least <= min(sizes) <= most  # of the words as drawn; those of a selection keep theirs


def test_a_card_on_a_phone_gives_its_first_value_the_whole_width_and_no_label_without_a_value(chromium_path, tmp_path):
    name, because = "Cylinder filling near idle over filling at high airflow", "the charge temperature has another law"
    table = pd.DataFrame({"check": [name] * 2, "value": [1.0, 2.0], "because": ["", because]})
    page = page_of(cell_with(new_output("display_data", data={TABLE: table_item(table)})))
    (tmp_path / "n.html").write_text(page, encoding="utf-8")
    look = """() => [...document.querySelectorAll(".cards tbody tr")].map((row) => ({wide: row.clientWidth,
        cells: [...row.cells].map((cell) => cell.getBoundingClientRect().width)}))"""
    with browser(chromium_path) as started, offline_page(started, **PHONE) as opened:
        opened.show(tmp_path / "n.html", figures=False)
        empty, full = opened.page.evaluate(look)
    assert empty["cells"][0] == pytest.approx(empty["wide"], abs=1)
    assert empty["cells"][2] == 0
    assert full["cells"][2] == pytest.approx(full["wide"], abs=1)


@pytest.mark.parametrize(("ticks", "may_go"), [(None, True), (["700", "1300"], True), (["idle", "1300 rpm"], False)])
def test_a_phone_leaves_out_numbers_of_an_axis_and_never_a_name(ticks, may_go):
    named = {"xticks": list(enumerate(ticks))} if ticks else {}
    item = figure_item(hv.Curve([(0, 1), (1, 2)]).opts(**panel("", 200, xlabel="x", ylabel="y"), **named))[0]["item"]
    assert ("NoOverlap" in item) == may_go


def test_a_long_list_of_findings_breaks_between_sheets_and_never_within_one(chromium_path, tmp_path):
    style = (TEMPLATES / "page.css").read_text(encoding="utf-8")
    found = "".join(f"<li><h3><span>finding {k}</span></h3><p>what came out of it</p></li>" for k in range(60))
    page = f"<!doctype html><style>{style}</style><main><h2>All</h2><ul class='findings'>{found}</ul></main>"
    (tmp_path / "n.html").write_text(page, encoding="utf-8")
    with browser(chromium_path) as started, offline_page(started) as opened:
        opened.show(tmp_path / "n.html", figures=False)
        count, parted = parted_in_print(opened.page)
    assert count > 60
    assert parted == []
