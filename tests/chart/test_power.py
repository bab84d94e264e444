"""Figures of gearing, full throttle, coast-down and power: they draw, with labels, also where nothing is shown."""

from dataclasses import replace

import holoviews as hv
import numpy as np
import pytest
from bokeh.models import ColumnDataSource, GlyphRenderer, Plot, Span
from plain_car import WEATHER, flagged, in_force, outing, owners_car
from plain_mixture import Fault, with_fuelling
from plain_power import measure, pulled
from plain_vehicle import Logger, PlainVehicle, drive, out_and_back, write_down

from tunelab.chart import full_throttle, power
from tunelab.chart import power as coast_down
from tunelab.chart import power as gearing
from tunelab.chart.full_throttle import RPM
from tunelab.chart.look import STATUS_TONES
from tunelab.study.coast_down import fit_coast_down
from tunelab.study.delay import estimate_delay
from tunelab.study.feasibility import FullLoad, check_feasibility
from tunelab.study.full_throttle import check_full_throttle
from tunelab.study.gear_trace import trace_gears
from tunelab.study.power import compare_power
from tunelab.study.pull import find_pulls
from tunelab.study.shift import find_shift_points

hv.extension("bokeh", logo=False)
CAR, OWNER = PlainVehicle(), owners_car(PlainVehicle())


def plots(figure):
    return list(hv.render(figure, backend="bokeh").select({"type": Plot}))


def labels(figure):
    return {axis.axis_label for plot in plots(figure) for axis in (*plot.left, *plot.below)}


def titles(figure):
    return " ".join(plot.title.text for plot in plots(figure))


@pytest.fixture(scope="module")
def log():
    plain = write_down(drive(CAR, out_and_back(3, 2400, 6600, pairs=1)), Logger(), np.random.default_rng(1))
    lean = Fault(lean_from_rpm=5200, lean_by=0.1)
    return flagged(with_fuelling(plain, lean, np.random.default_rng(2)), OWNER)


@pytest.fixture(scope="module")
def judged(log):
    pulls = find_pulls(log, OWNER, outing("full-throttle"))
    return check_full_throttle(log, OWNER, in_force(), pulls, estimate_delay(log, OWNER, in_force())), pulls


@pytest.fixture(scope="module")
def fit():
    return measure(pulled(CAR, np.random.default_rng(3)), OWNER)[0]


def test_full_throttle_figures_show_band_limit_and_the_moment_to_lift(log, judged):
    found, pulls = judged
    band = full_throttle.draw_lambda_band(found)
    assert labels(band) == {"engine speed [rpm]", "lambda [–]"}
    low, high = plots(band)[0].y_range.start, plots(band)[0].y_range.end
    assert low < found.limit_lambda < high  # the owner's limit is on the picture, however far
    each = full_throttle.draw_pull_lambda(found, 2)
    spans = [s for plot in plots(each) for s in plot.select({"type": Span}) if s.dimension == "height"]
    assert len(spans) == len(found.lift) == 2
    spiked = log.copy(deep=True)
    spiked["engine_speed_rpm"][100] = 16000.0
    spiked["engine_speed_rpm_flag"][100] = 1
    drawn = plots(full_throttle.draw_pulls(spiked, pulls, ["engine_speed_rpm"]))[0]
    fastest = float(log["engine_speed_rpm"].max())
    assert fastest < drawn.y_range.end < 1.5 * fastest  # a flagged spike does not set the axis, all else is in view
    assert "Pulls are shaded" in titles(full_throttle.draw_pulls(log, pulls, ["engine_speed_rpm", "throttle_pct"]))
    assert_limits_are_read_without_colour(full_throttle.draw_margins(found))
    with pytest.raises(ValueError, match="none of the channels"):
        full_throttle.draw_pulls(log, pulls, ["oil_c"])


def assert_limits_are_read_without_colour(figure):
    """Each bar's words name its status, and the line at the limit crosses none of them."""
    (drawn,) = plots(figure)
    data = {type(r.glyph).__name__: r.data_source.data for r in drawn.renderers}
    words, lines = data["Text"], data["Segment"]
    assert all(text.endswith((", met", ", watch", ", stop")) for text in words["text"])
    tones = {r.glyph.fill_color for r in drawn.renderers if type(r.glyph).__name__ == "Quad"}
    assert tones <= set(STATUS_TONES.values())
    assert len(tones) == len({text.rpartition(", ")[2] for text in words["text"]})
    feet, heads = np.asarray(lines["from"]), np.asarray(lines["to"])
    baseline = np.asarray(words["row"])
    assert (heads <= baseline).all()
    assert (feet[1:] > baseline[:-1] + 0.4).all()  # text of 9 pt in a row of 34 px


def test_power_figures(fit):
    assert labels(power.draw_power(fit)) == {"engine speed [rpm]", "wheel power [kW]"}
    shift = find_shift_points(fit, OWNER, in_force())
    for figure in (
        power.draw_torque(fit), power.draw_effects(fit), power.draw_run_to_run(fit), power.draw_shift(shift),
        power.draw_comparison(compare_power(fit, fit)),
    ):  # fmt: skip
        assert plots(figure)
        assert all("[" in label for label in labels(figure) if label)


def test_gears_that_pull_alike_are_not_said_to_pull_to_the_limit(fit):
    """What the figure says above itself follows the verdicts."""
    shift, said = find_shift_points(fit, OWNER, in_force()), {}
    for verdict in ("still pulling at the limit", "no difference shown"):
        points = tuple(replace(point, verdict=verdict) for point in shift.points)
        said[verdict] = titles(power.draw_shift(replace(shift, points=points)))
    assert "nowhere pulls harder" in said["still pulling at the limit"]
    assert "nowhere" not in said["no difference shown"]


def test_gearing_figures(log):
    engine = {"displacement_l": 3.0, "cylinders": 6, "idle_target_rpm": 850, "volumetric_efficiency_expected_pct": 95}
    owner = owners_car(CAR, engine=engine)
    found = check_feasibility(owner, in_force(), FullLoad(WEATHER, 0.88, 13.5), pull_speed_max_km_h=150)
    figures = [gearing.draw_gear_speeds(found, owner), gearing.draw_full_load(found, owner)]
    for figure in [*figures, gearing.draw_largest_filling(found)]:
        assert "engine speed [rpm]" in labels(figure)
    (speeds,) = plots(figures[0])
    rows = [r.data_source.data for r in speeds.select({"type": GlyphRenderer})]
    names = [data for data in rows if "text" in data]
    lines = [data[RPM] for data in rows if RPM in data]
    assert len(names) == len(lines) == len(found.gears)
    assert min(float(name["at"][0]) for name in names) > max(float(np.max(line)) for line in lines)  # on no line
    assert "rpm per km/h" in labels(gearing.draw_speed_ratio(trace_gears(log, OWNER)))


def test_coast_down_figures():
    phases = [("hold", 3, 3000, 4.0), *[("hold", 5, 3800, 2.0), ("lift", 5, 1.0), ("coast", 40.0), ("turn",)] * 2]
    log = flagged(write_down(drive(CAR, phases), Logger(), np.random.default_rng(4)), OWNER)
    found = fit_coast_down(log, OWNER, outing("coast-down"))
    assert found.shown
    assert "force [N]" in labels(coast_down.draw_road_load(found))
    runs = coast_down.draw_coast_runs(found)
    assert "road speed [km/h]" in labels(runs)
    marks = [mark for mark in runs if isinstance(mark, hv.Scatter)]
    assert len(marks) == len(found.runs) > 1  # every run is seen between the marks of the others
    assert len({str(mark.opts.get().kwargs["marker"]) for mark in marks}) == len(marks)
    assert plots(coast_down.draw_coast_residuals(found))


def test_what_is_not_shown_is_said_in_words_where_a_figure_would_stand(log):
    nothing = fit_coast_down(log, OWNER, outing("coast-down"))
    power_less = measure(log, owners_car(CAR, vehicle=None))[0]
    shift = find_shift_points(power_less, OWNER, in_force())
    bare = check_feasibility(OWNER, in_force(), FullLoad(WEATHER, 0.88, 13.5), pull_speed_max_km_h=150)
    for figure in (
        coast_down.draw_coast_runs(nothing), coast_down.draw_road_load(nothing), power.draw_power(power_less),
        power.draw_torque(power_less), power.draw_effects(power_less), power.draw_run_to_run(power_less),
        power.draw_comparison(compare_power(power_less, power_less)), power.draw_shift(shift),
        gearing.draw_full_load(bare, OWNER),
    ):  # fmt: skip
        text = hv.render(figure, backend="bokeh")
        assert any("Not shown" in str(source.data) for source in text.select({"type": ColumnDataSource}))
