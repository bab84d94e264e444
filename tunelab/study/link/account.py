"""The account of one log's link: drop-outs, how long it was up in which state, and the stretches between."""

from __future__ import annotations

import datetime
import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag import MASKS, sample_seconds
from tunelab.study.link.drop_out import Break, count_stutters, find_breaks
from tunelab.study.link.state import CRANKING, STOPPED, EngineStates, engine_states
from tunelab.workspace.car import Car
from tunelab.workspace.session import Session

STARTER_S = 10.0  # a break this short in which a stopped engine came to turn began with the starter
BEFORE_S = 1.0  # what stands before a drop-out is read over this long


@dataclass(frozen=True)
class DropOut:
    """One drop-out with what the engine was doing."""

    session: str
    wiring: str
    start_s: float
    end_s: float
    lasted_s: float  # NaN where nobody knows
    kind: str
    state: str  # just before
    state_after: str  # empty where the link did not come back
    battery_before_v: float  # lowest of the last second; NaN where not logged
    note: str


@dataclass(frozen=True)
class Stretch:
    """Time on the link from connecting until a drop-out, or until it ended well."""

    session: str
    wiring: str
    start_s: float
    seconds: float  # logged time; what is flagged as excluded does not count
    dropped: bool


@dataclass(frozen=True)
class LinkAccount:
    """What one session's log says about its link."""

    session: str
    date: datetime.date
    wiring: str  # empty where session.toml names none
    drop_outs: tuple[DropOut, ...]
    not_counted: tuple[Break, ...]
    exposure: pd.DataFrame  # state, seconds, drop_outs: one row per state, in the order of speed
    starts: int  # of the engine, as far as logged or behind a drop-out
    stretches: tuple[Stretch, ...]
    stutters: int  # moments without rows too short to count
    rows_set_aside: int
    samples_used: int
    samples_flagged: int
    ends_running: bool  # the log stops with the engine turning

    @property
    def seconds(self) -> float:
        """Logged time over all states. [s]"""
        return float(self.exposure["seconds"].sum())


def account_link(log: xr.Dataset, car: Car, session: Session, *, shortest_s: float) -> LinkAccount:
    """Draw up the account of a flagged log.

    Parameters
    ----------
    log : Dataset
        Flagged log of one session.
    car : Car
        Idle target and rev limit, for the states.
    session : Session
        Date, wiring, notes by hand.
    shortest_s : float
        What is shorter is a stutter, not a drop-out. [s]

    Raises
    ------
    ValueError
        The log was not flagged, or `shortest_s` is not above zero.
    """
    if not shortest_s > 0:
        raise ValueError(f"shortest_s is {shortest_s!r}; a length above zero is wanted, in s.")
    name = str(log.attrs.get("session", ""))
    states = engine_states(log, car)
    breaks = find_breaks(log, session, shortest_s=shortest_s)
    up = _is_up(log, breaks)
    drops = tuple(_drop_out(log, item, states, (name, session.wiring.strip())) for item in breaks if item.is_drop_out)
    behind = sum(drop.state == CRANKING and states.name_at(_row_at(log, drop.start_s)) == STOPPED for drop in drops)
    used = np.where(up, sample_seconds(log), 0.0)
    return LinkAccount(
        session=name,
        date=session.date,
        wiring=session.wiring.strip(),
        drop_outs=drops,
        not_counted=tuple(item for item in breaks if not item.is_drop_out),
        exposure=_exposure(states, used, drops),
        starts=states.starts - _starts_across(breaks, log, states) + behind,
        stretches=_stretches(log, breaks, used, (name, session.wiring.strip())),
        stutters=count_stutters(log, shortest_s=shortest_s),
        rows_set_aside=sum(int(file["rows_set_aside"]) for file in json.loads(log.attrs.get("files", "[]"))),
        samples_used=int(up.sum()),
        samples_flagged=int(up.size - up.sum()),
        ends_running=bool(log.sizes["time"] and states.is_running()[-1]),
    )


def _is_up(log: xr.Dataset, breaks: Sequence[Break]) -> np.ndarray:
    """Rows on which the link was up and nobody excluded them, shape (time,)."""
    time = log["time"].to_numpy()
    if "sample_flag" not in log:
        raise ValueError("the log has no sample_flag: it was not flagged; call flag_log(log, car, session) first.")
    up = (log["sample_flag"].to_numpy() & MASKS["excluded"]) == 0
    for item in breaks:
        end = item.end_s if np.isfinite(item.end_s) else np.inf
        if item.is_drop_out:
            up &= ~((time > item.start_s) & (time < end))
    return up


def _row_at(log: xr.Dataset, time_s: float) -> int:
    """Last row at or before a time."""
    return max(0, int(np.searchsorted(log["time"].to_numpy(), time_s + 1e-9, side="right")) - 1)


def _drop_out(log: xr.Dataset, item: Break, states: EngineStates, names: tuple[str, str]) -> DropOut:
    row = _row_at(log, item.start_s)
    before, after = states.name_at(row), ""
    if np.isfinite(item.end_s):
        after = states.name_at(min(_row_at(log, item.end_s), log.sizes["time"] - 1))
    if before == STOPPED and after not in ("", STOPPED) and item.lasted_s <= STARTER_S:
        before = CRANKING
    start_s, end_s = item.start_s, item.end_s
    battery = _lowest_battery(log, row)
    return DropOut(
        *names, start_s, end_s, item.lasted_s, item.kind, before, after, battery, " ".join(item.because.split())
    )


def _lowest_battery(log: xr.Dataset, row: int) -> float:
    if "battery_v" not in log:
        return float("nan")
    time = log["time"].to_numpy()
    first = int(np.searchsorted(time, time[row] - BEFORE_S))
    values = log["battery_v"].to_numpy()[first : row + 1]
    values = values[np.isfinite(values)]
    return float(values.min()) if values.size else float("nan")


def _starts_across(breaks: Sequence[Break], log: xr.Dataset, states: EngineStates) -> int:
    """Changes from rest to turning that lie across a break: nobody saw whether that was one start."""
    rows = [(_row_at(log, item.start_s), _row_at(log, item.end_s)) for item in breaks if np.isfinite(item.end_s)]
    return sum(states.code[first] == 0 and states.code[last] > 0 for first, last in rows if last == first + 1)


def _exposure(states: EngineStates, used: np.ndarray, drops: Sequence[DropOut]) -> pd.DataFrame:
    seconds = np.bincount(states.code, weights=used, minlength=len(states.names))
    counted = [sum(drop.state == name for drop in drops) for name in states.names]
    return pd.DataFrame({"state": states.names, "seconds": seconds, "drop_outs": counted})


def _stretches(
    log: xr.Dataset, breaks: Sequence[Break], used: np.ndarray, names: tuple[str, str]
) -> tuple[Stretch, ...]:
    """Cut the log at its breaks; a stretch that no drop-out ended is censored."""
    time = log["time"].to_numpy()
    found, begin = [], -np.inf
    for item in breaks:
        inside = (time >= begin) & (time <= item.start_s)
        found.append((inside, item.is_drop_out))
        begin = item.end_s if np.isfinite(item.end_s) else np.inf
    found.append((time >= begin, False))
    kept = [(time[inside][0], float(used[inside].sum()), dropped) for inside, dropped in found if inside.any()]
    kept = [(start, seconds, dropped) for start, seconds, dropped in kept if seconds > 0]
    return tuple(Stretch(*names, float(start), seconds, dropped) for start, seconds, dropped in kept)
