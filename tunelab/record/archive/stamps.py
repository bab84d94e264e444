"""Stamps: hashes of all that a result depends on, noted while it is asked for. The same stamps need no second run.

Which other sessions an analysis draws on (the coast-down before it, all earlier link drives) is decided inside the
analysis. Noting it there, rather than listing it beside, cannot go out of date.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tunelab.record.evidence import Evidence, code_stamp, digest, gather_evidence, sha256, versions
from tunelab.record.notebook import NotebookError, Value, hint
from tunelab.record.opened import OpenedSession
from tunelab.record.quick import Calculation
from tunelab.workspace import CAR_FILE, CHANNELS_FILE, REVISIONS_FOLDER, Workspace
from tunelab.workspace.session import SESSION_FILE

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


CAR, SESSION, REVISION = "car", "session/", "revision/"
ABSENT = "absent"


class Stamps:
    """Hashes of one workspace's files, each file read once.

    Make it before the files are read for their content: a file that changes meanwhile then has an old stamp with its
    new content, and the next run looks again.
    """

    def __init__(self, workspace: Workspace):
        self._workspace = workspace
        self._files: dict[Path, str] = {}
        self._settings = {path: self._file(path) for path in _settings(workspace)}

    def of(self, name: str) -> str:
        """Stamp of `car`, `session/<name>`, `revision/<name>`, or with `*` for a name: of the whole list."""
        root = self._workspace.root
        if name == CAR:
            return digest([self._file(root / CAR_FILE), self._file(root / CHANNELS_FILE)])
        if name == REVISION + EVERY:
            return digest([[item, self.of(REVISION + item)] for item in sorted(self._workspace.revisions)])
        if name.startswith(REVISION):
            return self._file(root / REVISIONS_FOLDER / f"{name.removeprefix(REVISION)}.toml")
        if name == SESSION + EVERY:
            return digest([self._about(item) for item in sorted(self._workspace.sessions)])
        return self._session(name.removeprefix(SESSION))

    def of_all(self, asked: Asked) -> dict[str, str]:
        """Stamps of everything that an analysis asked for."""
        names = [CAR, *(SESSION + n for n in sorted(asked.sessions)), *(REVISION + n for n in sorted(asked.revisions))]
        return {name: self.of(name) for name in names}

    def are(self, stamps: Mapping[str, str]) -> bool:
        """Whether these stamps are still right."""
        return all(self.of(name) == stamp for name, stamp in stamps.items())

    def _session(self, name: str) -> str:
        folder = self._workspace.sessions.get(name)
        if folder is None:
            return ABSENT
        return digest([self._about(name), [self._file(path) for path in folder.files]])

    def _about(self, name: str) -> list[Any]:
        """What can be known of a session without opening its logs."""
        folder = self._workspace.sessions[name]
        return [name, self._file(folder.path / SESSION_FILE), [path.name for path in folder.files]]

    def _file(self, path: Path) -> str:
        if path not in self._files:
            self._files[path] = sha256(path) if path.is_file() else ABSENT
        return self._files[path]


def _settings(workspace: Workspace) -> list[Path]:
    root = workspace.root
    revisions = [root / REVISIONS_FOLDER / f"{name}.toml" for name in workspace.revisions]
    sessions = [folder.path / SESSION_FILE for folder in workspace.sessions.values()]
    return [root / CAR_FILE, root / CHANNELS_FILE, *revisions, *sessions]


def basis(calculations: Sequence[Calculation], settings: Mapping[str, Mapping[str, Value]]) -> str:
    """Stamp of everything but the owner's files: what is calculated, with which parameters, code and versions."""
    asked = {item.notebook.name: [item.source, parameters_of(item, settings)] for item in calculations}
    return digest([asked, code_stamp(), versions()])


def parameters_of(calculation: Calculation, settings: Mapping[str, Mapping[str, Value]]) -> dict[str, Value]:
    """Every parameter of a notebook: its own defaults, and what was set; `session` is left to whoever runs it."""
    notebook = calculation.notebook
    defaults = {p.name: p.default for p in notebook.parameters if p.name not in ("out", "session")}
    return defaults | dict(settings.get(notebook.name, {}))
