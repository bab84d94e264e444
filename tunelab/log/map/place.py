"""Where the files of one session lie on one clock: by their own stamps, else one after another."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tunelab.log.map.mapped import MappedFile
from tunelab.log.map.offset import find_offset
from tunelab.log.map.settle import UNKNOWN_GAP_S

_DAY = 86400.0
_COPIED_ROWS = 50  # at least, before two files that hold the same rows are taken to be one
_ALIKE = 0.6  # of the channels of the smaller file: fewer in common, and another logger wrote it
_UNKNOWN = "the true gap between the two is not known"
_WAY_OUT = (
    "If two loggers ran at the same time, let both write date or time of day, or say in session.toml when the second "
    "began: [[clock]] with file and starts_s"
)
_CONTINUES_S = 10.0  # a file that goes on within this of the one before, on a clock that did not start anew


@dataclass(frozen=True)
class Placed:
    """Files on one clock, and what was noticed."""

    files: list[MappedFile]  # on one clock, in order
    notes: list[str]


def place_files(files: list[MappedFile], starts: Callable[[str], float | None]) -> Placed:
    """Put files, in the order driven, on one clock that starts at the first kept row; `join_files` says how."""
    notes: list[str] = []
    if all(file.kind == "absolute" for file in files):
        files = sorted(files, key=lambda file: file.time_s[0])
    placed: list[MappedFile] = []
    shifts: list[float] = []
    for number, file in enumerate(files):
        twin = next((at for at, other in enumerate(files[:number]) if _is_copied(other, file)), None)
        said = starts(file.raw.path.name)
        if not placed:
            shift, note = 0.0, ""
        elif said is not None:
            shift = float(placed[0].time_s[0]) + said - float(file.time_s[0])
            note = f"{file.raw.path.name}: its first row lies {said:g} s from that of the first file, by session.toml"
        elif twin is not None:
            shift, note = shifts[twin], f"{file.raw.path.name}: holds the rows of {files[twin].raw.path.name} again"
        else:
            file, shift, note = _follow(placed, file)
        notes += [note] if note else []
        shifts.append(shift)
        placed.append(replace(file, time_s=file.time_s + shift))
    origin = min((float(file.time_s[0]) for file in placed), default=0.0)
    return Placed([replace(file, time_s=_from(origin, file.time_s)) for file in placed], notes)


def _from(origin: float, time_s: np.ndarray) -> np.ndarray:
    """Count from the origin; whole microseconds, where that leaves every row its own time."""
    counted = time_s - origin
    rounded = np.round(counted, 6)
    return rounded if (np.diff(rounded) > 0).all() else counted


def _follow(placed: list[MappedFile], file: MappedFile) -> tuple[MappedFile, float, str]:
    """Where a file lies beside or after the ones before it: the file, how far its clock has to move, what to say."""
    shift, note = _shift(placed, file)
    return _beside_another(placed, file, shift, note) if _UNKNOWN in note else (file, shift, note)


def _shift(placed: list[MappedFile], file: MappedFile) -> tuple[float, str]:
    """How far a file's clock has to move to follow the ones before it, and what to say about it."""
    before = placed[-1]
    end = max(float(other.time_s[-1]) for other in placed)
    start = float(file.time_s[0])
    name = file.raw.path.name
    if file.kind == before.kind == "absolute":
        return 0.0, ""
    if file.kind == before.kind == "time of day":
        days = np.floor((before.time_s[0] + _DAY / 2 - start) / _DAY)
        return max(float(days), 0.0) * _DAY, ""
    if file.kind == before.kind == "relative" and 0 < start - end <= _CONTINUES_S and start > _CONTINUES_S:
        return 0.0, f"{name}: goes on {start - end:.2f} s after {before.raw.path.name} on the same clock"
    if file.kind == before.kind == "relative" and _repeats(before, file):
        return 0.0, f"{name}: begins with rows of {before.raw.path.name}, so both are on one clock"
    return end + UNKNOWN_GAP_S - start, f"{name}: laid {UNKNOWN_GAP_S:g} s after {before.raw.path.name}; {_UNKNOWN}"


def _beside_another(
    placed: list[MappedFile], file: MappedFile, shift: float, note: str
) -> tuple[MappedFile, float, str]:
    """Lay a second logger's file beside the one that it ran with, where what both logged tells the offset.

    That quantity is then the first file's alone: the two were found to agree.
    """
    others = [other for other in placed if is_another_logger(other, file)]
    found = [(other.raw.path.name, find_offset(other, file)) for other in others]
    told = next(((first, offset) for first, offset in found if offset and not offset.because), None)
    if told:
        first, offset = told
        how = f"{offset.seconds:.2f} ± {offset.doubt_s:.2f} s added to its clock to have that of {first}"
        note = f"{file.raw.path.name}: {how}, found by {offset.channel} in both, which is taken from {first}"
        return _without(file, offset.channel, first), offset.seconds, note
    why = next((f"by {offset.channel}, since {offset.because}" for _, offset in found if offset), "")
    if others:
        note += f"; the offset of their clocks is not known {why or 'by any channel that both logged'}. {_WAY_OUT}"
    return file, shift, note


def is_another_logger(one: MappedFile, other: MappedFile) -> bool:
    """Whether two files come from two loggers: they hold mostly other channels."""
    shared = set(one.tracks) & set(other.tracks)
    return len(shared) < _ALIKE * min(len(one.tracks), len(other.tracks))


def _without(file: MappedFile, channel: str, first: str) -> MappedFile:
    left_out = f"left out: {first} logged it too, and the two agree"
    columns = (
        {**column, "channel": "", "conversion": left_out} if column["channel"] == channel else column
        for column in file.columns
    )
    tracks = {name: track for name, track in file.tracks.items() if name != channel}
    return replace(file, tracks=tracks, columns=tuple(columns))


def _is_copied(other: MappedFile, file: MappedFile) -> bool:
    """True where two files hold the same rows, as far as the shorter one goes: a copy, or an export made too early."""
    rows = min(other.time_s.size, file.time_s.size)
    shared = set(file.tracks) if set(file.tracks) <= set(other.tracks) else set()
    if rows < _COPIED_ROWS or len(shared) < 2 or not np.allclose(other.time_s[:rows], file.time_s[:rows], rtol=0):
        return False
    pairs = ((other.tracks[name].values[:rows], file.tracks[name].values[:rows]) for name in shared)
    return all(np.allclose(one, again, equal_nan=True) for one, again in pairs)


def _repeats(before: MappedFile, file: MappedFile) -> bool:
    """True where the first rows of a file stand in the one before with the same time and the same readings."""
    at = np.searchsorted(before.time_s, file.time_s[:5])
    if file.time_s[0] < 1.0 or len(file.time_s) < 5 or at[-1] >= len(before.time_s):
        return False
    shared = set(before.tracks) & set(file.tracks)
    same = [np.allclose(before.tracks[c].values[at], file.tracks[c].values[:5], equal_nan=True) for c in shared]
    return bool(np.allclose(before.time_s[at], file.time_s[:5]) and len(same) >= 2 and np.mean(same) > 0.9)
