"""What is made of a log is made once: in memory while one answer is given, and in a folder for the runs after it.

By itself a function under `made_once` or `kept_once` runs as if it were not. Inside a block of `at_one_desk`, where
nobody changes a log or a result in place, a second call with the same log and the same settings gives the first
call's result; what `kept_once` made also goes into the desk's folder, under a key of all that it depends on. Files hold
numbers and text only, so reading one runs nothing; whoever removes them loses only the time to make them again.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import io
import json
import weakref
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

import numpy as np
import pandas as pd
import xarray as xr

P = ParamSpec("P")
R = TypeVar("R")
Write = Callable[[Path, bytes], object]


@dataclasses.dataclass
class _Desk:
    """What was made of the logs that are still in use, by the log's identity."""

    folder: Path | None
    stamp: str
    write: Write
    of_logs: dict[int, tuple[weakref.ref, dict]] = dataclasses.field(default_factory=dict)
    logs: dict[tuple, tuple[weakref.ref, Any]] = dataclasses.field(default_factory=dict)

    def of(self, log: xr.Dataset) -> dict:
        """What is known of a log; forgotten with the log itself, so that no desk holds a workspace in memory."""
        own = id(log)
        if own not in self.of_logs:
            self.of_logs[own] = (weakref.ref(log, lambda _: self.of_logs.pop(own, None)), {})
        return self.of_logs[own][1]


_desks: list[_Desk] = []


@contextmanager
def at_one_desk(folder: Path | None, stamp: str, write: Write) -> Iterator[None]:
    """Make everything once inside the block.

    Parameters
    ----------
    folder : Path or None
        Where fits are kept for later runs; None: nowhere.
    stamp : str
        Of the code and the packages that make them.
    write : callable
        Writes bytes to a path whole or not at all; an OSError, as on a read-only disk, is no reason to stop.
    """
    begin_desk(folder, stamp, write)
    try:
        yield
    finally:
        _desks.pop()


def begin_desk(folder: Path | None, stamp: str, write: Write) -> None:
    """Make everything once from here to the end of this process, as one that runs a record's notebook does."""
    _desks.append(_Desk(folder, stamp, write))


def shared_while_used(load: Callable[[Any, str], xr.Dataset]) -> Callable[[Any, str], xr.Dataset]:
    """Load a session's log, the second argument of the first one's, once at a desk for as long as anybody holds it."""

    @functools.wraps(load)
    def shared(workspace: Any, session: str) -> xr.Dataset:
        if not _desks:
            return load(workspace, session)
        logs, key = _desks[-1].logs, (load, id(workspace), session)
        known = logs[key][0]() if key in logs else None
        if known is None:
            known = load(workspace, session)
            logs[key] = (weakref.ref(known), workspace)  # the workspace too: its identity is one only while it lives
        return known

    return shared


def made_once(function: Callable[Concatenate[xr.Dataset, P], R]) -> Callable[Concatenate[xr.Dataset, P], R]:
    """Make what a function gives of a log, its first argument, once at a desk."""

    @functools.wraps(function)
    def once(log: xr.Dataset, /, *given: P.args, **named: P.kwargs) -> R:
        if not _desks:
            return function(log, *given, **named)
        return _remembered(function, log, given, named, lambda: function(log, *given, **named))

    return once


def kept_once(function: Callable[Concatenate[xr.Dataset, P], R]) -> Callable[Concatenate[xr.Dataset, P], R]:
    """The same, and keep it in the desk's folder under the name of the log's session."""

    @functools.wraps(function)
    def once(log: xr.Dataset, /, *given: P.args, **named: P.kwargs) -> R:
        if not _desks:
            return function(log, *given, **named)
        make = functools.partial(_looked_up, _desks[-1], function, log, given, named)
        return _remembered(function, log, given, named, make)

    return once


def _remembered(function: Callable, log: xr.Dataset, given: tuple, named: dict, make: Callable[[], Any]) -> Any:
    arguments = (*given, *sorted(named.items()))
    key = (function, *(item if isinstance(item, (str, float, int)) else id(item) for item in arguments))
    known = _desks[-1].of(log)
    if key not in known:
        found = make()
        if isinstance(found, np.ndarray):
            found.flags.writeable = False  # who wants to change it shall copy it
        known[key] = (found, arguments)  # the arguments too: an identity is one only while its owner lives
    return known[key][0]


def _is_plain(name: str) -> bool:
    """Whether a name leads into no other folder on any system: a stored log may come from somebody else."""
    return name not in ("", ".", "..") and not set(name) & set("/\\:\0")


def _looked_up(desk: _Desk, function: Callable, log: xr.Dataset, given: tuple, named: dict) -> Any:
    session = str(log.attrs.get("session", ""))
    if desk.folder is None or not _is_plain(session):
        return function(log, *given, **named)
    name = function.__name__.strip("_")
    path = desk.folder / f"{session}.{name}.npz"
    about = [desk.stamp, name, content_of(log), _as_text([*given, *sorted(named.items())])]
    key = hashlib.sha256("\x00".join(about).encode()).hexdigest()
    kept = read_kept(path, key)
    if kept is not None:
        return kept[0]
    found = function(log, *given, **named)
    try:
        desk.folder.mkdir(parents=True, exist_ok=True)
        desk.write(path, as_kept(key, found))
    except OSError:  # a disk that takes no file
        pass
    return found


def content_of(log: xr.Dataset) -> str:
    """Digest of every number and note of a log."""
    if not _desks:
        return _content_of(log)
    return _remembered(_content_of, log, (), {}, lambda: _content_of(log))


def _content_of(log: xr.Dataset) -> str:
    content = hashlib.sha256(_as_text(log.attrs).encode())
    for name, values in sorted(log.variables.items()):
        content.update(f"{name} {values.dtype} {values.shape} {_as_text(values.attrs)}".encode())
        content.update(np.ascontiguousarray(values.to_numpy()).data)
    return content.hexdigest()


def _as_text(content: Any) -> str:
    """Settings as text: tables of the owner's by their own JSON, arrays as lists."""

    def plain(value: Any) -> Any:
        if hasattr(value, "model_dump_json"):
            return value.model_dump_json()
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return dataclasses.asdict(value)
        return dict(sorted(value.items())) if isinstance(value, Mapping) else np.asarray(value).tolist()

    return json.dumps(dict(content) if isinstance(content, Mapping) else content, default=plain)


def as_kept(key: str, value: Any) -> bytes:
    """A value of numbers, texts, arrays, tables, logs, and dataclasses of the kit's made of them, as a file's bytes.

    Raises
    ------
    TypeError
        It holds something else.
    """
    arrays: list[np.ndarray] = []
    form = json.dumps({"key": key, "value": _packed(value, arrays)})
    out = io.BytesIO()
    parts: dict[str, Any] = {f"a{number}": array for number, array in enumerate(arrays)}
    np.savez(out, form=np.frombuffer(form.encode(), np.uint8), **parts)
    return out.getvalue()


def read_kept(path: Path, key: str) -> tuple[Any] | None:
    """What a file holds under this key, alone in a tuple; None where there is none or it cannot be read."""
    try:
        with np.load(path, allow_pickle=False) as kept:
            form = json.loads(kept["form"].tobytes())
            return (_unpacked(form["value"], kept),) if form["key"] == key else None
    except (OSError, ValueError, EOFError, KeyError, TypeError, AttributeError, ImportError, zipfile.BadZipFile):
        return None


def _packed(value: Any, arrays: list[np.ndarray]) -> Any:
    def pack(item: Any) -> Any:
        return _packed(item, arrays)

    if value is None or type(value) in (bool, int, float, str):
        return value
    if isinstance(value, (np.ndarray, np.generic)) and value.dtype != object:
        arrays.append(np.asarray(value))
        return {"is": "array" if isinstance(value, np.ndarray) else "scalar", "of": f"a{len(arrays) - 1}"}
    if type(value) in (list, tuple):
        return {"is": type(value).__name__, "of": [pack(item) for item in value]}
    if type(value) is dict:
        return {"is": "dict", "of": [[pack(name), pack(item)] for name, item in value.items()]}
    if isinstance(value, pd.DataFrame) and value.index.equals(pd.RangeIndex(len(value))):
        columns = [[pack(name), str(value[name].dtype), pack(_column(value[name]))] for name in value.columns]
        return {"is": "table", "rows": len(value), "of": columns}
    if isinstance(value, xr.Dataset):
        parts = [[n, list(v.dims), pack(v.to_numpy()), pack(dict(v.attrs))] for n, v in value.variables.items()]
        return {"is": "log", "coords": list(value.coords), "attrs": pack(dict(value.attrs)), "of": parts}
    if dataclasses.is_dataclass(value) and type(value).__module__.startswith("tunelab."):
        of = {item.name: pack(getattr(value, item.name)) for item in dataclasses.fields(value)}
        return {"is": "made", "by": [type(value).__module__, type(value).__name__], "of": of}
    raise TypeError(f"a {type(value).__name__} cannot be kept.")


def _column(values: pd.Series) -> Any:
    return values.to_numpy() if isinstance(values.dtype, np.dtype) and values.dtype != object else values.tolist()


def _unpacked(form: Any, arrays: Mapping[str, np.ndarray]) -> Any:
    if not isinstance(form, dict):
        return form
    kind, of = form["is"], form["of"]

    def unpack(item: Any) -> Any:
        return _unpacked(item, arrays)

    if kind in ("array", "scalar"):
        return arrays[of] if kind == "array" else arrays[of][()]
    if kind in ("list", "tuple"):
        return (list if kind == "list" else tuple)(unpack(item) for item in of)
    if kind == "dict":
        return {unpack(name): unpack(item) for name, item in of}
    if kind == "table":
        columns = {unpack(name): pd.Series(unpack(values), dtype=dtype) for name, dtype, values in of}
        return pd.DataFrame(columns, index=pd.RangeIndex(form["rows"]))
    if kind == "log":
        parts = {name: (dims, unpack(values), unpack(attrs)) for name, dims, values, attrs in of}
        coords = {name: parts.pop(name) for name in form["coords"]}
        return xr.Dataset(parts, coords, unpack(form["attrs"]))
    module, name = form["by"]
    made = getattr(import_module(module), name) if module.startswith("tunelab.") else None
    if not isinstance(made, type) or not dataclasses.is_dataclass(made):
        raise ValueError(f"{module}.{name} is no result of the kit's.")
    return made(**{field: unpack(item) for field, item in of.items()})
