"""All pulls together: mean of the directions, run-to-run spread, and what each input does."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tunelab.study.power.inputs import PowerInputs, deviates
from tunelab.study.power.model import pull_power_kw
from tunelab.study.power.one_pull import Drawing, motion_of, to_grid, way_sign
from tunelab.study.power.result import PullPower
from tunelab.study.power.rise import Rise
from tunelab.workspace.car import Car


def mean_of_ways(ways: list[list[PullPower]], drawing: Drawing) -> tuple[np.ndarray, float]:
    """Draws of the combined curve, shape (draws, grid), and the run-to-run spread in percent (NaN below two pulls).

    Each direction counts alike, however many pulls it has; an engine speed counts where each direction has a pull that
    reached it. Where the pulls of one direction differ by more than noise, local slope and gusts explain, the rest goes
    into the band as an error of each pull.
    """
    means = [_mean_where_known([pull.draws_kw for pull in way]) for way in ways]
    spread, extra = _run_to_run(ways)
    for k, way in enumerate(ways):
        change = extra / np.sqrt(len(way)) * deviates(drawing.draws, drawing.seed, f"run to run {k}")
        change[0] = 0.0
        means[k] = means[k] * (1 + change[:, None])
    return np.mean(means, axis=0), 100 * spread


def _mean_where_known(curves: list[np.ndarray]) -> np.ndarray:
    """Mean of the curves that reached each engine speed, NaN where none did; shape (draws, grid)."""
    stack = np.stack(curves)
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, stack, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def _stack(way: list[PullPower]) -> np.ndarray:
    """Draws of the pulls of one direction; shape (pulls, draws, grid)."""
    return np.stack([pull.draws_kw for pull in way])


def _run_to_run(ways: list[list[PullPower]]) -> tuple[float, float]:
    """Standard deviation between pulls of one direction, and the part of it that the draws do not explain; shares."""
    seen, explained, freedom = 0.0, 0.0, 0
    for way in ways:
        if len(way) < 2:
            continue
        shared = np.isfinite(_stack(way)[:, 0]).all(axis=0)
        if not shared.any():
            continue
        level = _stack(way)[:, :, shared].mean(axis=2)
        ratio = level / level.mean(axis=0)
        seen += float(((ratio[:, 0] - 1) ** 2).sum())
        explained += float(((ratio[:, 1:] - 1) ** 2).sum(axis=0).mean()) - float(((ratio[:, 0] - 1) ** 2).sum())
        freedom += len(way) - 1
    if not freedom:
        return float("nan"), 0.0
    return np.sqrt(seen / freedom), float(np.sqrt(max(seen - max(explained, 0.0), 0.0) / freedom))


def effect_table(
    measured: list[tuple[PullPower, Rise]], ways: list[list[PullPower]], inputs: PowerInputs, car: Car, grid: np.ndarray
) -> pd.DataFrame:
    """What one standard deviation of every input does to the highest combined power, each by itself.

    Columns: input, value, uncertainty, unit, scope, effect_pct, source. Road slope and wind cancel between directions;
    what differs from pull to pull counts with the root of the number of pulls.
    """
    changed = _one_at_a_time(inputs)
    curves = {id(p): _curve(p, rise, car, changed, grid) for p, rise in measured}
    mean = np.mean([_mean_where_known([curves[id(p)] for p in way]) for way in ways], axis=0)
    k = int(np.argmax(np.nan_to_num(mean[0], nan=-np.inf)))
    rows = []
    for at, row in enumerate(inputs.rows, start=1):
        effect = 100 * (mean[at, k] / mean[0, k] - 1)
        if row.scope == "pull":
            effect = _own_effect(measured, curves, at, k)
        if row.name == "standard-day factor":
            effect = 100 * row.uncertainty
        rows.append((row.name, row.value, row.uncertainty, row.unit, row.scope, effect, row.source))
    columns = ["input", "value", "uncertainty", "unit", "scope", "effect_pct", "source"]
    return pd.DataFrame(rows, columns=columns)


def _own_effect(measured, curves: dict[int, np.ndarray], at: int, k: int) -> float:
    """Effect of what differs from pull to pull, for all pulls together. [%]"""
    own = [abs(curves[id(p)][at, k] / curves[id(p)][0, k] - 1) for p, _ in measured]
    known = [value for value in own if np.isfinite(value)]
    return float(100 * np.mean(known) / np.sqrt(len(own))) if known else float("nan")


def _one_at_a_time(inputs: PowerInputs) -> dict[str, np.ndarray]:
    """Inputs with row 0 nominal and row k the k-th input one standard deviation up; shape (inputs + 1, 1) each."""
    count = len(inputs.rows) + 1
    out = {row.name: np.full((count, 1), row.value) for row in inputs.rows}
    for k, row in enumerate(inputs.rows, start=1):
        out[row.name][k] += row.uncertainty
    out["grade"] = out["mean grade"] + out["local grade"]
    out["wind"] = out["steady wind"] + out["gusts"]
    mass = out["mass"] + out["load of the day"]
    scales = inputs.coast_down_mass_kg is not None
    return out | {"road-load scale": mass / inputs["mass"].value if scales else np.ones_like(mass)}


def _curve(power: PullPower, rise: Rise, car: Car, values: dict[str, np.ndarray], grid: np.ndarray) -> np.ndarray:
    motion = motion_of(rise, car, power.pull)
    on_rows = pull_power_kw(motion, rise.rise_rpm_s, values, way_sign(power.pull))
    return on_rows @ to_grid(rise, grid).T
