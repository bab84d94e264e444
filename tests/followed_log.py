"""Demo logs unpacked, and a workspace with one session whose log is still to be written."""

from __future__ import annotations

import gzip
import shutil
from pathlib import Path

DEMO = Path(__file__).parents[1] / "data_demo"
SWEEP, ROAD = "2026-05-09-steady/sweep-night.txt.gz", "2026-05-17-steady/road-3.csv.gz"
PULLS = "2026-05-18-full-throttle/pulls-again.csv.gz"
SESSION = 'date = 2026-06-01\nsteps = ["{step}"]\nrevision = "r03"\n'


def content(name: str) -> bytes:
    """A log of the demo as its logger wrote it."""
    return gzip.decompress((DEMO / "sessions" / name).read_bytes())


def workspace(root: Path, step: str = "road") -> Path:
    """The demo's car with one session that has no log yet; the step `road` asks for no plan."""
    root.mkdir()
    for name in ("car.toml", "channels.toml"):
        shutil.copy(DEMO / name, root / name)
    shutil.copytree(DEMO / "revisions", root / "revisions")
    folder = root / "sessions" / "2026-06-01-drive"
    folder.mkdir(parents=True)
    (folder / "session.toml").write_text(SESSION.format(step=step))
    return folder / "log.csv"
