"""Fresh readings told from held ones, against the truth of a simulated logger."""

import numpy as np
import pytest
from written_log import map_log, waves, write_log

from tunelab.log.map.timing import find_refresh


def _time(rows, step=0.04, jitter=0.0, seed=0):
    rng = np.random.default_rng(seed)
    return np.cumsum(np.full(rows, step) * (1 + jitter * rng.normal(size=rows)))


def _held(time, rate_hz, readings):
    """What a logger writes of a sensor that is asked at its own rate, and which rows are fresh."""
    number = np.floor(time * rate_hz + 0.37).astype(int)
    return readings(number), np.r_[True, np.diff(number) > 0]


def _noise(seed):
    rng = np.random.default_rng(seed)
    table = np.round(1 + 0.05 * rng.normal(size=20000), 3)
    return lambda number: table[number]


@pytest.mark.parametrize("rate_hz", [1.0, 2.5, 5.0, 8.0, 10.0, 12.5])
@pytest.mark.parametrize("jitter", [0.0, 0.05])
def test_rate_and_fresh_rows_of_a_held_channel(rate_hz, jitter):
    time = _time(3000, jitter=jitter)
    values, fresh = _held(time, rate_hz, _noise(1))
    found = find_refresh(values, None, time, np.zeros(3000, int))
    assert 1 / found.period_s == pytest.approx(rate_hz, rel=0.04)
    assert np.mean(found.fresh == fresh) > 0.97
    assert np.array_equal(found.values, values)


def test_equal_readings_in_a_row_still_count_as_fresh():
    """A coarse sensor often reads the same twice; the beat shows that it was asked all the same."""
    time = _time(6000)
    coarse = np.round(np.random.default_rng(2).normal(0, 1.2, 20000))
    values, fresh = _held(time, 5.0, lambda number: coarse[number])
    found = find_refresh(values, None, time, np.zeros(6000, int))
    assert np.mean(found.fresh == fresh) > 0.97


@pytest.mark.parametrize(
    "values",
    [
        np.full(3000, 88.0),
        np.round(np.linspace(20, 90, 3000)),
        np.round(85 + 2 * np.sin(np.arange(3000) / 200), 0),
        np.round(13.8 + 0.05 * np.random.default_rng(4).normal(size=3000), 1),
        np.where(np.random.default_rng(5).random(3000) < 0.02, 1.0, 0.0),
        np.repeat(np.random.default_rng(6).normal(size=60), np.random.default_rng(7).integers(1, 100, 60))[:3000],
    ],
    ids=["constant coolant", "even warm-up", "slow swing", "noisy battery", "switch", "odd holds"],
)
def test_quantity_that_rests_or_creeps_is_not_called_held(values):
    assert find_refresh(values, None, _time(values.size), np.zeros(values.size, int)) is None


def test_every_row_fresh_has_no_refresh():
    values = np.random.default_rng(8).normal(size=2000)
    assert find_refresh(values, None, _time(2000), np.zeros(2000, int)) is None


def test_empty_cells_between_readings_are_held_and_marked(tmp_path):
    lam = [f"{x:.3f}" if i % 5 == 0 else "" for i, x in enumerate(waves(0.9, 1.1))]
    log = map_log(write_log(tmp_path / "log.csv", {"RPM": waves(800, 3000), "Lambda": lam}))
    assert log["lambda_measured_fresh"].values[:11].tolist() == [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]
    assert log["lambda_measured"].values[4] == float(lam[0])
    assert "engine_speed_rpm_fresh" not in log
    assert log["lambda_measured"].attrs["ancillary_variables"] == "lambda_measured_fresh"


def test_reading_is_not_held_beyond_its_time_over_an_error_word_or_into_the_next_episode():
    time = np.r_[np.arange(100) * 0.1, 20 + np.arange(100) * 0.1]
    values = np.full(200, np.nan)
    values[::4] = 1.0
    values[40:60:4] = np.nan  # the sensor is away
    empty = np.isnan(values)
    values[80], empty[80] = np.nan, False  # an error word
    episode = np.repeat([0, 1], 100)
    values[100], empty[100] = np.nan, True
    found = find_refresh(values, empty, time, episode)
    assert found.period_s == pytest.approx(0.4)
    assert np.isfinite(found.values[36:46]).all()  # held for two and a half periods
    assert np.isnan(found.values[47:60]).all()
    assert np.isnan(found.values[80:84]).all()
    assert np.isnan(found.values[100:104]).all()
    assert not found.fresh[np.isnan(found.values)].any()


def test_holes_in_a_full_rate_column_stay_holes(tmp_path):
    rpm = [f"{x:.0f}" for x in waves(800, 3000)]
    for hole in (7, 8, 120, 300):
        rpm[hole] = ""
    log = map_log(write_log(tmp_path / "log.csv", {"RPM": rpm, "Lambda": waves(0.9, 1.1)}))
    assert "engine_speed_rpm_fresh" not in log
    assert np.isnan(log["engine_speed_rpm"].values[[7, 8, 120, 300]]).all()


def test_rows_of_two_sources_in_turn_are_both_held(tmp_path):
    """One row of the engine's, then one of the wide-band's in every fifth: neither column is full."""
    rpm = [f"{x:.0f}" if i % 6 != 5 else "" for i, x in enumerate(waves(800, 3000))]
    lam = [f"{x:.3f}" if i % 6 == 5 else "" for i, x in enumerate(waves(0.9, 1.1))]
    log = map_log(write_log(tmp_path / "log.csv", {"RPM": rpm, "Lambda": lam}))
    assert np.isfinite(log["engine_speed_rpm"]).all()
    assert log["engine_speed_rpm_fresh"].values[:7].tolist() == [1, 1, 1, 1, 1, 0, 1]
    assert log["lambda_measured_fresh"].values[:12].tolist() == [0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1]
