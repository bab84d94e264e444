"""What other logs of a workspace say of a logger's columns: what one leaves open, another one may settle."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from tunelab.log.map.marks import settle_marks
from tunelab.log.map.match import Match
from tunelab.log.map.quantity import Form
from tunelab.log.map.recognise import match_columns
from tunelab.log.read import RawTable, ReadError, read_raw
from tunelab.workspace import Workspace

Seen = Mapping[str, tuple[Form, str]]  # column key -> the form, and the log in which it was settled
Recall = Callable[[RawTable], Seen]

_MOST_FILES = 8  # that are looked through, the latest sessions first


def recall_from(workspace: Workspace, path: Path) -> Recall:
    """Give a look at the other logs of a workspace, for one log that leaves columns open.

    Logs of the same logger have the same headings and units in the same order. Only what all of them that settle a
    column agree on counts. They are read when they are asked for, as most logs leave nothing open.
    """

    def recall(raw: RawTable) -> Seen:
        found: dict[str, set[Form]] = {}
        where: dict[str, str] = {}
        for other in _same_logger(workspace, path, raw):
            for match in match_columns(
                settle_marks(other, workspace.channel_map), workspace.channel_map, workspace.car
            ):
                if match.form is not None:
                    found.setdefault(match.column.key, set()).add(match.form)
                    where.setdefault(match.column.key, f"{other.path.parent.name}/{other.path.name}")
        return {key: (next(iter(forms)), where[key]) for key, forms in found.items() if len(forms) == 1}

    return recall


def take_remembered(raw: RawTable, matches: Sequence[Match], recall: Recall | None) -> list[Match]:
    """Settle open columns as other logs of the same logger have them, where that is one of the forms that fit."""
    if recall is None or all(match.sure != "open" for match in matches):
        return list(matches)
    seen = recall(raw)
    return [_as_seen(match, *seen[match.column.key]) if match.column.key in seen else match for match in matches]


def _as_seen(match: Match, form: Form, where: str) -> Match:
    if match.sure != "open" or form not in match.forms or match.column.marks or match.column.unit:
        return match
    why = f"no unit stated; {form} as in {where}, a log of the same logger"
    return replace(match, forms=(form,), sure="likely", why=why)


def _same_logger(workspace: Workspace, path: Path, raw: RawTable) -> Iterator[RawTable]:
    """Other logs of the workspace with the same columns."""
    columns = [(column.heading, column.unit) for column in raw.columns]
    files = [file for name in sorted(workspace.sessions, reverse=True) for file in workspace.sessions[name].files]
    for file in [file for file in files if file.resolve() != path.resolve()][:_MOST_FILES]:
        try:
            other = read_raw(file, workspace.channel_map)
        except ReadError:
            continue
        if [(column.heading, column.unit) for column in other.columns] == columns:
            yield other
