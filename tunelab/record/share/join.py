"""A shared zip opened into a workspace: nothing of the owner's is overwritten, nothing of the sender's is run."""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import tomlkit

from tunelab.record.place import folder_beside, next_kept, put_in_free_place, put_in_place, write_whole
from tunelab.record.share.answer import ANSWER_FILE, ANSWERS, prepare_answer
from tunelab.record.share.unpack import LOG, OpenError, disarm, foreign_problems, refuse, unpack
from tunelab.record.stored import RECORDS, RecordError, findings_of, read_results
from tunelab.workspace import open_usable, open_workspace
from tunelab.workspace.disk import copy_folder

LONGEST = 200  # bytes of a session's name


@dataclass(frozen=True)
class Opened:
    """What came out of a zip and where it is now."""

    root: Path
    records: tuple[Path, ...]  # that came, and are still to be run again
    here_before: tuple[Path, ...]  # records that the workspace had already, with the same findings
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
    """Open a zip that `tunelab share` wrote. Killed in between, it may be opened again: what is there is passed over.

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
    with folder_beside(root if is_new else root / RECORDS / path.stem) as beside:
        content = beside / "content"
        content.mkdir()
        _unpack_whole(path, content)
        if is_new:
            answers = _answers(content)
            records = sorted((content / RECORDS).iterdir())
            _prepare_answers(content, records)
            if put_in_free_place(content, root):
                moved = [[root / p.relative_to(content) for p in paths] for paths in (records, answers)]
                return Opened(root, tuple(moved[0]), (), _sessions(root, moved[0]), tuple(moved[1]), (), True)
        return _join(content, root)


def _unpack_whole(path: Path, content: Path) -> None:
    """Unpack a zip and make sure that a workspace of records came out."""
    unpack(path, content)
    refuse(path, list(foreign_problems(content)))
    disarm(content)
    if not (content / "car.toml").is_file() or not (content / RECORDS).is_dir():
        raise OpenError(f"{path.name} holds no car.toml or no records; was it made by `tunelab share`?")
    for record in sorted((content / RECORDS).iterdir()):
        _complete_session(content, record)
    open_workspace(content)


def _complete_session(content: Path, record: Path) -> None:
    """Give the session the record's cleaned log to be run from again."""
    results = _results(record)
    folder = content / "sessions" / results["session"]
    if not (record / LOG).is_file() or not (folder / "session.toml").is_file():
        raise OpenError(f"records/{record.name} has no {LOG}, or no session.toml goes with it: it cannot be run again.")
    shutil.copyfile(record / LOG, folder / LOG)
    try:
        text = tomlkit.parse((folder / "session.toml").read_text(encoding="utf-8"))
        text["files"] = [LOG]
        text.pop("clock", None)  # this log is on one clock
        (folder / "session.toml").write_text(tomlkit.dumps(text), encoding="utf-8", newline="\n")
    except (ValueError, TypeError, RecursionError) as error:
        raise OpenError(f"sessions/{folder.name}/session.toml is no valid TOML ({error}).") from error


def _results(record: Path) -> dict:
    try:
        results = read_results(record)
    except RecordError as error:
        raise OpenError(str(error)) from error
    name = str(results["session"])
    if (
        name in ("", ".", "..")
        or len(name.encode(errors="replace")) > LONGEST
        or not name.isprintable()
        or set(name) & set("/\\:")
    ):
        raise OpenError(f"records/{record.name}/results.json names the session {name!r}, which is no folder's name.")
    return results


def _join(content: Path, root: Path) -> Opened:
    """Put into a workspace what it lacks; what it has stays, and must say the same where numbers hang on it."""
    open_usable(root)
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
        _copy_folder(session, root / "sessions" / session.name)
    answers = [_take_answer(folder, root) for folder in _folders_in(content / ANSWERS)]
    records, here, kept = [], [], []
    for record in sorted((content / RECORDS).iterdir()):
        place = root / RECORDS / record.name
        if not place.exists() or not _same_findings(place, record):
            moved = put_in_place(record, place)
            kept += [moved] if moved else []
        elif not _waits_for_a_run(place, record, root):
            here.append(place)
            continue
        records.append(place)
    came = tuple(answer for answer in answers if answer)
    return Opened(root, tuple(records), tuple(here), _sessions(root, [*records, *here]), came, tuple(kept), False)


def _waits_for_a_run(place: Path, came: Path, root: Path) -> bool:
    """Whether a record is the very one that comes, not run again yet, since that was stopped or not wanted."""
    results = _results(place)
    return results == _results(came) and (root / "sessions" / results["session"] / LOG).is_file()


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
        write_whole(target, source.read_bytes())


def _copy_folder(source: Path, target: Path) -> bool:
    """Copy a folder to a place where nothing stands, whole or not at all; False where something does."""
    with folder_beside(target) as beside:  # also where nothing is to be copied: removes what a crash left beside it
        return not target.exists() and put_in_free_place(copy_folder(source, beside / "whole"), target)


def _same_findings(one: Path, other: Path) -> bool:
    return (one / "results.json").is_file() and findings_of(_results(one)) == findings_of(_results(other))


def _take_answer(folder: Path, root: Path) -> Path | None:
    """Copy an answer beside those that are there; the same answer twice stays once."""
    if not (folder / ANSWER_FILE).is_file():
        return None
    text = (folder / ANSWER_FILE).read_bytes()
    taken = (path / ANSWER_FILE for path in _folders_in(root / ANSWERS))
    if any(path.is_file() and path.read_bytes() == text for path in taken):
        return None
    place = root / ANSWERS / folder.name
    while not _copy_folder(folder, place):
        place = next_kept(root / ANSWERS / folder.name)
    return place


def _folders_in(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if path.is_dir() and not path.name.startswith("."))


def _sessions(root: Path, records: Sequence[Path]) -> tuple[Path, ...]:
    return tuple(dict.fromkeys(root / "sessions" / _results(record)["session"] for record in records))


def _answers(root: Path) -> list[Path]:
    return [folder for folder in _folders_in(root / ANSWERS) if (folder / ANSWER_FILE).is_file()]


def _prepare_answers(root: Path, records: Sequence[Path]) -> None:
    """Give each record without an answer a form to answer in."""
    for record in records:
        results = _results(record)
        name = results["session"]
        if not any(f.name == name or f.name.startswith(f"{name}.") for f in _folders_in(root / ANSWERS)):
            prepare_answer(root, record, results)
