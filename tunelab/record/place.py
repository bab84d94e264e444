"""The place of a record: written beside it, renamed in, and the record that was there kept.

A crash at any moment leaves the old record or the new one, never a mixture, and two runs at once do not mix.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import errno
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

UNFINISHED = ".unfinished-"  # prefix of a record that is being written
LEFTOVER_S = 86400.0  # an unfinished record older than this is what a crash left behind


@contextmanager
def folder_beside(place: Path) -> Iterator[Path]:
    """Give an empty folder on the same disk as `place`, and remove it whatever happens.

    Raises
    ------
    OSError
        The folder cannot be made.
    """
    place.parent.mkdir(parents=True, exist_ok=True)
    _remove_leftovers(place)
    folder = Path(tempfile.mkdtemp(prefix=f"{UNFINISHED}{place.name}-", dir=place.parent))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def put_in_place(folder: Path, place: Path) -> Path | None:
    """Move a finished record to its place; keep one that is there as `<place>.<n>`.

    Returns
    -------
    Path or None
        Where the earlier record is kept, None if there was none.

    Raises
    ------
    FileExistsError
        Something that is not a folder stands in the place.
    """
    if place.exists() and not place.is_dir():
        raise FileExistsError(
            f"{place} is a file; a record needs a folder of that name: move the file or choose --out."
        )
    _flush(folder)
    with _only_one(place):
        if not place.exists():
            os.rename(folder, place)
            return None
        return _exchange(folder, place)


def _exchange(folder: Path, place: Path) -> Path:
    kept = next_kept(place)
    if _swap_names(folder, place):
        os.rename(folder, kept)
        return kept
    os.rename(place, kept)
    try:
        os.rename(folder, place)
    except OSError:
        os.rename(kept, place)
        raise
    return kept


def next_kept(place: Path) -> Path:
    """Return the first free `<place>.<n>`, counted from the highest n in use."""
    numbers = [int(path.suffix[1:]) for path in place.parent.glob(f"{place.name}.*") if path.suffix[1:].isdigit()]
    return place.with_name(f"{place.name}.{max(numbers, default=0) + 1}")


def _swap_names(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; False where the system offers no such step."""
    if not sys.platform.startswith("linux"):
        return False
    library = ctypes.CDLL(ctypes.util.find_library("c"), use_errno=True)
    if not hasattr(library, "renameat2"):
        return False
    here, exchange = -100, 2  # AT_FDCWD and RENAME_EXCHANGE of renameat2(2)
    if library.renameat2(here, os.fsencode(one), here, os.fsencode(other), exchange) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL):
        return False
    raise OSError(code, os.strerror(code), str(other))


@contextmanager
def _only_one(place: Path) -> Iterator[None]:
    """Hold the folder of records for oneself; the system lets go when a process ends, however it ends.

    Windows has no such hold on a folder; there a rename onto a taken name fails, so two runs still do not mix.
    """
    if os.name == "nt":
        yield
        return
    import fcntl

    descriptor = os.open(place.parent, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _flush(folder: Path) -> None:
    """Ask the system to put every file on the disk before the folder gets its name."""
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            with open(path, "rb+") as handle:
                os.fsync(handle.fileno())


def _remove_leftovers(place: Path) -> None:
    for path in place.parent.glob(f"{UNFINISHED}{place.name}-*"):
        if path.is_dir() and time.time() - path.stat().st_mtime > LEFTOVER_S:
            shutil.rmtree(path, ignore_errors=True)
