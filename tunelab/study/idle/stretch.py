"""Where a log idles, and at which speed it should."""

from __future__ import annotations

import numpy as np
import xarray as xr

from tunelab.log.segment import find_segments
from tunelab.study.gearing.reading import at_rows, has
from tunelab.workspace.car import Car

SETTLING_S = 2.5  # after idling begins: how the engine gets there is another question
AFTER_START_S = 8.0
SHORTEST_S = 4.0


def idle_spans(log: xr.Dataset, car: Car) -> list[tuple[float, float]]:
    """Start and end [s] of every stretch of idling, its beginning included."""
    table = find_segments(log, car)
    rows = table[table["kind"] == "idle"]
    return list(zip(rows["start_s"].tolist(), rows["end_s"].tolist(), strict=True))


def settled_idle(log: xr.Dataset, car: Car) -> list[tuple[float, float]]:
    """Start and end [s] of every stretch of settled idling of four seconds or more.

    The first 2.5 s are left out, unless the log itself begins there, and the first 8 s after a start.
    """
    table = find_segments(log, car)
    starts = table.loc[table["kind"] == "start", "start_s"].to_numpy()
    begin = float(log["time"].values[0]) if log.sizes["time"] else 0.0
    found = []
    for start, end in idle_spans(log, car):
        first = start if start <= begin + 0.2 else start + SETTLING_S
        before = starts[starts <= end]
        if before.size:
            first = max(first, float(before[-1]) + AFTER_START_S)
        if end - first >= SHORTEST_S:
            found.append((first, end))
    return found


def idle_target(log: xr.Dataset, car: Car) -> np.ndarray:
    """Idle speed aimed for at every row [rpm], shape (time,): as the ECU logs it, else that of car.toml."""
    stated = np.full(log.sizes["time"], float(car.engine.idle_target_rpm))
    if not has(log, "idle_target_rpm"):
        return stated
    logged = at_rows(log, "idle_target_rpm")
    return np.where(np.isfinite(logged) & (logged > 0), logged, stated)


def rows_between(log: xr.Dataset, span: tuple[float, float]) -> slice:
    """Rows from the start to the end of a span, both included."""
    time = log["time"].values
    return slice(int(np.searchsorted(time, span[0])), int(np.searchsorted(time, span[1], side="right")))
