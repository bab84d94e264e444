"""Lambda compared with the owner's limits wherever the engine was loaded, referred back to the moment of fuelling."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tunelab.study.delay import DelayFit
from tunelab.study.estimate import step_of
from tunelab.study.finding import LEAN_STOP_PCT
from tunelab.study.full_throttle.check import Check, Quantity, Series, hold_against, missing
from tunelab.study.full_throttle.mixture import Mixture, check_mixture
from tunelab.study.full_throttle.stretch import Stretch
from tunelab.study.gearing.reading import has
from tunelab.study.limits.driving import LEAST_S, NEVER_FULL, Driving
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision

SUSTAINED_S = 0.5  # what counts is the mean over this long
LEANEST_COMMANDED = 1.0  # what no ECU commands leaner than under load; common practice, no source
EMPTY = pd.DataFrame(
    columns=["seen_s", "fuelled_s", "stretch", "engine_speed_rpm", "lambda", "commanded", "meant", "judged"]
)


@dataclass(frozen=True)
class HeldMixture:
    """Lambda under load and at full throttle, each compared with its limit."""

    lean: Check
    lean_note: str  # where load begins, and whose limit it is
    full: Check
    readings: pd.DataFrame  # of lambda under load, as `study.full_throttle.mixture` judges them


def hold_mixture(driving: Driving, car: Car, revision: Revision, delay: DelayFit) -> HeldMixture:
    """Hold lambda under load against commanded, and lambda at full throttle against the owner's leanest.

    Only readings of charges fuelled under load count, once the sensor has settled: no overrun, nothing within the delay
    of a fuel cut, no quick opening of the throttle, no cold engine.
    """
    limit = car.limits.lean_under_load_max_pct
    where = f"load counts from {driving.load_from_pct:g} % of absolute load"
    note = where if limit else f"{where}, and the limit is common practice, none being stated"
    title, key = "Leanest lambda over commanded under load", "limits.lean_under_load_max_pct"
    lean = Quantity("limits.lean_under_load", title, "%", limit or LEAN_STOP_PCT, key, "higher", lift=True)
    found = _mixture_of(driving, car, revision, driving.loaded, delay)
    if isinstance(found, str):
        held, readings = missing(lean, f"{found}; {where}", 0), EMPTY
    else:
        held, readings = hold_lean(lean, found, driving.loaded), found.readings
    return HeldMixture(held, note, _full(driving, car, revision, delay), readings)


def _mixture_of(driving: Driving, car: Car, revision: Revision, spans, delay: DelayFit) -> Mixture | str:
    """Lambda of stretches, or why there is none."""
    if not has(driving.log, "lambda_measured"):
        return "the log has no lambda_measured"
    if driving.no_load:
        return driving.no_load
    if not spans:
        return "the engine was never loaded for long enough while it was warm and below the limiter"
    return check_mixture(driving.log, car, revision, spans, delay)


def hold_lean(lean: Quantity, found: Mixture, stretches: tuple[Stretch, ...]) -> Check:
    """Hold judged lambda over commanded, in percent, against a limit.

    Without a commanded lambda in the log it is compared with lambda 1: beyond the limit that shows, but never met.
    """
    lean = replace(lean, smooth_s=SUSTAINED_S)
    judged = _long_enough(found.readings[found.readings["judged"]].sort_values(["stretch", "fuelled_s"]))
    flagged = len(found.readings) - len(judged)
    if judged.empty:
        return missing(lean, "the sensor never had time to settle, or its delay is too little known", flagged)
    known = judged[np.isfinite(judged["meant"])]
    if not known.empty:
        return hold_against(lean, _series(known, known["meant"], flagged), stretches)
    against = hold_against(lean, _series(judged, LEANEST_COMMANDED, flagged), stretches)
    if against.status == "stop":
        return against
    text = f"the log has no lambda_commanded; the leanest lambda read {LEANEST_COMMANDED + against.value / 100:.3g}"
    return missing(lean, text, flagged)


def _long_enough(judged: pd.DataFrame) -> pd.DataFrame:
    """Readings of stretches whose judged readings span half a second: a few of them are no state of the engine."""
    span = judged.groupby("stretch")["fuelled_s"].transform(np.ptp)
    return judged[span >= LEAST_S]


def _series(table: pd.DataFrame, commanded: pd.Series | float, flagged: int) -> Series:
    off = 100 * (table["lambda"] / commanded - 1)
    step = step_of(table["lambda"].to_numpy()) * 100 / float(np.median(commanded))
    rows = (table[name].to_numpy() for name in ("fuelled_s", "seen_s"))
    rpm, number = table["engine_speed_rpm"].to_numpy(), table["stretch"].to_numpy()
    return Series(*rows, off.to_numpy(), rpm, number, flagged, step)


def _full(driving: Driving, car: Car, revision: Revision, delay: DelayFit) -> Check:
    limit, key = car.limits.lambda_max_full_load, "limits.lambda_max_full_load"
    what = Quantity("limits.lambda_full_load", "Leanest lambda of any full throttle", "1", limit, key, "higher", True)
    spans: tuple[Stretch, ...] = driving.full
    if not spans:
        return missing(what, NEVER_FULL, 0)
    found = _mixture_of(driving, car, revision, spans, delay)
    if isinstance(found, str):
        return missing(what, found, 0)
    return replace(found.lean, quantity=what)
