"""What of a log a limit speaks of, and lambda wherever the engine was loaded."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import in_words
from tunelab.log.align import OF_NO_MATTER, add_air_flow, at_rows, has, row_step_s, rows_in, runs
from tunelab.log.flag import LAMBDA_SENSORS, MASKS, trusted
from tunelab.log.flag_channel import RUNNING_RPM
from tunelab.log.flag_sample import find_holes, is_cut
from tunelab.physics.load import absolute_load
from tunelab.study.delay import DelayFit
from tunelab.study.finding import LEAN_STOP_PCT, step_of
from tunelab.study.full_throttle.check import Check, Quantity, Series, Stretch, hold_against, missing
from tunelab.study.full_throttle.mixture import Mixture, check_mixture
from tunelab.study.gear_trace import trace_gears
from tunelab.study.pull import find_pulls, is_full_throttle
from tunelab.study.pull_result import Pull
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

# Common practice, no source.
LOAD_FROM_PCT = (
    40.0  # of absolute load, where the owner states none: above level cruising, below a pull at half throttle
)
AFTER_START_S = 2.0  # supply and oil pressure need so long after cranking
ABOVE_IDLE = 1.5  # of the idle target: oil pressure at idle is lower by nature
TIP_IN_S, TIP_IN_PCT = 1.0, 10.0  # load that rose so much within so long: acceleration fuelling, another question
END_S = 0.4  # before load ends, air of the closed throttle may be in the reading
STANDING_KM_H = 5.0  # a launch hold cuts spark, and unburned air reads lean
NEAR_LIMIT_RPM = 50.0  # so does a limiter
WIDE_OPEN_PCT = 90.0  # full throttle of a drive that was not driven for it
NEVER_FULL = "the throttle was never fully open for half a second"
LONG_PAUSE_S = 30.0  # after it a sensor may have been switched off and on
NOT_AWAKE = np.int32(MASKS["rail"] | MASKS["warming_up"] | MASKS["missing"])
LONGEST_HOLE_S = 0.6
LEAST_S = 0.5
CUT_BEFORE_S = 0.3


@dataclass(frozen=True)
class Span(Stretch):
    """A stretch of driving of one kind."""

    kind: str = ""

    @property
    def name(self) -> str:
        """How a reader finds it."""
        return f"{self.kind} from {self.start_s:.1f} s"


Spans = tuple[Span, ...]


@dataclass(frozen=True)
class Driving:
    """Stretches of a log by what was driven, and the conditions of every row."""

    log: xr.Dataset  # flagged, with the airflow by the current curve where it was not logged
    running: Spans
    above_idle: Spans
    loaded: (
        Spans  # under load, no quick opening, not about to close, warm, no fuel cut nearby, moving, below the limiter
    )
    full: Spans
    pulls: Spans
    load_pct: np.ndarray  # absolute load at every row, NaN where it is not known
    gear: np.ndarray  # 0 where it is not known
    load_from_pct: float
    no_load: str  # why the load is not known; empty where it is


def find_driving(log: xr.Dataset, car: Car, revision: Revision, session: Session, *, with_gear: bool = True) -> Driving:
    """Split a flagged log into what the owner's limits speak of; the gear at every row only where it is asked for.

    The engine counts as running from two seconds after it was cranked; as under load from `limits.load_from_pct` of
    absolute load on (40 where the owner states none). A log without engine speed counts as running throughout.
    """
    log = mark_sleeping_sensors(log)
    running = _running(log)
    log, load, no_load = with_load(log, car, revision)
    least = car.limits.load_from_pct or LOAD_FROM_PCT
    loaded = running & (load >= least) & ~_is_unsettled(log, load) & ~_is_cutting(log, car, revision)
    cold = (log["sample_flag"].values & MASKS["cold"]) != 0
    above = running & (_speed(log) > ABOVE_IDLE * car.engine.idle_target_rpm)
    full = running & _is_full(log, session)
    return Driving(
        log=log,
        running=_spans(log, running, "running"),
        above_idle=_spans(log, above, "above idle"),
        loaded=_spans(log, _until_before_end(loaded & ~cold, row_step_s(log)), "under load"),
        full=_spans(log, full, "full throttle"),
        pulls=tuple(_of_pull(log, pull) for pull in find_pulls(log, car, session).pulls),
        load_pct=load,
        gear=_gear(log, car) if with_gear else np.zeros(log.sizes["time"], dtype=int),
        load_from_pct=least,
        no_load=no_load,
    )


def _speed(log: xr.Dataset) -> np.ndarray:
    """Engine speed at every row; endless in a log without one, so that every row counts as running."""
    return at_rows(log, "engine_speed_rpm") if has(log, "engine_speed_rpm") else np.full(log.sizes["time"], np.inf)


def mark_sleeping_sensors(log: xr.Dataset) -> xr.Dataset:
    """Mark a lambda sensor as warming up while it stands at its rail since the log began, or since a long pause.

    A log that begins with the engine running does not show the start that the flag of warming up counts from.
    """
    time = log["time"].values
    begins = np.flatnonzero(np.diff(time, prepend=-np.inf) > LONG_PAUSE_S)
    for name in (name for name in LAMBDA_SENSORS if has(log, name)):
        bits = log[f"{name}_flag"].values.copy()
        awake = np.isfinite(log[name].values) & ((bits & NOT_AWAKE) == 0)
        for first, last in itertools.pairwise([*begins, time.size]):
            woke = first + int(np.argmax(awake[first:last])) if awake[first:last].any() else last
            bits[first:woke] |= np.int32(MASKS["warming_up"])
        log = log.assign({f"{name}_flag": (log[f"{name}_flag"].dims, bits, log[f"{name}_flag"].attrs)})
    return log


def _running(log: xr.Dataset) -> np.ndarray:
    time, rpm = log["time"].values, _speed(log)
    running, stood = rpm > RUNNING_RPM, rpm <= RUNNING_RPM
    for first, _ in runs(running):
        if stood[max(first - 1, 0)]:
            running &= ~((time >= time[first]) & (time < time[first] + AFTER_START_S))
    return running


def with_load(log: xr.Dataset, car: Car, revision: Revision) -> tuple[xr.Dataset, np.ndarray, str]:
    """Log with its airflow, the absolute load at every row [%], and why it is not known (then NaN throughout)."""
    unknown = np.full(log.sizes["time"], np.nan)
    try:
        log = add_air_flow(log, car, revision)
    except ValueError as problem:
        return log, unknown, str(problem).rstrip(".")
    if not has(log, "engine_speed_rpm"):
        return log, unknown, f"the log has no {in_words('engine_speed_rpm')}"
    ok = trusted(log, "air_flow_kg_h", allow=(*OF_NO_MATTER, "rail")).values
    flow, rpm = np.where(ok, log["air_flow_kg_h"].values, np.nan), _speed(log)
    known = (flow >= 0) & (rpm > RUNNING_RPM)
    load = absolute_load(
        np.where(known, flow, np.nan), np.where(known, rpm, np.nan), displacement_l=car.engine.displacement_l
    )
    return log, _held(load, row_step_s(log)), ""


def _held(values: np.ndarray, step_s: float) -> np.ndarray:
    """The last reading stands in for missing ones over LONGEST_HOLE_S."""
    return pd.Series(values).ffill(limit=max(1, round(LONGEST_HOLE_S / step_s))).to_numpy() if step_s > 0 else values


def _is_unsettled(log: xr.Dataset, load: np.ndarray) -> np.ndarray:
    """Rows within TIP_IN_S of a quick rise of load, standing, or at the limiter."""
    rows = max(2, round(TIP_IN_S / row_step_s(log))) if row_step_s(log) > 0 else 2
    unsettled = load - pd.Series(load).rolling(rows, min_periods=1).min().to_numpy() > TIP_IN_PCT
    if has(log, "road_speed_km_h"):
        unsettled |= at_rows(log, "road_speed_km_h") < STANDING_KM_H
    if has(log, "launch_active"):
        unsettled |= log["launch_active"].values > 0
    return unsettled


def _is_cutting(log: xr.Dataset, car: Car, revision: Revision) -> np.ndarray:
    """Rows with the fuel cut, shortly after, or at the limiter."""
    cut = pd.Series(is_cut(log, car, revision)).rolling(rows_in(CUT_BEFORE_S, row_step_s(log)), min_periods=1).max()
    limit = min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm)
    return (cut.to_numpy() > 0) | (_speed(log) > limit - NEAR_LIMIT_RPM)


def _is_full(log: xr.Dataset, session: Session) -> np.ndarray:
    full = is_full_throttle(log)
    if "full-throttle" not in session.steps and full.any():
        full = full & (at_rows(log, "throttle_pct" if has(log, "throttle_pct") else "pedal_pct") >= WIDE_OPEN_PCT)
    standing = at_rows(log, "road_speed_km_h") < STANDING_KM_H if has(log, "road_speed_km_h") else False
    return full & ~np.asarray(standing)


def _until_before_end(mask: np.ndarray, step_s: float) -> np.ndarray:
    """Stretches of a mask without their last END_S: the delay is not known well enough to keep what follows apart."""
    kept = mask.copy()
    for first, last in runs(mask):
        kept[max(first, last - round(END_S / step_s)) : last] = False
    return kept


def _spans(log: xr.Dataset, mask: np.ndarray, kind: str) -> Spans:
    """Stretches of a mask of half a second and more, cut at holes of the log."""
    time, step, holes = log["time"].values, row_step_s(log), find_holes(log, longest_s=LONGEST_HOLE_S)
    ends = []
    for first, last in runs(mask):
        cuts = [first, *(int(hole) for hole in holes if first < hole < last), last]
        ends += [(a, b - 1) for a, b in itertools.pairwise(cuts) if (b - a) * step >= LEAST_S]
    return tuple(
        Span(number, a, b, float(time[a]), float(time[b]), 0, kind) for number, (a, b) in enumerate(ends, start=1)
    )


def _of_pull(log: xr.Dataset, pull: Pull) -> Span:
    time = log["time"].values
    return Span(
        pull.number, pull.open_first, pull.last, float(time[pull.open_first]), float(time[pull.last]), 0, "pull"
    )


def _gear(log: xr.Dataset, car: Car) -> np.ndarray:
    """Gear at every row, as logged or by the owner's ratios; numbers that only the log suggests are left out."""
    unknown = np.zeros(log.sizes["time"], dtype=int)
    if has(log, "gear"):
        return np.nan_to_num(log["gear"].values).astype(int)
    if car.gearing is None:
        return unknown
    try:
        return np.asarray(trace_gears(log, car).gear)
    except ValueError:
        return unknown


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
    where = (
        f"load counts from {driving.load_from_pct:g} % of absolute load, and lambda as it was with the trims at work"
    )
    note = where if limit else f"{where}, and the limit is common practice, none being stated"
    title, key = "Leanest lambda over commanded under load, trims at work", "limits.lean_under_load_max_pct"
    lean = Quantity("limits.lean_under_load", title, "%", limit or LEAN_STOP_PCT, key, "higher", lift=True)
    found = _mixture_of(driving, car, revision, driving.loaded, delay)
    if isinstance(found, str):
        held, readings = missing(lean, f"{found}; {where}", 0), EMPTY
    else:
        held, readings = hold_lean(lean, found, driving.loaded), found.readings
    return HeldMixture(held, note, _full(driving, car, revision, delay), readings)


def _mixture_of(
    driving: Driving, car: Car, revision: Revision, spans: tuple[Stretch, ...], delay: DelayFit
) -> Mixture | str:
    """Lambda of stretches, or why there is none."""
    if not has(driving.log, "lambda_measured"):
        return f"the log has no {in_words('lambda_measured')}"
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
    leanest = LEANEST_COMMANDED + against.value / 100
    text = f"the log has no {in_words('lambda_commanded')}; the leanest lambda read {leanest:.3g}"
    return missing(lean, text, flagged)


def _long_enough(judged: pd.DataFrame) -> pd.DataFrame:
    """Readings of stretches whose judged readings span half a second: a few of them are no state of the engine."""
    span = judged.groupby("stretch")["fuelled_s"].transform(np.ptp)
    return judged[span >= LEAST_S]


def _series(table: pd.DataFrame, commanded: pd.Series | float, flagged: int) -> Series:
    off = 100 * (table["lambda"] / commanded - 1)
    step = step_of(table["lambda"].to_numpy()) * 100 / float(np.median(commanded))
    time, seen = table["fuelled_s"].to_numpy(), table["seen_s"].to_numpy()
    rpm, number = table["engine_speed_rpm"].to_numpy(), table["stretch"].to_numpy()
    return Series(time, seen, off.to_numpy(), rpm, number, flagged, step)


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
