"""Looking around: thinning loses no spike, figures answer to a zoom and to a selection."""

import holoviews as hv
import holoviews.plotting.bokeh
import numpy as np
import pytest
from bokeh.models import GlyphRenderer, Title
from holoviews.streams import BoundsXY, RangeX
from link_log import at_speed, flagged, link_log, session
from plain_car import owners_car

from tunelab.channels import channel
from tunelab.chart.explore import (
    draw_distribution,
    draw_events_aligned,
    explore_load_map,
    explore_scatter,
    explore_traces,
)
from tunelab.chart.explore_live import Selection, pick, thin_points, thin_trace
from tunelab.chart.look import NEW
from tunelab.log.flag import channels_of, spans
from tunelab.record.display import figure_item
from tunelab.study.explore_cells import distribute
from tunelab.study.explore_events import align_events

CAR = owners_car()


@pytest.fixture(scope="module", autouse=True)
def backend():
    hv.Store.set_current_backend("bokeh")


@pytest.fixture(scope="module")
def log():
    made = link_log(at_speed((0, 20), (150, 1), (850, 30), (2500, 40), (3500, 40)))
    made["lambda_measured"].values[1200] = 1.45
    return flagged(made, CAR, session())


def test_no_spike_is_lost_at_any_zoom():
    time, values = np.arange(300_000) / 50.0, np.zeros(300_000)
    values[[17, 123_456, 299_998]] = (5.0, -7.0, 9.0)
    trace = thin_trace(time, values)
    assert trace.times[0].size > 5 * trace.times[1].size > 25 * trace.times[2].size
    for start, end, wanted in ((0.0, 6000.0, {5.0, -7.0, 9.0}), (2400.0, 2500.0, {-7.0}), (0.0, 3000.0, {5.0, -7.0})):
        _, drawn = trace.window(start, end, columns=400)
        assert set(drawn[np.isfinite(drawn)].tolist()) == wanted | {0.0}
        assert drawn.size < 1000


def test_a_narrow_window_shows_every_sample():
    time, values = np.arange(300_000) / 50.0, np.random.default_rng(1).normal(size=300_000)
    shown, drawn = thin_trace(time, values).window(1000.0, 1004.0, columns=1200)
    first = int(np.searchsorted(time, 1000.0)) - 1
    np.testing.assert_array_equal(drawn, values[first : first + drawn.size])
    assert shown[-1] >= 1004.0


def test_missing_readings_break_the_line_at_any_zoom():
    time, values = np.arange(100_000) / 50.0, np.ones(100_000)
    values[40_000:60_000] = np.nan
    shown, drawn = thin_trace(time, values).window(0.0, 2000.0, columns=300)
    assert np.isnan(drawn[(shown > 799) & (shown < 1201)]).any()


def test_every_occupied_cell_keeps_a_point_and_nothing_outside_is_drawn():
    rng = np.random.default_rng(3)
    x, y = rng.normal(size=50_000), rng.normal(size=50_000)
    x[7], y[7], x[8] = 30.0, 30.0, np.nan
    rows = thin_points(x, y, (-40.0, -40.0, 40.0, 40.0), pixels=100)
    assert 7 in rows
    assert 8 not in rows
    cells = {(int((a + 40) / 80 * 99), int((b + 40) / 80 * 99)) for a, b in zip(x, y, strict=True) if a == a}
    assert len(rows) == len(cells)
    assert thin_points(x, y, (50.0, 50.0, 60.0, 60.0), pixels=10).size == 0


def test_traces_sharpen_with_the_zoom(log):
    layout = explore_traces(log, ["engine_speed_rpm", "lambda_measured", "absent"], flagged=spans(log))
    assert len(layout) == 2
    plot = hv.renderer("bokeh").get_plot(layout)
    stream = next(
        s for p in plot.subplots.values() for q in p.subplots.values() for s in q.streams if isinstance(s, RangeX)
    )
    stream.event(x_range=(55.0, 60.0))
    assert stream.x_range == (55.0, 60.0)
    with pytest.raises(ValueError, match="none of the channels"):
        explore_traces(log, ["absent"], flagged=spans(log))


def boxed(figure, bounds):
    """Draw a figure, and a box over its first panel that takes one; the drawn figure."""
    plot = hv.renderer("bokeh").get_plot(figure)
    callbacks = [one for part in plot.traverse(lambda part: getattr(part, "callbacks", [])) for one in part]
    boxes = [stream for one in callbacks for stream in one.streams if isinstance(stream, BoundsXY)]
    boxes[0].event(bounds=bounds)
    return plot


def views_of(log, marks):
    """The four ways of looking that share a selection."""
    return {
        "traces": explore_traces(log, ["engine_speed_rpm", "battery_v"], flagged=spans(log), selection=marks),
        "scatter": explore_scatter(log, "engine_speed_rpm", "manifold_kpa", colour="battery_v", selection=marks),
        "map": explore_load_map(log, "battery_v", CAR, speed_step_rpm=500.0, loads=5, selection=marks),
        "histogram": draw_distribution(distribute(log, "engine_speed_rpm"), log=log, selection=marks),
    }


# Each box takes the last 40 s, where the engine turned at 3500 rpm from 91 s on.
BOXES = {
    "traces": (85.0, 3000.0, 200.0, 4000.0),
    "scatter": (3000.0, 0.0, 4000.0, 200.0),
    "map": (3000.0, -10.0, 4000.0, 1000.0),
    "histogram": (3000.0, 0.0, 4000.0, 1e6),
}


@pytest.mark.parametrize("where", BOXES)
def test_a_box_in_any_figure_marks_its_samples_in_all(log, where):
    marks = Selection(log)
    drawn = {name: hv.renderer("bokeh").get_plot(view) for name, view in views_of(log, marks).items() if name != where}
    assert not any(marked(plot) for plot in drawn.values())
    drawn[where] = boxed(views_of(log, marks)[where], BOXES[where])
    speed, time = log["engine_speed_rpm"].to_numpy(), log["time"].to_numpy()
    np.testing.assert_array_equal(marks.inside, (speed >= 3000) & (speed <= 4000))
    assert time[marks.inside].min() > 90.0
    for name, plot in drawn.items():
        assert marked(plot), name
    titles = [title.text for plot in drawn.values() for title in plot.state.select({"type": Title})]
    assert f"{marks.inside.sum()} of {time.size} samples in the box" in titles
    assert any(title.startswith(f"{channel('battery_v').label}: mean, ") for title in titles)


def marked(plot):
    """Number of marks and counted readings of the selection that a drawn figure holds."""
    tone = [g for g in plot.state.select({"type": GlyphRenderer}) if getattr(g.glyph, "fill_color", None) == NEW]
    assert tone
    return sum(np.sum(g.data_source.data["top"]) if "top" in g.data_source.data else _rows(g) for g in tone)


def _rows(glyph):
    return len(next(iter(glyph.data_source.data.values()), ()))


def test_a_stretch_of_the_log_marks_its_own_samples(log):
    marks = Selection(log)
    part = log.sel(time=slice(50.0, 60.0))
    marks.take(part, part["time"].to_numpy() > 58.0)
    assert log["time"].to_numpy()[marks.inside].min() > 58.0
    assert marks.inside.sum() == marks.of(part).sum() > 0
    assert not marks.of(log.sel(time=slice(60.5, 70.0))).any()


def test_pickers_offer_every_channel_and_draw_the_choice(log):
    picked = pick(log, lambda part, x, y: explore_scatter(part, x, y, colour=x), x="engine_speed_rpm", y="battery_v")
    pickers = picked.pickers()
    assert set(pickers) == {"x", "y", "stretch_s"}
    assert pickers["x"].options == channels_of(log)
    column = picked.live()
    pane = column[1]
    before = pane.object
    column[0][1].value = "manifold_kpa"
    assert pane.object is not before
    _, title = figure_item(pane.object)
    assert f"{channel('manifold_kpa').label} against" in figure_item(pane.object)[0]["caption"] + title
    assert "Not shown" in str(picked.figure(x="absent").get(0).data)
    slider = column[0][2]
    assert slider.start <= log["time"].to_numpy()[0] < log["time"].to_numpy()[-1] <= slider.end
    slider.value = (50.0, 60.0)
    slider.param.trigger("value_throttled")
    assert "50 to 60 across" in figure_item(pane.object)[1]


def test_scatter_names_what_the_log_has(log):
    with pytest.raises(KeyError, match="it has engine_speed_rpm"):
        explore_scatter(log, "engine_speed_rpm", "boost_kpa", colour="battery_v")


def test_every_view_can_be_drawn_for_a_page_without_a_kernel(log, caplog):
    events = align_events({"one": log}, CAR, "engine_speed_rpm", kind="start", around_s=(2.0, 4.0))
    none = align_events({"one": log}, CAR, "engine_speed_rpm", kind="launch", around_s=(2.0, 4.0))
    views = {
        "engine speed": explore_traces(log, ["engine_speed_rpm", "battery_v"], flagged=spans(log)),
        "against": explore_scatter(log, "engine_speed_rpm", "manifold_kpa", colour="battery_v"),
        "battery: mean": explore_load_map(
            log, "battery_v", CAR, speed_step_rpm=500.0, loads=5, selection=Selection(log)
        ),
        "Distribution": draw_distribution(distribute(log, "battery_v")),
        "Each start (1)": draw_events_aligned(events),
        "Events": draw_events_aligned(none),
    }
    for word, view in views.items():
        item, title = figure_item(view)
        assert word in title
        assert "NaN" not in item["item"]
    assert "real Python callbacks" not in caplog.text
