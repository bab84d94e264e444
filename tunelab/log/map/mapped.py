"""One file, mapped: channels on the file's own clock, with what became of every row and column."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tunelab.log.map.clock import Kind
from tunelab.log.read import RawTable, SetAside


@dataclass(frozen=True)
class Track:
    """One channel of one file."""

    values: np.ndarray  # shape (rows,), float64, in the channel's unit
    fresh: np.ndarray | None  # shape (rows,), bool; None where every row is a reading of its own
    period_s: float  # time between fresh readings; NaN where `fresh` is None
    source: str  # column heading
    how: str  # conversion


@dataclass(frozen=True)
class MappedFile:
    """One file, mapped. `time_s` is as the file's clock has it: since 1970, since midnight, or since some start."""

    raw: RawTable
    kind: Kind
    time_s: np.ndarray  # shape (rows,), strictly rising
    episode: np.ndarray  # shape (rows,), int32, from 0
    line: np.ndarray  # shape (rows,), line of the file
    tracks: dict[str, Track]
    set_aside: tuple[SetAside, ...]
    columns: tuple[dict[str, object], ...]  # what became of each column
    history: tuple[str, ...]
