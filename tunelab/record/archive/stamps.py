"""Stamps: hashes of what a result stands on. A result whose stamps are still the same needs no second run."""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tunelab.record.archive.watched import EVERY, Asked
from tunelab.record.calculation import Calculation
from tunelab.record.evidence import sha256
from tunelab.record.notebook import Value
from tunelab.record.versions import versions
from tunelab.workspace import Workspace
from tunelab.workspace.check_session import SESSION_FILE
from tunelab.workspace.folder import CAR_FILE, CHANNELS_FILE, REVISIONS_FOLDER

CAR, SESSION, REVISION = "car", "session/", "revision/"
ABSENT = "absent"
NO_NUMBERS = ("chart", "cli", "simulate", "__main__.py")  # parts of the package that no result depends on


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


@functools.cache
def code_stamp() -> str:
    """Stamp of the package's own sources that results depend on; a checkout changes more often than its version."""
    package = Path(__file__).resolve().parents[2]
    paths = sorted(path for path in package.rglob("*.py") if path.relative_to(package).parts[0] not in NO_NUMBERS)
    return digest([[path.relative_to(package).as_posix(), sha256(path)] for path in paths])


def digest(data: Any) -> str:
    """SHA-256 of plain data."""
    return hashlib.sha256(json.dumps(data, sort_keys=True, ensure_ascii=False).encode()).hexdigest()
