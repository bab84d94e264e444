"""The table of a car without an air meter, over cars: error after entering, coverage of cells, what a plan leaves.

Run by hand: `pytest -m bench -s tests/bench/test_bench_filling.py`. It prints figures and judges nothing.
`BENCH_CARS=24` takes more cars of each kind, `BENCH_SEED=100` others.
"""

import datetime
import os

import numpy as np
import pytest
from plain_filling import drive_table, invent_table, score_table, to_enter, truth_at, volts_around

from tunelab.study.filling import fit_filling, propose_table
from tunelab.study.filling.result import rectangle
from tunelab.study.proposal import RIGHT_PCT
from tunelab.study.steady.prediction import FULL_CELL
from tunelab.workspace.revision import surface_of

DAY = datetime.date(2026, 5, 3)
CARS, FIRST = int(os.environ.get("BENCH_CARS", "8")), int(os.environ.get("BENCH_SEED", "500"))
KINDS = {"manifold pressure": ("manifold_pressure", False), "boost": ("manifold_pressure", True),
         "throttle": ("throttle", False)}  # fmt: skip

pytestmark = pytest.mark.bench


def one(seed: int, kind: tuple[str, bool]) -> dict[str, float]:
    engine = invent_table(seed, load_from=kind[0], boost=kind[1])
    fit = fit_filling([drive_table(engine, engine.revision, seed=seed)], engine.car, {"r01": engine.revision}, "r01")
    proposal = propose_table(fit, engine.car, engine.revision)
    second = proposal.to_revision("r02", DAY)
    cells, volts_at = fit.cells, volts_around(fit, surface_of(engine.revision.volumetric_efficiency))
    at_cells = cells["engine_speed_rpm"].to_numpy(), cells[fit.load_channel].to_numpy()
    true = to_enter(engine, *at_cells, battery=volts_at)
    held = ((np.log(cells["factor_lower"]) <= true) & (true <= np.log(cells["factor_upper"]))).to_numpy()
    now, then = (
        100 * np.abs(np.expm1(truth_at(engine, one, *at_cells, battery=volts_at))) for one in (engine.revision, second)
    )
    worse, known = then - now, (cells["basis"] != "unchanged").to_numpy()
    again = fit_filling([drive_table(engine, second, seed=900 + seed)], engine.car, {"r02": second}, "r02")
    at, weight = again.visited, 1.0 / np.maximum(np.bincount(cell := rectangle(surface_of(
        engine.revision.volumetric_efficiency), again.visited))[cell], FULL_CELL)  # fmt: skip
    places = np.abs(np.expm1(truth_at(engine, second, at.engine_speed_rpm, at.load, battery=at.battery_v)))
    order = np.argsort(places)
    by_cell = 100 * places[order][np.searchsorted(np.cumsum(weight[order]) / weight.sum(), 0.95)]
    low, high = proposal.predicted.lower_pct, proposal.predicted.upper_pct
    third = propose_table(again, engine.car, second).to_revision("r03", DAY)
    volts = np.array([12.6, 14.1])
    table = engine.revision.dead_time
    off = engine.true_dead_time(volts) - np.interp(volts, table.battery_v, table.dead_time_ms)
    dead, after = fit.dead_time, score_table(engine, second, seed=seed)
    return {
        "before": score_table(engine, engine.revision, seed=seed),
        "after": after,
        "after two": score_table(engine, third, seed=seed),
        "predicted": proposal.predicted.p95_pct,
        "predicted to": proposal.predicted.upper_pct,
        "true over predicted": after / proposal.predicted.p95_pct,
        "every hold alike, within what was predicted": float(low <= after <= high),
        "true of the next drive, rectangles alike": by_cell,
        "that within what was predicted": float(low <= by_cell <= high),
        "that worse than predicted": float(by_cell > high),
        "as the next drive measures it, within": float(low <= again.before.p95_pct <= high),
        "measured cells": float((cells["basis"] == "measured").sum()),
        "covered": held[cells["basis"] == "measured"].mean(),
        "extended cells": float((cells["basis"] == "extended").sum()),
        "extended covered": held[cells["basis"] == "extended"].mean(),
        "known cells, p95 before": np.percentile(now[known], 95),
        "known cells, p95 after": np.percentile(then[known], 95),
        "cells worse by more than 0.5": float((worse > 0.5).sum()),
        "cells worse by more than 1": float((worse > 1).sum()),
        "cells worse by more than 1 and not right": float(((worse > 1) & (then > RIGHT_PCT)).sum()),
        "worst cell made worse": float(worse.max()),
        "level shown": float(dead.shown),
        "slope error": 1000 * (dead.slope_ms_v - (off[1] - off[0]) / 1.5),
    }


@pytest.mark.parametrize("name", KINDS)
def test_the_table_over_cars(name):
    rows = [one(seed, KINDS[name]) for seed in range(FIRST, FIRST + CARS)]
    print(f"\n{name}, {CARS} cars from seed {FIRST}")
    for key in rows[0]:
        values = np.array([row[key] for row in rows])
        values = values[np.isfinite(values)]
        print(
            f"  {key}: median {np.median(values):.2f}, mean {values.mean():.3f}, 90 % {np.quantile(values, 0.9):.2f}, "
            f"least {values.min():.2f}, most {values.max():.2f}, sum {values.sum():.0f}"
        )
    assert len(rows) == CARS
