"""A shared zip opened into a workspace and run again: nothing of the owner's is overwritten, nothing of the sender's
is run."""

from __future__ import annotations

import contextlib
import math
import shutil
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import tomlkit

from tunelab.record.notebook import SET_BY_THE_RUN, NotebookError, choose_notebooks, find_notebooks, notebooks_folder
from tunelab.record.opened import open_session
from tunelab.record.place import folder_beside, next_kept, put_in_free_place, put_in_place, write_whole
from tunelab.record.session import Record, record_session
from tunelab.record.share import ANSWER_FILE, ANSWERS, prepare_answer
from tunelab.record.share.unpack import LOG, OpenError, disarm, foreign_problems, refuse, unpack
from tunelab.record.stored import RECORDS, RecordError, findings_of, read_results
from tunelab.workspace import open_usable, open_workspace
from tunelab.workspace.disk import copy_folder
from tunelab.workspace.session import leaves_folder

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


COLUMNS = ["what", "came", "made again"]
CLOSE = 1e-6  # share by which a number may differ: more than arithmetic on another processor makes, less than matters


@dataclass(frozen=True)
class Again:
    """A record made anew beside the one that came."""

    record: Record
    compared: int  # numbers compared: of findings and of tables
    differences: pd.DataFrame  # what, came, made, because

    @property
    def is_same(self) -> bool:
        """Whether every number came out the same."""
        return self.differences.empty


def run_again(came: Path, session: Path) -> Again:
    """Run a record's notebooks again with its parameters, on the cleaned log that came along.

    The new record takes the place of the one that came, which is kept beside it as `<record>.<n>`.

    Raises
    ------
    NotebookError, WorkspaceError, LoadError
        No notebook that this version has, a parameter that leads out of the workspace, or a log that cannot be read.
    """
    results = read_results(came)
    opened = open_session(session)
    names = [item["name"] for item in results["notebooks"]]
    here = {notebook.name for notebook in find_notebooks(notebooks_folder())}
    gone = [name for name in names if name not in here]
    if len(gone) == len(names):
        raise NotebookError(
            f"{came.name}: this tunelab has none of the notebooks that made it ({', '.join(gone) or 'none'}), so it "
            f"cannot be run again and stays as it came. It was made by tunelab {results['versions']['tunelab']}."
        )
    notebooks = choose_notebooks(notebooks_folder(), (), tuple(name for name in names if name in here))
    settings = {
        n.name: {
            key: value
            for key, value in results["parameters"].get(n.name, {}).items()
            if key not in SET_BY_THE_RUN and key in {p.name for p in n.parameters}
        }
        for n in notebooks
    }
    _refuse_paths_elsewhere(came.name, settings)
    record = record_session(opened, notebooks, settings, place=came)
    compared, differences = compare_records(_as_it_came(came, results) or record.kept or came, record.place)
    rows = [{"what": f"the notebook {name}", "came": "there", "made again": "not in this tunelab"} for name in gone]
    return Again(record, compared + len(gone), pd.concat([pd.DataFrame(rows, columns=COLUMNS), differences]))


def _refuse_paths_elsewhere(record: str, settings: Mapping[str, Mapping[str, Any]]) -> None:
    """Parameters that came along name sessions of the workspace, and nothing else of this computer."""
    for notebook, given in settings.items():
        for name, value in given.items():
            texts = [text for text in (value if isinstance(value, list) else [value]) if isinstance(text, str)]
            outside = [text for text in texts if leaves_folder(text) or text.startswith("~")]
            if outside:
                raise NotebookError(
                    f"{record}: the parameter {name} of the notebook {notebook} names {outside[0]!r}, which lies "
                    "outside the workspace, so it is not run again and stays as it came."
                )


def _as_it_came(place: Path, results: dict) -> Path | None:
    """Find where the record went that was there when the run began: another run may have taken its place meanwhile."""
    beside = [path for path in place.parent.iterdir() if path.name.startswith(f"{place.name}.")]
    kept = [path for path in beside if (path / "results.json").is_file()]
    for path in sorted(kept):
        with contextlib.suppress(RecordError):
            if read_results(path) == results:
                return path
    return None


def compare_records(came: Path, made: Path) -> tuple[int, pd.DataFrame]:
    """Hold all numbers of findings and tables of two records against each other."""
    rows: list[tuple[str, str, str]] = []
    compared = 0
    first, second = ({f["id"]: f for f in read_results(place)["findings"]} for place in (came, made))
    for name in sorted({*first, *second}):
        one, other = first.get(name, {}), second.get(name, {})
        for key in ("value", "lower", "upper", "status", "samples_used"):
            compared += 1
            if not _same(one.get(key), other.get(key)):
                rows.append((f"{name}, {key}", str(one.get(key)), str(other.get(key))))
    names = sorted({p.name for place in (came, made) for p in (place / "tables").glob("*.csv")})
    for name in names:
        count, more = _compare_tables(came / "tables" / name, made / "tables" / name)
        compared += count
        rows += more
    return compared, pd.DataFrame(rows, columns=COLUMNS)


def _compare_tables(one: Path, other: Path) -> tuple[int, list[tuple[str, str, str]]]:
    if not one.exists() or not other.exists():
        return 1, [
            (f"tables/{one.name}", "there" if one.exists() else "missing", "there" if other.exists() else "missing")
        ]
    first, second = pd.read_csv(one, dtype=object), pd.read_csv(other, dtype=object)
    if first.shape != second.shape:
        return 1, [(f"tables/{one.name}", f"{len(first)} rows", f"{len(second)} rows")]
    rows = []
    for column in first.columns.intersection(second.columns):
        off = [not _same(a, b) for a, b in zip(first[column], second[column], strict=True)]
        if any(off):
            at = off.index(True)
            text = f"tables/{one.name}, {column}, {sum(off)} of {len(off)} rows, first at row {at + 1}"
            rows.append((text, str(first[column].iloc[at]), str(second[column].iloc[at])))
    return first.size, rows


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, float) and math.isnan(one):
        one = None
    if isinstance(other, float) and math.isnan(other):
        other = None
    if one == other:
        return True
    try:
        return math.isclose(float(one), float(other), rel_tol=CLOSE, abs_tol=1e-9)
    except (TypeError, ValueError):
        return _is_word(one) and _is_word(other) and ("removed-" in str(one) or "removed-" in str(other))


def _is_word(value: Any) -> bool:
    return isinstance(value, str)
