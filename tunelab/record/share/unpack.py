"""A zip from somebody else, unpacked with care and made harmless.

Nothing that comes out of a zip is ever run: `foreign` sees to what is inside the files. The record is made anew here.

Settings and logs go on to readers that run nothing. Pages and notebooks are kept to be read: a page behind a frame in
which no script runs and which leads nowhere, a notebook as plain text without outputs.
"""

from __future__ import annotations

import errno
import json
import re
import shutil
import stat
import struct
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from pathlib import Path, PurePosixPath
from urllib.parse import unquote

from tunelab.log.read.netcdf import HDF5, require_safe_hdf5
from tunelab.log.read.raw import ReadError
from tunelab.record.evidence import sha256

CRATE = "ro-crate-metadata.json"
KINDS = frozenset(
    {".html", ".ipynb", ".json", ".toml", ".csv", ".nc", ".gz", ".txt", ".tsv", ".tab", ".log", ".dat", ".asc"}
    | {".parquet", ".pq"}  # no MDF: what is shared of one is a table of its rows
)
WINDOWS_NAMES = re.compile(r"(?i)(?:con|prn|aux|nul|conin\$|conout\$|(?:com|lpt)[\d¹²³]) *(?:\..*)?")
COPIES = 3  # of a log, while a zip is opened
PACKED_AS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)  # the other kinds unpack without a bound on memory
CHUNK = 1 << 20


@dataclass(frozen=True)
class Bounds:
    """Most that a zip may hold."""

    files: int = 5000
    total_bytes: int = 2 << 30
    one_file_bytes: int = 1 << 30
    ratio: float = 100.0  # unpacked over packed size of all, where they unpack to more than always_bytes
    always_bytes: int = 32 << 20
    settings_bytes: int = 1 << 20  # all TOML files
    results_bytes: int = 1 << 20  # one results.json
    crate_bytes: int = 4 << 20  # one description of files


DAMAGED = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    zlib.error,
    NotImplementedError,
    OverflowError,
    RuntimeError,
    EOFError,
    LookupError,
    struct.error,
    ValueError,
)


class OpenError(ValueError):
    """A zip that is not opened; the message says every reason. Nothing was kept."""


def unpack(path: Path, folder: Path, bounds: Bounds = Bounds()) -> None:
    """Unpack a shared zip into an empty folder and hold every file against its hash.

    Parameters
    ----------
    path : Path
        The zip.
    folder : Path
        Exists and is empty; the caller removes it when this raises.
    bounds : Bounds
        Most that it may hold.

    Raises
    ------
    OpenError
        Not a zip, a name that leads out of the folder or that some computers cannot hold, a link, a kind of file that
        no record has, too many or too large, damaged, a file without a hash or with another one.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            entries = [entry for entry in archive.infolist() if not _is_folder(entry)]
            refuse(path, list(_problems(archive.infolist(), bounds, path.stat().st_size)))
            _require_room(path, entries, folder)
            _write_all(archive, entries, folder, bounds)
    except OpenError:
        raise
    except (*DAMAGED, OSError) as error:
        if isinstance(error, OSError) and error.errno != errno.EINVAL:  # that one: an offset before the file's start
            raise
        raise OpenError(f"{path.name}: this is no whole zip ({error}); was it cut off on its way?") from error
    _check_hashes(path, folder)


def refuse(path: Path, problems: list[str]) -> None:
    """Refuse a zip for these reasons, where there are any.

    Raises
    ------
    OpenError
        There is one.
    """
    if problems:
        raise OpenError(_message(path, problems))


def _is_folder(entry: zipfile.ZipInfo) -> bool:
    """As zipfile has it, but for an empty name, which is a file's and a wrong one."""
    return entry.filename.endswith("/")


def _message(path: Path, problems: list[str]) -> str:
    shown = problems[:20] + ([f"... and {len(problems) - 20} more"] if len(problems) > 20 else [])
    return (
        f"{path.name} was not opened:\n  " + "\n  ".join(shown) + "\nAsk its sender for a zip made by `tunelab share`."
    )


def _require_room(path: Path, entries: list[zipfile.ZipInfo], folder: Path) -> None:
    wanted, free = COPIES * sum(entry.file_size for entry in entries), shutil.disk_usage(folder).free
    if wanted > free:
        raise OpenError(
            f"{path.name} was not opened: it takes up to {wanted / 1e6:.1f} MB, and {free / 1e6:.1f} MB are free on "
            "this disk. Make room, or name a folder on another disk."
        )


def _problems(entries: list[zipfile.ZipInfo], bounds: Bounds, size: int) -> Iterator[str]:
    if len(entries) > bounds.files:
        yield f"{len(entries)} files; at most {bounds.files} are opened"
    yield from _size_problems(entries, bounds, size)
    folders = {str(folder) for entry in entries for folder in PurePosixPath(_alike(entry.filename)).parents}
    seen: dict[str, str] = {}
    for entry in entries:
        yield from _entry_problems(entry, bounds)
        name = _alike(entry.filename.rstrip("/"))
        if name in folders and not _is_folder(entry):
            yield f"{entry.filename!r}: a file and a folder at once"
        if name in seen:
            yield f"{entry.filename!r}: the same name as {seen[name]!r}"
        seen[name] = entry.filename


def _alike(name: str) -> str:
    """A name as a disk may see it that tells neither letter case nor the ways to write an accent apart."""
    return unicodedata.normalize("NFKC", name.casefold())


def _size_problems(entries: list[zipfile.ZipInfo], bounds: Bounds, size: int) -> Iterator[str]:
    """Hold what comes out against what is there: entries may lie on each other, so the file's own size counts too."""
    total, packed = sum(entry.file_size for entry in entries), sum(entry.compress_size for entry in entries)
    packed = min(packed, size)
    if total > bounds.total_bytes:
        yield f"{total / 1e6:.0f} MB unpacked; at most {bounds.total_bytes / 1e6:.0f} MB are opened"
    if total > max(bounds.always_bytes, bounds.ratio * packed):
        yield f"{total / max(packed, 1):.0f} times its packed size; at most {bounds.ratio:.0f} times are opened"
    settings = sum(entry.file_size for entry in entries if entry.filename.casefold().endswith(".toml"))
    if settings > bounds.settings_bytes:
        yield f"{settings / 1e6:.1f} MB of settings; at most {bounds.settings_bytes / 1e6:.1f} MB are opened"


def _entry_problems(entry: zipfile.ZipInfo, bounds: Bounds) -> Iterator[str]:
    raw, name = getattr(entry, "orig_filename", entry.filename), entry.filename
    kind = stat.S_IFMT(entry.external_attr >> 16)
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
        yield f"{name!r}: a link or a device, not a file"
    if entry.flag_bits & 0x1:
        yield f"{name!r}: encrypted"
    if wrong := _wrong_name(raw) or _wrong_name(name.rstrip("/")):
        yield f"{name!r}: {wrong}"
    elif not _is_folder(entry) and PurePosixPath(name).suffix.casefold() not in KINDS:
        yield f"{name!r}: a kind of file that no record holds"
    if entry.compress_type not in PACKED_AS:
        yield f"{name!r}: packed in a way that no record is"
    if entry.file_size > _most_bytes(name, bounds):
        yield f"{name!r}: {entry.file_size / 1e6:.1f} MB"


def _most_bytes(name: str, bounds: Bounds) -> int:
    if not name.casefold().endswith(".json"):
        return bounds.one_file_bytes
    return bounds.crate_bytes if PurePosixPath(name).name == CRATE else bounds.results_bytes


def _wrong_name(name: str) -> str:
    parts = name.rstrip("/").split("/")
    if "\\" in name or any(ord(letter) < 32 or ord(letter) == 127 for letter in name):
        return "a backslash or a control character in the name"
    if name.startswith(("/", "~")) or re.match(r"[A-Za-z]:", name):
        return "a path of its own instead of one inside the zip"
    if any(part in ("", ".", "..") for part in parts):
        return "leads out of its folder"
    if any(part.startswith(".") for part in parts):
        return "a hidden name"
    if any(part != part.rstrip(". ") or WINDOWS_NAMES.fullmatch(part) or set(part) & set('<>:"|?*') for part in parts):
        return "a name that some computers cannot hold"
    return "too long a name" if len(name) > 200 else ""


def _write_all(archive: zipfile.ZipFile, entries: list[zipfile.ZipInfo], folder: Path, bounds: Bounds) -> None:
    """Write every file, counting the bytes that really come out; what a zip says of its sizes may be false."""
    left = bounds.total_bytes
    for entry in entries:
        target = folder.joinpath(*entry.filename.split("/"))
        if not target.resolve().is_relative_to(folder.resolve()):
            raise OpenError(_message(Path(str(archive.filename)), [f"{entry.filename!r}: leads out of its folder"]))
        target.parent.mkdir(parents=True, exist_ok=True)
        size = 0
        with archive.open(entry) as source, open(target, "xb") as out:
            while piece := source.read(CHUNK):
                size += len(piece)
                if size > min(bounds.one_file_bytes, entry.file_size) or size > left:
                    raise OpenError(_message(Path(str(archive.filename)), [f"{entry.filename!r}: larger than it says"]))
                out.write(piece)
        left -= size


def _check_hashes(path: Path, folder: Path) -> None:
    stated = _stated_hashes(path, folder)
    problems = []
    names = {p.relative_to(folder).as_posix(): p for p in sorted(folder.rglob("*")) if p.is_file()}
    for name, file in names.items():
        if name == CRATE:
            continue
        if name not in stated:
            problems.append(f"{name!r}: not described in {CRATE}, so nothing says whether it is whole")
        elif sha256(file) != stated[name]:
            problems.append(f"{name!r}: its content is not what {CRATE} says (SHA-256)")
    problems += [f"{name!r}: described in {CRATE} and not there" for name in sorted(set(stated) - set(names))]
    refuse(path, problems)


def _stated_hashes(path: Path, folder: Path) -> dict[str, str]:
    try:
        graph = json.loads((folder / CRATE).read_text(encoding="utf-8"))["@graph"]
        files = [item for item in graph if item.get("@type") == "File" or "File" in item.get("@type", [])]
        return {unquote(str(item["@id"])).removeprefix("./"): str(item["sha256"]) for item in files}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        problem = f"{CRATE} is missing or does not give a hash for every file"
        raise OpenError(_message(path, [problem])) from error


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
