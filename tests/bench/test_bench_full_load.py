"""Fuel at full load from driven pulls of the plain engine: what is left after entering, coverage, limits kept."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import plain_engine
import pytest
from plain_car import outing

from tunelab.log.flag import flag_log
from tunelab.study.delay import DelayFit
from tunelab.study.full_load_error import join_setting
from tunelab.study.full_load_fuel import propose_full_load
from tunelab.study.full_throttle import check_full_throttle
from tunelab.study.pull import find_pulls
from tunelab.workspace.revision import Revision

pytestmark = pytest.mark.bench
ENGINES, SEEDS = 24, 300
POINTS = [1500.0, 2500.0, 3500.0, 4500.0, 5500.0, 6500.0]


def test_fuel_at_full_load_over_driven_pulls():
    """24 engines, six pulls each, the upper half of every pull off by -8 to 12 %; scored by the charges' own lambda."""
    left, before, inside, total, passed = [], [], 0, 0, 0
    for seed in range(ENGINES):
        lean = float(np.random.default_rng([seed, 5]).uniform(-0.08, 0.12))
        engine, log, truth = _driven(seed, lean)
        sensor = engine.car.lambda_sensor
        delay = DelayFit(sensor.delay_s, (0.9 * sensor.delay_s, 1.1 * sensor.delay_s), sensor.delay_flow_s_kg_h,
                         (0.9 * sensor.delay_flow_s_kg_h, 1.1 * sensor.delay_flow_s_kg_h), sensor.lag_s,
                         (0.8 * sensor.lag_s, 1.2 * sensor.lag_s), 0.1, (0.05, 0.15), 60.0, 0.95, True, "", "known",
                         1, 0)  # fmt: skip
        pulls = find_pulls(log, engine.car, outing("full-throttle"))
        mixture = check_full_throttle(log, engine.car, engine.revision, pulls, delay).mixture
        found = propose_full_load(log, engine.car, engine.revision, mixture, join_setting(engine.revision, *[None] * 3))
        if not found.shown:
            continue
        rpm, full = log["engine_speed_rpm"].values, log["throttle_pct"].values > 90
        seen = truth * np.exp(engine.traits["gain"])  # the sensor's own level is nothing that a log can tell
        fuel = 0.89 / np.interp(rpm, POINTS, found.table["proposed"])
        after = seen / fuel
        known = found.table.dropna(subset=["lambda_after"])
        for row in known.itertuples():
            near = np.where(full, np.clip(1 - np.abs(rpm - row.engine_speed_rpm) / 1000, 0, None), 0)  # its own cell
            true = float(np.average(after, weights=near))
            inside, total = inside + (row.after_lower <= true <= row.after_upper), total + 1
            before.append(abs(np.average(seen, weights=near) / 0.89 - 1))
            left.append(abs(true / 0.89 - 1))
        leaner = (
            full & (fuel < 1) & (np.convolve(after, np.ones(8) / 8, "same") > engine.car.limits.lambda_max_full_load)
        )
        passed += int(leaner.sum())
    print(
        f"\n{total} breakpoints: error {100 * np.median(before):.1f} % before, {100 * np.median(left):.1f} % left, "
        f"90 % {100 * np.quantile(left, 0.9):.1f} %; inside {inside / total:.0%}; rows leaned past the limit {passed}"
    )


def _driven(seed: int, lean: float):
    engine = plain_engine.invent(seed)
    curve, table = engine.revision.meter_curve, engine.revision.dead_time
    own = {"engine_speed_rpm": POINTS, "commanded_lambda": [0.89] * len(POINTS)}
    right = {
        "meter_curve": curve.model_dump() | {"flow_kg_h": engine.true_flow(np.array(curve.reading)).tolist()},
        "dead_time": {"battery_v": table.battery_v,
                      "dead_time_ms": engine.true_dead_time(np.array(table.battery_v)).tolist()},
        "full_load_fuel": own,
    }  # fmt: skip
    revision = Revision.model_validate(engine.revision.model_dump() | right)
    engine = replace(engine, revision=revision, over_reading=lambda rpm, load: 0 * rpm,
                     traits=engine.traits | {"closed": 1})  # fmt: skip
    log, truth = plain_engine.drive_pulls(engine, seed=seed, overrun="cut", lean=lean)
    return engine, flag_log(log, engine.car, outing("full-throttle"), revision=revision), truth


def test_no_made_pull_of_many_makes_a_proposal_pass_a_limit():
    sys.path.insert(0, str(Path(__file__).parents[1] / "study"))
    from test_full_load_fuel import trial

    changed, past, inside, total = 0, 0.0, 0, 0
    for seed in range(SEEDS):
        found, car, (speed, before, after, _) = trial(seed)
        leaner = after > before + 1e-9
        past = max(past, float((after[leaner] / car.limits.lambda_max_full_load - 1).max(initial=-1.0)))
        changed += found.changes
        known = found.table.dropna(subset=["after_lower"])
        known = known[known["engine_speed_rpm"].between(speed[0], speed[-1])]
        true = np.interp(known["engine_speed_rpm"], speed, after)
        inside += int(((known["after_lower"] <= true) & (true <= known["after_upper"])).sum())
        total += len(known)
    print(
        f"\n{changed} of {SEEDS} change something; leaned speeds lie {100 * past:+.2f} % from the limit at most; "
        f"{inside / total:.1%} of {total} breakpoints inside"
    )
