"""Does the lambda sensor measure this engine's exhaust, and its own bank?"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import channel
from tunelab.study.consistency.statement import not_made, statement
from tunelab.study.ecu_law import (
    LEAST_BINS,
    RUNNING_RPM,
    calm_rows,
    log_of,
    metered_air_kg_h,
    trim_factor,
)
from tunelab.study.finding import Finding
from tunelab.study.gearing.reading import at_rows, has
from tunelab.units import convert
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

# Bounds of this module are common practice, no source.
LEAN_LIMIT = 1.5  # no petrol engine runs a hold leaner than this
FAR_OFF = 0.45  # of the logarithm of measured over commanded
AFR_FROM, AFR_TO = 8.0, 20.0
SHARE_STOP = 0.5
FOLLOWS_LEAST = 0.25  # of the fuel's change; honest sensors show 0.4 to 1 of it, wall film and lag take the rest
QUICK_S, SLOW_S, BLOCK_S = 0.3, 4.0, 5.0
LEAST_MOVE = 0.0015
LATER_S = (-0.15, 0.0, 0.15, 0.3, 0.5)  # than the delay that car.toml states, which may be a guess
DRAWS = 100
LEVEL = "Lambda within the range of an engine that runs"
FOLLOWS = "Lambda follows the fuel"
FOLLOWS_NOT = (
    "It does not measure what these trims act on: free air, a dead sensor, another column, the other bank, or a clock "
    "that runs wrong."
)
OWN_BANK = "Lambda of bank 1 follows the trims of bank 1"


def check_level(log: xr.Dataset) -> Finding:
    """Lambda as read while the engine runs, flagged or not: an AFR, a sensor in free air or at its stop."""
    absent = [name for name in ("lambda_measured", "engine_speed_rpm") if not has(log, name)]
    if absent:
        return not_made("lambda_level", LEVEL, f"{absent[0]} is not in the log.")
    lam = log["lambda_measured"].values
    rows = np.isfinite(lam) & (at_rows(log, "engine_speed_rpm") > RUNNING_RPM) & _fuelled(log)
    if rows.sum() < 100:
        return not_made("lambda_level", LEVEL, "The engine hardly ran with lambda logged.")
    commanded = at_rows(log, "lambda_commanded") if has(log, "lambda_commanded") else np.ones(lam.size)
    off = np.abs(log_of(lam) - log_of(commanded))[rows]
    odd = float(np.mean((lam[rows] > LEAN_LIMIT) | (lam[rows] < channel("lambda_measured").low) | (off > FAR_OFF)))
    middle = float(np.median(lam[rows]))
    text = f"With fuel on, median lambda was {middle:.2f}; {100 * odd:.0f} % of the readings are implausible."
    status = "stop" if odd > SHARE_STOP else "watch" if odd > SHARE_STOP / 2 else "met"
    text += _level_cause(middle) if status != "met" else ""
    figure = (100 * odd, "%", 100 * SHARE_STOP)
    return statement("lambda_level", LEVEL, text, status=status, figure=figure, samples=int(rows.sum()))


def _level_cause(middle: float) -> str:
    if AFR_FROM < middle < AFR_TO:
        return " That is an air-fuel ratio: map the column as AFR, so that it becomes lambda."
    if middle > LEAN_LIMIT:
        return " The sensor sits in free air or is not working, or air leaks into the exhaust ahead of it."
    return " The sensor, its controller's fuel setting or the column's unit is not as stated."


def _fuelled(log: xr.Dataset) -> np.ndarray:
    return at_rows(log, "pulse_width_ms") > 0 if has(log, "pulse_width_ms") else np.ones(log.sizes["time"], dtype=bool)


def check_follows(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """Share of the fuel's quick changes (trims, commanded lambda) that lambda shows, airflow held apart."""
    asked = log_of(trim_factor(log))
    if has(log, "lambda_commanded"):
        asked = asked - log_of(at_rows(log, "lambda_commanded"))
    if not has(log, "lambda_measured") or not np.isfinite(metered_air_kg_h(log, car, revision)).any():
        return not_made("lambda_follows", FOLLOWS, "Needs lambda and airflow.", "1")
    moves = _best_moves(log, car, revision, asked)
    if moves["asked"].std() < LEAST_MOVE or moves["block"].nunique() < LEAST_BINS:
        text = (
            "Trims and commanded lambda hardly moved in steady driving: a sensor that does not respond would not show."
        )
        return not_made("lambda_follows", FOLLOWS, text, "1")
    share, upper = _share(moves)
    text = f"Lambda shows {share:.2f} of what trims and commanded lambda change in the fuel (at most {upper:.2f})."
    status = "stop" if upper < FOLLOWS_LEAST else "met"
    text += f" {FOLLOWS_NOT}" * (status == "stop")
    figure = (share, "1", FOLLOWS_LEAST)
    return statement("lambda_follows", FOLLOWS, text, status=status, figure=figure, samples=len(moves))


def _best_moves(log: xr.Dataset, car: Car, revision: Revision, asked: np.ndarray) -> pd.DataFrame:
    """Moves at the lateness at which lambda shows most of what the fuel does."""
    tables = [_moves(log, car, revision, asked, later) for later in LATER_S]
    return max(tables, key=lambda moves: _slope(_sums(moves).sum(axis=0)))


def _moves(log: xr.Dataset, car: Car, revision: Revision, asked: np.ndarray, later_s: float) -> pd.DataFrame:
    """Quick departures of lambda, and of fuel and air at the time that belongs to it."""
    time, air = log["time"].values, metered_air_kg_h(log, car, revision)
    sensor = car.lambda_sensor
    flow = np.maximum(np.nan_to_num(air, nan=np.inf), 1.0)
    back = time - sensor.delay_s - sensor.delay_flow_s_kg_h / flow - sensor.lag_s - later_s
    rows = calm_rows(log, "lambda_measured")
    parts = {"seen": log_of(at_rows(log, "lambda_measured"))}
    parts |= {name: np.interp(back, time, values) for name, values in (("asked", asked), ("air", log_of(air)))}
    step = float(np.median(np.diff(time)))
    quick = {name: _departure(np.where(rows, values, np.nan), step) for name, values in parts.items()}
    return pd.DataFrame(quick | {"block": np.floor(time / BLOCK_S), "later_s": later_s}).dropna()


def _departure(values: np.ndarray, step_s: float) -> np.ndarray:
    series = pd.Series(values)
    short, long = (max(1, round(seconds / step_s)) for seconds in (QUICK_S, SLOW_S))
    means = [series.rolling(n, center=True, min_periods=n // 2 + 1).mean() for n in (short, max(long, 3))]
    return (means[0] - means[1]).to_numpy()


def _share(moves: pd.DataFrame) -> tuple[float, float]:
    """Share that lambda shows, and the upper end of its 95 % interval by blocks of BLOCK_S."""
    sums, rng = _sums(moves), np.random.default_rng(1)
    draws = [_slope(sums[rng.integers(0, len(sums), len(sums))].sum(axis=0)) for _ in range(DRAWS)]
    return _slope(sums.sum(axis=0)), float(np.quantile(draws, 0.975))


def _sums(moves: pd.DataFrame) -> np.ndarray:
    """Sums of products by block, shape (blocks, 5)."""
    asked, air, seen = (moves[name] for name in ("asked", "air", "seen"))
    products = pd.DataFrame(
        {"uu": asked * asked, "ua": asked * air, "aa": air * air, "uy": asked * seen, "ay": air * seen}
    )
    return products.groupby(moves["block"]).sum().to_numpy()


def _slope(sums: np.ndarray) -> float:
    uu, ua, aa, uy, ay = sums
    determinant = uu * aa - ua**2
    return float(-(uy * aa - ay * ua) / determinant) if determinant > 1e-9 * uu * aa else float(-uy / max(uu, 1e-12))


def check_own_bank(log: xr.Dataset, car: Car, revision: Revision) -> Finding:
    """With trims and lambda of two banks: each must follow its own trims better than the other's."""
    wanted = ("lambda_measured", "lambda_measured_2", "trim_short_pct", "trim_short_2_pct")
    if not all(has(log, name) for name in wanted):
        return not_made("own_bank", OWN_BANK, "Needs lambda and short-term trim of both banks.", "1")
    trims = [log_of(1 + convert(at_rows(log, name), "percent", "1")) for name in wanted[2:]]
    apart = log.assign(lambda_measured=log["lambda_measured"] / log["lambda_measured_2"])
    both = log.assign(lambda_measured=np.sqrt(log["lambda_measured"] * log["lambda_measured_2"]))
    common = _best_moves(both, car, revision, (trims[0] + trims[1]) / 2)  # an exchange does not touch the mean
    later = float(common["later_s"].iloc[0]) if len(common) else 0.0
    moves = _moves(apart, car, revision, trims[0] - trims[1], later)
    if moves["asked"].std() < LEAST_MOVE or moves["block"].nunique() < LEAST_BINS:
        return not_made("own_bank", OWN_BANK, "The trims of the two banks hardly moved apart.", "1")
    share, upper = _share(moves)
    status = "stop" if upper < 0 else "met"
    text = f"The difference of the banks' lambdas shows {share:.2f} of that of their trims."
    text += " It has the wrong sign: the sensors or the trims of the banks are exchanged." if status == "stop" else ""
    return statement("own_bank", OWN_BANK, text, status=status, figure=(share, "1", 0.0), samples=len(moves))
