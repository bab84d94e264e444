"""One TOML file of the owner's, read against its model: a model, or every problem that stands in its way."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Generic, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from tunelab.workspace.disk import require_plain, say_reason
from tunelab.workspace.problem import (
    PLACEHOLDER_FOUND,
    KeyPath,
    Problem,
    WorkspaceError,
    home_of,
    known_keys,
    nearest,
    show_key,
    unit_of,
    wanted,
)
from tunelab.workspace.toml_lines import key_lines, line_of, tell_line

LARGEST = 128 * 1024  # bytes; many times what an owner writes by hand
MOST_PROBLEMS = 200  # of one file, named one by one
PLACEHOLDER = "fill in"  # what a template holds wherever only the owner knows the value

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True)
class Reading(Generic[Model]):
    """What one file gave.

    `partial` holds whatever was valid, None elsewhere, so that checks over several keys can still be made; it is None
    where the file could not be read at all. `problems` is empty exactly when `partial` is whole.
    """

    file: str
    partial: Model | None
    problems: tuple[Problem, ...]
    lines: dict[KeyPath, int] = field(default_factory=dict)
    content: dict[str, Any] = field(default_factory=dict)  # as parsed
    wrong: frozenset[KeyPath] = frozenset()  # keys that have a problem

    @property
    def whole(self) -> Model:
        """The model, where nothing is wrong with the file.

        Raises
        ------
        WorkspaceError
            The file has problems.
        """
        if self.partial is None or self.problems:
            raise WorkspaceError(self.file, self.problems)
        return self.partial

    def has(self, *path: str) -> bool:
        """Tell whether the file has this key, right or wrong."""
        content: Any = self.content
        for key in path:
            if not isinstance(content, dict) or key not in content:
                return False
            content = content[key]
        return True

    def has_problem(self, key: str) -> bool:
        """Tell whether anything in this table is wrong."""
        return any(path[:1] == (key,) for path in self.wrong)

    def problem(self, path: KeyPath, found: str, wanted: str, way_out: str = "") -> Problem:
        """Make a problem that stands at a key path of this file."""
        return Problem(self.file, line_of(self.lines, path), show_key(path), found, wanted, way_out)


def read_toml(path: Path, model: type[Model], name: str) -> Reading[Model]:
    """Read one TOML file against its model.

    Parameters
    ----------
    path : Path
        The file; opened for reading only.
    model : type
        The pydantic model of the whole file.
    name : str
        How messages call the file.
    """
    text = _text(path, name)
    if isinstance(text, Problem):
        return Reading(name, None, (text,))
    try:
        parsed: Reading[Model] = Reading(name, None, (), key_lines(text), tomllib.loads(text))
    except (ValueError, RecursionError) as error:  # wrong syntax, thousands of digits in a number, or deep nesting
        return Reading(name, None, (_syntax_problem(name, text, error),))
    try:
        return _validate(model, parsed)
    except RecursionError as error:
        return Reading(name, None, (_syntax_problem(name, text, error),))


def _text(path: Path, name: str) -> str | Problem:
    try:
        require_plain(path)
        with open(path, "rb") as file:
            content = file.read(LARGEST + 1)
    except OSError as error:
        way_out = "" if isinstance(error, FileNotFoundError) else say_reason(error)
        return Problem(name, None, "", error.strerror or str(error), "a file that can be read", way_out)
    if len(content) > LARGEST:
        way_out = "is it a log, or another file under this name?"
        return Problem(name, None, "", f"more than {LARGEST // 1024} kB", "a settings file written by hand", way_out)
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return Problem(name, None, "", "UTF-16 text", "UTF-8 text", "save the file with the encoding UTF-8")
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = f"the byte 0x{content[error.start]:02x}, which is not UTF-8"
        return Problem(name, line, "", found, "UTF-8 text", "save the file with the encoding UTF-8")


def _syntax_problem(name: str, text: str, error: Exception) -> Problem:
    if isinstance(error, tomllib.TOMLDecodeError):
        line, found, way_out = tell_line(text, str(error))
    elif isinstance(error, RecursionError):
        line, found, way_out = 1, "tables or lists nested too deeply", "nothing in these files is nested more than once"
    else:  # thousands of digits
        line, found, way_out = 1, str(error), "is it a settings file?"
    return Problem(name, line, "", found, "valid TOML", f"{way_out}; nothing after this place was looked at")


def _validate(model: type[Model], reading: Reading) -> Reading[Model]:
    content = reading.content
    blanks = _placeholders(content)
    problems = [reading.problem(path, PLACEHOLDER_FOUND, wanted(model, path)) for path in blanks[:MOST_PROBLEMS]]
    bad, left_blank = set(blanks), set(blanks)
    try:
        whole = model.model_validate(content, strict=True)
    except ValidationError as error:
        for item in error.errors(include_url=False, include_context=False):
            path = _path_in(content, item["loc"])
            if any(path[:length] in left_blank for length in range(len(path) + 1)):
                continue
            bad.add(path)
            if len(problems) < MOST_PROBLEMS:
                problems.append(_item_problem(reading, model, path, item))
        whole = None
    partial = whole if whole is not None and not bad else _construct(model, content, bad)
    problems.sort(key=lambda problem: problem.line or 0)
    if len(bad) > len(problems):
        found = f"{len(bad) - len(problems)} more problems"
        problems.append(Problem(reading.file, problems[-1].line, "", found, "the first ones put right"))
    return replace(reading, partial=partial, problems=tuple(problems), wrong=frozenset(bad))


def _placeholders(content: Any, above: KeyPath = ()) -> list[KeyPath]:
    if isinstance(content, str) and content.strip().casefold() == PLACEHOLDER:
        return [above]
    pairs = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    return [path for key, value in pairs for path in _placeholders(value, (*above, key))]


def _path_in(content: Any, location: KeyPath) -> KeyPath:
    """Cut from pydantic's location what is not a key of the file, such as the name of a union's branch."""
    path: KeyPath = ()
    for position, part in enumerate(location):
        is_last = position == len(location) - 1
        inside = part in content if isinstance(content, dict) else isinstance(content, list) and isinstance(part, int)
        if inside:
            content = content[part]
        elif not (is_last and isinstance(content, dict)):
            continue
        path += (part,)
    return path


def _item_problem(reading: Reading, model: type[BaseModel], path: KeyPath, item: Mapping[str, Any]) -> Problem:
    if item["type"] == "extra_forbidden":
        return _unknown_key(reading, model, path)
    if item["type"] == "missing":
        table = f"in [{show_key(path[:-1])}]" if len(path) > 1 else "at the top of the file"
        return reading.problem(path, "nothing", wanted(model, path), f"add the key {table}")
    found = _show(item["input"])
    if item["type"] == "literal_error":
        return _unknown_word(reading, path, item)
    if item["type"] == "value_error":
        return reading.problem(path, found, item["msg"].removeprefix("Value error, "))
    return reading.problem(path, found, wanted(model, path), _likely_cause(item))


def _unknown_key(reading: Reading, model: type[BaseModel], path: KeyPath) -> Problem:
    known = known_keys(model, path[:-1])
    key = str(path[-1])
    near, home = nearest(key, known), home_of(model, key)
    if home and len(path) > 1 and home != path[0]:
        way_out = f"it belongs in [{home}]"
    elif near:
        way_out = f"the nearest known key is {near}" + _unit_change(key, near)
    else:
        way_out = "known here: " + ", ".join(known)
    return reading.problem(path, "an unknown key", "a key that tunelab knows", way_out)


def _unknown_word(reading: Reading, path: KeyPath, item: Mapping[str, Any]) -> Problem:
    """Tell of a word that is none of the few that may stand there, with the nearest one."""
    choices = re.findall(r"'([^']*)'", item["msg"])
    wanted_words = ("one of " if len(choices) > 1 else "") + ", ".join(f'"{choice}"' for choice in choices)
    near = nearest(item["input"], choices) if isinstance(item["input"], str) else None
    way_out = f"the nearest is {near!r}" if near else _likely_cause(item)
    return reading.problem(path, _show(item["input"]), wanted_words, way_out)


def _unit_change(key: str, near: str) -> str:
    return f", in {unit_of(near)}" if unit_of(near) and unit_of(key) != unit_of(near) else ""


def _likely_cause(item: Mapping[str, Any]) -> str:
    value = item["input"]
    if (
        isinstance(value, str)
        and re.fullmatch(r"\s*-?\d+(?:[.,]\d+)?\s*\w*\s*", value)
        and "string" not in item["type"]
    ):
        return "write it without quotes and without a unit, with a dot as decimal mark"
    if isinstance(value, str) and "date" in item["type"]:
        return "write a date without quotes"
    if item["type"] in ("less_than_equal", "less_than", "greater_than_equal", "greater_than"):
        return "is it in the unit wanted?"
    return ""


def _show(value: Any) -> str:
    text = ("true" if value else "false") if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _construct(model: type[Model], content: dict[str, Any], bad: set[KeyPath]) -> Model:
    """Build what is valid; None stands wherever a value is missing or wrong."""
    values = {}
    for name, field_info in model.model_fields.items():
        below = {path[1:] for path in bad if path[:1] == (name,)}
        if name in content:
            values[name] = _construct_value(_table_of(field_info.annotation), content[name], below)
        else:
            values[name] = (
                None
                if field_info.is_required()
                else field_info.get_default(call_default_factory=True, validated_data={})
            )
    return model.model_construct(**values)


def _construct_value(table: type[BaseModel] | None, value: Any, bad: set[KeyPath]) -> Any:
    if table and isinstance(value, dict):
        return _construct(table, value, bad)
    if table and isinstance(value, list):
        inner: dict[Any, set[KeyPath]] = {}
        for path in bad:
            inner.setdefault(path[0] if path else None, set()).add(path[1:])
        return [_construct_value(table, entry, inner.get(place, set())) for place, entry in enumerate(value)]
    return None if bad else value


def _table_of(annotation: Any) -> type[BaseModel] | None:
    """Give the model that a field holds, alone, as a list of them or as one of several choices."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = (_table_of(argument) for argument in get_args(annotation))
    return next((table for table in inner if table), None)
