"""Finished results made up by hand, for tests of figures and pages: no study ran to make them."""

from __future__ import annotations

import datetime
import json

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag import flag_log
from tunelab.study.proposal import Proposal
from tunelab.study.steady import (
    DeadTimeError,
    LambdaError,
    MeterError,
    OverallConstant,
    PulsationMap,
    SteadyFit,
)
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

VOLTS = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5]
FLOWS = [2.0, 8.0, 22.0, 50.0, 98.0, 175.0, 290.0, 455.0, 680.0]
BATTERY = [10.0, 12.0, 14.0]


def error_of(volts: np.ndarray) -> np.ndarray:
    """A smooth made-up factor."""
    return 1.08 - 0.04 * np.asarray(volts) + 0.03 * np.sin(3 * np.asarray(volts))


def made_up_meter() -> MeterError:
    """Measured from 1.1 to 3.4 V, nothing outside."""
    grid = np.linspace(0.5, 4.5, 81)
    inside = (grid > 1.1) & (grid < 3.4)
    factor = np.where(inside, error_of(grid), np.nan)
    known = [1.1 < v < 3.4 for v in VOLTS]
    points = pd.DataFrame(
        {
            "reading": VOLTS,
            "flow_in_force_kg_h": FLOWS,
            "factor": [float(error_of(v)) if k else np.nan for v, k in zip(VOLTS, known, strict=True)],
            "factor_lower": [float(error_of(v)) - 0.01 if k else np.nan for v, k in zip(VOLTS, known, strict=True)],
            "factor_upper": [float(error_of(v)) + 0.01 if k else np.nan for v, k in zip(VOLTS, known, strict=True)],
            "seconds": [40.0 * k for k in known],
            "basis": ["measured" if k else "unchanged" for k in known],
        }
    )
    points.loc[6, ["factor", "factor_lower", "factor_upper", "basis"]] = [0.95, 0.9, 1.0, "extended"]
    flow = np.interp(grid, VOLTS, FLOWS)
    seconds = np.where(inside, 6 + 5 * np.sin(9 * grid), 0.0)
    return MeterError("meter_v", grid, flow, factor, factor - 0.01, factor + 0.01, seconds, points)


def made_up_dead_time(*, shown: bool = True) -> DeadTimeError:
    """0.12 ms short, a little more at low voltage."""
    change = [0.16, 0.13, 0.1] if shown else [np.nan] * 3
    rows = pd.DataFrame(
        {
            "battery_v": BATTERY,
            "dead_time_in_force_ms": [1.6, 1.1, 0.8],
            "change_ms": change,
            "change_lower_ms": [c - 0.03 for c in change],
            "change_upper_ms": [c + 0.03 for c in change],
            "basis": ["extended", "measured", "measured"] if shown else ["unchanged"] * 3,
        }
    )
    because = "" if shown else "The drive ran along one line of speed and load."
    level = 0.12 if shown else np.nan
    return DeadTimeError(
        shown, because, shown, because, level, level - 0.01, level + 0.01, -0.015, -0.03, 0.0, 13.6, (12.4, 14.2), rows
    )


def made_up_fit(*, dead_time_shown: bool = True) -> SteadyFit:
    """A whole fit."""
    meter = made_up_meter()
    speed, load = np.linspace(1000, 5000, 9), np.linspace(0.1, 0.9, 7)
    over = 14 * np.clip(load[:, None] - 0.4, 0, None) * np.sin(speed / 700)
    over[0, -2:] = np.nan
    seconds = np.where(np.isfinite(over), 8.0, 0.0)
    pulsation = PulsationMap(speed, load, over, over - 1, over + 1, seconds, True, "High load was driven.")
    rng = np.random.default_rng(1)
    n = 160
    reading = rng.uniform(1.1, 3.4, n)
    residual = rng.normal(0, 0.6, n)
    fitted = (error_of(reading) - 1) * 100
    blocks = pd.DataFrame({
        "session": "2026-05-03-steady", "hold": np.arange(n) // 4, "start_s": np.arange(n) * 3.5, "seconds": 2.0,
        "samples": 50, "reading": reading, "engine_speed_rpm": rng.uniform(1000, 4800, n),
        "load": rng.uniform(0.15, 0.9, n), "battery_v": rng.normal(13.6, 0.4, n),
        "pulse_width_ms": rng.uniform(2, 9, n), "air_flow_kg_h": np.interp(reading, VOLTS, FLOWS),
        "lambda_measured": 1 + residual / 100, "lambda_commanded": 1.0, "error_pct": fitted + residual,
        "fitted_pct": fitted, "residual_pct": residual, "weight": 1.0, "pulsation_pct": 0.2,
        "disturbed": rng.random(n) < 0.15,
    })  # fmt: skip
    return SteadyFit(
        "r01", ("2026-05-03-steady",), 0.95, "made up by hand", meter, made_up_dead_time(shown=dead_time_shown),
        OverallConstant(1.02, 1.0, 1.04, "Injector flow, meter scale and lambda gain act alike."), pulsation,
        LambdaError(9.4, 8.8, 10.1, 4.1, 12.0, 1.2, 1500.0, 0.3, 560.0),
        LambdaError(0.9, 0.7, 1.2, 0.3, -1.4, 3.2, 4100.0, 0.7, 560.0),
        None, None, blocks, ("The trims were referred back.",), 12000, 3100, points=None, posterior=None,
    )  # fmt: skip


def made_up_proposal(revision: Revision, *, dead_time_shown: bool = True) -> Proposal:
    """What could follow from the fit."""
    fit = made_up_fit(dead_time_shown=dead_time_shown)
    points = fit.meter.points.rename(columns={"reading": "meter_v"})
    flow = points["flow_in_force_kg_h"] * points["factor"].fillna(1.0)
    curve = points.assign(flow_proposed_kg_h=flow)
    curve = curve[[
        "meter_v", "flow_in_force_kg_h", "factor", "factor_lower", "factor_upper", "flow_proposed_kg_h", "seconds",
        "basis",
    ]]  # fmt: skip
    rows = fit.dead_time.rows
    dead = rows.assign(dead_time_proposed_ms=rows["dead_time_in_force_ms"] + rows["change_ms"].fillna(0.0))
    dead = dead[[*rows.columns[:-1], "dead_time_proposed_ms", "basis"]]
    capped = ("At 1.0 V the cap of 15 % held the curve back.",)
    return Proposal(revision, curve, dead, capped, fit.predicted, ("Unmeasured points stay.",))


def made_up_log(car: Car, *, minutes: float = 4.0, rate_hz: float = 25.0) -> xr.Dataset:
    """A flagged log: slow waves, one lambda spike of one sample at 60 s, a pause at 100 s, a cold start."""
    time = np.arange(0, minutes * 60, 1 / rate_hz)
    time = time[(time < 100) | (time > 104)]
    rng = np.random.default_rng(2)
    speed = 2200 + 900 * np.sin(time / 17)
    lam = 1 + 0.02 * np.sin(time / 5) + rng.normal(0, 0.002, time.size)
    lam[np.searchsorted(time, 60.0)] = 1.55
    data = {
        "engine_speed_rpm": speed + rng.normal(0, 5, time.size),
        "meter_v": 2 + 0.5 * np.sin(time / 17 + 0.2) + rng.normal(0, 0.004, time.size),
        "pulse_width_ms": 4 + 1.2 * np.sin(time / 17 + 0.2) + rng.normal(0, 0.01, time.size),
        "throttle_pct": 20 + 8 * np.sin(time / 17) + rng.normal(0, 0.05, time.size),
        "lambda_measured": lam,
        "lambda_commanded": np.ones(time.size),
        "trim_short_pct": 2 * np.sin(time / 3) + rng.normal(0, 0.1, time.size),
        "trim_long_pct": np.full(time.size, 1.5),
        "battery_v": 13.7 + 0.1 * np.sin(time / 40) + rng.normal(0, 0.01, time.size),
        "coolant_c": np.minimum(60 + time * 0.5, 88) + rng.normal(0, 0.05, time.size),
    }
    rows = {"rows_in": time.size + 2, "rows_kept": time.size, "rows_set_aside": 2}
    file = {"path": "log1.csv", "sha256": "0" * 64} | rows
    aside = [{"file": "log1.csv", "row": 17, "reason": "time runs backwards"},
             {"file": "log1.csv", "row": 990, "reason": "=cut off before its end"}]  # fmt: skip
    log = xr.Dataset(
        {name: ("time", values) for name, values in data.items()},
        coords={"time": ("time", time, {"units": "s"})},
        attrs={
            "Conventions": "CF-1.11", "title": "made up", "history": "made up by hand", "revision": "r01",
            "session": "2026-05-03-steady", "files": json.dumps([file]), "set_aside": json.dumps(aside),
            "columns": "{}",
        },
    )  # fmt: skip
    log["episode"] = ("time", (time > 102).astype(np.int32))
    session = Session(date=datetime.date(2026, 5, 3), steps=["steady"], revision="r01")
    return flag_log(log, car, session)
