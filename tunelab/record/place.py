"""The place of a record: who writes has it to himself, files are whole or not there, and the record before it is
kept.

The system's own advisory lock on the folder is the hold, so nothing stays behind that a later run would trip over.
Where a disk or a system has none (Windows, some network disks), nobody holds anything: callers must be right without
it, and what a crash left behind is known by its age.

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
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tunelab.workspace.disk import flush, flush_all, rename, replace_file, usual_mode

OUT = "TUNELAB_RECORD_OUT"  # environment variable: the record being written, set in its kernels
CHAPTERS = "chapters"  # its folder for what each notebook gave
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


PART = ".part"
YOUNG_S = 60.0  # a part younger than this may just be about to be held


def write_whole(path: Path, content: str | bytes) -> Path:
    """Write a file beside its place, put it on the disk, rename it in; returns `path`.

    Killed at any moment, the old file stands there or the new one. Parts that such a kill left behind are removed.

    Raises
    ------
    OSError
        The folder cannot be written to or the disk is full; what stood there still stands. It names `path`.
    """
    path = Path(path)
    try:
        return _write_whole(path, content)
    except OSError as error:  # a full disk names no file, and a passing name tells nobody anything
        error.filename, error.filename2 = str(path), None
        raise


def _write_whole(path: Path, content: str | bytes) -> Path:
    _remove_parts(path)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=PART)
    beside = Path(name)
    try:
        with held(beside), open(handle, "wb") as out:
            out.write(content.encode("utf-8") if isinstance(content, str) else content)
            out.flush()
            os.fsync(out.fileno())
            beside.chmod(usual_mode(0o666))
        replace_file(beside, path)
    finally:
        beside.unlink(missing_ok=True)
    return path


def _remove_parts(path: Path) -> None:
    for part in path.parent.iterdir():
        if part.name.startswith(f".{path.name}.") and part.name.endswith(PART) and _is_left(part):
            part.unlink(missing_ok=True)


def _is_left(part: Path) -> bool:
    try:
        age = time.time() - part.stat().st_mtime
    except FileNotFoundError:
        return False
    return age > YOUNG_S and is_abandoned(part)


UNFINISHED = ".unfinished-"  # prefix of a record that is being written
TAKEN = (errno.ENOTEMPTY, errno.EEXIST)


@contextmanager
def folder_beside(place: Path) -> Iterator[Path]:
    """Give an empty folder on the same disk as `place`, and remove it whatever happens.

    What a run that was killed left behind there is removed first.

    Raises
    ------
    OSError
        The folder cannot be made.
    """
    place.parent.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        with held(place.parent):
            _remove_leftovers(place)
            folder = Path(tempfile.mkdtemp(prefix=f"{UNFINISHED}{place.name}-", dir=place.parent))
            stack.callback(shutil.rmtree, folder, ignore_errors=True)
            stack.enter_context(held(folder))
        folder.chmod(usual_mode(0o777))
        yield folder


def _remove_leftovers(place: Path) -> None:
    for path in place.parent.iterdir():
        if path.name.startswith(f"{UNFINISHED}{place.name}-") and path.is_dir() and is_abandoned(path):
            shutil.rmtree(path, ignore_errors=True)


def require_room(place: Path) -> None:
    """Look at a record's place before the work: it may be free, empty, or hold an earlier record.

    Raises
    ------
    FileExistsError
        Something else stands there, such as a session or a whole workspace, which the record would push aside.
    """
    _refuse_file(place)
    is_record = (place / "results.json").is_file()
    if place.is_dir() and not is_record and any(not path.name.startswith(".") for path in place.iterdir()):
        raise FileExistsError(
            f"{place} holds files and is no record, so nothing is written there: name a new or an empty folder."
        )


def _refuse_file(place: Path) -> None:
    if place.exists() and not place.is_dir():
        raise FileExistsError(
            f"{place} is a file; a record needs a folder of that name: move the file or choose --out."
        )


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
    _refuse_file(place)
    flush_all(folder)
    with held(place.parent):
        kept = None if not place.exists() and _rename_to_free(folder, place) else _exchange(folder, place)
        flush(place.parent)
    return kept


def put_in_free_place(whole: Path, place: Path) -> bool:
    """Move a finished folder or file to a place if nothing stands there; False if something does."""
    flush_all(whole)
    with held(place.parent):
        is_in = not place.exists() and _rename_to_free(whole, place)
        flush(place.parent)
    return is_in


def _exchange(folder: Path, place: Path) -> Path:
    """Put a record where another one is, which gets the next number.

    The new one takes that number first, and then the two change names: killed in between, both are whole and named.
    """
    kept = next_kept(place)
    while not _rename_to_free(folder, kept):
        kept = next_kept(place)
    try:
        if not _swap_names(kept, place):
            _swap_by_three(kept, place)
    except OSError:
        rename(kept, folder)
        raise
    return kept


def _swap_by_three(one: Path, other: Path) -> None:
    """Exchange two folders by renaming three times; what goes wrong after the first undoes it."""
    aside = next_kept(other)
    rename(other, aside)
    try:
        rename(one, other)
    except OSError:
        rename(aside, other)
        raise
    rename(aside, one)


def next_kept(place: Path) -> Path:
    """Return the first free `<place>.<n>`, counted from the highest n in use."""
    start = f"{place.name}."
    ends = [path.name.removeprefix(start) for path in place.parent.iterdir() if path.name.startswith(start)]
    numbers = [int(end) for end in ends if end.isascii() and end.isdigit()]
    return place.with_name(f"{place.name}.{max(numbers, default=0) + 1}")


def _rename_to_free(one: Path, other: Path) -> bool:
    """Rename a folder; False where the name is taken by then."""
    try:
        rename(one, other)
    except OSError as error:
        if error.errno not in TAKEN:
            raise
        return False
    return True


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
