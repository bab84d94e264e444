"""Read one file of any known format, whole or while it is still being written.

Nothing of a dialect is decided here: the beginning goes through `find_layout`, and the rows that follow are read by
`read_delimited` with that layout, below the lines that stood above the first of them.
"""

from __future__ import annotations

import codecs
import os
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tunelab.log.read.content import unpack_gzip
from tunelab.log.read.delimited import even_text, read_delimited
from tunelab.log.read.dialect import Layout, find_layout
from tunelab.log.read.netcdf import read_netcdf
from tunelab.log.read.parts import HEADING_AGAIN
from tunelab.log.read.raw import THIS_FILE, RawTable, ReadError, Source, start_digest
from tunelab.log.read.typed import read_mdf, read_parquet
from tunelab.workspace.channel_map import ChannelMap, FileRule
from tunelab.workspace.disk import require_plain, say_reason

_FORMATS = (
    (b"PAR1", "Parquet"),
    (b"\x89HDF\r\n\x1a\n", "netCDF"),
    (b"CDF", "netCDF"),
    (b"MDF     ", "MDF"),
    (b"UnFinMF ", "MDF"),
)
_REFUSED = (
    (b"PK\x03\x04", "a zip archive or spreadsheet workbook; unpack it, or save the sheet as CSV"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet workbook; save the sheet as CSV"),
    (b"%PDF", "a PDF; export the log itself"),
    (b"BZh", "a bzip2 archive; unpack it or pack it with gzip"),
    (b"7z\xbc\xaf", "a 7z archive; unpack it or pack it with gzip"),
)


_NOTHING = b"\0\r\n\t "


def read_raw(path: Path, channel_map: ChannelMap | None = None) -> RawTable:
    """Read a log file as it stands: text of any dialect, plain or gzip, Parquet, netCDF or ASAM MDF 4.

    Parameters
    ----------
    path : Path
        The file; opened for reading only. What it is is found from its content, not its name.
    channel_map : ChannelMap or None
        The owner's `channels.toml`, of which only `[[file]]` is used here.

    Returns
    -------
    RawTable
        Every row kept or set aside with a reason.

    Raises
    ------
    ReadError
        The file cannot be read as a log.
    """
    path = Path(path)
    try:
        require_plain(path)
        raw = path.read_bytes()
    except OSError as error:
        raise ReadError(f"{path}: {say_reason(error)}") from error
    rule = channel_map.file_rule(path.name) if channel_map else None
    try:
        table = _read(raw, path, rule)
    except ReadError as error:
        raise ReadError(f"{path.name}: {error}".replace(THIS_FILE, path.name)) from error
    return replace(table, digest=start_digest(raw))  # not sooner: the reader takes all processors, mapping takes one


def find_format(data: bytes) -> str:
    """Tell by its first bytes which format a file has: "Parquet", "netCDF", "MDF", or empty for text.

    Raises
    ------
    ReadError
        It is something else that is no log.
    """
    for mark, what in _REFUSED:
        if data.startswith(mark):
            raise ReadError(f"this is {what}.")
    return next((name for mark, name in _FORMATS if data.startswith(mark)), "")


def _read(raw: bytes, path: Path, rule: FileRule | None) -> RawTable:
    data, compression = raw, "none"
    notes: tuple[str, ...] = ()
    if raw[:2] == b"\x1f\x8b":
        data, notes = unpack_gzip(raw)
        compression = "gzip"
    if not data[:4096].strip(_NOTHING) and not data.strip(_NOTHING):
        raise ReadError("the file is empty; was the logger still writing when it was copied?")
    source = Source(path, compression, notes)
    format_name = find_format(data)
    if format_name == "Parquet":
        return read_parquet(data, source)
    if format_name == "netCDF":
        return read_netcdf(data, source)
    if format_name == "MDF":
        return read_mdf(data, source)
    return read_delimited(data, source, rule)


PIECE = 1 << 22  # bytes that are taken in at one look
LONGEST_ROW = 1 << 20  # bytes; no logger writes a longer one
CHECKED = 64  # bytes before the place reached that must still stand there: else it is another log
_WIDE = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


class NotYetError(ReadError):
    """What stands in the file is not enough of a log yet; the message says what is missing."""


@dataclass(frozen=True)
class Beginning:
    """How a log begins."""

    lead: bytes  # all that stands above its first row, as written
    lines: int  # lines in it
    layout: Layout
    line_end: bytes  # one, two or four bytes long


def find_beginning(data: bytes, rule: FileRule | None) -> Beginning:
    """Find how a log begins from what stands in it so far.

    Parameters
    ----------
    data : bytes
        The file's content up to the end of its last whole line, or all of it.
    rule : FileRule or None
        What the owner says of the file.

    Raises
    ------
    NotYetError
        No table shows yet; more rows may make one.
    """
    line_end = find_line_end(data)
    whole = data[: len(data) - len(data) % len(line_end)]
    text = even_text(whole)
    try:
        layout = find_layout(text.data, headings=rule.headings if rule else (), decimal=rule.decimal if rule else None)
    except ReadError as error:
        raise NotYetError(str(error).replace(THIS_FILE, "the log's name")) from error
    lines = layout.data + text.joined
    ends = line_ends(whole, line_end)
    if lines > ends.size:
        raise NotYetError("its heading is not whole yet.")
    return Beginning(whole[: int(ends[lines - 1]) if lines else 0], lines, layout, line_end)


def require_growing_text(data: bytes) -> None:
    """Refuse a file that is no text written row by row, by how it begins.

    Raises
    ------
    ReadError
        It is packed, or of a format that is written whole.
    """
    if data[:2] == b"\x1f\x8b":
        raise ReadError("this is packed with gzip. A log that is still written is plain text; unpack an ended one.")
    name = find_format(data)
    if name:
        raise ReadError(
            f"this is {name}, which cannot be read while it is written. Wanted: delimited text, such as CSV."
        )


def find_line_end(data: bytes) -> bytes:
    """How lines end in a file, found from its beginning: one byte, or those of a wide character."""
    for mark, encoding in _WIDE:
        if data.startswith(mark):
            return "\n".encode(encoding)
    head = data[:4096].rstrip(b"\0")  # a logger may have laid out the whole file in advance
    if head.count(b"\0") > 0.3 * len(head) > 0:
        return b"\n\0" if head[1::2].count(b"\0") > head[0::2].count(b"\0") else b"\0\n"
    return b"\r" if b"\r" in head and b"\n" not in head else b"\n"


def line_ends(data: bytes, line_end: bytes) -> np.ndarray:
    """Places behind each line end, rising, int."""
    width = len(line_end)
    view = np.frombuffer(data, dtype=np.uint8)[: len(data) - len(data) % width].reshape(-1, width)
    found = view[:, 0] == line_end[0]
    for place in range(1, width):
        found &= view[:, place] == line_end[place]
    return (np.flatnonzero(found) + 1) * width


def read_rows(beginning: Beginning, rows: bytes, path: Path, rule: FileRule | None) -> RawTable:
    """Read whole rows of a log by how it begins; lines count from those of `beginning.lead`.

    Raises
    ------
    ReadError
        None of them can be read.
    """
    data = beginning.lead + rows
    return read_delimited(data, Source(path, "none", ()), rule, layout=beginning.layout)


def other_heading(table: RawTable) -> int | None:
    """Line of the first heading below the one that rows were read by; None where none stands there."""
    return min((item.row for item in table.set_aside if item.reason == HEADING_AGAIN), default=None)


@dataclass
class GrowingFile:
    """The bytes of a file that grows, taken in piece by piece; it is opened for reading only, and not kept open."""

    path: Path
    reached: int = 0  # bytes taken in
    beginning: bytes = b""  # of the file, up to 4096 bytes
    last: bytes = b""  # the last bytes taken in
    size: int = 0  # of the file, when it was looked at
    written_s: float = 0.0  # when it was written last, since 1970

    def take(self) -> tuple[bytes, bool]:
        """Give what stands behind the place reached, a piece at most, and whether it is of another log than before.

        A file that shrank, or that holds other bytes where some were read, is another log, and is read from its start.

        Raises
        ------
        OSError
            There is no such file, or it may not be read.
        """
        with open(self.path, "rb") as handle:
            about = os.fstat(handle.fileno())
            self.size, self.written_s = about.st_size, about.st_mtime
            start = handle.read(4096)
            handle.seek(self.reached - len(self.last))
            kept = handle.read(len(self.last))
            is_other = kept != self.last or not start.startswith(self.beginning[: len(start)])
            is_other |= len(start) < len(self.beginning)
            if is_other:
                self.reached, self.last, self.beginning = 0, b"", b""
                handle.seek(0)
            self.beginning = start
            return handle.read(PIECE), is_other

    def accept(self, data: bytes) -> None:
        """Count bytes as taken in; what was given and is not accepted is given again."""
        self.reached += len(data)
        self.last = (self.last + data)[-CHECKED:]
