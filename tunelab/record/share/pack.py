"""One zip that holds everything a helper needs, what is private taken out, described as an RO-Crate."""

from __future__ import annotations

import datetime
import json
import platform
import re
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import tomlkit
import xarray as xr
from rocrate.rocrate import ROCrate

from tunelab.log.store import read_log, write_log
from tunelab.record.chapter import write_table
from tunelab.record.evidence import gather_evidence
from tunelab.record.history import shelf_page, with_neighbours
from tunelab.record.opened import OpenedSession
from tunelab.record.place import folder_beside, put_in_free_place
from tunelab.record.results import add_file, add_licence, add_tool, write_crate
from tunelab.record.share import ANSWERS, read_answers
from tunelab.record.share.clean_log import box_of, clean_log, clean_raw, turned_at
from tunelab.record.share.clean_text import clean_csv, clean_json_text, clean_notebook, clean_page, clean_toml
from tunelab.record.share.kinds import Rule
from tunelab.record.share.private import Box, Scrubber, rules_for
from tunelab.record.share.proof import require_clean
from tunelab.record.share.unpack import CRATE
from tunelab.record.stored import StoredRecord, read_record
from tunelab.workspace import SESSIONS_FOLDER, SessionFolder, Workspace, find_workspace, open_usable
from tunelab.workspace.session import SESSION_FILE


def write_whole_crate(content: Path, results: Sequence[Mapping[str, Any]], car: str) -> None:
    """Describe every file under a folder in `ro-crate-metadata.json`; crates of single records stay beside it."""
    finished = max(item["timestamps"]["finished"] for item in results)
    crate = ROCrate()
    crate.name = f"{car}: {len(results)} {'record' if len(results) == 1 else 'records'}"
    crate.description = "Records of drive sessions with what it takes to run them again; what is private was taken out."
    crate.license = add_licence(crate)
    crate.datePublished = datetime.datetime.fromisoformat(finished)
    for path in sorted(content.rglob("*")):
        if path.is_file():
            add_file(crate, content, path)
    crate.root_dataset["mentions"] = add_tool(crate, results[0]["versions"])
    crate.metadata.write(content)


REMOVED = "removed.csv"
FIRST = "index.html"  # page of the zip, and of each record
TO_FIRST = f"../../{FIRST}"
MOMENT = (1980, 1, 1, 0, 0, 0)  # the same in every zip, so that the same content gives the same file
CLEANERS = {
    ".html": clean_page,
    ".ipynb": clean_notebook,
    ".json": clean_json_text,
    ".toml": clean_toml,
    ".csv": clean_csv,
}


class ShareError(ValueError):
    """What cannot be shared as it is; the message says why and the way out."""


@dataclass(frozen=True)
class Wanted:
    """What is to go along."""

    keep_place: bool = False
    hide_names: bool = False
    raw: bool = False


@dataclass(frozen=True)
class Shared:
    """A zip that was written."""

    path: Path
    records: tuple[str, ...]  # as they are called inside
    removed: pd.DataFrame  # kind, instead, file, times; goes along
    originals: dict[str, str] = field(repr=False)  # what each word stands for; stays here
    doubts: dict[str, str] = field(default_factory=dict)  # words that may stand for something else: how it was written


def share_records(records: Sequence[Path], target: Path, wanted: Wanted = Wanted()) -> Shared:
    """Write one zip with these records and what it takes to run them again.

    Parameters
    ----------
    records : sequence of Path
        Folders of records of one workspace.
    target : Path
        The zip; must not exist yet.
    wanted : Wanted
        Whether place and position stay, names go, raw logs go along.

    Raises
    ------
    ShareError
        No such record, records of several workspaces, or a file in which something private would be left.
    """
    if target.exists():
        raise ShareError(f"{target} exists already and stays as it is; name another with --out.")
    root = find_workspace(records[0])
    workspace = open_usable(root)
    places = [Path(folder).absolute() for folder in records]
    with folder_beside(target.absolute()) as beside:
        content = beside / "content"
        content.mkdir()
        with _unchanged(places):
            found = [read_record(place, workspace) for place in places]
            scrubber = Scrubber(
                _rules(workspace, found, wanted), keeps_position=wanted.keep_place, hides_names=wanted.hide_names
            )
            _lay_out(content, workspace, found, scrubber, wanted)
        _zip(content, beside / "whole.zip")
        require_clean(beside / "whole.zip", scrubber.rules)
        if not put_in_free_place(beside / "whole.zip", target.absolute()):
            raise ShareError(f"{target} was made meanwhile and stays as it is; name another with --out.")
    names = tuple(scrubber.text(record.name, "names") for record in found)
    return Shared(target, names, removed_table(scrubber), scrubber.originals, scrubber.doubts)


@contextmanager
def _unchanged(places: Sequence[Path]) -> Iterator[None]:
    """Refuse a zip of records that were made anew while it was put together: it would hold files of two runs."""
    before = _folders_at(places)
    try:
        yield
    finally:
        now = _folders_at(places)
        changed = [place.name for place in places if now[place] != before[place]]
        if changed:
            raise ShareError(f"{', '.join(changed)} was recorded anew meanwhile; share again.")


def _folders_at(places: Sequence[Path]) -> dict[Path, int | None]:
    """Which folder stands in each place; None where none does."""
    return {place: place.stat().st_ino if place.exists() else None for place in places}


def _rules(workspace: Workspace, found: Sequence[StoredRecord], wanted: Wanted) -> list[Rule]:
    sessions = [folder.session for folder in workspace.sessions.values()]
    names = _people(workspace) if wanted.hide_names else []
    places = [] if wanted.keep_place else [session.place for session in sessions if session.place.strip()]
    names += _texts_left_out(workspace, "driver") if wanted.hide_names else []
    places += [] if wanted.keep_place else _texts_left_out(workspace, "place")
    folders = [workspace.root.absolute(), Path.home()]
    boxes = [] if wanted.keep_place else _boxes(found)
    rules = rules_for(places, names, folders, boxes, computer=platform.node())
    return [rule for rule in rules if not (wanted.keep_place and rule.kind == "position")]


def _texts_left_out(workspace: Workspace, key: str) -> list[str]:
    """Give what a key holds in the sessions that cannot be used as they stand: it may be spoken of elsewhere."""
    paths = (workspace.root / SESSIONS_FOLDER / name / SESSION_FILE for name in workspace.unusable)
    texts = [path.read_text(encoding="utf-8", errors="replace") for path in paths if path.is_file()]
    found = [value for text in texts for value in re.findall(rf'^\s*{key}\s*=\s*"([^"\n]+)"', text, re.MULTILINE)]
    return [value for value in found if value.strip()]


def _people(workspace: Workspace) -> list[str]:
    """Everybody whom the workspace names: drivers, who left spans out, who entered a revision, who answered."""
    sessions = [folder.session for folder in workspace.sessions.values()]
    answers = read_answers(workspace.root)
    revisions = [*workspace.revisions.values(), *(given.proposal for given in answers if given.proposal)]
    names = [*(session.driver for session in sessions), *(item.author for s in sessions for item in s.exclude)]
    names += [*(revision.entered_by or "" for revision in revisions), *(given.answer.author for given in answers)]
    return [name for name in dict.fromkeys(names) if name.strip()]


def _boxes(found: Sequence[StoredRecord]) -> list[Box]:
    logs = sorted({path for record in found for path in record.place.parent.glob("[!.]*/log.nc")})
    boxes = [box_of(read_log(path)) for path in logs]
    return [box for box in boxes if box is not None]


def _lay_out(
    content: Path, workspace: Workspace, found: Sequence[StoredRecord], scrubber: Scrubber, wanted: Wanted
) -> None:
    names = ["car.toml", "channels.toml", *(f"revisions/{name}.toml" for name in workspace.revisions)]
    for name in names:
        if (workspace.root / name).exists():
            _copy(workspace.root / name, content, name, scrubber)
    names = ["", *(record.name for record in sorted(found, key=lambda r: (r.date, r.name))), ""]
    for record in found:
        place = names.index(record.name)
        _copy_record(content, record, scrubber, wanted, beside=(names[place - 1], names[place + 1]))
        _copy_session(content, record, scrubber, wanted)
        _copy_answer(content, workspace.root, record, scrubber)
    own = {record.session for record in found}
    for name in sorted({name for record in found for name in drawn_on(record, workspace)} - own):
        _copy_beside(content, workspace, name, scrubber, wanted)
    records = sorted(found, key=lambda record: (record.date, record.name))
    first = clean_page(shelf_page(workspace, records, (), shared=True), scrubber, FIRST)
    (content / FIRST).write_text(first, encoding="utf-8", newline="\n")
    write_table(content / REMOVED, removed_table(scrubber))
    write_whole_crate(content, [record.results for record in found], scrubber.text(workspace.car.name, "names"))


def _copy(
    source: Path, content: Path, name: str, scrubber: Scrubber, change: Callable[[str], str] = lambda text: text
) -> None:
    """Clean one file into its place, changed before where it has to be; its name is cleaned as well."""
    clean_name = scrubber.text(name, "names")
    target = content / clean_name
    target.parent.mkdir(parents=True, exist_ok=True)
    cleaner = CLEANERS.get(source.suffix)
    if cleaner is None:
        raise ShareError(f"{source}: a record holds no file of this kind; take it out of the record's folder first.")
    cleaned = cleaner(change(source.read_text(encoding="utf-8")), scrubber, clean_name)
    target.write_text(cleaned, encoding="utf-8", newline="\n")


def _copy_record(
    content: Path, record: StoredRecord, scrubber: Scrubber, wanted: Wanted, *, beside: tuple[str, str]
) -> None:
    """Clean a record into its place; its first page leads to the zip's, and to the records `beside` it in there."""
    base = f"records/{record.name}"
    for path in sorted(record.place.rglob("*")):
        name = path.relative_to(record.place).as_posix()
        if path.is_symlink():
            raise ShareError(f"{path} is a link; a record that goes out holds only files of its own.")
        if path.is_dir() or name == CRATE or path.name.startswith("."):
            continue
        if name == "log.nc":
            target = scrubber.text(f"{base}/{name}", "names")
            (content / target).parent.mkdir(parents=True, exist_ok=True)
            write_log(clean_log(read_log(path), scrubber, target, keep_place=wanted.keep_place), content / target)
        elif name == FIRST:
            _copy(path, content, f"{base}/{name}", scrubber, lambda page: with_neighbours(page, TO_FIRST, *beside))
        else:
            _copy(path, content, f"{base}/{name}", scrubber)
    place = content / scrubber.text(base, "names")
    results = json.loads((place / "results.json").read_text(encoding="utf-8"))
    write_crate(place, results, scrubber.text(results["session"], "names"))


def drawn_on(record: StoredRecord, workspace: Workspace) -> list[str]:
    """Names of other sessions that a record's numbers rest on, by its inputs and its parameters."""
    paths = [str(item["path"]) for item in record.results.get("inputs", [])]
    values = [value for given in record.results.get("parameters", {}).values() for value in given.values()]
    texts = [text for value in values for text in (value if isinstance(value, list) else [value])]
    parts = {part for text in (*paths, *texts) if isinstance(text, str) for part in text.split("/")}
    return [name for name in workspace.sessions if name in parts and name != record.session]


def _copy_beside(content: Path, workspace: Workspace, name: str, scrubber: Scrubber, wanted: Wanted) -> None:
    """Put in a session that a record draws on: its cleaned log, so that the record can be run again."""
    folder = workspace.sessions[name]
    stored = workspace.root / "records" / name / "log.nc"
    log = read_log(stored) if stored.exists() else gather_evidence(OpenedSession(workspace, folder)).log
    base = scrubber.text(f"sessions/{name}", "names")
    (content / base).mkdir(parents=True, exist_ok=True)
    write_log(clean_log(log, scrubber, f"{base}/log.nc", keep_place=wanted.keep_place), content / base / "log.nc")
    text = tomlkit.parse(_session_text(folder, log, scrubber, wanted))
    text["files"] = ["log.nc"]
    text.pop("clock", None)  # that log is on one clock
    cleaned = clean_toml(tomlkit.dumps(text), scrubber, f"{base}/session.toml")
    (content / base / "session.toml").write_text(cleaned, encoding="utf-8", newline="\n")


def _copy_session(content: Path, record: StoredRecord, scrubber: Scrubber, wanted: Wanted) -> None:
    folder = record.folder
    base = f"sessions/{folder.name}"
    target = content / scrubber.text(f"{base}/session.toml", "names")
    target.parent.mkdir(parents=True, exist_ok=True)
    path = record.place / "log.nc"
    text = _session_text(folder, read_log(path) if path.exists() else None, scrubber, wanted)
    target.write_text(clean_toml(text, scrubber, f"{base}/session.toml"), encoding="utf-8", newline="\n")
    if wanted.raw:
        _copy_raw(content, record, scrubber, wanted)


def _copy_raw(content: Path, record: StoredRecord, scrubber: Scrubber, wanted: Wanted) -> None:
    """Put in the raw logs, cleaned unless everything may be seen."""
    folder = record.folder
    columns = json.loads(read_log(record.place / "log.nc").attrs.get("columns", "[]"))
    boxes = None if wanted.keep_place else _boxes([record])
    for path in folder.files:
        channels = {c["column"]: c["channel"] for c in columns if c["file"] == path.name}
        name = scrubber.text(f"sessions/{folder.name}/raw/{path.relative_to(folder.path).as_posix()}", "names")
        (content / name).parent.mkdir(parents=True, exist_ok=True)
        copy = clean_raw(path, channels, scrubber, boxes)
        (content / f"{name}{copy.ending}").write_bytes(copy.data)


def _session_text(folder: SessionFolder, log: xr.Dataset | None, scrubber: Scrubber, wanted: Wanted) -> str:
    """Text of session.toml without its place, and with the moments at which the car was turned round instead."""
    content = tomlkit.parse((folder.path / "session.toml").read_text(encoding="utf-8-sig"))
    if wanted.keep_place:
        return tomlkit.dumps(content)
    if folder.session.place:
        scrubber.note("place", "place of session.toml", f"sessions/{folder.name}/session.toml")
        content["place"] = ""
    turns = turned_at(log) if log is not None and not folder.session.turned_at_s else []
    line = f"turned_at_s = {turns}  # from the positions, which were taken out before sharing\n" if turns else ""
    return line + tomlkit.dumps(content)


def _copy_answer(content: Path, root: Path, record: StoredRecord, scrubber: Scrubber) -> None:
    """Put in the answers that were given to this record; a form that nobody filled in stays here."""
    for given in read_answers(root):
        if given.answer.record == record.session:
            for path in sorted(given.folder.glob("*.toml")):
                _copy(path, content, f"{ANSWERS}/{given.folder.name}/{path.name}", scrubber)


def removed_table(scrubber: Scrubber) -> pd.DataFrame:
    """What was removed: kind, what stands instead, file, how many times. The files' names are cleaned too."""
    rows = [(kind, word, scrubber.text(where, "names"), n) for (kind, word, where), n in list(scrubber.removed.items())]
    table = pd.DataFrame(rows, columns=["kind", "instead", "file", "times"])
    return table.groupby(["kind", "instead", "file"], as_index=False, sort=True)["times"].sum()


def _zip(content: Path, target: Path) -> None:
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for path in sorted(content.rglob("*")):
            if path.is_file():
                entry = zipfile.ZipInfo(path.relative_to(content).as_posix(), MOMENT)
                entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o100644 << 16
                archive.writestr(entry, path.read_bytes())
