"""A session's log followed while it is written: is the link alive, was a limit passed, what of the plan is done."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from tunelab.log.follow import GrowingLog, Window
from tunelab.record.filling import TablePlanned, plan_table_drive
from tunelab.record.opened import OpenedSession, open_session
from tunelab.record.part_throttle import SETTLE
from tunelab.record.plan import Planned, plan_for, rounded_seconds
from tunelab.study.drive_plan import JOINED, Hold, driving_s
from tunelab.study.following import HoldSoFar, LimitSoFar, Now, SoFar, count_in, holds_so_far, joined
from tunelab.workspace import Problem, WorkspaceError, open_usable
from tunelab.workspace.session import SESSION_FILE

SILENT_S = 2.0  # without a new row; from then on the link is called silent
BURSTS = 2  # in a row whose rows fill the silence before them: then the logger writes so, and its link is alive
BURST_ROWS = 0.7  # share of the usual rows of a silence that fills it
LATER = 1.5  # times the time between bursts: from then on such a logger is called silent
REMEMBERED = 3.5  # times the time between bursts for which one is remembered
STILL_S = 2.0  # in which no reading moves while the engine runs
ENDED_S = 60.0
FRESH_S = 10.0  # for so long after a limit was passed the screen says nothing but to lift
PLANNED_STEPS = {"steady", "part-throttle", "full-throttle"}
PASSENGER = "For the passenger's eyes only. The driver drives, and never looks here."
DO = "Lift, coast, end the run."

Link = Literal["waiting", "reading", "alive", "silent", "still", "ended"]


def session_of(log: Path, session: Path | None) -> OpenedSession:
    """Find the session that a log belongs to: the one named, else the folder that the log lies in.

    Raises
    ------
    WorkspaceError
        Neither is a session of a workspace.
    """
    try:
        return open_session(session or log.absolute().parent)
    except WorkspaceError as error:
        if session is not None or (log.absolute().parent / SESSION_FILE).exists():
            raise
        wanted = "a log in a session's folder, so that the car's limits are known"
        way_out = (
            f"let the logger write there, or name the session: tunelab follow {log} --session my-car/sessions/NAME"
        )
        found = Problem(str(log), None, "", "a log outside of any session of a workspace", wanted, way_out)
        raise WorkspaceError(str(log), [found]) from error


@dataclass(frozen=True)
class Seen:
    """What a passenger sees at one look."""

    link: Link
    silent_s: float  # since the last row came
    behind: int  # bytes that still wait to be read
    problem: str  # why nothing can be read; empty where it can
    unread: int  # rows that could not be read at all
    so_far: SoFar
    holds: tuple[HoldSoFar, ...]
    no_plan: str  # why there is no plan; empty where there is one
    plan: str  # what to drive in a sentence, as the command and the record have it; empty where there is no plan
    first: str  # what stands at stop and comes before the plan; empty where nothing does
    burst_s: float = 0.0  # between two bursts of a logger that writes so; 0 where it does not
    beside: str = ""  # a file in the same folder that was written later, while this one is silent

    @property
    def next(self) -> HoldSoFar | None:
        """The hold that the car is in and that wants more, else the first that does."""
        left = [hold for hold in self.holds if not hold.is_done]
        now = self.so_far.now
        inside = [h for h in left if now and h.holds(now)]
        return next(iter([*inside, *left]), None)

    @property
    def left_s(self) -> float:
        """Time that the holds left take to drive, as the plan counts it. [s]"""
        return driving_s(own.hold for own in self.holds if not own.is_done)

    @property
    def lift(self) -> LimitSoFar | None:
        """A limit at stop that was passed within the last seconds of the log."""
        late = self.so_far.until_s - FRESH_S
        return next((own for own in self.so_far.passed if own.status == "stop" and own.until_s >= late), None)

    def word(self) -> str:
        """The one thing to know, in a word or two."""
        if self.lift is not None and self.link not in ("silent", "ended"):
            return "LIFT"
        words = {"alive": "LINK OK", "still": "DATA STUCK", "ended": "LOG ENDED"}
        return words.get(self.link) or (
            f"NO DATA {self.silent_s:.0f} S" if self.link == "silent" else self.link.upper()
        )

    def lines(self) -> list[tuple[str, str]]:
        """All that is known, as a label and a sentence each."""
        rows = [("link", self._link_words())]
        rows += [("limits" if not number else "", words) for number, words in enumerate(limit_words(self.so_far))]
        rows += [("plan", self._plan_words())]
        rows += [("", self.first)] if self.first else []
        rows += [("next", hold_words(self.next))] if self.next else []
        rows += [("now", now_words(self.so_far.now))] if self.so_far.now else []
        absent = [own.quantity.title for own in self.so_far.limits.values() if own.status == "not_shown"]
        rows += [("no watch", f"for want of a reading: {'; '.join(absent)}")] if absent else []
        if self.so_far.open:
            rows.append(("not read", f"{', '.join(self.so_far.open)}: say in channels.toml what they are"))
        return rows

    def _link_words(self) -> str:
        so_far = self.so_far
        aside = so_far.set_aside + self.unread
        read = f"{so_far.rows} rows, {clock_words(so_far.until_s)}" + (f", set aside: {aside}" if aside else "")
        if self.link == "reading":
            return f"reading what was written so far: {self.behind // 1000} kB to go, {read}"
        if self.link == "waiting":
            return f"waiting: {self.problem}"
        if self.link == "silent":
            away = f"SILENT for {self.silent_s:.0f} s. Look at plug, logger and laptop"
            return f"{away}; until it is back no hold counts ({read}){self._beside_words()}"
        if self.link == "still":
            still = f"{so_far.still_s:.0f} s"
            return f"rows come, but no reading has moved for {still} while the engine ran: the ECU's link is dead"
        if self.link == "ended":
            ended = f"no row for {clock_words(self.silent_s)}: the log has ended ({read}); still watching"
            return f"{ended}{self._beside_words()}"
        late = f"; written every {self.burst_s:.0f} s: limits and holds show that late" if self.burst_s else ""
        return f"alive, {read}{late}" + (f"; {self.problem}" if self.problem else "")

    def _beside_words(self) -> str:
        return f". {self.beside} was written later: if the logger began a new file, follow that one" * bool(self.beside)

    def _plan_words(self) -> str:
        if self.no_plan or not self.plan:
            return self.no_plan
        left = [hold for hold in self.holds if not hold.is_done]
        if not left:
            return f"all {len(self.holds)} holds done" if self.holds else self.plan
        numbers = ", ".join(str(hold.number) for hold in left[:6]) + (" ..." if len(left) > 6 else "")
        return (
            f"{len(self.holds) - len(left)} of {len(self.holds)} holds done, about {rounded_seconds(self.left_s)} of "
            f"driving left: {numbers}"
        )


def clock_words(seconds: float) -> str:
    """A length of time as minutes and seconds."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def limit_words(so_far: SoFar) -> list[str]:
    """Each limit passed with what to do, or that none of those was that could be compared with readings."""
    held = [own for own in so_far.limits.values() if own.status != "not_shown"]
    none = f"none passed, {len(held)} watched" if held else "no reading could be compared with a limit yet"
    return [passed_words(own) for own in so_far.passed] or [none]


def passed_words(own: LimitSoFar) -> str:
    """Say of a limit by how much it was passed, when, and what to do."""
    what, unit = own.quantity, "" if own.quantity.unit == "1" else f" {own.quantity.unit}"
    settle = SETTLE.get(what.id.removeprefix("limits."), "find the reason")
    when = f"at {clock_words(own.last_s)} of the log" if np.isfinite(own.last_s) else "in a log before this one"
    do = f"{DO} " if own.status == "stop" and what.lift else ""
    doubt = f" {own.because}" if own.because else ""
    return (
        f"PASSED {what.title}: {own.worst:.4g}{unit}, limit {what.limit:g}{unit}, {when}. "
        f"{do}Before the next: {settle}.{doubt}"
    )


def hold_words(own: HoldSoFar) -> str:
    """A hold as a passenger calls it to the driver."""
    hold = own.hold
    parts = [
        f"{own.number}: {gear_words(hold.gear)}",
        f"{hold.engine_speed_rpm:.0f} rpm ({own.speeds_rpm[0]:.0f}-{own.speeds_rpm[1]:.0f})",
        _where_words(hold),
        *([f"{hold.road_speed_km_h:.0f} km/h"] if hold.gear and np.isfinite(hold.road_speed_km_h) else []),
        *([f"throttle about {hold.throttle_pct:.0f} %"] if np.isfinite(hold.throttle_pct) else []),
        *([f"brake {hold.brake}"] if hold.brake != "none" else []),
        *(["slope down"] if hold.slope == "down" else []),
        *(["all electrical loads on"] if hold.consumers == "all on" else []),
    ]
    roll = f", then roll {hold.roll_s:.0f} s" if hold.roll_s else ""
    return f"{', '.join(parts)}; has {own.have_s:.1f} of {own.want_s:.0f} usable seconds{roll}"


def _where_words(hold: Hold) -> str:
    """Between which airflows, or loads of the table, a hold counts."""
    what, unit = hold.range_label.rstrip("]").split(" [")
    between = hold.range_words.replace(JOINED, "-")
    return f"{between} {unit}" if what == "airflow" else f"{what} {between} {unit}"


def gear_words(gear: int | None) -> str:
    """A gear in words."""
    return "any gear" if gear is None else "neutral" if gear == 0 else f"gear {gear}"


def now_words(now: Now) -> str:
    """What the engine does now."""
    texts = (
        ("{:.0f} rpm", now.engine_speed_rpm), ("{:.0f} kg/h", now.air_flow_kg_h), ("{:.0f} km/h", now.road_speed_km_h),
        ("lambda {:.2f}", now.lambda_measured), ("coolant {:.0f} °C", now.coolant_c),
        ("throttle {:.0f} %", now.throttle_pct), ("load of the table {:.0f}", now.load),
    )  # fmt: skip
    return ", ".join(text.format(value) for text, value in texts if np.isfinite(value))


class _Planning(threading.Thread):
    """Makes the plan beside the following: link and limits are not to wait for it."""

    def __init__(self, root: Path, without: Path, top_speed_km_h: float | None):
        super().__init__(daemon=True)
        self._asked = (root, without, top_speed_km_h)
        self.planned: Planned | TablePlanned | None = None
        self.problem = "being made"

    def run(self) -> None:
        """Make it, or keep why it cannot be made."""
        root, without, top_speed_km_h = self._asked
        try:
            plan = plan_table_drive if open_usable(root).car.has_table else plan_for
            self.planned = plan(root, top_speed_km_h, without=without)
            self.problem = ""
        except (ValueError, OSError, KeyError) as problem:
            self.problem = f"none could be made: {problem}"


class Following:
    """Follows one log of a session; killed and begun again it comes to the same, as all it knows stands in the log.

    Parameters
    ----------
    log : Path
        The file; it may come later.
    opened : OpenedSession
        The session that it is of.
    top_speed_km_h : float or None
        Highest road speed that the plan may ask for; None: the owner's own limit. [km/h]
    silent_s : float
        Time without a row from which the link is called silent. [s]
    """

    def __init__(
        self, log: Path, opened: OpenedSession, top_speed_km_h: float | None = None, silent_s: float = SILENT_S
    ):
        self.log, self.opened, self.silent_s = log, opened, silent_s
        self._earlier: list[tuple[bytes, SoFar]] = []  # logs whose place this one took, by how they began
        self._done = self._shown = SoFar()
        self._came_s: float | None = None  # when the last row came, on the monotonic clock
        self._was_behind = True
        self._bursts: list[tuple[float, float]] = []  # when rows came that fill the silence before them, and its length
        self._unjudged = ""
        self._growing = GrowingLog(log, opened.workspace, opened.folder)
        self._planning: _Planning | None = None
        if PLANNED_STEPS & set(opened.folder.session.steps):
            self._planning = _Planning(opened.workspace.root, log, top_speed_km_h)
            self._planning.start()

    def wait_for_plan(self) -> None:
        """Wait until the plan is made."""
        if self._planning is not None:
            self._planning.join()

    def look(self) -> Seen:
        """Take in what was written, and say what is known.

        Raises
        ------
        ReadError
            The log is none that can be followed.
        """
        beginning, rows = self._growing.beginning, self._shown.rows
        look = self._growing.look()
        if look.is_other and self._shown.rows:  # of one log that is written anew again and again the last counts
            kept = [part for part in self._earlier if not _is_same_log(part[0], beginning)]
            self._earlier = [*kept, (beginning, self._shown)]
        if look.is_other:
            self._done = self._shown = SoFar()
        for window in look.blocks:
            self._done = self._shown = self._count(self._done, window)
        if look.tail is not None:
            self._shown = self._count(self._done, look.tail)
        if look.grew and not self._was_behind and not look.is_other:
            self._remember_burst(self._shown.rows - rows)
        silent = self._silence(look.grew, is_behind=bool(look.behind))
        return self._seen(look.problem or self._unjudged, look.behind, silent)

    def _count(self, before: SoFar, window: Window) -> SoFar:
        opened = self.opened
        try:
            return count_in(before, window, opened.car, opened.revision, opened.folder.session)
        except (ValueError, KeyError, IndexError) as problem:  # a screen that is gone helps nobody: it says so instead
            self._unjudged = f"rows after {clock_words(before.until_s)} could not be judged: {problem}"
            return before

    def _silence(self, grew: bool, *, is_behind: bool) -> float:
        """Seconds since a row came: of what stood in the file already, by the file's own time."""
        now = time.monotonic()
        if grew and self._was_behind:
            self._came_s = now - max(time.time() - self._growing.written_s, 0.0)
        elif grew:
            self._came_s = now
        self._was_behind = self._was_behind and (is_behind or self._came_s is None)
        return float("nan") if self._came_s is None else now - self._came_s

    def _remember_burst(self, rows: int) -> None:
        """Keep in mind that rows came that fill the silence before them: the link was alive, only the file was not."""
        now = time.monotonic()
        gap_s = 0.0 if self._came_s is None else now - self._came_s
        usual = self._shown.rows / max(self._shown.until_s, 1e-9) * gap_s
        if gap_s >= self.silent_s and rows < BURST_ROWS * usual:
            self._bursts = []
        elif gap_s >= self.silent_s:
            self._bursts = [*self._bursts[-BURSTS:], (now, gap_s)]

    def _burst_s(self) -> float:
        """Time between two bursts of a logger that writes in bursts; 0 where it does not."""
        now = time.monotonic()
        late = [gap_s for at_s, gap_s in self._bursts if now - at_s <= REMEMBERED * gap_s]
        return max(late) if len(late) >= BURSTS else 0.0

    def _beside(self) -> str:
        """Name of a file in the log's folder that was written later than the log; empty where there is none."""
        try:
            others = [(path.stat().st_mtime, path.name) for path in self.log.parent.iterdir() if path.is_file()]
        except OSError:
            return ""
        late = [own for own in others if own[1] not in (self.log.name, SESSION_FILE)]
        return max(late)[1] if late and max(late)[0] > self._growing.written_s else ""

    def _seen(self, problem: str, behind: int, silent_s: float) -> Seen:
        own = self._growing.beginning
        parts = [so_far for start, so_far in self._earlier if so_far.rows and not _is_same_log(start, own)]
        so_far = joined([*parts, self._shown])
        link = self._link(so_far, problem, behind, silent_s)
        no_plan = "none: the steps of this session have no holds" if self._planning is None else self._planning.problem
        planned = self._planning.planned if self._planning else None  # asked last: it comes before `problem` is empty
        holds = planned.holds if planned else ()
        return Seen(
            link=link,
            silent_s=silent_s,
            behind=behind,
            problem=problem,
            unread=self._growing.unread,
            so_far=so_far,
            holds=tuple(holds_so_far(holds, so_far, self.opened.car, self.opened.revision)),
            no_plan="" if planned else no_plan,
            plan=planned.sentence if planned else "",
            first=planned.first if planned else "",
            burst_s=self._burst_s(),
            beside=self._beside() if link in ("silent", "ended") else "",
        )

    def _link(self, so_far: SoFar, problem: str, behind: int, silent_s: float) -> Link:
        if behind:
            return "reading"
        loud_s = max(self.silent_s, LATER * self._burst_s())
        if not so_far.rows and not silent_s >= loud_s:
            return "waiting"
        if silent_s >= max(ENDED_S, loud_s):
            return "ended"
        if silent_s >= loud_s:
            return "silent"
        return "still" if so_far.still_s >= STILL_S else "alive"


def _is_same_log(one: bytes, other: bytes) -> bool:
    """Whether two files begin alike, as far as both go: one was written anew, and its rows count once."""
    length = min(len(one), len(other))
    return one[:length] == other[:length]
