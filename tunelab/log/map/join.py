"""Files of one session on one clock, and the log that comes of it."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import xarray as xr

from tunelab.channels import CHANNELS, FUEL_MODES
from tunelab.log.map.place import MappedFile, Placed, Track, is_another_logger, place_files
from tunelab.log.map.text import MapError, rule_lines
from tunelab.log.map.timing import HOLD_PERIODS
from tunelab.log.read.raw import merge_rows


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


def join_files(
    files: Sequence[MappedFile], *, title: str, starts: Callable[[str], float | None] = lambda name: None
) -> xr.Dataset:
    """Put files on one clock that starts at their first kept row.

    Parameters
    ----------
    files : sequence of MappedFile
        In the order driven. Files with date and time are put in the order of their clocks.
    title : str
        Title of the log.
    starts : callable
        For a file's name the seconds from the first row of the first file to its own, where the owner has said so.

    Raises
    ------
    MapError
        Two files cover the same time with partly the same channels.

    Notes
    -----
    Files with date and time, or with time of day, keep their true distance. The offset of a second logger without
    either is the owner's, or found from what both logged (`offset`), and the history says it with its doubt. Any other
    file on a clock that starts anew is laid one second after the one before, and a line of the history says that the
    gap is of unknown length; a copy of a file lies on its clock. Where files of one logger overlap, the later file's
    rows in the time already covered are set aside; files with other channels (a second logger beside the first) are
    interleaved row by row.
    """
    placed = place_files(list(files), starts)
    kept: list[MappedFile] = []
    for file in placed.files:
        kept.append(_without_covered(kept, file))
    return _dataset(
        join_loggers([file for file in kept if file.time_s.size]), kept, _log_attributes(kept, placed, title)
    )


def _without_covered(earlier: list[MappedFile], file: MappedFile) -> MappedFile:
    """Set aside the rows of a file in time that a file of the same logger already covers."""
    for other in earlier:
        shared = set(other.tracks) & set(file.tracks)
        if not shared or not overlap(other, file):
            continue
        if is_another_logger(other, file):
            raise _both_log(other, file, sorted(shared))
        covered = (file.time_s >= other.time_s[0]) & (file.time_s <= other.time_s[-1])
        reason = f"this time is already covered by {other.raw.path.name}"
        file = _keep_rows(file, ~covered, reason)
    return file


def _both_log(one: MappedFile, other: MappedFile, shared: list[str]) -> MapError:
    names = f"{one.raw.path.name} and {other.raw.path.name}"
    column = other.tracks[shared[0]].source
    lines = rule_lines(column, file=f'"{other.raw.path.name}"', ignore="true")
    problem = f"  both cover the same time and both log {', '.join(shared)}. Leave one of each out, such as:\n{lines}"
    return MapError(names, [problem])


def _keep_rows(file: MappedFile, keep: np.ndarray, reason: str) -> MappedFile:
    if keep.all():
        return file
    tracks = {
        name: replace(track, values=track.values[keep], fresh=None if track.fresh is None else track.fresh[keep])
        for name, track in file.tracks.items()
    }
    return replace(
        file,
        time_s=file.time_s[keep],
        episode=file.episode[keep],
        line=file.line[keep],
        tracks=tracks,
        set_aside=(*file.set_aside, *merge_rows(file.line[~keep], reason)),
    )


def _dataset(joined: MappedFile, files: list[MappedFile], attributes: dict[str, str]) -> xr.Dataset:
    variables: dict[str, tuple[str, np.ndarray, dict[str, object]]] = {}
    for name in (name for name in CHANNELS if name in joined.tracks):
        track = joined.tracks[name]
        variables[name] = ("time", track.values, _attributes(name, files, has_fresh=track.fresh is not None))
        if track.fresh is not None:
            variables[f"{name}_fresh"] = ("time", track.fresh.astype(np.int8), _fresh_attributes(name))
    variables["episode"] = ("time", joined.episode, _episode_attributes(joined.episode))
    time_attrs = {"long_name": "time since the first kept row of the session", "units": "s", "axis": "T"}
    return xr.Dataset(variables, {"time": ("time", joined.time_s, time_attrs)}, attributes)


def _attributes(name: str, files: list[MappedFile], *, has_fresh: bool) -> dict[str, object]:
    known = CHANNELS[name]
    attrs: dict[str, object] = {"units": known.unit, "long_name": known.meaning}
    if known.standard_name:
        attrs["standard_name"] = known.standard_name
    sources = dict.fromkeys(f"{f.tracks[name].source} ({f.tracks[name].how})" for f in files if name in f.tracks)
    attrs["comment"] = "from " + "; ".join(sources)
    if has_fresh:
        attrs["ancillary_variables"] = f"{name}_fresh"
    if name == "fuel_mode":
        attrs["flag_values"] = np.array(list(FUEL_MODES), dtype=float)
        attrs["flag_meanings"] = " ".join(FUEL_MODES.values())
    return attrs


def _fresh_attributes(name: str) -> dict[str, object]:
    return {
        "long_name": f"whether {CHANNELS[name].label} is a new reading or a held one",
        "flag_values": np.array([0, 1], dtype=np.int8),
        "flag_meanings": "held new",
    }


def _episode_attributes(episode: np.ndarray) -> dict[str, object]:
    numbers = np.unique(episode[np.diff(episode, prepend=-1) != 0])
    return {
        "long_name": "stretch of the log between reconnects, restarts and files",
        "flag_values": numbers.astype(np.int32),
        "flag_meanings": " ".join(f"episode_{number}" for number in numbers),
    }


def _log_attributes(everything: list[MappedFile], placed: Placed, title: str) -> dict[str, str]:
    files: list[dict[str, object]] = []
    set_aside: list[dict[str, object]] = []
    columns: list[dict[str, object]] = []
    history: list[str] = []
    for file in everything:
        name = file.raw.path.name
        dropped = sum(item.rows for item in file.set_aside)
        rows = {"rows_in": file.raw.rows_in, "rows_kept": file.raw.rows_in - dropped, "rows_set_aside": dropped}
        files.append({"path": name, "sha256": file.raw.sha256, **rows})
        for item in file.set_aside:
            more = {"last_row": item.last_row} if item.last_row != item.row else {}
            set_aside.append({"file": name, "row": item.row, **more, "reason": item.reason})
        columns += file.columns
        history += file.history
    return {
        "Conventions": "CF-1.11",
        "title": title,
        "history": "\n".join([*history, *placed.notes]),
        "files": _json(files),
        "set_aside": _json(set_aside),
        "columns": _json(columns),
    }


def _json(content: object) -> str:
    return json.dumps(content, ensure_ascii=False, separators=(",", ":"))
