"""What came in a zip from somebody else, made harmless: it lies only where a shared record has files, and nothing acts.

Settings and logs go on to readers that run nothing. Pages and notebooks are kept to be read: a page behind a frame in
which no script runs and which leads nowhere, a notebook as plain text without outputs.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterator
from html import escape
from pathlib import Path, PurePosixPath

from tunelab.log.read.hdf5 import HDF5, require_safe_hdf5
from tunelab.log.read.raw import ReadError

LOG = "log.nc"
_AT_THE_TOP = frozenset({"car.toml", "index.html", "channels.toml", "removed.csv", "ro-crate-metadata.json"})
_KINDS = {  # of files that `tunelab share` puts into each folder, log.nc besides
    "records": {".html", ".ipynb", ".json", ".toml", ".csv"},
    "revisions": {".toml"},
    "answers": {".toml"},
    "sessions": {".toml"},
    "raw": {".csv", ".tsv", ".tab", ".txt", ".log", ".dat", ".asc", ".gz", ".parquet", ".pq"},
}
_ELSEWHERE_READ = (HDF5, b"CDF", b"MDF ", b"UnFinMF ")  # contents for which another reader would be taken
_ELSEWHERE = re.compile(r"\b(?:https?|wss?|ftp):", re.IGNORECASE)  # a browser may ask before it reads the policy
_LONGEST_SETTINGS = 1 << 17
_KEY = rb"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')"""
_DEEP_KEY = re.compile(rb"(?<![\w-])" + _KEY + rb"(?:[ \t]*+\.[ \t]*+" + _KEY + rb"){16}")
NOTICE = (
    "This came in a zip from someone else, and nothing in it runs: no script, no picture from elsewhere, no link. "
    "Only what your own tunelab makes of the log is yours."
)
_FRAME = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:; \
form-action 'none'; base-uri 'none'">
<title>From someone else: {name}</title>
<style>body {{ margin: 0; font: 1rem/1.5 sans-serif }} p {{ margin: 0; padding: 0.8rem 1rem; background: #fff3cd; \
color: #222 }} iframe {{ border: 0; width: 100%; height: 90vh }}</style></head>
<body><p>{notice}</p>
<iframe sandbox title="{name}, as it came" srcdoc="{page}"></iframe></body></html>
"""


def foreign_problems(content: Path) -> Iterator[str]:
    """Say what lies where no shared record has a file, or is not what its name says.

    Parameters
    ----------
    content : Path
        Folder with what came out of a zip.
    """
    for path in sorted(path for path in content.rglob("*") if path.is_file()):
        name = path.relative_to(content).as_posix()
        if not _has_a_place(PurePosixPath(name)):
            yield f"{name!r}: no shared record has such a file there"
        elif path.name == LOG:
            yield from _log_problems(path, name)
        elif _begins(path).startswith(_ELSEWHERE_READ):
            yield f"{name!r}: its content is of another kind than its name says"
        elif path.suffix == ".toml" and _takes_for_ever(path.read_bytes()):
            yield f"{name!r}: keys within keys, or a length, that no settings have"


def _has_a_place(name: PurePosixPath) -> bool:
    if len(name.parts) == 1:
        return name.name in _AT_THE_TOP
    folder = name.parts[0]
    if folder == "sessions" and len(name.parts) > 3 and name.parts[2] == "raw":
        folder = "raw"
    if name.name == LOG:
        return folder in ("records", "sessions") and len(name.parts) == 3
    return name.suffix in _KINDS.get(folder, ()) or (folder == "raw" and name.suffix.casefold() in _KINDS["raw"])


def _log_problems(path: Path, name: str) -> Iterator[str]:
    if not _begins(path).startswith(HDF5):
        yield f"{name!r}: no netCDF-4 file, which every log in a shared record is"
        return
    try:
        require_safe_hdf5(path, path.stat().st_size)
    except ReadError as error:
        yield f"{name!r}: {error}"
    except (OSError, ValueError, RuntimeError, KeyError) as error:
        yield f"{name!r}: a damaged netCDF file ({error})"


def _takes_for_ever(settings: bytes) -> bool:
    """Whether reading it as TOML would take minutes: readers go through a key once for each key that it stands in."""
    return len(settings) > _LONGEST_SETTINGS or _DEEP_KEY.search(settings) is not None


def _begins(path: Path) -> bytes:
    """First bytes of a file, unpacked where it is gzip."""
    with open(path, "rb") as handle:
        head = handle.read(4096)
    if not head.startswith(b"\x1f\x8b"):
        return head
    try:
        return zlib.decompressobj(wbits=31).decompress(head, 64)
    except zlib.error:
        return b""


def disarm(content: Path) -> None:
    """Put every page and notebook that came along into a form in which nothing of it runs."""
    for path in sorted(path for path in content.rglob("*") if path.is_file()):
        if path.suffix == ".html":
            page = _ELSEWHERE.sub("nowhere:", path.read_bytes().decode("utf-8", "replace"))
            framed = _FRAME.format(name=escape(path.stem), notice=escape(NOTICE), page=escape(page))
            path.write_text(framed, encoding="utf-8", newline="\n")
        elif path.suffix == ".ipynb":
            path.write_text(json.dumps(_as_text(path), ensure_ascii=False, indent=1), encoding="utf-8", newline="\n")


def _as_text(path: Path) -> dict:
    """A notebook's cells as plain text, which no notebook program runs or draws."""
    try:
        cells = json.loads(path.read_bytes())["cells"]
        texts = ["".join(cell["source"]) for cell in cells]
    except (ValueError, KeyError, TypeError, RecursionError):
        texts = ["(no notebook could be read here)"]
    cells = [
        {"cell_type": "raw", "id": f"came-{k}", "metadata": {}, "source": str(text)}
        for k, text in enumerate([NOTICE, *texts])
    ]
    return {"cells": cells, "metadata": {}, "nbformat": 4, "nbformat_minor": 5}
