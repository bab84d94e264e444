"""What a log shows while it is still being written: limits passed, and the usable seconds of each hold of a plan.

The limits are those of `study/limits`, by the same checks over each window of the log; the usable seconds are those
of `study/coverage`. Lambda is referred back by the delay that the owner states, as no log that grows shows its own yet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import xarray as xr

from tunelab.log.align import at_rows, has, trusted_values
from tunelab.log.flag import channels_of
from tunelab.log.flag_channel import RUNNING_RPM
from tunelab.log.follow import Window
from tunelab.log.load import held
from tunelab.study.coverage import Samples, join_samples, pooled, samples_of, with_flow
from tunelab.study.delay import stated_delay
from tunelab.study.drive_plan import Hold
from tunelab.study.filling.plan import CellHold
from tunelab.study.finding import Status
from tunelab.study.full_throttle.check import Quantity
from tunelab.study.hold import speed_edges
from tunelab.study.limits import Asked, ask_every_limit
from tunelab.study.limits_driving import Driving, find_driving
from tunelab.study.pull import FULL_BELOW_TOP_PCT
from tunelab.workspace.car import Car
from tunelab.workspace.revision import Revision
from tunelab.workspace.session import Session

SETTLE_S = 2.0  # of a hold's seconds, as the plan has them, before its good ones begin
NEVER_MOVED = "The reading has never moved so far, as a dead sensor's: look at the sensor too."
LATEST_S = 0.5  # what the engine does now: the middle of its readings over this long
WHY_STATED = "the log is still being written"


@dataclass(frozen=True)
class LimitSoFar:
    """One of the owner's limits compared with a log so far. NaN where nothing could be held or nothing was passed."""

    quantity: Quantity
    worst: float
    first_s: float  # when it was first to be seen passed, from the first row of the log
    last_s: float  # when it was first to be seen passed the last time
    until_s: float  # up to when
    seconds: float  # beyond it, all together
    status: Status  # "not_shown", "met" for not passed so far, else the worst that it earned
    because: str  # why it cannot be held, or what speaks against a reading beyond it; empty where nothing does

    @property
    def is_passed(self) -> bool:
        """Whether it was passed so far."""
        return self.status in ("watch", "stop")


@dataclass(frozen=True)
class Now:
    """What the engine does in the last half second of a log; NaN where not logged."""

    engine_speed_rpm: float
    air_flow_kg_h: float
    road_speed_km_h: float
    lambda_measured: float
    coolant_c: float
    throttle_pct: float
    load: float  # what the ECU's table goes by, in its own unit; NaN for a car with an air meter
    still_s: float  # for how long every row repeated the one before while the engine ran


@dataclass(frozen=True)
class SoFar:
    """What a log shows so far."""

    rows: int = 0
    set_aside: int = 0  # lines that are no whole row, or have no time of their own
    until_s: float = 0.0  # from the first row to the last, breaks of the clock laid out as in the finished log
    samples: tuple[Samples, ...] = ()
    limits: dict[str, LimitSoFar] = field(default_factory=dict)
    reach: dict[str, tuple[float, float]] = field(default_factory=dict)  # lowest and highest trusted reading
    open: tuple[str, ...] = ()  # columns that are not read, as nothing says what they are
    now: Now | None = None

    @property
    def still_s(self) -> float:
        """Time over which no reading has moved; zero while nothing is read. [s]"""
        return self.now.still_s if self.now else 0.0

    @property
    def passed(self) -> list[LimitSoFar]:
        """Limits passed so far, those at stop first, then the latest."""
        found = [limit for limit in self.limits.values() if limit.is_passed]
        return sorted(found, key=lambda limit: (limit.status != "stop", -np.nan_to_num(limit.last_s)))


def count_in(so_far: SoFar, window: Window, car: Car, revision: Revision, session: Session) -> SoFar:
    """Add the own rows of a window to what came before it.

    Parameters
    ----------
    so_far : SoFar
        Of all rows before the window's own.
    window : Window
        The next rows of the log.
    car, revision, session
        Limits, current curve and step; without the gear, which no limit asks for.
    """
    log, own = window.log, window.own
    if not own.any():
        return replace(so_far, set_aside=so_far.set_aside + window.lines)
    time, first = log["time"].values, int(np.argmax(own))
    shift_s = so_far.until_s - float(time[max(first - 1, 0)])
    reach = _reach(so_far.reach, log)
    driving = find_driving(log, car, revision, session, with_gear=False)
    driving = _really_full(driving, reach, session)
    asked = ask_every_limit(driving, car, revision, stated_delay(car, WHY_STATED))
    limits = dict(so_far.limits)
    for item in (item for item in asked if item.check.quantity.limit is not None):
        name = item.check.quantity.id
        limits[name] = _limit(limits.get(name), item, (time[own] + shift_s, shift_s), reach)
    parts = (*so_far.samples, _own_samples(_by_load(samples_of(log, car), log, car), own))
    return SoFar(
        rows=so_far.rows + int(own.sum()),
        set_aside=so_far.set_aside + window.lines - int(own.sum()),
        until_s=float(time[own][-1]) + shift_s,
        samples=(pooled(join_samples(list(parts)), car),),
        limits=limits,
        reach=reach,
        open=window.open,
        now=_now(driving.log, car),
    )


def _by_load(samples: Samples, log: xr.Dataset, car: Car) -> Samples:
    """Samples whose reading is the load that the ECU's table goes by, for a car without an air meter."""
    if car.has_meter or car.air_reading not in log:
        return samples
    return replace(samples, reading=held(log, car.air_reading))


def joined(parts: Sequence[SoFar]) -> SoFar:
    """What several logs of one outing show together, in the order driven; the last one's clock and state hold."""
    whole = parts[-1]
    limits = dict(whole.limits)
    for part in parts[:-1]:
        for name, own in part.limits.items():
            if own.is_passed and not (name in limits and limits[name].is_passed):
                limits[name] = replace(own, first_s=float("nan"), last_s=float("nan"), until_s=float("nan"))
    samples = tuple(samples for part in parts for samples in part.samples)
    return replace(whole, samples=samples, limits=limits)


def _own_samples(samples: Samples, own: np.ndarray) -> Samples:
    """Samples of a window's own rows, without throttle and battery, which no hold is counted by."""
    nothing = np.full(int(own.sum()), np.nan)
    names = ("speed_rpm", "reading", "flow_kg_h", "seconds", "count", "good", "believed")
    return replace(
        samples, **{name: getattr(samples, name)[own] for name in names}, throttle_pct=nothing, battery_v=nothing
    )


def _reach(before: dict[str, tuple[float, float]], log: xr.Dataset) -> dict[str, tuple[float, float]]:
    """Lowest and highest trusted reading of every channel so far."""
    reach = dict(before)
    for name in channels_of(log):
        values = trusted_values(log, name)
        if np.isfinite(values).any():
            low, high = reach.get(name, (np.inf, -np.inf))
            reach[name] = (min(low, float(np.nanmin(values))), max(high, float(np.nanmax(values))))
    return reach


def _really_full(driving: Driving, reach: dict[str, tuple[float, float]], session: Session) -> Driving:
    """Full throttle is near the highest reading of the whole log so far, not of a window in which it never was."""
    name = "throttle_pct" if "throttle_pct" in reach else "pedal_pct"
    if "full-throttle" not in session.steps or name not in reach or not has(driving.log, name):
        return driving
    throttle, least = at_rows(driving.log, name), reach[name][1] - 2 * FULL_BELOW_TOP_PCT
    full = tuple(span for span in driving.full if np.nanmedian(throttle[span.rows]) >= least)
    return replace(driving, full=tuple(replace(span, number=n) for n, span in enumerate(full, start=1)))


def _limit(
    before: LimitSoFar | None, item: Asked, clock: tuple[np.ndarray, float], reach: dict[str, tuple[float, float]]
) -> LimitSoFar:
    """Hold a limit's check of one window against what it was before; `clock`: times of the own rows, and the shift."""
    check, nan = item.check, float("nan")
    before = before or LimitSoFar(check.quantity, nan, nan, nan, nan, 0.0, "not_shown", check.because)
    if not np.isfinite(check.value):
        return before
    worse = np.fmax if check.quantity.worse == "higher" else np.fmin
    held = replace(before, quantity=check.quantity, worst=float(worse(before.worst, check.value)), because="")
    held = replace(held, status="met" if held.status == "not_shown" else held.status)
    own, shift_s = clock
    breaches = [breach for breach in check.breaches if own[0] <= breach.start_s + shift_s <= own[-1]]
    if not breaches or check.status not in ("watch", "stop") or not check.margin < 0:
        return replace(held, quantity=before.quantity) if before.is_passed else held
    low, high = reach.get(item.channel, (0.0, 1.0))
    status = check.status if high > low else "watch"
    first, last = (f(b.seen_s for b in breaches) + shift_s for f in (min, max))
    return replace(
        held,
        quantity=before.quantity if before.status == "stop" else check.quantity,
        first_s=float(np.fmin(held.first_s, first)),
        last_s=float(np.fmax(held.last_s, last)),
        until_s=float(np.fmax(held.until_s, max(breach.end_s for breach in breaches) + shift_s)),
        seconds=held.seconds + sum(breach.end_s - breach.start_s for breach in breaches),
        status="stop" if "stop" in (held.status, status) else status,
        because="" if high > low else NEVER_MOVED,
    )


def _now(log: xr.Dataset, car: Car) -> Now:
    time = log["time"].values
    late = time >= time[-1] - LATEST_S

    def middle(name: str) -> float:
        values = log[name].values[late] if name in log else np.array([])
        return float(np.nanmedian(values)) if np.isfinite(values).any() else float("nan")

    names = ("engine_speed_rpm", "air_flow_kg_h", "road_speed_km_h", "lambda_measured", "coolant_c", "throttle_pct")
    load = float("nan") if car.has_meter else middle(car.air_reading)
    return Now(**{name: middle(name) for name in names}, load=load, still_s=_still_s(log))


def _still_s(log: xr.Dataset) -> float:
    """For how long every reading has stood where it was while the engine ran: rows come, but the link is dead."""
    time = log["time"].values
    if "engine_speed_rpm" not in log or not log["engine_speed_rpm"].values[-1] > RUNNING_RPM:
        return 0.0
    moved = np.zeros(time.size - 1, dtype=bool)
    for name in channels_of(log):
        values = log[name].values
        moved |= (values[1:] != values[:-1]) & (np.isfinite(values[1:]) | np.isfinite(values[:-1]))
    last = np.flatnonzero(moved)
    return float(time[-1] - time[last[-1] + 1 if last.size else 0])


@dataclass(frozen=True)
class HoldSoFar:
    """A hold of a plan, and how much of it was driven."""

    number: int  # in the plan, from 1
    hold: Hold
    speeds_rpm: tuple[float, float]  # between which it counts
    have_s: float  # usable seconds
    want_s: float

    @property
    def is_done(self) -> bool:
        """Whether it has its usable seconds."""
        return self.have_s >= self.want_s

    def holds(self, now: Now) -> bool:
        """Whether what the engine does now lies in it."""
        low, high = self.speeds_rpm
        least, most = _range_of(self.hold)
        at = now.load if isinstance(self.hold, CellHold) else now.air_flow_kg_h
        return low <= now.engine_speed_rpm < high and least <= at < most


def _range_of(hold: Hold) -> tuple[float, float]:
    """Between which loads of the table, or which airflows, a hold counts."""
    return hold.loads if isinstance(hold, CellHold) else (hold.air_flow_from_kg_h, hold.air_flow_to_kg_h)


def holds_so_far(plan: Sequence[Hold], so_far: SoFar, car: Car, revision: Revision) -> list[HoldSoFar]:
    """Count the usable seconds of each hold, by the cells of engine speed and airflow that coverage counts them in.

    A hold in a cell of the table counts by the load that the table goes by, within its own reach.
    A hold that stands twice in the plan, as with all consumers on, has what the first one leaves.
    """
    samples = join_samples(list(so_far.samples))
    samples = samples if not car.has_meter else with_flow(samples, revision)
    edges = speed_edges(car.engine.idle_target_rpm, min(car.limits.rev_limit_rpm, revision.fuelling.rev_limit_rpm))
    left: dict[tuple[float, float], float] = {}
    found = []
    for number, hold in enumerate(plan, start=1):
        place = int(np.clip(np.searchsorted(edges, hold.engine_speed_rpm, side="right"), 1, edges.size - 1))
        speeds = hold.speeds_rpm if isinstance(hold, CellHold) else (float(edges[place - 1]), float(edges[place]))
        cell = (speeds[0], _range_of(hold)[0])
        at = samples.reading if isinstance(hold, CellHold) else samples.flow_kg_h
        have = left.setdefault(cell, _good_seconds(samples, speeds, at, _range_of(hold)))
        want = max(hold.seconds - SETTLE_S, 1.0)
        found.append(HoldSoFar(number, hold, speeds, min(have, want), want))
        left[cell] = max(have - want, 0.0)
    return found


def _good_seconds(
    samples: Samples, speeds_rpm: tuple[float, float], at: np.ndarray, between: tuple[float, float]
) -> float:
    inside = samples.good & (samples.speed_rpm >= speeds_rpm[0]) & (samples.speed_rpm < speeds_rpm[1])
    inside &= (at >= between[0]) & (at < between[1])
    return float(samples.seconds[inside].sum())
