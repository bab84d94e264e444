"""The yardstick: what a careful owner does in a spreadsheet, breakpoint by breakpoint, without the injectors.

At each breakpoint of the meter's curve: the mean of measured over commanded lambda times the trims, over roughly
steady samples. The better variant shifts lambda by a fixed 0.2 s and wants 40 samples at a breakpoint.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import numpy as np
import xarray as xr

from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

STEADY_SPAN_S = 1.0
STEADY_LOG_AIR = 0.08


def cell_mean_revision(
    logs: Sequence[xr.Dataset], car: Car, revision: Revision, *, shift_s: float, least_samples: int
) -> Revision:
    """The next revision by cell means; a breakpoint with fewer than `least_samples` stays as it is."""
    curve = revision.meter_curve
    total, count = np.zeros(curve.reading.size), np.zeros(curve.reading.size)
    for log in logs:
        reading, ratio = _steady_ratio(log, car, revision, shift_s)
        cell = np.abs(reading[:, None] - curve.reading).argmin(axis=1)
        total += np.bincount(cell, ratio, total.size)
        count += np.bincount(cell, minlength=total.size)
    factor = np.where(count >= least_samples, total / np.maximum(count, 1), 1.0)
    flow = np.maximum.accumulate(np.asarray(curve.flow_kg_h) * factor)
    changed = revision.model_dump() | {"name": "cells", "date": datetime.date(2026, 5, 2)}
    changed["meter_curve"]["flow_kg_h"] = flow.tolist()
    return Revision.model_validate(changed)


def _steady_ratio(log: xr.Dataset, car: Car, revision: Revision, shift_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Meter reading and lambda ratio times trims at roughly steady samples."""
    time = log["time"].to_numpy()
    reading = log[car.meter.channel].to_numpy()
    log_air = np.log(np.maximum(np.interp(reading, revision.meter_curve.reading, revision.meter_curve.flow_kg_h), 1e-3))
    lam = np.interp(time + shift_s, time, log["lambda_measured"].to_numpy())
    trims = np.ones(time.size)
    for name in ("trim_short_pct", "trim_long_pct"):
        trims = trims * (1 + log[name].to_numpy() / 100) if name in log else trims
    earlier = np.interp(time - STEADY_SPAN_S, time, log_air)
    later = np.interp(time + STEADY_SPAN_S, time, log_air)
    steady = (np.abs(log_air - earlier) < STEADY_LOG_AIR) & (np.abs(later - log_air) < STEADY_LOG_AIR)
    steady &= (log["sample_flag"].to_numpy() & ~1024) == 0
    steady &= (log["lambda_measured_flag"].to_numpy() == 0) & np.isfinite(lam * trims * reading)
    ratio = lam / log["lambda_commanded"].to_numpy() * trims
    return reading[steady], ratio[steady]
