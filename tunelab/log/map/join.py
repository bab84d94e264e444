"""Files of one session onto one clock, and the log that comes of it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import xarray as xr

from tunelab.channels import CHANNELS, FUEL_MODES
from tunelab.log.map.mapped import MappedFile, Track
from tunelab.log.map.place import Placed, place_files
from tunelab.log.map.problem import MapError, rule_lines
from tunelab.log.map.refresh import HOLD_PERIODS
from tunelab.log.read.raw import merge_rows


def join_files(files: Sequence[MappedFile], *, title: str) -> xr.Dataset:
    """Put files on one clock that starts at their first kept row.

    Parameters
    ----------
    files : sequence of MappedFile
        In the order driven. Files with date and time are put in the order of their clocks.
    title : str
        Title of the log.

    Raises
    ------
    MapError
        Two files cover the same time with partly the same channels.

    Notes
    -----
    Files with date and time, or with time of day, keep their true distance. A file on a clock that starts anew is laid
    one second after the one before, and a line of the history says that the gap is of unknown length; a copy of a file
    lies on its clock. Where files of one logger overlap, the later file's rows in the time already covered are set
    aside; files with other channels (a second logger beside the first) are interleaved row by row.
    """
    joined = place_files(list(files))
    groups: list[MappedFile] = []
    for file in joined.files:
        file = _without_covered(groups, file)
        beside = _overlapping(groups, file)
        if beside is None:
            groups.append(file)
        else:
            groups[groups.index(beside)] = _interleave(beside, file)
    return _dataset(groups, joined, title)


def _overlapping(groups: list[MappedFile], file: MappedFile) -> MappedFile | None:
    """Give the file that covers some of the same time, if any."""
    return next((other for other in groups if _overlap(other, file) and file.time_s.size), None)


def _overlap(one: MappedFile, other: MappedFile) -> bool:
    if not one.time_s.size or not other.time_s.size:
        return False
    return bool(one.time_s[0] <= other.time_s[-1] and other.time_s[0] <= one.time_s[-1])


def _without_covered(groups: list[MappedFile], file: MappedFile) -> MappedFile:
    """Set aside the rows of a file in time that a file of the same logger already covers."""
    for other in groups:
        shared = set(other.tracks) & set(file.tracks)
        if not shared or not _overlap(other, file):
            continue
        if len(shared) < 0.6 * min(len(other.tracks), len(file.tracks)):
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


def _dataset(groups: list[MappedFile], joined: Placed, title: str) -> xr.Dataset:
    attributes = _log_attributes(groups, joined, title)
    groups = [file for file in groups if file.time_s.size]
    variables: dict[str, tuple[str, np.ndarray, dict[str, object]]] = {}
    for name in (name for name in CHANNELS if any(name in file.tracks for file in groups)):
        variables[name] = ("time", _stack(groups, name), _attributes(name, groups))
        fresh = _stack_fresh(groups, name)
        if fresh is not None:
            variables[f"{name}_fresh"] = ("time", fresh, _fresh_attributes(name))
    time_s = np.concatenate([file.time_s for file in groups])
    episode = _episodes(groups)
    order = np.argsort(time_s, kind="stable")
    if (np.diff(order) != 1).any():
        time_s, episode = time_s[order], _count_changes(episode[order])
        variables = {name: (dim, values[order], attrs) for name, (dim, values, attrs) in variables.items()}
    variables["episode"] = ("time", episode, _episode_attributes(episode))
    time_attrs = {"long_name": "time since the first kept row of the session", "units": "s", "axis": "T"}
    return xr.Dataset(variables, {"time": ("time", time_s, time_attrs)}, attributes)


def _count_changes(episode: np.ndarray) -> np.ndarray:
    """Number stretches anew, in order, where a file goes on after another one that lies inside it."""
    return np.r_[0, np.cumsum(np.diff(episode) != 0)].astype(np.int32)


def _stack(groups: list[MappedFile], name: str) -> np.ndarray:
    parts = [f.tracks[name].values if name in f.tracks else np.full(f.time_s.size, np.nan) for f in groups]
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _stack_fresh(groups: list[MappedFile], name: str) -> np.ndarray | None:
    tracks = [file.tracks.get(name) for file in groups]
    if all(track is None or track.fresh is None for track in tracks):
        return None
    parts = []
    for file, track in zip(groups, tracks, strict=True):
        if track is None:
            parts.append(np.zeros(file.time_s.size, dtype=np.int8))
        else:
            fresh = np.isfinite(track.values) if track.fresh is None else track.fresh
            parts.append(fresh.astype(np.int8))
    return np.concatenate(parts)


def _episodes(groups: list[MappedFile]) -> np.ndarray:
    parts, first = [], 0
    for file in groups:
        parts.append(file.episode.astype(np.int32) + np.int32(first))
        first = int(parts[-1].max()) + 1
    return np.concatenate(parts)


def _attributes(name: str, groups: list[MappedFile]) -> dict[str, object]:
    known = CHANNELS[name]
    attrs: dict[str, object] = {"units": known.unit, "long_name": known.meaning}
    if known.standard_name:
        attrs["standard_name"] = known.standard_name
    sources = dict.fromkeys(f"{f.tracks[name].source} ({f.tracks[name].how})" for f in groups if name in f.tracks)
    attrs["comment"] = "from " + "; ".join(sources)
    if any(name in f.tracks and f.tracks[name].fresh is not None for f in groups):
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
    numbers = np.unique(episode)
    return {
        "long_name": "stretch of the log between reconnects, restarts and files",
        "flag_values": numbers.astype(np.int32),
        "flag_meanings": " ".join(f"episode_{number}" for number in numbers),
    }


def _log_attributes(groups: list[MappedFile], joined: Placed, title: str) -> dict[str, str]:
    everything = _all_files(groups, joined)
    files, set_aside, columns, history = [], [], [], []
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
        "history": "\n".join([*history, *joined.notes]),
        "files": _json(files),
        "set_aside": _json(set_aside),
        "columns": _json(columns),
    }


def _all_files(groups: list[MappedFile], joined: Placed) -> list[MappedFile]:
    """Give every file with its final account: a group's own, else (an interleaved one) as it was placed."""
    by_hash = {id(file.raw): file for file in groups}
    return [by_hash.get(id(file.raw), file) for file in joined.files]


def _json(content: object) -> str:
    return json.dumps(content, ensure_ascii=False, separators=(",", ":"))
