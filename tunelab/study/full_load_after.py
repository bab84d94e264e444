"""What lambda at full load will be with all of it entered: between breakpoints, beyond them, and where it is lean."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tunelab.study.fuel_supply import acts_in_part
from tunelab.study.full_load_error import error_at
from tunelab.workspace.car import Car

ACTS_IN_PART = 0.95  # of the full-load table: below it the load from which enrichment begins is in the way
BIN_RPM, LEAST_IN_BIN = 125.0, 4
NEARLY = 0.6  # of the owner's limit: a mean that far off passes it in single pulls


def too_lean_after(table: pd.DataFrame, rows: pd.DataFrame, car: Car) -> str | None:
    """Say where meter and injectors as proposed and the capped fuel would leave lambda leaner than now and allowed."""
    limit, between = car.limits.lambda_max_full_load, bins_after(table, rows)
    leaner = table["lambda_after"] > np.maximum(limit, table["lambda"]) * (1 + 1e-3)
    beyond = between["after"] > np.maximum(limit, between["now"]) * (1 + 1e-3)
    if not leaner.any() and not beyond.any():
        return None
    rpm = table.loc[leaner, "engine_speed_rpm"].iloc[0] if leaner.any() else between.index[beyond][0]
    worst = between.loc[between.index[np.argmin(np.abs(between.index - rpm))]]
    if worst["acts"] < ACTS_IN_PART:
        return (
            f"at {rpm:.0f} rpm, with meter and injectors as proposed, lambda would pass the owner's limit of "
            f"{limit:g}: the ECU would see less load there and command only {100 * worst['acts']:.0f} % of what the "
            "full-load table enriches. Enter neither yet: let enrichment begin at a lower load first, and drive again."
        )
    return (
        f"at {rpm:.0f} rpm meter and injectors, as proposed, take more fuel than one revision may give back: lambda "
        f"would pass the owner's limit of {limit:g}. Enter neither; with a larger cap both can go in together."
    )


def bins_after(table: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Lambda now and with all of it entered, BIN_RPM by BIN_RPM: between breakpoints and beyond them.

    Of more fuel only the share arrives that the table acts with at that reading, of less fuel all.
    """
    given = np.interp(rows["rpm"], table["engine_speed_rpm"], table["more"])
    after = rows["error"] - rows["taken"] - np.where(given > 0, rows["acts"], 1.0) * given
    known = rows.assign(after=np.exp(after) * rows["goal"], now=np.exp(rows["error"]) * rows["goal"])
    bins = known.groupby(BIN_RPM * np.round(rows["rpm"] / BIN_RPM))
    means = bins.agg(
        {
            "after": "mean",
            "now": "mean",
            "goal": "mean",
            "commanded": "mean",
            "asked": "mean",
            "acts": "mean",
            "rpm": "size",
        }
    )
    return means[means["rpm"] >= LEAST_IN_BIN]


def still_lean(table: pd.DataFrame, rows: pd.DataFrame, car: Car) -> list[str]:
    """Say where lambda stays above the owner's limit with all of it entered, at breakpoints and between and beyond."""
    limit = car.limits.lambda_max_full_load
    points, seen = table["engine_speed_rpm"].to_numpy(), bins_after(table, rows)
    seen = seen[seen["after"] > limit]
    lean = sorted({*seen.index, *points[(table["lambda_after"] > limit).to_numpy()]})
    if not lean:
        return []
    notes = [
        f"With all of it entered lambda is still expected above the owner's limit of {limit:g} at "
        f"{', '.join(f'{rpm:.0f}' for rpm in lean)} rpm: no full throttle there until a further revision shows it "
        "below."
    ]
    other = seen[acts_in_part(seen)]
    if len(other):
        worst = other.loc[other["after"].idxmax()]
        notes.append(
            f"At {other['after'].idxmax():.0f} rpm the ECU commands lambda {worst['commanded']:.3f} where the table of "
            f"full load says {worst['asked']:.3f}: it acts in part only. Look at the load from which enrichment "
            "begins, and at breakpoints beyond the last one, before more is entered."
        )
    return notes


def between_breakpoints(table: pd.DataFrame, rows: pd.DataFrame, car: Car) -> list[str]:
    """Say where straight lines between breakpoints leave lambda off by nearly the owner's limit and more."""
    rpm = missing_breakpoint(table, rows, car)
    if rpm is None:
        return []
    bins = bins_after(table, rows[rows["past_film"]])
    off = 100 * (bins.loc[rpm, "after"] / bins.loc[rpm, "goal"] - 1)
    return [
        f"Around {rpm:.0f} rpm lambda stays about {off:+.1f} % off with all of it entered: what is missing does not "
        "run straight from breakpoint to breakpoint. A breakpoint there would let it be right; add one, if the ECU "
        "allows it, with the value that the straight line has there, and drive again."
    ]


def missing_breakpoint(table: pd.DataFrame, rows: pd.DataFrame, car: Car) -> float | None:
    """Engine speed at which a further breakpoint would serve most [rpm]; None where straight lines serve.

    None is asked for that pulls like these could not measure, once it is in the table.
    """
    bins, points = bins_after(table, rows[rows["past_film"]]), table["engine_speed_rpm"].to_numpy()
    apart = np.abs(bins.index.to_numpy()[:, None] - points).min(axis=1)
    off = 100 * np.abs(bins["after"] / bins["goal"] - 1)
    known, after = table["lambda"].notna().to_numpy(), np.searchsorted(points, bins.index)
    measured = known[np.maximum(after - 1, 0)] & known[np.minimum(after, points.size - 1)]  # on both sides
    off = off[(apart >= 2 * BIN_RPM) & (after > 0) & measured]
    off = off[off > NEARLY * car.limits.steady_lambda_error_max_pct].sort_values(ascending=False)
    return next((float(rpm) for rpm in off.index if _measured_then(rows, points, rpm)), None)


def _measured_then(rows: pd.DataFrame, points: np.ndarray, rpm: float) -> bool:
    """Whether pulls like these would measure a further breakpoint and those beside it."""
    more = np.sort(np.append(points, rpm))
    at = int(np.searchsorted(more, rpm))
    return all(error_at(rows, more, k)["pulls"] > 0 for k in range(max(at - 1, 0), min(at + 2, more.size)))
