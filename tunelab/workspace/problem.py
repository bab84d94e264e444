"""What is wrong with a workspace, and what a key of the owner's files wants, in words."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from pydantic import BaseModel

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

    def __reduce__(self) -> tuple[Any, ...]:
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


UNIT_OF_SUFFIX = {
    "_c": "°C",
    "_deg": "° of crankshaft",
    "_g_min": "g/min",
    "_hz": "Hz",
    "_kg": "kg",
    "_kg_h": "kg/h",
    "_kg_l": "kg/l",
    "_kg_m2": "kg·m²",
    "_km_h": "km/h",
    "_kpa": "kPa",
    "_l": "l",
    "_m": "m",
    "_m2": "m²",
    "_m_s": "m/s",
    "_mj_kg": "MJ/kg",
    "_mm": "mm",
    "_ms": "ms",
    "_n": "N",
    "_n_s2_m2": "N·s²/m²",
    "_n_s_m": "N·s/m",
    "_pct": "%",
    "_rpm": "rpm",
    "_s": "s",
    "_s_kg_h": "s·kg/h",
    "_v": "V",
}


def unit_of(key: str) -> str:
    """Unit that the end of a key's name states; empty for a key without a unit."""
    ends = [suffix for suffix in UNIT_OF_SUFFIX if key.endswith(suffix)]
    return UNIT_OF_SUFFIX[max(ends, key=len)] if ends else ""


def wanted(model: type[BaseModel], path: KeyPath) -> str:
    """Describe what belongs at a key path: `a number above 0 and at most 30 [l]`."""
    schema = _schema(model)
    node = _node(schema, path)
    unit = unit_of(next((part for part in reversed(path) if isinstance(part, str)), ""))
    return _describe(schema, node) + (f" [{unit}]" if unit else "")


def known_keys(model: type[BaseModel], path: KeyPath) -> list[str]:
    """Keys that the table at a key path may hold."""
    schema = _schema(model)
    return list(_node(schema, path).get("properties", {}))


def nearest(name: str, known: list[str]) -> str | None:
    """Nearest known name, or None where none is near."""
    folded = {candidate.casefold(): candidate for candidate in known}
    found = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None


def home_of(model: type[BaseModel], key: str) -> str | None:
    """Table in which a key of this name belongs, or None where no table has it."""
    schema = _schema(model)
    for name in schema.get("properties", {}):
        if key in _node(schema, (name,)).get("properties", {}):
            return name
    return None


@cache
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema()


def _node(schema: dict[str, Any], path: KeyPath) -> dict[str, Any]:
    node = _plain(schema, schema)
    for part in path:
        below = node.get("items", {}) if isinstance(part, int) else _child(node, part)
        node = _plain(schema, below)
    return node


def _child(node: dict[str, Any], key: str) -> dict[str, Any]:
    values = node.get("additionalProperties", {})
    return node.get("properties", {}).get(key, values if isinstance(values, dict) else {})


def _plain(schema: dict[str, Any], node: dict[str, Any]) -> dict[str, Any]:
    """Follow a reference, and of `something or nothing` take the something: TOML has no nothing."""
    if "anyOf" in node:
        node = next(option for option in node["anyOf"] if option.get("type") != "null")
    if "$ref" in node:
        node = schema["$defs"][node["$ref"].rsplit("/", 1)[-1]]
    return node


def _describe(schema: dict[str, Any], node: dict[str, Any]) -> str:
    if "enum" in node:
        return "one of " + ", ".join(f'"{value}"' for value in node["enum"])
    if "const" in node:
        return f'"{node["const"]}"'
    kind = node.get("type")
    if kind in ("number", "integer"):
        return ("a whole number" if kind == "integer" else "a number") + _bounds(node)
    if kind == "array":
        return _describe_list(schema, node)
    if kind == "string":
        return _describe_text(node)
    if kind == "object":
        return "a table" + (f" with {', '.join(node['required'])}" if node.get("required") else "")
    return "true or false" if kind == "boolean" else "a value"


def _bounds(node: dict[str, Any]) -> str:
    words = {"exclusiveMinimum": "above", "minimum": "at least", "exclusiveMaximum": "below", "maximum": "at most"}
    parts = [f"{word} {node[key]:g}" for key, word in words.items() if key in node]
    return " " + " and ".join(parts) if parts else ""


def _describe_list(schema: dict[str, Any], node: dict[str, Any]) -> str:
    items = _plain(schema, node.get("items", {}))
    least = f" of {node['minItems']} or more" if node.get("minItems") else ""
    most = f", at most {node['maxItems']}" if "maxItems" in node else ""
    return f"a list{least}{most}, each {_describe(schema, items)}"


def _describe_text(node: dict[str, Any]) -> str:
    if node.get("format") == "date":
        return "a date without quotes, such as 2026-05-03"
    if "pattern" in node:
        return "a name of letters, digits, dot, dash and underscore, in quotes"
    return "text in quotes" if not node.get("minLength") else "text in quotes, not empty"
