"""ASAM MDF 3 and 4, by the optional extra `tunelab[mdf]`: groups of channels, each on its own rate."""

from __future__ import annotations

import importlib.util
import io
import json
import subprocess
import sys
from dataclasses import replace

import numpy as np

from tunelab.log.read.raw import RawTable, ReadError, Source
from tunelab.log.read.signals import Signal, table_of_signals

REFUSED = 3  # the loader's exit status where the file says that it is too large
_LONGEST_S = 120.0  # and a second for each megabyte; blocks that point at each other would be followed for ever


def read_mdf(data: bytes, source: Source) -> RawTable:
    """Read an MDF file.

    The rows are the time stamps of all groups together. A channel has a value in the rows of its own group and an
    empty cell in the others, so its rate stays visible; nothing is interpolated. Readings that the file marks invalid
    are NaN. The clock is absolute: the file's start time plus the time stamps. A channel whose conversion rule is not
    applied (`mdf_rule`) is left out, with a note; raw values never stand in for physical ones.

    Raises
    ------
    ReadError
        The extra is not installed, or the file is damaged or empty.
    """
    if importlib.util.find_spec("asammdf") is None:
        raise ReadError("this is an MDF file; install the optional extra that reads it: tunelab[mdf].")
    if data[64:68] != b"##HD" and data[64:66] != b"HD":
        raise ReadError("the MDF content is damaged: its header block is missing; copy the file from the logger again.")
    loader = [sys.executable, "-P", "-m", "tunelab.log.read.mdf_load"]
    try:
        most = _LONGEST_S + len(data) * 1e-6
        ran = subprocess.run(loader, input=data, capture_output=True, check=False, timeout=most)
    except subprocess.TimeoutExpired:
        raise ReadError("the MDF content cannot be read: its reader came to no end; copy the file again.") from None
    if ran.returncode:
        last = ran.stderr.decode("utf-8", "replace").strip().splitlines()[-1:] or ["the decoder broke down"]
        if ran.returncode == REFUSED:
            raise ReadError(last[0])
        raise ReadError(f"the MDF content cannot be read ({last[0]}); copy the file from the logger again.")
    signals, start, notes = _unpack(ran.stdout)
    if not signals:
        raise ReadError("the MDF file holds no channel with samples.")
    return table_of_signals(signals, start, replace(source, notes=(*source.notes, *notes)), "MDF")


def _unpack(packed: bytes) -> tuple[list[Signal], float, list[str]]:
    with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
        told = json.loads(arrays["told"].tobytes())
        signals = [
            Signal(
                **known, timestamps=arrays[f"time{i}"], samples=arrays[f"value{i}"], invalid=arrays.get(f"invalid{i}")
            )
            for i, known in enumerate(told["channels"])
        ]
    return signals, told["start"], told["notes"]
