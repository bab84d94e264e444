"""Segments of a scripted drive: each kind where it was driven, none across a gap, noise does not break them."""

from __future__ import annotations

import numpy as np
import plain_gas
import pytest
import xarray as xr

from tunelab.log.flag import flag_log
from tunelab.log.segment import (
    COLUMNS,
    CRANKING,
    IDLE,
    KINDS,
    STOPPED,
    believed_speed,
    engine_states,
    find_segments,
    state_names,
)

CAR, SESSION = plain_gas.CAR, plain_gas.SESSION


def scripted(rate_hz: float = 25.0) -> xr.Dataset:
    """Start at 3 s, idle, launch at 20 s, hold, pull at 50 s, cut from 60 s, coast, idle, stop at 90 s."""
    rng = np.random.default_rng(7)
    time = np.arange(0, 95, 1 / rate_hz)
    script = [  # time, engine speed, throttle, road speed
        (0, 0, 0, 0), (3, 0, 0, 0), (3.5, 900, 0, 0), (20, 850, 0, 0), (20.1, 2500, 40, 1), (24, 4000, 40, 35),
        (26, 3000, 40, 45), (28, 2600, 20, 50), (48, 2600, 20, 50), (50, 2600, 20, 50), (50.2, 2650, 100, 50),
        (59.5, 5600, 100, 105), (59.7, 5550, 0, 105), (68, 3200, 0, 70), (78, 900, 0, 3), (80, 850, 0, 0),
        (90, 850, 0, 0), (90.6, 0, 0, 0), (95, 0, 0, 0),
    ]  # fmt: skip
    at, speed, throttle, road = np.array(script, dtype=float).T
    columns = {
        "engine_speed_rpm": np.interp(time, at, speed),
        "throttle_pct": np.interp(time, at, throttle) + rng.normal(0, 0.1, time.size),
        "road_speed_km_h": np.clip(np.interp(time, at, road) + rng.normal(0, 0.1, time.size), 0, None),
    }
    running = columns["engine_speed_rpm"] > 300
    columns["engine_speed_rpm"] += np.where(running, rng.normal(0, 5, time.size), 0)
    cut = (time > 60) & (time < 68)
    load = 1 + columns["throttle_pct"] / 12
    columns["pulse_width_ms"] = np.where(running & ~cut, 1.5 + load + rng.normal(0, 0.01, time.size), 0.0)
    columns["meter_v"] = np.where(running, 1 + 0.4 * np.log(load + columns["engine_speed_rpm"] / 1000), 0.6)
    columns["lambda_measured"] = np.where(cut, 1.6, 1 + rng.normal(0, 0.004, time.size))
    return xr.Dataset({name: ("time", values) for name, values in columns.items()}, coords={"time": time})


def found(table, kind):
    return table[table["kind"] == kind][["start_s", "end_s"]].to_numpy()


@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 50.0])
@pytest.mark.parametrize("is_flagged", [True, False])
def test_each_kind_is_found_where_it_was_driven(rate_hz, is_flagged):
    log = scripted(rate_hz)
    table = find_segments(flag_log(log, CAR, SESSION) if is_flagged else log, CAR)
    expected = {
        "start": (3.2, 6.3), "launch": (20.1, 32.1), "pull": (50.2, 59.5), "cut": (60.0, 68.0), "coast": (59.8, 76.5),
        "stop": (89.4, 90.4),
    }  # fmt: skip
    for kind, span in expected.items():
        segments = found(table, kind)
        assert len(segments) == 1, kind
        np.testing.assert_allclose(segments[0], span, atol=0.35, err_msg=kind)
    assert len(found(table, "idle")) == 2
    holds = found(table, "hold")
    assert any(start < 29.5 and end > 48.5 for start, end in holds)
    np.testing.assert_allclose(found(table, "tip-in")[:, 0], [20, 50], atol=0.3)
    np.testing.assert_allclose(found(table, "tip-out")[:, 1], [59.7], atol=0.3)
    assert set(table["kind"]) <= set(KINDS)
    assert tuple(table.columns) == COLUMNS


def test_a_gap_splits_a_hold_and_a_spike_does_not():
    log = scripted()
    speed = log["engine_speed_rpm"].to_numpy().copy()
    speed[np.searchsorted(log["time"], 45.0)] = 15900.0
    log = log.assign(engine_speed_rpm=("time", speed))
    keep = (log["time"] < 35) | (log["time"] > 38)
    table = find_segments(flag_log(log.isel(time=keep.to_numpy()), CAR, SESSION), CAR)
    holds = [tuple(span) for span in found(table, "hold") if span[1] > 29 and span[0] < 48]
    assert len(holds) == 2
    assert holds[0][1] <= 35
    assert holds[1][0] >= 38
    assert holds[1][1] > 48


def test_episodes_split_segments():
    log = scripted().assign(episode=("time", (np.arange(2375) >= 1000).astype(np.int32)))
    holds = [span for span in found(find_segments(log, CAR), "hold") if span[0] < 47 and span[1] > 30]
    assert len(holds) == 2
    table = find_segments(log, CAR)
    assert table.loc[table["kind"] == "cut", "episode"].tolist() == [1]


def test_few_channels_give_few_kinds_and_few_rows_none():
    assert find_segments(scripted()[["meter_v"]], CAR).empty
    kinds = set(find_segments(scripted()[["engine_speed_rpm", "pulse_width_ms"]], CAR)["kind"])
    assert kinds <= {"start", "stop", "hold", "cut"}
    for rows in (0, 1, 2, 3):
        assert find_segments(scripted().isel(time=slice(0, rows)), CAR).empty


def test_medians_are_those_of_the_segment():
    table = find_segments(scripted(), CAR)
    hold = table[(table["kind"] == "hold") & (table["start_s"] > 27) & (table["end_s"] < 51)].iloc[0]
    assert hold["engine_speed_rpm"] == pytest.approx(2600, abs=5)
    assert hold["road_speed_km_h"] == pytest.approx(50, abs=0.2)


@pytest.mark.parametrize(("gained", "count"), [(700.0, 1), (300.0, 0)])
def test_full_throttle_that_gains_little_speed_is_no_pull(gained, count):
    log = scripted()
    time, speed = log["time"].to_numpy(), log["engine_speed_rpm"].to_numpy()
    held = 3000.0 + gained * np.clip((time - 50.2) / 9.3, 0, 1)
    log = log.assign(engine_speed_rpm=("time", np.where((time >= 50) & (time <= 59.6), held, speed)))
    assert len(found(find_segments(log, CAR), "pull")) == count


@pytest.mark.parametrize(("opened", "count"), [(85.0, 1), (75.0, 0)])
def test_four_fifths_of_the_throttle_is_a_pull_where_the_log_has_been_wide_open(opened, count):
    """Common practice, no source: what an ECU takes for full load begins below the stop."""
    log = scripted()
    time, throttle = log["time"].to_numpy(), log["throttle_pct"].to_numpy()
    part = np.where((time > 50.2) & (time < 59.5), opened, throttle)
    part = np.where((time > 24.0) & (time < 24.4), 100.0, part)  # wide open once, too short for a pull
    assert len(found(find_segments(log.assign(throttle_pct=("time", part)), CAR), "pull")) == count


# Bands by hand: idle ends at 1.25 of the target, then whole thousands up to the one that holds the rev limit.
def test_an_engine_is_stopped_cranking_idling_or_in_a_band_and_a_doubtful_speed_keeps_the_one_before():
    idle, top = CAR.engine.idle_target_rpm, CAR.limits.rev_limit_rpm
    speed = np.array([29.0, 30.0, 349.0, 350.0, 1.24 * idle, 1.26 * idle, 2999.0, 3000.0, top, top + 3000.0])
    states = engine_states(xr.Dataset({"engine_speed_rpm": ("time", speed)}, {"time": np.arange(10.0)}), CAR)
    names = [states.name_at(row) for row in range(10)]
    assert names[:5] == [STOPPED, CRANKING, CRANKING, IDLE, IDLE]
    assert names[6].endswith("–3000 rpm")
    assert names[7].startswith("3000–")
    assert names[8] == names[9] == state_names(CAR)[-2]
    assert float(names[9].split("–")[1].split()[0]) >= top
    assert len({*names[5:8]}) >= 2
    assert states.is_running().tolist() == [False] * 3 + [True] * 7
    assert states.starts == 1


def test_a_missing_speed_is_the_one_before_in_its_episode_or_the_one_after():
    speed = [np.nan, 900.0, np.nan, 1000.0, np.nan, 2000.0, np.nan]
    data = {"engine_speed_rpm": ("time", speed), "episode": ("time", [0, 0, 0, 0, 1, 1, 2])}
    log = xr.Dataset(data, {"time": np.arange(7.0)})
    np.testing.assert_array_equal(believed_speed(log), [900, 900, 900, 1000, 2000, 2000, np.nan])
