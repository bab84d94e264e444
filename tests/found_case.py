"""What must hold for any content of a log, a TOML file or a log's channels: shared by tests, corpus and fuzzer.

Each function takes raw bytes, does all that the kit does with such a file, and fails (an assertion or any error that is
not the kit's own) where a promise is broken. Times and memory are for the fuzzer to watch.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
import json
import shutil
import tempfile
import tomllib
import zipfile
from pathlib import Path

import numpy as np
import plain_gas
import xarray as xr
from plain_workspace import CAR, REVISION, SESSION, SESSION_NAME, write_workspace

from tunelab.channels import CHANNELS
from tunelab.cli import inspect as inspect_command
from tunelab.log.flag import flag_log, spans, summary
from tunelab.log.inspect import inspect_file, write_starting_map
from tunelab.log.map import MapError, map_raw
from tunelab.log.read import ReadError, read_raw
from tunelab.record.share import OpenError, is_blank, open_shared, read_answers, share_records
from tunelab.record.share.join import compare_records
from tunelab.workspace import ChannelMap, WorkspaceError, open_workspace

TOML_FILES = {
    "car": ("car.toml", CAR),
    "revision": ("revisions/r01.toml", REVISION),
    "session": (f"sessions/{SESSION_NAME}/session.toml", SESSION),
    "channels": (
        "channels.toml",
        '[[column]]\nname = "Speed"\nunit = "mph"\n[[file]]\nname = "*.csv"\ndecimal = ","\n',
    ),
}

SHARED_FILES = {
    "crate": "ro-crate-metadata.json",
    "results": f"records/{SESSION_NAME}/results.json",
    "described": f"sessions/{SESSION_NAME}/session.toml",
    "answer": f"answers/{SESSION_NAME}/answer.toml",
    "table": f"records/{SESSION_NAME}/tables/t.csv",
    "cleaned": f"records/{SESSION_NAME}/log.nc",
}


def is_plain(text: str) -> bool:
    """Whether a terminal shows the text as text: nothing in it is a command to it."""
    return all(character.isprintable() or character == "\n" for character in text)


def check_log(content: bytes, folder: Path) -> None:
    """Read, inspect, map and flag a file of this content."""
    path = folder / "log.csv"
    path.write_bytes(content)
    try:
        raw = read_raw(path)
    except ReadError:
        return
    assert raw.rows_in == raw.frame.height + sum(item.rows for item in raw.set_aside)
    shown = inspect_file(path, plain_gas.CAR, ChannelMap())
    assert is_plain("\n".join(inspect_command.show(shown)))
    tomllib.loads(write_starting_map([shown]).replace(" or ", " # or "))
    try:
        log = map_raw(raw, plain_gas.CAR, ChannelMap())
    except MapError:
        return
    [file] = json.loads(log.attrs["files"])
    assert file["rows_in"] == file["rows_kept"] + file["rows_set_aside"] == raw.rows_in
    assert file["rows_kept"] == log.sizes["time"]
    check_flags(log)


def check_flags(log: xr.Dataset) -> None:
    """Flag a log and ask it for its spans: nothing of it changes, and time runs on."""
    assert (np.diff(log["time"]) > 0).all()
    before = log.copy(deep=True)
    flagged = flag_log(log, plain_gas.CAR, plain_gas.SESSION, revision=plain_gas.REVISION)
    xr.testing.assert_identical(log, before)
    table, counts = spans(flagged), summary(flagged)
    assert (table["end_s"] >= table["start_s"]).all()
    assert counts["samples"].max() <= log.sizes["time"]


def check_toml(kind: str, content: bytes, folder: Path) -> None:
    """Open a workspace in which one file has this content."""
    write_workspace(folder)
    (folder / TOML_FILES[kind][0]).write_bytes(content)
    with contextlib.suppress(WorkspaceError):
        open_workspace(folder)


def check_shared(kind: str, content: bytes, folder: Path) -> None:
    """Open a zip of this content, or a right one in which one file has it; twice, the second time into what came."""
    path, root = folder / "shared.zip", folder / "theirs"
    path.write_bytes(content if kind == "zip" else shared_with(SHARED_FILES[kind], content))
    shutil.rmtree(root, ignore_errors=True)
    try:
        opened = open_shared(path, root)
    except (OpenError, WorkspaceError):
        assert not root.exists()
        assert [p.name for p in folder.iterdir() if p.name.startswith(".")] == []
        return
    open_shared(path, root)
    for record in opened.records:
        with contextlib.suppress(ValueError):  # a table that is none: the command says that it cannot be run again
            compare_records(record, record)
        with contextlib.suppress(ReadError):
            read_raw(opened.session_of(record) / "log.nc")
    for answer in opened.answers:
        is_blank(answer / "answer.toml")
    with contextlib.suppress(WorkspaceError):
        read_answers(root)


def shared_with(name: str, content: bytes) -> bytes:
    """A zip in which one file has another content and everything else, hashes too, is right."""
    files = shared_files() | {name: content}
    if name != "ro-crate-metadata.json":
        graph = [{"@id": n, "@type": "File", "sha256": hashlib.sha256(c).hexdigest()} for n, c in files.items()]
        files["ro-crate-metadata.json"] = json.dumps({"@graph": graph}).encode()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for key, text in files.items():
            archive.writestr(key, text)
    return packed.getvalue()


@functools.cache
def shared_files() -> dict[str, bytes]:
    """The smallest record that is shared, by name in its zip."""
    with tempfile.TemporaryDirectory() as folder:
        root = write_workspace(Path(folder) / "car")
        place = root / "records" / SESSION_NAME
        shutil.copytree(Path(__file__).parent / "data" / "records" / "now", place)
        zipped = share_records([place], Path(folder) / "shared.zip").path
        with zipfile.ZipFile(zipped) as archive:
            return {name: archive.read(name) for name in archive.namelist()}


def log_of_bytes(content: bytes) -> xr.Dataset:
    """Make a log of whatever bytes there are: channels, freshness, uneven steps, readings near limits."""
    head, body = content[:16].ljust(16, b"\0"), content[16:]
    names = list(CHANNELS)
    chosen = dict.fromkeys(names[byte % len(names)] for byte in head[:12])
    numbers = np.frombuffer(body, dtype=np.uint8).astype(float)
    rows = max(numbers.size // (len(chosen) + 1), 1)
    numbers = np.resize(numbers, (len(chosen) + 1, rows)) if numbers.size else np.zeros((len(chosen) + 1, 1))
    time = np.cumsum(0.001 + numbers[0] / 500 + np.where(numbers[0] == 255, 7.0, 0.0))
    data: dict[str, tuple] = {}
    for position, (name, values) in enumerate(zip(chosen, numbers[1:], strict=True)):
        known = CHANNELS[name]
        scaled = known.low + (known.high - known.low) * (values - 5) / 245
        data[name] = ("time", np.where(values == 254, np.nan, scaled))
        if head[12] >> (position % 8) & 1:
            data[f"{name}_fresh"] = ("time", (np.arange(rows) % 3 == 0).astype(np.int8))
    data["episode"] = ("time", np.cumsum(numbers[0] == 255).astype(np.int32))
    return xr.Dataset(data, {"time": time})
