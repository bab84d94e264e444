"""The last look at a zip before it gets its name: every member is searched for everything that was to be taken out.

It reads the members in its own way and not in the cleaners': as a person would read them (texts of pages, figures,
notebooks, tables, attributes, names) for every row of the table of kinds, and byte by byte for the rest.
"""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
import json
import re
import tomllib
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from html.parser import HTMLParser
from pathlib import Path

from tunelab.record.share.clean_text import NUMBER, unpack_figure
from tunelab.record.share.kinds import Rule

PACKED = re.compile(r'<script type="application/gzip" data-figure[^>]*>([^<]+)</script>')
NUMBERS = re.compile(r'\\*"data\\*":\s*\\*"[A-Za-z0-9+/=]*\\*"|[A-Za-z0-9+/=]{40,}')  # packed in base64: no text
GZIP, PARQUET, HDF5 = b"\x1f\x8b", b"PAR1", b"\x89HDF"
DRAWN = ("style", "class", "d")  # attributes that hold a drawing or its look
CUTS = ";\t|,"  # what a raw log may part its cells with, the surest first


class LeakError(ValueError):
    """Something private is still there; nothing was written."""


def require_clean(packed: Path, rules: Sequence[Rule]) -> None:
    """Search every member of a zip, its name included.

    Raises
    ------
    LeakError
        Names every file in which something was found, and what.
    """
    found = []
    with zipfile.ZipFile(packed) as archive:
        for name in archive.namelist():
            held = _held(name, archive.read(name), rules)
            found += [f"{name}: {kind} ({text[:60]!r})" for kind, text in sorted(held.items())]
    if found:
        raise LeakError(
            "not shared, because something private would be left:\n  "
            + "\n  ".join(found)
            + "\nTake these files out of the record, or share with --keep-place if it is a position that may be seen."
        )


def _held(name: str, data: bytes, rules: Sequence[Rule]) -> dict[str, str]:
    """Kinds of private text that a member holds, each with one that was found."""
    read = dict.fromkeys([name, *(text for text in readings(name, data) if not NUMBER.fullmatch(text))])
    held = {rule.kind: text for rule in rules for text in _matches(rule, read)}
    in_bytes = [rule for rule in rules if rule.in_bytes]
    texts = list(_byte_texts(data))
    return held | {rule.kind: text for rule in in_bytes for text in _matches(rule, texts)}


def _matches(rule: Rule, texts: Sequence[str] | dict[str, None]) -> Iterator[str]:
    return (match.group() for text in texts for match in rule.pattern.finditer(text) if rule.holds(match))


def readings(name: str, data: bytes) -> Iterator[str]:
    """Give every text of a member as a person would come to read it."""
    if data.startswith(GZIP):
        yield from readings(name.removesuffix(".gz"), gzip.decompress(data))
    elif data.startswith(PARQUET):
        yield from _of_parquet(data)
    elif data.startswith(HDF5):
        yield from _of_netcdf(data)
    else:
        text = _decoded(data)
        ending = name.rpartition(".")[2]
        readers = {"html": _of_page, "json": _of_json, "ipynb": _of_json, "toml": _of_toml}
        is_raw = "/raw/" in name
        yield from _of_raw(text) if is_raw or ending not in (*readers, "csv") else readers.get(ending, _of_table)(text)


def _decoded(data: bytes) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


class _Page(HTMLParser):
    """Collects the texts, attributes and figures of a page; its own scripts and styles are none."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.texts: list[str] = []
        self._inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style"):
            self._inside = "figure" if dict(attrs).get("data-figure") else tag
        self.texts += [value for name, value in attrs if value and name not in DRAWN]

    def handle_endtag(self, tag: str) -> None:
        self._inside = "" if tag in ("script", "style") else self._inside

    def handle_data(self, data: str) -> None:
        if self._inside == "figure":
            self.texts += _of_json(unpack_figure(data.strip()))
        elif not self._inside:
            self.texts.append(data)

    def handle_comment(self, data: str) -> None:
        self.texts.append(data)


def _of_page(text: str) -> list[str]:
    page = _Page()
    page.feed(text)
    page.close()
    return page.texts


def _of_json(text: str) -> list[str]:
    return list(_leaves(json.loads(text)))


def _leaves(data: object) -> Iterator[str]:
    """Keys and texts within plain data, and within JSON that is itself a text there."""
    if isinstance(data, str):
        with contextlib.suppress(ValueError):
            if data[:1] in ("[", "{"):
                yield from _leaves(json.loads(data))
                return
        yield data
    elif isinstance(data, list):
        for item in data:
            yield from _leaves(item)
    elif isinstance(data, dict):
        packed = data.get("type") == "bytes"  # numbers of a figure
        for key, item in data.items():
            yield str(key)
            yield from () if packed and key == "data" else _leaves(item)


def _of_toml(text: str) -> list[str]:
    comments = re.findall(r"(?m)#[^\n\"']*$", text)
    return [*comments, *_leaves(json.loads(json.dumps(tomllib.loads(text), default=str)))]


def _of_table(text: str) -> list[str]:
    return [cell for row in csv.reader(io.StringIO(text)) for cell in row]


def _of_raw(text: str) -> list[str]:
    """Cells of a raw log; a line above its rows as a whole as well."""
    lines = text.splitlines()
    cut = max(CUTS, key=lambda mark: (sum(mark in line for line in lines), -CUTS.index(mark)))
    usual = Counter(line.count(cut) for line in lines).most_common(1)
    rows = [k for k, line in enumerate(lines) if line.count(cut) == usual[0][0]]
    above = lines[: rows[0]] if rows else lines
    return [*above, *(cell for line in lines for cell in line.split(cut))]


def _of_parquet(data: bytes) -> list[str]:
    import polars as pl

    frame = pl.read_parquet(io.BytesIO(data))
    words = [name for name in frame.columns if frame[name].dtype == pl.String]
    return [*frame.columns, *(text for name in words for text in frame[name].drop_nulls().unique().to_list())]


def _of_netcdf(data: bytes) -> list[str]:
    """Names, attributes and texts of every group and variable."""
    import h5py

    found: list[str] = []

    def look(name: str, thing: h5py.HLObject) -> None:
        found.append(name)
        for key, value in thing.attrs.items():
            text = value.decode("utf-8", "replace") if isinstance(value, bytes) else value
            found.extend([key, *(_leaves(text) if isinstance(text, str) else ())])
        if isinstance(thing, h5py.Dataset) and h5py.check_string_dtype(thing.dtype) and thing.size:
            found.extend({str(value) for value in thing.asstr(errors="replace")[...].ravel()})

    with h5py.File(io.BytesIO(data)) as file:
        look("", file)
        file.visititems(look)
    return found


def _byte_texts(data: bytes) -> Iterator[str]:
    """Every reading of a member's bytes in which a text could hide."""
    if data.startswith(GZIP):
        with contextlib.suppress(OSError, EOFError, zlib.error):
            yield from _byte_texts(gzip.decompress(data))
    text = data.decode("utf-8", "replace")
    for packed in PACKED.findall(text):
        yield NUMBERS.sub("", unpack_figure(packed.strip()))
    yield NUMBERS.sub("", text)
    if b"\0" in data[:4096]:
        yield data.decode("utf-16-le", "replace")
        yield data[1:].decode("utf-16-le", "replace")
        yield data.decode("latin-1")
