"""Loads an MDF file in a process of its own: python -m tunelab.log.read.mdf_load < log.mf4 > channels.npz

The library that decodes MDF is compiled, and damaged content can end the process that it runs in. The channels come
back as arrays; nothing else is done here.
"""

from __future__ import annotations

import contextlib
import io
import json
import logging
import sys
from typing import Any

import numpy as np


def main() -> None:
    """Load from standard input, write to standard output; damage ends it with a line on standard error."""
    from asammdf import MDF

    logging.getLogger("asammdf").setLevel(logging.CRITICAL + 1)
    with contextlib.redirect_stdout(io.StringIO()), MDF(io.BytesIO(sys.stdin.buffer.read())) as mdf:
        arrays, about, notes = _channels(mdf)
        start = mdf.header.start_time.timestamp()
    told = json.dumps({"start": start, "channels": about, "notes": notes}).encode()
    packed = io.BytesIO()
    np.savez(packed, told=np.frombuffer(told, dtype=np.uint8), **arrays)
    sys.stdout.buffer.write(packed.getvalue())


def _channels(mdf: Any) -> tuple[dict[str, np.ndarray], list[dict[str, str]], list[str]]:
    """Every one-dimensional channel that is not a group's clock: its arrays, what it is, and what was left out."""
    arrays: dict[str, np.ndarray] = {}
    about: list[dict[str, str]] = []
    notes: list[str] = []
    for group in range(len(mdf.groups)):
        for index, channel in enumerate(mdf.groups[group].channels):
            if channel.channel_type in (2, 3):  # master and virtual master: the clock itself (ASAM MDF 4.1)
                continue
            signal = mdf.get(group=group, index=index)
            if not len(signal.timestamps):
                notes.append(f"channel {channel.name!r} is empty and was left out")
            elif np.ndim(signal.samples) != 1 or signal.samples.dtype.names:
                notes.append(f"channel {channel.name!r} holds more than one number a sample and was left out")
            else:
                number = len(about)
                arrays[f"time{number}"] = np.asarray(signal.timestamps, dtype=float)
                arrays[f"value{number}"] = _plain(signal.samples)
                if signal.invalidation_bits is not None:
                    arrays[f"invalid{number}"] = np.asarray(signal.invalidation_bits, dtype=bool)
                about.append({"name": str(signal.name), "unit": str(signal.unit or "")})
    return arrays, about, notes


def _plain(samples: np.ndarray) -> np.ndarray:
    """Float numbers, or text."""
    if samples.dtype.kind in "SUO":
        return np.array([v.decode("utf-8", "replace") if isinstance(v, bytes) else str(v) for v in samples], dtype=str)
    return samples.astype(float)


if __name__ == "__main__":
    main()
