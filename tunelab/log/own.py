"""A log that the kit itself wrote, taken as it is: what was read, mapped and put on one clock need not be again."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from tunelab.log.read.hdf5 import HDF5
from tunelab.log.store import StoreError, read_log

OWN = ("files", "columns", "set_aside", "session")  # attributes that no other netCDF file has all of


def read_own_log(path: Path) -> xr.Dataset | None:
    """Read a cleaned log of the kit's own as it was before flags were set; None for any other file.

    Its attributes still name the raw files that it came from, with their hashes and rows.
    """
    with open(path, "rb") as handle:
        if handle.read(len(HDF5)) != HDF5:
            return None
    try:
        log = read_log(path)
    except StoreError:
        return None
    if any(name not in log.attrs for name in OWN) or "episode" not in log:
        return None
    return _without_flags(log)


def _without_flags(log: xr.Dataset) -> xr.Dataset:
    bare = log.drop_vars([name for name in log.data_vars if str(name).endswith("_flag")])
    for values in bare.variables.values():
        values.attrs.pop("ancillary_variables", None)
    lines = [line for line in str(bare.attrs.get("history", "")).splitlines() if not line.startswith("flagged: ")]
    bare.attrs = {key: value for key, value in bare.attrs.items() if key != "exclusions"} | {
        "history": "\n".join(lines)
    }
    return bare
