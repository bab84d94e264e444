"""A shared zip opened into a workspace: nothing of the owner's is overwritten, nothing of the sender's is run."""

from __future__ import annotations

import os
import shutil
import tomllib
from dataclasses import dataclass
from pathlib import Path

import tomlkit

from tunelab.record.place import folder_beside, put_in_place
from tunelab.record.share.answer import ANSWERS, prepare_answer
from tunelab.record.share.unpack import OpenError, unpack
from tunelab.record.stored import RecordError, read_results
from tunelab.workspace import open_workspace

LOG = "log.nc"


@dataclass(frozen=True)
class Opened:
    """What came out of a zip and where it is now."""

    root: Path
    records: tuple[Path, ...]
    sessions: tuple[
        Path, ...
    ]  # of the records, with the cleaned log in them; those that the workspace had stay its own
    answers: tuple[Path, ...]  # answers that came along
    kept: tuple[Path, ...]  # earlier records that were moved aside
    is_new: bool  # whether the workspace was made for it

    def session_of(self, record: Path) -> Path:
        """Folder of a record's session."""
        return self.root / "sessions" / read_results(record)["session"]


def open_shared(path: Path, root: Path) -> Opened:
    """Open a zip that `tunelab share` wrote.

    Parameters
    ----------
    path : Path
        The zip.
    root : Path
        A workspace of the same car, or a folder that does not exist yet.

    Raises
    ------
    OpenError
        As `unpack`; a folder that is no workspace; files that differ from the workspace's own of the same name.
    WorkspaceError
        What came out does not make a workspace.
    """
    root = root.absolute()
    is_new = not root.exists()
    if not is_new and not (root / "car.toml").is_file():
        raise OpenError(f"{root} is there and is no workspace; name a workspace, or a folder that does not exist yet.")
    with folder_beside(root) as beside:
        content = beside / "content"
        content.mkdir()
        unpack(path, content)
        if not (content / "car.toml").is_file() or not (content / "records").is_dir():
            raise OpenError(f"{path.name} holds no car.toml or no records; was it made by `tunelab share`?")
        for record in sorted((content / "records").iterdir()):
            _complete_session(content, record)
        if is_new:
            open_workspace(content)
            os.rename(content, root)
            records = tuple(sorted(p for p in (root / "records").iterdir() if p.is_dir()))
            return Opened(root, records, _sessions(root, records), _answers(root, records), (), True)
        return _join(content, root)


def _complete_session(content: Path, record: Path) -> None:
    """Give the session the record's cleaned log to be run from again."""
    results = _results(record)
    folder = content / "sessions" / results["session"]
    if not (record / LOG).is_file() or not (folder / "session.toml").is_file():
        raise OpenError(f"records/{record.name} has no {LOG}, or no session.toml goes with it: it cannot be run again.")
    shutil.copyfile(record / LOG, folder / LOG)
    text = tomlkit.parse((folder / "session.toml").read_text(encoding="utf-8"))
    text["files"] = [LOG]
    (folder / "session.toml").write_text(tomlkit.dumps(text), encoding="utf-8")


def _results(record: Path) -> dict:
    try:
        results = read_results(record)
    except RecordError as error:
        raise OpenError(str(error)) from error
    name = str(results["session"])
    if name in ("", ".", "..") or set(name) & set("/\\:\0"):
        raise OpenError(f"records/{record.name}/results.json names the session {name!r}, which is no folder's name.")
    return results


def _join(content: Path, root: Path) -> Opened:
    """Put into a workspace what it lacks; what it has stays, and must say the same where numbers hang on it."""
    open_workspace(root)
    names = [*(p.relative_to(content).as_posix() for p in sorted((content / "revisions").glob("*.toml"))), "car.toml"]
    differing = [name for name in names if (root / name).exists() and not _says_the_same(content / name, root / name)]
    if differing:
        raise OpenError(
            f"the zip's {', '.join(differing)} and this workspace's own differ, so its numbers would not belong here. "
            "Open it into a folder of its own: name one that does not exist yet."
        )
    for name in names:
        _copy_new(content / name, root / name)
    for session in sorted((content / "sessions").iterdir()):
        if not (root / "sessions" / session.name).exists():
            shutil.copytree(session, root / "sessions" / session.name)
    records, kept, answers = [], [], []
    for record in sorted((content / "records").iterdir()):
        session = _results(record)["session"]
        answers += [_take_answer(folder, root) for folder in sorted((content / ANSWERS).glob(f"{session}*"))]
        place = root / "records" / record.name
        if place.exists() and _same_findings(place, record):
            continue
        moved = put_in_place(record, _ready(place))
        records.append(place)
        kept += [moved] if moved else []
    return Opened(root, tuple(records), _sessions(root, records), tuple(a for a in answers if a), tuple(kept), False)


def _ready(place: Path) -> Path:
    place.parent.mkdir(parents=True, exist_ok=True)
    return place


def _says_the_same(one: Path, other: Path) -> bool:
    """Compare two TOML files by their values; texts may differ, since what is private was taken out."""
    first, second = (tomllib.loads(path.read_text(encoding="utf-8-sig")) for path in (one, other))
    return _numbers(first) == _numbers(second)


def _numbers(content: object) -> object:
    if isinstance(content, dict):
        return {key: _numbers(value) for key, value in content.items()}
    if isinstance(content, list):
        return [_numbers(value) for value in content]
    return (
        float(content)
        if isinstance(content, int | float) and not isinstance(content, bool)
        else ("" if isinstance(content, str) else content)
    )


def _copy_new(source: Path, target: Path) -> None:
    if source.exists() and not target.exists():
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)


def _same_findings(one: Path, other: Path) -> bool:
    return (one / "results.json").is_file() and _results(one)["findings"] == _results(other)["findings"]


def _take_answer(folder: Path, root: Path) -> Path | None:
    """Copy an answer beside those that are there; the same answer twice stays once."""
    if not (folder / "answer.toml").is_file():
        return None
    text = (folder / "answer.toml").read_bytes()
    taken = sorted((root / ANSWERS).glob("*/answer.toml"))
    same = next((path.parent for path in taken if path.read_bytes() == text), None)
    if same is not None:
        return None
    base = folder.name.partition(".")[0]
    place, number = root / ANSWERS / base, 1
    while place.exists():
        number += 1
        place = root / ANSWERS / f"{base}.{number}"
    shutil.copytree(folder, place)
    return place


def _sessions(root: Path, records: tuple[Path, ...] | list[Path]) -> tuple[Path, ...]:
    return tuple(dict.fromkeys(root / "sessions" / _results(record)["session"] for record in records))


def _answers(root: Path, records: tuple[Path, ...]) -> tuple[Path, ...]:
    """Answers that came along; each record without one gets a form to answer in."""
    came = tuple(sorted(path.parent for path in (root / ANSWERS).glob("*/answer.toml")))
    for record in records:
        results = _results(record)
        if not list((root / ANSWERS).glob(f"{results['session']}*")):
            prepare_answer(root, record, results)
    return came
