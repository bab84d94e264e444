"""The link's figures show what the study found, and can be drawn for a page."""

import holoviews as hv
import holoviews.plotting.bokeh
import numpy as np
import pytest
from link_log import at_speed, flagged, link_log, session, without
from plain_car import owners_car

from tunelab.chart.log import draw_drop_outs, draw_in_step, draw_noise, draw_rates, draw_survival
from tunelab.record.display import figure_item
from tunelab.study.link import account_link, channel_noise, order_noise, study_link

CAR = owners_car()


@pytest.fixture(scope="module", autouse=True)
def backend():
    hv.Store.set_current_backend("bokeh")


@pytest.fixture(scope="module")
def parts():
    speeds = [(0, 15), (850, 20), *[(rpm, 8) for rpm in (1500, 1900, 2300, 2700, 3100, 3500, 1700, 2500)]]
    log = flagged(without(link_log(at_speed(*speeds)), 55.0, 59.0), CAR, session())
    account = account_link(log, CAR, session(), shortest_s=0.5)
    return log, account, study_link([account], factor=3.0, power=0.8, confidence=0.95, rng=np.random.default_rng(1))


def test_every_drop_out_has_its_line(parts):
    log, account, _ = parts
    figure = draw_drop_outs(log, account)
    lines = next(iter(figure)).get(2)
    assert lines.dimension_values("time").tolist() == [drop.start_s for drop in account.drop_outs]
    assert "1 drop-out (line)" in figure_item(figure)[1]
    assert "Drop-outs over time" in figure_item(draw_drop_outs(log[["throttle_pct", "episode"]], account))[1]


def test_a_state_without_drop_outs_has_an_interval_and_no_mark(parts):
    _, _, study = parts
    figure = draw_rates(study.by_state, confidence=0.95)
    driven = study.by_state[study.by_state["seconds"] > 0]
    assert len(figure.get(0)) == len(driven)
    assert len(figure.get(1)) == (driven["drop_outs"] > 0).sum() == 1
    assert figure_item(figure)[1]


def test_survival_steps_where_the_drop_outs_were(parts):
    _, _, study = parts
    figure = draw_survival(study.wirings, first_only=False)
    line = figure.get(1)
    curve = study.wirings[0].every
    assert line.dimension_values("minutes")[1] == pytest.approx(curve.seconds[0] / 60)
    assert line.dimension_values("share")[1] == pytest.approx(curve.share[0])
    for first_only in (True, False):
        assert "NaN" not in figure_item(draw_survival(study.wirings, first_only=first_only))[0]["item"]


def test_a_wiring_that_never_dropped_stays_at_one():
    log = flagged(link_log(at_speed((2500, 60))), CAR, session())
    account = account_link(log, CAR, session(), shortest_s=0.5)
    study = study_link([account], factor=3.0, power=0.8, confidence=0.95, rng=np.random.default_rng(1))
    line = draw_survival(study.wirings, first_only=True).get(1)
    assert set(line.dimension_values("share")) == {1.0}
    assert line.dimension_values("minutes").max() == pytest.approx(1.0, abs=0.01)


def test_noise_and_its_order_can_be_drawn(parts):
    log, _, study = parts
    noise = channel_noise(log, CAR, confidence=0.95)
    assert "Noise" in figure_item(draw_noise(noise))[1]
    orders = order_noise(log, {"ignition, all cylinders": 3.0}, confidence=0.95, rng=np.random.default_rng(1))
    assert any(item.was_tested for item in orders)
    title = figure_item(draw_in_step(orders, study))[1]
    bound = (1 - study.confidence) / sum(item.was_tested for item in orders)  # Bonferroni's: a chance for all together
    assert f"in step with the engine: {sum(item.p_value < bound for item in orders)} of" in title
    assert figure_item(draw_in_step((), study))[1]


def test_a_short_time_in_a_state_is_in_seconds_and_what_came_out_names_each_wirings_drop_outs(parts):
    _, _, study = parts
    figure = draw_rates(study.by_state, confidence=0.95)
    ticks = [text for _, text in figure.opts.get().kwargs["yticks"]]
    assert ticks
    assert all(text.endswith(" s") for text in ticks)  # each was held for less than two minutes
    title = figure_item(draw_survival(study.wirings, first_only=True))[1]
    assert "Drives without a drop-out: 0 of 1 with" in title  # the one drive had one
