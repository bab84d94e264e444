"""What the kit makes of a made-up file, held against what the file says."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from made_files import MadeFile
from plain_car import owners_car

from tunelab.log.map import MapError, map_file
from tunelab.log.map.place import MappedFile
from tunelab.log.read import ReadError, read_raw
from tunelab.workspace import ChannelMap

CAR = owners_car()


@dataclass
class Judged:
    """What came of one file."""

    refused: str = ""  # the message, where nothing was read
    wrong: list[str] = field(default_factory=list)  # numbers, times or rows that the file does not say
    lost: list[str] = field(default_factory=list)  # rows or readings that are gone without a word


def judge_file(made: MadeFile, path: Path) -> Judged:
    """Read and map one file and hold the result against the truth."""
    path.write_bytes(made.data)
    try:
        file = map_file(read_raw(path), CAR, ChannelMap(), weather=None)
    except (ReadError, MapError) as error:
        return Judged(refused=str(error))
    judged = Judged()
    line = file.line
    _judge_rows(made, file, judged)
    known = np.array([number in made.truth for number in line.tolist()])
    for name, track in file.tracks.items():
        said = np.array([made.truth.get(number, {}).get(name, np.nan) for number in line.tolist()])
        own = np.isfinite(track.values) if track.fresh is None else track.fresh & np.isfinite(track.values)
        slack = made.slack.get(name, 0.0) + 1e-5 * np.abs(said)
        off = own & known & ~(np.abs(track.values - said) <= slack)
        if off.any():
            at = int(np.flatnonzero(off)[0])
            judged.wrong.append(
                f"{name}: {int(off.sum())} of {off.size} readings, first in line {line[at]}: "
                f"{track.values[at]:.6g} for {said[at]:.6g}"
            )
        gone = known & np.isfinite(said) & ~np.isfinite(track.values)
        words = sum(sum(c.words.values()) + c.empty for c in file.raw.columns if c.heading == track.source)
        if gone.sum() > words:
            judged.lost.append(f"{name}: {int(gone.sum())} readings, first in line {line[np.flatnonzero(gone)[0]]}")
    _judge_time(made, file, judged)
    return judged


def _judge_rows(made: MadeFile, file: MappedFile, judged: Judged) -> None:
    strange = [number for number in file.line.tolist() if number not in made.truth]
    values = [sum(np.isfinite(t.values[file.line == number]).sum() for t in file.tracks.values()) for number in strange]
    if any(values):
        judged.wrong.append(f"rows that are none: lines {strange[:5]}")
    named = {row for item in file.set_aside for row in range(item.row, item.last_row + 1)}
    gone = set(made.truth) - set(file.line.tolist()) - named
    if gone:
        judged.lost.append(f"{len(gone)} rows, first in line {min(gone)}")


def _judge_time(made: MadeFile, file: MappedFile, judged: Judged) -> None:
    """Times within one stretch of the clock, against the first of its rows."""
    line = file.line.tolist()
    for stretch in set(made.stretch.values()):
        rows = np.array([at for at, number in enumerate(line) if made.stretch.get(number) == stretch], dtype=int)
        if rows.size < 2:
            continue
        true = np.array([made.time_s[line[row]] for row in rows])
        off = np.abs((file.time_s[rows] - file.time_s[rows[0]]) - (true - true[0]))
        if off.max() > made.time_slack_s:
            at = int(np.argmax(off > made.time_slack_s))
            judged.wrong.append(f"time: {off[at]:.4g} s off in line {line[rows[at]]}, {off.max():.4g} s at most")
