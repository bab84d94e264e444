"""A log that is still being written, flagged piece by piece: what comes of it depends on its rows, not on their timing.

The rows are taken in blocks of a fixed number, each flagged with the rows before and behind it around it, so that a
block counts once and is then dropped. The rows behind the last whole block are looked at anew each time. Whoever begins
again from the file's first row comes to the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import xarray as xr

from tunelab.log.flag import flag_log
from tunelab.log.load import Seen, add_table_air, recall_from, take_remembered
from tunelab.log.map import map_file
from tunelab.log.map.candidates import Match
from tunelab.log.map.join import join_files
from tunelab.log.map.place import counted_from
from tunelab.log.map.recognise import LEFT_OUT
from tunelab.log.map.text import MapError
from tunelab.log.read import RawTable, ReadError
from tunelab.log.read.entry import (
    LONGEST_ROW,
    PIECE,
    Beginning,
    GrowingFile,
    NotYetError,
    find_beginning,
    find_line_end,
    line_ends,
    other_heading,
    read_rows,
    require_growing_text,
)
from tunelab.workspace import SessionFolder, Workspace
from tunelab.workspace.session import Session

BLOCK_ROWS = 4096
MARGIN_ROWS = 256  # behind a block: what follows a row may still tell something of it
CONTEXT_S = 10.0  # before a block, and the time that the lambda sensor takes to warm up besides
CONTEXT_ROWS = (256, 4096)  # at least and at most


@dataclass(frozen=True)
class Window:
    """Some rows of a log, flagged with those around them."""

    log: xr.Dataset  # flagged; on the clock of the whole log, so that the same times are compared
    own: np.ndarray  # shape (time,), bool: the rows that count here; the others stand around them
    lines: int  # of the file that count here, rows set aside and blank ones among them
    open: tuple[str, ...]  # columns that may be channels and are not read, as nothing says what they are


@dataclass(frozen=True)
class Look:
    """What one look at a growing log gave."""

    blocks: tuple[Window, ...]  # that came to their end since the look before
    tail: Window | None  # rows behind the last block; None where there are none or more waits to be read
    grew: bool  # whether whole rows came
    is_other: bool  # the file was replaced or began anew; what came before is another log
    behind: int  # bytes of the file that still wait to be read
    problem: str  # why nothing can be read yet; empty where it can


class GrowingLog:
    """A log of a session, looked at again and again while it is written; it is only read."""

    def __init__(self, path: Path, workspace: Workspace, folder: SessionFolder):
        self.path = path
        self._workspace = workspace
        self._folder = folder
        self._rule = workspace.channel_map.file_rule(path.name)
        self._file = GrowingFile(path)
        self.unread = 0  # rows of whole blocks that could not be read at all
        self._seen: Seen | None = None  # what other logs of the logger say, once they were asked
        self._problem: str  # why nothing could be read when it was last looked at
        self._forget()

    @property
    def beginning(self) -> bytes:
        """The first bytes of the file that is read now, 4096 at most."""
        return self._file.beginning

    @property
    def written_s(self) -> float:
        """When the file was written last, in seconds since 1970, as its disk says."""
        return self._file.written_s

    def look(self) -> Look:
        """Take in what was written since the look before.

        Raises
        ------
        ReadError
            The file is none that can be followed.
        """
        try:
            data, is_other = self._file.take()
        except OSError as problem:
            is_absent = isinstance(problem, FileNotFoundError)
            why = "there is no such file yet" if is_absent else f"it cannot be read now ({problem.strerror})"
            return Look((), None, False, False, 0, why)
        if is_other:
            self._forget()
        grew = self._hold(data)
        if not grew:
            return Look((), None, False, is_other, 0, self._problem)
        behind = max(self._file.size - self._file.reached, 0) if len(data) == PIECE else 0
        blocks: list[Window] = []
        try:
            while self._end_block(blocks):
                pass
            tail = None if behind else self._tail(blocks)
        except NotYetError as problem:
            self._problem = str(problem)
            tail = None
        return Look(tuple(blocks), tail, grew, is_other, behind, self._problem)

    def _forget(self) -> None:
        """Begin anew with another log."""
        self._held = b""  # rows not dropped yet; until the first block is whole the lines above them too
        self._begin()

    def _begin(self) -> None:
        self._beginning: Beginning | None = None  # once the first block has settled it
        self._context = 0  # of the rows held, those that were counted already
        self._kept: dict[str, Match] = {}  # what columns are, by key
        self._last: list[Match] = []
        self._first_s: float | None = None  # of the log, on the file's own clock
        self._problem = "it has no row yet"

    def _hold(self, data: bytes) -> bool:
        """Keep the whole lines of what was read; a half-written one waits until it is whole."""
        if not self._held:
            require_growing_text(self._file.beginning)
        ends = line_ends(data, find_line_end(self._file.beginning))
        whole = data[: int(ends[-1])] if ends.size else b""
        if not whole and len(data) > LONGEST_ROW and data.strip(b"\0"):
            raise ReadError(f"{self.path.name}: no line ends within {LONGEST_ROW} bytes; this is no log of rows.")
        self._file.accept(whole)
        self._held += whole
        return bool(whole)

    def _rows(self) -> tuple[Beginning, bytes]:
        if self._beginning is not None:
            return self._beginning, self._held
        found = find_beginning(self._held, self._rule)
        return found, self._held[len(found.lead) :]

    def _end_block(self, blocks: list[Window]) -> bool:
        """Add the next whole block, and drop what no later one needs; False where none is whole yet."""
        beginning, rows = self._rows()
        ends = line_ends(rows, beginning.line_end)
        last, wanted = self._context + BLOCK_ROWS, self._context + BLOCK_ROWS + MARGIN_ROWS
        if ends.size < wanted:
            return False
        size = int(ends[wanted - 1])
        if self._beginning is None:  # settled by the rows of the first block, whenever they came
            beginning = find_beginning(beginning.lead + rows[:size], self._rule)
        window, heading = self._window(beginning, rows[:size], (self._context, last))
        if heading is not None and heading <= last:
            self._end_part(beginning, rows, heading, blocks)
            return True
        self._kept |= {match.column.key: match for match in self._last if match.form is not None}
        blocks += [window] if window else []
        self.unread += 0 if window else BLOCK_ROWS
        around = self._context_rows(window) if window else CONTEXT_ROWS[0]
        drop = max(last - around, 0)
        self._beginning, self._context = beginning, last - drop
        self._held = rows[int(ends[drop - 1]) if drop else 0 :]
        return True

    def _tail(self, blocks: list[Window]) -> Window | None:
        beginning, rows = self._rows()
        count = line_ends(rows, beginning.line_end).size
        window, heading = self._window(beginning, rows, (self._context, count))
        if heading is None:
            return window
        self._end_part(beginning, rows, heading, blocks)
        return self._tail(blocks)

    def _end_part(self, beginning: Beginning, rows: bytes, heading: int, blocks: list[Window]) -> None:
        """Count what stands above another heading, and begin anew with it; `heading` is its place among the rows."""
        size = int(line_ends(rows, beginning.line_end)[heading - 1]) if heading else 0
        window, _ = self._window(beginning, rows[:size], (self._context, heading)) if size else (None, None)
        blocks += [window] if window else []
        self._held = rows[size:]
        self._begin()

    def _context_rows(self, window: Window) -> int:
        steps = np.diff(window.log["time"].values)
        seconds = CONTEXT_S + self._workspace.car.lambda_sensor.warm_up_s
        return int(np.clip(seconds / float(np.median(steps)), *CONTEXT_ROWS))

    def _window(self, beginning: Beginning, rows: bytes, own: tuple[int, int]) -> tuple[Window | None, int | None]:
        """Read, map and flag some rows, and the place of another heading among them; None where they tell nothing."""
        about, car = self._folder.session, self._workspace.car
        try:
            raw = read_rows(beginning, rows, self.path, self._rule)
            line = other_heading(raw)
            if line is not None:
                return None, line - beginning.lines - 1
            mapped = map_file(
                raw, car, self._workspace.channel_map, weather=about.weather, steps=(), settle_open=self._settle
            )
            log = join_files([mapped], title=f"{self.path.name}, still being written")
        except (ReadError, MapError) as problem:
            self._problem = str(problem)
            return None, None
        self._problem = ""
        revision = self._workspace.revisions[about.revision]
        log = add_table_air(log.assign_attrs(session=self._folder.name, revision=revision.name), car, revision)
        begins_s = float(mapped.time_s[0])
        self._first_s = begins_s if self._first_s is None else self._first_s
        log = log.assign_coords(time=("time", counted_from(self._first_s, mapped.time_s), log["time"].attrs))
        flagged = flag_log(log, car, self._session(), revision=revision)
        place = mapped.line - beginning.lines - 1
        counts = (place >= own[0]) & (place < own[1])
        lines = own[1] - own[0]
        return Window(flagged, counts, lines, tuple(_open_columns(mapped.columns))), None

    def _session(self) -> Session:
        """The session with its hand-made exclusions; of several files none says where it began, so without them."""
        about = self._folder.session
        return about if len(self._folder.files) == 1 else about.model_copy(update={"exclude": []})

    def _settle(self, raw: RawTable, matches: list[Match]) -> list[Match]:
        """What columns are: as it was settled before, else by this log or another one of the same logger."""
        found = take_remembered(raw, matches, self._recall)
        kept = self._kept
        self._last = [replace(kept[m.column.key], column=m.column) if m.column.key in kept else m for m in found]
        return self._last

    def _recall(self, raw: RawTable) -> Seen:
        if self._seen is None:
            self._seen = recall_from(self._workspace, self.path)(raw)
        return self._seen


def _open_columns(notes: Sequence[dict[str, object]]) -> list[str]:
    return [str(note["column"]) for note in notes if str(note.get("why", "")).startswith(LEFT_OUT)]
