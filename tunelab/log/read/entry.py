"""Read one file of any known format."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from tunelab.log.read.content import unpack_gzip
from tunelab.log.read.delimited import read_delimited
from tunelab.log.read.mdf import read_mdf
from tunelab.log.read.netcdf import read_netcdf
from tunelab.log.read.parquet import read_parquet
from tunelab.log.read.raw import THIS_FILE, RawTable, ReadError, Source, start_digest
from tunelab.workspace.channel_map import ChannelMap, FileRule
from tunelab.workspace.disk import say_reason

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
