"""Events of one kind over several sessions, each on a time of its own that begins with the event."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.segment import KINDS, find_segments
from tunelab.study.shown import shows_its_table
from tunelab.workspace.car import Car

SUMMARY_COLUMNS = ("session", "number", "start_s", "seconds", "samples", "at_start", "lowest", "mean", "highest")


@dataclass(frozen=True)
class EventTrace:
    """One channel around one event."""

    session: str
    number: int  # from 1, within the session
    start_s: float  # on the session's clock
    time_s: np.ndarray  # shape (n,), 0 at the event's start
    values: np.ndarray  # shape (n,), NaN where there is no reading or it is flagged
    seconds: float  # length of the event itself


@shows_its_table
@dataclass(frozen=True)
class EventSet:
    """All events of one kind, and why there are none."""

    kind: str
    channel: str
    traces: tuple[EventTrace, ...]
    because: str  # empty where there are some
    samples_used: int
    samples_flagged: int

    def summary(self) -> pd.DataFrame:
        """One row per event: session, number, start, length, readings, and what the channel did from its start on."""
        return pd.DataFrame([_row(trace) for trace in self.traces], columns=list(SUMMARY_COLUMNS))


def _row(trace: EventTrace) -> tuple:
    during = (trace.time_s >= 0) & (trace.time_s <= trace.seconds) & np.isfinite(trace.values)
    values = trace.values[during]
    figures = (values[0], values.min(), values.mean(), values.max()) if values.size else (np.nan,) * 4
    return (trace.session, trace.number, trace.start_s, trace.seconds, int(values.size), *figures)


def align_events(
    logs: Mapping[str, xr.Dataset], car: Car, name: str, *, kind: str, around_s: tuple[float, float]
) -> EventSet:
    """Cut a channel out of several logs around each event of a kind.

    Parameters
    ----------
    logs : mapping
        Session name to flagged log.
    car : Car
        For the segments.
    name : str
        The channel; a log without it gives nothing.
    kind : str
        A kind of segment, such as "pull" or "launch".
    around_s : pair of float
        Time shown before the start, and after it. [s]

    Raises
    ------
    ValueError
        An unknown kind.
    """
    if kind not in KINDS:
        raise ValueError(f"kind is {kind!r}; one of {', '.join(KINDS)} is wanted.")
    if not logs:
        raise ValueError("align_events: no log was given; at least one session is wanted.")
    traces = [trace for session, log in logs.items() for trace in _of_log(session, log, (car, name, kind), around_s)]
    known = sum(int(np.isfinite(trace.values).sum()) for trace in traces)
    total = sum(trace.values.size for trace in traces)
    because = "" if traces else f"no {kind} with {name} was found in {', '.join(logs)}"
    return EventSet(kind, name, tuple(traces), because, known, total - known)


def _of_log(
    session: str, log: xr.Dataset, what: tuple[Car, str, str], around_s: tuple[float, float]
) -> list[EventTrace]:
    car, name, kind = what
    if name not in log:
        return []
    time = log["time"].to_numpy()
    values = np.where(log[f"{name}_flag"].to_numpy() == 0, log[name].to_numpy(), np.nan)
    segments = find_segments(log, car)
    events = segments[segments["kind"] == kind]
    found = []
    for number, row in enumerate(events.itertuples(), start=1):
        first, last = np.searchsorted(time, [row.start_s - around_s[0], row.start_s + around_s[1]])
        own = slice(first, last)
        length = float(row.end_s - row.start_s)
        found.append(EventTrace(session, number, row.start_s, time[own] - row.start_s, values[own], length))
    return found


def kind_present(log: xr.Dataset, car: Car, kinds: Sequence[str]) -> str:
    """First of some kinds of segment that the log has; the first of all where it has none."""
    found = set(find_segments(log, car)["kind"])
    return next((kind for kind in kinds if kind in found), kinds[0])
