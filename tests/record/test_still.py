"""Still pictures of figures: they lie where bokeh's scales put the data, and leave no kind of mark out."""

import json
import re
from types import SimpleNamespace

import holoviews as hv
import numpy as np
import pandas as pd
import pytest
from page_checks import as_read

from tunelab.chart.look import panel
from tunelab.record.display import figure_item
from tunelab.record.still import draw_still
from tunelab.record.still_marks import _boxes, _reduced

hv.extension("bokeh", logo=False)
LOOK = panel("", 300, xlabel="x", ylabel="y")
TABLE = pd.DataFrame({"x": [0.0, 1.0, 2.0], "y": [1.0, 3.0, 2.0], "low": [0.5, 2.5, 1.5], "high": [1.5, 3.5, 2.5]})
KINDS = {
    "line": lambda: hv.Curve(TABLE, "x", "y"),
    "marks": lambda: hv.Scatter(TABLE, "x", "y"),
    "band": lambda: hv.Area(TABLE, "x", ["low", "high"]),
    "boxes": lambda: hv.Rectangles([(0, 0, 1, 1), (1, 1, 2, 3)]),
    "bars": lambda: hv.Bars(pd.DataFrame({"what": ["a", "b"], "size": [1.0, 2.0]}), "what", "size"),
    "bars across": lambda: KINDS["bars"]().opts(invert_axes=True),
    "segments": lambda: hv.Segments([(0, 0, 1, 1), (1, 2, 3, 2)]),
    "error bars": lambda: hv.ErrorBars([(0, 1, 0.5), (1, 2, 0.5)]) * KINDS["marks"](),
    "strips": lambda: hv.VSpans([(0, 1), (1.5, 2)]) * KINDS["line"](),
    "upright lines": lambda: hv.VLines([0.5, 1.5]) * KINDS["line"](),
    "reference line": lambda: hv.HLine(2.0) * KINDS["line"](),
    "paths": lambda: hv.Path([TABLE[["x", "y"]], TABLE[["x", "low"]].rename(columns={"low": "y"})], ["x", "y"]),
    "words": lambda: hv.Labels([(0, 1, "here"), (1, 2, "there")]),
    "grid": lambda: hv.QuadMesh(([0, 1, 2], [0, 1], np.array([[1.0, 2.0, np.nan], [3.0, 4.0, 5.0]]))),
    "spikes": lambda: hv.Spikes(TABLE[["x", "y"]], "x", "y"),
}


BARE = SimpleNamespace(colours=lambda name, count: ["#000000"] * count, look=lambda **_: "")


def still(figure):
    return draw_still(figure_item(figure)[0]["item"])


def points(path):
    return [(float(a), float(b)) for a, b in re.findall(r"[ML]([-\d.]+) ([-\d.]+)", path)]


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_mark_that_a_figure_uses_is_drawn(kind):
    svg = still(KINDS[kind]().opts(**LOOK)).svg
    assert "Not drawn here" not in svg
    inside = svg.partition('overflow="hidden">')[2]
    assert re.search(r'd="M|<text', inside)
    assert "nan" not in svg


def test_boxes_side_by_side_are_no_run_of_letters_and_digits():
    """Coordinates without a decimal point and the letters of a path would read as a chassis number when shared."""
    path = _boxes(BARE, *(np.array([float(v), float(v)]) for v in (379, 171, 416, 1230)))
    assert path.count("M") == 2
    assert not re.search(r"[A-Za-z0-9]{12}", re.search(r'd="([^"]*)"', path).group(1))


def test_points_lie_where_a_linear_scale_puts_them():
    """By hand: on linear scales equal steps of data are equal steps on paper, and up is a smaller ordinate."""
    curve = hv.Curve([(0, 10), (1, 20), (2, 40)]).opts(xlim=(0, 2), ylim=(10, 40), **LOOK)
    line = next(d for d in re.findall(r'<path d="([^"]*)" fill="none" stroke', still(curve).svg) if d.count("L") == 2)
    (x0, y0), (x1, y1), (x2, y2) = points(line)
    assert x1 - x0 == pytest.approx(x2 - x1, abs=0.2)
    assert (y0 - y1) / (y0 - y2) == pytest.approx(1 / 3, abs=0.01)
    assert y2 < y0


def test_decades_are_equal_steps_on_a_logarithmic_scale():
    curve = hv.Curve([(1, 1), (2, 10), (3, 100)]).opts(logy=True, ylim=(1, 100), **LOOK)
    line = next(d for d in re.findall(r'<path d="([^"]*)" fill="none" stroke', still(curve).svg) if d.count("L") == 2)
    (_, y0), (_, y1), (_, y2) = points(line)
    assert y0 - y1 == pytest.approx(y1 - y2, abs=0.2)


def test_a_missing_reading_breaks_the_line_and_a_long_trace_keeps_its_spike():
    broken = still(hv.Curve([(0, 1), (1, 2), (2, np.nan), (3, 1), (4, 2)]).opts(**LOOK)).svg
    assert any(d.count("M") == 2 for d in re.findall(r'd="([^"]*)"', broken.partition('overflow="hidden">')[2]))
    values = np.zeros(20_000)
    values[12_345] = 1.0
    flat = hv.Curve((np.arange(20_000.0), values)).opts(ylim=(0, 1), **LOOK)
    line = max(re.findall(r'd="([^"]*)"', still(flat).svg), key=len)
    ordinates = [y for _, y in points(line)]
    assert min(ordinates) < max(ordinates) - 100
    assert len(line) < 40_000


def test_a_long_trace_keeps_of_each_column_its_first_least_its_first_greatest_and_the_rim_of_a_gap():
    rng = np.random.default_rng(4)
    x, y = np.sort(rng.uniform(0, 400, 9000)), rng.integers(0, 6, 9000).astype(float)
    for first in rng.integers(0, 8900, 12):
        y[first : first + int(rng.integers(1, 90))] = np.nan
    wanted = set()
    for column in np.unique(np.round(x)):
        rows = [k for k in range(9000) if round(x[k]) == column]
        known = [k for k in rows if y[k] == y[k]]
        wanted |= {min(known, key=y.__getitem__), max(known, key=y.__getitem__)} if known else {rows[0]}
        wanted |= {rows[0], rows[-1]} if 0 < len(known) < len(rows) else set()
    kept = _reduced(x, y)
    np.testing.assert_array_equal(kept[0], x[sorted(wanted)])
    np.testing.assert_array_equal(kept[1], y[sorted(wanted)])


def test_the_legend_stands_beside_the_picture_with_each_entry_once():
    figure = hv.Curve(TABLE, "x", "y", label="measured") * hv.Scatter(TABLE, "x", "y", label="<b>marks</b>")
    legend = still((figure).opts(legend_position="bottom", **LOOK)).legend
    assert [words for _, words in legend] == ["measured", "<b>marks</b>"]
    assert all(look.startswith("<svg") for look, _ in legend)


def test_words_from_outside_stay_words():
    figure = hv.Labels([(0, 1, "</text><script>x</script>")]).opts(**(LOOK | {"title": "<img>", "ylabel": "<b>"}))
    svg = still(hv.Layout([figure, figure]).cols(1)).svg
    assert "<script" not in svg
    assert "<img" not in svg
    assert "<b>" not in svg


def test_no_colour_from_outside_leaves_its_attribute():
    item = figure_item(hv.Scatter(TABLE, "x", "y").opts(color="#2b7fa3", **LOOK))[0]["item"]
    hostile = json.dumps("red' onload='x'\"><script>")[1:-1]
    svg = draw_still(item.replace("#2b7fa3", hostile)).svg
    assert "<script" not in svg
    assert "onload" not in svg


def test_the_label_of_a_low_panel_has_its_unit_on_a_line_of_its_own_and_is_never_cut():
    curve = KINDS["line"]()
    low, high = (
        still(curve.opts(**panel("", size, ylabel="engine speed [rpm]"), clone=True)).svg for size in (120, 320)
    )
    assert ">engine speed</text>" in low
    assert ">[rpm]</text>" in low
    assert ">engine speed [rpm]</text>" in high
    assert "…" not in low + high


def test_words_in_narrow_cells_are_as_small_as_their_cells_ask():
    """By hand: 30 cells across a picture of 480 px leave 15 px each, and five letters of 12 px take 36."""

    def words(count):
        svg = still(hv.Labels([(k, 1, "12.34") for k in range(count)]).opts(**LOOK)).svg
        found = re.findall(r'<text x="([\d.]+)"[^>]*?(?: font-size="([\d.]+)")?>12.34<', svg)
        return np.array([float(x) for x, _ in found]), float(found[0][1] or 12)

    across, size = words(30)
    assert np.diff(across).min() > 0.6 * 5 * size * 0.7
    assert size < 8
    assert words(4)[1] == 12


def test_words_of_cells_that_a_phone_has_no_room_for_are_left_to_paper():
    """By hand: the picture's 480 px are about 358 on a phone of 390, so cells of 34 px there are of 45 here."""

    def tight(count):
        cells = hv.Rectangles([(k, 0, k + 1, 1) for k in range(count)])
        words = hv.Labels([(k + 0.5, 0.5, "12.3") for k in range(count)])
        found = re.findall(r"<text([^>]*)>12.3<", still((cells * words).opts(**(LOOK | {"padding": 0}))).svg)
        assert len(found) == count
        return {'class="tight"' in looks for looks in found}

    assert tight(14) == {True}
    assert tight(4) == {False}


def test_a_long_title_and_the_label_of_a_row_take_more_lines_and_lose_no_word():
    title, row = "a title that says what came out of it, " * 4, "key on, engine not running: 0 in 42 s"
    figure = hv.Curve([(0, 0), (1, 1)]).opts(yticks=[(0, row), (1, "idle")], **panel("", 300, xlabel="x", ylabel=""))
    second = hv.Curve([(0, 0), (1, 1)]).opts(**panel(title, 300, xlabel="x", ylabel="y"))
    svg = still(hv.Layout([figure, second]).cols(1)).svg
    texts = re.findall(r">([^<>]+)</text>", svg)
    assert all(7.2 * len(text) <= 480 for text in texts)
    assert title.strip() in " ".join(texts)
    assert row in as_read(" ".join(texts))


def test_a_panel_without_a_grid_has_none():
    for grid in (True, False):
        svg = still(hv.Curve([(0, 1), (1, 2)]).opts(**(LOOK | {"show_grid": grid}))).svg
        assert ('class="grid"' in svg) == grid
