"""What one column is taken to be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tunelab.log.map.heading import Heading
from tunelab.log.map.quantity import Form
from tunelab.log.read import RawColumn
from tunelab.workspace.channel_map import ColumnRule

Sure = Literal["said", "stated", "likely", "open", "none"]


@dataclass(frozen=True)
class Match:
    """What one column is taken to be.

    `sure`: said (by channels.toml), stated (the file names quantity and unit), likely (the unit was found from the
    numbers, only one fits), open (several remain: `forms` holds them), none (not a channel, or left out).
    """

    column: RawColumn
    heading: Heading
    forms: tuple[Form, ...]
    sure: Sure
    why: str
    rule: ColumnRule | None = None
    continues: str = ""  # key of the column that this one goes on with, below another heading of its file

    @property
    def form(self) -> Form | None:
        """The form, where it is settled."""
        return self.forms[0] if self.sure in ("said", "stated", "likely") else None
