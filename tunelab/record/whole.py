"""Single files written whole or not at all."""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

from tunelab.record.held import held, is_abandoned
from tunelab.workspace.disk import replace_file, usual_mode

PART = ".part"
YOUNG_S = 60.0  # a part younger than this may just be about to be held


def write_whole(path: Path, content: str | bytes) -> Path:
    """Write a file beside its place, put it on the disk, rename it in; returns `path`.

    Killed at any moment, the old file stands there or the new one. Parts that such a kill left behind are removed.

    Raises
    ------
    OSError
        The folder cannot be written to or the disk is full; what stood there still stands.
    """
    path = Path(path)
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
