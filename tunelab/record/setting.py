"""Parameters given on the command line, checked against the notebook before anything runs."""

from __future__ import annotations

import ast
import math
from collections.abc import Mapping, Sequence

from tunelab.record.notebook import SET_BY_THE_RUN, Notebook, NotebookError, Parameter, Value, hint
from tunelab.record.opened import OpenedSession, open_session

SESSIONS = {
    "more_sessions": ("earlier",),
    "others": (),
    "compare_with": ("newest", "none"),
    "steady_session": ("newest", "none"),
    "coast_down": ("newest", "none"),
}
"""Parameters that name other sessions, each with the words that may stand instead of a name."""
WORDS = {"true": True, "yes": True, "false": False, "no": False}


def settings_for(notebooks: Sequence[Notebook], assignments: Sequence[str]) -> dict[str, dict[str, Value]]:
    """Read `NAME=VALUE` texts and give each notebook those that it takes.

    Returns
    -------
    dict
        For each notebook's name the parameters to set, in the type of the notebook's own default.

    Raises
    ------
    NotebookError
        A text without `=`, a name given twice or known to no notebook, a value of another type.
    """
    given = _split(assignments)
    known = {p.name for notebook in notebooks for p in notebook.parameters} - set(SET_BY_THE_RUN)
    for name in given:
        if name in SET_BY_THE_RUN:
            raise NotebookError(f"--set {name}: the command fills this one in itself.")
        if name not in known:
            names = ", ".join(notebook.name for notebook in notebooks)
            raise NotebookError(f"--set {name}: no such parameter in {names}; {hint(name, sorted(known))}")
    return {
        notebook.name: {p.name: read_value(p, given[p.name]) for p in notebook.parameters if p.name in given}
        for notebook in notebooks
    }


def require_sessions(opened: OpenedSession, settings: Mapping[str, Mapping[str, Value]]) -> None:
    """Find every other session that settings name, before anything runs.

    Raises
    ------
    NotebookError
        A name that is no session of the workspace, with the nearest one.
    """
    for given in settings.values():
        for parameter in sorted(set(given) & set(SESSIONS)):
            value = given[parameter]
            for name in value if isinstance(value, list) else [value]:
                if name not in SESSIONS[parameter] and not _is_session(opened, name):
                    known = [*SESSIONS[parameter], *opened.workspace.sessions]
                    raise NotebookError(f"--set {parameter}: there is no session {name!r}; {hint(str(name), known)}")


def _is_session(opened: OpenedSession, name: object) -> bool:
    if name in opened.workspace.sessions:
        return True
    try:
        return isinstance(name, str) and bool(open_session(name, beside=opened))
    except ValueError:
        return False


def _split(assignments: Sequence[str]) -> dict[str, str]:
    given: dict[str, str] = {}
    for text in assignments:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise NotebookError(f"--set {text}: wanted NAME=VALUE, such as --set seed=2.")
        if name.strip() in given:
            raise NotebookError(f"--set {name.strip()} is given twice.")
        given[name.strip()] = value.strip()
    return given


def read_value(parameter: Parameter, text: str) -> Value:
    """Read a value in the type of the parameter's default.

    Raises
    ------
    NotebookError
        The text is not of that type, or not a finite number.
    """
    kind = type(parameter.default)
    if kind is str:
        return text
    if kind is bool:
        return _read_word(parameter, text)
    try:
        value = ast.literal_eval(text)
    except (ValueError, SyntaxError) as error:
        raise _wrong(parameter, text) from error
    return _as_kind(parameter, value, text)


def _read_word(parameter: Parameter, text: str) -> bool:
    if text.lower() not in WORDS:
        raise _wrong(parameter, text)
    return WORDS[text.lower()]


def _as_kind(parameter: Parameter, value: Value, text: str) -> Value:
    kind = type(parameter.default)
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    if kind is float and is_number:
        return float(value)
    if kind is int and is_number and isinstance(value, int):
        return value
    if kind is list and isinstance(value, list):
        return value
    if parameter.default is None and (value is None or is_number):
        return value
    raise _wrong(parameter, text)


def _wrong(parameter: Parameter, text: str) -> NotebookError:
    wanted = {bool: "true or false", int: "a whole number", float: "a number", list: "a list such as [1, 2]"}
    kind = wanted.get(type(parameter.default), "a number or None")
    meaning = f" ({parameter.comment})" if parameter.comment else ""
    return NotebookError(f"--set {parameter.name}={text}: wanted {kind}{meaning}, such as {parameter.default!r}.")
