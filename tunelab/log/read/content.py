"""The bytes of a file: opened read-only, unpacked, and brought to UTF-8 text with plain line ends."""

from __future__ import annotations

import codecs
import re
import zlib
from dataclasses import dataclass

import numpy as np

from tunelab.log.read.raw import MOST_PACKED, ReadError, most_unpacked

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


_PIECE = 1 << 18
_FIRST_PIECE = 1 << 12  # of a gzip member
_LINE_END, _RETURN = 10, 13
_TRUE_MINUS = "\N{MINUS SIGN}".encode()


@dataclass(frozen=True)
class Text:
    """File content as UTF-8 bytes with LF line ends."""

    data: bytes
    encoding: str  # as found in the file
    notes: tuple[str, ...]
    control: int | None  # bytes below 32, line ends among them; None: not counted
    joined: int = 0  # line ends inside headings, written as blanks: so much further down in the file are the data


def unpack_gzip(data: bytes) -> tuple[bytes, tuple[str, ...]]:
    """Unpack gzip content, one or several members; what a cut-off file still gives is kept, with a note.

    Raises
    ------
    ReadError
        Damaged from its start, or unpacking to more than 64 MB and 200 times its size.
    """
    parts: list[bytes] = []
    at, room = 0, most_unpacked(len(data))
    while data[at : at + 2] == b"\x1f\x8b":
        unpacker, size = zlib.decompressobj(wbits=31), _FIRST_PIECE
        try:
            while not unpacker.eof and at < len(data):  # in pieces: what follows a member would be copied for each one
                parts.append(unpacker.decompress(data[at : at + size], room + 1))
                at, size = min(at + size, len(data)) - len(unpacker.unused_data), min(4 * size, _PIECE)
                room -= len(parts[-1])
                if room < 0:
                    raise ReadError(
                        f"the gzip content unpacks to more than {MOST_PACKED} times its size, as no log does; unpack "
                        "it by hand and look at it before it is read."
                    )
        except zlib.error as error:
            if not b"".join(parts):
                raise ReadError(
                    f"the gzip content is damaged ({error}); copy the file from the logger again."
                ) from None
            return b"".join(parts), (f"the gzip content is damaged after {sum(map(len, parts))} bytes",)
        if not unpacker.eof:
            return b"".join(parts), ("the gzip file ends early; what could be unpacked was read",)
    return b"".join(parts), ()


def to_text(data: bytes) -> Text:
    """Decode a file's content and even out its line ends.

    Notes
    -----
    A byte order mark decides; without one, NUL bytes at every other place mean UTF-16. Otherwise UTF-8 where the
    bytes are valid UTF-8, else Windows-1252, whose few undefined bytes become U+FFFD. NUL bytes in every second line
    or more are padding and are taken out; fewer are left for the row check. Carriage returns by themselves end lines
    where they are the more frequent line end; a stray one is left for the row check. The minus sign of typesetting,
    U+2212, before a digit is the one on keyboards: programs set to Swedish, Norwegian or Finnish write it (the minus
    sign of these languages in the Unicode Common Locale Data Repository, from memory).
    """
    data, encoding = _unmarked(data)
    if data.find(codecs.BOM_UTF8[:1]) >= 0:  # quicker by its first byte
        data = data.replace(b"\n" + codecs.BOM_UTF8, b"\n")  # of files put one behind the other
    seen = _look_over(data)
    if seen.is_ascii is None:
        old, encoding = ("utf-8", encoding) if encoding else ("cp1252", "cp1252")
        data = data.decode(old, errors="replace").encode()
        seen = _look_over(data)
    if not seen.is_ascii and data.find(_TRUE_MINUS) >= 0:
        data = re.sub(_TRUE_MINUS + rb"(?=[.,]?[0-9])", b"-", data)
    encoding = encoding or ("ascii" if seen.is_ascii else "utf-8")
    data, notes = _without_padding(data) if seen.has_nul else (data, ())
    paired = _count_paired(data) if seen.has_return else 0
    if paired:
        data = data.replace(b"\r", b"")
    elif seen.has_return:
        data = _with_plain_line_ends(data)
    is_counted = not notes and (paired or not seen.has_return)
    return Text(data, encoding, notes, seen.control - paired if is_counted else None)


def _with_plain_line_ends(data: bytes) -> bytes:
    data = data.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n")
    return data.replace(b"\r", b"\n") if data.count(b"\r") > data.count(b"\n") else data


def _count_paired(data: bytes) -> int:
    """Count the carriage returns where a line end follows each of them, as in most files that hold any; else 0."""
    view = np.frombuffer(data, dtype=np.uint8)
    total = 0
    for start in range(0, len(data), _PIECE):
        piece = view[start : start + _PIECE + 1]
        returns = piece[:_PIECE] == _RETURN
        count = int(np.count_nonzero(returns))
        if np.count_nonzero(returns[: piece.size - 1] & (piece[1:] == _LINE_END)) != count:
            return 0
        total += count
    return total


def _unmarked(data: bytes) -> tuple[bytes, str]:
    """Give the bytes of one-byte codes and UTF-8 without their mark, others as UTF-8; and what marks or NULs tell."""
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            if encoding == "utf-8-sig":
                return data[len(mark) :], encoding
            return data.decode(encoding, errors="replace").encode(), encoding
    wide = _wide_encoding(data)
    return (data.decode(wide, errors="replace").encode(), wide) if wide else (data, "")


@dataclass(frozen=True)
class _Seen:
    """What stands in some bytes."""

    is_ascii: bool | None  # None: no UTF-8
    has_nul: bool
    has_return: bool
    control: int  # bytes below 32


def _look_over(data: bytes) -> _Seen:
    """Look at each piece once while the processor has it at hand; pieces of plain ASCII are not decoded."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    view = np.frombuffer(data, dtype=np.uint8)
    low = np.empty(_PIECE, dtype=bool)
    is_ascii: bool | None = True
    has_nul, has_return, control = False, False, 0
    try:
        for start in range(0, len(data), _PIECE):
            piece = view[start : start + _PIECE]
            control += int(np.count_nonzero(np.less(piece, 32, out=low[: piece.size])))
            lowest = piece.view(np.int8).min()  # below zero for bytes beyond ASCII
            has_nul = has_nul or (lowest <= 0 and data.find(b"\0", start, start + _PIECE) >= 0)
            has_return = has_return or data.find(b"\r", start, start + _PIECE) >= 0
            if lowest < 0 or decoder.getstate()[0]:
                is_ascii = False
                decoder.decode(piece.tobytes())
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        is_ascii = None
    return _Seen(is_ascii, has_nul, has_return, control)


def _wide_encoding(data: bytes) -> str:
    head = np.frombuffer(data[: 4096 // 2 * 2], dtype=np.uint8)
    if head.size < 4:
        return ""
    even, odd = np.mean(head[0::2] == 0), np.mean(head[1::2] == 0)
    if odd > 0.7 and even < 0.1:
        return "utf-16-le"
    if even > 0.7 and odd < 0.1:
        return "utf-16-be"
    return ""


def _without_padding(data: bytes) -> tuple[bytes, tuple[str, ...]]:
    lines = data.split(b"\n")
    with_text = [line for line in lines if line.strip(b"\0\r")]
    padded = sum(b"\0" in line for line in with_text)
    if padded < 0.5 * len(with_text) or len(with_text) < 4:
        return data, ()
    return data.replace(b"\0", b""), (f"NUL bytes pad {padded} lines and were taken out",)
