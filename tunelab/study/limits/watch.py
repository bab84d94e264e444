"""Watches a whole log for every limit of the owner's that it can speak of, whatever step was driven."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.study.delay import DelayFit
from tunelab.study.full_throttle.check import Check, missing
from tunelab.study.gearing.reading import at_rows, has, never_moves
from tunelab.study.limits.ask import Asked, ask_all
from tunelab.study.limits.driving import Driving, find_driving
from tunelab.study.limits.mixture import HeldMixture, hold_mixture
from tunelab.study.limits.result import LimitWatch, Watched
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

NO_LIMIT = "car.toml states no limit to hold it against"


def watch_limits(log: xr.Dataset, car: Car, revision: Revision, session: Session, delay: DelayFit) -> LimitWatch:
    """Hold every reading of a log against the owner's limits.

    Parameters
    ----------
    log : Dataset
        A flagged log of any step.
    car, revision
        The owner's limits are the authority; curve, dead time and current rev limit.
    session : Session
        Its steps: only in the step full-throttle an opening below 90 % may count as full throttle.
    delay : DelayFit
        Transport delay and lag of the lambda sensor, from `estimate_delay`.

    Returns
    -------
    LimitWatch
        A limit that is not stated, a channel that is not logged and a reading that never moves are not shown, each with
        its reason. A quantity that car.toml has no limit for and that the log does not hold is left out.
    """
    driving = find_driving(log, car, revision, session)
    mixture = hold_mixture(driving, car, revision, delay)
    watched = tuple(_watched(driving, item) for item in _ask(driving, car, revision, mixture))
    seconds = [sum(span.end_s - span.start_s for span in spans) for spans in (driving.running, driving.loaded)]
    because = "" if any(np.isfinite(w.check.value) for w in watched) else "no reading could be compared with a limit."
    return LimitWatch(watched, mixture.readings, driving.load_from_pct, *seconds, delay, because)


def ask_every_limit(driving: Driving, car: Car, revision: Revision, delay: DelayFit) -> list[Asked]:
    """Hold what was driven against every limit of the owner's, before anything is said of sensors that never moved."""
    return _ask(driving, car, revision, hold_mixture(driving, car, revision, delay))


def _ask(driving: Driving, car: Car, revision: Revision, mixture: HeldMixture) -> list[Asked]:
    asked = [
        Asked(mixture.lean, "lambda_measured", mixture.lean_note, "under load"),
        Asked(mixture.full, "lambda_measured", where="at full throttle"),
        *ask_all(driving, car, revision),
    ]
    return [item for item in asked if item.check.quantity.limit is not None or _is_logged(driving.log, item)]


def _is_logged(log: xr.Dataset, item: Asked) -> bool:
    return np.isfinite(item.check.value) if item.channel == "manifold_kpa" else has(log, item.channel)


def _watched(driving: Driving, item: Asked) -> Watched:
    check = item.check
    still = never_moved(driving.log, item.channel, check)
    if check.quantity.limit is None:
        check = replace(check, because=f"{NO_LIMIT}.")
    elif still:
        check = missing(check.quantity, still, check.samples_flagged)
    elif not np.isfinite(check.value):
        known = has(driving.log, item.channel) and check.samples_used == 0 and "no reading" in check.because
        check = replace(check, because=f"no reading to be trusted {item.where}.") if known else check
    if not np.isfinite(check.value):
        nan = float("nan")
        return Watched(check, item.channel, nan, nan, 0, nan)
    at = int(np.argmin(np.abs(driving.log["time"].values - check.at_s)))
    throttle = _at(driving.log, "throttle_pct", at)
    load, gear, lift = float(driving.load_pct[at]), int(driving.gear[at]), _lift(check)
    if check.quantity.limit is not None:
        check = replace(check, because=_because(driving, check, item.note, (throttle, load, gear, lift)))
    return Watched(check, item.channel, throttle, load, gear, lift)


def never_moved(log: xr.Dataset, channel: str, check: Check) -> str:
    """Say that the reading behind a check never moved in a log; empty where it did, or was not logged."""
    if not never_moves(log, channel):
        return ""
    value = float(np.nanmax(log[channel].values))
    about = CHANNELS[channel]
    text = f"{about.label} never moved in this log ({value:g} {about.shown_unit} throughout)"
    more = "; that lies beyond the limit, so look at the sensor and at what it measures" if check.margin < 0 else ""
    return f"{text}: a dead sensor reads the same, so it shows nothing{more}"


def _lift(check: Check) -> float:
    """First moment at which the driver could have seen a limit passed and should have lifted; NaN where he need not."""
    if not check.quantity.lift or check.status not in ("stop", "watch") or check.margin >= 0:
        return float("nan")
    return min((breach.seen_s for breach in check.breaches), default=check.at_s)


def _at(log: xr.Dataset, name: str, row: int) -> float:
    return float(at_rows(log, name)[row]) if has(log, name) else float("nan")


def _because(driving: Driving, check: Check, note: str, conditions: tuple[float, float, int, float]) -> str:
    """One sentence: when, under which conditions, how long beyond, when to lift."""
    throttle, load, gear, lift = conditions
    log, at = driving.log, int(np.argmin(np.abs(driving.log["time"].values - check.at_s)))
    spark = _at(log, "spark_deg", at) if check.quantity.id == "limits.knock_retard" else float("nan")
    parts = [f"worst at {check.at_s:.1f} s"]
    parts += [
        text.format(value)
        for text, value in (("{:.0f} rpm", check.engine_speed_rpm), ("throttle {:.0f} %", throttle),
                            ("load {:.0f} %", load), ("gear {}", gear or np.nan), ("spark {:.3g}°", spark))
        if np.isfinite(value)
    ]  # fmt: skip
    told = ", ".join(parts)
    if check.margin < 0 and check.breaches:
        seconds = sum(breach.end_s - breach.start_s for breach in check.breaches)
        times = "once" if len(check.breaches) == 1 else f"{len(check.breaches)} times"
        told = f"{told}; beyond the limit {times}, {seconds:.1f} s in all"
    if np.isfinite(lift):
        told = f"{told}; the driver should have lifted at {lift:.1f} s"
    return f"{told}; {note}." if note else f"{told}."
