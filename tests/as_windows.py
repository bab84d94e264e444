"""File calls that behave as they do on Windows, put over this system's own for the kit's calls: emulated, not run.

What is emulated: no module that only POSIX has; a folder cannot be opened; only what is open for writing is flushed;
whatever this or another process has open is neither renamed, replaced nor removed; a name that is taken is no target of
a rename; no name that Windows cannot hold; text without a stated encoding is cp1252 with CRLF as line end.

The system's rules are those of its documentation (CreateFile, FlushFileBuffers, MoveFileEx, naming of files), from
memory.
"""

from __future__ import annotations

import builtins
import errno
import fcntl
import glob
import io
import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

POSIX_ALONE = ("fcntl", "resource", "pwd", "grp", "termios", "pty", "posix")
NO_NAME = re.compile(r'(?i)(?:con|prn|aux|nul|com\d|lpt\d)(?:\..*)?|.*[<>:"|?*\x00-\x1f].*|.*[. ]')
MOVES = ("rename", "replace", "unlink", "remove", "mkdir")
OVER = [(builtins, "__import__"), (builtins, "open"), (io, "open"), *((os, name) for name in ("open", "fsync", *MOVES))]
SHARING = 32  # ERROR_SHARING_VIOLATION


@contextmanager
def as_windows(kit: str) -> Iterator[None]:
    """Put the calls over the system's for modules whose files lie in the folder `kit`, and take them off again."""
    before = [(module, name, getattr(module, name)) for module, name in OVER]
    install(kit)
    try:
        yield
    finally:
        for module, name, real in before:
            setattr(module, name, real)


def install(kit: str) -> None:
    """Put the calls over the system's for modules whose files lie in the folder `kit`; they stay so in this process."""

    def is_kits() -> bool:
        frame = sys._getframe(2)
        while frame and ("pathlib" in frame.f_code.co_filename or frame.f_code.co_filename == __file__):
            frame = frame.f_back
        return frame is not None and frame.f_code.co_filename.startswith(kit)

    real_import, real_open, real_fsync = builtins.__import__, os.open, os.fsync
    real_io_open = io.open

    def import_(name, *args, **kwargs):
        if name in POSIX_ALONE and is_kits():
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return real_import(name, *args, **kwargs)

    def open_(path, flags, *args, **kwargs):
        if is_kits() and os.path.isdir(path):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        if is_kits() and flags & os.O_CREAT:
            _require_name(path)
        return real_open(path, flags, *args, **kwargs)

    def fsync(descriptor):
        if is_kits() and fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            raise OSError(errno.EBADF, "Bad file descriptor")
        return real_fsync(descriptor)

    def io_open(file, mode="r", buffering=-1, encoding=None, errors=None, newline=None, *args, **kwargs):
        if is_kits() and not isinstance(file, int):
            if set(mode) & set("wxa"):
                _require_name(file)
            if "b" not in mode:
                encoding = encoding or "cp1252"
                newline = "\r\n" if newline is None and set(mode) & set("wxa") else newline
        return real_io_open(file, mode, buffering, encoding, errors, newline, *args, **kwargs)

    builtins.__import__, os.open, os.fsync = import_, open_, fsync
    builtins.open = io.open = io_open
    for name in MOVES:
        setattr(os, name, _guarded(name, getattr(os, name), is_kits))


def _guarded(name, real, is_kits):
    def call(path, *args, **kwargs):
        if is_kits():
            targets = [path, *args[:1]] if name in ("rename", "replace") else [path]
            if name in ("rename", "replace", "mkdir"):
                _require_name(targets[-1])
            if name == "rename" and os.path.lexists(targets[-1]):
                raise FileExistsError(errno.EEXIST, "Cannot create a file when that file already exists", str(path))
            for held in (item for target in targets for item in _open_below(target)):
                error = PermissionError(errno.EACCES, "The process cannot access the file", str(held))
                error.winerror = SHARING
                raise error
        return real(path, *args, **kwargs)

    return call


def _require_name(path) -> None:
    name = Path(os.fspath(path)).name
    if NO_NAME.fullmatch(name):
        raise OSError(errno.EINVAL, "The filename, directory name, or volume label syntax is incorrect", str(path))


def _open_below(path) -> Iterator[Path]:
    """Files at or below a path that this process or one of its kernels has open."""
    place = os.path.realpath(path)
    for link in glob.glob("/proc/[0-9]*/fd/*"):
        try:
            found = os.readlink(link)
        except OSError:  # another account's, or closed meanwhile
            continue
        if found == place or found.startswith(place + os.sep):
            yield Path(found)
