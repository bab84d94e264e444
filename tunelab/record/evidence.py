"""What a session's log consists of: every row accounted for, what was driven, what is flagged, and by which
versions.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
import platform
from contextlib import AbstractContextManager
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.lazy import as_if_missing
from tunelab.log.flag import channels_of, spans, summary
from tunelab.log.once import as_kept, at_one_desk, begin_desk, read_kept
from tunelab.record.opened import OpenedSession
from tunelab.record.place import CHAPTERS, OUT, write_whole

PACKAGES = (
    "tunelab",
    "numpy",
    "scipy",
    "pandas",
    "xarray",
    "polars",
    "pint",
    "pydantic",
    "holoviews",
    "bokeh",
    "papermill",
)


def versions() -> dict[str, str]:
    """Versions of Python and of the packages that a result depends on."""
    return {"python": platform.python_version()} | {name: _version(name) for name in PACKAGES}


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


NO_NUMBERS = ("chart", "cli", "simulate", "__main__.py")  # parts of the package that no result depends on


@functools.cache
def code_stamp() -> str:
    """Stamp of the package's own sources that results depend on; a checkout changes more often than its version."""
    package = Path(__file__).resolve().parents[1]
    paths = sorted(path for path in package.rglob("*.py") if path.relative_to(package).parts[0] not in NO_NUMBERS)
    return digest([[path.relative_to(package).as_posix(), sha256(path)] for path in paths])


def digest(data: Any) -> str:
    """SHA-256 of plain data."""
    return hashlib.sha256(json.dumps(data, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def made_by() -> str:
    """Stamp of the code and the packages that a result depends on."""
    return digest([code_stamp(), versions()])


KEPT = ".driven"  # folder of the records for what was made of the logs; a name with a dot is no record


def fits_kept(folder: Path | None) -> AbstractContextManager[None]:
    """A block in which everything is made of a log once; fits are kept for later runs where a folder is given."""
    return at_one_desk(folder, made_by(), write_whole)


def keep_fits_in(folder: Path) -> None:
    """The same from here to the end of this process."""
    begin_desk(folder, made_by(), write_whole)


def arrays_are_plain() -> None:
    """Let xarray look for pint's arrays once, and in vain: no log holds any, and loading it takes long.

    For a process of the record's own.
    """
    with as_if_missing("pint"):
        xr.DataArray([0.0]).to_numpy()  # what it finds it keeps


def hand_evidence(evidence: Evidence, opened: OpenedSession, record: Path) -> None:
    """Lay the evidence of the session that is recorded beside its notebooks' chapters: none of them reads it anew."""
    path = _handed(opened, record)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(as_kept(_of_session(opened), evidence))


def _handed(opened: OpenedSession, record: Path) -> Path:
    return record / CHAPTERS / f"{opened.name}.npz"


def _of_session(opened: OpenedSession) -> str:
    return digest([made_by(), str(opened.workspace.root.resolve()), opened.name])


RANGES = (
    "engine_speed_rpm",
    "air_flow_kg_h",
    "throttle_pct",
    "manifold_kpa",
    "road_speed_km_h",
    "coolant_c",
    "battery_v",
)


@dataclass(frozen=True)
class Evidence:
    """The log that a record stands on, and its accounts."""

    session: str
    log: xr.Dataset  # flagged
    inputs: tuple[dict, ...]  # path, sha256, rows_in, rows_kept, rows_set_aside of each raw file
    settings: tuple[dict, ...]  # path, sha256 of each file of the owner's that was read
    set_aside: pd.DataFrame  # file, row, reason
    spans: pd.DataFrame  # start_s, end_s, channel, reason, samples, note
    flags: pd.DataFrame  # reason, samples, seconds, share
    columns: pd.DataFrame  # column, channel, unit, conversion
    ranges: pd.DataFrame  # channel, unit, lowest, median, highest, readings

    @property
    def duration_s(self) -> float:
        """Time from the first sample to the last."""
        time = self.log["time"].to_numpy()
        return float(time[-1] - time[0]) if time.size else 0.0

    def facts(self) -> pd.DataFrame:
        """What was read, one row per fact: files with their hashes, rows, span, pieces, channels, versions."""
        rows = [(f"{item['path']}, SHA-256", item["sha256"]) for item in self.inputs]
        rows += [(f"{item['path']}, rows", row_account(item)) for item in self.inputs]
        samples = self.log.sizes["time"]
        rows += [
            ("revision in the ECU", str(self.log.attrs["revision"])),
            ("samples", f"{samples} over {self.duration_s:.1f} s"),
            ("pieces", str(int(np.unique(self.log["episode"].to_numpy()).size))),
            ("channels", ", ".join(channels_of(self.log))),
            ("made with", ", ".join(f"{name} {number}" for name, number in versions().items())),
        ]
        return pd.DataFrame(rows, columns=["what", "value"]).set_index("what")

    def named_ranges(self) -> pd.DataFrame:
        """The ranges, one row per channel under its name as a parameter of a notebook takes it."""
        return self.ranges.assign(name=_in_order(self.log)).set_index("name")

    def flag_table(self) -> pd.DataFrame:
        """What is flagged, for a reader: reason, samples, seconds, share [%]; reasons that never occur left out."""
        table = self.flags[self.flags["samples"] > 0]
        words = {"any": "any of these", "none": "no flag at all"}
        return pd.DataFrame(
            {
                "reason": [words.get(reason, reason.replace("_", " ")) for reason in table["reason"]],
                "samples": table["samples"],
                "seconds": table["seconds"].round(1),
                "share [%]": (100 * table["share"]).round(1),
            }
        )


def row_account(item: dict) -> str:
    """Account for the rows of one raw file in words."""
    return f"{item['rows_in']} in, {item['rows_kept']} kept, {item['rows_set_aside']} set aside"


def gather_evidence(opened: OpenedSession) -> Evidence:
    """Read and flag a session's log, and draw up its accounts.

    Raises
    ------
    ValueError, OSError
        As `load_flagged`: a log that cannot be read says which, where and what to do.
    """
    record = os.environ.get(OUT)
    handed = read_kept(_handed(opened, Path(record)), _of_session(opened)) if record else None
    return handed[0] if handed else _gather_evidence(opened)


def _gather_evidence(opened: OpenedSession) -> Evidence:
    from tunelab.log.load import load_flagged  # with all readers, which whoever is handed the evidence does without

    log = load_flagged(opened.workspace, opened.name)
    return Evidence(
        session=opened.name,
        log=log,
        inputs=tuple(raw_inputs(log)),
        settings=tuple(_settings(opened)),
        set_aside=pd.DataFrame(json.loads(log.attrs.get("set_aside", "[]")), columns=["file", "row", "reason"]),
        spans=spans(log),
        flags=summary(log),
        columns=_columns(log),
        ranges=_ranges(log),
    )


def raw_inputs(log: xr.Dataset) -> list[dict]:
    """Account for the raw files of a log: path, sha256, rows_in, rows_kept, rows_set_aside."""
    keys = ("path", "sha256", "rows_in", "rows_kept", "rows_set_aside")
    return [{key: file[key] for key in keys} for file in json.loads(log.attrs["files"])]


def _columns(log: xr.Dataset) -> pd.DataFrame:
    """What became of every column; a column that no channel took has a dash."""
    table = pd.DataFrame(json.loads(log.attrs.get("columns", "[]")) or [])
    return table.reindex(columns=["file", "column", "channel", "unit", "conversion"])


def _settings(opened: OpenedSession) -> list[dict]:
    root = opened.workspace.root
    names = ["car.toml", "channels.toml", f"revisions/{opened.revision.name}.toml"]
    paths = [root / name for name in names] + [opened.folder.path / "session.toml"]
    return [{"path": p.relative_to(root).as_posix(), "sha256": sha256(p)} for p in paths if p.exists()]


def sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal digits."""
    with open(path, "rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _in_order(log: xr.Dataset) -> list[str]:
    """Names of a log's channels, those that are asked for most first."""
    present = channels_of(log)
    first = [name for name in RANGES if name in present]
    return [*first, *(name for name in present if name not in first)]


def _ranges(log: xr.Dataset) -> pd.DataFrame:
    rows = [_range(log, name) for name in _in_order(log)]
    return pd.DataFrame(rows, columns=["channel", "unit", "lowest", "median", "highest", "readings"])


def _range(log: xr.Dataset, name: str) -> tuple:
    values = log[name].to_numpy()[log[f"{name}_flag"].to_numpy() == 0]
    values = values[np.isfinite(values)]
    unit = CHANNELS[name].axis_label.partition("[")[2].rstrip("]")
    spread = (float(values.min()), float(np.median(values)), float(values.max())) if values.size else (np.nan,) * 3
    return (CHANNELS[name].label, unit, *spread, int(values.size))
