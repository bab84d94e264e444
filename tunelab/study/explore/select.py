"""Which samples lie in a box that was drawn over two channels."""

from __future__ import annotations

import numpy as np
import xarray as xr

Box = tuple[float, float, float, float]  # left, bottom, right, top, in the channels' units


def samples_inside(log: xr.Dataset, x: str, y: str, box: Box) -> np.ndarray:
    """Tell which samples lie in a box, its edges included.

    Parameters
    ----------
    log : Dataset
        Has both channels.
    x, y : str
        Channels across and up.
    box : tuple of float
        Left, bottom, right, top.

    Returns
    -------
    bool array, shape (time,)
        A sample with a missing reading of either lies outside.
    """
    across, up = log[x].to_numpy(), log[y].to_numpy()
    left, bottom, right, top = box
    return (across >= left) & (across <= right) & (up >= bottom) & (up <= top)
