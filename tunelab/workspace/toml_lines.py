"""Where each key of a TOML file stands, so that a message can give its line."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator

from tunelab.workspace.problem import KeyPath

LONGEST_STATEMENT = 400  # lines; a longer array is not searched further, its key then has no line


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
    start = 0
    while start < len(rows):
        content, length = _one_statement(rows, start)
        if content:
            yield start + 1, rows[start].strip(), content
        start += length


def _one_statement(rows: list[str], start: int) -> tuple[dict, int]:
    for length in range(1, min(LONGEST_STATEMENT, len(rows) - start) + 1):
        try:
            return tomllib.loads("\n".join(rows[start : start + length])), length
        except tomllib.TOMLDecodeError:
            continue
    return {}, 1


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
    count = 0
    while (*path, count) in lines:
        count += 1
    return count


def _paths(content: dict | list, above: KeyPath = ()) -> Iterator[KeyPath]:
    pairs = content.items() if isinstance(content, dict) else enumerate(content)
    for key, value in pairs:
        if isinstance(content, dict) or isinstance(value, dict):
            yield (*above, key)
        if isinstance(value, dict | list):
            yield from _paths(value, (*above, key))
