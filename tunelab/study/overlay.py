"""Events of one kind laid over one another, each on its own zero."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import xarray as xr

from tunelab.log.flag_sample import find_gaps
from tunelab.study.gearing.reading import at_rows


def overlay(
    log: xr.Dataset, at_s: Sequence[float], channels: Sequence[str], *, span: tuple[float, float]
) -> pd.DataFrame:
    """Rows around each event: event (counted from 1), at_s, clock_s (0 at the event), and the channels.

    Parameters
    ----------
    log : Dataset
        A flagged log.
    at_s : sequence of float
        Times of the events on the log's clock. [s]
    channels : sequence of str
        Names; those that the log lacks are NaN.
    span : pair of float
        From how long before (below zero) to how long after. [s]

    Returns
    -------
    DataFrame
        NaN where a reading is not to be trusted; nothing from beyond a gap of the log.
    """
    time, gaps = log["time"].values, log["time"].values[find_gaps(log)]
    values = {name: at_rows(log, name) if name in log else np.full(time.size, np.nan) for name in channels}
    parts = []
    for number, at in enumerate(at_s, start=1):
        before, after = gaps[gaps <= at], gaps[gaps > at]
        start = max(at + span[0], float(before[-1]) if before.size else -np.inf)
        end = min(at + span[1], float(after[0]) - 1e-9 if after.size else np.inf)
        rows = slice(int(np.searchsorted(time, start)), int(np.searchsorted(time, end, side="right")))
        columns = {name: array[rows] for name, array in values.items()}
        parts.append(pd.DataFrame({"event": number, "at_s": at, "clock_s": time[rows] - at, **columns}))
    names = ["event", "at_s", "clock_s", *channels]
    return pd.concat(parts, ignore_index=True)[names] if parts else pd.DataFrame(columns=names)
