"""What a dialect writes, the kit reads back: the same channels, to the digits written."""

import datetime
import gzip

import numpy as np
import pytest

from tunelab.channels import CHANNELS
from tunelab.log.map import map_raw
from tunelab.log.read import read_raw
from tunelab.simulate.demo.cars import CHATTY, FOREIGN, PIPED, PLAIN, TABBED
from tunelab.simulate.logger import Recording, log_bytes, log_text
from tunelab.workspace import open_workspace

BEGINS = datetime.datetime(2026, 5, 9, 23, 59, 58)
ROWS = 120


@pytest.fixture(scope="module")
def demo(request):
    return open_workspace(request.config.rootpath / "data_demo")


def recording_of(dialect):
    rng = np.random.default_rng(1)
    levels = {"lambda_measured": 1.0, "lambda_commanded": 0.95, "fuel_mode": 2.0, "gear": 3.0}
    levels |= {"meter_v": 2.5, "manifold_kpa": 60.0, "engine_speed_rpm": 2500.0, "battery_v": 13.8}
    levels |= {"idle_target_rpm": 880.0}  # 20 is no idle speed, and would be asked for
    columns = {}
    for column in dialect.columns:
        level = levels.get(column.channel, 20.0)
        is_switch = CHANNELS[column.channel].high <= 10.0 and CHANNELS[column.channel].unit == "1"
        steady = is_switch and column.channel not in ("lambda_measured", "lambda_commanded")
        level = 1.0 if steady and level == 20.0 else level
        columns[column.channel] = level * (1.0 + 0.0 * rng.random(ROWS) if steady else 1.0 + 0.1 * rng.random(ROWS))
    columns["fuel_mode"] = np.where(np.arange(ROWS) < 20, 3.0, 2.0)  # one mode alone would have to be asked for
    return Recording(np.arange(ROWS) * 0.05, columns, {}, np.zeros(ROWS, dtype=int))


@pytest.mark.parametrize(
    "dialect", [PLAIN, CHATTY, FOREIGN, TABBED, PIPED], ids=["plain", "chatty", "foreign", "tabbed", "piped"]
)
def test_written_log_reads_back(dialect, demo, tmp_path):
    recording = recording_of(dialect)
    path = tmp_path / "log.csv"
    text = log_text(recording, dialect, BEGINS, 14.7)
    path.write_bytes(log_bytes(text, dialect, is_cut_off=False, is_packed=False))
    weather = demo.sessions["2026-05-06-part-throttle"].session.weather
    log = map_raw(read_raw(path), demo.car, demo.channel_map, weather=weather)
    assert log.sizes["time"] == ROWS
    assert float(log["time"][-1]) == pytest.approx(recording.time[-1], abs=2e-3)
    for column in dialect.columns:
        written = recording.columns[column.channel]
        tolerance = 0.02 * np.abs(written).max() + 0.51 * 10.0**-column.digits
        np.testing.assert_allclose(log[column.channel], written, atol=tolerance, err_msg=column.heading)


def test_packed_log_has_no_time_of_packing():
    text = log_text(recording_of(PLAIN), PLAIN, BEGINS, 14.7)
    first, again = (log_bytes(text, PLAIN, is_cut_off=False, is_packed=True) for _ in range(2))
    assert first == again
    assert first[4:8] == bytes(4)  # RFC 1952, section 2.3.1: MTIME zero is no time stamp
    assert gzip.decompress(first).decode("utf-8") == text


def test_cut_off_log_ends_inside_its_last_row():
    text = log_text(recording_of(FOREIGN), FOREIGN, BEGINS, 14.7)
    cut = log_bytes(text, FOREIGN, is_cut_off=True, is_packed=False).decode("latin-1")
    assert not cut.endswith("\n")
    assert text.startswith(cut)
    last = cut.rsplit("\r\n", 1)[1]
    assert 0 < last.count(";") < len(FOREIGN.columns)


def test_heading_comes_again_after_a_reconnect():
    recording = recording_of(PLAIN)
    part = np.repeat([0, 1], ROWS // 2)
    text = log_text(Recording(recording.time, recording.columns, {}, part), PLAIN, BEGINS, 14.7)
    assert text.count(PLAIN.time_heading) == 2


def test_error_word_stands_where_there_is_no_reading():
    recording = recording_of(PLAIN)
    columns = dict(recording.columns)
    columns["meter_v"] = np.where(np.arange(ROWS) % 10 == 0, np.nan, columns["meter_v"])
    text = log_text(Recording(recording.time, columns, {"meter_v": "ERR"}, recording.part), PLAIN, BEGINS, 14.7)
    assert text.count("ERR") == ROWS // 10
