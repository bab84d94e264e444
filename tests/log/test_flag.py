"""Flags: each defect is found where it was put, nothing real is eaten, and any sample can be asked why."""

from __future__ import annotations

import datetime

import numpy as np
import plain_gas
import pytest
import xarray as xr

from tunelab.log import flag_channel, flag_sample
from tunelab.log.flag import MASKS, flag_log, reasons_at, sample_seconds, spans, summary, trusted
from tunelab.log.flag_sample import find_gaps, find_holes
from tunelab.log.flag_stale import LEAST_HABIT, _habit, _second_largest
from tunelab.workspace.session import Exclusion, Session

CAR, REVISION, SESSION = plain_gas.CAR, plain_gas.REVISION, plain_gas.SESSION


def log_of(rate_hz: float = 25.0, seconds: float = 60.0, **channels) -> xr.Dataset:
    """A running engine with a little noise on every channel; channels given replace the usual ones."""
    rng = np.random.default_rng(1)
    time = np.arange(0, seconds, 1 / rate_hz)

    def noisy(level: float, spread: float, digits: int) -> np.ndarray:
        return np.round(level + spread * rng.normal(size=time.size), digits)

    data = {
        "engine_speed_rpm": noisy(2500, 4, 0),
        "meter_v": noisy(2.4, 0.006, 3),
        "throttle_pct": noisy(18, 0.05, 1),
        "pulse_width_ms": noisy(4, 0.01, 3),
        "lambda_measured": noisy(1, 0.004, 3),
        "coolant_c": np.full(time.size, 88.0),
        "knock_retard_deg": np.zeros(time.size),
    }
    data |= {name: make(time) if callable(make) else make for name, make in channels.items()}
    return xr.Dataset({name: ("time", values) for name, values in data.items()}, coords={"time": time})


def with_values(log: xr.Dataset, name: str, rows, values) -> xr.Dataset:
    changed = log[name].to_numpy().copy()
    changed[rows] = values
    return log.assign({name: ("time", changed)})


def has(flagged: xr.Dataset, variable: str, reason: str) -> np.ndarray:
    return (flagged[variable].to_numpy() & MASKS[reason]) != 0


def test_a_clean_log_is_trusted_whole():
    log = flag_log(log_of(), CAR, SESSION)
    assert trusted(log, "lambda_measured", "meter_v", "coolant_c").all()
    assert spans(log).empty


def test_nothing_is_changed_but_flags_added():
    log = with_values(log_of(), "meter_v", slice(100, 102), 4.9)
    before = log.copy(deep=True)
    flagged = flag_log(log, CAR, SESSION)
    xr.testing.assert_identical(log, before)
    for name in log.data_vars:
        np.testing.assert_array_equal(flagged[name], before[name])
        assert flagged[f"{name}_flag"].dtype == np.int32


@pytest.mark.parametrize(("name", "wild"), [("lambda_measured", 9.9), ("engine_speed_rpm", 15900.0), ("meter_v", 0.3)])
@pytest.mark.parametrize("width", [1, 2])
@pytest.mark.parametrize("rate_hz", [25.0, 50.0])
def test_spikes_are_flagged_and_only_they(name, wild, width, rate_hz):
    log = with_values(log_of(rate_hz), name, slice(500, 500 + width), wild)
    found = np.flatnonzero(has(flag_log(log, CAR, SESSION), f"{name}_flag", "spike"))
    if width == 2 and rate_hz == 25.0 and name == "meter_v":  # there and back in 0.12 s: a blipped throttle can do that
        assert found.size == 0
    else:
        assert found.tolist() == list(range(500, 500 + width))


def test_a_spike_held_by_a_slow_channel_is_flagged_with_its_copies():
    fresh = (np.arange(1500) % 25 == 0).astype(np.int8)
    coolant = np.repeat(np.where(np.arange(60) == 30, 140.0, 88.0), 25)
    log = log_of(coolant_c=coolant).assign(coolant_c_fresh=("time", fresh))
    found = np.flatnonzero(has(flag_log(log, CAR, SESSION), "coolant_c_flag", "spike"))
    assert found.tolist() == list(range(750, 775))


def tip_in(time):
    return np.where(time < 20, 18.0, np.minimum(18 + 400 * (time - 20), 95.0))


def blip(time):
    return 18 + 60 * np.exp(-(((time - 20) / 0.12) ** 2))


def knock(time):
    return np.where(np.abs(time - 20) < 0.01, 6.0, 0.0)


def stumble(time):
    return np.where((time > 20) & (time < 20.15), 0.0, 4.0 + 0.01 * np.sin(97 * time))


@pytest.mark.parametrize(
    ("name", "make"),
    [("throttle_pct", tip_in), ("throttle_pct", blip), ("knock_retard_deg", knock), ("pulse_width_ms", stumble)],
)
def test_what_an_engine_can_do_is_no_spike(name, make):
    assert not has(flag_log(log_of(**{name: make}), CAR, SESSION), f"{name}_flag", "spike").any()


def moving_log(seconds: float = 120.0) -> xr.Dataset:
    return plain_gas.drive(plain_gas.invent(0), seed=0, minutes=seconds / 60, rate_hz=25.0)


@pytest.mark.parametrize("name", ["meter_v", "lambda_measured", "engine_speed_rpm"])
def test_a_frozen_sensor_is_stale(name):
    log = moving_log()
    rows = slice(1500, 1575)
    frozen = with_values(log, name, rows, log[name].to_numpy()[1500])
    stale = has(flag_log(frozen, CAR, SESSION), f"{name}_flag", "stale")
    assert stale[1502:1574].all()
    assert stale.sum() < 85


def test_an_engine_speed_frozen_on_the_way_to_a_quiet_idle_is_stale():
    """It rests anyway once it is there; but not while meter and pulse fall to a half."""
    down = np.interp(np.arange(1500), [600, 650], [1.0, 0.4])
    speed = np.where(
        np.arange(1500) < 590, 3612.0 + np.arange(1500) % 7 * 4, np.where(np.arange(1500) < 760, 3612.0, 856.0)
    )
    fall = {name: log_of()[name].to_numpy() * down for name in ("meter_v", "pulse_width_ms")}
    stale = has(flag_log(log_of(engine_speed_rpm=speed, **fall), CAR, SESSION), "engine_speed_rpm_flag", "stale")
    assert stale[592:758].all()
    assert not stale[800:].any()


def test_the_few_fastest_rows_do_not_set_the_habit_of_all():
    """Six rows of one freeze, alone in the class of the fastest movement, against thousands that hardly repeat."""
    rng = np.random.default_rng(7)
    activity = np.append(rng.integers(0, 5, 5000), np.full(6, 5))
    equal = np.append(rng.random(5000) < 0.1, np.ones(6, dtype=bool))
    np.testing.assert_allclose(_habit(equal, np.ones(5006, dtype=bool), activity), LEAST_HABIT)


def test_repeated_frames_are_stale_in_every_channel():
    log = moving_log().drop_vars(["lambda_measured_fresh"], errors="ignore")
    rows = np.arange(log.sizes["time"])
    rows[1500:1505] = 1499
    repeated = log.isel(time=rows).assign_coords(time=log["time"]).assign(episode=log["episode"])
    flagged = flag_log(repeated, CAR, SESSION)
    for name in ("meter_v", "coolant_c", "pulse_width_ms"):
        assert np.flatnonzero(has(flagged, f"{name}_flag", "stale")).tolist() == list(range(1500, 1505))


def test_a_logger_faster_than_the_ecu_is_not_stale():
    log = moving_log().drop_vars(["lambda_measured_fresh"], errors="ignore")
    rows = np.arange(log.sizes["time"]) // 2 * 2
    doubled = log.isel(time=rows).assign_coords(time=log["time"]).assign(episode=log["episode"])
    flagged = flag_log(doubled, CAR, SESSION)
    assert not has(flagged, "coolant_c_flag", "stale").any()
    assert has(flagged, "meter_v_flag", "stale").mean() < 0.001


def test_quiet_idle_and_stopped_engine_are_not_stale():
    # Ten-bit converters: a quiet idle repeats readings for seconds.
    rng = np.random.default_rng(3)

    def coarse(level, spread, step):
        return lambda time: np.round((level + spread * rng.normal(size=time.size)) / step) * step

    log = log_of(
        engine_speed_rpm=coarse(850, 3, 12.5),
        meter_v=coarse(1.2, 0.001, 0.02),
        pulse_width_ms=coarse(2.2, 0.002, 0.016),
        lambda_measured=coarse(1, 0.002, 0.01),
    )
    flagged = flag_log(log, CAR, SESSION)
    stopped = flag_log(log_of(**dict.fromkeys(log.data_vars, np.zeros(1500))), CAR, SESSION)
    for item in (flagged, stopped):
        assert not any(has(item, f"{name}_flag", "stale").any() for name in log.data_vars)


def test_a_settled_engine_speed_is_not_stale_beside_noisy_channels():
    rng = np.random.default_rng(4)

    def settled(time):
        phase = time % 12
        moving = 40 * np.sin(2 * phase) + 5 * rng.normal(size=time.size)
        near = np.where((phase > 9) & (phase < 11), 0, rng.integers(-1, 2, time.size))
        return np.round(1900 + np.where(phase < 8, moving, near))

    noisy = {"meter_v": (2.0, 0.1), "pulse_width_ms": (4.0, 0.2), "lambda_measured": (1.0, 0.02)}
    log = log_of(engine_speed_rpm=settled)
    for name, (level, spread) in noisy.items():
        log[name] = ("time", np.round(level + spread * rng.normal(size=log.sizes["time"]), 3))
    assert not has(flag_log(log, CAR, SESSION), "engine_speed_rpm_flag", "stale").any()


def test_rails_allow_for_the_rounding_of_the_logger():
    # rail_high 1.6; a logger that writes AFR in steps of 0.1 shows 1.6 as 1.599.
    steps = np.round(np.r_[np.linspace(0.8, 1.5, 1400), np.full(100, 1.6)] * 14.7, 1) / 14.7
    flagged = flag_log(log_of(lambda_measured=steps, meter_v=lambda t: np.where(t < 1, 4.96, 2.4)), CAR, SESSION)
    assert has(flagged, "lambda_measured_flag", "rail")[1400:].all()
    assert not has(flagged, "lambda_measured_flag", "rail")[:1395].any()
    assert has(flagged, "meter_v_flag", "rail")[:25].all()


def test_missing_and_out_of_range():
    log = with_values(with_values(log_of(), "coolant_c", 10, np.nan), "lambda_measured", slice(20, 60), 25.0)
    flagged = flag_log(log, CAR, SESSION)
    assert np.flatnonzero(has(flagged, "coolant_c_flag", "missing")).tolist() == [10]
    assert has(flagged, "lambda_measured_flag", "out_of_range")[20:60].all()


def test_lambda_warms_up_after_every_start():
    def speed(time):
        running = ((time > 5) & (time < 30)) | (time > 33)
        return np.where(running, 2500 + 5 * np.sin(17 * time), 0.0)

    log = flag_log(log_of(engine_speed_rpm=speed), CAR, SESSION)
    warming = has(log, "lambda_measured_flag", "warming_up")
    time = log["time"].to_numpy()
    expected = ((time > 5) & (time < 25)) | ((time > 33) & (time < 53))  # warm_up_s is 20
    assert np.mean(warming == expected) > 0.997
    assert not has(log, "meter_v_flag", "warming_up").any()


def test_one_wild_coolant_reading_does_not_make_the_engine_cold():
    log = with_values(log_of(coolant_c=lambda t: np.where(t < 10, 60.0, 88.0)), "coolant_c", 700, -40.0)
    cold = has(flag_log(log, CAR, SESSION), "sample_flag", "cold")
    np.testing.assert_array_equal(cold, log["time"].to_numpy() < 10)


@pytest.mark.parametrize("jitter", [0.0, 0.3])
def test_gaps_are_found_through_jitter_and_changes_of_rate(jitter):
    rng = np.random.default_rng(2)
    time = np.r_[np.arange(0, 20, 0.02), np.arange(20, 60, 0.1), np.arange(60, 80, 0.04)]
    step = np.diff(time, append=80.0)
    time = time + jitter * step * rng.uniform(-0.5, 0.5, time.size)
    keep = ~((time > 10) & (time < 10.5)) & ~((time > 40) & (time < 42)) & (np.abs(time - 70) > 0.02)
    log = xr.Dataset(coords={"time": np.sort(time[keep])})
    gaps = log["time"].to_numpy()[find_gaps(log)]
    assert gaps.size == 2  # one lost row is no gap
    np.testing.assert_allclose(gaps, [10.5, 42.0], atol=0.16)


def test_an_episode_is_a_gap_and_its_aftermath_is_flagged():
    episode = (np.arange(1500) >= 700).astype(np.int32)
    log = flag_log(log_of().assign(episode=("time", episode)), CAR, SESSION)
    gap = log["time"].to_numpy()[has(log, "sample_flag", "gap")]
    np.testing.assert_allclose([gap[0], gap[-1]], [27.96, 29.6], atol=0.05)


@pytest.mark.parametrize("evidence", ["mode", "pulse", "lambda"])
def test_fuel_cut_and_the_time_after_it(evidence):
    time = log_of()["time"].to_numpy()
    cut = (time >= 20) & (time < 23)
    late = (time >= 20.2) & (time < 23.1)
    channels = {
        "mode": {"fuel_mode": np.where(cut, 3.0, 2.0)},
        "pulse": {"pulse_width_ms": np.where(cut, 0.0, 4.0 + 0.01 * np.sin(time * 91))},
        "lambda": {"lambda_measured": np.where(late, 1.6, 1.0), "throttle_pct": np.where(cut, 1.0, 18.0)},
    }[evidence]
    log = log_of(**channels)
    if evidence == "lambda":
        log = log.drop_vars("pulse_width_ms")
    flagged = has(flag_log(log, CAR, SESSION), "sample_flag", "fuel_cut")
    assert flagged[(time >= 20) & (time < 24.55)].all()
    assert not flagged[(time < 19.9) | (time > 24.75)].any()


def test_a_pulse_below_the_dead_time_is_a_cut_where_the_revision_tells():
    pulse = np.where(np.arange(1500) < 100, 0.7, 4.0)  # dead time at 14 V is 0.8 ms
    log = log_of(pulse_width_ms=pulse, battery_v=np.full(1500, 14.0))
    assert not has(flag_log(log, CAR, SESSION), "sample_flag", "fuel_cut").any()
    assert has(flag_log(log, CAR, SESSION, revision=REVISION), "sample_flag", "fuel_cut")[:100].all()


def test_transients_are_flagged_and_trim_swings_and_slow_drifts_are_not():
    log = log_of(
        pulse_width_ms=lambda t: 4 * (1 + 0.04 * np.sin(4 * t)),
        meter_v=lambda t: 2.4 + 0.002 * t + np.where(t > 40, 0.15 * (1 - np.exp(-(t - 40) / 0.2)), 0.0),
    )
    moving = has(flag_log(log, CAR, SESSION, revision=REVISION), "sample_flag", "transient")
    time = log["time"].to_numpy()
    assert moving[(time > 39.6) & (time < 40.6)].all()
    assert not moving[(time < 39.2) | (time > 41.8)].any()


def test_hand_made_exclusions_carry_author_and_reason():
    rows = [
        Exclusion(start_s=10, end_s=12, author="Ada", reason="fan belt squealed"),
        Exclusion(start_s=30, end_s=31, author="Ben", reason="meter plug loose", channels=["meter_v"]),
    ]
    session = Session(date=datetime.date(2026, 5, 3), steps=["steady"], revision="r01", exclude=rows)
    log = flag_log(log_of(), CAR, session)
    table = spans(log)
    assert table["note"].tolist() == ["Ada: fan belt squealed", "Ben: meter plug loose"]
    assert table["channel"].tolist() == ["all", "meter_v"]
    assert not trusted(log)[(log["time"] >= 10) & (log["time"] <= 12)].any()
    assert trusted(log, "lambda_measured").sel(time=30.5, method="nearest")
    assert not trusted(log, "meter_v").sel(time=30.5, method="nearest")
    assert reasons_at(log, 30.5)["reason"].tolist() == ["excluded"]


def test_an_exclusion_of_an_unknown_channel_names_the_nearest():
    row = Exclusion(start_s=1, end_s=2, author="Ada", reason="?", channels=["meter_volt"])
    session = Session(date=datetime.date(2026, 5, 3), steps=["steady"], revision="r01", exclude=[row])
    with pytest.raises(ValueError, match="meter_v"):
        flag_log(log_of(), CAR, session)


def test_trusted_allows_what_the_caller_does_not_mind():
    log = flag_log(log_of(coolant_c=np.full(1500, 20.0)), CAR, SESSION)
    assert not trusted(log).any()
    assert trusted(log, allow=["cold"]).all()
    with pytest.raises(ValueError, match="transient"):
        trusted(log, allow=["transiet"])
    with pytest.raises(KeyError, match="meter_v"):
        trusted(log, "meter_w")
    with pytest.raises(ValueError, match="flag_log"):
        trusted(log_of())


def test_summary_counts_samples_seconds_and_share():
    log = flag_log(with_values(log_of(), "meter_v", slice(100, 200), np.nan), CAR, SESSION)
    table = summary(log, "meter_v").set_index("reason")
    assert table.loc["missing", "samples"] == 100
    assert table.loc["missing", "seconds"] == pytest.approx(4.0)
    assert table.loc["missing", "share"] == pytest.approx(100 / 1500)
    assert table.loc["any", "samples"] + table.loc["none", "samples"] == 1500
    assert summary(log, "lambda_measured").set_index("reason").loc["any", "samples"] == 0


def test_a_file_that_never_had_a_channel_does_not_make_all_its_samples_suspect():
    log = with_values(log_of(), "meter_v", slice(700, 1500), np.nan)
    log["episode"] = ("time", np.repeat([0, 1], [800, 700]).astype(np.int32))
    flagged = flag_log(log, CAR, SESSION)
    assert summary(flagged, "meter_v").set_index("reason").loc["missing", "samples"] == 800
    assert summary(flagged).set_index("reason").loc["missing", "samples"] == 100  # of the file that has the channel
    missing = spans(flagged).query("reason == 'missing'")
    assert missing["samples"].tolist() == [100, 700]
    assert missing["note"].tolist() == ["", "not logged in this piece"]


def test_cf_attributes_say_what_each_bit_means():
    # CF conventions 1.11, section 3.5 "Flags": flag_masks and flag_meanings, as many of one as of the other.
    log = flag_log(log_of(), CAR, SESSION)
    for name in ("meter_v_flag", "sample_flag"):
        meanings = log[name].attrs["flag_meanings"].split()
        assert [MASKS[meaning] for meaning in meanings] == log[name].attrs["flag_masks"].tolist()
    assert log["meter_v"].attrs["ancillary_variables"] == "meter_v_flag"
    slow = log_of().assign(coolant_c_fresh=("time", np.ones(1500, dtype=np.int8)))
    beside = flag_log(slow, CAR, SESSION)["coolant_c"].attrs["ancillary_variables"]
    assert beside.split() == ["coolant_c_fresh", "coolant_c_flag"]


def test_logs_of_few_rows_and_few_channels_do_not_fail():
    for rows in (0, 1, 2, 5, 9):
        short = log_of().isel(time=slice(0, rows))
        assert flag_log(short, CAR, SESSION).sizes["time"] == rows
    lonely = flag_log(log_of()[["coolant_c"]], CAR, SESSION)
    assert trusted(lonely, "coolant_c").all()


def test_a_dead_channel_is_flagged_not_fatal():
    log = flag_log(log_of(lambda_measured=np.full(1500, np.nan), coolant_c=np.full(1500, np.nan)), CAR, SESSION)
    assert has(log, "lambda_measured_flag", "missing").all()
    assert trusted(log, "meter_v").all()


def test_holes_are_the_gaps_that_are_long_or_begin_an_episode():
    log = log_of().isel(time=np.r_[0:200, 203:600, 650:1500])  # 3 and 50 rows lost of 25 a second
    log["episode"] = ("time", np.repeat([0, 1], [1000, 447]).astype(np.int32))
    assert find_gaps(log).tolist() == [200, 597, 1000]
    assert find_holes(log, longest_s=0.5).tolist() == [597, 1000]
    assert find_holes(log, longest_s=0.1).tolist() == [200, 597, 1000]


@pytest.mark.parametrize("seed", range(12))
def test_the_window_of_calm_has_the_edges_that_a_search_finds(seed):
    """numpy.searchsorted is the reference; clocks are even, jittered, gapped or at odds with any rate."""
    rng = np.random.default_rng(seed)
    steps = rng.choice([0.005, 0.02, 0.04, 0.1, 0.25]) * (1 + rng.choice([0.0, 0.1, 0.9]) * rng.uniform(-1, 1, 3000))
    time = np.cumsum(steps + rng.choice([0.0, 0.5]) * (rng.random(3000) < 0.01) * rng.exponential(3.0, 3000))
    clock = flag_sample._even_clock(time)
    for part in (slice(0, 1700), slice(1700, 3000)):
        for step in range(-3, 4):
            wanted = time[part] + flag_sample.CALM_STEP_S * step
            found = np.searchsorted(time, wanted, side="right" if step == 3 else "left")
            np.testing.assert_array_equal(flag_sample._edge(clock, part, step), found)


def test_a_sample_before_a_hole_stands_for_two_steps_at_most():
    log = xr.Dataset(coords={"time": [0.0, 0.1, 0.2, 9.2, 9.3, 9.4, 9.5]})
    np.testing.assert_allclose(sample_seconds(log), [0.1, 0.1, 0.2, 0.1, 0.1, 0.1, 0.1])
    np.testing.assert_allclose(sample_seconds(xr.Dataset(coords={"time": [0.0, 0.4]})), [0.4, 0.4])
    np.testing.assert_array_equal(sample_seconds(xr.Dataset(coords={"time": [7.0]})), [0.0])


def test_the_engine_is_cold_below_the_owners_limit_and_not_from_it_on():
    limit = CAR.limits.coolant_min_c
    log = flag_log(log_of(coolant_c=lambda time: np.where(time < 10, limit - 0.5, limit)), CAR, SESSION)
    np.testing.assert_array_equal(has(log, "sample_flag", "cold"), log["time"].to_numpy() < 10)
    share = 100 * np.mean(log["sample_flag"].to_numpy() != 0)
    assert 16 < share < 18  # ten seconds of sixty
    assert f"{share:.1f} % of the samples not to be trusted" in log.attrs["history"]


@pytest.mark.parametrize(("volts", "is_spike"), [(2.0, False), (4.0, True)])
def test_a_battery_that_jumps_by_more_than_a_starter_draws_is_a_spike(volts, is_spike):
    log = with_values(log_of(battery_v=lambda time: np.full(time.size, 13.8)), "battery_v", 700, 13.8 + volts)
    assert has(flag_log(log, CAR, SESSION), "battery_v_flag", "spike")[700] == is_spike


def test_two_spikes_with_one_good_reading_between_them_are_both_flagged():
    log = with_values(with_values(log_of(), "meter_v", 700, 4.9), "meter_v", 702, 4.9)
    found = np.flatnonzero(has(flag_log(log, CAR, SESSION), "meter_v_flag", "spike"))
    np.testing.assert_array_equal(found, [700, 702])


def test_the_level_beside_a_spike_is_numpys_median_of_three():
    rows = np.random.default_rng(2).normal(size=(3, 50))
    np.testing.assert_array_equal(flag_channel._median_of_three(*rows), np.median(rows, axis=0))


def test_the_step_of_a_logger_is_not_the_dust_of_a_conversion():
    steps = 0.02 * np.arange(60)
    values = np.concatenate([steps, steps + 1e-13])
    assert flag_channel.resolution(values) == pytest.approx(0.02)
    assert flag_channel.resolution(np.array([np.nan, 3.0])) == 0.0


@pytest.mark.parametrize(("times_idle", "is_cut"), [(1.2, False), (1.3, True)])
def test_lean_with_a_closed_throttle_is_a_cut_only_well_above_idle(times_idle, is_cut):
    """At idle a lean rail is a dead sensor or a lean idle; the quarter above the target is common practice."""
    time = log_of()["time"].to_numpy()
    closed = (time >= 20) & (time < 23)
    log = log_of(
        lambda_measured=np.where(closed, 1.6, 1.0), throttle_pct=np.where(closed, 1.0, 18.0),
        engine_speed_rpm=np.full(time.size, times_idle * CAR.engine.idle_target_rpm),
    ).drop_vars("pulse_width_ms")  # fmt: skip
    assert has(flag_log(log, CAR, SESSION), "sample_flag", "fuel_cut").any() == is_cut


def test_movement_is_the_second_largest_of_the_channels():
    rows = np.random.default_rng(6).random((5, 40))
    np.testing.assert_array_equal(_second_largest(list(rows)), np.sort(rows, axis=0)[-2])


@pytest.mark.parametrize(("beside", "is_stale"), [(("meter_v", "pulse_width_ms"), True), (("meter_v",), False)])
def test_a_frozen_sensor_is_told_by_two_channels_that_move_and_not_by_one(beside, is_stale):
    log = moving_log()
    frozen = with_values(log, "lambda_measured", slice(1500, 1575), log["lambda_measured"].to_numpy()[1500])
    keep = ["lambda_measured", "lambda_measured_fresh", "episode", *beside]
    frozen = frozen.drop_vars([name for name in frozen.data_vars if name not in keep])
    stale = has(flag_log(frozen, CAR, SESSION), "lambda_measured_flag", "stale")
    assert stale[1502:1574].all() == is_stale
    assert stale.any() == is_stale


@pytest.mark.parametrize(("repeats", "is_stale"), [(3, False), (5, True)])
def test_where_every_second_row_repeats_a_frame_sent_again_shows_from_four_on(repeats, is_stale):
    log = moving_log().drop_vars(["lambda_measured_fresh"], errors="ignore")
    rows = np.arange(log.sizes["time"]) // 2 * 2
    rows[1500 : 1500 + repeats + 1] = 1500
    doubled = log.isel(time=rows).assign_coords(time=log["time"]).assign(episode=log["episode"])
    assert has(flag_log(doubled, CAR, SESSION), "coolant_c_flag", "stale")[1501 : 1501 + repeats].all() == is_stale
