"""A workspace that notes what is asked of it, so that a result knows what it stands on.

Which other sessions an analysis draws on (the coast-down before it, all earlier link drives) is decided inside the
analysis. Noting it there, rather than listing it beside, cannot go out of date.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tunelab.record.evidence import Evidence, gather_evidence
from tunelab.record.notebook import NotebookError, hint
from tunelab.record.opened import OpenedSession
from tunelab.workspace import Workspace

EVERY = "*"


@dataclass
class Asked:
    """Names of sessions and revisions that were asked for; EVERY where the whole list was looked through."""

    sessions: set[str] = field(default_factory=set)
    revisions: set[str] = field(default_factory=set)


class NotingDict(dict):
    """A dict that notes which of its keys were read; a look through the keys, or for one that is not there: EVERY."""

    def __init__(self, values: dict, noted: set[str]):
        super().__init__(values)
        self._noted = noted

    def _note(self, key: Any) -> None:
        self._noted.add(key if super().__contains__(key) else EVERY)

    def __getitem__(self, key: Any) -> Any:
        self._note(key)
        return super().__getitem__(key)

    def get(self, key: Any, default: Any = None) -> Any:
        """Read one."""
        self._note(key)
        return super().get(key, default)

    def __contains__(self, key: Any) -> bool:
        self._note(key)
        return super().__contains__(key)

    def __iter__(self) -> Iterator:
        self._noted.add(EVERY)
        return super().__iter__()

    def __len__(self) -> int:
        self._noted.add(EVERY)
        return super().__len__()

    def keys(self) -> Any:
        """Look through all names."""
        self._noted.add(EVERY)
        return super().keys()

    def values(self) -> Any:
        """Look through all values."""
        self._noted.add(EVERY)
        return super().values()

    def items(self) -> Any:
        """Look through all items."""
        self._noted.add(EVERY)
        return super().items()


class Desk:
    """Where the calculations of one session read from: opened once, its log read once, everything asked noted."""

    def __init__(self, workspace: Workspace, session: str):
        self.asked = Asked({session}, {workspace.sessions[session].session.revision})
        self._folders = workspace.sessions
        self._workspace = replace(
            workspace,
            sessions=NotingDict(workspace.sessions, self.asked.sessions),
            revisions=NotingDict(workspace.revisions, self.asked.revisions),
        )
        self._read: dict[str, Evidence] = {}
        self._session = session

    @property
    def opened(self) -> OpenedSession:
        """The session itself."""
        return OpenedSession(self._workspace, self._folders[self._session])

    def open_session(self, path: str | Path, *, beside: OpenedSession | None = None) -> OpenedSession:
        """Open a session of this workspace by its folder or name, as `tunelab.record.open_session` does."""
        name = Path(path).name
        if name not in self._workspace.sessions:
            raise NotebookError(
                f"There is no session {str(path)!r} in this workspace; {hint(name, list(self._folders))}"
            )
        return OpenedSession(self._workspace, self._folders[name])

    def gather_evidence(self, opened: OpenedSession) -> Evidence:
        """Read and flag a log, the session's own only once."""
        if opened.name != self._session:
            return gather_evidence(opened)
        if not self._read:
            self._read[opened.name] = gather_evidence(opened)
        return self._read[opened.name]
