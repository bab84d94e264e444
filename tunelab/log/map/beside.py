"""Files on one clock into one: those of one logger in a row, loggers beside each other interleaved row by row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tunelab.log.map.mapped import MappedFile, Track
from tunelab.log.map.refresh import HOLD_PERIODS


def join_loggers(files: Sequence[MappedFile]) -> MappedFile:
    """Join files, at least one, that lie on one clock and of which none has a row in another one's time and channels.

    Returns
    -------
    MappedFile
        Time, episodes and tracks of all files; the rest is the first file's own.
    """
    loggers: list[list[MappedFile]] = []
    for file in files:
        home = _home(loggers, file)
        if home is None:
            loggers.append([file])
        else:
            home.append(file)
    joined, *others = [_in_a_row(logger) for logger in loggers]
    for other in others:
        joined = _interleave(joined, other)
    return joined


def overlap(one: MappedFile, other: MappedFile) -> bool:
    """Whether two files cover some of the same time."""
    if not one.time_s.size or not other.time_s.size:
        return False
    return bool(one.time_s[0] <= other.time_s[-1] and other.time_s[0] <= one.time_s[-1])


def _home(loggers: list[list[MappedFile]], file: MappedFile) -> list[MappedFile] | None:
    """Find the logger that a file belongs to: none of its files runs beside it, and one has most channels like it."""

    def alike(other: MappedFile) -> int:
        return len(set(other.tracks) & set(file.tracks))

    for logger in loggers:
        if any(overlap(other, file) and alike(other) for other in logger):
            return logger  # it goes on before and after a file of its own logger
    free = [logger for logger in loggers if not any(overlap(other, file) for other in logger)]
    return max(free, key=lambda logger: max(alike(other) for other in logger), default=None)


def _in_a_row(files: list[MappedFile]) -> MappedFile:
    """Files of one logger, in the order of their time; each begins an episode."""
    if len(files) == 1:
        return files[0]
    time_s = np.concatenate([file.time_s for file in files])
    episode = _episodes(files)
    order = np.argsort(time_s, kind="stable")
    names = dict.fromkeys(name for file in files for name in file.tracks)
    tracks = {name: _one_track(files, name) for name in names}
    if (np.diff(order) != 1).any():
        time_s, episode = time_s[order], count_changes(episode[order])
        tracks = {name: _ordered(track, order) for name, track in tracks.items()}
    return replace(files[0], time_s=time_s, episode=episode, tracks=tracks)


def _one_track(files: list[MappedFile], name: str) -> Track:
    known = [file.tracks[name] for file in files if name in file.tracks]
    parts = [f.tracks[name].values if name in f.tracks else np.full(f.time_s.size, np.nan) for f in files]
    periods = [track.period_s for track in known if track.fresh is not None]
    fresh = np.concatenate([_fresh_part(file, name) for file in files]) if periods else None
    return replace(known[0], values=np.concatenate(parts), fresh=fresh, period_s=max(periods, default=float("nan")))


def _fresh_part(file: MappedFile, name: str) -> np.ndarray:
    track = file.tracks.get(name)
    if track is None:
        return np.zeros(file.time_s.size, dtype=bool)
    return np.isfinite(track.values) if track.fresh is None else track.fresh


def _ordered(track: Track, order: np.ndarray) -> Track:
    return replace(track, values=track.values[order], fresh=None if track.fresh is None else track.fresh[order])


def _episodes(files: list[MappedFile]) -> np.ndarray:
    parts, first = [], 0
    for file in files:
        parts.append(file.episode.astype(np.int32) + np.int32(first))
        first = int(parts[-1].max()) + 1
    return np.concatenate(parts)


def count_changes(episode: np.ndarray) -> np.ndarray:
    """Number the stretches of equal numbers from zero, in order; int32, shape (rows,)."""
    if not (episode != episode[:1]).any():
        return np.zeros(episode.size, dtype=np.int32)
    return np.r_[0, np.cumsum(np.diff(episode) != 0)].astype(np.int32)


def _interleave(one: MappedFile, other: MappedFile) -> MappedFile:
    """Put two files with different channels on the rows of both."""
    time_s, places = np.unique(np.concatenate([one.time_s, other.time_s]), return_inverse=True)
    tracks = {}
    for file, at in ((one, places[: one.time_s.size]), (other, places[one.time_s.size :])):
        for name, track in file.tracks.items():
            tracks[name] = _spread_over(track, at, (time_s, file.time_s, file.episode))
    episode = one.episode[np.clip(np.searchsorted(one.time_s, time_s, side="right") - 1, 0, one.time_s.size - 1)]
    return replace(one, time_s=time_s, episode=episode, tracks=tracks)


def _spread_over(track: Track, at: np.ndarray, times: tuple[np.ndarray, np.ndarray, np.ndarray]) -> Track:
    """Hold a channel's readings over the rows of the other file, marked as held."""
    time_s, own_time, episode = times
    period = track.period_s if track.fresh is not None else float(np.median(np.diff(own_time)))
    source = np.searchsorted(at, np.arange(time_s.size), side="right") - 1
    index = np.maximum(source, 0)
    next_episode = episode[np.minimum(index + 1, episode.size - 1)]
    is_own = np.isin(np.arange(time_s.size), at)
    near = (time_s - own_time[index] <= HOLD_PERIODS * period) & (next_episode == episode[index])
    values = np.where((source >= 0) & (is_own | near), track.values[index], np.nan)
    fresh = is_own & (np.ones(index.size, bool) if track.fresh is None else track.fresh[index])
    return replace(track, values=values, fresh=fresh & np.isfinite(values), period_s=period)
