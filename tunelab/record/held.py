"""Holds on folders: who writes one has it to himself, and lets go when the process ends, however it ends.

The system's own advisory lock on the folder is the hold, so nothing stays behind that a later run would trip over.
Where a disk or a system has none (Windows, some network disks), nobody holds anything: callers must be right without
it, and what a crash left behind is known by its age.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ABANDONED_S = 86400.0  # where there are no holds: untouched for so long, nobody writes it any more
NO_HOLDS = (errno.ENOLCK, errno.EBADF, errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS, errno.EACCES, errno.EPERM)


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Have a folder to oneself, waiting for whoever has it."""
    hold = _take(folder, waits=True)
    try:
        yield
    finally:
        if hold is not None:
            os.close(hold)


def is_abandoned(folder: Path) -> bool:
    """Whether nobody writes a folder any more that its writer would be holding."""
    try:
        hold = _take(folder, waits=False)
        if hold is None:
            return time.time() - folder.stat().st_mtime > ABANDONED_S
    except (BlockingIOError, FileNotFoundError):
        return False
    os.close(hold)
    return True


def _take(folder: Path, *, waits: bool) -> int | None:
    """Take hold of a folder; None where there are no holds.

    Raises
    ------
    BlockingIOError
        Somebody has it, and `waits` is False.
    """
    try:
        import fcntl
    except ImportError:  # Windows
        return None
    descriptor = -1
    try:
        descriptor = os.open(folder, os.O_RDONLY)
        fcntl.flock(descriptor, fcntl.LOCK_EX if waits else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if descriptor >= 0:
            os.close(descriptor)
        if error.errno in NO_HOLDS:
            return None
        raise
    return descriptor
