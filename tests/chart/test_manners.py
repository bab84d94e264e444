"""Figures of manners and launches: drawn from finished studies, and saying why where there is nothing."""

import holoviews as hv
import numpy as np
import pandas as pd
import pytest
from driven_log import CAR, REVISION, driven, known_delay

import tunelab.chart.manners as figures
import tunelab.chart.manners as launch_figures
from tunelab.record.manners import launch_overlay
from tunelab.simulate.demo.cars import MARIT, TRUTH
from tunelab.simulate.schedule import cruise, idle, launches, overrun, stop, tip_in
from tunelab.study.explore_events import overlay
from tunelab.study.fuel_cut_log import study_fuel_cut
from tunelab.study.heat import study_heat
from tunelab.study.idle import find_hunting, spectrum, study_idle
from tunelab.study.launch import study_launches
from tunelab.study.road import name_drive
from tunelab.study.transient import study_transients
from tunelab.study.trims import study_trims


@pytest.fixture(scope="module", autouse=True)
def bokeh():
    hv.extension("bokeh")


@pytest.fixture(scope="module")
def log():
    tip_ins = tuple(tip_in(3, rpm, t) for rpm, t in ((2200.0, 30.0), (2500.0, 45.0), (2000.0, 25.0), (2700.0, 40.0)))
    return driven(idle(6.0), cruise(3, 50.0, 8.0), *tip_ins, overrun(3, 3200.0, 1150.0), stop(8.0)).log


@pytest.fixture(scope="module")
def nothing(log):
    return log.isel(time=slice(0, 40)).drop_vars(["lambda_measured", "throttle_pct", "coolant_c"])


def studies(log):
    return {
        "parts": lambda: figures.draw_parts(name_drive(log, CAR, REVISION)),
        "idle": lambda: figures.draw_idle(study_idle(log, CAR)),
        "excursions": lambda: figures.draw_excursions(study_transients(log, CAR, REVISION, known_delay(TRUTH))),
        "films": lambda: figures.draw_films(study_transients(log, CAR, REVISION, known_delay(TRUTH))),
        "fit": lambda: figures.draw_film_fit(study_transients(log, CAR, REVISION, known_delay(TRUTH)), most=2),
        "trims": lambda: figures.draw_trims(study_trims(log, CAR, REVISION)),
        "heat": lambda: figures.draw_heat(study_heat(log, CAR, REVISION)),
    }


NAMES = ("parts", "idle", "excursions", "films", "fit", "trims", "heat")


@pytest.mark.parametrize("name", NAMES)
def test_each_figure_draws(log, name):
    assert hv.render(studies(log)[name](), backend="bokeh") is not None


@pytest.mark.parametrize("name", NAMES)
def test_a_log_that_shows_nothing_still_draws(nothing, name):
    assert hv.render(studies(nothing)[name](), backend="bokeh") is not None


def test_every_event_is_overlaid_on_its_own_zero(log):
    cuts = study_fuel_cut(log, CAR, REVISION).cuts
    table = overlay(log, cuts["end_s"], ["engine_speed_rpm"], span=(-1.0, 2.0))
    assert table["event"].nunique() == len(cuts)
    assert table["clock_s"].between(-1.05, 2.05).all()
    drawn = figures.draw_overlay(table, ["engine_speed_rpm"], title="cuts")
    assert hv.render(drawn, backend="bokeh") is not None
    empty = overlay(log, [], ["engine_speed_rpm"], span=(-1.0, 2.0))
    nothing_there = figures.draw_overlay(empty, ["engine_speed_rpm"], title="cuts")
    assert "the log shows none" in nothing_there.traverse(lambda x: x.opts.get("plot").kwargs.get("title", ""))[-1]


def test_spectrum_draws_with_and_without_a_swing():
    time = np.arange(0, 20, 0.05)
    speed = 880 + 30 * np.sin(2 * np.pi * 0.8 * time) + np.random.default_rng(1).normal(size=time.size)
    assert hv.render(figures.draw_spectrum(spectrum(time, speed), find_hunting(time, speed))) is not None
    assert hv.render(figures.draw_spectrum(None, None)) is not None


def test_launches_draw_by_driver(log):
    run = driven(*launches(MARIT, np.random.default_rng(3), repeats=2, until_km_h=50.0), rate_hz=20.0).log
    other = run.assign_attrs(session="other")
    study = study_launches(run, CAR, driver="Marit", distance_m=20.0, others=[(other, "Pia")])
    table = launch_overlay([("drive", run), ("other", other)], study)
    assert set(table["driver"]) == {"Marit", "Pia"}
    assert table["event"].nunique() == 4
    for figure in (
        launch_figures.draw_launches(table, ["engine_speed_rpm"]),
        launch_figures.draw_times(study),
        launch_figures.draw_contrasts(study),
    ):
        assert hv.render(figure, backend="bokeh") is not None
    none = study_launches(log, CAR, driver="", distance_m=20.0)
    for figure in (launch_figures.draw_times(none), launch_figures.draw_contrasts(none)):
        assert hv.render(figure, backend="bokeh") is not None


def test_one_bin_of_temperature_is_named_once():
    names = ["coolant_from_c", "coolant_to_c", "error_pct", "lower_pct", "upper_pct", "trim_pct", "seconds"]
    rows = [(80.0, 90.0, 14.0, 13.0, 15.0, 0.0, 9.0), (90.0, 100.0, 2.0, 1.0, 3.0, 0.0, 9.0)]
    table = pd.DataFrame(rows, columns=names)
    said = [hv.render(figures._heat_panel(table.head(count), "coolant")).title.text for count in (1, 2)]
    assert said[0].endswith(": +14.0 % at 80 to 90 °C")
    assert said[1].endswith(": +14.0 % at 80 to 90 °C, then +2.0 % at 90 to 100 °C")
