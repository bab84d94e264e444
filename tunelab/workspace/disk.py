"""Files put on the disk and into their place, on any system: what Windows does otherwise is seen to here alone.

Windows opens no folder, flushes only what is open for writing, and lets nobody rename or replace what another program
has open, be it a spreadsheet or, for a moment, a virus scanner. Nothing here asks which system it runs on but for how
long to be patient: what a system refuses is done without, where that is safe.
"""

from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

PATIENCE_S = 2.0 if os.name == "nt" else 0.0  # a scanner has let go of a new file by then
_STEP_S = 0.05
_OTHER_HAS_IT = (32, 33)  # Windows: sharing and lock violations
_LONGEST_ON_WINDOWS = 259  # characters of a path, where long ones are not switched on
_FULL = "the disk is full. Nothing that was there has changed; make room, or write to another disk, and run this again."
_MAY_NOT = (
    "this account may not do that there, or another program, such as a spreadsheet, has it open. "
    "Close it there, change who may read and write it, or name another place."
)
_IN_USE = "another program has it open, such as a spreadsheet. Close it there and run this again; nothing was replaced."
_TOO_LONG = "the path is too long for this disk. Choose shorter names, or a place nearer to the top."
_REASONS = {
    errno.ENOSPC: _FULL,
    errno.EDQUOT: _FULL,
    errno.EFBIG: "the disk or a limit of this account takes no file so large. Nothing that was there has changed; "
    "write to another disk, and run this again.",
    errno.EROFS: "this disk can only be read. Write to another one; raw logs may stay where they are.",
    errno.EACCES: _MAY_NOT,
    errno.EPERM: _MAY_NOT,
    errno.ENAMETOOLONG: _TOO_LONG,
    errno.EIO: "the disk failed to read or write. Nothing of yours was replaced; copy what is on it elsewhere first.",
    errno.ENOENT: "there is no such file or folder.",
    errno.ENOTDIR: "there is a file where a folder should be.",
    errno.EISDIR: "there is a folder where a file should be.",
    errno.EMFILE: "too many files are open at once; close other programs, or raise the limit (ulimit -n).",
}
_NO_FLUSH = (errno.EACCES, errno.EPERM, errno.EBADF, errno.EINVAL, errno.ENOTSUP)  # of a folder: not offered there


def say_error(error: Exception) -> str:
    """Say an error to a person: of the system's own, the file, what is wrong with it and the way out."""
    if not isinstance(error, OSError) or error.errno is None:
        return str(error)
    names = [str(name) for name in (error.filename, error.filename2) if name is not None]
    where = f"{' to '.join(names)}: " if names else ""
    return f"{where}{say_reason(error)}"


def say_reason(error: OSError) -> str:
    """Say what is wrong and the way out, without the file's name."""
    if getattr(error, "winerror", None) in _OTHER_HAS_IT:
        return _IN_USE
    if os.name == "nt" and error.errno == errno.ENOENT and len(str(error.filename or "")) > _LONGEST_ON_WINDOWS:
        return _TOO_LONG
    return _REASONS.get(error.errno or 0, error.strerror or str(error))


def require_plain(path: Path) -> None:
    """Refuse a pipe or a device under a file's name: to read one may never end.

    Raises
    ------
    OSError
        It is one; a folder and what is missing are left to whoever opens it.
    """
    if path.exists() and not path.is_file() and not path.is_dir():
        raise OSError(errno.EINVAL, "this is a pipe or a device, not a file; copy what it gives into a file", str(path))


def usual_mode(most: int) -> int:
    """Rights that this account gives a new file (of at most 0o666) or folder (0o777): its umask is honoured.

    A file or folder made under a passing name is closed to others until it is whole, and then gets these.
    """
    mask = os.umask(0o077)  # asking sets it; for that moment the strict one
    os.umask(mask)
    return most & ~mask


def flush(path: Path) -> None:
    """Wait until one file, or the names in one folder, are on the disk.

    Raises
    ------
    OSError
        The disk did not take it. That a system or a disk flushes no folders is no error: names are safe there when the
        disk has got round to them.
    """
    if path.is_dir():
        _flush_folder(path)
        return
    try:
        descriptor = os.open(path, os.O_RDWR)  # Windows flushes nothing that is open for reading alone
    except PermissionError:
        descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _flush_folder(path: Path) -> None:
    descriptor = -1
    try:
        descriptor = os.open(path, os.O_RDONLY)
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in _NO_FLUSH:
            raise
    finally:
        if descriptor >= 0:
            os.close(descriptor)


def flush_all(whole: Path) -> None:
    """Wait until a file, or every file of a folder, is on the disk, before it gets its name."""
    for path in (whole, *sorted(whole.rglob("*"))):
        if path.is_file():
            flush(path)


def copy_folder(source: Path, target: Path, *, leave_out: Callable[[str], bool] = lambda name: False) -> Path:
    """Copy the files of a folder, those of some names left out, into one that may be there; returns that.

    Raises
    ------
    OSError
        The first file that cannot be copied, by itself: `shutil.copytree` goes on and raises a list of all.
    """
    target.mkdir(parents=True, exist_ok=True)
    for path in sorted(source.iterdir()):
        if leave_out(path.name):
            continue
        if path.is_dir():
            copy_folder(path, target / path.name, leave_out=leave_out)
        else:
            shutil.copyfile(path, target / path.name)
    return target


def rename(one: Path, other: Path) -> None:
    """Rename a file or folder to a name that is free.

    Raises
    ------
    OSError
        The name is taken by a folder, or a program has something of it open and does not let go in time.
    """
    _patiently(os.rename, one, other)


def replace_file(beside: Path, path: Path) -> None:
    """Put a whole file that stands beside a place into it, in one step.

    Raises
    ------
    OSError
        What stands there is open in another program that does not let go in time; it stays as it is.
    """
    _patiently(os.replace, beside, path)


def _patiently(move: Callable[[Path, Path], None], one: Path, other: Path) -> None:
    until = time.monotonic() + PATIENCE_S
    while True:
        try:
            return move(one, other)
        except PermissionError:
            if time.monotonic() >= until:
                raise
            time.sleep(_STEP_S)
