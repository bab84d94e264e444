"""Which sessions an archive holds, and which of them need a run."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tunelab.workspace import Workspace, WorkspaceError, open_usable
from tunelab.workspace.folder import CAR_FILE, REVISIONS_FOLDER, SESSIONS_FOLDER

NOT_SEARCHED = (SESSIONS_FOLDER, REVISIONS_FOLDER, "records")  # inside a workspace


class ArchiveError(ValueError):
    """An archive cannot be run as asked; the message is for people."""


@dataclass(frozen=True)
class FoundCar:
    """One workspace of an archive; sessions that cannot be used stand apart from the rest."""

    folder: str  # from the archive's folder on, "." for itself
    workspace: Workspace | None  # without the sessions in `unusable`; None where the car itself cannot be used
    unusable: dict[str, str]  # session → why
    because: str = ""  # why there is no workspace


def find_cars(folder: Path, *, skip: Path) -> list[Path]:
    """Find every workspace in and below a folder; hidden folders and `skip` are not searched.

    Raises
    ------
    ArchiveError
        No such folder, or no `car.toml` in it.
    """
    if not folder.is_dir():
        raise ArchiveError(f"{folder} is no folder; wanted one with the workspaces of one or more cars below it.")
    cars = sorted(_cars(folder, skip.absolute()))
    if not cars:
        raise ArchiveError(f"{folder}: no {CAR_FILE} in it or below; make a workspace with: tunelab new DIR")
    return cars


def _cars(folder: Path, skip: Path) -> Iterator[Path]:
    for place, names, files in os.walk(folder):
        here = Path(place)
        own = NOT_SEARCHED if CAR_FILE in files else ()
        names[:] = [n for n in names if not n.startswith(".") and n not in own and (here / n).absolute() != skip]
        if CAR_FILE in files:
            yield here


def open_car(root: Path, folder: str) -> FoundCar:
    """Open a workspace; a session whose session.toml is wrong does not keep the others from being used."""
    try:
        workspace = open_usable(root)
    except WorkspaceError as error:
        return FoundCar(folder, None, {}, str(error))
    unusable = {name: "\n".join(map(str, problems)) for name, problems in workspace.unusable.items()}
    return FoundCar(folder, workspace, unusable)
