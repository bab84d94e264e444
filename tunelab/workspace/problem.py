"""What is wrong with a workspace: file, line, key, what stands there, what is wanted, the way out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

KeyPath = tuple[str | int, ...]


@dataclass(frozen=True)
class Problem:
    """One thing that the owner has to put right."""

    file: str  # relative to the workspace
    line: int | None  # None where there is no one line to point at
    key: str  # such as "exclude no. 2: start_s"; empty where the whole file is meant
    found: str
    wanted: str
    way_out: str = ""

    def __str__(self) -> str:
        place = self.file + (f", line {self.line}" if self.line else "") + (f": {self.key}" if self.key else "")
        way_out = f"\n    {self.way_out}" if self.way_out else ""
        return f"{place}\n    found {self.found}; wanted {self.wanted}{way_out}"


class WorkspaceError(ValueError):
    """A workspace that cannot be used as it stands; `problems` holds every one, over all files.

    Problems that are only placeholders left to fill in come as a list of their own, after the mistakes.
    """

    def __init__(self, place: str, problems: Iterable[Problem]):
        self.place = place
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__(_message(place, self.problems))

    def __reduce__(self):
        return type(self), (self.place, self.problems)


PLACEHOLDER_FOUND = "a placeholder"


def show_key(path: KeyPath) -> str:
    """Write a key path as its owner reads it: `exclude no. 2: start_s`, counted from one."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f" no. {part + 1}"
        elif text:
            text += (": " if " no. " in text else ".") + part
        else:
            text = part
    return text


def _message(place: str, problems: Sequence[Problem]) -> str:
    mistakes = [problem for problem in problems if problem.found != PLACEHOLDER_FOUND]
    blanks = [problem for problem in problems if problem.found == PLACEHOLDER_FOUND]
    parts = []
    if mistakes:
        parts.append(f"{place}: {_count(mistakes, 'problem')} to put right.")
        parts += [str(problem) for problem in mistakes]
    if blanks:
        parts.append(f"{place}: {_count(blanks, 'value')} still to fill in.")
        parts += [_blank_line(problem) for problem in blanks]
    return "\n".join(parts)


def _count(items: Sequence[Problem], noun: str) -> str:
    return f"{len(items)} {noun}{'' if len(items) == 1 else 's'}"


def _blank_line(problem: Problem) -> str:
    line = f", line {problem.line}" if problem.line else ""
    way_out = f" ({problem.way_out})" if problem.way_out else ""
    return f"  {problem.file}{line}: {problem.key}: {problem.wanted}{way_out}"
