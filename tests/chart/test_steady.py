"""Figures: they show what the result holds, label their axes with units, and change nothing that they are given."""

import re
import tomllib
from dataclasses import replace

import holoviews as hv
import numpy as np
import pytest
from bokeh.models import Label, Plot, Quad, Span, Whisker
from plain_fit import made_up_fit, made_up_log, made_up_proposal
from plain_workspace import CAR, REVISION

from tunelab import chart
from tunelab.channels import channel
from tunelab.chart import look
from tunelab.log.flag import MASKS, spans
from tunelab.record.page import TEMPLATES
from tunelab.study.coverage import cover
from tunelab.study.delay import estimate_delay
from tunelab.study.drive_plan import plan_drive
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

hv.extension("bokeh", logo=False)
car = Car.model_validate(tomllib.loads(CAR))
revision = Revision.model_validate(tomllib.loads(REVISION))


@pytest.fixture(scope="module")
def log():
    return made_up_log(car)


def plots(figure):
    return list(hv.render(figure, backend="bokeh").select({"type": Plot}))


def labels(figure):
    return {axis.axis_label for plot in plots(figure) for axis in (*plot.left, *plot.below)}


@pytest.fixture(scope="module")
def figures(log):
    fit, proposal, flagged = made_up_fit(), made_up_proposal(revision), spans(log)
    coverage = cover(log, car, revision)
    return {
        "meter_curve": chart.draw_meter_curve(proposal),
        "meter_factor": chart.draw_meter_factor(fit.meter),
        "dead_time": chart.draw_dead_time(proposal),
        "pulsation": chart.draw_pulsation_map(fit.pulsation),
        "residuals": chart.draw_residuals(fit),
        "before_after": chart.draw_before_after(fit.before, fit.predicted, limit_pct=2.0),
        "coverage": chart.draw_coverage(coverage, plan_drive(coverage, car, revision, top_speed_km_h=90.0)),
        "delay": chart.draw_delay(estimate_delay(log, car, revision), car.lambda_sensor),
        "trace": chart.draw_trace(log, ["meter_v", "lambda_measured"], flagged=flagged),
        "events": chart.draw_events(log, chart.event_windows(log, flagged, 4), flagged=flagged),
        "flags": chart.draw_flags(log, flagged),
    }


def test_every_figure_draws_and_grows_with_the_page(figures):
    for name, figure in figures.items():
        drawn = plots(figure)
        assert drawn, name
        assert all(plot.sizing_mode == "stretch_width" for plot in drawn), name


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("meter_curve", {channel("meter_v").axis_label, channel("air_flow_kg_h").axis_label}),
        ("dead_time", {channel("battery_v").axis_label, "dead time [ms]", "true − current [ms]"}),
        ("coverage", {channel("engine_speed_rpm").axis_label, channel("air_flow_kg_h").axis_label}),
        ("trace", {channel("meter_v").axis_label, channel("lambda_measured").axis_label, "time [s]"}),
        ("residuals", {channel("meter_v").axis_label, channel("battery_v").axis_label, "residual [%]"}),
    ],
)
def test_axes_carry_the_channels_labels_with_units(figures, name, wanted):
    assert wanted <= labels(figures[name])


def test_a_figure_changes_nothing_that_it_is_given(log):
    fit, proposal = made_up_fit(), made_up_proposal(revision)
    before = (fit.blocks.copy(), proposal.curve.copy(), proposal.dead_time.copy(), log.copy(deep=True))
    chart.draw_residuals(fit)
    chart.draw_meter_curve(proposal)
    chart.draw_dead_time(proposal)
    chart.draw_trace(log, ["meter_v"], flagged=spans(log))
    assert before[0].equals(fit.blocks)
    assert before[1].equals(proposal.curve)
    assert before[2].equals(proposal.dead_time)
    assert before[3].identical(log)


def test_a_dead_time_that_is_not_shown_has_no_panel_of_its_error():
    figure = chart.draw_dead_time(made_up_proposal(revision, dead_time_shown=False))
    assert len(plots(figure)) == 1
    assert "does not show its error" in plots(figure)[0].title.text


def test_the_band_of_the_meters_error_stops_where_nothing_was_measured():
    meter = made_up_fit().meter
    areas = chart.draw_meter_factor(meter).traverse(lambda area: area, [hv.Area])
    drawn = np.concatenate([area.dimension_values(0) for area in areas])
    measured = meter.reading[np.isfinite(meter.factor)]
    assert (drawn.min(), drawn.max()) == (measured.min(), measured.max())


def test_a_spike_that_is_flagged_is_drawn_quietly_and_not_among_the_trusted(log):
    figure = chart.draw_trace(log, ["lambda_measured"], flagged=spans(log))
    quiet, trusted = figure.traverse(lambda curve: curve, [hv.Curve])
    assert np.nanmax(quiet.dimension_values(1)) == pytest.approx(1.55)
    assert np.nanmax(trusted.dimension_values(1)) < 1.1


def test_samples_flagged_for_moving_set_the_axis_and_a_spike_does_not(log):
    moved = log.copy(deep=True)
    moved["lambda_measured"][200:240] = 1.5  # a fuel cut: no sample of it is for a steady study
    moved["sample_flag"][200:240] |= MASKS["fuel_cut"]
    moved["lambda_measured"][300] = 4.0
    moved["lambda_measured_flag"][300] |= MASKS["spike"]
    (panel,) = plots(chart.draw_trace(moved, ["lambda_measured"], flagged=spans(moved)))
    assert 1.5 < panel.y_range.end < 2.0


def test_only_cells_that_are_planned_are_outlined_and_the_caption_counts_them(log):
    coverage = cover(log, car, revision)
    plan = plan_drive(coverage, car, revision, top_speed_km_h=90.0)
    for planned, some in ((plan, True), (replace(plan, holds=()), False)):
        (drawn,) = plots(chart.draw_coverage(coverage, planned))
        boxes = [r for r in drawn.renderers if isinstance(r.glyph, Quad)]
        outlined = [r for r in boxes if r.glyph.line_color in (look.CELL_INK, look.NEW)]
        (count,) = (len(r.data_source.data["seconds"]) for r in boxes if r not in outlined)
        (heavy,) = (len(next(iter(r.data_source.data.values()), ())) for r in outlined)
        assert (0 < heavy < count) if some else heavy == 0
        assert not some or f"outlined: {heavy} cells" in drawn.title.text
    assert "no cell has to be held next" in drawn.title.text


def test_a_trace_has_one_time_axis_for_all_of_its_panels(log):
    drawn = plots(chart.draw_trace(log, ["meter_v", "lambda_measured", "coolant_c"], flagged=spans(log)))
    assert len({plot.x_range.id for plot in drawn}) == 1
    assert len({plot.y_range.id for plot in drawn}) == 3


def test_a_trace_of_channels_that_are_not_there_is_an_error(log):
    with pytest.raises(ValueError, match="none of the channels oil_c"):
        chart.draw_trace(log, ["oil_c"], flagged=spans(log))


def test_events_are_shown_at_the_full_rate_of_the_log(log):
    windows = chart.event_windows(log, spans(log), 4)
    assert any(window.title.startswith("spike at 60.0 s") for window in windows)
    figure = chart.draw_events(log, windows, flagged=spans(log))
    steps = [np.nanmedian(np.diff(curve.dimension_values(0))) for curve in figure.traverse(lambda c: c, [hv.Curve])]
    np.testing.assert_allclose(steps, 0.04, rtol=1e-6)


def test_a_log_without_any_event_says_so_and_can_be_drawn(log):
    figure = chart.draw_events(log, [], flagged=spans(log).iloc[:0])
    assert plots(figure)


# Relative luminance and contrast: WCAG 2.2 (w3.org/TR/WCAG22), "relative luminance" and "contrast ratio"; success
# criterion 1.4.11 wants 3:1 for graphics. The papers are those of the page's style sheet.
def luminance(colour):
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("tone", [look.MAIN, look.NEW, look.OLD, look.THIRD, look.QUIET, *look.STATUS_TONES.values()])
@pytest.mark.parametrize("paper", ["#fbfaf7", "#191c20", "#ffffff"])
def test_every_tone_stands_out_on_light_and_on_dark_paper(tone, paper):
    assert contrast(tone, paper) >= 3.0


@pytest.mark.parametrize("cell", [*look.SEQUENCE, *look.AROUND_ZERO])
def test_numbers_are_legible_on_every_cell(cell):
    assert contrast(look.CELL_INK, cell) >= 4.5


def test_a_log_without_a_flag_has_its_figure_too(log):
    """Axes with an empty list of ticks cannot be drawn, and a clean log of one reading a second has no flag at all."""
    assert plots(chart.draw_flags(log, spans(log).iloc[:0]))


@pytest.mark.parametrize(("at", "held"), [(80.0, True), (5.0, True), (40.0, True), (9000.0, False)])
def test_a_reference_line_is_in_view_or_named_at_the_edge(at, held):
    figure = (hv.Curve([(0, 12), (1, 60)]) * hv.HLine(at)).opts(**look.panel("t", 300, xlabel="x", ylabel="y"))
    plot = plots(figure)[0]
    assert bool(plot.y_range.start < at < plot.y_range.end) is held
    named = [mark.text for mark in plot.select({"type": Label})]
    assert any("9000" in text for text in named) is not held


def test_no_reference_line_of_a_steady_figure_is_out_of_view(figures):
    for name, figure in figures.items():
        for plot in plots(figure):
            for line in plot.select({"type": Span}):
                span = plot.y_range if line.dimension == "width" else plot.x_range
                assert span.start < line.location < span.end, name


def test_caps_of_error_bars_have_the_colour_of_their_bars():
    bars = hv.ErrorBars([(0, 1, 0.5)]).opts(color=look.NEW)
    figure = (bars * hv.Scatter([(0, 1)])).opts(**look.panel("t", 300, xlabel="x", ylabel="y"))
    whisker = next(iter(plots(figure)[0].select({"type": Whisker})))
    assert whisker.upper_head.line_color == whisker.lower_head.line_color == whisker.line_color


def test_cells_have_tones_of_their_own_in_the_dark_and_numbers_stay_legible_there():
    script = (TEMPLATES / "page.js").read_text("utf-8")
    style = (TEMPLATES / "page.css").read_text("utf-8")
    dark = dict(re.findall(r'"(#[0-9a-f]{6})": "(#[0-9a-f]{6})"', script.partition("DARK_CELLS")[2].partition("}")[0]))
    assert set(dark) == {*look.SEQUENCE, *look.AROUND_ZERO}
    assert all(contrast("#ffffff", tone) >= 4.5 for tone in dark.values())
    assert all(f'[fill="{light}"] {{ fill: {tone}; }}' in style for light, tone in dark.items())
