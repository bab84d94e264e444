"""A session: one outing, its steps, its logs and what was going on."""

from __future__ import annotations

import datetime
from typing import Annotated, Literal

from pydantic import Field

from tunelab.workspace.car import NotNegative, Percent, Positive, Table
from tunelab.workspace.channel_map import is_named

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
