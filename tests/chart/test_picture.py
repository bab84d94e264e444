"""Still pictures: every number lands where its axis says, every text stays text, and the result is told in words."""

import itertools
import math
import re
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tunelab.chart import look
from tunelab.chart.first_page import draw_gates
from tunelab.chart.picture import TONES, WIDE, draw_gauges, draw_picture, shade_of, signed
from tunelab.chart.picture_parts import Axis, Band, Cells, Gauge, Line, Points, Rule, Span, show

CSS = (Path(__file__).parents[2] / "tunelab" / "record" / "templates" / "page.css").read_text("utf-8")
HOSTILE = '</svg><script>alert(1)</script><img src=x onerror="alert(1)">'
X, Y = Axis("time [s]", 0, 10), Axis("lambda [–]", 0, 2)


def parts(picture, kind):
    return [item for item in ET.fromstring(picture.svg).iter() if kind in (item.get("class") or "").split()]


def texts(picture):
    return [item.text for item in ET.fromstring(picture.svg).iter() if item.tag.endswith("text")]


def test_a_point_stands_where_its_axes_say():
    picture = draw_picture("T", "D", X, Y, [Points([0, 5, 10], [2, 1, 0])], height=200)
    (plot,) = [item for item in ET.fromstring(picture.svg) if item.tag.endswith("svg")]
    wide = float(plot.get("width"))
    places = [(float(p.get("cx")), float(p.get("cy"))) for p in parts(picture, "fill")]
    assert places == [(0, 0), (pytest.approx(wide / 2, abs=0.06), 100), (wide, 200)]


def test_gates_stand_with_what_presses_most_on_top_and_one_not_shown_has_an_empty_track():
    """The width of a bar is its share of the limit, and all bars share the scale that ends beyond the largest."""
    names = ["gate", "title", "status", "id", "value", "unit", "limit", "is_least", "used_pct", "reach_pct"]
    rows = [
        ("under_load", "Knock in every drive", "stop", "limits.knock_retard", 3.6, "°", 3.0, False, 120.0, 121.0),
        ("link", "Link", "not_shown", "", np.nan, "", np.nan, False, np.nan, np.nan),
        ("battery", "Battery", "met", "full_throttle.battery", 14.0, "V", 10.5, True, 75.0, 76.0),
    ]
    picture = draw_gates(pd.DataFrame(rows, columns=names), 4)
    assert picture.title.startswith("Of 4 checks 1 at stop, 1 not shown, 2 met")
    assert texts(picture)[:6] == [
        "Every drive: knock retard", "3.6 of 3°", "Battery", "14 V, least 10.5 V", "Drop-outs of the link", "not shown"
    ]  # fmt: skip
    bars = [float(bar.get("width")) for bar in parts(picture, "fill")]
    assert bars == pytest.approx([WIDE * 120 / (1.04 * 121), WIDE * 75 / (1.04 * 121)], abs=0.1)
    assert len(parts(picture, "track")) == 3
    assert "120 %" in picture.description
    assert draw_gates(pd.DataFrame(columns=names), 0) is None


def test_a_logarithmic_axis_gives_each_decade_the_same_length():
    axis = Axis("airflow [kg/h]", 1, 100, is_log=True)
    assert axis.place(10, 200) == pytest.approx(100)
    assert axis.ticks(4) == [1, 5, 20, 100]
    assert math.isnan(axis.place(0, 200))


@settings(max_examples=60, deadline=None)
@given(st.floats(-1e6, 1e6), st.floats(1e-4, 1e6), st.integers(2, 8))
def test_ticks_are_round_few_and_within_the_range(low, wide, wanted):
    axis = Axis("", low, low + wide)
    ticks = axis.ticks(wanted)
    assert 1 <= len(ticks) <= wanted + 2 or wanted < 3
    assert all(low - 1e-6 * wide <= tick <= low + wide * (1 + 1e-6) for tick in ticks)
    assert all(second > first for first, second in itertools.pairwise(ticks))


@pytest.mark.parametrize(
    ("values", "texts"),
    [
        ([0.0, 0.5, 1.0], ["0.0", "0.5", "1.0"]),
        ([-2.0, 0.0, 2.0], ["−2", "0", "2"]),
        ([1000.0, 2000.0], ["1000", "2000"]),
        ([0.25, 0.5], ["0.25", "0.50"]),
    ],
)
def test_numbers_of_an_axis_have_as_many_decimals_each(values, texts):
    assert [show(value, values) for value in values] == texts


def test_what_is_missing_breaks_a_line_and_draws_no_point():
    picture = draw_picture("T", "D", X, Y, [Line([0, 1, 2, 3], [1, math.nan, 1, 1]), Points([1, 2], [math.nan, 1])])
    assert parts(picture, "line")[0].get("d").count("M") == 2
    assert len(parts(picture, "fill")) == 1


def test_a_reference_line_out_of_the_range_is_named_at_the_edge_that_it_lies_beyond():
    inside = draw_picture("T", "D", X, Y, [Rule(1.5, "limit 1.5")])
    beyond = draw_picture("T", "D", X, Y, [Rule(80, "limit 80"), Rule(-1, "least −1"), Rule(12, "end", upright=True)])
    assert "limit 1.5" in texts(inside)
    assert len(parts(inside, "rule")) == 1
    assert {"limit 80 ↑", "least −1 ↓", "end →"} <= set(texts(beyond))
    assert parts(beyond, "rule") == []


def test_an_axis_reaches_over_values_limits_and_what_is_missing():
    axis = Axis.over("", [1.0, math.nan, 3.0], [5.0])
    assert axis.low < 1 < 5 < axis.high
    assert Axis.over("", [math.nan]).low < Axis.over("", [math.nan]).high
    assert Axis.over("", [2.0, 2.0]).low < 2 < Axis.over("", [2.0, 2.0]).high
    assert Axis.over("", [0.0, 1.0, 10.0], is_log=True).low > 0


def test_the_side_of_a_cell_is_told_by_hue_and_by_sign():
    cells = Cells([0, 1000], [1000, 2000], [0, 0], [1, 1], [3.0, -3.0], 3.0)
    picture = draw_picture("T", "D", Axis("rpm", 0, 2000), Axis("load", 0, 1), [cells])
    assert len(parts(picture, "above-3")) == len(parts(picture, "below-3")) == 1
    assert {"+3.0", "−3.0"} <= set(texts(picture))
    assert shade_of(0.4, 3.0) == "none"
    assert [signed(v, 1) for v in (-0.04, 0.04, 0.5, -2.43)] == ["0.0", "0.0", "+0.5", "−2.4"]
    assert [signed(v, 0) for v in (-0.04, -12.4, 3.0)] == ["0", "−12", "+3"]


def test_a_gauge_shows_share_interval_and_the_limit():
    picture = draw_gauges(
        "T", "D", [Gauge("Knock", 136.0, 138.0, "4.1 of 3 °", "stop"), Gauge("Oil", 50, math.nan, "")]
    )
    bars = [float(bar.get("width")) for bar in parts(picture, "fill")]
    assert bars[0] / bars[1] == pytest.approx(136 / 50, rel=0.01)
    assert max(bars) < WIDE
    assert len(parts(picture, "whisker")) == 1
    limit = float(re.match(r"M(\S+)", parts(picture, "rule")[0].get("d")).group(1))
    assert limit / bars[0] == pytest.approx(100 / 136, rel=0.01)


def test_the_result_is_told_in_words_and_nothing_from_outside_is_markup():
    marks = [Line([0, 1], [0, 1], name=HOSTILE), Rule(1, HOSTILE), Cells([0], [1], [0], [1], [1.0], 1.0, [HOSTILE])]
    picture = draw_picture(HOSTILE, "Worst 3 %.", Axis(HOSTILE, 0, 1), Axis(HOSTILE, 0, 1), marks)
    root = ET.fromstring(picture.svg)
    assert root.get("role") == "img"
    assert root.get("aria-label").endswith("Worst 3 %.")
    assert "<script" not in picture.svg
    assert "<img" not in picture.svg


def test_a_tone_is_one_of_the_pages_or_a_plain_colour():
    draw_picture("T", "D", X, Y, [Line([0, 1], [0, 1], "#2b7fa3"), Band([0, 1], [0, 0], [1, 1], "new"), Span(1, 2)])
    with pytest.raises(ValueError, match="tone"):
        draw_picture("T", "D", X, Y, [Line([0, 1], [0, 1], "red;}")])


def test_the_page_gives_every_tone_the_colour_that_live_figures_have():
    for tone in TONES:
        assert f".tone-{tone}" in CSS
    for name in ("MAIN", "NEW", "OLD", "THIRD", "SHADE"):
        assert f"--{name.lower()}: {getattr(look, name)};" in CSS
    steps = ("below-3", "below-2", "below-1", "none", "above-1", "above-2", "above-3")
    for step, colour in zip(steps, look.AROUND_ZERO, strict=True):
        assert f"--{step}: {colour}" in CSS


def _luminance(colour):
    """Relative luminance (WCAG 2.2)."""
    parts = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("block", re.findall(r":root \{([^}]*)\}", CSS))
def test_a_number_in_a_cell_can_be_read_on_every_shade_by_day_and_in_the_dark(block):
    """At least 4.5 to 1 (WCAG 2.2, success criterion 1.4.3)."""
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block.replace("#fff;", "#ffffff;")))
    ink = _luminance(colours["cell-ink"])
    for step in ("below-3", "below-2", "below-1", "none", "above-1", "above-2", "above-3"):
        light, dark = sorted((ink, _luminance(colours[step])), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, step
