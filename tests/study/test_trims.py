"""Trims against logs in which they were laid down by hand."""

import numpy as np
import pytest
from driven_log import CAR, REVISION, flagged

from tunelab.study.full_load_error import Joined, join_setting
from tunelab.study.steady.prediction import Setting
from tunelab.study.trims import change_sentence, compare_trims, replace_trims, study_trims


def made(long_end=4.0, short=3.0, seed=1, mode=2.0, cleared=False):
    """Two cells, 60 s each; the long-term trim rises evenly to `long_end` in the first; short swings about its mean."""
    rng = np.random.default_rng(seed)
    time = np.arange(0, 120, 0.05)
    first = time < 60
    speed, air = np.where(first, 2200.0, 3200.0), np.where(first, 55.0, 120.0)
    reading = np.interp(air, REVISION.meter_curve.flow_kg_h, REVISION.meter_curve.reading)
    long = np.where(first, (0.0 if cleared else 1.0) + (long_end - 1.0) * np.clip(time / 60, 0, 1), 2.0)
    swing = short + 1.5 * np.sign(np.sin(2 * np.pi * 1.1 * time)) + 0.2 * rng.normal(size=time.size)
    return flagged(
        time, engine_speed_rpm=speed, meter_v=reading, trim_short_pct=swing, trim_long_pct=long,
        fuel_mode=np.full(time.size, mode),
    )  # fmt: skip


def test_cells_totals_and_movement_are_what_was_laid_down():
    study = study_trims(made(), CAR, REVISION)
    slow = study.cells[study.cells["speed_from_rpm"] == 2000].iloc[0]
    assert len(study.cells) == 2
    assert slow["seconds"] == pytest.approx(60.0, abs=0.5)
    assert slow["total_pct"] == pytest.approx(3.0 + 2.5, abs=0.1)
    assert slow["long_last_pct"] - slow["long_first_pct"] == pytest.approx(3.0, abs=0.15)
    assert study.still_learning
    assert slow["lower_pct"] <= 5.5 <= slow["upper_pct"]


def test_settled_trims_are_not_learning_and_a_limit_judges_them():
    study = study_trims(made(long_end=1.0, short=1.0), CAR, REVISION)
    assert not study.still_learning
    assert [f.status for f in study.findings(CAR)] == ["met", "met"]
    large = study_trims(made(long_end=9.0, short=6.0), CAR, REVISION)
    assert [f.status for f in large.findings(CAR)] == ["watch", "watch"]


def test_folding_in_multiplies_the_driven_breakpoints_only():
    table = study_trims(made(), CAR, REVISION).fold_in
    measured = table[table["basis"] == "measured"]
    assert 1 <= len(measured) <= 2
    assert measured["factor"].to_numpy() == pytest.approx([1.055, 1.05][: len(measured)], abs=0.002)
    left = table[table["basis"] == "unchanged"]
    np.testing.assert_array_equal(left["flow_folded_kg_h"], left["flow_in_force_kg_h"])


def test_trims_that_change_between_sessions_are_named():
    before = study_trims(made(long_end=4.0), CAR, REVISION)
    kept = compare_trims(before, study_trims(made(long_end=4.0), CAR, REVISION))
    assert set(kept["what"]) == {"changed by itself", "kept"}  # 4 % at the end of one, 1 % at the begin of the other
    cleared = compare_trims(before, study_trims(made(long_end=4.0, cleared=True), CAR, REVISION))
    assert "cleared" in set(cleared["what"])
    other = REVISION.model_copy(update={"name": "r04"})
    assert "another revision" in set(compare_trims(before, study_trims(made(), CAR, other))["what"])
    assert "2 cells" in change_sentence(before, before)


def test_open_loop_and_missing_trims_show_nothing():
    for log in (made(mode=1.0), made().drop_vars(["trim_short_pct", "trim_long_pct"])):
        study = study_trims(log, CAR, REVISION)
        assert not study.shown
        assert {f.status for f in study.findings(CAR)} == {"not_shown"}
    assert "not shown" in change_sentence(study, study_trims(made(), CAR, REVISION))


def with_pulse(log):
    """A pulse of 3 ms at 14 V beside the trims."""
    level = {"pulse_width_ms": 3.0, "battery_v": 14.0}
    good = {f"{name}_flag": ("time", np.zeros(log.sizes["time"], dtype=np.int32)) for name in level}
    return log.assign({name: ("time", np.full(log.sizes["time"], value)) for name, value in level.items()} | good)


def raised(low_kg_h, high_kg_h, factor, dead_ms=0.0):
    """The revision's curve raised by a factor between two flows, and the dead time longer."""
    flow = np.asarray(REVISION.meter_curve.flow_kg_h)
    flow = np.where((flow > low_kg_h) & (flow < high_kg_h), flow * factor, flow)
    curve = REVISION.meter_curve.model_copy(update={"flow_kg_h": flow.tolist()})
    longer = [ms + dead_ms for ms in REVISION.dead_time.dead_time_ms]
    return Joined(Setting(curve, REVISION.dead_time.model_copy(update={"dead_time_ms": longer})), 0.0, "both")


def test_what_the_curve_gives_the_trims_need_not_and_the_rest_is_told():
    """Trims of 5.5 and 5 %: a curve 5.3 % higher takes both over, one that is higher only at little air takes one."""
    log = with_pulse(made())
    whole = replace_trims(log, CAR, REVISION, raised(0.0, 1e9, 1.053))
    assert set(whole.cells["what"]) == {"clear: replaced"}
    assert whole.cells["correction_pct"].to_numpy() == pytest.approx(5.3, abs=0.1)
    assert whole.cells["left_pct"].abs().max() < 0.5
    assert "2 cells learned a long-term trim" in whole.sentence()
    assert "Clear all learned trims" in whole.sentence()
    half = replace_trims(log, CAR, REVISION, raised(20.0, 85.0, 1.055)).cells.set_index("speed_from_rpm")
    assert half.loc[2000, "what"] == "clear: replaced"
    assert half.loc[3000, "what"] == "clear: not replaced"
    assert half.loc[3000, "left_pct"] == pytest.approx(5.0, abs=0.2)


def test_a_longer_dead_time_takes_trims_over_by_the_pulse_it_adds():
    """Worked by hand: 0.05 ms more on an opening of 3 ms less the dead time at 14 V."""
    opened = 3.0 - np.interp(14.0, REVISION.dead_time.battery_v, REVISION.dead_time.dead_time_ms)
    cells = replace_trims(with_pulse(made()), CAR, REVISION, raised(0.0, 0.0, 1.0, 0.05)).cells
    assert cells["correction_pct"].to_numpy() == pytest.approx(100 * 0.05 / opened, rel=0.02)


def test_without_long_term_trims_or_pulses_it_is_not_shown_and_they_are_cleared_all_the_same():
    joined = join_setting(REVISION, None, None, None)
    for log in (made().drop_vars(["trim_long_pct"]), made()):
        found = replace_trims(log, CAR, REVISION, joined)
        assert found.cells.empty
        assert "not shown" in found.sentence()
        assert "Clear all learned trims" in found.sentence()
