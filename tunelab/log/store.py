"""A log on disk: one netCDF file by the CF conventions, written whole or not at all."""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path
from typing import Final

import numpy as np
import xarray as xr

from tunelab.channels import CHANNELS
from tunelab.log.read.netcdf import require_safe_hdf5
from tunelab.log.read.raw import ReadError
from tunelab.workspace.disk import flush, replace_file, usual_mode

CONVENTIONS = "CF-1.11"
ENGINE: Final = "h5netcdf"
TIME_ON_DISK = ("units", "units_metadata", "standard_name", "calendar", "axis", "comment")


class StoreError(ValueError):
    """A log cannot be written or a file is not a log; the message names the file, the variable and the way out."""


def write_log(log: xr.Dataset, path: Path) -> Path:
    """Write a log, flags and history included, as netCDF; returns `path`.

    The file is written beside its place, flushed to the disk, read again and only then renamed: after a crash there is
    the old file or the new one. CF wants dates of a time axis: on disk the session's clock counts from midnight of its
    date (of 1970-01-01 where the session's name begins with no date), and a comment says that the hour means nothing.

    Raises
    ------
    StoreError
        A variable or an attribute that netCDF cannot hold, named.
    OSError
        The folder cannot be written to.
    """
    path = Path(path)
    dressed = _dress(log)
    _refuse_what_netcdf_cannot_hold(dressed, path)
    content = dressed.to_netcdf(engine=ENGINE, encoding=_encoding(dressed))  # HDF5 itself does not survive a full disk
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with open(handle, "wb") as file:
            file.write(content)
        _check_complete(dressed, Path(beside), path)
        flush(Path(beside))
        os.chmod(beside, usual_mode(0o666))
        replace_file(Path(beside), path)
    finally:
        Path(beside).unlink(missing_ok=True)
    flush(path.parent)
    return path


def read_log(path: Path) -> xr.Dataset:
    """Read a log that `write_log` wrote, whole into memory; values, flags and attributes come back as they were.

    Raises
    ------
    StoreError
        Not a netCDF file, or one without what a log has.
    FileNotFoundError
        No such file.
    """
    path = Path(path)
    if not path.exists():
        raise FileNotFoundError(f"{path}: there is no such file.")
    try:
        require_safe_hdf5(path, path.stat().st_size)
        with xr.open_dataset(path, engine=ENGINE, decode_times=False, decode_timedelta=False) as opened:
            log = opened.load()
    except ReadError as problem:  # what no log needs, or too much of it
        raise StoreError(f"{path}: {problem}") from problem
    except (OSError, ValueError, KeyError) as problem:
        raise StoreError(f"{path}: this does not read as a netCDF file ({problem}); is it a raw log?") from problem
    if set(log.dims) != {"time"} or "time" not in log.coords:
        raise StoreError(
            f"{path}: a log has the one dimension time, this file has {sorted(map(str, log.dims)) or 'none'}."
        )
    for values in log.variables.values():
        values.encoding = {}
    log["time"].attrs = {"units": "s", **{k: v for k, v in log["time"].attrs.items() if k not in TIME_ON_DISK}}
    log.encoding = {}
    return log


def _dress(log: xr.Dataset) -> xr.Dataset:
    """Return a copy with the CF attributes that are still missing; what a variable says of itself stays."""
    dressed = log.copy()
    for name, values in dressed.variables.items():
        values.attrs = {**_cf_attrs(str(name)), **values.attrs}
    dressed["time"].attrs |= {
        "units": f"seconds since {_date_of(log)} 00:00:00",
        "standard_name": "time",
        "calendar": "standard",
        "units_metadata": "leap_seconds: none",
        "axis": "T",
        "comment": "midnight is the first kept row of the session; the hour means nothing",
    }
    dressed.attrs = {"Conventions": CONVENTIONS, "title": "drive log", **dressed.attrs}
    return dressed


def _date_of(log: xr.Dataset) -> str:
    """Date that the session's name begins with, or 1970-01-01."""
    found = re.match(r"\d{4}-\d{2}-\d{2}", str(log.attrs.get("session", "")))
    return found.group() if found else "1970-01-01"


def _cf_attrs(name: str) -> dict:
    """CF attributes of a variable by its name alone."""
    if name == "time":
        return {"long_name": "time since the first kept row of the session"}
    if name == "episode":
        return {"units": "1", "long_name": "number of the unbroken stretch of logging"}
    if name.endswith("_fresh"):
        return {
            "long_name": f"whether {name.removesuffix('_fresh').replace('_', ' ')} is a new reading",
            "flag_values": np.array([0, 1], dtype=np.int8),
            "flag_meanings": "held new",
        }
    known = CHANNELS.get(name)
    if known is None:
        return {"long_name": name.replace("_", " ")}
    named = {"standard_name": known.standard_name} if known.standard_name else {}
    return {"units": known.unit, "long_name": known.meaning, **named}


def _refuse_what_netcdf_cannot_hold(log: xr.Dataset, path: Path) -> None:
    problems = []
    for name, values in log.variables.items():
        if "/" in str(name) or values.dtype.kind not in "fiu":
            problems.append(f"variable {name!r} of type {values.dtype}: a log holds numbers, under names without '/'")
        problems += [
            f"attribute {key!r} of {name!r}: {_wrong(item)}" for key, item in values.attrs.items() if _wrong(item)
        ]
    problems += [f"attribute {key!r}: {_wrong(item)}" for key, item in log.attrs.items() if _wrong(item)]
    if problems:
        raise StoreError(f"{path}: this log cannot be written as netCDF.\n  " + "\n  ".join(problems))


def _wrong(item: object) -> str:
    """Say what is wrong with an attribute, empty if nothing is."""
    if isinstance(item, bool | np.bool_):
        return "netCDF has no true or false; write 0 or 1"
    if isinstance(item, str | int | float | np.number) or (isinstance(item, np.ndarray) and item.dtype.kind in "fiu"):
        return ""
    if isinstance(item, list | tuple) and all(isinstance(part, int | float) for part in item):
        return ""
    return f"a {type(item).__name__} does not fit; write it as one JSON string"


def _encoding(log: xr.Dataset) -> dict:
    """Light compression; no fill value where nothing is ever missing."""
    packed = {"zlib": True, "complevel": 1, "shuffle": True}
    encoding = {}
    for name, values in log.variables.items():
        fill = {"_FillValue": np.nan} if values.dtype.kind == "f" and name not in log.coords else {"_FillValue": None}
        encoding[name] = {**packed, **fill} if values.size else fill
    return encoding


def _check_complete(log: xr.Dataset, beside: Path, path: Path) -> None:
    """Read the written file again: every variable must be there with its length."""
    with xr.open_dataset(beside, engine=ENGINE, decode_times=False, decode_timedelta=False) as written:
        absent = [str(n) for n in log.variables if n not in written.variables or written[n].shape != log[n].shape]
    if absent:
        raise StoreError(f"{path}: the disk did not take {', '.join(absent)}; is it full? Nothing was replaced.")
