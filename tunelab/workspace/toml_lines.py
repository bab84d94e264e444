"""Where each key of a TOML file stands, so that a message can give its line."""

from __future__ import annotations

import tomllib
from bisect import bisect_left
from collections.abc import Iterator

from tunelab.workspace.problem import KeyPath

LONGEST_STATEMENT = 400  # lines; a longer array is not searched further, its key then has no line
MOST_WORK = 3_000_000  # characters tried in all, far more than a file by hand asks for; what comes after has no line
WORK_OF_A_TRY = 200  # characters that the start of a try is worth


def key_lines(text: str) -> dict[KeyPath, int]:
    """Find the line, counted from one, on which each table and key begins.

    Parameters
    ----------
    text : str
        A TOML document that parses. Of one that does not, the lines that could be read are given.

    Returns
    -------
    dict
        Key path, entries of arrays counted from zero, to line. Items inside an array of plain values have no line.
    """
    table: KeyPath = ()
    lines: dict[KeyPath, int] = {}
    for number, source, content in _statements(text):
        if source.startswith("["):
            table = _header_path(content, source.startswith("[["), lines)
            lines.setdefault(table, number)
        else:
            for path in _paths(content):
                lines.setdefault(table + path, number)
    return lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Line of a key path, or of the nearest table above it; None where not even that is known."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _statements(text: str) -> Iterator[tuple[int, str, dict]]:
    rows = text.split("\n")
    start, left = 0, MOST_WORK
    while start < len(rows) and left > 0:
        content, length, left = _one_statement(rows, start, left)
        if content:
            yield start + 1, rows[start].strip(), content
        start += length


def _one_statement(rows: list[str], start: int, left: int) -> tuple[dict, int, int]:
    """Take rows until they parse; gives the content, the number of rows, and the work that is left to be done."""
    for length in range(1, min(LONGEST_STATEMENT, len(rows) - start) + 1):
        source = "\n".join(rows[start : start + length])
        left -= WORK_OF_A_TRY + len(source)
        try:
            return tomllib.loads(source), length, left
        except tomllib.TOMLDecodeError:
            if left <= 0:
                break
    return {}, 1, left


def _header_path(content: dict, is_entry: bool, lines: dict[KeyPath, int]) -> KeyPath:
    names = list(_header_names(content))
    path: KeyPath = ()
    for name in names[:-1]:
        path += (name,)
        last = _entries(path, lines)
        path += (last - 1,) if last else ()
    path += (names[-1],)
    return (*path, _entries(path, lines)) if is_entry else path


def _header_names(content: dict) -> Iterator[str]:
    while content:
        name, below = next(iter(content.items()))
        yield name
        content = below[0] if isinstance(below, list) else below


def _entries(path: KeyPath, lines: dict[KeyPath, int]) -> int:
    """Count the entries of an array; they are numbered without a gap."""
    step = 1
    while (*path, step - 1) in lines:
        step *= 2
    return bisect_left(range(step), True, key=lambda count: (*path, count) not in lines)


def _paths(content: dict | list, above: KeyPath = ()) -> Iterator[KeyPath]:
    pairs = content.items() if isinstance(content, dict) else enumerate(content)
    for key, value in pairs:
        if isinstance(content, dict) or isinstance(value, dict):
            yield (*above, key)
        if isinstance(value, dict | list):
            yield from _paths(value, (*above, key))
