"""A session: one outing, its steps and what each needs from a log, its logs, what was going on, and its checks."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Literal

from pydantic import Field

from tunelab.channels import CHANNELS
from tunelab.workspace.car import Car, NotNegative, Percent, Positive, Table
from tunelab.workspace.channel_map import is_named
from tunelab.workspace.check_revision import check_year, known_names
from tunelab.workspace.problem import Problem
from tunelab.workspace.toml_file import Reading

METER = ("meter_v", "meter_hz", "meter_counts")
SPEED = ("road_speed_km_h", "gps_speed_km_h")

# Each entry is a group of channels of which one is enough.
_NEEDED: dict[str, tuple[tuple[str, ...], ...]] = {
    "steady": (
        ("engine_speed_rpm",),
        (*METER, "air_flow_kg_h"),
        ("pulse_width_ms",),
        ("lambda_measured",),
        ("battery_v",),
        ("coolant_c",),
    ),
    "part-throttle": (
        ("engine_speed_rpm",),
        (*METER, "air_flow_kg_h"),
        ("pulse_width_ms",),
        ("lambda_measured",),
        ("throttle_pct",),
        ("battery_v",),
        ("coolant_c",),
    ),
    "full-throttle": (("engine_speed_rpm",), ("lambda_measured",), ("throttle_pct",), ("coolant_c",)),
    "road": (("engine_speed_rpm",), SPEED),
    "coast-down": (SPEED,),
    "launch": (("engine_speed_rpm",), SPEED),
    "link": (),
}

_HELPFUL: dict[str, tuple[tuple[str, ...], ...]] = {
    "steady": (
        METER,
        ("lambda_commanded",),
        ("trim_short_pct",),
        ("trim_long_pct",),
        ("throttle_pct",),
        ("fuel_mode",),
    ),
    "part-throttle": (METER, ("lambda_commanded",), ("enrichment_pct",), ("fuel_mode",)),
    "full-throttle": (
        ("knock_retard_deg",),
        ("pulse_width_ms", "injector_duty_pct"),
        ("spark_deg",),
        ("intake_air_c",),
        ("fuel_pressure_kpa",),
        ("oil_pressure_kpa",),
        ("battery_v",),
        METER,
        SPEED,
    ),
    "road": (
        ("throttle_pct",),
        ("lambda_measured",),
        ("lambda_commanded",),
        ("pulse_width_ms",),
        (*METER, "air_flow_kg_h"),
        ("manifold_kpa",),
        ("trim_short_pct",),
        ("trim_long_pct",),
        ("battery_v",),
        ("coolant_c",),
        ("intake_air_c",),
        ("fuel_mode",),
        ("latitude_deg",),
        ("altitude_m",),
    ),
    "coast-down": (("gps_speed_km_h",), ("altitude_m",), ("clutch_pressed", "gear"), ("brake_pressed",)),
    "launch": (("launch_active",), ("clutch_pressed",), ("acceleration_m_s2",), ("throttle_pct",)),
    "link": (("engine_speed_rpm",), ("battery_v",)),
}


def _of_car(groups: Collection[tuple[str, ...]], car: Car | None) -> list[tuple[str, ...]]:
    """Groups as a car needs them: without an air meter, what its table goes by stands in the meter's place."""
    if car is None or car.has_meter:
        return list(groups)
    return list(dict.fromkeys((car.air_reading,) if set(METER) <= set(group) else group for group in groups))


def blocks(steps: Collection[str], channels: Collection[str], known: Collection[str], car: Car | None = None) -> bool:
    """Whether one of the steps needs one of some channels, as none of those known does instead."""
    groups = (set(group) for step in steps for group in _of_car(_NEEDED[step], car))
    return any(group & set(channels) and not group & set(known) for group in groups)


@dataclass(frozen=True)
class Need:
    """What a step misses. Each entry is a group of channels of which one is enough."""

    step: str
    missing: tuple[tuple[str, ...], ...]  # the step cannot be analysed without
    would_help: tuple[tuple[str, ...], ...]


def find_needs(channels: Collection[str], car: Car | None = None) -> list[Need]:
    """Hold the channels of a log against the needs of every step; the clock every log has.

    A car whose ECU takes the air from a table needs what that goes by, and no meter's reading.
    """
    return [_need(step, set(channels), car) for step in _NEEDED]


def _need(step: str, channels: set[str], car: Car | None) -> Need:
    needed, helpful = (_of_car(groups[step], car) for groups in (_NEEDED, _HELPFUL))
    if car is not None and not car.has_meter and (car.air_reading,) in needed:
        helpful.append(("intake_air_c",))  # for the charge temperature
    missing, more = ([group for group in groups if not set(group) & channels] for groups in (needed, helpful))
    return Need(step, tuple(missing), tuple(group for group in more if group not in needed))


Step = Literal["steady", "part-throttle", "full-throttle", "road", "coast-down", "launch", "link"]


class Weather(Table):
    """The weather at the place of the drive."""

    air_c: Annotated[float, Field(ge=-45, le=60)]
    pressure_kpa: Annotated[float, Field(ge=50, le=110)]  # absolute, at the place; not reduced to sea level
    humidity_pct: Percent
    wind_m_s: NotNegative | None = None


class Exclusion(Table):
    """A stretch that a person does not trust."""

    start_s: NotNegative  # on the session's own clock, as the record shows it
    end_s: Positive
    author: str
    reason: str
    channels: list[str] = Field(default_factory=list)  # empty: all of them


class NotedDropOut(Table):
    """What a person noted about a break of the data link, mostly where the log simply stops."""

    start_s: NotNegative  # on the session's own clock, as the record shows it
    end_s: Positive | None = None  # when it was back, counted on by the watch; None: not on that outing
    counts: bool = True  # False: the log breaks here on purpose, such as the key turned off
    note: str = ""


class SecondClock(Table):
    """Where a second logger's file lies, whose clock says nothing of the first one's."""

    file: Annotated[str, Field(min_length=1)]  # file name, or a pattern such as "wideband-*.csv"
    starts_s: float  # from the first row of the session's first file to the first row of this one; may be negative


class Session(Table):
    """Everything `session.toml` holds."""

    date: datetime.date
    steps: Annotated[list[Step], Field(min_length=1)]
    revision: str
    driver: str = ""
    place: str = ""  # private: left out of what is shared
    wiring: str = ""  # name of the wiring configuration
    notes: str = ""
    files: list[str] = Field(default_factory=list)  # in the order driven; empty: every log in the folder, by name
    weather: Weather | None = None
    exclude: list[Exclusion] = Field(default_factory=list)
    turned_at_s: list[NotNegative] = Field(
        default_factory=list
    )  # where the car was turned round, for logs without a position
    drop_out: list[NotedDropOut] = Field(default_factory=list)
    clock: list[SecondClock] = Field(default_factory=list)
    new_file: Literal["drop-out", "by hand"] | None = None  # what begins a new file; None: not known

    def starts_of(self, file_name: str) -> float | None:
        """Seconds from the first row of the first file to that of a file, where the owner has said so."""
        return next((second.starts_s for second in self.clock if is_named(file_name, second.file)), None)


SESSION_FILE = "session.toml"


def check_session(reading: Reading[Session], folder: Path, revisions: Mapping[str, object]) -> Iterator[Problem]:
    """Find what does not fit together in one session, whole or partial.

    Parameters
    ----------
    reading : Reading
        What `session.toml` gave.
    folder : Path
        The session's folder; nothing in it is opened.
    revisions : mapping
        The names of the revisions that exist.
    """
    session = reading.partial
    if session is None:
        return
    yield from check_year(reading, session.date)
    if session.revision and session.revision not in revisions:
        way_out = known_names(session.revision, revisions)
        yield reading.problem(("revision",), repr(session.revision), "a revision that exists", way_out)
    for position, exclusion in enumerate(session.exclude or ()):
        if exclusion is not None:
            yield from _check_exclusion(reading, position, exclusion)
    for position, noted in enumerate(session.drop_out or ()):
        if noted is not None:
            yield from _check_end(reading, "drop_out", position, noted)
    yield from _check_repeats(reading, "steps", session.steps)
    yield from _check_repeats(reading, "files", session.files)
    for position, second in enumerate(session.clock or ()):
        if second is not None and second.file:
            yield from _check_clock(reading, position, second.file, folder)
    for position, name in enumerate(session.files or ()):
        yield from _check_file(reading, position, name, folder)


def leaves_folder(name: str) -> bool:
    """Tell whether a file name is absolute or climbs out of the folder, by the habits of any operating system."""
    paths = (PurePosixPath(name), PureWindowsPath(name))
    return any(path.is_absolute() or path.anchor or ".." in path.parts for path in paths)


def _check_exclusion(reading: Reading, position: int, exclusion: Exclusion) -> Iterator[Problem]:
    yield from _check_end(reading, "exclude", position, exclusion)
    for at, name in enumerate(exclusion.channels or ()):
        if name not in CHANNELS:
            path = ("exclude", position, "channels", at)
            way_out = known_names(name, CHANNELS)
            way_out = "" if way_out.startswith("known") else way_out
            yield reading.problem(path, repr(name), "the name of a channel", way_out)


def _check_end(reading: Reading, key: str, position: int, stretch: Exclusion | NotedDropOut) -> Iterator[Problem]:
    start, end = stretch.start_s, stretch.end_s
    if start is not None and end is not None and end <= start:
        found = f"{end:g}, and {start:g} for start_s"
        yield reading.problem((key, position, "end_s"), found, "an end after the start [s]")


def _check_repeats(reading: Reading, key: str, names: Sequence[str] | None) -> Iterator[Problem]:
    names = names or ()
    for position, name in enumerate(names):
        if name in names[:position]:
            yield reading.problem((key, position), f"{name!r} a second time", "each once")


def _check_file(reading: Reading, position: int, name: str, folder: Path) -> Iterator[Problem]:
    path = ("files", position)
    inside = "a file in the session's own folder, named from there"
    if not name.strip() or "\x00" in name:
        yield reading.problem(path, repr(name), inside)
        return
    if leaves_folder(name) or not (folder / name).resolve().is_relative_to(folder.resolve()):
        found = repr(name) if leaves_folder(name) else f"{name!r}, a link that leads out of the folder"
        yield reading.problem(path, found, inside, "copy the log into the folder and name it without a path")
        return
    if (folder / name).resolve() == (folder / SESSION_FILE).resolve():
        yield reading.problem(path, repr(name), "a log, not the session's own description")
    elif not _is_file(folder / name):
        way_out = known_names(name, [entry.name for entry in folder.iterdir() if entry.name != SESSION_FILE])
        yield reading.problem(path, f"{name!r}, which is not there", inside, way_out)


def _check_clock(reading: Reading, position: int, pattern: str, folder: Path) -> Iterator[Problem]:
    there = [entry.name for entry in folder.iterdir() if entry.name != SESSION_FILE] if folder.is_dir() else []
    if not any(is_named(name, pattern) for name in there):
        found = f"{pattern!r}, which is not there"
        yield reading.problem(("clock", position, "file"), found, "a log of this session", known_names(pattern, there))


def _is_file(path: Path) -> bool:
    """Whether a file is there; a name that the disk cannot even hold is none."""
    try:
        return path.is_file()
    except OSError:
        return False
