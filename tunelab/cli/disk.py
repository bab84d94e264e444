"""What the system says of files and disks, said so that a person knows the way out."""

from __future__ import annotations

import errno

FULL = "the disk is full. Nothing that was there has changed; make room, or write to another disk, and run this again."
REASONS = {
    errno.ENOSPC: FULL,
    errno.EDQUOT: FULL,
    errno.EFBIG: "the disk or a limit of this account takes no file so large. Nothing that was there has changed; "
    "write to another disk, and run this again.",
    errno.EROFS: "this disk can only be read. Write to another one; raw logs may stay where they are.",
    errno.EACCES: "this account may not do that there. Change who may read and write it, or name another place.",
    errno.EPERM: "this account may not do that there. Change who may read and write it, or name another place.",
    errno.ENAMETOOLONG: "the path is too long for this disk. Choose shorter names, or a place nearer to the top.",
    errno.EIO: "the disk failed to read or write. Nothing of yours was replaced; copy what is on it elsewhere first.",
    errno.ENOENT: "there is no such file or folder.",
    errno.ENOTDIR: "a file stands where a folder should.",
    errno.EISDIR: "a folder stands where a file should.",
    errno.EMFILE: "too many files are open at once; close other programs, or raise the limit (ulimit -n).",
}


def say_error(error: Exception) -> str:
    """Say an error to a person: of the system's own, the file, what is wrong with it and the way out."""
    if not isinstance(error, OSError) or error.errno is None:
        return str(error)
    names = [str(name) for name in (error.filename, error.filename2) if name is not None]
    where = f"{' to '.join(names)}: " if names else ""
    return f"{where}{REASONS.get(error.errno, error.strerror)}"
