"""The account of one log's link: drop-outs, how long it was up in which state, and the stretches between."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.log.flag import MASKS, channels_of, sample_seconds
from tunelab.log.flag_sample import find_gaps
from tunelab.log.flag_stale import is_repeated
from tunelab.log.map.timing import UNKNOWN_GAP_S
from tunelab.log.segment import CRANKING, STOPPED, EngineStates, engine_states
from tunelab.workspace.car import Car
from tunelab.workspace.session import NotedDropOut, Session

# Common practice, no source.
SETTLE_S = 2.0  # a return shorter than this is the same drop-out
MATCH_S = 3.0  # a note begins within this of the break that it means
ERROR_SHARE = 0.8  # of the channels that are usually there: with so many missing, a row is one of errors

GAP, RESTART, NEW_FILE = "rows missing", "logger restarted", "new file"
FROZEN, ERRORS, NOTED = "same frame again and again", "rows without readings", "noted by hand"


@dataclass(frozen=True)
class Break:
    """One break of the link, or what may be one."""

    start_s: float  # last row before it, on the session's clock
    end_s: float  # first row after it; NaN where the link did not come back
    lasted_s: float  # NaN where nobody knows
    kind: str
    is_drop_out: bool  # False: on purpose, or not known to be one
    because: str  # why it does not count, or the note of the person


def find_breaks(log: xr.Dataset, session: Session, *, shortest_s: float) -> tuple[Break, ...]:
    """List the breaks of the link, in order of time.

    Parameters
    ----------
    log : Dataset
        A mapped log.
    session : Session
        Notes by hand: `drop_out`, `new_file`, and `exclude`. A break inside an exclusion of all channels is not
        counted.
    shortest_s : float
        What is shorter is a stutter, not a break. [s]

    Returns
    -------
    tuple of Break
        Breaks that follow each other within 2 s are one. A new file counts as a drop-out only where session.toml says
        that drop-outs begin files, or a note by hand says so.
    """
    if not log.sizes["time"]:
        return ()
    found = [*_gaps(log, session, shortest_s), *_frozen(log, shortest_s), *_errors(log, shortest_s)]
    merged = _merge(sorted(found, key=lambda item: item.start_s))
    noted = _with_notes(merged, session.drop_out, float(log["time"][-1]))
    return tuple(_excluded(item, session) for item in sorted(noted, key=lambda item: item.start_s))


def count_stutters(log: xr.Dataset, *, shortest_s: float) -> int:
    """Count moments without rows that are too short for a drop-out."""
    time, gaps = log["time"].to_numpy(), find_gaps(log)
    same = _episode(log)[gaps] == _episode(log)[gaps - 1]
    return int(np.count_nonzero((time[gaps] - time[gaps - 1] < shortest_s) & same))


def _episode(log: xr.Dataset) -> np.ndarray:
    return log["episode"].to_numpy() if "episode" in log else np.zeros(log.sizes["time"], dtype=int)


def _gaps(log: xr.Dataset, session: Session, shortest_s: float) -> Iterator[Break]:
    time, episode, files = log["time"].to_numpy(), _episode(log), _first_rows_of_files(log)
    for row in find_gaps(log).tolist():
        start, end = float(time[row - 1]), float(time[row])
        if episode[row] == episode[row - 1]:
            if end - start >= shortest_s:
                yield Break(start, end, end - start, GAP, True, "")
            continue
        lasted = float("nan") if abs(end - start - UNKNOWN_GAP_S) < 1e-5 else end - start
        if files is not None and row not in files:
            yield Break(start, end, lasted, RESTART, True, "")
        else:
            yield _new_file(start, end, lasted, session)


def _new_file(start: float, end: float, lasted: float, session: Session) -> Break:
    words = {"drop-out": "", "by hand": "the file was begun by hand", None: "what began this file is not known"}
    return Break(start, end, lasted, NEW_FILE, session.new_file == "drop-out", words[session.new_file])


def _first_rows_of_files(log: xr.Dataset) -> set[int] | None:
    """Rows at which a file begins; None where files lie side by side and the log does not tell."""
    kept = [int(file["rows_kept"]) for file in json.loads(log.attrs.get("files", "[]"))]
    if len(kept) < 2:
        return set()
    return set(np.cumsum(kept).tolist()) if sum(kept) == log.sizes["time"] else None


def _frozen(log: xr.Dataset, shortest_s: float) -> Iterator[Break]:
    repeated = is_repeated(log) & ~_is_error(log)
    return _bad_runs(log, repeated, FROZEN, shortest_s)


def _errors(log: xr.Dataset, shortest_s: float) -> Iterator[Break]:
    return _bad_runs(log, _is_error(log), ERRORS, shortest_s)


def _is_error(log: xr.Dataset) -> np.ndarray:
    """Rows in which most of the channels that are usually there have no reading, shape (time,)."""
    readings = [np.isfinite(log[name].to_numpy()) for name in channels_of(log) if name in CHANNELS]
    usual = [there for there in readings if there.mean() > 0.5]
    if len(usual) < 3:
        return np.zeros(log.sizes["time"], dtype=bool)
    return 1.0 - np.mean(usual, axis=0) >= ERROR_SHARE


def _bad_runs(log: xr.Dataset, bad: np.ndarray, kind: str, shortest_s: float) -> Iterator[Break]:
    """Runs of bad rows, from the last good row to the next good one."""
    time, last = log["time"].to_numpy(), bad.size - 1
    edges = np.flatnonzero(np.diff(np.r_[False, bad, False].astype(np.int8)))
    for first, after in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        start = float(time[max(first - 1, 0)])
        end = float(time[after]) if after <= last else float("nan")
        if (end if after <= last else float(time[last])) - start >= shortest_s:
            yield Break(start, end, end - start, kind, True, "")


def _merge(breaks: Sequence[Break]) -> list[Break]:
    merged: list[Break] = []
    for item in breaks:
        if merged and not item.start_s - merged[-1].end_s > SETTLE_S:
            merged[-1] = _one_of(merged[-1], item)
        else:
            merged.append(item)
    return merged


def _one_of(first: Break, second: Break) -> Break:
    kinds = dict.fromkeys([*first.kind.split(", "), *second.kind.split(", ")])
    end = max(first.end_s, second.end_s) if np.isfinite(first.end_s + second.end_s) else float("nan")
    known = np.isfinite(first.lasted_s + second.lasted_s)
    because = "" if first.is_drop_out or second.is_drop_out else first.because or second.because
    return Break(
        start_s=first.start_s,
        end_s=end,
        lasted_s=end - first.start_s if known else float("nan"),
        kind=", ".join(kinds),
        is_drop_out=first.is_drop_out or second.is_drop_out,
        because=because,
    )


def _with_notes(breaks: list[Break], notes: Sequence[NotedDropOut], last_s: float) -> list[Break]:
    """Tie each note to the break that it means, or add it where the log shows none."""
    breaks = list(breaks)
    for note in notes:
        index = next((i for i, item in enumerate(breaks) if _means(note, item)), None)
        lasted = note.end_s - note.start_s if note.end_s is not None else float("nan")
        if index is not None:
            item = breaks[index]
            known = item.lasted_s if np.isfinite(item.lasted_s) else lasted
            kind = item.kind if NOTED in item.kind else f"{item.kind}, {NOTED}"
            breaks[index] = replace(item, lasted_s=known, is_drop_out=note.counts, because=_words(note), kind=kind)
        elif note.counts:
            end = note.end_s if note.end_s is not None and note.end_s <= last_s else float("nan")
            breaks.append(Break(note.start_s, end, lasted, NOTED, True, note.note))
    return breaks


def _means(note: NotedDropOut, item: Break) -> bool:
    end = item.end_s if np.isfinite(item.end_s) else np.inf
    return item.start_s - MATCH_S <= note.start_s <= end + MATCH_S


def _words(note: NotedDropOut) -> str:
    return note.note or ("" if note.counts else "noted by hand as done on purpose")


def _excluded(item: Break, session: Session) -> Break:
    """A break inside a stretch that a person excluded says nothing of the link."""
    for row in session.exclude:
        if not row.channels and row.start_s <= item.start_s <= row.end_s:
            return replace(item, is_drop_out=False, because=f"excluded by {row.author}: {row.reason}")
    return item


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
