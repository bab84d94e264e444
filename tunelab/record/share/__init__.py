"""A record as one file to give away, what is private taken out; such a file opened again; and answers that came
back."""

from __future__ import annotations

import datetime
import shutil
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from tunelab.lazy import load_when_asked
from tunelab.workspace.car import Table
from tunelab.workspace.problem import WorkspaceError
from tunelab.workspace.revision import Revision
from tunelab.workspace.toml_file import PLACEHOLDER, read_toml

# Loaded when asked for: answers that came back are read by the workspace's history, which runs no record again.
_PLACES = {
    "OpenError": "unpack",
    "ShareError": "pack",
    "Wanted": "pack",
    "open_shared": "join",
    "run_again": "join",
    "share_records": "pack",
}
__all__ = (*_PLACES, "read_answers")
__getattr__, __dir__ = load_when_asked(__name__, _PLACES)


ANSWERS = "answers"
ANSWER_FILE = "answer.toml"
PROPOSAL_FILE = "proposal.toml"
HEAD = """\
# An answer to the record {record}. Fill in who and when, write a note where you have one, delete the rest.
# If you would enter other values than proposed, change them in proposal.toml beside this file.
# Then send it back: tunelab share records/{record}

record = "{record}"
author = "{blank}"
date = "{blank}"  # the day of the answer, without quotes, such as 2026-05-04
"""
NOTE = """
[[note]]
finding = "{id}"  # {title}: {status}
text = ""
"""


class Note(Table):
    """What somebody says of one finding."""

    finding: str  # its id; empty: the record as a whole
    text: str


class Answer(Table):
    """Everything `answer.toml` holds."""

    record: str
    author: Annotated[str, Field(min_length=1)]
    date: datetime.date
    note: list[Note] = Field(default_factory=list)


@dataclass(frozen=True)
class GivenAnswer:
    """One answer as it lies in the workspace."""

    folder: Path
    answer: Answer
    proposal: Revision | None  # with the helper's changes; None where none came along

    @property
    def notes(self) -> tuple[Note, ...]:
        """The notes that say something."""
        return tuple(note for note in self.answer.note if note.text.strip())


def prepare_answer(root: Path, record: Path, results: Mapping[str, Any]) -> Path:
    """Write a form to answer a record in, with the record's proposal beside it; returns its folder."""
    folder = root / ANSWERS / results["session"]
    folder.mkdir(parents=True)
    notes = [
        NOTE.format(id=_plain(f["id"]), title=_plain(f["title"]), status=_plain(f["status"]))
        for f in results["findings"]
    ]
    text = HEAD.format(record=_plain(results["session"]), blank=PLACEHOLDER) + "".join(notes)
    (folder / ANSWER_FILE).write_text(text, encoding="utf-8", newline="\n")
    if (record / PROPOSAL_FILE).is_file():
        shutil.copyfile(record / PROPOSAL_FILE, folder / PROPOSAL_FILE)
    return folder


def _plain(text: object) -> str:
    """A text without what would end a TOML string or a comment."""
    return "".join(letter for letter in str(text) if letter.isprintable() and letter not in '"\\')


def read_answers(root: Path) -> list[GivenAnswer]:
    """Read every answer of a workspace, the oldest first; forms that nobody has filled in are left out.

    Raises
    ------
    WorkspaceError
        Answers that were begun and cannot be read; lists every problem.
    """
    given, problems = [], []
    for path in sorted((root / ANSWERS).glob(f"*/{ANSWER_FILE}")):
        if is_blank(path):
            continue
        name = path.relative_to(root).as_posix()
        reading = read_toml(path, Answer, name)
        proposal = path.parent / PROPOSAL_FILE
        name = f"{path.parent.name}/{PROPOSAL_FILE}"
        revision = read_toml(proposal, Revision, name) if proposal.is_file() else None
        problems += [*reading.problems, *(revision.problems if revision else ())]
        if not reading.problems and not (revision and revision.problems):
            given.append(GivenAnswer(path.parent, reading.whole, revision.whole if revision else None))
    if problems:
        raise WorkspaceError(root.name or str(root), problems)
    return sorted(given, key=lambda answer: (answer.answer.date, answer.folder.name))


def is_blank(path: Path) -> bool:
    """Whether a form is still as it was made: nobody has signed it."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig")).get("author") == PLACEHOLDER
    except (OSError, ValueError, RecursionError):
        return False
